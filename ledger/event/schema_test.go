package event_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io/fs"
	"maps"
	"reflect"
	"slices"
	"strings"
	"testing"

	jsonv2 "github.com/go-json-experiment/json"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"pgregory.net/rapid"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/schema"
)

// The published schemas and the hand-written checks accept and refuse the same.

func compiled(t *testing.T) func(kind string) *jsonschema.Schema {
	t.Helper()
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	names, err := fs.Glob(schema.FS(), "*.json")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		b, _ := fs.ReadFile(schema.FS(), name)
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if err := c.AddResource(schema.Base+name, doc); err != nil {
			t.Fatal(err)
		}
	}
	return func(kind string) *jsonschema.Schema {
		t.Helper()
		name := kind + ".v1.json"
		if kind == schema.Envelope || kind == schema.Fact {
			name = kind + ".json"
		}
		s, err := c.Compile(schema.Base + name)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
}

func TestEveryKindHasASchema(t *testing.T) {
	var want []string
	for _, k := range event.Kinds() {
		want = append(want, string(k))
	}
	if got := schema.Kinds(); !slices.Equal(got, want) {
		t.Errorf("schemas for %v\nkinds are   %v", got, want)
	}
}

// valid reports whether the schema takes raw.
func valid(t fatal, s *jsonschema.Schema, raw []byte) error {
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(raw))
	if err != nil {
		t.Fatalf("%s: %v", raw, err)
	}
	return s.Validate(v)
}

// agree compares what the schema says with what the program says.
func agree(t fatal, what string, s *jsonschema.Schema, raw []byte, program error) {
	t.Helper()
	if published := valid(t, s, raw); (published == nil) != (program == nil) {
		t.Fatalf("%s %s\nthe schema says:  %v\nthe program says: %v", what, raw, published, program)
	}
}

func mutants() int {
	if full() {
		return 100
	}
	return 6
}

func TestSchemaAndDecodeDataAgree(t *testing.T) {
	get := compiled(t)
	for _, kind := range event.Kinds() {
		s := get(string(kind))
		t.Run(string(kind), func(t *testing.T) {
			refused := map[bool]int{}
			rapid.Check(t, func(t *rapid.T) {
				d := genData(kind).Draw(t, "data")
				raw, err := event.EncodeData(d)
				if err != nil {
					t.Fatal(err)
				}
				if _, err := event.DecodeData(kind, raw); err != nil {
					t.Fatalf("valid data was refused: %v\n%s", err, raw)
				}
				agree(t, string(kind), s, raw, nil)
				for range mutants() {
					m := mutate(t, raw)
					_, err := event.DecodeData(kind, m)
					agree(t, string(kind), s, m, err)
					refused[err != nil]++
				}
			})
			if refused[true] == 0 || refused[false] == 0 {
				t.Errorf("the changed data were of one sort: %d refused, %d taken", refused[true], refused[false])
			}
		})
	}
}

// TestSchemaAndDecodeDataAgreeOnEveryChangeOfTheExamples puts every value of the pools in every place of the examples, and removes, renames and adds
// every member, one at a time: what chance would seldom hit.
func TestSchemaAndDecodeDataAgreeOnEveryChangeOfTheExamples(t *testing.T) {
	get := compiled(t)
	for kind, all := range examples(t) {
		s := get(string(kind))
		for _, raw := range all {
			_, err := event.DecodeData(kind, raw)
			if err != nil {
				t.Errorf("%s %s: %v", kind, raw, err)
			}
			agree(t, string(kind), s, raw, err)
			everyChange(t, raw, func(m []byte) {
				_, err := event.DecodeData(kind, m)
				agree(t, string(kind), s, m, err)
			})
		}
	}
}

func TestSchemaAndParseFactAgree(t *testing.T) {
	s := compiled(t)(schema.Fact)
	rapid.Check(t, func(t *rapid.T) {
		f := event.Fact{ID: maybe(t, "id", genID), Time: genTime.Draw(t, "time"), Data: genData(rapid.SampledFrom(event.Kinds()).Draw(t, "kind")).Draw(t, "data")}
		raw, err := f.Line()
		if err != nil {
			t.Fatal(err)
		}
		_, err = event.ParseFact(raw)
		agree(t, "fact", s, raw, err)
		for range mutants() {
			m := mutate(t, raw)
			_, err := event.ParseFact(m)
			agree(t, "fact", s, m, err)
		}
	})
}

var envelopeOrder = []string{"specversion", "id", "source", "type", "time", "datacontenttype", "devseq", "prevhash", "person"}

// relay writes a changed event in the order and spelling of the format, with members that don't belong there before the data.
func relay(t fatal, raw []byte) []byte {
	t.Helper()
	var o map[string]any
	if err := unmarshal(raw, &o); err != nil {
		t.Fatal(err)
	}
	last := []string{"data", "sig"}
	var extra []string
	for _, k := range slices.Sorted(maps.Keys(o)) {
		if !slices.Contains(envelopeOrder, k) && !slices.Contains(last, k) {
			extra = append(extra, k)
		}
	}
	b := []byte("{")
	for _, k := range slices.Concat(envelopeOrder, extra, last) {
		v, ok := o[k]
		if !ok {
			continue
		}
		if len(b) > 1 {
			b = append(b, ',')
		}
		b = append(append(b, spell(t, k)...), ':')
		b = append(b, spell(t, v)...)
	}
	return append(b, '}')
}

// spell writes a value in the one spelling.
func spell(t fatal, v any) []byte {
	t.Helper()
	if n, ok := v.(json.Number); ok {
		return []byte(n)
	}
	b, err := jsonv2.Marshal(v, jsonv2.Deterministic(true), jsonv2.WithMarshalers(jsonv2.MarshalFunc(func(n json.Number) ([]byte, error) { return []byte(n), nil })))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// sample returns an example of the kind damage, in an envelope with every member.
func sample() *event.Unsigned {
	id, err := event.ParseID("01ARZ3NDEKTSV4RRFFQ69G5FAV")
	if err != nil {
		panic(err)
	}
	at, err := event.ParseTime("2026-03-02T09:30:00-04:00")
	if err != nil {
		panic(err)
	}
	return &event.Unsigned{ID: id, Shop: strings.Repeat("a", 26), Device: strings.Repeat("b", 26), Time: at, Seq: 2, Prev: strings.Repeat("c", 64), Person: "Wren",
		Data: &event.Damage{Item: "wrap-kraft", Qty: num.MustQty("1.5"), Measure: "wrap", Reason: "spoiled"}}
}

func TestSchemaAndParseLineAgreeOnEveryChangeOfTheEnvelope(t *testing.T) {
	s := compiled(t)(schema.Envelope)
	everyChange(t, seal(t, sample()), func(m []byte) {
		m = relay(t, m)
		e, err := event.ParseLine(m)
		if err == nil {
			err = e.Fault
		}
		agree(t, "event", s, m, err)
	})
}

func TestSchemaAndParseFactAgreeOnEveryChangeOfALine(t *testing.T) {
	s := compiled(t)(schema.Fact)
	u := sample()
	raw, err := event.Fact{ID: u.ID, Time: u.Time, Data: u.Data}.Line()
	if err != nil {
		t.Fatal(err)
	}
	everyChange(t, raw, func(m []byte) {
		_, err := event.ParseFact(m)
		agree(t, "fact", s, m, err)
	})
}

func TestSchemaAndParseLineAgree(t *testing.T) {
	s := compiled(t)(schema.Envelope)
	rapid.Check(t, func(t *rapid.T) {
		u := genUnsigned(rapid.SampledFrom(event.Kinds()).Draw(t, "kind")).Draw(t, "event")
		line := seal(t, u)
		agree(t, "event", s, line, nil)
		for range mutants() {
			m := relay(t, mutate(t, line))
			e, err := event.ParseLine(m)
			if err == nil {
				err = e.Fault
			}
			agree(t, "event", s, m, err)
		}
	})
}

// What the schemas can't state, named in their package comment: the program refuses it, the schema doesn't.
func TestWhatSchemasCannotState(t *testing.T) {
	get := compiled(t)
	for _, c := range []struct {
		name string
		kind event.Kind
		raw  string
	}{
		{"a whole number with a point", event.KindItem, `{"item":"card-a6","lead_days":3.0}`},
		{"a whole number with an exponent", event.KindItem, `{"item":"card-a6","lead_days":3e0}`},
	} {
		if err := valid(t, get(string(c.kind)), []byte(c.raw)); err != nil {
			t.Errorf("%s: the schema refuses it too; the package comment says otherwise: %v", c.name, err)
		}
		if _, err := event.DecodeData(c.kind, []byte(c.raw)); err == nil {
			t.Errorf("%s was taken: %s", c.name, c.raw)
		}
	}
}

// TestListBounds: a list takes 1 to 1000 entries, in the schema and in the program.
func TestListBounds(t *testing.T) {
	s := compiled(t)("order")
	for _, n := range []int{0, 1, 1000, 1001} {
		lines := strings.TrimSuffix(strings.Repeat(`{"item":"card-a6","qty":"1"},`, n), ",")
		raw := []byte(`{"order":"1","zone":"home","lines":[` + lines + `]}`)
		_, err := event.DecodeData(event.KindOrder, raw)
		if (err == nil) != (n == 1 || n == 1000) {
			t.Errorf("%d lines: %v", n, err)
		}
		agree(t, fmt.Sprint(n, " lines"), s, raw, err)
	}
}

// TestSchemaFieldsStandInTheOrderOfTheTypes: the members of every schema are the fields of the Go type, in its order, which is the contract's.
func TestSchemaFieldsStandInTheOrderOfTheTypes(t *testing.T) {
	types := map[event.Kind]any{event.KindShop: event.Shop{}, event.KindItem: event.Item{}, event.KindRetire: event.Retire{}, event.KindPackSpec: event.PackSpec{},
		event.KindMakeSpec: event.MakeSpec{}, event.KindOrder: event.Order{}, event.KindPack: event.Pack{}, event.KindReturn: event.Return{}, event.KindPurchase: event.Purchase{},
		event.KindRestock: event.Restock{}, event.KindCredit: event.Credit{}, event.KindReprint: event.Reprint{}, event.KindDamage: event.Damage{}, event.KindCount: event.Count{},
		event.KindReverse: event.Reverse{}, event.KindDecide: event.Decide{}, event.KindClose: event.Close{}, event.KindDevice: event.Device{}, event.KindRevoke: event.Revoke{}}
	for _, kind := range event.Kinds() {
		raw, _ := schema.File(string(kind))
		props := memberNames(t, raw, "properties")
		var fields []string
		typ := reflect.TypeOf(types[kind])
		for i := range typ.NumField() {
			name, _, _ := strings.Cut(typ.Field(i).Tag.Get("json"), ",")
			fields = append(fields, name)
		}
		if !slices.Equal(props, fields) {
			t.Errorf("%s:\nschema has %v\ntype has   %v", kind, props, fields)
		}
		if kind.Fact() && !slices.Contains(props, "note") {
			t.Errorf("%s has no note; every recordable kind has one", kind)
		}
	}
}

// memberNames returns the names of a member of an object, in the order of the bytes.
func memberNames(t *testing.T, raw []byte, member string) []string {
	t.Helper()
	var doc map[string]json.RawMessage
	if err := json.Unmarshal(raw, &doc); err != nil {
		t.Fatal(err)
	}
	dec := json.NewDecoder(bytes.NewReader(doc[member]))
	if _, err := dec.Token(); err != nil {
		t.Fatal(err)
	}
	var names []string
	for dec.More() {
		name, err := dec.Token()
		if err != nil {
			t.Fatal(err)
		}
		names = append(names, name.(string))
		var skip json.RawMessage
		if err := dec.Decode(&skip); err != nil {
			t.Fatal(err)
		}
	}
	return names
}
