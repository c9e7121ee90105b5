package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"countback/cmd/countback/typed"
	"countback/ledger/num"
	"countback/projections/closing"
)

// closedShop is the small shop with March closed.
func closedShop(t *testing.T) *bench {
	b := newBench(t).shop()
	b.must("restock", "board", "2", "box", "--cost", "64.01", "--at", "2026-03-02")
	b.must("count", "fern-card", "30", "--cost", "41.99", "--at", "2026-03-01")
	b.must("pack", "2041", "fern-card=7", "--to", "home", "--at", "2026-03-02")
	b.now = time.Date(2026, 4, 1, 13, 0, 0, 0, time.UTC)
	b.must("close", "2026-03")
	return b
}

func (b *bench) closing(args ...string) closing.Report {
	b.t.Helper()
	var r closing.Report
	if err := json.Unmarshal([]byte(b.must(append([]string{"close", "--json"}, args...)...)), &r); err != nil {
		b.t.Fatal(err)
	}
	return r
}

// The names that other programs rely on.
func TestCloseAsJSON(t *testing.T) {
	b := closedShop(t)
	var r struct {
		Period string
		Items  []map[string]json.RawMessage
	}
	if err := json.Unmarshal([]byte(b.must("close", "2026-03", "--dry-run", "--json")), &r); err != nil {
		t.Fatal(err)
	}
	if r.Period != "2026-03" || len(r.Items) != 3 {
		t.Fatalf("%+v", r)
	}
	for name := range strings.FieldsSeq("opening opened bought credited made sold packed into_runs given own_use lost gained adjusted closing") {
		var c struct{ Qty, Value *string }
		if err := json.Unmarshal(r.Items[0][name], &c); err != nil || c.Qty == nil || c.Value == nil {
			t.Errorf("%s: %s %v", name, r.Items[0][name], err)
		}
	}
}

// What a close recorded is what was shown before, and a closed month shows it for ever.
func TestAClosedMonthStays(t *testing.T) {
	b := closedShop(t)
	was := b.closing("2026-03", "--dry-run")
	if was.Closed == nil || !was.Closed.Agrees || was.Closed.Digest != *was.Digest {
		t.Fatalf("%+v", was.Closed)
	}
	b.must("restock", "board", "1", "box", "--cost", "99", "--at", "2026-03-01")
	b.must("damage", "fern-card", "2", "--reason", "damaged", "--at", "2026-03-02")
	now := b.closing("2026-03", "--dry-run")
	if now.Digest.Average != was.Digest.Average || now.Totals.Closing != was.Totals.Closing || !now.Closed.Agrees || len(now.Late) != 2 {
		t.Errorf("was %+v, is %+v", was, now)
	}
	april := b.closing("2026-04", "--dry-run")
	if len(april.Earlier) != 2 || april.Totals.Opening != was.Totals.Closing {
		t.Errorf("%+v", april)
	}
	stock := b.must("stock", "--as-of", "2026-04-30", "--json")
	var s struct{ Total string }
	if err := json.Unmarshal([]byte(stock), &s); err != nil || s.Total != april.Totals.Closing.Value {
		t.Errorf("stock is worth %s, April closes with %s", s.Total, april.Totals.Closing.Value)
	}
}

// A refused close records nothing, and so does looking.
func TestLookingAndRefusalsRecordNothing(t *testing.T) {
	b := closedShop(t)
	before := b.must("export", "events")
	b.must("close", "2026-03", "--dry-run")
	b.must("close", "2026-04", "--dry-run")
	b.must("close", "2026")
	b.must("export", "closes")
	b.refused(2, []string{"close", "2026-03"}, "2026-03 was closed on Wed 1 Apr 2026")
	b.refused(2, []string{"close", "2026-04"}, "2026-04 isn't over before Fri 1 May 2026")
	b.refused(2, []string{"close", "2026-12"}, "2026-12 lies in the future")
	b.refused(2, []string{"close", "2026-02"}, "2026-02 lies before 2026-03, the first month that was closed")
	b.refused(2, []string{"close", "26"}, "is not a month")
	b.refused(2, []string{"close"}, "something is missing: PERIOD")
	if after := b.must("export", "events"); after != before {
		t.Error("something was recorded")
	}
}

// A desk that was restored from a backup succeeds the old one as the keeper; the old one's ledger, brought back, is not asked again.
func TestARestoredDeskCloses(t *testing.T) {
	b := closedShop(t)
	copyOf := filepath.Join(b.dir, "copy.backup")
	b.must("backup", copyOf)
	b.data = filepath.Join(b.dir, "new")
	b.must("restore", copyOf)
	b.now = time.Date(2026, 5, 1, 13, 0, 0, 0, time.UTC)
	r := b.closing("2026-04")
	if r.Closed == nil || !r.Closed.Agrees || len(r.Upto) != 2 {
		t.Errorf("%+v, covers %v", r.Closed, r.Upto)
	}
	if march := b.closing("2026-03", "--dry-run"); march.Closed.Device == r.Closed.Device || !march.Closed.Agrees {
		t.Errorf("%+v", march.Closed)
	}
}

// Every row of the export ties, and each month's closing is the next one's opening.
func TestExportOfClosesTies(t *testing.T) {
	b := closedShop(t)
	b.must("damage", "fern-card", "2", "--reason", "sample", "--at", "2026-04-01")
	b.now = time.Date(2026, 5, 1, 13, 0, 0, 0, time.UTC)
	b.must("close", "2026-04")
	out := filepath.Join(b.dir, "closes.csv")
	b.must("export", "closes", "--out", out)
	text, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
	if err != nil || len(rows) != 5 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	before := map[string]string{}
	for _, row := range rows[1:] {
		at := map[string]string{}
		for i, name := range rows[0] {
			at[name] = row[i]
		}
		for _, kind := range []string{"qty", "average", "fifo"} {
			sum := num.MustMoney(at["opening_"+kind])
			for name := range strings.FieldsSeq("opened bought made gained") {
				sum = sum.Add(num.MustMoney(at[name+"_"+kind]))
			}
			for name := range strings.FieldsSeq("credited sold packed into_runs given own_use lost adjusted") {
				sum = sum.Sub(num.MustMoney(at[name+"_"+kind]))
			}
			if sum.Cmp(num.MustMoney(at["closing_"+kind])) != 0 {
				t.Errorf("%s %s: %s closes with %s, not %s", at["period"], at["item"], kind, at["closing_"+kind], sum)
			}
			key := at["item"] + kind
			if was, ok := before[key]; ok && was != at["opening_"+kind] {
				t.Errorf("%s opens with %s and was closed with %s", key, at["opening_"+kind], was)
			}
			before[key] = at["closing_"+kind]
		}
	}
	if !slices.Equal(slices.Sorted(maps.Keys(before)), []string{"boardaverage", "boardfifo", "boardqty", "fern-cardaverage", "fern-cardfifo", "fern-cardqty"}) {
		t.Errorf("%v", before)
	}
}

// The months of a report begin and end as days do at the command line.
func TestMonthsBeginAsDaysDo(t *testing.T) {
	for _, name := range []string{"America/Halifax", "America/Asuncion", "Pacific/Apia", "America/Toronto", "Asia/Beirut", "America/Sao_Paulo", "Africa/Cairo", "Asia/Amman", "UTC"} {
		zone, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		for year := 1975; year < 2035; year++ {
			for month := time.January; month <= time.December; month++ {
				want, _, ok := typed.Day(year, month, 1, zone)
				from, _ := closing.Period{Year: year, Month: month}.Span(zone)
				if ok && from != want.UnixMilli() {
					t.Errorf("%s: %d-%d begins at %s, its first day at %s", name, year, month, time.UnixMilli(from).In(zone), want)
				}
			}
		}
	}
}
