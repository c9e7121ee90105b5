package pages

// packingPages are about the packing day.
var packingPages []route
