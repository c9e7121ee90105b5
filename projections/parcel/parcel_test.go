package parcel_test

import (
	"errors"
	"testing"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/parcel"
)

// The parcel rule (figures, section 5), each case worked by hand. Points: A 1, B 2, C 3, D 1, E 0, SET 4; classes: A, B, E flat, C and SET thick, D none.
func TestParcelRule(t *testing.T) {
	for _, c := range []struct{ rule, formats, units, parcels, left string }{
		{"one format takes all", `{"format":"flat","holds":"5"}`, "A=3 B=1", "flat: A=3 B=1", ""},
		{"the first format that takes all, though a later one is larger or smaller", `{"format":"mid","holds":"5"},{"format":"small","holds":"3"},{"format":"big"}`, "A=3", "mid: A=3", ""},
		{"a format that can't hold all is passed over for one that can", `{"format":"small","holds":"2"},{"format":"big","holds":"9"}`, "A=3", "big: A=3", ""},
		{"absent: points 1, holds without limit, accepts all", `{"format":"sack"}`, "D=500 C=2", "sack: C=2 D=500", ""},
		{"as many parcels as it takes, the last takes all that is left", `{"format":"flat","holds":"3"}`, "A=7", "flat: A=3, 2 times; flat: A=1", ""},
		{"else the format that holds most", `{"format":"flat","holds":"3"},{"format":"box","holds":"10"}`, "A=12", "box: A=10; flat: A=2", ""},
		{"ties go to the earlier format", `{"format":"x","accepts":["flat"],"holds":"2"},{"format":"y","holds":"2"}`, "A=3", "x: A=2; x: A=1", ""},
		{"no limit holds most", `{"format":"x","accepts":["flat"],"holds":"100"},{"format":"y","accepts":["flat"]},{"format":"z","accepts":["thick"]}`, "A=3 C=1", "z: C=1; x: A=3", ""},
		{"of two without limit the earlier", `{"format":"x","accepts":["flat"]},{"format":"y","accepts":["flat"]},{"format":"z","accepts":["thick"]}`, "E=1 C=1", "z: C=1; x: E=1", ""},
		{"the largest first, whatever its id", `{"format":"flat","holds":"3"}`, "A=1 B=1 C=1", "flat: C=1; flat: A=1 B=1", ""},
		{"equal points by item id", `{"format":"one","holds":"1"}`, "D=1 A=1", "one: A=1; one: D=1", ""},
		{"what no longer fits is passed over, what still fits goes in", `{"format":"box","holds":"4"}`, "A=1 B=1 C=1", "box: A=1 C=1; box: B=1", ""},
		{"some of an item's pieces fit", `{"format":"box","holds":"5"}`, "A=4 C=1", "box: A=2 C=1; box: A=2", ""},
		{"a format takes only what it accepts", `{"format":"flat","accepts":["flat"]},{"format":"box","accepts":["thick"]}`, "A=2 C=1", "box: C=1; flat: A=2", ""},
		{"the unaccepted wait for the next parcel", `{"format":"box","accepts":["thick"],"holds":"6"},{"format":"all","holds":"2"}`, "A=1 C=3", "box: C=2; box: C=1; all: A=1", ""},
		{"an item without class goes only where all are accepted", `{"format":"flat","accepts":["flat","thick"]}`, "A=1 D=2", "flat: A=1", "D=2"},
		{"one that no format holds goes in no parcel, the others do", `{"format":"flat","holds":"2"}`, "A=2 C=2", "flat: A=2", "C=2"},
		{"nothing fits anywhere", `{"format":"flat","accepts":["other"]}`, "A=2 C=1", "", "C=1 A=2"},
		{"points 0 always fit", `{"format":"flat","holds":"1"}`, "A=2 E=900", "flat: A=1 E=900; flat: A=1", ""},
		{"points 0 alone fill one parcel", `{"format":"flat","holds":"1"}`, "E=900", "flat: E=900", ""},
		{"a set is a unit with its own class and points", `{"format":"flat","accepts":["flat"]},{"format":"box","accepts":["thick"],"holds":"4"}`, "SET=2 A=1", "box: SET=1, 2 times; flat: A=1", ""},
		{"an exact fit is a fit", `{"format":"box","holds":"6"}`, "C=2", "box: C=2", ""},
		{"equal parcels that other ones part stay apart", `{"format":"box","holds":"4"}`, "C=2 A=1 D=1", "box: A=1 C=1; box: C=1 D=1", ""},
		{"lines of one item are one", `{"format":"flat","holds":"3"}`, "A=1 B=1 A=1", "flat: A=1 B=1; flat: A=1", ""},
		{"an earlier, smaller format takes the last as soon as it can", `{"format":"small","holds":"4"},{"format":"box","holds":"5"}`, "C=5", "box: C=1, 4 times; small: C=1", ""},
		{"more pieces than 31 bits", `{"format":"pallet","holds":"3000000000"}`, "A=7000000000", "pallet: A=3000000000, 2 times; pallet: A=1000000000", ""},
		{"a slip of the pen in an order's quantity ends", `{"format":"flat","holds":"3"},{"format":"pair","holds":"2"}`, "A=999999999999 B=5", "flat: A=1 B=1, 5 times; flat: A=3, 333333333331 times; flat: A=1", ""},
	} {
		t.Run(c.rule, func(t *testing.T) {
			b := newBench(t)
			res, err := parcel.Resolve(b.c, b.v, packSpec(t, `{"formats":[`+c.formats+`]}`), parcel.Job{Units: b.units(t, c.units), First: true, Opening: true})
			if err != nil {
				t.Fatal(err)
			}
			if got := b.parcelText(res.Parcels); got != c.parcels {
				t.Errorf("parcels  %s\nby hand  %s", got, c.parcels)
			}
			if got := b.unitText(res.Left); got != c.left {
				t.Errorf("left over %q, by hand %q", got, c.left)
			}
		})
	}
}

// Lines of a packing spec (figures, section 5), by hand. The formats are box, which holds 4 points, and flat, which takes flat goods up to 2.
func TestLinesOfAPackingSpec(t *testing.T) {
	type spec struct{ order, flat, box string } // lines of the spec itself and of the formats
	first := parcel.Job{First: true, Opening: true}
	with := func(change func(*parcel.Job)) parcel.Job {
		j := first
		change(&j)
		return j
	}
	for _, c := range []struct {
		rule  string
		spec  spec
		units string
		job   parcel.Job
		use   string
	}{
		{"per parcel", spec{box: `{"item":"N","qty":"1","per":"parcel"}`, flat: `{"item":"M","qty":"1","per":"parcel"}`}, "C=1 A=3", first, "M=1 N=1"}, // a box of C and A, then two A in a flat one
		{"per parcel, several", spec{box: `{"item":"N","qty":"1.5","per":"parcel"}`}, "C=3", first, "N=4.5"},
		{"per unit of the parcel", spec{box: `{"item":"T","qty":"10","per":"unit"}`}, "C=2 D=1", first, "T=30"},
		{"per unit, only of a class", spec{box: `{"item":"T","qty":"10","per":"unit","class":"thick"}`}, "C=2 D=1", first, "T=20"},
		{"per unit, only of a good", spec{box: `{"item":"T","qty":"10","per":"unit","good":"D"}`}, "C=2 D=2", first, "T=20"},
		{"per parcel, if there is one of the class", spec{box: `{"item":"N","qty":"1","per":"parcel","class":"thick"}`}, "C=1 D=4", first, "N=1"},
		{"per parcel, if there is the good", spec{box: `{"item":"N","qty":"1","per":"parcel","good":"D"}`}, "C=3", first, ""},
		{"class and good are both asked", spec{box: `{"item":"N","qty":"1","per":"unit","good":"D","class":"thick"}`}, "C=1 D=1", first, ""},
		{"a set counts by its own name and class", spec{box: `{"item":"N","qty":"1","per":"unit","good":"SET"},{"item":"M","qty":"1","per":"unit","good":"A"}`}, "SET=2", first, "N=2"},
		{"from and to are inclusive and look at the parcel", spec{box: `{"item":"N","qty":"1","per":"parcel","from":"2","to":"3"}`}, "D=8 C=1", first, "N=2"}, // boxes of C and D, of 4 D and of 3 D
		{"from looks at all units, not only those of the class", spec{box: `{"item":"N","qty":"1","per":"unit","class":"thick","from":"2"}`}, "C=1 D=1", first, "N=1"},
		{"to looks at all units, not only those of the good", spec{box: `{"item":"N","qty":"1","per":"parcel","good":"D","to":"1"}`}, "C=1 D=1", first, ""},
		{"zones", spec{order: `{"item":"N","qty":"1","per":"order","zones":["ca","us"]}`}, "A=1", with(func(j *parcel.Job) { j.Zone = "us" }), "N=1"},
		{"another zone", spec{order: `{"item":"N","qty":"1","per":"order","zones":["ca","us"]}`}, "A=1", with(func(j *parcel.Job) { j.Zone = "eu" }), ""},
		{"without a zone such a line does not apply", spec{order: `{"item":"N","qty":"1","per":"order","zones":["ca"]}`}, "A=1", first, ""},
		{"an option that was named", spec{order: `{"item":"N","qty":"1","per":"order","option":"gift wrap"}`}, "A=1", with(func(j *parcel.Job) { j.Options = []string{"note", "gift wrap"} }), "N=1"},
		{"an option that was not", spec{order: `{"item":"N","qty":"1","per":"order","option":"gift wrap"}`}, "A=1", with(func(j *parcel.Job) { j.Options = []string{"note"} }), ""},
		{"every, per parcel", spec{box: `{"item":"N","qty":"1","per":"parcel","every":"3"}`}, "D=4", first, "N=2"},
		{"every, per unit, replaces the multiplier", spec{box: `{"item":"N","qty":"2","per":"unit","every":"3"}`}, "D=4", first, "N=4"},
		{"every counts only units of the class", spec{box: `{"item":"N","qty":"1","per":"unit","class":"thick","every":"2"}`}, "C=1 D=1", first, "N=1"},
		{"every, per order, over the pack", spec{order: `{"item":"N","qty":"1","per":"order","every":"10"}`}, "D=21", first, "N=3"},
		{"every may be a fraction", spec{order: `{"item":"N","qty":"1","per":"order","every":"0.5"}`}, "D=3", first, "N=6"},
		{"per unit of the pack", spec{order: `{"item":"N","qty":"0.1","per":"unit"}`}, "D=21", first, "N=2.1"},
		{"per unit of every pack, also a later one", spec{order: `{"item":"N","qty":"1","per":"unit"}`}, "D=2", parcel.Job{}, "N=2"},
		{"per order with the first pack", spec{order: `{"item":"N","qty":"1","per":"order"}`}, "D=9", first, "N=1"},
		{"per order not with a later pack", spec{order: `{"item":"N","qty":"1","per":"order"}`}, "D=9", parcel.Job{Opening: true}, ""},
		{"order lines look at the pack's units", spec{order: `{"item":"N","qty":"1","per":"order","from":"9","class":"thick"}`}, "D=8 C=1", first, "N=1"},
		{"a format's line per order goes with the first parcel", spec{box: `{"item":"N","qty":"1","per":"order"}`}, "D=9", first, "N=1"},
		{"only if that has the format", spec{box: `{"item":"N","qty":"1","per":"order"}`, flat: `{"item":"M","qty":"1","per":"order"}`}, "C=1 A=4", first, "N=1"},
		{"not once a parcel went before", spec{box: `{"item":"N","qty":"1","per":"order"}`}, "D=9", parcel.Job{First: true}, ""},
		{"and looks at the pack's units", spec{box: `{"item":"N","qty":"1","per":"order","from":"9","every":"4"}`}, "D=9", first, "N=3"},
		{"in measures, rounded once and multiplied", spec{box: `{"item":"T","qty":"1.5","measure":"strip","per":"parcel"}`}, "C=2", first, "T=361.5"},
		{"in packs", spec{order: `{"item":"M","qty":"2","pack":"bundle","per":"order"}`}, "C=2", first, "M=50"},
		{"lines of one item add up", spec{order: `{"item":"N","qty":"1","per":"order"},{"item":"N","qty":"2","per":"unit"}`, box: `{"item":"N","qty":"0.25","per":"parcel"}`}, "C=2", first, "N=5.5"},
		{"joined: the spec's own lines all the same, no parcel", spec{order: `{"item":"M","qty":"1","per":"order"}`, box: `{"item":"N","qty":"1","per":"parcel"},{"item":"S","qty":"1","per":"order"}`}, "D=9",
			with(func(j *parcel.Job) { j.Joined = true }), "M=1"},
		{"prepared items stay as named", spec{order: `{"item":"STRIP","qty":"1","per":"order"}`}, "A=1", first, "STRIP=1"},
	} {
		t.Run(c.rule, func(t *testing.T) {
			b := newBench(t)
			lines := ""
			if c.spec.order != "" {
				lines = `"lines":[` + c.spec.order + `],`
			}
			text := formatsText(c.spec.flat, c.spec.box)
			c.job.Units = b.units(t, c.units)
			res, err := parcel.Resolve(b.c, b.v, packSpec(t, `{`+lines+`"formats":[`+text+`]}`), c.job)
			if err != nil {
				t.Fatal(err)
			}
			if got := b.useText(res.Use); got != c.use {
				t.Errorf("uses %q, by hand %q (parcels %s)", got, c.use, b.parcelText(res.Parcels))
			}
			if c.job.Joined && len(res.Parcels)+len(res.Left) > 0 {
				t.Errorf("joined, and yet parcels %s, left %s", b.parcelText(res.Parcels), b.unitText(res.Left))
			}
		})
	}
}

func formatsText(flat, box string) string {
	lines := func(s string) string {
		if s == "" {
			return ""
		}
		return `,"lines":[` + s + `]`
	}
	return `{"format":"flat","accepts":["flat"],"holds":"2"` + lines(flat) + `},{"format":"box","holds":"4"` + lines(box) + `}`
}

func given(format string, lines ...event.Goods) event.Parcel {
	return event.Parcel{Format: format, Lines: lines}
}

func goods(item string, n int64) event.Goods { return event.Goods{Item: item, Qty: num.Whole(n)} }

// Parcels that a person gave replace the split.
func TestGivenParcels(t *testing.T) {
	const spec = `{"lines":[{"item":"S","qty":"1","per":"order"}],"formats":[{"format":"flat","holds":"1","accepts":["flat"],"lines":[{"item":"M","qty":"1","per":"parcel"},{"item":"T","qty":"7","per":"order"}]},
		{"format":"box","lines":[{"item":"N","qty":"1","per":"parcel"},{"item":"T","qty":"9","per":"order"}]}]}`
	for _, c := range []struct {
		rule, units  string
		given        []event.Parcel
		parcels, use string
		void         string
	}{
		{"as given, though it doesn't fit by points or class", "A=2 C=1", []event.Parcel{given("flat", goods("A", 2), goods("C", 1))}, "flat: A=2 C=1", "M=1 S=1 T=7", ""},
		{"in the order given", "A=2 C=1", []event.Parcel{given("box", goods("C", 1)), given("flat", goods("A", 2))}, "box: C=1; flat: A=2", "M=1 N=1 S=1 T=9", ""},
		{"none is no parcel, and not the first of all", "A=2 C=1", []event.Parcel{given("none", goods("C", 1)), given("flat", goods("A", 2))}, "flat: A=2", "M=1 S=1 T=7", ""},
		{"all handed over: the spec's own lines apply", "A=2", []event.Parcel{given("none", goods("A", 2))}, "", "S=1", ""},
		{"a line of one item in several parcels", "A=3", []event.Parcel{given("flat", goods("A", 1)), given("flat", goods("A", 1), goods("A", 1))}, "flat: A=1; flat: A=2", "M=2 S=1 T=7", ""},
		{"too few", "A=3", []event.Parcel{given("flat", goods("A", 2))}, "", "", "exactly"},
		{"too many", "A=1", []event.Parcel{given("flat", goods("A", 2))}, "", "", "exactly"},
		{"another item", "A=2", []event.Parcel{given("flat", goods("A", 1), goods("B", 1))}, "", "", "exactly"},
		{"a set's parts are not the set", "SET=1", []event.Parcel{given("flat", goods("A", 2), goods("B", 1))}, "", "", "exactly"},
		{"a format that the spec doesn't have", "A=2", []event.Parcel{given("tube", goods("A", 2))}, "", "", "tube"},
		{"an item that isn't defined", "A=2", []event.Parcel{given("flat", goods("Q", 2))}, "", "", "Q"},
	} {
		t.Run(c.rule, func(t *testing.T) {
			b := newBench(t)
			res, err := parcel.Resolve(b.c, b.v, packSpec(t, spec), parcel.Job{Units: b.units(t, c.units), First: true, Opening: true, Given: c.given})
			isVoid(t, err, c.void)
			if got := b.parcelText(res.Parcels); got != c.parcels {
				t.Errorf("parcels %q, by hand %q", got, c.parcels)
			}
			if got := b.useText(res.Use); got != c.use {
				t.Errorf("uses %q, by hand %q", got, c.use)
			}
		})
	}
}

func TestWithoutASpec(t *testing.T) {
	b := newBench(t)
	res, err := parcel.Resolve(b.c, b.v, nil, parcel.Job{Units: b.units(t, "A=2"), First: true, Opening: true})
	if err != nil || len(res.Parcels)+len(res.Left)+len(res.Use) > 0 {
		t.Errorf("%+v, %v", res, err)
	}
}

// What a spec names and the catalog doesn't have makes the event void, once the line would apply.
func TestSpecsThatNameWhatIsNotThere(t *testing.T) {
	b := newBench(t)
	for _, c := range []struct{ line, void string }{
		{`{"item":"Q","qty":"1","per":"order"}`, "Q"},
		{`{"item":"T","qty":"1","measure":"roll","per":"order"}`, "roll"},
		{`{"item":"M","qty":"1","pack":"crate","per":"order"}`, "crate"},
	} {
		_, err := parcel.Resolve(b.c, b.v, packSpec(t, `{"lines":[`+c.line+`],"formats":[{"format":"flat"}]}`), parcel.Job{Units: b.units(t, "A=2"), First: true})
		isVoid(t, err, c.void)
	}
	_, err := parcel.Run(b.c, b.v, makeSpec(t, `{"item":"A","pieces":"1","lines":[{"item":"Q","qty":"1","per":"piece"}]}`), num.Whole(1), nil, nil)
	isVoid(t, err, "Q")
	_, err = parcel.Run(b.c, b.v, makeSpec(t, `{"item":"A","pieces":"1","lines":[{"item":"T","qty":"1","measure":"roll","per":"piece"}]}`), num.Whole(1), nil, nil)
	isVoid(t, err, "roll")
}

// isVoid checks an error that makes an event void and names what; "" asks for none.
func isVoid(t testing.TB, err error, what string) {
	t.Helper()
	switch {
	case what == "" && err != nil:
		t.Errorf("void: %v", err)
	case what != "" && (!errors.Is(err, parcel.ErrVoid) || !contains(err.Error(), what)):
		t.Errorf("error %v, should be void and name %s", err, what)
	}
}
