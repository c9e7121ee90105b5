package pages

// whyPages are about why an item ran out.
var whyPages []route
