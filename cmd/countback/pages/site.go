package pages

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"html/template"
	"io"
	"net/http"
	"strings"
	"sync/atomic"
	"time"
)

// Options are what a site is started with.
type Options struct {
	Port    string    // that the listener on 127.0.0.1 has
	Entropy io.Reader // a cryptographic source, for tokens and cookies
	Demo    bool      // the ledger is the demo's: every page says so
	Fault   func(error)

	Entered func(next string) // a browser was let in, and this address lets in the next one; may be nil
}

// Site is the desk's pages.
type Site struct {
	desk    Desk
	opts    Options
	pages   map[string]*template.Template
	assets  *assets
	mux     *http.ServeMux
	doors   doors
	live    hub
	kept    kept
	staging staging
	index   index
	stand   standings
	warm    warmth
	asked   atomic.Int64 // when a page was asked for last, ms
}

// route is one address and what serves it.
type route struct {
	pattern string // as of http.ServeMux, with its method
	serve   func(*view) error
	bare    bool // it needs no look, so it works while there is no shop
}

// New makes the pages of a desk. It fails if a template or a file of style is broken.
func New(d Desk, opts Options) (*Site, error) {
	s := &Site{desk: d, opts: opts, mux: http.NewServeMux()}
	var err error
	if s.assets, err = readAssets(); err != nil {
		return nil, err
	}
	if s.pages, err = s.parse(); err != nil {
		return nil, err
	}
	if err := s.doors.open(opts); err != nil {
		return nil, err
	}
	s.live.desk = d
	s.asked.Store(d.Now().UnixMilli()) // somebody will come soon
	for _, table := range [][]route{
		nowPages, itemPages, ledgerPages, devicePages, startPages,
		recordingPages, setupPages, importPages, labelPages,
		packingPages, ordersPages, countingPages, lossesPages, whyPages, buyingPages, closingPages, decidingPages,
	} {
		for _, r := range table {
			s.mux.HandleFunc(r.pattern, s.handle(r))
		}
	}
	s.mux.Handle("GET /static/", s.assets)
	s.mux.HandleFunc("GET /live", s.live.serve)
	s.mux.HandleFunc("/", s.handle(route{serve: func(*view) error { return NotFound("there is no page of this address") }, bare: true}))
	return s, nil
}

// Handler is the site behind its doors.
func (s *Site) Handler() http.Handler { return s.doors.guard(s, s.mux) }

// asleep is how long after the last page was asked for nobody is thought to be there.
const asleep = 15 * time.Minute

// Awake reports whether somebody is looking, so that it is worth while to work out figures before they are asked for.
func (s *Site) Awake() bool {
	return s.live.listened() || s.desk.Now().Sub(time.UnixMilli(s.asked.Load())) < asleep
}

// NotFound is the error for what isn't here.
func NotFound(format string, args ...any) error {
	return &Problem{What: fmt.Sprintf(format, args...), Hint: "go back, or begin at the shop now", Status: http.StatusNotFound}
}

// ErrNoShop says that there is no ledger yet.
var ErrNoShop = errors.New("there is no ledger here yet; found the shop first")

// maxForm bounds what a form may send, files included.
const maxForm = 64 << 20

// handle serves a route and shows its errors as a page.
func (s *Site) handle(r route) http.HandlerFunc {
	return func(w http.ResponseWriter, req *http.Request) {
		v := &view{site: s, w: w, r: req}
		s.asked.Store(s.desk.Now().UnixMilli())
		req.Body = http.MaxBytesReader(w, req.Body, maxForm)
		err := v.enter(r.bare)
		if errors.Is(err, ErrNoShop) && !r.bare {
			v.redirect("/start")
			return
		}
		if err == nil {
			err = r.serve(v)
		}
		if err != nil && req.Context().Err() == nil {
			v.fail(err)
		}
	}
}

// view is one answer that is being made.
type view struct {
	site *Site
	w    http.ResponseWriter
	r    *http.Request
	look *Look // nil where a route needs none and there is no shop
}

func (v *view) ctx() context.Context { return v.r.Context() }

func (v *view) desk() Desk { return v.site.desk }

func (v *view) enter(bare bool) (err error) {
	v.look, err = v.site.desk.Look(v.ctx())
	if bare && err != nil {
		v.look, err = nil, nil // it says itself what is missing
	}
	return err
}

// redirect sends the browser on with GET, as after a form that was taken.
func (v *view) redirect(to string) error {
	http.Redirect(v.w, v.r, to, http.StatusSeeOther)
	return nil
}

// page is what layout.html gets.
type page struct {
	Path     string
	Shop     string
	Today    string
	Demo     bool
	Founded  bool
	Standing *Standing
	Version  int64
	Groups   []navGroup
	Data     any
}

// render writes a page: html/NAME.html within the layout, with data as its dot.
func (v *view) render(name string, data any) error { return v.renderStatus(http.StatusOK, name, data) }

// renderStatus is render with a status of HTTP.
func (v *view) renderStatus(status int, name string, data any) error {
	t, ok := v.site.pages[name]
	if !ok {
		return fmt.Errorf("there is no template %q", name)
	}
	p := page{Path: v.r.URL.Path, Demo: v.site.opts.Demo, Data: data}
	if v.look != nil {
		p.Shop, p.Founded, p.Version = v.look.Shop.Name, true, v.look.Version
		p.Groups = navigation(p.Path)
		p.Today = v.look.Now.Format("Monday 2 January 2006")
		p.Standing = v.standing()
	}
	var b bytes.Buffer
	if err := t.ExecuteTemplate(&b, "layout", p); err != nil {
		return fmt.Errorf("the page %s can't be shown: %w", name, err)
	}
	h := v.w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Cache-Control", "no-store")
	return send(v.w, v.r, status, b.Bytes())
}

// fail shows an error as a page.
func (v *view) fail(err error) {
	var p *Problem
	var refusal *Refusal
	var questions *Questions
	switch {
	case errors.Is(err, errSoon):
		if err := v.render("soon", nil); err != nil {
			http.Error(v.w, errSoon.Error(), http.StatusServiceUnavailable)
		}
		return
	case errors.As(err, &p):
	case errors.As(err, &refusal):
		p = &Problem{What: refusal.What, Where: refusal.Field, Hint: refusal.Hint}
	case errors.As(err, &questions):
		p = &Problem{What: questions.Error()}
	default:
		what, hint, _ := strings.Cut(err.Error(), "; ")
		p = &Problem{What: what, Hint: hint, Status: http.StatusInternalServerError}
		if v.site.opts.Fault != nil {
			v.site.opts.Fault(err)
		}
	}
	status := p.Status
	if status == 0 {
		status = http.StatusUnprocessableEntity
	}
	if err := v.renderStatus(status, "problem", p); err != nil {
		http.Error(v.w, p.Error(), status)
	}
}
