package pages

// ordersPages are about orders and what they cost.
var ordersPages []route
