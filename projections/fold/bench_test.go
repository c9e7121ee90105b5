package fold_test

import (
	"context"
	"encoding/binary"
	"fmt"
	"os"
	"strings"
	"testing"

	"countback/ledger/event"
	"countback/projections/book"
	"countback/projections/fold"
	"countback/projections/foldtest"
)

// bigSetup is a shop whose orders take one to three goods and twelve supplies.
func bigSetup() string {
	var b strings.Builder
	lines := []string{}
	for i := range 12 {
		fmt.Fprintf(&b, "item 2026-01-01 {\"item\":\"G%02d\",\"name\":\"Good %d\",\"type\":\"good\",\"unit\":\"each\"}\n", i, i)
		fmt.Fprintf(&b, "item 2026-01-01 {\"item\":\"S%02d\",\"name\":\"Supply %d\",\"type\":\"supply\",\"unit\":\"each\"}\n", i, i)
		fmt.Fprintf(&b, "restock 2026-01-01T01:00:00Z {\"lines\":[{\"item\":\"G%02d\",\"qty\":\"100000000\",\"cost\":\"7654321.09\"},{\"item\":\"S%02d\",\"qty\":\"1000000000\",\"cost\":\"1234567.89\"}]}\n", i, i)
		per := []string{"parcel", "unit"}[i%2]
		lines = append(lines, fmt.Sprintf(`{"item":"S%02d","qty":"%d","per":"%s"}`, i, 1+i%3, per))
	}
	fmt.Fprintf(&b, "packspec 2026-01-01 {\"formats\":[{\"format\":\"flat\",\"lines\":[%s]}]}\n", strings.Join(lines, ","))
	return b.String()
}

// bigLedger hands fn the lines of n packed orders, in order of time: an order event and a pack event each, a restock every thousand orders.
func bigLedger(n int, fn func(line []byte)) {
	for _, l := range foldtest.Facts(bigSetup()) {
		fn(l)
	}
	start, _ := event.ParseTime("2026-01-02T00:00:00Z")
	id := func(k int) (id event.ID) {
		binary.BigEndian.PutUint64(id[2:], uint64(k))
		binary.BigEndian.PutUint64(id[8:], uint64(k))
		ms := uint64(start.Ms())
		for i := range 6 {
			id[i] = byte(ms >> (40 - 8*i))
		}
		return id
	}
	seq := int64(1000)
	emit := func(at int64, d event.Data) {
		seq++
		fn(foldtest.Line(id(int(seq)), foldtest.Devices[0], msTime(at), seq, d))
	}
	for i := range n {
		number := fmt.Sprintf("2026-%07d", i)
		o := &event.Order{Order: number, Zone: []string{"ca", "us", "eu"}[i%3]}
		for k := range 1 + i%3 {
			o.Lines = append(o.Lines, event.Goods{Item: fmt.Sprintf("G%02d", (i*7+k*5)%12), Qty: wholeQty(int64(1 + (i+k)%2))})
		}
		at := start.Ms() + int64(i)*20_000
		emit(at, o)
		emit(at+3_600_000, &event.Pack{Order: number})
	}
}

// BenchmarkFold folds packed orders from memory; COUNTBACK_FULL=1 takes a million.
func BenchmarkFold(b *testing.B) {
	n := 50_000
	if os.Getenv("COUNTBACK_FULL") != "" {
		n = 1_000_000
	}
	var lines foldtest.Lines
	bigLedger(n, func(l []byte) { lines = append(lines, l) })
	for b.Loop() {
		log, err := fold.Read(context.Background(), lines, fold.Choice{})
		if err != nil {
			b.Fatal(err)
		}
		s := log.Run(fold.Run{})
		if len(s.Orders) != n || s.Items[0].Account.Value()[book.Average].Sign() <= 0 {
			b.Fatal("the fold did not come out")
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(n), "ns/order")
}
