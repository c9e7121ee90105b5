package main

import (
	"strings"
	"testing"
)

// What only the check of entry can see names the row of the file as well, for rows that the file doesn't hold in the order of time too.
func TestImportRefusalsNameTheRow(t *testing.T) {
	const orderMap = "order = No\ndate = Date\ndate layout = YYYY-MM-DD\nitem = Item\nquantity = N\nzone = To\ncancelled = return\ncancelled number begins with = C\n"
	for _, c := range []struct {
		name, what string
		file       string
		words      []string
	}{
		{"a cancellation of an order that was never here", "orders",
			"No,Date,Item,N,To\nC77,2026-02-09,fern-card,1,home\n1,2026-02-03,fern-card,1,home\n2,2026-02-01,fern-card,1,home\n", []string{"row 2", "order 77"}},
		{"items that hold each other", "catalog",
			"item,name,type,unit,parts\nset,Set,prepared,each,fern-card=2\n\nbox,Box,prepared,each,tray=1\ntray,Tray,prepared,each,box=1\n", []string{"row 4", "box"}},
		{"a weighing of what has no weight", "counts",
			"item,place,counted,unit,gross,tare,weight_unit,at\nboard,,12,,,,,2026-02-03\ncord,,12,,,,,2026-02-01\nboard,cart,,,300,20,g,2026-02-02\n", []string{"row 4", "piece_weight"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t).shop()
			before := b.must("export", "events")
			args := []string{"import", c.what, b.file("the.csv", c.file)}
			if c.what == "orders" {
				args = append(args, "--map", b.file("the.map", orderMap))
			}
			for _, more := range [][]string{{"--dry-run"}, nil} {
				b.refused(statusUse, append(args, more...), append(c.words, "the.csv, ")...)
			}
			if b.must("export", "events") != before {
				t.Error("something was recorded")
			}
			if strings.Count(before, "\n") != 5 {
				t.Error("the shop began otherwise", before)
			}
		})
	}
}
