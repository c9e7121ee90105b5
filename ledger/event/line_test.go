package event_test

import (
	"bytes"
	"errors"
	"reflect"
	"strings"
	"testing"

	"github.com/go-json-experiment/json/jsontext"
	"pgregory.net/rapid"

	"countback/ledger/event"
	"countback/ledger/num"
)

func TestEveryKindSurvivesItsLine(t *testing.T) {
	for _, kind := range event.Kinds() {
		t.Run(string(kind), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				u := genUnsigned(kind).Draw(t, "event")
				line := seal(t, u)
				e, err := event.ParseLine(line)
				if err != nil || e.Fault != nil {
					t.Fatalf("%v, %v\n%s", err, e.Fault, line)
				}
				back := event.Unsigned{ID: e.ID, Shop: e.Shop, Device: e.Device, Time: e.Time, Seq: e.Seq, Prev: e.Prev, Person: e.Person, Data: e.Data}
				if !reflect.DeepEqual(&back, u) {
					t.Fatalf("read  %+v %+v\nwrote %+v %+v", back, back.Data, u, u.Data)
				}
				if e.Kind != kind || e.Version != 1 || !e.Understood() || e.Hash != event.HashLine(line) {
					t.Fatalf("kind %s, version %d, hash %s", e.Kind, e.Version, e.Hash)
				}
				if again := seal(t, &back); !bytes.Equal(again, line) {
					t.Fatalf("written again:\n%s\nfirst:\n%s", again, line)
				}
			})
		})
	}
}

// checkLine holds what is true of every line whatever: it is refused, or it is JSON in its one spelling that gives an event whose parts are its own.
func checkLine(t fatal, line []byte) *event.Event {
	t.Helper()
	kept := bytes.Clone(line)
	e, err := event.ParseLine(line)
	if !bytes.Equal(kept, line) {
		t.Fatalf("ParseLine changed its bytes: %q, before %q", line, kept)
	}
	if err != nil {
		if !errors.Is(err, event.ErrLine) || e != nil {
			t.Fatalf("%q: event %v beside error %v", line, e, err)
		}
		return nil
	}
	if !jsontext.Value(line).IsValid() || len(line) > event.MaxLine || bytes.ContainsRune(line, '\n') {
		t.Fatalf("a line was taken that isn't one of JSON: %q", line)
	}
	if compact := jsontext.Value(bytes.Clone(line)); compact.Compact() != nil || !bytes.Equal(compact, line) {
		t.Fatalf("a line with white space was taken: %q", line)
	}
	head, sig, err := event.Signed(line)
	if err != nil || !bytes.HasSuffix(line, []byte(`,"sig":"`+sig+`"}`)) || !bytes.HasPrefix(line, head) {
		t.Fatalf("%q has no head and signature: %v", line, err)
	}
	if e.Hash != event.HashLine(line) || !bytes.HasSuffix(head, e.Raw) {
		t.Fatalf("%q: hash %s, data %q", line, e.Hash, e.Raw)
	}
	if e.Seq < 1 || e.Seq > event.MaxSeq || len(e.Shop) != 26 || len(e.Device) != 26 || len(e.Prev) != 64 {
		t.Fatalf("%q: %+v", line, e)
	}
	if (e.Data != nil) != (e.Fault == nil && e.Understood()) {
		t.Fatalf("%q: data %v, fault %v, understood %v", line, e.Data, e.Fault, e.Understood())
	}
	if e.Data == nil {
		return e
	}
	// An understood event can be written again; the line is the same if its data stood in the contract's order and without spare zeros.
	u := event.Unsigned{ID: e.ID, Shop: e.Shop, Device: e.Device, Time: e.Time, Seq: e.Seq, Prev: e.Prev, Person: e.Person, Data: e.Data}
	again, err := u.Head()
	if err != nil {
		t.Fatalf("%q was read and can't be written: %v", line, err)
	}
	if data, _ := event.EncodeData(e.Data); bytes.Equal(data, e.Raw) != bytes.Equal(again, head) {
		t.Fatalf("written again:\n%s\nfirst:\n%s", again, head)
	}
	return e
}

func TestAChangedByteIsNeverTheSameEvent(t *testing.T) {
	for _, name := range []string{"1-device", "2-damage"} {
		line := readExample(t, name+".line")
		hash := event.HashLine(line)
		for i := range line {
			for bit := range 8 {
				flipped := bytes.Clone(line)
				flipped[i] ^= 1 << bit
				if e := checkLine(t, flipped); e != nil && e.Hash == hash {
					t.Fatalf("%s: byte %d, bit %d: the same hash", name, i, bit)
				}
			}
			if e := checkLine(t, append(bytes.Clone(line[:i]), line[i+1:]...)); e != nil && e.Hash == hash {
				t.Fatalf("%s without byte %d: the same hash", name, i)
			}
			checkLine(t, line[:i])
		}
	}
}

// swap returns the sample's line with one text in place of another, signed or not: ParseLine doesn't verify signatures.
func swap(t fatal, old, new string) []byte {
	t.Helper()
	line := string(seal(t, sample()))
	if strings.Count(line, old) != 1 {
		t.Fatalf("%q stands %d times in %s", old, strings.Count(line, old), line)
	}
	return []byte(strings.Replace(line, old, new, 1))
}

func TestOtherSpellingsAreRefused(t *testing.T) {
	const prev = `"prevhash":"cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc"`
	for name, c := range map[string]struct{ old, new string }{
		"space after a colon":              {`"id":"`, `"id": "`},
		"space in the data":                {`{"item":`, `{ "item":`},
		"tab in the data":                  {`,"qty"`, ",\t\"qty\""},
		"newline in the data":              {`,"qty"`, ",\n\"qty\""},
		"a letter escaped, in the data":    {`"item":"wrap-kraft"`, `"item":"\u0077rap-kraft"`},
		"a letter escaped, in a name":      {`"item":"wrap-kraft"`, `"\u0069tem":"wrap-kraft"`},
		"a letter escaped, in person":      {`"Wren"`, `"\u0057ren"`},
		"a letter escaped, in the id":      {`"01ARZ`, `"\u003031ARZ`},
		"a letter escaped, in the source":  {`/shop/`, `/sho\u0070/`},
		"a letter escaped, in the type":    {`countback.damage.v1`, `countback.damag\u0065.v1`},
		"a letter escaped, in the time":    {`T09:30`, `\u005409:30`},
		"a slash escaped, in the source":   {`/device/`, `\/device/`},
		"a slash escaped, in the data":     {`"wrap-kraft"`, `"wrap\/kraft"`},
		"upper case in an escape":          {`"wrap-kraft"`, `"wrap\u001Fkraft"`},
		"a long escape for a newline":      {`"wrap-kraft"`, `"wrap\u000akraft"`},
		"a newline that isn't escaped":     {`"wrap-kraft"`, "\"wrap\nkraft\""},
		"a surrogate pair":                 {`"wrap-kraft"`, `"wrap\ud83d\ude00kraft"`},
		"half a surrogate pair":            {`"wrap-kraft"`, `"wrap\ud83dkraft"`},
		"invalid UTF-8 in the data":        {`"wrap-kraft"`, "\"wrap\xffkraft\""},
		"an overlong slash in the data":    {`"wrap-kraft"`, "\"wrap\xc0\xafkraft\""},
		"invalid UTF-8 in person":          {`"Wren"`, "\"Wren\xff\""},
		"invalid UTF-8 in the id":          {`"01ARZ`, "\"\xff01ARZ"},
		"invalid UTF-8 in the time":        {`T09:30`, "T\xff09:30"},
		"invalid UTF-8 in the type":        {`countback.damage.v1`, "countback.\xff.v1"},
		"a doubled name in the data":       {`"qty":"1.5"`, `"qty":"1.5","qty":"1.5"`},
		"a doubled name in the envelope":   {`"person":"Wren"`, `"person":"Wren","person":"Wren"`},
		"person before prevhash":           {prev + `,"person":"Wren"`, `"person":"Wren",` + prev},
		"an unknown member":                {`"person":"Wren"`, `"person":"Wren","subject":"x"`},
		"a member after the data":          {`,"sig":`, `,"more":1,"sig":`},
		"another version of CloudEvents":   {`"specversion":"1.0"`, `"specversion":"1.1"`},
		"another type of data":             {`application/json`, `text/json`},
		"a sequence of 0":                  {`"devseq":2`, `"devseq":0`},
		"a sequence with a leading zero":   {`"devseq":2`, `"devseq":02`},
		"a sequence with a point":          {`"devseq":2`, `"devseq":2.0`},
		"a sequence with an exponent":      {`"devseq":2`, `"devseq":2e0`},
		"a sequence in quotes":             {`"devseq":2`, `"devseq":"2"`},
		"a sequence beyond 32 bits":        {`"devseq":2`, `"devseq":2147483648`},
		"a sequence beyond 64 bits":        {`"devseq":2`, `"devseq":99999999999999999999`},
		"a hash in upper case":             {prev, `"prevhash":"` + strings.Repeat("C", 64) + `"`},
		"a short hash":                     {prev, `"prevhash":"` + strings.Repeat("c", 63) + `"`},
		"a source without device":          {`/device/`, `/desk/`},
		"data that isn't an object":        {`{"item":"wrap-kraft","qty":"1.5","measure":"wrap","reason":"spoiled"}`, `["wrap-kraft"]`},
		"data that ends early":             {`"reason":"spoiled"}`, `"reason":"spoiled"`},
		"two objects as data":              {`"reason":"spoiled"}`, `"reason":"spoiled"}{}`},
		"a byte order mark":                {`{"specversion"`, "\ufeff{\"specversion\""},
		"a signature of the wrong letters": {`,"sig":"`, `,"sig":"=`},
	} {
		line := swap(t, c.old, c.new)
		if e, err := event.ParseLine(line); !errors.Is(err, event.ErrLine) {
			t.Errorf("%s was taken: %v %v\n%s", name, e, err, line)
		}
	}
	line := seal(t, sample())
	for name, l := range map[string][]byte{"a newline at the end": append(bytes.Clone(line), '\n'), "nothing": nil, "the end cut off": line[:len(line)-1], "a space before": append([]byte(" "), line...)} {
		if _, err := event.ParseLine(l); !errors.Is(err, event.ErrLine) {
			t.Errorf("%s was taken: %v", name, err)
		}
	}
}

// A signature has one spelling: the four unused bits of its last character are 0. Else one signature would give sixteen lines and sixteen hashes.
func TestASignatureHasOneSpelling(t *testing.T) {
	line := seal(t, sample())
	last := len(line) - 3
	taken := 0
	for c := range 256 {
		l := bytes.Clone(line)
		l[last] = byte(c)
		if _, err := event.ParseLine(l); err == nil {
			taken++
			if !strings.ContainsRune("AQgw", rune(c)) {
				t.Errorf("%q was taken as last character", rune(c))
			}
		}
	}
	if taken != 4 {
		t.Errorf("%d last characters were taken, want 4", taken)
	}
}

// A failure of shape doesn't keep an event out of its log: it is kept, void, and the fault says why.
func TestAFailureOfShapeIsAFault(t *testing.T) {
	for _, c := range []struct{ old, new, want string }{
		{`"qty":"1.5"`, `"qty":"0"`, `qty: must be given and above 0`},
		{`"qty":"1.5"`, `"qty":1`, `qty: is a number without quotes; quantities and money are written in quotes, like "12.5"`},
		{`"qty":"1.5"`, `"qty":null`, `qty: is null; leave it out instead`},
		{`"reason":"spoiled"`, `"reason":"spoiled","colour":"red"`, `colour: is not a field here; there are item, qty, measure, reason, note, order`},
		{`"measure":"wrap",`, `"measure":"",`, `measure: is empty; leave it out instead`},
		{`"item":"wrap-kraft"`, `"item":"wrap\nkraft"`, `item: holds a control character; write it without`},
		{`01ARZ3NDEKTSV4RRFFQ69G5FAV`, `01arz3ndektsv4rrffq69g5fav`, `id: is not a ULID`},
		{`01ARZ3NDEKTSV4RRFFQ69G5FAV`, `00000000000000000000000000`, `id: is not a ULID`},
		{`2026-03-02T09:30`, `2026-02-30T09:30`, `time: is not a time of RFC 3339 with offset and at most three decimals`},
		{`"Wren"`, `" Wren"`, `person: begins or ends with a space; write "Wren"`},
		{`"Wren"`, `""`, `person: is missing`},
		{`countback.damage.v1`, `countback.damage`, `type: isn't countback.KIND.vN`},
		{`countback.damage.v1`, `countback.damage.v01`, `type: isn't countback.KIND.vN`},
		{`countback.damage.v1`, `countback.retire.v1`, `measure: is not a field here; there are item, note`},
	} {
		line := swap(t, c.old, c.new)
		e := checkLine(t, line)
		if e == nil || e.Fault == nil {
			t.Errorf("%s: no fault: %+v", c.new, e)
			continue
		}
		if c.old == `countback.damage.v1` && strings.HasSuffix(c.new, "retire.v1") {
			continue // which of the foreign fields is named first doesn't matter
		}
		if e.Fault.Error() != c.want {
			t.Errorf("%s\nsays  %s\nwants %s", c.new, e.Fault, c.want)
		}
	}
}

// Whole numbers of a known kind have one spelling too; the event is kept and void.
func TestAWholeNumberThatIsNotPlainIsAFault(t *testing.T) {
	days := 3
	u := sample()
	u.Data = &event.Item{Item: "tape", LeadDays: &days}
	line := string(seal(t, u))
	for _, n := range []string{"3.0", "3e0", "30e-1", "-0", "1E1", "0.0"} {
		e := checkLine(t, []byte(strings.Replace(line, `"lead_days":3`, `"lead_days":`+n, 1)))
		if e == nil || e.Fault == nil || !strings.Contains(e.Fault.Error(), "lead_days: ") {
			t.Errorf("%s: %+v", n, e)
		}
	}
	for _, n := range []string{"03", "+3", "3.", ".3", "NaN"} { // not JSON at all
		if e := checkLine(t, []byte(strings.Replace(line, `"lead_days":3`, `"lead_days":`+n, 1))); e != nil {
			t.Errorf("%s was taken", n)
		}
	}
}

func TestWhatIsNotKnownIsKept(t *testing.T) {
	for _, c := range []struct {
		typ     string
		kind    event.Kind
		version int
	}{{"countback.damage.v2", "damage", 2}, {"countback.label.v1", "label", 1}, {"countback.label.v999999", "label", 999999}} {
		for _, data := range []string{`{"item":"wrap-kraft","qty":"1.5","measure":"wrap","reason":"spoiled"}`, `{}`, `{"a":null,"b":[1.50,{"c":""}]}`} {
			line := swap(t, "countback.damage.v1", c.typ)
			line = bytes.Replace(line, []byte(`{"item":"wrap-kraft","qty":"1.5","measure":"wrap","reason":"spoiled"}`), []byte(data), 1)
			e := checkLine(t, line)
			if e == nil || e.Fault != nil || e.Data != nil || e.Understood() || e.Kind != c.kind || e.Version != c.version || string(e.Raw) != data {
				t.Errorf("%s %s: %+v", c.typ, data, e)
			}
		}
	}
}

func TestALineHasAtMost64KiB(t *testing.T) {
	u := sample()
	lines := func(n int) []event.Goods {
		l := make([]event.Goods, n)
		for i := range l {
			l[i] = event.Goods{Item: strings.Repeat("x", 40), Qty: num.Whole(1)}
		}
		return l
	}
	u.Data = &event.Order{Order: "1", Zone: "home", Lines: lines(1000)}
	base := len(seal(t, u))
	if base > event.MaxLine {
		t.Fatalf("the test's order has %d bytes already", base)
	}
	order := u.Data.(*event.Order)
	for i := 0; base < event.MaxLine; i++ { // fill up to the last byte
		n := min(60, event.MaxLine-base)
		order.Lines[i].Item += strings.Repeat("x", n)
		base += n
	}
	line := seal(t, u)
	if len(line) != event.MaxLine {
		t.Fatalf("%d bytes, the test wants %d", len(line), event.MaxLine)
	}
	if e, err := event.ParseLine(line); err != nil || e.Fault != nil {
		t.Errorf("the longest line was refused: %v", err)
	}
	order.Zone += "x"
	head, err := u.Head()
	if err != nil {
		t.Fatal(err)
	}
	_, sig, _ := event.Signed(line)
	if _, err := event.Seal(head, sig); !errors.Is(err, event.ErrLine) || !strings.Contains(err.Error(), "65537 bytes") {
		t.Errorf("one byte more was sealed: %v", err)
	}
	long := append(append([]byte(nil), head...), line[len(line)-len(`,"sig":""}`)-len(sig):]...)
	if _, err := event.ParseLine(long); !errors.Is(err, event.ErrLine) || !strings.Contains(err.Error(), "65537 bytes") {
		t.Errorf("one byte more was read: %v", err)
	}
}

// Nothing is signed that would be void or refused.
func TestHeadRefusesWhatWouldBeVoid(t *testing.T) {
	huge := num.MustQty("999999999999").Add(num.Whole(1))
	for name, change := range map[string]func(*event.Unsigned){
		"no id":                   func(u *event.Unsigned) { u.ID = event.ID{} },
		"no shop":                 func(u *event.Unsigned) { u.Shop = "" },
		"a device in upper case":  func(u *event.Unsigned) { u.Device = strings.Repeat("A", 26) },
		"no time":                 func(u *event.Unsigned) { u.Time = event.Time{} },
		"sequence 0":              func(u *event.Unsigned) { u.Seq = 0 },
		"no previous hash":        func(u *event.Unsigned) { u.Prev = "" },
		"a person with a newline": func(u *event.Unsigned) { u.Person = "Wren\n" },
		"no data":                 func(u *event.Unsigned) { u.Data = nil },
		"data that fails":         func(u *event.Unsigned) { u.Data = &event.Retire{} },
		"a computed number that is too large": func(u *event.Unsigned) {
			u.Data = &event.Damage{Item: "tape", Qty: huge, Reason: "spoiled"}
		},
		"a day that no calendar has": func(u *event.Unsigned) {
			u.Data = &event.Purchase{Supplier: "Alder Mill", Due: "2026-02-30", Lines: []event.PurchaseLine{{Item: "tape", Qty: num.Whole(1)}}}
		},
		"invalid UTF-8":            func(u *event.Unsigned) { u.Data = &event.Retire{Item: "tape\xff"} },
		"a person of invalid text": func(u *event.Unsigned) { u.Person = "Wren\xff" },
	} {
		u := sample()
		change(u)
		if head, err := u.Head(); err == nil {
			t.Errorf("%s was written: %s", name, head)
		}
	}
}
