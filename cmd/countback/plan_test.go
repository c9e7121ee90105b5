package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// openOrders records n open orders of the tests' shop.
func (b *bench) openOrders(n int) {
	b.t.Helper()
	var facts strings.Builder
	for i := range n {
		fmt.Fprintf(&facts, `{"kind":"order","time":"2026-02-%02dT10:00:00-04:00","data":{"order":"N-%03d","zone":"home","lines":[{"item":"fern-card","qty":"2"}]}}`+"\n", 1+i%28, i)
	}
	b.must("record", b.file("orders.jsonl", facts.String()))
	b.must("packspec", b.file("packing.json", `{"lines": [{"item": "cord", "qty": "1", "measure": "wrap", "per": "order"}], "formats": [{"format": "flat", "lines": [{"item": "board", "qty": "1", "per": "parcel"}]}]}`))
	b.must("restock", "board", "2", "box", "--cost", "64", "--at", "2026-01-05")
	b.must("restock", "cord", "2", "spool", "--cost", "20", "--at", "2026-01-05")
	b.must("restock", "fern-card", "1000", "--cost", "200", "--at", "2026-01-05")
}

// sheets counts the page objects of a PDF (ISO 32000-1, 7.7.3.3).
func sheets(doc []byte) int { return bytes.Count(doc, []byte("/Type /Page\n")) }

func TestPlanOnPaper(t *testing.T) {
	for _, c := range []struct {
		orders, want int
		size         string
	}{{3, 1, "A4"}, {40, 1, "A4"}, {40, 1, "Letter"}, {200, 4, "A4"}} {
		b := newBench(t).shop()
		b.openOrders(c.orders)
		file := filepath.Join(b.dir, "today.pdf")
		b.must("plan", "--pdf", file, "--paper", c.size)
		doc, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.HasPrefix(doc, []byte("%PDF-1.")) || sheets(doc) != c.want {
			t.Errorf("%d orders lie on %d sheets of %s, not on %d", c.orders, sheets(doc), c.size, c.want)
		}
		b.refused(2, []string{"plan", "--pdf", file}, "today.pdf", "it is there already")
	}
	b := newBench(t).shop()
	b.refused(2, []string{"plan", "--pdf", filepath.Join(b.dir, "none.pdf")}, "no order is open")
	if _, err := os.Stat(filepath.Join(b.dir, "none.pdf")); err == nil {
		t.Error("a sheet without an order was written")
	}
}

// What the plan calls ready and nothing else is packed by the command that it ends with.
func TestPlanThenPack(t *testing.T) {
	b := newBench(t).shop()
	b.openOrders(6)
	b.must("damage", "fern-card", "993", "--reason", "damaged", "--at", "2026-01-06") // 7 are left, for 3 orders
	var r struct {
		Orders []struct {
			Order string
			Ready bool
		}
		Pull []struct{ Item, Take string }
	}
	if err := json.Unmarshal([]byte(b.must("plan", "--json")), &r); err != nil {
		t.Fatal(err)
	}
	_, last, _ := strings.Cut(b.must("plan"), "When it is packed: countback ")
	args := strings.Fields(last)
	b.must(args...)
	ready := 0
	for _, o := range r.Orders {
		if o.Ready {
			ready++
			b.refused(2, []string{"plan", o.Order}, "is packed already")
		} else {
			b.must("plan", o.Order)
		}
	}
	if ready != 3 || len(r.Orders) != 6 {
		t.Errorf("%d of %d orders were ready", ready, len(r.Orders))
	}
	if out := b.must("stock", "fern-card", "--json"); !strings.Contains(out, `"on_hand": "1"`) {
		t.Error(out)
	}
}

// An exception that can't be recorded takes all others with it.
func TestPackOpenIsAllOrNothing(t *testing.T) {
	b := newBench(t).shop()
	b.openOrders(4)
	before := b.must("export", "events")
	for _, bad := range []string{"N-001 --with nothing=1", "N-001 --total cord=x", "N-001 fern-card=1.5", "N-001 --joined", "N-001 --parcel flat", "N-001 --spec 12", "N-999 --with cord=1", "N-001 --postage -1"} {
		b.refused(2, []string{"pack", "--open", "--but", "N-000 --with cord=1", "--but", bad})
		b.refused(2, []string{"pack", "--open", "--but-file", b.file("but.txt", "N-000 --with cord=1\n\n"+bad+"\n")})
	}
	if after := b.must("export", "events"); after != before {
		t.Error("something was recorded")
	}
	o := b.feed("N-001 --stays\r\nN-002 --with cord=5\r\n", "pack", "--open", "--but-file", "-", "--note", "all alike")
	if o.status != 0 || strings.Contains(o.out, "N-001") || !strings.Contains(o.out, "N-002") {
		t.Error(o)
	}
}
