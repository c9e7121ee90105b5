package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/rivo/uniseg"

	"countback/cmd/countback/words"
	"countback/ledger/num"
)

// auditJSON is what scripts read of an audit.
type auditJSON struct {
	Item, From, To, Opening, Expected, Actual string

	ExpectedOut string `json:"expected_out"`
	ActualOut   string `json:"actual_out"`
	Bridge      []struct {
		Part, Qty, Value string
		Events           []string
		Sub              []struct{ Name, Qty string }
	}
	Findings []struct {
		Cause, Weight, Qty, Why string
		Rank                    int
		Events, Do              []string
	}
}

func TestAuditOfTheDemoShop(t *testing.T) {
	t.Parallel()
	b := demoShop(t)
	t.Run("it names what was planted", func(t *testing.T) {
		for _, ask := range [][]string{{"audit", "stiffener"}, {"audit", "stiffener", "--as-of", "2026-09-30"}} {
			r := auditOf(t, b, ask...)
			f := r.Findings[0]
			if f.Cause != "spec_drift" || f.Rank != 1 || !strings.Contains(strings.Join(f.Do, " "), "use stiffener --apply --since 2026-0") || len(f.Events) < 3 {
				t.Errorf("%v: %+v", ask, f)
			}
			if q := words.Quantity(f.Qty); q.Less(num.Whole(230)) || num.Whole(300).Less(q) {
				t.Errorf("it explains %s; about 266 went", f.Qty)
			}
		}
	})
	t.Run("before it began there is nothing", func(t *testing.T) {
		if f := auditOf(t, b, "audit", "stiffener", "--as-of", "2026-05-31").Findings[0]; f.Cause != "none" {
			t.Errorf("%+v", f)
		}
	})
	t.Run("every item's bridge adds up", func(t *testing.T) {
		for _, item := range []string{"stiffener", "cord", "ink", "card-tern", "insert", "mailer-flat", "notebook-dot", "glue", "wrap", "seal"} {
			r := auditOf(t, b, "audit", item, "--exact")
			sum := words.Quantity(r.Expected)
			for _, p := range r.Bridge {
				sum = sum.Add(words.Quantity(p.Qty))
			}
			if sum.String() != r.Actual {
				t.Errorf("%s: the parts lead to %s, and %s is there", item, sum, r.Actual)
			}
		}
	})
	t.Run("it fits the terminal", func(t *testing.T) {
		for _, width := range []int{40, 60, 80, 120} {
			b.setUp = func(m *Main) { m.Width = width }
			for l := range strings.Lines(b.must("audit", "stiffener")) {
				if w := uniseg.StringWidth(strings.TrimRight(l, "\n")); w > width && !strings.Contains(l, "countback") {
					t.Errorf("%d wide on a terminal of %d: %s", w, width, l)
				}
			}
			b.setUp = nil
		}
	})
	t.Run("a page", func(t *testing.T) {
		file := filepath.Join(b.dir, "stiffener.pdf")
		b.must("audit", "stiffener", "--pdf", file)
		doc, err := os.ReadFile(file)
		if err != nil || bytes.Count(doc, []byte("/Type /Page\n")) != 1 {
			t.Error(err, bytes.Count(doc, []byte("/Type /Page\n")), "pages")
		}
	})
}

func auditOf(t *testing.T, b *bench, args ...string) (r auditJSON) {
	t.Helper()
	if err := json.Unmarshal([]byte(b.must(append(args, "--json")...)), &r); err != nil {
		t.Fatal(err)
	}
	return r
}
