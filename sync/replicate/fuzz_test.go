package replicate_test

import (
	"bytes"
	"testing"

	"countback/ledger/store/storetest"
	"countback/sync/replicate"
)

// What is read as a receipt is written the same.
func FuzzParseReceipt(f *testing.F) {
	l := storetest.NewLog(1, "")
	l.Next(l.Device(nil, "desk"))
	for _, heads := range [][]replicate.Head{nil, {{Device: l.Key.Device(), Seq: 1, Hash: l.Prev}}, {{Device: "a", Seq: 3, Hash: "b"}, {Device: "c", Seq: 2, Hash: ""}}} {
		r, err := replicate.SignReceipt(l.Key, 7, heads)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(r.Body())
		f.Add(bytes.Replace(r.Body(), []byte("{"), []byte("{ "), 1))
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		r, err := replicate.ParseReceipt(body)
		if err != nil || r.Device != l.Key.Device() || r.Verify(l.Key.Public()) != nil {
			return
		}
		again, err := replicate.SignReceipt(l.Key, r.Count, r.Heads)
		if err != nil || !bytes.Equal(again.Body(), body) {
			t.Errorf("%q is read as %+v", body, r)
		}
	})
}
