package event_test

import (
	"bytes"
	"errors"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"countback/ledger/event"
)

// An event that is made is the one that everybody reads from its line, whatever way was taken to it.
func TestMadeIsWhatIsRead(t *testing.T) {
	for _, kind := range event.Kinds() {
		t.Run(string(kind), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				u := genUnsigned(kind).Draw(t, "event")
				sig := genSig.Draw(t, "signature")
				head, err := u.Head()
				if err != nil {
					t.Fatal(err)
				}
				made, err := u.Make(func(b []byte) (string, error) {
					if !bytes.Equal(b, head) {
						t.Fatalf("signed   %s\nand not %s", b, head)
					}
					return sig, nil
				})
				if err != nil {
					t.Fatal(err)
				}
				read, err := event.ParseLine(made.Line)
				if err != nil || !reflect.DeepEqual(made, read) {
					t.Fatalf("made %+v\nread %+v, %v", made, read, err)
				}
			})
		})
	}
}

func TestMakeRefuses(t *testing.T) {
	u := &event.Unsigned{
		ID: event.ID{1}, Shop: strings.Repeat("a", 26), Device: strings.Repeat("b", 26), Seq: 1, Prev: event.FirstPrev, Data: &event.Retire{Item: "card-a6"},
	}
	u.Time, _ = event.ParseTime("2026-03-02T09:30:00-04:00")
	for name, sig := range map[string]string{
		"a short signature": "AA", "other characters": strings.Repeat("=", 86), "loose bits at its end": strings.Repeat("A", 85) + "B",
	} {
		if e, err := u.Make(func([]byte) (string, error) { return sig, nil }); !errors.Is(err, event.ErrLine) {
			t.Errorf("%s: %v, %v", name, e, err)
		}
	}
	no := errors.New("the key is locked")
	if _, err := u.Make(func([]byte) (string, error) { return "", no }); !errors.Is(err, no) {
		t.Error(err)
	}
	u.Shop = ""
	if _, err := u.Make(func([]byte) (string, error) { t.Error("it was signed"); return "", nil }); err == nil {
		t.Error("an event without a shop was made")
	}
}
