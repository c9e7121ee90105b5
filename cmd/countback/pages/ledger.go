package pages

// ledgerPages are what was recorded, and the proof of each event.
var ledgerPages []route

// Ledger is what the pages ask of the ledger beside a look.
type Ledger interface{}
