package event_test

import (
	"encoding/hex"
	"errors"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"countback/ledger/event"
)

// Source: ULID specification (ulid/spec, README): the example, its bytes and time derived from the alphabet and layout given there.
func TestIDOfTheSpecification(t *testing.T) {
	const text = "01ARZ3NDEKTSV4RRFFQ69G5FAV"
	id, err := event.ParseID(text)
	if err != nil {
		t.Fatal(err)
	}
	if got := hex.EncodeToString(id[:]); got != "01563e3ab5d3d6764c61efb99302bd5b" {
		t.Errorf("bytes %s", got)
	}
	if id.Ms() != 1469922850259 || time.UnixMilli(id.Ms()).UTC().Format("2006-01-02T15:04:05.000Z") != "2016-07-30T23:54:10.259Z" {
		t.Errorf("time %d", id.Ms())
	}
	if id.String() != text {
		t.Errorf("text %s", id)
	}
}

func TestIDsThatAreRefused(t *testing.T) {
	for _, text := range []string{
		// Source: validation tests of open ULID suites, read.
		"01ARZ3NDEKTSV4RRFFQ69G5FA", "01ARZ3NDEKTSV4RRFFQ69G5FAVA", "01ARZ3NDEKTSV4R!FFQ69G5FAV", "01ARZ3NDEKTSV4RRFFQ69G5FAI", "01ARZ3NDEKTSV4RRFFQ69G5FAL",
		"01ARZ3NDEKTSV4RRFFQ69G5FAO", "01ARZ3NDEKTSV4RRFFQ69G5FAU",
		// Our own: lower case, a time that needs 49 bits, the zero id, nothing.
		"01arz3ndektsv4rrffq69g5fav", "8ZZZZZZZZZZZZZZZZZZZZZZZZZ", "00000000000000000000000000", "",
	} {
		id, err := event.ParseID(text)
		if !errors.Is(err, event.ErrID) || !id.IsZero() {
			t.Errorf("%q: %v, %v", text, id, err)
		}
	}
}

// Source: RFC 3339, section 5.8, examples; seconds since 1970 from an open test suite. Its two leap seconds are refused here: a time of the
// ledger is an instant that every computer can name.
func TestTimesOfRFC3339(t *testing.T) {
	for text, ms := range map[string]int64{
		"1985-04-12T23:20:50.52Z":       482196050_520,
		"1996-12-19T16:39:57-08:00":     851042397_000,
		"1937-01-01T12:00:27.87+00:20":  -1041337172_130,
		"2000-02-29T00:00:00Z":          951782400_000,
		"1970-01-01T00:00:00.001+00:00": 1,
	} {
		got, err := event.ParseTime(text)
		if err != nil || got.Ms() != ms || got.String() != text {
			t.Errorf("%s: %d %q %v, want %d", text, got.Ms(), got, err, ms)
		}
	}
}

func TestTimesThatAreRefused(t *testing.T) {
	for _, text := range []string{
		// Leap seconds of RFC 3339, section 5.8.
		"1990-12-31T23:59:60Z", "1990-12-31T15:59:60-08:00",
		// Source: grammar tests of RFC 3339 in open suites, read.
		"1985-04-31T00:00:00Z", "2100-02-29T00:00:00Z", "1990-12-31T24:00:00Z", "2015-02-30T17:35:20-08:00", "2015-01-20T25:35:20-08:00", "2015-01-20T17:65:20-08:00",
		"1990-12-31T15:59:60", "1937-01-01", "85-04-12T23:20:50.52Z",
		// Our own: one spelling of T and Z, at most three decimals, a point, two digits.
		"2026-03-02t09:30:00Z", "2026-03-02T09:30:00z", "2026-03-02 09:30:00Z", "2026-03-02T09:30:00.1234Z", "2026-03-02T09:30:00,5Z", "2026-03-02T09:30:00.Z", "2026-03-02T9:30:00Z ",
		"2026-03-02T09:30:00+0400", "2026-03-02T09:30:00+24:00", "2026-03-02T09:30:00+04:60", "2026-03-02T09:30:00-4:00", "2026-00-02T09:30:00Z", "2026-03-00T09:30:00Z", "",
	} {
		if got, err := event.ParseTime(text); !errors.Is(err, event.ErrTime) || !got.IsZero() {
			t.Errorf("%q: %v, %v", text, got, err)
		}
	}
}

// referenceTime is package time's reading of RFC 3339 without what it takes beyond the standard (a one-digit hour, a comma, offsets of 24 hours or 60
// minutes) and with our limit on decimals.
func referenceTime(s string) (int64, bool) {
	r, err := time.Parse(time.RFC3339Nano, s)
	if err != nil || s[13] != ':' || strings.Contains(s, ",") {
		return 0, false
	}
	if n := len(s); s[n-1] != 'Z' && (s[n-5:n-3] > "23" || s[n-2:] > "59") {
		return 0, false
	}
	if _, rest, ok := strings.Cut(s, "."); ok && strings.IndexAny(rest, "Z+-") > 3 {
		return 0, false
	}
	return r.UnixMilli(), true
}

func checkTime(t fatal, s string) {
	t.Helper()
	ms, ok := referenceTime(s)
	got, err := event.ParseTime(s)
	if (err == nil) != ok || got.Ms() != ms {
		t.Fatalf("%q: %d, %v; package time says %d, %v", s, got.Ms(), err, ms, ok)
	}
	if err == nil && got.String() != s {
		t.Fatalf("%q became %q", s, got)
	}
	if d, err := event.ParseDate(s); err == nil && string(d) != s {
		t.Fatalf("the day %q became %q", s, d)
	}
}

func TestParseTimeReadsWhatPackageTimeReads(t *testing.T) {
	two := func(most int) *rapid.Generator[string] {
		return rapid.Map(rapid.IntRange(0, most), func(n int) string { return string([]byte{'0' + byte(n/10), '0' + byte(n%10)}) })
	}
	rapid.Check(t, func(t *rapid.T) {
		draw := func(most int) string { return two(most).Draw(t, "two") }
		s := draw(99) + draw(99) + "-" + draw(13) + "-" + draw(32) + "T" + draw(25) + ":" + draw(61) + ":" + draw(61) +
			rapid.SampledFrom([]string{"", ".5", ".05", ".123", ".1230", ".000"}).Draw(t, "decimals")
		s += rapid.OneOf(rapid.Just("Z"), rapid.Just("+"+draw(25)+":"+draw(61)), rapid.Just("-"+draw(25)+":"+draw(61))).Draw(t, "offset")
		checkTime(t, s)
		for range 5 {
			checkTime(t, edit(t, s).(string))
		}
	})
}

func TestTimeOfKeepsTheInstant(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ms := rapid.Int64Range(-62135596800_000, 253402300799_999-86400_000).Draw(t, "ms")
		off := rapid.IntRange(-86399, 86399).Draw(t, "offset")
		at := time.UnixMilli(ms).Add(time.Duration(rapid.IntRange(0, 999_999).Draw(t, "ns"))).In(time.FixedZone("", off))
		if at.Year() < 0 || at.Year() > 9999 {
			t.Skip("outside the years that a time can name")
		}
		v := event.TimeOf(at)
		back, err := event.ParseTime(v.String())
		if err != nil || back.Ms() != ms || v.Ms() != ms {
			t.Fatalf("%s: %v %d %d, want %d: %v", at, v, v.Ms(), back.Ms(), ms, err)
		}
	})
}

// An error is read by somebody whose trade is paper: it says what is wrong, where, and what to do.
func TestErrorsInPlainWords(t *testing.T) {
	const goods = `"lines":[{"item":"set-moss","qty":"2"}]`
	for _, c := range []struct {
		kind      event.Kind
		raw, want string
	}{
		{"damage", `{"item":"tape","qty":2,"reason":"sample"}`, `qty: is a number without quotes; quantities and money are written in quotes, like "12.5"`},
		{"damage", `{"item":"tape","qty":2.5,"reason":"sample"}`, `qty: is 2.5 without quotes; write quantities and money in quotes, and days as a plain whole number`},
		{"damage", `{"item":"tape","qty":true,"reason":"sample"}`, `qty: must be written in quotes, like "12.5"`},
		{"damage", `{"item":7,"qty":"2","reason":"sample"}`, `item: must be text in quotes`},
		{"damage", `{"item":"tape","qty":"1e3","reason":"sample"}`, `qty: "1e3" can't be read as a quantity: write only digits, at most one point and a leading minus sign, like 12.5`},
		{"damage", `{"item":"tape","qty":"0","reason":"sample"}`, `qty: must be given and above 0`},
		{"damage", `{"item":"tape","qty":null,"reason":"sample"}`, `qty: is null; leave it out instead`},
		{"damage", `{"item":"","qty":"1","reason":"sample"}`, `item: is empty; leave it out instead`},
		{"damage", `{"item":"tape","qty":"2","reson":"sample"}`, `reson: is not a field here; there are item, qty, measure, reason, note, order`},
		{"damage", `{"item":"tape","item":"cord","qty":"2"}`, `item: stands twice`},
		{"damage", `{"item":"tape","qty":"2","reason":"lost"}`, `reason: is "lost"; it can be one of damaged, spoiled, expired, sample, gift, own_use, other`},
		{"damage", `{"item":"tape "}`, `item: begins or ends with a space; write "tape"`},
		{"damage", `{"item":"tape"`, `ends too early: a closing quote, } or ] is missing`},
		{"damage", ``, `ends too early: a closing quote, } or ] is missing`},
		{"damage", `[]`, `must be a group of named fields between { and }`},
		{"order", `{"order":"1","zone":"home","lines":{"item":"set-moss","qty":"2"}}`, `lines: must be a list between [ and ], also where it has one entry`},
		{"order", `{"order":"1","zone":"home","lines":[{"item":"set-moss","qty":2}]}`, `lines[0].qty: is a number without quotes; quantities and money are written in quotes, like "12.5"`},
		{"order", `{"order":"1","zone":"home","lines":[{"item":"set-moss","qty":"2.5"}]}`, `lines[0].qty: must be whole pieces; 2.5 is not`},
		{"order", `{"order":"1","zone":"home",` + goods + `,"value":350}`, `value: is a number without quotes; quantities and money are written in quotes, like "12.5"`},
		{"order", `{"order":"1","zone":"home",` + goods + `,"options":[3]}`, `options[0]: must be text in quotes`},
		{"item", `{"item":"tape","packs":["box"]}`, `packs: must be names with their quantities between { and }, like {"box":"150"}`},
		{"item", `{"item":"tape","lead_days":"3"}`, `lead_days: must be a whole number without quotes, like 3`},
		{"item", `{"item":"tape","lead_days":99999999999}`, `lead_days: is 99999999999, which is too large`},
		{"item", `{"item":"tape","tolerance":"2 %"}`, `tolerance: "2 %" can't be read as a tolerance; write a number above 0, like "3" (base units) or "2%"`},
		{"purchase", `{"supplier":"Alder Mill","due":"2026-02-30",` + goods + `}`, `due: "2026-02-30" is not a day of the calendar, like 2026-05-02`},
		{"decide", `{"event":"01ARZ3NDEKTSV4RRFFQ69G5FAV","keep":"true"}`, `keep: must be true or false, without quotes`},
		{"reverse", `{"event":"01arz3","reason":"twice"}`, `event: "01arz3" is not an event's id (a ULID: 26 characters of 0-9 and capital A-Z without I, L, O, U); copy it whole`},
		{"count", `{"item":"tape","qty":"3","gross":"4"}`, `gross: stands beside qty; count by number or by weight`},
		{"label", `{}`, `the kind "label" is not known; kinds are count credit damage decide item makespec order pack packspec purchase reprint restock retire return reverse shop`},
	} {
		_, err := event.DecodeData(c.kind, []byte(c.raw))
		if err == nil {
			t.Errorf("%s %s was taken", c.kind, c.raw)
			continue
		}
		if err.Error() != c.want {
			t.Errorf("%s %s\nsays  %s\nwants %s", c.kind, c.raw, err, c.want)
		}
		if !errors.Is(err, event.ErrData) {
			t.Errorf("%s: not found as ErrData", c.raw)
		}
		if field := new(event.FieldError); c.kind.Known() && !errors.As(err, &field) {
			t.Errorf("%s: no FieldError inside", c.raw)
		}
	}
}
