package event_test

import (
	"errors"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"countback/ledger/event"
)

func TestEveryFactSurvivesItsLine(t *testing.T) {
	for _, kind := range event.Kinds() {
		if !kind.Fact() {
			continue
		}
		t.Run(string(kind), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				f := event.Fact{ID: maybe(t, "id", genID), Time: genTime.Draw(t, "time"), Data: genData(kind).Draw(t, "data")}
				line, err := f.Line()
				if err != nil {
					t.Fatal(err)
				}
				got, err := event.ParseFact(line)
				if err != nil || !reflect.DeepEqual(got, f) {
					t.Fatalf("%s\nread  %+v %+v (%v)\nwrote %+v %+v", line, got, got.Data, err, f, f.Data)
				}
			})
		})
	}
}

func TestFactErrorsSayWhatToDo(t *testing.T) {
	const data = `{"item":"tape","qty":"1","reason":"gift"}`
	for line, want := range map[string]string{
		`{"time":"2026-03-02T09:30:00Z","data":` + data + `}`:                                 `kind: is missing: one of count credit damage`,
		`{"kind":"damaged","time":"2026-03-02T09:30:00Z","data":` + data + `}`:                `kind: is "damaged"; kinds are count credit damage`,
		`{"kind":"close","time":"2026-03-02T09:30:00Z","data":{}}`:                            `kind: close is made by its own command, not from a fact file`,
		`{"kind":"damage","data":` + data + `}`:                                               `time: is missing`,
		`{"kind":"damage","time":"2026-03-02","data":` + data + `}`:                           `time: "2026-03-02" is not a date and time with offset, like 2026-03-02T09:30:00-04:00`,
		`{"kind":"damage","time":"2026-03-02T09:30:00Z"}`:                                     `data: is missing`,
		`{"kind":"damage","time":"2026-03-02T09:30:00Z","data":{"item":"tape","qty":1}}`:      `qty: is a number without quotes; quantities and money are written in quotes, like "12.5"`,
		`{"kind":"damage","time":"2026-03-02T09:30:00Z","data":[]}`:                           `must be a group of named fields between { and }`,
		`{"kind":"damage","when":"2026-03-02T09:30:00Z","data":` + data + `}`:                 `when: is not a field here; there are kind, id, time, data`,
		`{"kind":"damage","id":"","time":"2026-03-02T09:30:00Z","data":` + data + `}`:         `id: is empty; leave it out instead`,
		`{"kind":"damage","kind":"damage","time":"2026-03-02T09:30:00Z","data":` + data + `}`: `kind: stands twice`,
		`{"kind":"damage","time":"2026-03-02T09:30:00Z","data":` + data + `} {}`:              `is not JSON at this place`,
		`kind,time`: `is not JSON at this place`,
		strings.Repeat(" ", event.MaxLine) + `{}`: `the line has 65538 bytes; at most 65536 fit`,
	} {
		_, err := event.ParseFact([]byte(line))
		if err == nil || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("%s\nsays  %v\nwants %s", line[:min(len(line), 200)], err, want)
		}
	}
}

func TestAFactFileNamesTheLine(t *testing.T) {
	good := `{"kind":"retire","time":"2026-03-02T09:30:00Z","data":{"item":"tape"}}`
	facts, err := event.ParseFacts([]byte("\ufeff" + good + "\r\n\n  \n" + good))
	if err != nil || len(facts) != 2 {
		t.Errorf("%d facts, %v", len(facts), err)
	}
	_, err = event.ParseFacts([]byte(good + "\n\n" + `{"kind":"retire","time":"2026-03-02T09:30:00Z","data":{}}`))
	var at *event.LineError
	if !errors.As(err, &at) || at.Line != 3 || err.Error() != "line 3: item: is missing" || !errors.Is(err, event.ErrData) {
		t.Errorf("%v", err)
	}
}
