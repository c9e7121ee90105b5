package demo

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
	_ "time/tzdata"
	"unicode"

	"countback/ledger/event"
)

// golden is the SHA-256 of the demo's fact file. It changes only when the demo is meant to change.
const golden = "f4ef47c9a935d253de320c6d2165b55353e68de4f82d3ec32246f2246e788e77"

// facts are the demo's, made once for all tests that only read them.
var facts = sync.OnceValue(Facts)

func theYear() *year { return newYear(rand.NewPCG(chanceHigh, chanceLow)) }

func file(t *testing.T, facts []event.Fact) []byte {
	t.Helper()
	var b bytes.Buffer
	for _, f := range facts {
		line, err := f.Line()
		if err != nil {
			t.Fatal(err)
		}
		b.Write(line)
		b.WriteByte('\n')
	}
	return b.Bytes()
}

func TestSameBytesAtEveryCall(t *testing.T) {
	first, second := file(t, Facts()), file(t, Facts())
	if !bytes.Equal(first, second) {
		t.Fatal("two calls give different facts")
	}
	if len(first) > 2<<20 {
		t.Errorf("the fact file has %d bytes; want below 2 MB", len(first))
	}
	sum := sha256.Sum256(first)
	if got := hex.EncodeToString(sum[:]); got != golden {
		t.Errorf("the fact file's digest is %s; want %s", got, golden)
	}
}

func TestFactsAreAFactFile(t *testing.T) {
	facts := facts()
	b := file(t, facts)
	again, err := event.ParseFacts(b)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(file(t, again), b) {
		t.Error("the facts read back are others")
	}
	halifax, err := time.LoadLocation(Shop.Zone)
	if err != nil {
		t.Fatal(err)
	}
	asOf, err := event.ParseTime(AsOf)
	if err != nil {
		t.Fatal(err)
	}
	seen := map[event.ID]bool{}
	last := int64(0)
	for _, f := range facts {
		switch {
		case f.ID.IsZero() || seen[f.ID]:
			t.Fatalf("%s has no id of its own", f.Time)
		case f.Time.Ms() < last:
			t.Fatalf("%s stands after a later fact", f.Time)
		case f.Time.Ms() > asOf.Ms() || f.ID.Ms() > asOf.Ms():
			t.Errorf("%s or its recording is after the demo's now", f.Time)
		case f.ID.Ms() < f.Time.Ms():
			t.Errorf("%s was recorded before it happened", f.Time)
		}
		seen[f.ID], last = true, f.Time.Ms()
		if want := time.UnixMilli(f.Time.Ms()).In(halifax).Format(time.RFC3339); f.Time.String() != want {
			t.Errorf("%s: Halifax writes %s", f.Time, want)
		}
	}
}

func TestSizeOfTheYear(t *testing.T) {
	n := map[event.Kind]int{}
	facts := facts()
	for _, f := range facts {
		n[f.Data.Kind()]++
	}
	for _, c := range []struct {
		kind        event.Kind
		least, most int
	}{
		{event.KindShop, 1, 1}, {event.KindItem, 35, 35}, {event.KindPackSpec, 3, 3}, {event.KindMakeSpec, 13, 20},
		{event.KindOrder, 2375, 2625}, {event.KindPack, 2375, 2700}, {event.KindReturn, 20, 50}, {event.KindPurchase, 30, 80},
		{event.KindRestock, 50, 110}, {event.KindCredit, 3, 6}, {event.KindReprint, 80, 120}, {event.KindDamage, 80, 140},
		{event.KindCount, 440, 600}, {event.KindReverse, 10, 30},
	} {
		if n[c.kind] < c.least || n[c.kind] > c.most {
			t.Errorf("%d facts of kind %s; want %d to %d", n[c.kind], c.kind, c.least, c.most)
		}
	}
	if len(facts) < 5600 || len(facts) > 6400 {
		t.Errorf("%d facts; want about 6,000", len(facts))
	}
	what := map[string]int{}
	for _, f := range facts {
		for name, is := range features(f) {
			if is {
				what[name]++
			}
		}
	}
	for _, c := range []struct {
		name  string
		least int
	}{{"changes", 60}, {"pack zone", 5}, {"pack option", 5}, {"resend", 2}, {"joined", 2}, {"handed over", 1}, {"part", 8}, {"US dollars", 2}, {"freight", 15},
		{"discount", 2}, {"short delivery", 3}, {"purchase named", 30}, {"due", 30}, {"by weight", 40}, {"by pack", 50}, {"saleable", 10}, {"scrap", 5},
		{"late entry", 2}, {"restates", 1}, {"order reversed", 3}} {
		if what[c.name] < c.least {
			t.Errorf("%s: %d facts; want at least %d", c.name, what[c.name], c.least)
		}
	}
}

func features(f event.Fact) map[string]bool {
	switch d := f.Data.(type) {
	case *event.Pack:
		return map[string]bool{"changes": d.Changes != nil, "pack zone": d.Zone != "", "pack option": d.Options != nil, "resend": d.Resend != nil,
			"joined": d.Joined != "", "part": d.Lines != nil, "handed over": d.Parcels != nil && d.Parcels[0].Format == "none"}
	case *event.Restock:
		short := slices.ContainsFunc(d.Lines, func(l event.RestockLine) bool { return l.Expected != nil })
		return map[string]bool{"US dollars": d.Currency == "USD" && d.Rate != nil, "freight": d.Freight != nil, "discount": d.Discount != nil,
			"short delivery": short, "purchase named": !d.Purchase.IsZero(), "late entry": f.ID.Ms() > f.Time.Ms()}
	case *event.Purchase:
		return map[string]bool{"due": d.Due != ""}
	case *event.Count:
		return map[string]bool{"by weight": d.Gross != nil, "by pack": d.Pack != ""}
	case *event.Return:
		return map[string]bool{d.Lines[0].Condition: true}
	case *event.PackSpec:
		return map[string]bool{"restates": !d.Restates.IsZero()}
	case *event.Reverse:
		return map[string]bool{"order reversed": strings.HasPrefix(d.Reason, "called off")}
	}
	return nil
}

// Every item, order and event that a fact names is there, of the right sort, and every item is used.
func TestEverythingNamedIsThere(t *testing.T) {
	facts := facts()
	kinds := map[event.ID]event.Kind{}
	items := map[string]*event.Item{}
	orders := map[string]bool{}
	types := map[string]int{}
	for _, f := range facts {
		kinds[f.ID] = f.Data.Kind()
		switch d := f.Data.(type) {
		case *event.Item:
			items[d.Item] = d
			types[d.Type]++
		case *event.Order:
			orders[d.Order] = true
		}
	}
	if types["good"] != 12 || types["supply"] != 22 || types["prepared"] != 1 {
		t.Errorf("items by type: %v; want 12 goods, 22 supplies and a prepared set", types)
	}
	ref := func(id event.ID, want ...event.Kind) {
		if !id.IsZero() && !slices.Contains(want, kinds[id]) {
			t.Errorf("event %s is named as %v and is %q", id, want, kinds[id])
		}
	}
	used := map[string]bool{}
	for _, f := range facts {
		for _, u := range named(f.Data) {
			switch def := items[u.item]; {
			case def == nil:
				t.Errorf("%s at %s names %s, which isn't there", f.Data.Kind(), f.Time, u.item)
			case u.pack != "" && def.Packs[u.pack].IsZero(), u.measure != "" && def.Measures[u.measure].IsZero():
				t.Errorf("%s at %s: %s has no pack or measure %s%s", f.Data.Kind(), f.Time, u.item, u.pack, u.measure)
			}
			used[u.item] = true
		}
		switch d := f.Data.(type) {
		case *event.Pack:
			if !orders[d.Order] || d.Joined != "" && !orders[d.Joined] {
				t.Errorf("pack at %s: order %s or %s isn't there", f.Time, d.Order, d.Joined)
			}
		case *event.Return:
			if !orders[d.Order] {
				t.Errorf("return at %s: order %s isn't there", f.Time, d.Order)
			}
		case *event.Restock:
			ref(d.Purchase, event.KindPurchase)
		case *event.Credit:
			ref(d.Restock, event.KindRestock)
		case *event.Reverse:
			ref(d.Event, event.KindOrder, event.KindPack, event.KindRestock, event.KindReprint, event.KindDamage, event.KindCount)
		case *event.PackSpec:
			ref(d.Restates, event.KindPackSpec)
		}
	}
	for id := range items {
		if !used[id] {
			t.Errorf("%s is never used", id)
		}
	}
}

type use struct{ item, pack, measure string }

func named(d event.Data) (list []use) {
	add := func(item, pack, measure string) { list = append(list, use{item, pack, measure}) }
	goods := func(lines []event.Goods) {
		for _, l := range lines {
			add(l.Item, "", "")
		}
	}
	lines := func(lines []event.Line) {
		for _, l := range lines {
			add(l.Item, l.Pack, l.Measure)
			if l.Good != "" {
				add(l.Good, "", "")
			}
		}
	}
	changes := func(cs []event.Change) {
		for _, c := range cs {
			add(c.Item, "", c.Measure)
			if c.InsteadOf != "" {
				add(c.InsteadOf, "", "")
			}
		}
	}
	switch d := d.(type) {
	case *event.Item:
		for _, p := range d.Parts {
			add(p.Item, "", "")
		}
	case *event.PackSpec:
		lines(d.Lines)
		for _, f := range d.Formats {
			lines(f.Lines)
		}
	case *event.MakeSpec:
		add(d.Item, "", "")
		lines(d.Lines)
	case *event.Order:
		goods(d.Lines)
	case *event.Pack:
		goods(d.Lines)
		for _, p := range d.Parcels {
			goods(p.Lines)
		}
		changes(d.Changes)
	case *event.Return:
		for _, l := range d.Lines {
			add(l.Item, "", "")
		}
	case *event.Purchase:
		for _, l := range d.Lines {
			add(l.Item, l.Pack, "")
		}
	case *event.Restock:
		for _, l := range d.Lines {
			add(l.Item, l.Pack, "")
		}
	case *event.Credit:
		for _, l := range d.Lines {
			add(l.Item, "", "")
		}
	case *event.Reprint:
		add(d.Item, "", "")
		changes(d.Changes)
	case *event.Damage:
		add(d.Item, "", d.Measure)
	case *event.Count:
		add(d.Item, d.Pack, d.Measure)
	}
	return list
}

// Every word with a capital in the demo's texts is a plain word or one of the shop's inventions: no real name slips in.
func TestNoNamesButInventedOnes(t *testing.T) {
	invented := []string{"Fennimoor", "Lattenby", "Brackmoor", "Tarnwick", "Pennifold", "Corvane", "Ostrelle", "Marrodale"}
	plain := strings.Fields("Address Art Bindery Board Bookbinding Bookmark Card Carton Cotton Envelopes Glassine Gift Gummed Ink Label Labels Letter Notebook Packing " +
		"Paper Pigment Postage Print Rigid Set Small Stamp Sticker Stock Thank-you Trims United States Wrapping A4 A5 C5 C6 P D FP")
	check := func(text string) {
		for _, w := range strings.FieldsFunc(text, func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) && r != '-' }) {
			w, _, _ = strings.Cut(w, "-0")
			if unicode.IsUpper([]rune(w)[0]) && !slices.Contains(invented, w) && !slices.Contains(plain, w) && !isRef(w) {
				t.Errorf("%q in %q is neither a plain word nor one of the shop's own inventions", w, text)
			}
		}
	}
	check(Shop.Name)
	for _, f := range facts() {
		switch d := f.Data.(type) {
		case *event.Item:
			check(d.Name + " " + d.Supplier + " " + d.Place)
		case *event.Purchase:
			check(d.Supplier + " " + d.Ref)
		case *event.Restock:
			check(d.Supplier + " " + d.Ref + " " + d.Note)
		case *event.Pack:
			check(d.Note)
		case *event.Damage:
			check(d.Note)
		case *event.Return:
			check(d.Note)
		case *event.Credit:
			check(d.Reason)
		case *event.Reverse:
			check(d.Reason)
		case *event.Reprint:
			check(d.Note)
		}
	}
}

// isRef reports whether a word is a delivery's number.
func isRef(w string) bool { return strings.HasPrefix(w, "D-2") }

func TestAboutIsThreeSentences(t *testing.T) {
	if n := strings.Count(About, ".\n") + 1; n != 3 || !strings.HasSuffix(About, ".") {
		t.Errorf("About has %d sentences; want three, one a line", n)
	}
}
