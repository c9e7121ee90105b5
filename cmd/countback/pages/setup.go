package pages

// setupPages are where items, specs and the shop's settings are defined.
var setupPages []route
