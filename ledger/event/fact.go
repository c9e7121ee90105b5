package event

import (
	"bytes"
	"fmt"
	"slices"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// Fact is one line of a fact file: what is to be recorded.
type Fact struct {
	ID   ID // zero where the file gave none
	Time Time
	Data Data
}

// ParseFact reads one line of a fact file, {"kind":…,"time":…,"data":{…}} with an optional id. White space and the order of members are free.
func ParseFact(line []byte) (Fact, error) {
	if len(line) > MaxLine {
		return Fact{}, &FieldError{"", fmt.Sprintf("the line has %d bytes; at most %d fit", len(line), MaxLine)}
	}
	var f struct {
		Kind Kind           `json:"kind"`
		ID   *ID            `json:"id"`
		Time *Time          `json:"time"`
		Data jsontext.Value `json:"data"`
	}
	if err := strictTokens(line); err != nil {
		return Fact{}, err
	}
	if err := json.Unmarshal(line, &f, json.RejectUnknownMembers(true)); err != nil {
		return Fact{}, plainJSON(err)
	}
	switch {
	case f.Kind == "":
		return Fact{}, &FieldError{"kind", "is missing: one of " + joinKinds()}
	case !f.Kind.Known():
		return Fact{}, &FieldError{"kind", fmt.Sprintf("is %q; kinds are %s", clip(string(f.Kind)), joinKinds())}
	case !f.Kind.Fact():
		return Fact{}, &FieldError{"kind", fmt.Sprintf("%s is made by its own command, not from a fact file", f.Kind)}
	case f.Time == nil:
		return Fact{}, &FieldError{"time", "is missing"}
	case f.Data == nil:
		return Fact{}, &FieldError{"data", "is missing"}
	}
	d, err := DecodeData(f.Kind, f.Data)
	if err != nil {
		return Fact{}, err
	}
	fact := Fact{Time: *f.Time, Data: d}
	if f.ID != nil {
		fact.ID = *f.ID
	}
	return fact, nil
}

// Line writes the fact as one line of a fact file, without newline.
func (f Fact) Line() ([]byte, error) {
	data, err := EncodeData(f.Data)
	if err != nil {
		return nil, err
	}
	b := []byte(`{"kind":"` + string(f.Data.Kind()) + `"`)
	if !f.ID.IsZero() {
		b = append(b, `,"id":"`+f.ID.String()+`"`...)
	}
	b = append(b, `,"time":"`+f.Time.String()+`","data":`...)
	return append(append(b, data...), '}'), nil
}

// LineError places an error in a file, counted from 1.
type LineError struct {
	Line int
	Err  error
}

func (e *LineError) Error() string { return fmt.Sprintf("line %d: %v", e.Line, e.Err) }

// Unwrap returns the error itself.
func (e *LineError) Unwrap() error { return e.Err }

// MaxFacts and MaxFile bound a fact file.
const (
	MaxFacts = 1_000_000
	MaxFile  = 1 << 30
)

// ParseFacts reads a fact file: one object a line, empty lines allowed. The first fault found is returned as a *LineError.
func ParseFacts(file []byte) ([]Fact, error) {
	if len(file) > MaxFile {
		return nil, fmt.Errorf("the file has more than %d bytes; split it", MaxFile)
	}
	file = bytes.TrimPrefix(file, []byte("\xef\xbb\xbf"))
	facts := make([]Fact, 0, bytes.Count(file, []byte("\n"))+1)
	n := 0
	for line := range bytes.Lines(file) {
		n++
		line = bytes.TrimSpace(line)
		if len(line) == 0 {
			continue
		}
		f, err := ParseFact(line)
		if err != nil {
			return nil, &LineError{n, err}
		}
		if facts = append(facts, f); len(facts) > MaxFacts {
			return nil, &LineError{n, fmt.Errorf("the file holds more than %d facts; split it", MaxFacts)}
		}
	}
	return slices.Clip(facts), nil
}
