package main

import (
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/num"
	"countback/ledger/store"
	"countback/ledger/store/sqlite"
	"countback/sync/replicate"
)

// What stands outside the logs is for review to show: lines that were refused, and facts of a copied device that nobody has recorded anew.
func TestReviewShowsWhatStandsBeside(t *testing.T) {
	data := foundShop(t)
	second := joinDesk(t, data, "attic")
	if out := onFolder(t, data, "review"); !strings.HasPrefix(out, "Nothing needs a decision") {
		t.Fatal(out)
	}
	own, err := readKey(data)
	if err != nil {
		t.Fatal(err)
	}
	attic, err := readKey(second)
	if err != nil {
		t.Fatal(err)
	}
	st, err := sqlite.Open(ledgerPath(data), sqlite.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	heads, err := st.Heads(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	behind := func(head store.Head, by *key.Key, n byte) *event.Event {
		u := event.Unsigned{
			ID: event.ID{1, 157, n}, Shop: own.Device(), Device: attic.Device(), Time: event.TimeOf(time.Now()), Seq: head.Seq + 1, Prev: head.Hash,
			Data: &event.Damage{Item: "board", Qty: num.Whole(int64(n)), Reason: "damaged"},
		}
		e, err := u.Make(func(b []byte) (string, error) { return by.Sign(key.Event, b) })
		if err != nil {
			t.Fatal(err)
		}
		return e
	}
	head := heads[attic.Device()]
	first, twin := behind(head, attic, 7), behind(head, attic, 9)
	if twin.Hash < first.Hash {
		first, twin = twin, first
	}
	forged := behind(head, own, 5)
	m, err := replicate.New(t.Context(), replicate.Config{Store: st, Key: own, Shop: own.Device(), Desk: true, Build: "test"})
	if err != nil {
		t.Fatal(err)
	}
	m.Step(time.Now(), replicate.File{Lines: [][]byte{first.Line}})
	onFolder(t, data, "revoke", "attic")
	m.Step(time.Now(), replicate.Changed{})
	m.Step(time.Now(), replicate.File{Lines: [][]byte{twin.Line, forged.Line}})
	out := onFolder(t, data, "review")
	for _, want := range []string{"2 things need a look", "1 line from a file can stand in no log", "aside, damage", twin.ID.String(), "the device was revoked", `"reason":"damaged"`} {
		if !strings.Contains(out, want) {
			t.Errorf("%q isn't in\n%s", want, out)
		}
	}
	look, err := mainOn(data, strings.NewReader(""), io.Discard, io.Discard).newDeskPages(data, st, own).Look(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if r, err := look.Review(); err != nil || len(r.Items) != 2 {
		t.Errorf("the desk's page has %d of the 2: %v", len(r.Items), err)
	}
	page := readerOf(t, mainOn(data, strings.NewReader(""), io.Discard, io.Discard).newDeskPages(data, st, own))
	if _, _, body := page.get(t, "/decide"); !strings.Contains(body, "Throw the refused lines away") || strings.Contains(textOf(body), "countback ") {
		t.Error(body)
	}
	res, err := page.http.Post(page.base+"/decide/throw-away", "application/x-www-form-urlencoded", strings.NewReader(""))
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	if _, _, body := page.get(t, "/decide"); strings.Contains(body, "refused") || !strings.Contains(body, "1 thing needs a look") {
		t.Error(body)
	}
	if _, _, body := page.get(t, "/decide"); !strings.Contains(textOf(body), fmt.Sprintf("It says: Write-off: %s × board, damaged", twin.Data.(*event.Damage).Qty)) {
		t.Error(textOf(body))
	}
	if res, err = page.http.Post(page.base+"/decide/anew", "application/x-www-form-urlencoded", strings.NewReader("event="+twin.ID.String())); err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	if res.StatusCode != http.StatusOK || !strings.HasSuffix(res.Request.URL.Path, twin.ID.String()) {
		t.Error(res.Status, res.Request.URL)
	}
	if rows, err := st.ByID(t.Context(), twin.ID); err != nil || len(rows) != 1 {
		t.Error(rows, err)
	}
	if _, _, body := page.get(t, "/decide"); !strings.Contains(body, "Nothing needs a decision") {
		t.Error(body)
	}
	m.Step(time.Now(), replicate.Changed{})
	m.Step(time.Now(), replicate.File{Lines: [][]byte{forged.Line}})
	if out = onFolder(t, data, "review"); !strings.Contains(out, "1 line from a file can stand in no log") {
		t.Error(out)
	}
	out = onFolder(t, data, "review", "--throw-away")
	if strings.Contains(out, "refused") || !strings.Contains(out, "Nothing needs a decision") {
		t.Error(out)
	}
	if list, err := replicate.Refused(t.Context(), st); err != nil || len(list) != 0 {
		t.Error(list, err)
	}
}
