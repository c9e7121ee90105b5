package pages

// buyingPages are about what to buy and to print.
var buyingPages []route
