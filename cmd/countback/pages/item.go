package pages

// itemPages are about one item.
var itemPages []route
