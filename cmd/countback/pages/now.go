package pages

// nowPages are about how the shop stands.
var nowPages = []route{{pattern: "GET /{$}", serve: serveNow}}

// Standing is how the shop stands, in one sentence at the top of every page.
type Standing struct {
	Text string
	Tone string // "", "soon" or "short": never said by colour alone
}

func (v *view) standing() *Standing { return &Standing{Text: v.look.Shop.Name} }

func serveNow(v *view) error { return v.render("now", nil) }
