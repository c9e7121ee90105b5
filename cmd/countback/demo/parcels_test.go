package demo

import (
	"fmt"
	"strings"
	"testing"

	"countback/ledger/event"
)

func goodsOf(text string) []event.Goods {
	var list []event.Goods
	for f := range strings.FieldsSeq(text) {
		item, n, _ := strings.Cut(f, "=")
		list = append(list, event.Goods{Item: item, Qty: dec(n)})
	}
	return list
}

// The parcel rule of the rules for the figures, section 5, on cases worked by hand from the demo's spec.
func TestParcelRule(t *testing.T) {
	y := newYear(nil)
	spec := packSpec("5", true)
	for _, c := range []struct{ name, goods, parcels string }{
		{"everything fits a letter", "card-fern=2 bookmark-kelp=2", "letter[4]"},
		{"one point too many for a letter", "card-fern=5", "flat mailer[5]"},
		{"a class that a letter refuses", "print-coast=1", "flat mailer[1]"},
		{"only a box takes a notebook", "notebook-dot=1 card-fern=1", "box[2]"},
		{"a flat mailer is too small for all", "set-five=2 print-moths=2", "box[4]"},
		{"nothing takes all: the roomiest first, then the rest", "notebook-dot=6", "box[5] box[1]"},
		{"the rest goes where it fits", "notebook-dot=5 card-fern=2", "box[5] letter[2]"},
	} {
		var got []string
		for _, p := range y.split(spec, y.units(goodsOf(c.goods))) {
			got = append(got, fmt.Sprintf("%s[%d]", p.format.Format, len(p.units)))
		}
		if s := strings.Join(got, " "); s != c.parcels {
			t.Errorf("%s: %s goes into %s; want %s", c.name, c.goods, s, c.parcels)
		}
	}
}

func TestLinesOfAPack(t *testing.T) {
	y := newYear(nil)
	spec := packSpec("5", true)
	for _, c := range []struct {
		name, goods, zone string
		gift, again       bool
		use               string // thousandths
	}{
		{"a letter home", "card-fern=2", home, false, false, "insert=1000 freebie=1000 env-c6=2000 env-letter=1000 seal=1000 label-address=1000 stamp-home=1000"},
		{"from three pieces a second stamp, from four a second freebie", "card-fern=3 bookmark-kelp=1", home, false, false,
			"insert=1000 freebie=2000 env-c6=3000 bag=1000 env-letter=1000 seal=1000 label-address=1000 stamp-home=2000"},
		{"stamps by zone", "stickers-tea=1", europe, false, false, "insert=1000 freebie=1000 bag=1000 env-letter=1000 seal=1000 label-address=1000 stamp-world=1000"},
		{"the rest of an order has no insert", "print-coast=2", states, false, true,
			"wrap=620000 mailer-flat=1000 stiffener=1000 tape=120000 label-address=1000 label-bend=1000 label-post=1000"},
		{"a set as a gift", "set-five=1", home, true, false,
			"insert=1000 freebie=1000 env-c6=5000 wrap=620000 cord=450000 seal=1000 mailer-flat=1000 stiffener=1000 tape=120000 label-address=1000 label-bend=1000 label-post=1000"},
		{"a box with few pieces is filled with tissue", "notebook-dot=1", home, false, false,
			"insert=1000 freebie=1000 wrap=1240000 box-small=1000 tape=600000 label-address=1000 label-post=1000"},
	} {
		lines := goodsOf(c.goods)
		var options []string
		if c.gift {
			options = []string{giftWrap}
		}
		var got []string
		for _, u := range y.packUse(spec, lines, y.split(spec, y.units(lines)), c.zone, options, !c.again) {
			got = append(got, fmt.Sprintf("%s=%d", y.items[u.item].def.Item, u.n))
		}
		if s := strings.Join(got, " "); s != c.use {
			t.Errorf("%s: uses\n%s; want\n%s", c.name, s, c.use)
		}
	}
}
