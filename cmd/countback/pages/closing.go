package pages

// closingPages are about closing months.
var closingPages []route
