package parcel_test

import (
	"fmt"
	"math/big"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/parcel"
)

// The rule again as a person packs: one piece at a time, one parcel at a time, one line at a time, in fractions. Slow, and with nothing to go wrong.

type pieceOf struct {
	item, class string
	points      *big.Rat
}

type packedBox struct {
	format *event.Format
	pieces []pieceOf
}

func ratOf(q num.Qty) *big.Rat {
	r, _ := new(big.Rat).SetString(q.String())
	return r
}

func (b *bench) pieces(units []parcel.Units) (out []pieceOf) {
	for _, u := range units {
		d := b.v.Def(u.Item)
		for range u.Count {
			out = append(out, pieceOf{b.c.Items[u.Item].ID, d.Class, ratOf(d.Points)})
		}
	}
	return out
}

func takes(f *event.Format, p pieceOf) bool {
	return len(f.Accepts) == 0 || p.class != "" && slices.Contains(f.Accepts, p.class)
}

func holds(f *event.Format, points *big.Rat) bool {
	return f.Holds == nil || points.Cmp(ratOf(*f.Holds)) <= 0
}

func pointsOf(list []pieceOf) *big.Rat {
	all := new(big.Rat)
	for _, p := range list {
		all.Add(all, p.points)
	}
	return all
}

func packPiecewise(formats []event.Format, pieces []pieceOf) (boxes []packedBox, left []pieceOf) {
	slices.SortStableFunc(pieces, func(a, b pieceOf) int {
		if c := b.points.Cmp(a.points); c != 0 {
			return c
		}
		return strings.Compare(a.item, b.item)
	})
next:
	for len(pieces) > 0 {
		for i := range formats {
			f := &formats[i]
			if holds(f, pointsOf(pieces)) && !slices.ContainsFunc(pieces, func(p pieceOf) bool { return !takes(f, p) }) {
				boxes = append(boxes, packedBox{f, pieces})
				return boxes, left
			}
		}
		var best *event.Format
		for i := range formats {
			f := &formats[i]
			if !takes(f, pieces[0]) || !holds(f, pieces[0].points) {
				continue
			}
			if best == nil || best.Holds != nil && (f.Holds == nil || ratOf(*f.Holds).Cmp(ratOf(*best.Holds)) > 0) {
				best = f
			}
		}
		if best == nil {
			left, pieces = append(left, pieces[0]), pieces[1:]
			continue next
		}
		box := packedBox{format: best}
		var rest []pieceOf
		for _, p := range pieces {
			if takes(best, p) && holds(best, new(big.Rat).Add(pointsOf(box.pieces), p.points)) {
				box.pieces = append(box.pieces, p)
			} else {
				rest = append(rest, p)
			}
		}
		boxes, pieces = append(boxes, box), rest
	}
	return boxes, left
}

// ceilDiv is the smallest whole number of times that per covers n.
func ceilDiv(n int, per *big.Rat) *big.Rat {
	for k := int64(0); ; k++ {
		if t := new(big.Rat).Mul(per, big.NewRat(k, 1)); t.Cmp(big.NewRat(int64(n), 1)) >= 0 {
			return big.NewRat(k, 1)
		}
	}
}

// usePiecewise applies one line to a heap of pieces.
func usePiecewise(l *event.Line, heap []pieceOf, job parcel.Job, use map[string]*big.Rat) {
	if len(l.Zones) > 0 && (job.Zone == "" || !slices.Contains(l.Zones, job.Zone)) || l.Option != "" && !slices.Contains(job.Options, l.Option) {
		return
	}
	if n := big.NewRat(int64(len(heap)), 1); l.From != nil && n.Cmp(ratOf(*l.From)) < 0 || l.To != nil && n.Cmp(ratOf(*l.To)) > 0 {
		return
	}
	such := 0
	for _, p := range heap {
		if (l.Class == "" || p.class == l.Class) && (l.Good == "" || p.item == l.Good) {
			such++
		}
	}
	times := big.NewRat(1, 1)
	switch {
	case such == 0:
		return
	case l.Every != nil:
		times = ceilDiv(such, ratOf(*l.Every))
	case l.Per == "unit":
		times = big.NewRat(int64(such), 1)
	}
	if use[l.Item] == nil {
		use[l.Item] = new(big.Rat)
	}
	use[l.Item].Add(use[l.Item], times.Mul(times, ratOf(l.Qty)))
}

func boxText(boxes []packedBox) string {
	var out []string
	for _, x := range boxes {
		out = append(out, x.format.Format+": "+countText(x.pieces))
	}
	return strings.Join(out, "; ")
}

func countText(pieces []pieceOf) string {
	n := map[string]int{}
	for _, p := range pieces {
		n[p.item]++
	}
	var out []string
	for item, k := range n {
		out = append(out, fmt.Sprintf("%s=%d", item, k))
	}
	slices.Sort(out)
	return strings.Join(out, " ")
}

var (
	someClass  = rapid.SampledFrom([]string{"flat", "thick", "other"})
	somePoints = rapid.SampledFrom([]string{"0.5", "1", "2", "3", "4", "5", "7.5", "10", "20"})
)

func someOrNil(t *rapid.T, label string, g *rapid.Generator[string]) *num.Qty {
	if rapid.IntRange(0, 2).Draw(t, "has "+label) > 0 {
		return nil
	}
	q := num.MustQty(g.Draw(t, label))
	return &q
}

func genLines(t *rapid.T, per ...string) (out []event.Line) {
	seldom := func(label string, g *rapid.Generator[string]) string {
		if rapid.IntRange(0, 3).Draw(t, "has "+label) > 0 {
			return ""
		}
		return g.Draw(t, label)
	}
	few := rapid.SampledFrom([]string{"1", "2", "3", "5", "2.5"})
	for range rapid.IntRange(0, 3).Draw(t, "lines") {
		l := event.Line{Item: rapid.SampledFrom([]string{"M", "N", "S"}).Draw(t, "item"), Qty: num.MustQty(rapid.SampledFrom([]string{"1", "0.5", "3"}).Draw(t, "qty")), Per: rapid.SampledFrom(per).Draw(t, "per"),
			Class: seldom("class", someClass), Good: seldom("good", rapid.SampledFrom([]string{"A", "B", "SET"})), Option: seldom("option", rapid.SampledFrom([]string{"gift", "note"})),
			From: someOrNil(t, "from", few), To: someOrNil(t, "to", few), Every: someOrNil(t, "every", few)}
		if z := seldom("zones", rapid.SampledFrom([]string{"ca", "us"})); z != "" {
			l.Zones = []string{z, "eu"}
		}
		out = append(out, l)
	}
	return out
}

// Any pack under any spec comes to the parcels and the use of packing by hand.
func TestPackingIsPackingOnePieceAtATime(t *testing.T) {
	b := newBench(t)
	rapid.Check(t, func(t *rapid.T) {
		spec := &event.PackSpec{Lines: genLines(t, "order", "unit")}
		for i := range rapid.IntRange(1, 4).Draw(t, "formats") {
			spec.Formats = append(spec.Formats, event.Format{Format: fmt.Sprintf("f%d", i), Accepts: rapid.SliceOfNDistinct(someClass, 0, 2, rapid.ID).Draw(t, "accepts"), Holds: someOrNil(t, "no limit", somePoints),
				Lines: genLines(t, "parcel", "unit", "order")})
			f := &spec.Formats[i]
			if len(f.Accepts) == 0 {
				f.Accepts = nil
			}
			if rapid.IntRange(0, 2).Draw(t, "limit") > 0 {
				q := num.MustQty(somePoints.Draw(t, "holds"))
				f.Holds = &q
			}
		}
		job := parcel.Job{First: rapid.Bool().Draw(t, "first"), Opening: rapid.Bool().Draw(t, "opening"), Zone: rapid.SampledFrom([]string{"", "ca", "us", "eu"}).Draw(t, "zone"),
			Options: rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"gift", "note"}), 0, 2, rapid.ID).Draw(t, "options")}
		for range rapid.IntRange(1, 5).Draw(t, "goods") {
			name := rapid.SampledFrom([]string{"A", "B", "C", "D", "E", "SET"}).Draw(t, "good")
			job.Units = append(job.Units, b.units(t, fmt.Sprintf("%s=%d", name, rapid.IntRange(1, 30).Draw(t, "pieces")))...)
		}
		res, err := parcel.Resolve(b.c, b.v, spec, job)
		if err != nil {
			t.Fatal(err)
		}
		all := b.pieces(job.Units)
		boxes, left := packPiecewise(spec.Formats, slices.Clone(all))
		var apart []parcel.Parcel // each parcel by itself
		for i, p := range res.Parcels {
			if p.Times < 1 || i > 0 && p.Format == res.Parcels[i-1].Format && slices.Equal(p.Units, res.Parcels[i-1].Units) {
				t.Fatalf("parcels %s", b.parcelText(res.Parcels))
			}
			for range p.Times {
				apart = append(apart, parcel.Parcel{Format: p.Format, Times: 1, Units: p.Units})
			}
		}
		if got, want := b.parcelText(apart), boxText(boxes); got != want {
			t.Fatalf("parcels       %s\npiece by piece %s", got, want)
		}
		if got, want := countText(b.pieces(res.Left)), countText(left); got != want {
			t.Fatalf("left over %s, piece by piece %s", got, want)
		}
		use := map[string]*big.Rat{}
		for i := range spec.Lines {
			if l := &spec.Lines[i]; l.Per != "order" || job.First {
				usePiecewise(l, all, job, use)
			}
		}
		for i, x := range boxes {
			for k := range x.format.Lines {
				switch l := &x.format.Lines[k]; {
				case l.Per != "order":
					usePiecewise(l, x.pieces, job, use)
				case i == 0 && job.Opening:
					usePiecewise(l, all, job, use)
				}
			}
		}
		if len(use) != len(res.Use) {
			t.Fatalf("uses %s, piece by piece %v", b.useText(res.Use), use)
		}
		for _, u := range res.Use {
			if want := use[b.c.Items[u.Item].ID]; want == nil || ratOf(u.Qty).Cmp(want) != 0 {
				t.Fatalf("uses %s of %s, piece by piece %v", u.Qty, b.c.Items[u.Item].ID, want)
			}
		}
	})
}
