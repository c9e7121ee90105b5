package pages

// countingPages are about counting.
var countingPages []route
