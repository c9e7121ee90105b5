package pair_test

import (
	"encoding/json"
	"flag"
	"fmt"
	"math/rand/v2"
	"net/http/httptest"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/record"
	"countback/ledger/store/memory"
	"countback/sync/pair"
)

var update = flag.Bool("update", false, "write the transcripts anew")

// script plays a pairing with fixed keys, chance and clock, and writes down each message as it goes over the wire.
type script struct {
	t     *testing.T
	doors *pair.Doors
	out   strings.Builder
}

func (s *script) say(format string, args ...any) { fmt.Fprintf(&s.out, format+"\n", args...) }

// send sends a message and returns the members of the answer.
func (s *script) send(path, body string) map[string]any {
	r := httptest.NewRequest("POST", "https://countback-test.local"+path, strings.NewReader(body))
	r.Header.Set("Content-Type", "application/json")
	w := httptest.NewRecorder()
	s.doors.Handler().ServeHTTP(w, r)
	s.say("\n> POST %s\n> %s\n< %d %s", path, body, w.Code, w.Body)
	m := map[string]any{}
	if err := json.Unmarshal(w.Body.Bytes(), &m); err != nil {
		s.t.Fatal(err)
	}
	return m
}

// The bytes of a pairing stand in testdata, for whoever writes the other side in another language. They change with the protocol alone.
func TestTranscript(t *testing.T) {
	chance := rand.NewChaCha8([32]byte([]byte("countback: pairing, always alike!")))
	now := func() time.Time { return time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC) }
	made := func() *key.Key {
		k, err := key.Generate(chance)
		if err != nil {
			t.Fatal(err)
		}
		return k
	}
	desk, phone, st := made(), made(), memory.New()
	shop, err := record.Found(ctx, st, desk, now, chance, "desk", event.Shop{Name: "Fennimoor Paper", Currency: "CAD", Zone: "America/Halifax"}, event.TimeOf(now()))
	if err != nil {
		t.Fatal(err)
	}
	d := &pair.Desk{Store: st, Shop: shop, Name: "Fennimoor Paper", Public: desk.Public(), Now: now, Entropy: chance}
	s := &script{t: t, doors: &pair.Doors{Desk: d, Own: desk.Device()}}
	code, err := d.Open(ctx, false)
	if err != nil {
		t.Fatal(err)
	}
	link := pair.Link{Base: "https://countback-test.local:8743", Code: code, Pin: "abcdefghijklmnopqrstuvwxyz"}
	s.say("# A phone joins. Keys, nonces and code are made of a fixed source, so that each byte can be compared.\n\nlink %s\nshop %s\nthe desk's key %s\nthe phone's key %s",
		link.Text(), shop, desk.Public(), phone.Public())
	const nonce = "AAECAwQFBgcICQoLDA0ODxAREhMUFRYXGBkaGxwdHh8"
	hello := helloBody(code, phone, nonce)
	answer := s.send("/pair/hello", hello)
	s.send("/pair/answer", fmt.Sprintf(`{"code":%q,"key":%q}`, code.Text(), phone.Public()))
	a := pair.Agreement{Shop: shop, DeskKey: desk.Public(), JoinerKey: phone.Public(), DeskNonce: answer["nonce"].(string), JoinerNonce: nonce}
	sig, err := phone.Sign(key.Pair, []byte(strings.Join([]string{a.Shop, a.DeskKey, a.JoinerKey, a.DeskNonce, a.JoinerNonce}, "\n")))
	if err != nil {
		t.Fatal(err)
	}
	s.send("/pair/reveal", fmt.Sprintf(`{"code":%q,"key":%q,"nonce":%q,"signature":%q}`, code.Text(), phone.Public(), nonce, sig))
	s.say("\ndigits %s", a.Digits())
	if err := d.Confirm(ctx, code, a.Digits(), desk); err != nil {
		t.Fatal(err)
	}
	answer = s.send("/pair/answer", fmt.Sprintf(`{"code":%q,"key":%q}`, code.Text(), phone.Public()))
	own := memory.New()
	data := event.Device{Key: phone.Public(), Name: "pocket", Role: "phone", By: answer["by"].(string), Endorsement: answer["endorsement"].(string)}
	if err := record.Join(ctx, own, phone, now, chance, shop, data, event.TimeOf(now())); err != nil {
		t.Fatal(err)
	}
	row, err := own.At(ctx, phone.Device(), 1)
	if err != nil {
		t.Fatal(err)
	}
	s.send("/pair/admit", string(row.Line))
	s.say("\n# What is refused.")
	s.send("/pair/hello", hello[:len(hello)-1])
	s.send("/pair/hello", regexp.MustCompile(`"code":"..`).ReplaceAllString(hello, `"code":"aa`))
	s.send("/pair/hello", helloBody(code, made(), nonce))
	s.send("/pair/admit", string(row.Line[:200]))
	const path = "testdata/joining.txt"
	want, err := os.ReadFile(path)
	if *update {
		if err := os.WriteFile(path, []byte(s.out.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	} else if err != nil || string(want) != s.out.String() {
		t.Errorf("%s differs (%v); it is what was played now, with -update, only if the protocol has changed:\n%s", path, err, s.out.String())
	}
}
