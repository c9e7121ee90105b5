package pages

// importPages take files in.
var importPages []route
