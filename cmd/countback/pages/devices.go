package pages

// devicePages are about phones and further desks.
var devicePages []route

// Devices is what the pages ask about the shop's devices.
type Devices interface{}
