// Package foldtest builds ledgers for tests of projections: from short facts to lines that a fold reads, without keys or a store.
package foldtest

import (
	"context"
	"fmt"
	"strings"

	"countback/ledger/event"
	"countback/projections/fold"
)

// Devices are ids for tests, in rising order.
var Devices = []string{
	"aaaaaaaaaaaaaaaaaaaaaaaaaa", "bbbbbbbbbbbbbbbbbbbbbbbbbb", "cccccccccccccccccccccccccc", "dddddddddddddddddddddddddd",
}

// Lines is a fold.Source.
type Lines [][]byte

// Lines calls fn for each line.
func (l Lines) Lines(_ context.Context, fn func([]byte) error) error {
	for _, line := range l {
		if err := fn(line); err != nil {
			return err
		}
	}
	return nil
}

// Line writes an event's line with a signature of zeros: folds look at no signature.
func Line(id event.ID, device string, at event.Time, seq int64, d event.Data) []byte {
	u := event.Unsigned{ID: id, Shop: Devices[0], Device: device, Time: at, Seq: seq, Prev: event.FirstPrev, Data: d}
	head, err := u.Head()
	if err != nil {
		panic(err)
	}
	line, err := event.Seal(head, strings.Repeat("A", 86))
	if err != nil {
		panic(err)
	}
	return line
}

// Events writes events that were built by hand.
func Events(list []*event.Event) Lines {
	var out Lines
	for _, e := range list {
		if e.Data == nil { // of a shape that is void: written with data that no kind takes
			good := string(Line(e.ID, e.Device, e.Time, e.Seq, &event.Retire{Item: "x"}))
			bad := strings.Replace(strings.Replace(good, "countback.retire.v1", "countback."+string(e.Kind)+".v1", 1), `{"item":"x"}`, `{}`, 1)
			out = append(out, []byte(bad))
			continue
		}
		out = append(out, Line(e.ID, e.Device, e.Time, e.Seq, e.Data))
	}
	return out
}

// Facts reads facts, one a line: a kind, a time and data as in `restock 2026-01-01T00:00:00Z {"lines":[…]}`, a bare day standing for its midnight UTC. A line may begin with a
// device (@2) and an id's last letters (#R1): `@2 #R1 restock …`; other facts refer to that id as #R1 inside quotes. Empty lines and lines that begin with // are passed over.
func Facts(text string) Lines {
	var out Lines
	seqs := map[string]int64{}
	for n, raw := range strings.Split(text, "\n") {
		line := strings.TrimSpace(raw)
		if line == "" || strings.HasPrefix(line, "//") {
			continue
		}
		device, id := Devices[0], ID(fmt.Sprintf("N%05d", n))
		if rest, ok := strings.CutPrefix(line, "@"); ok {
			device = Devices[rest[0]-'1']
			line = strings.TrimSpace(rest[1:])
		}
		if rest, ok := strings.CutPrefix(line, "#"); ok {
			name, after, _ := strings.Cut(rest, " ")
			id, line = ID(name), strings.TrimSpace(after)
		}
		parts := strings.SplitN(line, " ", 3)
		if len(parts) != 3 {
			panic("foldtest: " + raw)
		}
		if len(parts[1]) == 10 {
			parts[1] += "T00:00:00Z"
		}
		at, err := event.ParseTime(parts[1])
		if err != nil {
			panic(err)
		}
		d, err := event.DecodeData(event.Kind(parts[0]), []byte(expand(parts[2])))
		if err != nil {
			panic(fmt.Sprintf("foldtest: %s: %v", raw, err))
		}
		seqs[device]++
		out = append(out, Line(id, device, at, seqs[device], d))
	}
	return out
}

// expand replaces "#NAME" by the id of that name.
func expand(s string) string {
	for {
		i := strings.Index(s, `"#`)
		if i < 0 {
			return s
		}
		name, rest, _ := strings.Cut(s[i+2:], `"`)
		s = s[:i] + `"` + ID(name).String() + `"` + rest
	}
}

// ID makes an id whose text ends in name; the letters I, L, O and U are not for ids.
func ID(name string) event.ID {
	id, err := event.ParseID("01KC000000" + strings.Repeat("0", 16-len(name)) + name)
	if err != nil {
		panic(err)
	}
	return id
}

// Run reads and folds lines up to an instant (ms, 0: all), keeping what orders took.
func Run(lines Lines, asOf int64) *fold.State {
	log, err := fold.Read(context.Background(), lines, fold.Choice{})
	if err != nil {
		panic(err)
	}
	return log.Run(fold.Run{AsOf: asOf, Orders: true})
}
