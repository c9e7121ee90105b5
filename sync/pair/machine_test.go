package pair_test

import (
	"crypto/rand"
	"encoding/json"
	"fmt"
	"net/http"
	"testing"
	"time"

	"pgregory.net/rapid"

	"countback/ledger/key"
	"countback/sync/pair"
)

// side is a device that may try to join, as the model sees it.
type side struct {
	key   *key.Key
	nonce string
	seen  string // the desk's nonce
}

// Whatever is done in whatever order, by whoever has the code: a device is endorsed only if it brought the open code first, in time, revealed what it had bound
// itself to, and its digits were typed before two others.
func TestOnlyWhatAPersonHasComparedIsEndorsed(t *testing.T) {
	h := newHouse(t)
	sides := []*side{{key: newKey(t)}, {key: newKey(t)}}
	other := newKey(t)
	rapid.Check(t, func(t *rapid.T) {
		var (
			code, old pair.Code
			opened    time.Time
			first     *side
			revealed  bool
			wrong     int
			over      bool // closed, or spoilt
			endorsed  *side
		)
		open := func() {
			var err error
			old = code
			if code, err = h.desk.Open(ctx, false); err != nil {
				t.Fatal(err)
			}
			opened, first, revealed, wrong, over, endorsed = h.clock.Now(), nil, false, 0, false, nil
		}
		open()
		late := func() bool { return h.clock.Now().Sub(opened) >= pair.Lasts }
		post := func(path, body string) (int, map[string]any) {
			h.clock.on(time.Second)
			w := h.send("POST", path, body)
			out := map[string]any{}
			if err := json.Unmarshal(w.Body.Bytes(), &out); err != nil {
				t.Fatal(err)
			}
			return w.Code, out
		}
		digits := func() string {
			return pair.Agreement{Shop: h.shop, DeskKey: h.key.Public(), JoinerKey: first.key.Public(), DeskNonce: first.seen, JoinerNonce: first.nonce}.Digits()
		}
		check := func() {
			v, err := h.desk.View(ctx, code)
			if err != nil {
				t.Fatal(err)
			}
			if (v.Phase == pair.Decided) != (endorsed != nil) {
				t.Fatalf("the desk is at %s, endorsed should be %v", v.Phase, endorsed != nil)
			}
			if endorsed != nil && v.Device != endorsed.key.Device() {
				t.Fatal("another device is endorsed")
			}
			for _, s := range append(sides, &side{key: other}) {
				status, out := post("/pair/answer", fmt.Sprintf(`{"code":%q,"key":%q}`, code.Text(), s.key.Public()))
				if got := status == http.StatusOK && out["decided"] == true; got != (s == endorsed) {
					t.Fatalf("an answer %v to a device, endorsed: %v", out, s == endorsed)
				}
			}
		}
		t.Repeat(map[string]func(*rapid.T){
			"open": func(*rapid.T) { open() },
			"time": func(t *rapid.T) { h.clock.on(time.Duration(rapid.IntRange(1, 240).Draw(t, "seconds")) * time.Second) },
			"hello": func(t *rapid.T) {
				s := rapid.SampledFrom(sides).Draw(t, "side")
				n, c := nonce(), code
				if rapid.Bool().Draw(t, "again") && s == first {
					n = s.nonce
				}
				if old.Text() != "" && rapid.IntRange(0, 5).Draw(t, "old") == 0 {
					c = old
				}
				status, out := post("/pair/hello", helloBody(c, s.key, n))
				in := h.clock.Now().Sub(opened) < pair.Lasts && !over
				switch {
				case status != http.StatusOK:
					if c.Text() == code.Text() && in && first == nil {
						t.Fatalf("the open code was refused: %v", out)
					}
				case c.Text() != code.Text(), first == nil && !in, first != nil && (first != s || s.nonce != n):
					t.Fatal("a hello was taken that mustn't be")
				case first == nil:
					first, s.nonce, s.seen = s, n, out["nonce"].(string)
				}
			},
			"reveal": func(t *rapid.T) {
				s := rapid.SampledFrom(sides).Draw(t, "side")
				n := s.nonce
				honest := rapid.IntRange(0, 3).Draw(t, "honest") > 0
				if !honest || n == "" {
					n = nonce()
				}
				payload := h.shop + "\n" + h.key.Public() + "\n" + s.key.Public() + "\n" + s.seen + "\n" + n
				sig, err := s.key.Sign(key.Pair, []byte(payload))
				if err != nil {
					t.Fatal(err)
				}
				status, _ := post("/pair/reveal", fmt.Sprintf(`{"code":%q,"key":%q,"nonce":%q,"signature":%q}`, code.Text(), s.key.Public(), n, sig))
				switch {
				case s != first || late() && endorsed == nil || over:
					if status == http.StatusOK {
						t.Fatal("a reveal was taken that mustn't be")
					}
				case n != s.nonce:
					if status == http.StatusOK {
						t.Fatal("another nonce was taken")
					}
					over = over || !revealed
				case status == http.StatusOK:
					revealed = true
				default:
					t.Fatal("an honest reveal was refused")
				}
			},
			"type": func(t *rapid.T) {
				typed := "no"
				right := first != nil && revealed && rapid.Bool().Draw(t, "right")
				if right {
					typed = digits()
				}
				err := h.desk.Confirm(ctx, code, typed, h.key)
				switch {
				case endorsed != nil:
				case first == nil || !revealed || late() || over:
					if err == nil {
						t.Fatal("endorsed too early or too late")
					}
				case right:
					if err != nil {
						t.Fatal(err)
					}
					endorsed = first
				default:
					if err == nil {
						t.Fatal("wrong digits were taken")
					}
					if wrong++; wrong == 2 {
						over = true
					}
				}
			},
			"close": func(t *rapid.T) {
				if err := h.desk.Close(ctx, code); err != nil {
					t.Fatal(err)
				}
				over = over || endorsed == nil
			},
			"": func(*rapid.T) { check() },
		})
	})
}

// Two desks never make the same code, and none prints itself.
func TestCodesAreOfChance(t *testing.T) {
	seen := map[string]bool{}
	for range 1000 {
		c, err := pair.NewCode(rand.Reader)
		if err != nil || len(c.Text()) != 26 || seen[c.Text()] {
			t.Fatal(c.Text(), err)
		}
		seen[c.Text()] = true
	}
}
