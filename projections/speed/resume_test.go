//go:build !js

package speed_test

import (
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/ledger/store"
	"countback/ledger/store/sqlite"
	"countback/projections/fold"
	"countback/projections/resume"
)

// BenchmarkFoldFromCheckpoint opens the file and adds up what is on hand, from a checkpoint behind which as much has happened as ever does before the next one is
// left. What it takes must not grow with the number of orders before.
func BenchmarkFoldFromCheckpoint(b *testing.B) {
	n := size()
	path := copyOf(b, ledgerFile(b, n)) // a checkpoint makes an index in the file
	st := open(b, path)
	job := resume.Job{Store: st, Build: "benchmark", Now: begin + int64(n)*20_000}
	r, err := job.Fold(ctx)
	if err != nil {
		b.Fatal(err)
	}
	if err := r.Leave(ctx); err != nil {
		b.Fatal(err)
	}
	addOrders(b, st, n, resume.Often/2-10)
	var read time.Duration
	for b.Loop() {
		start := time.Now()
		own, err := sqlite.Open(path, sqlite.Options{})
		if err != nil {
			b.Fatal(err)
		}
		r, err := resume.Job{Store: own, Build: "benchmark", Now: job.Now, Run: fold.Run{AsOf: job.Now + 86_400_000*400}}.Fold(ctx)
		if err != nil || !r.Resumed {
			b.Fatalf("the checkpoint wasn't used: %v", err)
		}
		read += time.Since(start)
		if err := own.Close(); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(read.Milliseconds())/float64(b.N), "ms/fold")
}

// addOrders places orders and packs them, behind the end of the ledger.
func addOrders(tb testing.TB, st *sqlite.Store, n, orders int) {
	tb.Helper()
	m := newMaker(n)
	heads, err := st.Heads(ctx)
	if err != nil {
		tb.Fatal(err)
	}
	head := heads[m.key.Device()]
	m.seq, m.prev = head.Seq, head.Hash
	err = st.Write(ctx, func(tx store.Tx) error {
		for i := n; i < n+orders; i++ {
			m.i = i + 2*packLag
			at := begin + int64(m.i)*20_000
			for k, d := range []event.Data{
				decode(event.KindOrder, `{"order":%q,"zone":"ca","lines":[{"item":"G01","qty":"2"}]}`, number(i)), decode(event.KindPack, `{"order":%q}`, number(i)),
			} {
				e, err := m.sign(d, at+int64(k)*1000)
				if err != nil {
					return err
				}
				if _, err := tx.Insert(e); err != nil {
					return err
				}
			}
		}
		return nil
	})
	if err != nil {
		tb.Fatal(err)
	}
}

func copyOf(tb testing.TB, path string) string {
	tb.Helper()
	out := filepath.Join(tb.TempDir(), "ledger.db")
	from, err := os.Open(path)
	if err != nil {
		tb.Fatal(err)
	}
	defer from.Close()
	to, err := os.OpenFile(out, os.O_CREATE|os.O_WRONLY, 0o600)
	if err != nil {
		tb.Fatal(err)
	}
	if _, err := io.Copy(to, from); err != nil {
		tb.Fatal(err)
	}
	if err := to.Close(); err != nil {
		tb.Fatal(err)
	}
	return out
}
