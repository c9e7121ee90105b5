package fill_test

import (
	"context"
	"encoding/json"
	"math"
	"os"
	"strconv"
	"testing"

	"countback/projections/fill"
	"countback/projections/fold"
	"countback/projections/foldtest"
)

// example reads one example of testdata/checks/9-pack-fill-nist133.json, where its source stands.
func example(t *testing.T, id string, in, want any) {
	t.Helper()
	raw, err := os.ReadFile("../../testdata/checks/9-pack-fill-nist133.json")
	if err != nil {
		t.Fatal(err)
	}
	var list []struct {
		ID               string
		Inputs, Expected json.RawMessage
	}
	if err := json.Unmarshal(raw, &list); err != nil {
		t.Fatal(err)
	}
	for _, e := range list {
		if e.ID != id {
			continue
		}
		if err := json.Unmarshal(e.Inputs, in); err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(e.Expected, want); err != nil {
			t.Fatal(err)
		}
		return
	}
	t.Fatal("no example", id)
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if math.Abs(got-want) > within {
		t.Errorf("%s: %v, want %v", what, got, want)
	}
}

// t9-02: the factors of the handbook's table, to its three places. Its own factor for 48 packages, as remembered in t9-01, is 0.291.
func TestFactors(t *testing.T) {
	var in struct{ N []int }
	var want struct{ Factor []float64 }
	example(t, "t9-02", &in, &want)
	for i, n := range in.N {
		near(t, "factor for "+strconv.Itoa(n), fill.Factor(n, 0.975), want.Factor[i], 0.00051)
	}
}

// t9-07: the same form of test at another level, as published in UK SI 2006/659, schedule 2.
func TestFactorsAtAnotherLevel(t *testing.T) {
	var in struct{}
	var want struct {
		Factor map[string]float64 `json:"factor_recomputed"`
	}
	example(t, "t9-07", &in, &want)
	for n, f := range want.Factor {
		k, _ := strconv.Atoi(n)
		near(t, "factor for "+n, fill.Factor(k, 0.995), f, 1e-6)
	}
}

// t9-03: how much a single package may be short of, by its labelled count (from memory).
func TestMaxShort(t *testing.T) {
	var in struct{}
	var want struct {
		Table [][2]int64 `json:"upper_count_and_mav"`
	}
	example(t, "t9-03", &in, &want)
	for i, row := range want.Table {
		if got := fill.MaxShort(row[0]); got != row[1] {
			t.Errorf("of %d: %d, want %d", row[0], got, row[1])
		}
		if i+1 < len(want.Table) {
			if got := fill.MaxShort(row[0] + 1); got != row[1]+1 {
				t.Errorf("of %d: %d, want %d", row[0]+1, got, row[1]+1)
			}
		}
	}
	for count, want := range map[int64]int64{1334: 20, 1400: 21, 1500: 22, 1566: 23, 1567: 24, 1700: 26, 10000: 150} {
		if got := fill.MaxShort(count); got != want {
			t.Errorf("of %d: %d, want %d", count, got, want)
		}
	}
}

// t9-04: twelve packs of 100 mailers.
func TestTwelvePacks(t *testing.T) {
	var in struct {
		Labelled float64 `json:"labelled_count"`
		Counts   []float64
	}
	var want struct {
		Mean   float64 `json:"average_error"`
		SD     float64 `json:"sample_sd"`
		Factor float64 `json:"correction_factor"`
		Limit  float64 `json:"sample_error_limit"`
		MAV    int64
	}
	example(t, "t9-04", &in, &want)
	var errors []float64
	for _, c := range in.Counts {
		errors = append(errors, c-in.Labelled)
	}
	v := fill.Judge(errors)
	near(t, "mean", v.Mean, want.Mean, 1e-6)
	near(t, "sd", v.SD, want.SD, 1e-6)
	near(t, "factor", v.Factor, want.Factor, 0.00051)
	near(t, "limit", v.Limit, want.Limit, 0.0006) // with the factor of three places there
	if v.Short {
		t.Error("the packs are called short")
	}
	if got := fill.MaxShort(100); got != want.MAV {
		t.Errorf("a single pack may lack %d, want %d", got, want.MAV)
	}
	errors[0] = -2
	if !fill.Judge(errors).Short {
		t.Error("packs that lack more still aren't called short")
	}
}

func TestFewPacks(t *testing.T) {
	for _, errors := range [][]float64{nil, {-5}} {
		if v := fill.Judge(errors); v.Short || v.Enough {
			t.Errorf("%v is judged: %+v", errors, v)
		}
	}
	if v := fill.Judge([]float64{-2, -2}); !v.Short {
		t.Error("two packs that lack the same aren't called short")
	}
}

func TestDeliveries(t *testing.T) {
	log, err := fold.Read(context.Background(), foldtest.Facts(`
shop 2026-01-01 {"name":"Fennimoor Paper","currency":"CAD","zone":"America/Halifax","costing":"average"}
item 2026-01-01 {"item":"board","name":"Board","type":"supply","unit":"each","packs":{"box":"150"}}
restock 2026-01-02 {"supplier":"Quillmark Supply","lines":[{"item":"board","qty":"297","expected":"300","cost":"60"}]}
restock 2026-02-02 {"supplier":"Quillmark Supply","lines":[{"item":"board","qty":"300","expected":"300","cost":"60"}]}
restock 2026-02-02T01:00:00Z {"supplier":"Quillmark Supply","lines":[{"item":"board","qty":"1","expected":"2","pack":"box","cost":"60"}]}
restock 2026-02-02T02:00:00Z {"supplier":"Quillmark Supply","lines":[{"item":"board","qty":"150","expected":"300","cost":"60"}]}
restock 2026-02-03 {"supplier":"Quillmark Supply","lines":[{"item":"board","qty":"2","pack":"box","cost":"60"}]}
#R1 restock 2026-02-04 {"supplier":"Quillmark Supply","lines":[{"item":"board","qty":"1","expected":"300","cost":"60"}]}
reverse 2026-02-05 {"event":"#R1","reason":"slip"}
restock 2026-02-06 {"lines":[{"item":"board","qty":"149","expected":"150","cost":"30"}]}
restock 2026-03-06 {"lines":[{"item":"board","qty":"140","expected":"150","cost":"30"}]}
`), fold.Choice{})
	if err != nil {
		t.Fatal(err)
	}
	feb := int64(1772150400000) // 27 February 2026
	lines := fill.Of(log, feb)
	if len(lines) != 2 {
		t.Fatalf("%+v", lines)
	}
	other, own := lines[0], lines[1]
	if own.Supplier != "Quillmark Supply" || own.Deliveries != 2 || own.Promised.String() != "600" || own.Found.String() != "597" || len(own.Events) != 2 {
		t.Errorf("%+v", own)
	}
	near(t, "mean share", own.Share.Mean, -0.005, 1e-12)
	if other.Supplier != "" || other.Deliveries != 1 || other.Share.Enough {
		t.Errorf("%+v", other)
	}
	if all := fill.Of(log, 0); all[0].Deliveries != 2 {
		t.Errorf("%+v", all[0])
	}
}
