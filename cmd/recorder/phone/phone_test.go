package phone_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"countback/cmd/recorder/phone"
	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/record"
	"countback/ledger/store"
	"countback/ledger/store/memory"
	"countback/projections/doubt"
	"countback/projections/fold"
	"countback/sync/handover"
)

var ctx = context.Background()

// box is a box in memory.
type box map[string]string

func (b box) Put(_ context.Context, key, text string) error {
	if b[key] = text; text == "" {
		delete(b, key)
	}
	return nil
}

func (b box) PutLoosely(ctx context.Context, key, text string) error { return b.Put(ctx, key, text) }
func (b box) Take(_ context.Context, key string) (string, error)     { return b[key], nil }

// rig is a shop with its desk, and a phone that belongs to it. Both write into one store, as if they were always in step.
type rig struct {
	*phone.Phone
	t    *testing.T
	box  box
	desk *record.Recorder
	now  time.Time
}

const setup = `{"kind":"item","time":"2026-01-05T09:00:00-04:00","data":{"item":"board","name":"Board stiffener","type":"supply","unit":"each","packs":{"box":"150","crate":"1500"},"place":"A10"}}
{"kind":"item","time":"2026-01-05T09:00:00-04:00","data":{"item":"wrap","name":"Wrapping paper","type":"supply","unit":"mm","packs":{"roll":"10000"},"measures":{"wrap":"310"},"place":"A9"}}
{"kind":"item","time":"2026-01-05T09:00:00-04:00","data":{"item":"card","name":"Folded card","type":"good","unit":"each","points":"1","place":"B1"}}
{"kind":"item","time":"2026-01-05T09:00:00-04:00","data":{"item":"set","name":"Set of five","type":"prepared","unit":"each","parts":[{"item":"card","qty":"5"}]}}
{"kind":"packspec","time":"2026-01-05T09:00:00-04:00","data":{"formats":[{"format":"flat","lines":[{"item":"board","qty":"1","per":"parcel"},{"item":"wrap","qty":"1","measure":"wrap","per":"parcel"}]}]}}
{"kind":"restock","time":"2026-01-06T09:00:00-04:00","data":{"supplier":"Fennimoor","lines":[{"item":"board","qty":"4","pack":"box","cost":"100.00"},{"item":"wrap","qty":"2","pack":"roll","cost":"18.00"},{"item":"card","qty":"500","cost":"90.00"}]}}
{"kind":"order","time":"2026-01-07T09:00:00-04:00","data":{"order":"W-1001","zone":"home","lines":[{"item":"card","qty":"3"}]}}
{"kind":"order","time":"2026-01-07T10:00:00-04:00","data":{"order":"W-1002","zone":"home","lines":[{"item":"card","qty":"600"}]}}
`

func newRig(t *testing.T) *rig {
	t.Helper()
	r := &rig{t: t, box: box{}, now: time.Date(2026, 3, 2, 15, 0, 0, 0, time.UTC)}
	st := memory.New()
	random := rand.New(rand.NewSource(1))
	clock := func() time.Time { r.now = r.now.Add(time.Second); return r.now }
	k, err := key.Generate(random)
	if err != nil {
		t.Fatal(err)
	}
	shop, err := record.Found(ctx, st, k, clock, random, "desk", event.Shop{Name: "Paper Moon Press", Currency: "CAD", Zone: "America/Halifax"}, event.TimeOf(r.now))
	if err != nil {
		t.Fatal(err)
	}
	r.desk = &record.Recorder{Store: st, Key: k, Shop: shop, Now: clock, Entropy: random}
	r.atDesk(setup)
	r.Phone = &phone.Phone{Store: st, Box: r.box, Now: clock, Entropy: random, Build: "test", Zone: time.LoadLocation}
	own, err := r.Prepare(ctx)
	if err != nil {
		t.Fatal(err)
	}
	sig, err := k.Sign(key.Admit, key.AdmitPayload(shop, own.Public(), phone.Role))
	if err != nil {
		t.Fatal(err)
	}
	j := phone.Joining{Shop: shop, ShopName: "Paper Moon Press", Desk: k.Device(), Name: "cart", Device: &event.Device{Key: own.Public(), Name: "cart", Role: phone.Role, By: k.Device(), Endorsement: sig}}
	for _, step := range []func() error{
		func() error { return phone.KeepJoining(ctx, r.box, j) },
		func() error { return r.Begin(ctx) },
		func() error { return r.Begin(ctx) }, // once more changes nothing
		func() error { return phone.Joined(ctx, r.box) },
		func() error { _, err := r.Refresh(ctx); return err },
	} {
		if err := step(); err != nil {
			t.Fatal(err)
		}
	}
	return r
}

func (r *rig) atDesk(lines string) {
	r.t.Helper()
	facts, err := event.ParseFacts([]byte(lines))
	if err != nil {
		r.t.Fatal(err)
	}
	if _, err := r.desk.Record(ctx, facts, nil); err != nil {
		r.t.Fatal(err)
	}
}

func (r *rig) record(text string) (phone.Posted, error) {
	facts, err := r.Parse(ctx, []byte(text))
	if err != nil {
		return phone.Posted{}, err
	}
	return r.Record(ctx, facts, false)
}

func (r *rig) must(text string) phone.Posted {
	r.t.Helper()
	p, err := r.record(text)
	if err != nil {
		r.t.Fatal(err)
	}
	return p
}

func TestFace(t *testing.T) {
	fresh := &phone.Phone{Store: memory.New(), Box: box{}, Now: time.Now, Zone: time.LoadLocation}
	if o, err := fresh.Open(ctx); err != nil || o.State != phone.New || o.Ready {
		t.Errorf("a new phone: %+v %v", o, err)
	}
	r := newRig(t)
	again := &phone.Phone{Store: r.Store, Box: r.box, Now: r.Now, Zone: time.LoadLocation} // after a reload
	o, err := again.Open(ctx)
	if err != nil || o.State != phone.Member || !o.Ready || o.Shop.Minor != 2 || o.Shop.Zone != "America/Halifax" || o.Device.Name != "cart" || o.Joining {
		t.Errorf("opened: %+v %v", o, err)
	}
	items, err := again.Items(ctx)
	if err != nil || len(items) != 4 || items[0].Item != "board" || !slices.Equal(items[0].Packs, []phone.Unit{{Name: "crate", Units: "1500"}, {Name: "box", Units: "150"}}) || items[3].Measures[0].Units != "310" {
		t.Errorf("items: %+v %v", items, err)
	}
	if _, err := r.Prepare(ctx); err == nil {
		t.Error("a member is paired again")
	}
	// What was used last comes first.
	facts, err := r.Parse(ctx, []byte(`{"kind":"damage","data":{"item":"wrap","qty":"1","measure":"wrap","reason":"spoiled"}}`))
	if err != nil {
		t.Fatal(err)
	}
	if err := r.Note(ctx, facts); err != nil {
		t.Fatal(err)
	}
	if items, err := r.Items(ctx); err != nil || items[0].Item != "wrap" || items[0].Used == "" {
		t.Errorf("after use: %+v %v", items, err)
	}
	// A definition that comes from the desk is shown.
	r.atDesk(`{"kind":"item","time":"2026-03-01T09:00:00-04:00","data":{"item":"seal","name":"Seal","type":"supply","unit":"each"}}`)
	if changed, err := r.Refresh(ctx); err != nil || !changed {
		t.Error(changed, err)
	}
	if changed, err := r.Refresh(ctx); err != nil || changed {
		t.Error("nothing has changed", err)
	}
}

func TestRecord(t *testing.T) {
	r := newRig(t)
	p := r.must(`[{"kind":"restock","data":{"supplier":"Fennimoor","lines":[{"item":"board","qty":"2","pack":"box","cost":"50.00"}]}}, {"kind":"pack","data":{"order":"W-1001"}}]`)
	if len(p.IDs) != 2 || p.OnHand["board"] != "899" || p.OnHand["wrap"] != "19690" || p.OnHand["card"] != "497" || len(p.OnHand) != 3 {
		t.Errorf("recorded: %+v", p)
	}
	if want := []string{"Restock: 2 × box Board stiffener", "Packed: order W-1001"}; !slices.Equal(p.Said, want) {
		t.Errorf("said: %q", p.Said)
	}
	back, err := r.TakeBack(ctx, p.IDs[1], "")
	if err != nil || back.OnHand["card"] != "500" || len(back.OnHand) != 3 {
		t.Errorf("taken back: %+v %v", back, err)
	}
	if _, err := r.TakeBack(ctx, p.IDs[1], ""); err == nil {
		t.Error("taken back twice")
	}
	if _, err := r.Remember(ctx, "board", "4006381333931"); err != nil {
		t.Error(err)
	}
	if _, err := r.Refresh(ctx); err != nil {
		t.Error(err)
	}
	if items, err := r.Items(ctx); err != nil || items[0].Barcode != "4006381333931" {
		t.Errorf("barcode: %+v %v", items[0], err)
	}
	before, _ := r.Store.Last(ctx)
	for text, want := range map[string]struct{ field, message string }{
		`[]`:    {"", "nothing to record"},
		`hello`: {"", "aren't facts"},
		`{"kind":"damage","data":{"item":"bord","qty":"1","reason":"damaged"}}`:                                {"item", "not defined"},
		`{"kind":"damage","data":{"item":"board","qty":"-1","reason":"damaged"}}`:                              {"qty", ""},
		`{"kind":"count","data":{"item":"board","qty":"1","pack":"tin"}}`:                                      {"pack", "tin"},
		`{"kind":"damage","time":"2027-03-02T09:30:00Z","data":{"item":"board","qty":"1","reason":"damaged"}}`: {"time", "future"},
		`{"kind":"device","data":{}}`: {"kind", ""},
	} {
		_, err := r.record(text)
		if err == nil {
			t.Errorf("%s: recorded", text)
			continue
		}
		if x := phone.Explain(err); x.Field != want.field || !strings.Contains(x.Message, want.message) {
			t.Errorf("%s: %+v", text, x)
		}
	}
	if after, _ := r.Store.Last(ctx); after != before {
		t.Error("something bad was recorded")
	}
}

// What looks like a slip is asked about, in the words and by the rules of the desk, and recorded where the person is sure.
func TestQuestions(t *testing.T) {
	r := newRig(t)
	for _, text := range []string{
		`[{"kind":"restock","data":{"lines":[{"item":"board","qty":"1","pack":"box","cost":"2.50"}]}}]`,
		`[{"kind":"count","data":{"item":"board","qty":"750"}}]`,
		`[{"kind":"count","data":{"item":"board","qty":"600"}}]`,
		`[{"kind":"count","data":{"item":"card","qty":"50"}}, {"kind":"count","data":{"item":"board","qty":"4"}}]`,
		`[{"kind":"damage","data":{"item":"board","qty":"1","reason":"damaged"}}]`,
		`[{"kind":"count","data":{"item":"board","qty":"3","pack":"box","place":"shelf","session":"jan"}}]`,
		`[{"kind":"count","data":{"item":"board","qty":"15","place":"cart","session":"jan"}}]`,
	} {
		facts, err := r.Parse(ctx, []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		got, err := r.Check(ctx, facts)
		if err != nil {
			t.Fatal(err)
		}
		log, err := fold.Read(ctx, fold.Stored(r.Store), fold.Choice{})
		if err != nil {
			t.Fatal(err)
		}
		if want := doubt.Of(log, facts, nil); len(got) != len(want) {
			t.Errorf("%s: asked %q, the desk %v", text, got, want)
		} else {
			for i := range want {
				if !strings.HasSuffix(got[i], want[i].Hint+".") {
					t.Errorf("%s: asked %q, the desk %v", text, got[i], want[i])
				}
			}
		}
		_, err = r.Record(ctx, facts, false)
		var asked *phone.Refusal
		if (len(got) > 0) != (errors.As(err, &asked) && asked.Kind == "questions" && slices.Equal(asked.Questions, got)) {
			t.Errorf("%s: recorded all the same: %v", text, err)
		}
	}
	facts, _ := r.Parse(ctx, []byte(`[{"kind":"count","data":{"item":"board","qty":"700"}}]`))
	if p, err := r.Record(ctx, facts, true); err != nil || p.OnHand["board"] != "700" {
		t.Error(p, err)
	}
}

func TestOpenOrders(t *testing.T) {
	r := newRig(t)
	list, err := r.OpenOrders(ctx)
	if err != nil || len(list) != 2 || list[0].Order != "W-1001" || list[0].Short || !list[1].Short || !slices.Equal(list[1].Lacks, []string{"card"}) || list[1].Lines[0].Name != "Folded card" {
		t.Errorf("%+v %v", list, err)
	}
	r.must(`{"kind":"pack","data":{"order":"W-1001","changes":[{"item":"board","qty":"1"}]}}`)
	if list, err = r.OpenOrders(ctx); err != nil || len(list) != 1 {
		t.Errorf("%+v %v", list, err)
	}
}

func TestStanding(t *testing.T) {
	r := newRig(t)
	want := func(kept, sent, safe int64) {
		t.Helper()
		s, err := r.Standing(ctx)
		if err != nil || s.Kept != kept || s.Sent != sent || s.Safe != safe || (s.Oldest == "") != (kept+sent == 0) {
			t.Errorf("%+v %v, want %d %d %d", s, err, kept, sent, safe)
		}
	}
	states := func(list ...string) {
		t.Helper()
		recent, err := r.Recent(ctx, 4)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, x := range recent {
			got = append(got, fmt.Sprint(x.Kind, " ", x.State, " ", x.Own, " ", x.Reversed))
		}
		if !slices.Equal(got, list) {
			t.Errorf("recent: %q", got)
		}
	}
	want(0, 0, 0)
	r.must(`[{"kind":"damage","data":{"item":"board","qty":"1","reason":"damaged"}}, {"kind":"damage","data":{"item":"board","qty":"2","reason":"sample"}}]`)
	last := r.must(`{"kind":"pack","data":{"order":"W-1001"}}`)
	want(3, 0, 0)
	states("pack kept true false", "damage kept true false", "damage kept true false", "order safe false false")
	for _, s := range []struct{ sent, safe, kept, onBus, safeNow int64 }{{1, 1, 3, 0, 0}, {3, 1, 1, 2, 0}, {4, 3, 0, 1, 2}, {9, 9, 0, 0, 3}} {
		if err := phone.KeepSent(ctx, r.box, phone.Sent{Sent: s.sent, Safe: s.safe}); err != nil {
			t.Fatal(err)
		}
		want(s.kept, s.onBus, s.safeNow)
	}
	if err := phone.KeepSent(ctx, r.box, phone.Sent{Sent: 3, Safe: 2}); err != nil {
		t.Fatal(err)
	}
	if _, err := r.TakeBack(ctx, last.IDs[0], "slip"); err != nil {
		t.Fatal(err)
	}
	states("reverse kept true false", "pack kept true true", "damage sent true false", "damage safe true false")
}

func TestRound(t *testing.T) {
	r := newRig(t)
	names := func(place string) (out []string) {
		list, err := r.Round(ctx, place)
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range list {
			out = append(out, x.Item)
		}
		return out
	}
	if got := names(""); !slices.Equal(got, []string{"wrap", "board", "card"}) { // A9 before A10, and nothing prepared
		t.Errorf("round: %q", got)
	}
	if got := names("B1"); !slices.Equal(got, []string{"card"}) {
		t.Errorf("at B1: %q", got)
	}
	for _, text := range []string{`{"board":"3"}`, ""} {
		if err := r.KeepRound(ctx, text); err != nil {
			t.Fatal(err)
		}
		if got, err := r.KeptRound(ctx); err != nil || got != text {
			t.Errorf("kept %q %v", got, err)
		}
	}
}

// Reports are byte for byte what the standard encoder prints, which is what the desk uses.
func TestPrinted(t *testing.T) {
	r := newRig(t)
	r.atDesk(`{"kind":"item","time":"2026-03-01T09:00:00-04:00","data":{"item":"odd","name":"<b> \"quoted\" & \\ ‹ö›","type":"supply","unit":"each"}}
{"kind":"purchase","time":"2026-03-01T10:00:00-04:00","data":{"supplier":"Fennimoor","lines":[{"item":"board","qty":"3","pack":"box"}]}}`)
	r.must(`{"kind":"pack","data":{"order":"W-1001"}}`)
	out, err := r.VerifyReports(ctx, r.now)
	if err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{"stock": out.Stock, "cost": out.Cost} {
		var again bytes.Buffer
		if err := json.Indent(&again, []byte(text), "", "  "); err != nil || again.String() != text {
			t.Errorf("%s isn't indented as the standard encoder does: %v\n%s\n%s", name, err, text, again.String())
		}
	}
	if !strings.Contains(out.Stock, `"on_order": "450"`) || !strings.Contains(out.Stock, `<b> \"quoted\" & \\ ‹ö›`) || !strings.Contains(out.Cost, `"order": "W-1001"`) {
		t.Errorf("reports:\n%s\n%s", out.Stock, out.Cost)
	}
}

// A phone that was revoked by an event records no more.
func TestRevoked(t *testing.T) {
	r := newRig(t)
	heads, err := r.Store.Heads(ctx)
	if err != nil {
		t.Fatal(err)
	}
	o, _ := r.Open(ctx)
	h := heads[o.Device.ID]
	if _, err := r.desk.Record(ctx, []event.Fact{{Time: event.TimeOf(r.now), Data: &event.Revoke{Device: o.Device.ID, Last: h.Seq, Hash: h.Hash, Reason: "lost"}}}, nil); err != nil {
		t.Fatal(err)
	}
	if changed, err := r.Refresh(ctx); err != nil || !changed || r.State() != phone.Revoked {
		t.Error(changed, err, r.State())
	}
	_, err = r.record(`{"kind":"pack","data":{"order":"W-1001"}}`)
	if err == nil || phone.Explain(err).Kind != phone.Revoked {
		t.Errorf("it records: %v", err)
	}
}

func TestHandover(t *testing.T) {
	r := newRig(t)
	r.must(`{"kind":"pack","data":{"order":"W-1001"}}`)
	var file bytes.Buffer
	n, err := r.Handover(ctx, &file)
	if err != nil {
		t.Fatal(err)
	}
	seed := r.box["key"]
	head, m, err := handover.Check(bytes.NewReader(file.Bytes()))
	if last, _ := r.Store.Last(ctx); err != nil || n != last || m != n || head.Name != "Paper Moon Press" {
		t.Errorf("%d %d %+v %v", n, m, head, err)
	}
	unzip, err := gzip.NewReader(&file)
	if err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(unzip)
	if err != nil || seed == "" || bytes.Contains(text, []byte(seed)) || !bytes.Contains(text, []byte("W-1001")) {
		t.Error("the file holds the key, or not what it should", err)
	}
}

// A disk that is full is said as such, and nothing counts as recorded.
func TestFull(t *testing.T) {
	r := newRig(t)
	r.Phone.Store = full{r.Phone.Store}
	_, err := r.record(`{"kind":"pack","data":{"order":"W-1001"}}`)
	if err == nil || phone.Explain(err).Kind != "full" || phone.Explain(err).Hint == "" {
		t.Errorf("%v", err)
	}
}

type full struct{ store.Store }

func (full) Write(context.Context, func(store.Tx) error) error {
	return store.Fail("record", "ledger", store.ErrFull, nil)
}
