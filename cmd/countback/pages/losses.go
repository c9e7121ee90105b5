package pages

// lossesPages are about what went missing.
var lossesPages []route
