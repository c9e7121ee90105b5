package event_test

import (
	"bytes"
	"errors"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"countback/ledger/event"
	"countback/ledger/num"
)

// rawAt returns where the data of a line ends: before the sig member of 8 + 86 + 2 bytes.
func rawAt(line []byte) int { return len(line) - 96 }

// checkScan holds a scanner against the strict decoder for any bytes. The scanner doesn't look at the data, so where only the data is wrong
// its envelope is that of the line with empty data instead; where Order or Pack take the data as well, all must be right.
func checkScan(t fatal, s *event.Scanner, line []byte) {
	t.Helper()
	kept := bytes.Clone(line)
	l, err := s.Line(line)
	strict, strictErr := event.ParseLine(line)
	if !bytes.Equal(kept, line) {
		t.Fatalf("the scanner changed its bytes: %q, before %q", line, kept)
	}
	if err != nil {
		if strictErr == nil || strictErr.Error() != err.Error() {
			t.Fatalf("%q\nscanner: %v\nstrict:  %v", line, err, strictErr)
		}
		return
	}
	if len(line) > event.MaxLine {
		t.Fatalf("the scanner takes a line of %d bytes", len(line))
	}
	end := rawAt(line)
	if !bytes.Equal(l.Raw, line[end-len(l.Raw):end]) {
		t.Fatalf("%q: data %q is not where data stands", line, l.Raw)
	}
	envelope := append(append(bytes.Clone(line[:end-len(l.Raw)]), "{}"...), line[end:]...)
	want, wantErr := event.ParseLine(envelope)
	if wantErr != nil {
		t.Fatalf("%q\nthe scanner takes an envelope that the strict decoder refuses: %v", line, wantErr)
	}
	fault := want.Fault
	if errors.Is(fault, event.ErrData) {
		fault = nil
	}
	got := event.Light{ID: want.ID, Device: want.Device, Kind: want.Kind, Version: want.Version, Ms: want.Time.Ms(), Seq: want.Seq, Raw: l.Raw, Fault: fault}
	if !reflect.DeepEqual(l, got) {
		t.Fatalf("%q\nscanner: %+v\nstrict:  %+v", line, l, got)
	}
	if strictErr == nil && (!bytes.Equal(strict.Raw, l.Raw) || l.Fault == nil && strict.Fault != nil && !errors.Is(strict.Fault, event.ErrData)) {
		t.Fatalf("%q\nscanner: data %q fault %v\nstrict:  data %q fault %v", line, l.Raw, l.Fault, strict.Raw, strict.Fault)
	}
	if l.Version != 1 {
		return
	}
	if d, ok := scanData(s, l.Kind, l.Raw); ok && (strictErr != nil || strict.Fault == nil && !reflect.DeepEqual(d, strict.Data) || errors.Is(strict.Fault, event.ErrData)) {
		t.Fatalf("%q\nscanner: %+v\nstrict:  %+v, %v", line, d, strict, strictErr)
	}
}

// scanData reads data by the scanner, into values that have been used before.
func scanData(s *event.Scanner, kind event.Kind, raw []byte) (event.Data, bool) {
	used := []event.Goods{{Item: "old", Qty: num.Whole(3)}, {Item: "older", Qty: num.Whole(4)}}
	switch kind {
	case event.KindOrder:
		o := &event.Order{Order: "old", Zone: "old", Lines: used, Options: []string{"old"}, Value: new(num.Money), Note: "old"}
		return o, s.Order(raw, o)
	case event.KindPack:
		p := &event.Pack{Order: "old", Lines: used, Options: []string{"old"}, Postage: new(num.Money), Resend: new(bool), Joined: "old", Note: "old"}
		return p, s.Pack(raw, p)
	}
	return nil, false
}

// checkScanData holds Order and Pack against the strict decoder: what they take, it takes, and to the same values.
func checkScanData(t fatal, s *event.Scanner, kind event.Kind, raw []byte) bool {
	t.Helper()
	d, ok := scanData(s, kind, raw)
	if !ok {
		return false
	}
	strict, err := event.DecodeData(kind, raw)
	if err != nil {
		t.Fatalf("the scanner takes %s %q, the strict decoder says %v", kind, raw, err)
	}
	if !reflect.DeepEqual(d, strict) {
		t.Fatalf("%s %q\nscanner: %+v\nstrict:  %+v", kind, raw, d, strict)
	}
	if again, err := event.EncodeData(d); err != nil || !bytes.Equal(again, canonical(t, strict)) {
		t.Fatalf("%s %q is written again as %s (%v)", kind, raw, again, err)
	}
	return true
}

func canonical(t fatal, d event.Data) []byte {
	raw, err := event.EncodeData(d)
	if err != nil {
		t.Fatal(err)
	}
	return raw
}

func TestScannerAgreesOnEveryKind(t *testing.T) {
	s := event.NewScanner()
	for _, kind := range event.Kinds() {
		t.Run(string(kind), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				line := seal(t, genUnsigned(kind).Draw(t, "event"))
				checkScan(t, s, line)
				checkScan(t, s, mutateBytes(t, line))
			})
		})
	}
}

// Bytes that make trouble: structure, spellings of one character, DEL and C1 controls, separators, bytes that are no UTF-8.
var trouble = []string{`"`, `\`, `\n`, `\u000a`, `\u0041`, `\/`, "{", "}", "[", "]", ",", ":", " ", "\t", "\x00", "\x1f", "\x7f", "\u0080", "\u0085", "\u009f", "\u2028", "\u00a0", "\xff", "\xc3",
	"é", "0", "1", "9", "-", "+", ".", ".0", "e", "E1", "00", "a", "A", "Z", "g", "null", "true", `""`, `"a"`, `,"note":"x"`, `"options":[]`, `"lines":[]`, `,"value":"-1"`, `,"value":"1.50"`, `,"postage":"0"`, "_"}

func mutateBytes(t *rapid.T, b []byte) []byte {
	b = bytes.Clone(b)
	for range rapid.IntRange(1, 2).Draw(t, "changes") {
		at := rapid.IntRange(0, len(b)).Draw(t, "at")
		what := []byte(rapid.SampledFrom(trouble).Draw(t, "what"))
		cut := min(len(b), at+rapid.IntRange(0, 2).Draw(t, "cut"))
		b = append(append(bytes.Clone(b[:at]), what...), b[cut:]...)
	}
	return b
}

// genPlainName draws names as shops write them: letters, digits, and punctuation that needs no escape.
var genPlainName = rapid.StringMatching(`[A-Za-z0-9#!~]([A-Za-z0-9 ._/%<>&'-]{0,20}[A-Za-z0-9.)])?`)

// genPlain draws orders and packs of the sort that a shop has thousands of: plain names, no notes, no changes, nothing given by hand.
func genPlain(kind event.Kind) *rapid.Generator[event.Data] {
	return rapid.Custom(func(t *rapid.T) event.Data {
		goods := rapid.Custom(func(t *rapid.T) event.Goods {
			return event.Goods{Item: genPlainName.Draw(t, "item"), Qty: num.Whole(rapid.Int64Range(1, 999_999).Draw(t, "qty"))}
		})
		if kind == event.KindOrder {
			return &event.Order{Order: genPlainName.Draw(t, "order"), Zone: genPlainName.Draw(t, "zone"), Lines: list(goods).Draw(t, "lines"), Options: maybe(t, "options", list(genPlainName)),
				Value: maybeP(t, "value", genMoney0), Shipping: maybeP(t, "shipping", genMoney0)}
		}
		return &event.Pack{Order: genPlainName.Draw(t, "order"), Zone: maybe(t, "zone", genPlainName), Lines: maybe(t, "lines", list(goods)), Options: maybe(t, "options", list(genPlainName)),
			Postage: maybeP(t, "postage", genMoney0)}
	})
}

// The scanner would be worth nothing if it left plain orders and packs to the strict decoder.
func TestScannerTakesPlainOrdersAndPacks(t *testing.T) {
	s := event.NewScanner()
	for _, kind := range []event.Kind{event.KindOrder, event.KindPack} {
		rapid.Check(t, func(t *rapid.T) {
			raw := canonical(t, genPlain(kind).Draw(t, "data"))
			if !checkScanData(t, s, kind, raw) {
				t.Fatalf("the scanner leaves %s to the strict decoder", raw)
			}
			checkScanData(t, s, kind, mutateBytes(t, raw))
			checkScanData(t, s, kind, mutate(t, raw))
		})
		rapid.Check(t, func(t *rapid.T) { // whatever else an order or pack may hold
			raw := canonical(t, genData(kind).Draw(t, "data"))
			checkScanData(t, s, kind, raw)
			checkScanData(t, s, kind, mutateBytes(t, raw))
		})
	}
}

// The strict decoder can't read a line without allocation: so this line was read the fast way.
func TestScannerReadsAPlainLineWithoutAllocation(t *testing.T) {
	for _, person := range []string{"", "Ada at the bench"} {
		u := sample()
		u.Person, u.Data = person, plainPack()
		line := seal(t, u)
		s := event.NewScanner()
		if n := testing.AllocsPerRun(10, func() {
			if l, err := s.Line(line); err != nil || l.Kind != event.KindPack {
				t.Fatal(l, err)
			}
		}); n != 0 {
			t.Errorf("person %q: %v allocations for one line", person, n)
		}
		checkScan(t, s, line)
	}
}

func plainPack() event.Data {
	return &event.Pack{Order: "2041", Lines: []event.Goods{{Item: "card-fern", Qty: num.Whole(2)}, {Item: "print-heron", Qty: num.Whole(1)}}}
}

// Each of these was once taken, or could be, by a reader that looks at less than the strict decoder.
func TestScannerRefusesWhatTheStrictDecoderRefuses(t *testing.T) {
	u := sample()
	u.Data = plainPack()
	line := string(seal(t, u))
	s := event.NewScanner()
	for _, c := range []struct{ why, old, new string }{
		{"a version of the envelope", `"1.0"`, `"1.1"`},
		{"a device id in capitals", "/device/" + u.Device, "/device/" + strings.ToUpper(u.Device)},
		{"a digit that no device id has", "/device/" + u.Device[:1], "/device/1"},
		{"a shop id that is none", "/shop/" + u.Shop[:1], "/shop/0"},
		{"another word than device", "/device/", "/gadget/"},
		{"sequence 0", `"devseq":`, `"devseq":0,"x":`},
		{"a sequence with a leading zero", `"devseq":`, `"devseq":0`},
		{"a sequence beyond 31 bits", `"devseq":`, `"devseq":999999999`},
		{"a sequence of twenty digits", `"devseq":`, `"devseq":10000000000000000000`},
		{"a hash in capitals", `"prevhash":"` + u.Prev[:2], `"prevhash":"AB`},
		{"a signature with bits to spare", line[len(line)-3:], `B"}`},
		{"a signature with padding", line[len(line)-4:], `=="}`},
		{"no signature", `,"sig":"`, `,"gis":"`},
		{"a line without its end", line[len(line)-2:], `"]`},
		{"a person with a space at the end", `,"data":`, `,"person":"Ada ","data":`},
		{"a person that is empty", `,"data":`, `,"person":"","data":`},
		{"a person with DEL", `,"data":`, ",\"person\":\"a\x7fb\",\"data\":"},
		{"data that is a list", `,"data":{`, `,"data":[{`},
		{"an id of zeros", u.ID.String(), strings.Repeat("0", 26)},
		{"a time without offset", u.Time.String(), "2026-03-02T09:30:00"},
		{"a kind of another version", ".v1", ".v2"},
		{"a kind that isn't known", "countback.pack", "countback.labels"},
		{"a line that is too long", `"order":"2041"`, `"order":"2041","note":"` + strings.Repeat("é", event.MaxLine/2) + `"`},
	} {
		i := strings.LastIndex(line, c.old)
		changed := line[:i] + c.new + line[i+len(c.old):]
		if changed == line {
			t.Fatalf("%s: nothing changed", c.why)
		}
		t.Run(c.why, func(t *testing.T) { checkScan(t, s, []byte(changed)) })
	}
	for _, raw := range []string{
		`{"order":"2041","lines":[]}`, `{"order":""}`, `{"order":" 1"}`, `{"order":"1 "}`, "{\"order\":\"a\x7fb\"}", "{\"order\":\"a\u0085b\"}", "{\"order\":\"a\u2028b\"}", "{\"order\":\"\xff\"}",
		`{"order":"1","zone":""}`, `{"order":"1","options":[]}`, `{"order":"1","options":[""]}`, `{"order":"1","postage":"-1"}`, `{"order":"1","postage":""}`, `{"order":"1","postage":"-0"}`,
		`{"order":"1","lines":[{"item":"a","qty":"0"}]}`, `{"order":"1","lines":[{"item":"a","qty":"01"}]}`, `{"order":"1","lines":[{"item":"a","qty":"1.5"}]}`, `{"order":"1","lines":[{"item":"a","qty":"1"},]}`,
		`{"order":"1"}x`, `{"order":"1"`, `{"order":"1","order":"2"}`, `{"order":"1","postage":"1","postage":"1"}`,
		`{"order":"1","options":["` + strings.Repeat(`a","`, event.MaxList) + `a"]}`, `{"order":"` + strings.Repeat("a", event.MaxName+1) + `"}`,
		`{"order":"1","lines":[` + strings.Repeat(`{"item":"a","qty":"1"},`, event.MaxList) + `{"item":"a","qty":"1"}]}`,
	} {
		if _, err := event.DecodeData(event.KindPack, []byte(raw)); err == nil {
			t.Errorf("%.80s: the strict decoder takes it; the example is wrong", raw)
		}
		if checkScanData(t, s, event.KindPack, []byte(raw)) {
			t.Errorf("%.80s: the scanner takes it", raw)
		}
	}
}

// An event whose data is of the wrong shape is told alike, however its envelope is written.
func TestScannerIsBlindToTheDataOnBothWays(t *testing.T) {
	for _, person := range []string{"Ada", "Zoë"} { // plain ASCII goes the fast way, the other the strict one
		u := sample()
		u.Person, u.Data = person, &event.Retire{Item: "x"}
		line := bytes.Replace(seal(t, u), []byte(`countback.retire.v1`), []byte(`countback.pack.v1`), 1)
		if e, err := event.ParseLine(line); err != nil || !errors.Is(e.Fault, event.ErrData) {
			t.Fatalf("%s: %v, %v", line, e, err)
		}
		if l, err := event.NewScanner().Line(line); err != nil || l.Fault != nil || l.Kind != event.KindPack {
			t.Errorf("person %s: %+v, %v", person, l, err)
		}
	}
}

// Names repeat and are kept; order numbers don't. However many texts pass, all are read right.
func TestScannerOutlivesManyTexts(t *testing.T) {
	s := event.NewScanner()
	var o event.Order
	for i := range 1<<16 + 100 {
		zone := "zone " + num.Whole(int64(i)).String()
		if raw := `{"order":"1","zone":"` + zone + `","lines":[{"item":"a","qty":"1"}]}`; !s.Order([]byte(raw), &o) || o.Zone != zone {
			t.Fatalf("%s: %+v", raw, o)
		}
	}
}

func FuzzScanLine(f *testing.F) {
	for _, line := range seedLines(f) {
		f.Add(line)
	}
	u := sample()
	u.Person, u.Data = "Ada", plainPack()
	f.Add(seal(f, u))
	s := event.NewScanner()
	f.Fuzz(func(t *testing.T, line []byte) { checkScan(t, s, line) })
}

func FuzzScanData(f *testing.F) {
	for kind, all := range examples(f) {
		for _, raw := range all {
			f.Add(kind == event.KindOrder, raw)
		}
	}
	f.Add(false, canonical(f, plainPack()))
	s := event.NewScanner()
	f.Fuzz(func(t *testing.T, order bool, raw []byte) {
		kind := event.KindPack
		if order {
			kind = event.KindOrder
		}
		checkScanData(t, s, kind, raw)
	})
}

// BenchmarkScan reports how many times as fast as the strict decoder the scanner reads a plain pack, line and data.
func BenchmarkScan(b *testing.B) {
	u := sample()
	u.Data = plainPack()
	line := seal(b, u)
	s := event.NewScanner()
	var p event.Pack
	b.ReportAllocs()
	b.ResetTimer()
	for range b.N {
		if l, err := s.Line(line); err != nil || !s.Pack(l.Raw, &p) {
			b.Fatal(l, err)
		}
	}
	scan := b.Elapsed()
	b.StopTimer()
	b.StartTimer()
	for range b.N {
		if e, err := event.ParseLine(line); err != nil || e.Fault != nil {
			b.Fatal(e, err)
		}
	}
	b.ReportMetric(float64(b.Elapsed()-scan)/float64(scan), "times-faster")
	b.ReportMetric(float64(scan.Nanoseconds())/float64(b.N), "scan-ns")
}
