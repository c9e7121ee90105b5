package pages

// decidingPages are about what needs a decision.
var decidingPages []route
