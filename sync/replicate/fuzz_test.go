package replicate_test

import (
	"bytes"
	"cmp"
	"slices"
	"testing"

	"countback/ledger/store/storetest"
	"countback/sync/replicate"
)

// What is read as a receipt is written the same.
func FuzzParseReceipt(f *testing.F) {
	l := storetest.NewLog(1, "")
	l.Next(l.Device(nil, "desk"))
	two := []replicate.Head{{Device: l.Key.Device(), Seq: 1, Hash: l.Prev}, {Device: storetest.NewLog(2, "").Key.Device(), Seq: 31, Hash: l.Prev}}
	slices.SortFunc(two, func(a, b replicate.Head) int { return cmp.Compare(a.Device, b.Device) })
	for _, heads := range [][]replicate.Head{nil, two[:1], two, {two[1], two[0]}, {{Device: "a", Seq: 3, Hash: "b"}}} {
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
