package main

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"countback/cmd/countback/pages"
	"countback/ledger/event"
	"countback/ledger/store"
	"countback/ledger/store/sqlite"
)

// formDesk is a ledger with its pages, in which a command and a form can record the same.
type formDesk struct {
	*bench
	t     *testing.T
	store *sqlite.Store
	desk  *deskPages
	site  *pages.Site
	base  string
	http  *http.Client
}

// newFormDesk makes a shop with the setup that a test says, in command lines.
func newFormDesk(t *testing.T, setup ...string) *formDesk {
	t.Helper()
	b := newBench(t)
	d := &formDesk{bench: b, t: t}
	d.command(`init --shop "Fennimoor Paper" --currency CAD --zone America/Halifax`)
	for _, line := range setup {
		d.command(line)
	}
	d.open()
	return d
}

func (d *formDesk) command(line string) outcome {
	d.t.Helper()
	words, err := shellWords(line)
	if err != nil {
		d.t.Fatal(err)
	}
	o := d.run(words...)
	if o.status != statusDone {
		d.t.Fatalf("%s: %s", line, o.errors)
	}
	if d.desk != nil {
		d.desk.want(int64(d.events())) // what serve would notice by itself
	}
	return o
}

// facts records facts as a file of them.
func (d *formDesk) facts(lines string) {
	d.t.Helper()
	if o := d.feed(lines, "record", "-"); o.status != statusDone {
		d.t.Fatal(o.errors)
	}
	d.desk.want(int64(d.events())) // what serve would notice by itself
}

func (d *formDesk) open() {
	d.t.Helper()
	m, _, _ := d.main("")
	k, err := readKey(d.data)
	if err != nil {
		d.t.Fatal(err)
	}
	if d.store, err = m.openStore(d.data); err != nil {
		d.t.Fatal(err)
	}
	d.desk = m.newDeskPages(d.data, d.store, k)
	const port = "8746" // no listener is opened on it
	if d.site, err = pages.New(d.desk, pages.Options{Port: port, Entropy: d.chance, Fault: func(err error) { d.t.Error(err) }}); err != nil {
		d.t.Fatal(err)
	}
	d.base = "http://127.0.0.1:" + port
	jar, _ := cookiejar.New(nil)
	d.http = &http.Client{Jar: jar, Transport: handlerTransport{d.site.Handler()}, CheckRedirect: func(*http.Request, []*http.Request) error { return nil }}
	address, err := d.site.Address()
	if err != nil {
		d.t.Fatal(err)
	}
	if _, err := d.http.Get(address); err != nil {
		d.t.Fatal(err)
	}
	d.t.Cleanup(func() {
		if err := d.store.Close(); err != nil {
			d.t.Error(err)
		}
	})
}

// handlerTransport answers requests without a network.
type handlerTransport struct{ h http.Handler }

func (t handlerTransport) RoundTrip(r *http.Request) (*http.Response, error) {
	in := r.Clone(r.Context())
	in.Host, in.RequestURI = r.URL.Host, r.URL.RequestURI()
	if in.Body == nil {
		in.Body = http.NoBody
	}
	w := httptest.NewRecorder()
	t.h.ServeHTTP(w, in)
	res := w.Result()
	res.Request = r
	return res, nil
}

// answer is a page as it came.
type answer struct {
	status int
	path   string // after redirects
	body   string
}

func (d *formDesk) read(res *http.Response, err error) answer {
	d.t.Helper()
	if err != nil {
		d.t.Fatal(err)
	}
	defer res.Body.Close()
	var b bytes.Buffer
	if _, err := b.ReadFrom(res.Body); err != nil {
		d.t.Fatal(err)
	}
	return answer{res.StatusCode, res.Request.URL.RequestURI(), b.String()}
}

func (d *formDesk) get(path string) answer {
	d.t.Helper()
	return d.read(d.http.Get(d.base + path))
}

// post sends a form: the pairs "name=value" beside what the page itself put into it.
func (d *formDesk) post(path string, pairs ...string) answer {
	d.t.Helper()
	form := url.Values{}
	for _, p := range pairs {
		name, value, _ := strings.Cut(p, "=")
		form.Add(name, value)
	}
	return d.read(d.http.PostForm(d.base+path, form))
}

// fill gets a form and sends it back with what a person types into it.
func (d *formDesk) fill(path string, pairs ...string) answer {
	d.t.Helper()
	page := d.get(path)
	for _, name := range []string{"once", "seen"} {
		m := regexp.MustCompile(`name="` + name + `" value="([^"]*)"`).FindStringSubmatch(page.body)
		if m == nil {
			d.t.Fatalf("%s has no %s:\n%s", path, name, page.body)
		}
		pairs = append(pairs, name+"="+m[1])
	}
	path, _, _ = strings.Cut(path, "?")
	return d.post(path, pairs...)
}

// last are the newest n events of the ledger, oldest first.
func (d *formDesk) last(n int) []*event.Event {
	d.t.Helper()
	var all []*event.Event
	err := d.store.Scan(context.Background(), 0, func(r store.Row) error {
		e, err := event.ParseLine(bytes.Clone(r.Line))
		all = append(all, e)
		return err
	})
	if err != nil || len(all) < n {
		d.t.Fatal(len(all), err)
	}
	return all[len(all)-n:]
}

func (d *formDesk) events() int {
	n, err := d.store.Last(context.Background())
	if err != nil {
		d.t.Fatal(err)
	}
	return int(n)
}

func says(t *testing.T, e *event.Event) string {
	t.Helper()
	b, err := event.EncodeData(e.Data)
	if err != nil {
		t.Fatal(err)
	}
	return fmt.Sprintf("%s %s %s", e.Kind, e.Time, b)
}

var formSetup = []string{
	`item board --name "Backing board" --type supply --unit each --pack box=150 --pack bag=25 --measure pair=2 --supplier "Quillmark Supply" --place shelf`,
	`item cord --name "Cotton cord" --type supply --unit mm --pack spool="50 m" --measure wrap="310 mm"`,
	`item seal --name "Gold seal" --type supply --unit each --piece-weight 0.4`,
	`item fern-card --name "Fern card" --type good --unit each --class card`,
	`item moss-card --name "Moss card" --type good --unit each --class card`,
	`restock board 2 box --cost 60 --at 2026-01-05`,
	`restock cord 1 spool --cost 20 --at 2026-01-05`,
	`restock fern-card 100 --cost 50 --at 2026-01-05`,
	`restock moss-card 100 --cost 50 --at 2026-01-05`,
	`purchase board 1 box --due 2026-03-20 --at 2026-02-20`,
}

// id is the first event of a kind.
func (d *formDesk) id(kind event.Kind) string {
	for _, e := range d.last(d.events()) {
		if e.Kind == kind {
			return e.ID.String()
		}
	}
	d.t.Fatalf("no %s", kind)
	return ""
}

// Each form records what the command line records for the same words.
func TestFormsRecordWhatCommandsDo(t *testing.T) {
	d := newFormDesk(t, formSetup...)
	d.facts(`{"kind":"order","time":"2026-02-01T12:00:00-04:00","data":{"order":"2041","zone":"home","lines":[{"item":"fern-card","qty":"2"},{"item":"moss-card","qty":"1"}]}}
{"kind":"packspec","time":"2026-01-01T12:00:00-04:00","data":{"formats":[{"format":"flat","lines":[{"item":"board","qty":"1","per":"parcel"}]}]}}
{"kind":"makespec","time":"2026-01-01T12:00:00-04:00","data":{"item":"fern-card","pieces":"4","lines":[{"item":"board","qty":"1","per":"cycle"}]}}
{"kind":"pack","time":"2026-02-02T12:00:00-04:00","data":{"order":"2041"}}`)
	purchase, restock := d.id(event.KindPurchase), d.id(event.KindRestock)
	for _, c := range []struct {
		kind    string
		command string // or a fact
		form    []string
	}{
		{"restock", `restock board 2 box --cost 64.00 --freight 9.50 --supplier "Quillmark Supply" --ref Q-1182 --at 2026-02-02 --note "corners fine"`,
			[]string{"lines[0].item=board", "lines[0].qty=2", "lines[0].in=box", "lines[0].cost=64,00", "freight=9.5", "supplier=Quillmark Supply", "ref=Q-1182", "day=2026-02-02", "note=corners fine"}},
		{"restock", `restock cord "40 m" --cost 16 --at 2026-02-02 --final --purchase ` + purchase,
			[]string{"lines[0].item=cord", "lines[0].qty=40 m", "lines[0].cost=16", "day=2026-02-02", "final=yes", "purchase=" + purchase}},
		{"restock", `restock cord 10 wrap --cost 2 --at 2026-02-02`,
			[]string{"lines[3].item=Cotton cord", "lines[3].qty=10", "lines[3].in=wrap", "lines[3].cost=2", "day=2026-02-02"}},
		{"restock", `restock board 140 --expected 150 --cost 30 --tax 1.5 --duty 2 --discount 3 --currency EUR --rate 1.5 --at 2026-02-02`,
			[]string{"lines[0].item=board", "lines[0].qty=140", "lines[0].expected=150", "lines[0].cost=30", "tax=1,5", "duty=2", "discount=3", "currency=EUR", "rate=1.5", "day=2026-02-02"}},
		{"purchase", `purchase board 2 box --due 2026-03-20 --ref 7 --cost 64 --at 2026-02-02`,
			[]string{"lines[0].item=board", "lines[0].qty=2 box", "lines[0].cost=64", "due=2026-03-20", "ref=7", "day=2026-02-02"}},
		{"credit", `credit ` + restock + ` board 12.50 --reason "corners crushed" --qty 10 --at 2026-02-03`,
			[]string{"restock=" + restock, "lines[0].item=board", "lines[0].amount=12,50", "lines[0].qty=10", "reason=corners crushed", "day=2026-02-03"}},
		{"credit", `credit ` + restock + ` board 12.50 --qty "1 bag" --at 2026-02-03`,
			[]string{"restock=" + restock, "lines[0].item=board", "lines[0].amount=12.5", "lines[0].qty=1", "lines[0].in=bag", "day=2026-02-03"}},
		{"restock", `restock board 2 box --expected 3 --cost 60 --at 2026-02-03`, []string{"lines[0].item=board", "lines[0].qty=2 box", "lines[0].expected=3", "lines[0].cost=60", "day=2026-02-03"}},
		{"credit", `credit ` + restock + ` board 12.50 --bill --at 2026-02-03`,
			[]string{"restock=" + strings.ToLower(restock), "lines[0].item=board", "lines[0].amount=12.5", "what=bill", "day=2026-02-03"}},
		{"pack", `pack 2041 --with cord="20 cm" --without seal --total board=3 --instead seal=board=2 --postage 4.85 --at 2026-02-04T10:00:00-04:00`,
			[]string{"order=2041", "postage=4,85", "day=2026-02-04", "clock=10:00",
				"changes[0].item=cord", "changes[0].qty=20 cm", "changes[1].item=seal", "changes[1].what=without", "changes[2].item=board", "changes[2].what=total", "changes[2].qty=3",
				"changes[3].item=board", "changes[3].what=instead", "changes[3].qty=2", "changes[3].instead_of=seal"}},
		{"pack", `pack 2041 fern-card=1 --to abroad --option "gift wrap" --option card --parcel flat:fern-card=1 --resend --at 2026-02-04`,
			[]string{"order=2041", "lines[0].item=fern-card", "lines[0].qty=1", "zone=abroad", "options=gift wrap, card", "parcels[0].format=flat", "parcels[0].lines[0].item=fern-card",
				"parcels[0].lines[0].qty=1", "resend=yes", "day=2026-02-04"}},
		{"return", `return 2041 fern-card=1 moss-card=1 --condition saleable --at 2026-02-06`,
			[]string{"order=2041", "lines[0].item=fern-card", "lines[0].qty=1", "lines[0].condition=saleable", "lines[1].item=moss-card", "lines[1].qty=1", "lines[1].condition=saleable", "day=2026-02-06"}},
		{"damage", `damage cord 2 wrap --reason damaged --order 2041 --note "tea on the box" --at 2026-02-05`,
			[]string{"lines[0].item=cord", "lines[0].qty=2", "lines[0].in=wrap", "reason=damaged", "order=2041", "note=tea on the box", "day=2026-02-05"}},
		{"damage", `damage board 1 bag --reason own_use --at 2026-02-05`, []string{"lines[0].item=board", "lines[0].qty=1", "lines[0].in=bag", "reason=own_use", "day=2026-02-05"}},
		{"count", `count board 2 box --session march --place shelf --tolerance 2% --at 2026-02-07`,
			[]string{"lines[0].item=board", "lines[0].qty=2", "lines[0].in=box", "lines[0].place=shelf", "session=march", "tolerance=2 %", "day=2026-02-07", "sure=yes"}},
		{"count", `count seal --gross 212 --tare 18 --weight-unit g --at 2026-02-07`,
			[]string{"weights[0].item=seal", "weights[0].gross=212", "weights[0].tare=18", "day=2026-02-07"}},
		{"reprint", `reprint fern-card --good 46 --spoiled 2 --cycles 13 --with board=1 --reason "new plate" --at 2026-02-08`,
			[]string{"item=fern-card", "good=46", "spoiled=2", "cycles=13", "changes[0].item=board", "changes[0].qty=1", "reason=new plate", "day=2026-02-08"}},
		{"reverse", `reverse ` + purchase + ` --reason "entered twice" --at 2026-02-09`, []string{"event=" + restock, "reason=entered twice", "day=2026-02-09"}},
		{"decide", "decide " + d.id(event.KindPack) + ` drop --reason "on both devices" --at 2026-02-09`, []string{"event=" + d.id(event.KindPack), "keep=drop", "reason=on both devices", "day=2026-02-09"}},
		{"retire", `retire seal --note "no longer made" --at 2026-02-10`, []string{"item=seal", "note=no longer made", "day=2026-02-10"}},
		{"order", `{"kind":"order","time":"2026-02-11T12:00:00-04:00","data":{"order":"3001","zone":"home","lines":[{"item":"fern-card","qty":"2"}],"options":["gift wrap"],"value":"12.5","shipping":"3","note":"blue"}}`,
			[]string{"order=3001", "zone=home", "lines[0].item=fern-card", "lines[0].qty=2", "options=gift wrap", "value=12,50", "shipping=3", "note=blue", "day=2026-02-11"}},
	} {
		name := c.kind + " " + c.command
		if strings.HasPrefix(c.command, "{") {
			d.facts(c.command)
		} else {
			d.command(c.command)
		}
		want := says(t, d.last(1)[0])
		was := d.events()
		a := d.fill("/record/"+c.kind, c.form...)
		if d.events() != was+1 {
			t.Errorf("%s: status %d at %s, %d new events\n%s", name, a.status, a.path, d.events()-was, mainOf(a.body))
			continue
		}
		if c.kind == "reverse" { // nothing is reversed twice
			want = strings.ReplaceAll(want, purchase, restock)
		}
		if got := says(t, d.last(1)[0]); got != want {
			t.Errorf("%s:\n form    %s\n command %s", name, got, want)
		}
		if !strings.Contains(a.body, `id="done"`) {
			t.Errorf("%s: the page doesn't say what was recorded:\n%s", name, mainOf(a.body))
		}
	}
}

func mainOf(body string) string {
	if i := strings.Index(body, "<main"); i >= 0 {
		body = body[i:]
	}
	return body
}
