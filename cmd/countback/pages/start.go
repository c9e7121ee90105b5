package pages

// startPages lead through the setup of a shop, in the order in which one can be set up.
var startPages = []route{{pattern: "GET /start", serve: serveStart, bare: true}}

// Founding is what a folder without a ledger can do.
type Founding interface{}

func serveStart(v *view) error { return v.render("start", nil) }
