package event_test

import (
	"bytes"
	"errors"
	"reflect"
	"testing"

	"github.com/go-json-experiment/json/jsontext"

	"countback/ledger/event"
)

// The seeds are the examples of testdata/events and what has failed once (testdata/fuzz).

// seedLines gives a line for each example, and the worked example.
func seedLines(f *testing.F) [][]byte {
	var lines [][]byte
	for _, name := range []string{"1-device", "2-damage"} {
		lines = append(lines, readExample(f, name+".line"))
	}
	for kind, all := range examples(f) {
		for _, raw := range all {
			d, err := event.DecodeData(kind, raw)
			if err != nil {
				f.Fatal(err)
			}
			u := sample()
			u.Data = d
			lines = append(lines, seal(f, u))
		}
	}
	return lines
}

func FuzzParseLine(f *testing.F) {
	for _, line := range seedLines(f) {
		f.Add(line)
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		if e := checkLine(t, line); e != nil {
			return
		}
		// Most changed lines fail early; the same bytes as data of a whole line reach further.
		sealed := seal(t, sample())
		checkLine(t, bytes.Replace(sealed, []byte(`{"item":"wrap-kraft","qty":"1.5","measure":"wrap","reason":"spoiled"}`), line, 1))
	})
}

// checkData holds what is true of all data: refused with ErrData in one line, or read to a value that is written and read back the same.
func checkData(t fatal, kind event.Kind, raw []byte) {
	t.Helper()
	kept := bytes.Clone(raw)
	d, err := event.DecodeData(kind, raw)
	if !bytes.Equal(kept, raw) {
		t.Fatalf("DecodeData changed its bytes: %q, before %q", raw, kept)
	}
	if err != nil {
		if !errors.Is(err, event.ErrData) || d != nil || bytes.ContainsAny([]byte(err.Error()), "\n\r") {
			t.Fatalf("%s %q: %v beside error %q", kind, raw, d, err)
		}
		return
	}
	if d.Kind() != kind || event.Check(d) != nil {
		t.Fatalf("%s %q: read as %s, check says %v", kind, raw, d.Kind(), event.Check(d))
	}
	once, err := event.EncodeData(d)
	if err != nil {
		t.Fatalf("%s %q was read and can't be written: %v", kind, raw, err)
	}
	again, err := event.DecodeData(kind, once)
	if err != nil || !reflect.DeepEqual(again, d) {
		t.Fatalf("%s %q\nread as  %+v\nwritten  %s\nread as  %+v, %v", kind, raw, d, once, again, err)
	}
	if twice, err := event.EncodeData(again); err != nil || !bytes.Equal(once, twice) {
		t.Fatalf("%s: written %s, then %s (%v)", kind, once, twice, err)
	}
	if !jsontext.Value(once).IsValid() {
		t.Fatalf("%s: written as %q", kind, once)
	}
}

func FuzzDecodeData(f *testing.F) {
	for i, kind := range event.Kinds() {
		for _, raw := range examples(f)[kind] {
			f.Add(byte(i), raw)
		}
	}
	kinds := event.Kinds()
	f.Fuzz(func(t *testing.T, kind byte, raw []byte) {
		checkData(t, kinds[int(kind)%len(kinds)], raw)
	})
}

func FuzzParseFact(f *testing.F) {
	for kind, all := range examples(f) {
		for _, raw := range all {
			f.Add([]byte(`{"kind":"` + string(kind) + `","time":"2026-03-02T09:30:00-04:00","data":` + string(raw) + `}`))
			f.Add([]byte(`{ "data": ` + string(raw) + `, "id": "01ARZ3NDEKTSV4RRFFQ69G5FAV", "kind":"` + string(kind) + `", "time":"2026-03-02T09:30:00Z" }`))
		}
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		fact, err := event.ParseFact(line)
		if err != nil {
			if bytes.ContainsAny([]byte(err.Error()), "\n\r") {
				t.Fatalf("%q: an error of several lines: %q", line, err)
			}
			return
		}
		if !fact.Data.Kind().Fact() || fact.Time.IsZero() {
			t.Fatalf("%q: %+v", line, fact)
		}
		once, err := fact.Line()
		if err != nil {
			t.Fatal(err)
		}
		if len(once) > event.MaxLine {
			return // our escapes and order may take more bytes than the free spelling did
		}
		again, err := event.ParseFact(once)
		if err != nil || !reflect.DeepEqual(again, fact) {
			t.Fatalf("%q\nread as %+v %+v\nwritten %s\nread as %+v, %v", line, fact, fact.Data, once, again, err)
		}
	})
}

func FuzzTime(f *testing.F) {
	for _, s := range []string{"1985-04-12T23:20:50.52Z", "1996-12-19T16:39:57-08:00", "1990-12-31T23:59:60Z", "1937-01-01T12:00:27.87+00:20", "2000-02-29T00:00:00Z", "2100-02-29T00:00:00Z",
		"2026-03-02", "2026-03-02T09:30:00.1234Z", "2026-03-02t09:30:00z", ""} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) { checkTime(t, s) })
}

func FuzzID(f *testing.F) {
	for _, s := range []string{"01ARZ3NDEKTSV4RRFFQ69G5FAV", "01BX5ZZKBKACTAV9WEVGEMMVRY", "7ZZZZZZZZZZZZZZZZZZZZZZZZZ", "8ZZZZZZZZZZZZZZZZZZZZZZZZZ", "00000000000000000000000000",
		"01ARZ3NDEKTSV4RRFFQ69G5FAU", "01arz3ndektsv4rrffq69g5fav", ""} {
		f.Add(s, "01ARZ3NDEKTSV4RRFFQ69G5FAV")
	}
	f.Fuzz(func(t *testing.T, a, b string) {
		x, err := event.ParseID(a)
		if err != nil {
			if !errors.Is(err, event.ErrID) || !x.IsZero() {
				t.Fatalf("%q: %v beside %v", a, x, err)
			}
			return
		}
		if x.String() != a || x.IsZero() || x.Ms() < 0 || x.Ms() >= 1<<48 {
			t.Fatalf("%q: %s, %d ms", a, x, x.Ms())
		}
		// The order of ids is the order of their text.
		if y, err := event.ParseID(b); err == nil && x.Compare(y) != bytes.Compare([]byte(a), []byte(b)) {
			t.Fatalf("%s against %s: %d", a, b, x.Compare(y))
		}
	})
}

// The examples cover every kind, and those that are written in the contract's order and without spare zeros are written back to the byte.
func TestExamplesCoverEveryKind(t *testing.T) {
	all := examples(t)
	for _, kind := range event.Kinds() {
		if len(all[kind]) == 0 {
			t.Errorf("no example of %s in testdata/events/data.txt", kind)
		}
		for _, raw := range all[kind] {
			checkData(t, kind, raw)
		}
	}
}
