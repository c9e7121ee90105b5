package plan_test

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"countback/projections/foldtest"
	"countback/projections/plan"
)

// busy is a shop with 12 goods, 12 supplies and three formats, n packed orders and open open ones. Half of the supplies are too few for all that is open.
func busy(n, open int) string {
	var b strings.Builder
	for i := range 12 {
		fmt.Fprintf(&b, `item 2026-01-01 {"item":"G%02d","name":"Good %d","type":"good","unit":"each","class":"c%d","points":"%d","place":"drawer %d"}`+"\n", i, i, i%3, 1+i%3, i)
		fmt.Fprintf(&b, `item 2026-01-01 {"item":"S%02d","name":"Supply %d","type":"supply","unit":"%s","packs":{"pack":"50000"},"measures":{"strip":"%d"},"place":"rack %d"}`+"\n", i, i, []string{"each", "mm"}[i%2], 20+i, i)
		left := int64(1_000_000_000)
		if i%4 == 1 {
			left = int64(open) * 20
		}
		fmt.Fprintf(&b, `restock 2026-01-01T01:00:00Z {"lines":[{"item":"G%02d","qty":"100000000","cost":"7654321.09"},{"item":"S%02d","qty":"%d","cost":"1234567.89"}]}`+"\n", i, i, left)
	}
	line := func(i int, per string) string {
		l := fmt.Sprintf(`{"item":"S%02d","qty":"%d","per":"%s"`, i, 1+i%3, per)
		if i%2 == 1 {
			l += `,"measure":"strip"`
		}
		return l + "}"
	}
	fmt.Fprintf(&b, `packspec 2026-01-01 {"lines":[%s,%s],"formats":[{"format":"letter","accepts":["c0","c1"],"holds":"4","lines":[%s,%s,%s]},{"format":"flat","holds":"9","lines":[%s,%s,%s]},{"format":"box","lines":[%s,%s,%s]}]}`+"\n",
		line(0, "unit"), line(2, "order"), line(4, "parcel"), line(6, "parcel"), line(8, "unit"), line(1, "parcel"), line(3, "unit"), line(5, "parcel"), line(7, "parcel"), line(9, "unit"), line(11, "parcel"))
	start := time.Date(2026, 1, 2, 0, 0, 0, 0, time.UTC)
	for i := range n + open {
		at := start.Add(time.Duration(i) * time.Minute)
		var lines []string
		for k := range 1 + i%4 {
			lines = append(lines, fmt.Sprintf(`{"item":"G%02d","qty":"%d"}`, (i*7+k*5)%12, 1+(i+k)%3))
		}
		fmt.Fprintf(&b, "order %s {\"order\":\"N%06d\",\"zone\":\"%s\",\"lines\":[%s]}\n", at.Format(time.RFC3339), i, []string{"ca", "us", "eu"}[i%3], strings.Join(lines, ","))
		if i < n {
			fmt.Fprintf(&b, "pack %s {\"order\":\"N%06d\"}\n", at.Add(time.Hour).Format(time.RFC3339), i)
		}
	}
	return b.String()
}

// BenchmarkPlan plans 200 open orders of which not all can go, on ledgers of 2,500 packed orders, as many as the demo's year has, and of 20,000 (COUNTBACK_FULL=1:
// 90,000). Beside the time it says what part of reading and folding the ledger that is, in the same run.
func BenchmarkPlan(b *testing.B) {
	sizes := []int{2_500, 20_000}
	if os.Getenv("COUNTBACK_FULL") != "" {
		sizes = append(sizes, 90_000)
	}
	for _, n := range sizes {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			lines := foldtest.Facts(busy(n, 200))
			began := time.Now()
			s := foldtest.Run(lines, 0)
			fold := time.Since(began)
			for b.Loop() {
				r, err := plan.Of(s, style, plan.Ask{})
				if err != nil || r.Choice.Open != 200 || r.Choice.Ready == 0 || r.Choice.Ready == 200 {
					b.Fatalf("%v %+v", err, r.Choice)
				}
			}
			b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)/fold.Seconds(), "of-fold")
		})
	}
}
