package event_test

import (
	"bytes"
	"encoding/json"
	"maps"
	"slices"
	"strings"

	"pgregory.net/rapid"
)

// mutate changes a JSON object in one to three places: another value, a missing, extra or renamed member, a longer or shorter list, a text
// with a character more, less or different. Whole numbers are only ever written plainly, since a schema can't see how they are written.
func mutate(t *rapid.T, raw []byte) []byte {
	var doc map[string]any
	if err := unmarshal(raw, &doc); err != nil {
		t.Fatalf("%s: %v", raw, err)
	}
	for range rapid.IntRange(1, 3).Draw(t, "changes") {
		spots := collect(doc, "", nil)
		spot := spots[rapid.IntRange(0, len(spots)-1).Draw(t, "spot")]
		spot.change(t)
	}
	b := new(bytes.Buffer)
	enc := json.NewEncoder(b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(doc); err != nil {
		t.Fatal(err)
	}
	return bytes.TrimSpace(b.Bytes())
}

func unmarshal(raw []byte, v any) error {
	dec := json.NewDecoder(bytes.NewReader(raw))
	dec.UseNumber()
	return dec.Decode(v)
}

// spot is a place in a document: a member of an object, an entry of a list, or (without name) an object as a whole.
type spot struct {
	path   string // without the numbers of entries
	object map[string]any
	name   string
	list   []any
	at     int
	set    func([]any) // puts a changed list in place
}

func collect(v any, path string, set func([]any)) []spot {
	var all []spot
	switch v := v.(type) {
	case map[string]any:
		all = append(all, spot{path: path, object: v})
		for _, k := range slices.Sorted(maps.Keys(v)) {
			all = append(all, spot{path: path + "." + k, object: v, name: k})
			all = append(all, collect(v[k], path+"."+k, func(l []any) { v[k] = l })...)
		}
	case []any:
		for i, x := range v {
			all = append(all, spot{path: path + "[]", list: v, at: i, set: set})
			all = append(all, collect(x, path+"[]", func(l []any) { v[i] = l })...)
		}
	}
	return all
}

// everyChange calls check with the object after each single change: every value of the pools in every place, every member missing, every name added.
func everyChange(t fatal, raw []byte, check func([]byte)) {
	t.Helper()
	seen := map[string]bool{}
	var doc map[string]any
	if err := unmarshal(raw, &doc); err != nil {
		t.Fatalf("%s: %v", raw, err)
	}
	var values []any
	for _, v := range valuePool {
		var x any
		if err := unmarshal([]byte(v), &x); err != nil {
			t.Fatalf("%s: %v", v, err)
		}
		values = append(values, x)
	}
	for _, v := range textPool {
		values = append(values, v)
	}
	write := func() {
		b := new(bytes.Buffer)
		enc := json.NewEncoder(b)
		enc.SetEscapeHTML(false)
		if err := enc.Encode(doc); err != nil {
			t.Fatal(err)
		}
		check(bytes.TrimSpace(b.Bytes()))
	}
	for _, s := range collect(doc, "", nil) {
		if seen[s.path] && !full() {
			continue // the entries of a list are alike
		}
		seen[s.path] = true
		switch {
		case s.object != nil && s.name == "":
			for _, name := range memberPool {
				if _, has := s.object[name]; has {
					continue
				}
				for _, v := range []any{"1", "g", "01ARZ3NDEKTSV4RRFFQ69G5FAV", true} {
					s.object[name] = v
					write()
				}
				delete(s.object, name)
			}
		case s.object != nil:
			old := s.object[s.name]
			for _, v := range values {
				s.object[s.name] = v
				write()
			}
			delete(s.object, s.name)
			write()
			s.object[s.name] = old
		default:
			old := s.list[s.at]
			for _, v := range values {
				s.list[s.at] = v
				write()
			}
			s.list[s.at] = old
		}
	}
}

func (s spot) change(t *rapid.T) {
	switch {
	case s.object != nil && s.name == "":
		name := rapid.OneOf(rapid.SampledFrom(memberPool), rapid.SampledFrom(textPool)).Draw(t, "new member")
		s.object[name] = drawValue(t)
	case s.object != nil:
		switch rapid.SampledFrom([]string{"replace", "replace", "edit", "edit", "remove", "rename"}).Draw(t, "how") {
		case "replace":
			s.object[s.name] = drawValue(t)
		case "edit":
			s.object[s.name] = edit(t, s.object[s.name])
		case "remove":
			delete(s.object, s.name)
		case "rename":
			v := s.object[s.name]
			delete(s.object, s.name)
			s.object[rapid.OneOf(rapid.SampledFrom(memberPool), rapid.Just(edit(t, s.name).(string))).Draw(t, "name")] = v
		}
	default:
		switch rapid.SampledFrom([]string{"replace", "edit", "remove", "repeat"}).Draw(t, "how") {
		case "replace":
			s.list[s.at] = drawValue(t)
		case "edit":
			s.list[s.at] = edit(t, s.list[s.at])
		case "remove":
			s.set(slices.Delete(slices.Clone(s.list), s.at, s.at+1))
		case "repeat":
			s.set(append(slices.Clone(s.list), s.list[s.at]))
		}
	}
}

// edit changes one character of a text; anything else it replaces.
func edit(t *rapid.T, v any) any {
	text, ok := v.(string)
	if !ok {
		return drawValue(t)
	}
	r := []rune(text)
	at := rapid.IntRange(0, len(r)).Draw(t, "at")
	c := rapid.SampledFrom([]rune("0019.-+%eE aAzZUI:TL/_=\"\\é\t\n\x00\x7f\u0085\u2028\u00a0😀")).Draw(t, "char")
	switch how := rapid.IntRange(0, 2).Draw(t, "edit"); {
	case how == 0 || at == len(r):
		r = slices.Insert(r, at, c)
	case how == 1:
		r = slices.Delete(r, at, at+1)
	default:
		r[at] = c
	}
	return string(r)
}

func drawValue(t *rapid.T) any {
	if rapid.IntRange(0, 3).Draw(t, "text") > 0 {
		return rapid.SampledFrom(textPool).Draw(t, "value")
	}
	var v any
	if err := unmarshal([]byte(rapid.SampledFrom(valuePool).Draw(t, "value")), &v); err != nil {
		t.Fatal(err)
	}
	return v
}

// Values that aren't text. Numbers that a schema and the format see differently (3.0, 3e0) are left to TestWhatSchemasCannotState.
var valuePool = []string{"null", "true", "false", "0", "1", "-1", "2", "3650", "3651", "2147483647", "2147483648", "9999999999", "10000000000", "99999999999999999999", "1.5", "-0.5",
	"[]", "{}", `["a"]`, `["a",1]`, `[[]]`, `[{}]`, `[null]`, `{"box":"150"}`, `{"box":150}`, `{"":"1"}`, `{" box":"1"}`, `{"box":"0"}`,
	`{"item":"card-a6","qty":"1"}`, `[{"item":"card-a6","qty":"1"}]`, `[{"item":"card-a6","qty":"1.5"}]`, `[{"item":"card-a6","qty":"-1"}]`, `[{"item":"card-a6","qty":1}]`,
	`[{"item":"card-a6","total":"0"}]`, `[{"item":"card-a6","total":"0","instead_of":"card-a5"}]`, `[{"item":"card-a6","qty":"1","instead_of":"card-a5"}]`, `[{"item":"card-a6","qty":"1","total":"1"}]`,
	`[{"item":"card-a6","qty":"1","per":"order"}]`, `[{"item":"card-a6","qty":"1","per":"cycle"}]`, `[{"item":"card-a6","qty":"1","per":"piece","measure":"wrap","pack":"box"}]`,
	`[{"item":"card-a6","qty":"0","cost":"1"}]`, `[{"item":"card-a6","qty":"0","expected":"1","cost":"0"}]`, `[{"format":"none"}]`, `[{"format":"flat","lines":[{"item":"card-a6","qty":"1"}]}]`}

var textPool = func() []string {
	pool := []string{"", "0", "-0", "0.0", "-0.0", "0.000000", "1", "-1", "1.5", "-1.5", "1.50", "1.0", "01", "00", "+1", "1e3", "1E3", "1e-3", "NaN", "Infinity", "-Infinity", "0x10", "1.", ".5", "1,5", "1 000", "1_000",
		"0.000001", "0.0000001", "0.00000001", "0.000000001", "0.0000000001", "0.00000000001", "1.000000", "1.0000000", "1.000001",
		"999999999999", "1000000000000", "999999999999.999999", "9999999999", "9999999999.99999999", "10000000000", "99999999", "99999999.9999999999", "100000000", "١", "½",
		"3%", "0%", "%", "2 %", "-2%", "2%%", "0.5%", "none", "a", " a", "a ", " ", "\u00a0", "a b", "a\tb", "a\nb", "a\x00b", "a\x7f", "a\u0085", "a\u2028b", "\u2029", "\ufeff", "😀",
		strings.Repeat("a", 100), strings.Repeat("a", 101), strings.Repeat("é", 100), strings.Repeat("😀", 101), strings.Repeat("a", 2000), strings.Repeat("é", 2001), strings.Repeat("A", 64), strings.Repeat("A", 65),
		"2026-03", "2026-00", "2026-13", "2026-3", "2026-02-30", "2026-02-28", "2023-02-29", "2024-02-29", "2026-13-01", "2026-3-02", "0000-01-01", "2026-03-02",
		"2026-03-02T09:30:00Z", "2026-03-02T09:30:00-04:00", "2026-03-02T09:30:00", "2026-02-30T09:30:00Z", "2026-03-02t09:30:00z", "2026-03-02 09:30:00Z", "2026-03-02T24:00:00Z", "1990-12-31T23:59:60Z",
		"2026-03-02T09:30:00.123Z", "2026-03-02T09:30:00.1234Z", "2026-03-02T09:30:00,5Z", "2026-03-02T09:30:00+24:00", "2026-03-02T09:30:00.Z", "2026-03-02T09:30Z", "-026-03-02T09:30:00Z",
		"01ARZ3NDEKTSV4RRFFQ69G5FAV", "01arz3ndektsv4rrffq69g5fav", "00000000000000000000000000", "7ZZZZZZZZZZZZZZZZZZZZZZZZZ", "8ZZZZZZZZZZZZZZZZZZZZZZZZZ", "01ARZ3NDEKTSV4RRFFQ69G5FAU",
		strings.Repeat("a", 26), strings.Repeat("7", 26), strings.Repeat("1", 26), strings.Repeat("a", 64), strings.Repeat("0", 64), strings.Repeat("F", 64),
		strings.Repeat("A", 86), strings.Repeat("A", 85) + "B", strings.Repeat("_", 85) + "w", strings.Repeat("A", 84) + "==", "U" + strings.Repeat("A", 55), "A" + strings.Repeat("A", 55),
		"average", "fifo", "good", "supply", "prepared", "each", "mm", "g", "ml", "kg", "oz", "lb", "order", "parcel", "unit", "cycle", "piece", "saleable", "scrap", "damaged", "own_use", "other", "desk", "phone", "Good",
		"CAD", "cad", "CADS", "America/Halifax", "Etc/GMT+3", "GMT 3", "1.0", "application/json", "countback.item.v1", "countback.item.v2", "countback.item.v01", "countback.item.v0", "countback.item", "countback.labels.v1", "countback.labels.v1000000", "item", "close", "labels",
		"/shop/" + strings.Repeat("a", 26) + "/device/" + strings.Repeat("b", 26), "/shop/" + strings.Repeat("a", 26)}
	return pool
}()

// Names of members of all kinds, and some of none.
var memberPool = []string{"item", "qty", "name", "note", "lines", "order", "zone", "options", "parcels", "joined", "changes", "postage", "resend", "spec", "measure", "pack", "packs", "measures", "gross", "tare", "weight_unit",
	"place", "session", "tolerance", "cost", "currency", "rate", "final", "expected", "total", "instead_of", "class", "good", "zones", "from", "to", "every", "option", "per", "format", "accepts", "holds", "normal_spoilage",
	"restates", "points", "lead_days", "lead_days_max", "reason", "event", "keep", "succeeds", "accepted", "spoiled", "cycles", "due", "ref", "supplier", "id", "time", "kind", "person", "data", "type", "keeper", "costing",
	"Item", "qty ", "x"}
