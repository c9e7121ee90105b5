package parcel_test

import (
	"fmt"
	"slices"
	"strings"

	"pgregory.net/rapid"

	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/parcel"
)

// bench is a catalog of small paper goods and what packs them.
type bench struct {
	c *catalog.Catalog
	v *catalog.View
}

const items = `
{"item":"A","name":"Card","type":"good","unit":"each","class":"flat"}
{"item":"B","name":"Print","type":"good","unit":"each","class":"flat","points":"2"}
{"item":"C","name":"Notebook","type":"good","unit":"each","class":"thick","points":"3"}
{"item":"D","name":"Pin","type":"good","unit":"each"}
{"item":"E","name":"Sticker","type":"good","unit":"each","class":"flat","points":"0"}
{"item":"SET","name":"Card set","type":"prepared","unit":"each","class":"thick","points":"4","parts":[{"item":"A","qty":"2"},{"item":"B","qty":"1"}]}
{"item":"GIFT","name":"Gift set","type":"prepared","unit":"each","parts":[{"item":"SET","qty":"2"},{"item":"A","qty":"1"},{"item":"STRIP","qty":"3"}]}
{"item":"STRIP","name":"Thank-you strip","type":"prepared","unit":"each","parts":[{"item":"S","qty":"0.166667"}]}
{"item":"M","name":"Mailer","type":"supply","unit":"each","packs":{"bundle":"25"}}
{"item":"N","name":"Box","type":"supply","unit":"each"}
{"item":"S","name":"Sheet","type":"supply","unit":"each"}
{"item":"T","name":"Tape","type":"supply","unit":"mm","measures":{"strip":"120.5"}}
`

func newBench(t rapid.TB, more ...string) *bench {
	t.Helper()
	var in []catalog.Input
	at, err := event.ParseTime("2026-01-01T00:00:00Z")
	if err != nil {
		t.Fatal(err)
	}
	for i, raw := range append(strings.Split(strings.TrimSpace(items), "\n"), more...) {
		d, err := event.DecodeData(event.KindItem, []byte(raw))
		if err != nil {
			t.Fatalf("%s: %v", raw, err)
		}
		in = append(in, catalog.Input{Event: &event.Event{ID: event.ID{15: byte(i + 1)}, Kind: event.KindItem, Version: 1, Time: at, Seq: int64(i + 1), Data: d}})
	}
	c := catalog.Build(in)
	return &bench{c, c.End()}
}

func packSpec(t rapid.TB, raw string) *event.PackSpec {
	t.Helper()
	d, err := event.DecodeData(event.KindPackSpec, []byte(raw))
	if err != nil {
		t.Fatalf("%s: %v", raw, err)
	}
	return d.(*event.PackSpec)
}

func makeSpec(t rapid.TB, raw string) *event.MakeSpec {
	t.Helper()
	d, err := event.DecodeData(event.KindMakeSpec, []byte(raw))
	if err != nil {
		t.Fatalf("%s: %v", raw, err)
	}
	return d.(*event.MakeSpec)
}

// units reads "A=2 B=1".
func (b *bench) units(t rapid.TB, text string) (out []parcel.Units) {
	t.Helper()
	for _, f := range strings.Fields(text) {
		name, n, _ := strings.Cut(f, "=")
		it, ok := b.c.Find(name)
		if !ok {
			t.Fatalf("no item %s", name)
		}
		var count int64
		if _, err := fmt.Sscan(n, &count); err != nil {
			t.Fatal(err)
		}
		out = append(out, parcel.Units{Item: it.Index, Count: count})
	}
	return out
}

// uses reads "M=1.5 T=3".
func (b *bench) uses(t rapid.TB, text string) (out []parcel.Use) {
	t.Helper()
	for _, f := range strings.Fields(text) {
		name, n, _ := strings.Cut(f, "=")
		it, ok := b.c.Find(name)
		if !ok {
			t.Fatalf("no item %s", name)
		}
		out = append(out, parcel.Use{Item: it.Index, Qty: num.MustQty(n)})
	}
	return out
}

func (b *bench) unitText(list []parcel.Units) string {
	var out []string
	for _, u := range list {
		out = append(out, fmt.Sprintf("%s=%d", b.c.Items[u.Item].ID, u.Count))
	}
	return strings.Join(out, " ")
}

// parcelText writes "box: A=2 B=1, 3 times; flat: A=1".
func (b *bench) parcelText(list []parcel.Parcel) string {
	var out []string
	for _, p := range list {
		s := p.Format + ": " + b.unitText(p.Units)
		if p.Times != 1 {
			s += fmt.Sprintf(", %d times", p.Times)
		}
		out = append(out, s)
	}
	return strings.Join(out, "; ")
}

// useText writes what is used, by item id; none of it is left out, also not 0.
func (b *bench) useText(list []parcel.Use) string {
	var out []string
	for _, u := range list {
		out = append(out, b.c.Items[u.Item].ID+"="+u.Qty.String())
	}
	slices.Sort(out)
	return strings.Join(out, " ")
}
