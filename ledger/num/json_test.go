package num_test

import (
	stdjson "encoding/json"
	"testing"

	"countback/ledger/num"

	"github.com/go-json-experiment/json"
	"pgregory.net/rapid"
)

type line struct {
	Qty    num.Qty            `json:"qty"`
	Cost   num.Money          `json:"cost"`
	Rate   num.Rate           `json:"rate"`
	Left   num.Qty            `json:"left,omitzero"`
	Freely *num.Qty           `json:"freely,omitempty"`
	Price  *num.Money         `json:"price,omitempty"`
	Packs  map[string]num.Qty `json:"packs,omitzero"`
	List   []num.Money        `json:"list"`
}

type outer struct {
	Line  line            `json:"line"`
	Lines []line          `json:"lines"`
	By    map[string]line `json:"by"`
}

func TestNumbersInsideStructsByValueAreWritten(t *testing.T) {
	zero := num.Qty{}
	l := line{Qty: num.MustQty("310"), Cost: num.MustMoney("-0.05"), Rate: num.Rate{}, Freely: &zero, Packs: map[string]num.Qty{"box": num.Whole(150)}, List: []num.Money{num.MustMoney("1.5"), {}}}
	const one = `{"qty":"310","cost":"-0.05","rate":"0","freely":"0","packs":{"box":"150"},"list":["1.5","0"]}`
	const want = `{"line":` + one + `,"lines":[` + one + `],"by":{"a":` + one + `}}`
	v := outer{l, []line{l}, map[string]line{"a": l}}
	for name, marshal := range map[string]func() ([]byte, error){
		"value":     func() ([]byte, error) { return json.Marshal(v) },
		"pointer":   func() ([]byte, error) { return json.Marshal(&v) },
		"interface": func() ([]byte, error) { return json.Marshal(any(v)) },
	} {
		if got, err := marshal(); err != nil || string(got) != want {
			t.Errorf("%s: %s, %v\nwant %s", name, got, err, want)
		}
	}
	if got, err := stdjson.Marshal(num.MustQty("2.5")); err != nil || string(got) != `"2.5"` {
		t.Errorf("the standard library writes %s, %v", got, err)
	}
}

// With omitzero the JSON library asks IsZero of what a pointer points to, and a 0 that somebody entered is lost. Optional numbers
// therefore say omitempty: only nil is left out. If the library changes its mind, this test says so.
func TestOmitzeroOnAPointerLosesAZero(t *testing.T) {
	zero, some := num.Qty{}, num.MustQty("2")
	type lossy struct {
		Qty *num.Qty `json:"qty,omitzero"`
	}
	type kept struct {
		Qty *num.Qty `json:"qty,omitempty"`
	}
	for _, c := range []struct {
		v    any
		want string
	}{
		{lossy{&zero}, `{}`}, {lossy{&some}, `{"qty":"2"}`}, {lossy{}, `{}`},
		{kept{&zero}, `{"qty":"0"}`}, {kept{&some}, `{"qty":"2"}`}, {kept{}, `{}`},
	} {
		if got, err := json.Marshal(c.v); err != nil || string(got) != c.want {
			t.Errorf("%T: %s, %v; want %s", c.v, got, err, c.want)
		}
	}
}

func TestJSONRoundTrip(t *testing.T) {
	many(t, func(r *rapid.T) {
		entered := rapid.Int64Range(-999_999_999_999_999_999, 999_999_999_999_999_999)
		q := num.QtyMillionths(entered.Draw(r, "qty"))
		m := num.MoneyUnits(entered.Draw(r, "cost"))
		v := line{Qty: q, Cost: m, Left: q, Packs: map[string]num.Qty{"box": q}, List: []num.Money{m, {}}}
		if rapid.Bool().Draw(r, "given") {
			v.Freely, v.Price = &q, &m
		}
		b, err := json.Marshal(v)
		if err != nil {
			r.Fatal(err)
		}
		var back line
		if err := json.Unmarshal(b, &back); err != nil {
			r.Fatal(err)
		}
		if back.Qty != q || back.Cost != m || back.Left != q || back.Packs["box"] != q || len(back.List) != 2 || back.List[0] != m {
			r.Fatalf("%s comes back as %+v", b, back)
		}
		if (back.Freely == nil) != (v.Freely == nil) || back.Freely != nil && (*back.Freely != q || *back.Price != m) {
			r.Fatalf("%s loses what was given", b)
		}
	})
}

func TestJSONNumbersAreRefused(t *testing.T) {
	for _, text := range []string{`{"qty":310}`, `{"qty":3.1}`, `{"qty":""}`, `{"qty":" 1"}`, `{"qty":["1"]}`, `{"qty":true}`} {
		var v line
		if err := json.Unmarshal([]byte(text), &v); err == nil {
			t.Errorf("%s is read as %s", text, v.Qty)
		}
	}
}
