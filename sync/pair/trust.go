//go:build !js

package pair

import (
	"context"
	"html/template"
	"net/http"

	"countback/sync/authority"
)

// trustPage has no script and asks nothing of anybody: it is served without TLS, so it must be worth nothing to whoever changes it. What counts is the comparison of the
// fingerprint with the desk's own screen.
var trustPage = template.Must(template.New("trust").Parse(`<!doctype html>
<html lang="en">
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Trust this desk</title>
<h1>Trust the desk of {{.Shop}}</h1>
<p>Once on each phone, so that it can speak to the desk in confidence, and record without a network as well.</p>
<ol>
<li><a href="/countback.crt">Load the desk's certificate</a> and allow it.</li>
<li>Install it as a certificate authority. It is in the phone's settings, under a heading such as security, or downloaded profiles; look for &ldquo;certificate&rdquo;. Some
phones then ask in a second place whether to trust it fully: switch that on.</li>
<li>Before you confirm, compare the SHA-256 fingerprint with the one on the desk's own screen. If a single character differs, stop: somebody is in between.<br>
<code>{{.Fingerprint}}</code></li>
<li>Go back to the desk and scan its code.</li>
</ol>
<p>This certificate can speak for {{.Name}} and for addresses in private networks, and for nothing else. It ends on {{.Expires}}.</p>
</html>
`))

// Trust returns the handler of the plain http port, which tells how the desk's certificate authority is trusted while a pairing is open, and holds nothing else.
func Trust(a *authority.Authority, d *Desk) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		w.Header().Set("Content-Security-Policy", "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
		// Who went away doesn't want the page.
		_ = trustPage.Execute(w, struct{ Shop, Name, Fingerprint, Expires string }{d.Name, a.Name(), a.Fingerprint(), a.Expires().Format("2 January 2006")})
	})
	mux.HandleFunc("GET /countback.crt", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/x-x509-ca-cert")
		w.Header().Set("Content-Disposition", `attachment; filename="countback.crt"`)
		_, _ = w.Write(a.Certificate())
	})
	limit := &limiter{}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "no-store")
		w.Header().Set("X-Content-Type-Options", "nosniff")
		open, err := false, context.Canceled
		if limit.allow(r, d.Now()) {
			open, err = d.Opened(r.Context())
		}
		if err != nil || !open {
			http.Error(w, "no pairing is open; start countback pair at the desk", http.StatusNotFound)
			return
		}
		mux.ServeHTTP(w, r)
	})
}

// Bounded returns a server whose requests can't hold it up: 10 seconds for the head of one, 16 KiB at most. Whoever streams, or takes connections over, sees to
// the rest.
func Bounded(h http.Handler) *http.Server {
	const (
		maxHead  = 16 << 10
		idleTime = 6 * readTime
	)
	return &http.Server{Handler: h, ReadHeaderTimeout: readTime, IdleTimeout: idleTime, MaxHeaderBytes: maxHead}
}
