package event

import (
	"bytes"
	"encoding"
	"errors"
	"fmt"
	"io"
	"maps"
	"reflect"
	"slices"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// MaxSeq is the highest sequence number: CloudEvents integers have 32 bits.
const MaxSeq = 1<<31 - 1

var sortedKinds = slices.Sorted(maps.Keys(kinds))

// ErrData is matched (errors.Is) by every error of DecodeData. Where a field is to blame, the error is a *FieldError (errors.As).
var ErrData = errors.New("data of the wrong shape")

// marked is an error that keeps its own text and is found by errors.Is under mark as well.
type marked struct {
	error
	mark error
}

func (e marked) Unwrap() []error { return []error{e.error, e.mark} }

// DecodeData reads and checks the data of a known kind under the strict rules: no unknown or doubled names, no null, no empty text, no invalid UTF-8.
// White space and the order of members are the byte format's matter, see ParseLine.
func DecodeData(kind Kind, raw []byte) (Data, error) {
	info, ok := kinds[kind]
	if !ok {
		return nil, marked{fmt.Errorf("the kind %q is not known; kinds are %s", clip(string(kind)), joinKinds()), ErrData}
	}
	if err := strictTokens(raw); err != nil {
		return nil, marked{err, ErrData}
	}
	d := info.make()
	if err := json.Unmarshal(raw, d, json.RejectUnknownMembers(true)); err != nil {
		return nil, marked{plainJSON(err), ErrData}
	}
	if err := Check(d); err != nil {
		return nil, marked{err, ErrData}
	}
	return d, nil
}

func joinKinds() string {
	var names []string
	for _, k := range sortedKinds {
		if kinds[k].fact {
			names = append(names, string(k))
		}
	}
	return strings.Join(names, " ")
}

// EncodeData writes data in the one spelling of the ledger: members in the contract's order, names of maps sorted.
func EncodeData(d Data) ([]byte, error) {
	return json.Marshal(d, json.Deterministic(true))
}

// fieldOf writes a JSON pointer as a person would say it: lines[0].qty.
func fieldOf(p jsontext.Pointer) string {
	var b strings.Builder
	for t := range p.Tokens() {
		if b.Len() > 0 && t != "" && strings.Trim(t, "0123456789") == "" {
			b.WriteString("[" + t + "]")
			continue
		}
		if b.Len() > 0 {
			b.WriteByte('.')
		}
		b.WriteString(t)
	}
	return b.String()
}

// plainJSON turns an error of the JSON library into a FieldError that a person understands.
func plainJSON(err error) error {
	var sem *json.SemanticError
	if errors.As(err, &sem) {
		f := fieldOf(sem.JSONPointer)
		switch {
		case errors.Is(err, json.ErrUnknownName):
			return &FieldError{f, "is not a field here; " + fieldsOf(sem.GoType)}
		case errors.Is(err, jsontext.ErrDuplicateName):
			return &FieldError{f, "stands twice"}
		case sem.GoType != nil && sem.JSONKind != 0 && !takes(sem.GoType, sem.JSONKind):
			return &FieldError{f, wanted(sem.GoType, sem.JSONKind)}
		case sem.Err != nil:
			return &FieldError{f, sem.Err.Error()}
		}
	}
	var syn *jsontext.SyntacticError
	switch {
	case errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.EOF):
		return &FieldError{"", "ends too early: a closing quote, } or ] is missing"}
	case errors.As(err, &syn) && errors.Is(err, jsontext.ErrDuplicateName):
		return &FieldError{fieldOf(syn.JSONPointer), "stands twice"}
	case errors.As(err, &syn):
		return &FieldError{fieldOf(syn.JSONPointer), "is not JSON at this place: " + strings.TrimPrefix(syn.Err.Error(), "jsontext: ")}
	}
	return err
}

// fieldsOf lists what a value of a type may say.
func fieldsOf(t reflect.Type) string {
	if t == nil || t.Kind() != reflect.Struct {
		return "check its spelling"
	}
	var names []string
	for _, f := range reflect.VisibleFields(t) {
		if name, _, _ := strings.Cut(f.Tag.Get("json"), ","); name != "" && name != "-" {
			names = append(names, name)
		}
	}
	return "there are " + strings.Join(names, ", ")
}

var textType = reflect.TypeFor[encoding.TextUnmarshaler]()

// isText reports whether values of type t are written as text in quotes.
func isText(t reflect.Type) bool {
	return t.Kind() == reflect.String || reflect.PointerTo(t).Implements(textType)
}

// takes reports whether a JSON value of kind k is of the sort that t is read from.
func takes(t reflect.Type, k jsontext.Kind) bool {
	switch {
	case isText(t):
		return k == '"'
	case t.Kind() == reflect.Struct || t.Kind() == reflect.Map:
		return k == '{'
	case t.Kind() == reflect.Slice:
		return k == '['
	case t.Kind() == reflect.Bool:
		return k == 't' || k == 'f'
	}
	return k == '0'
}

// wanted says what t is written like, where k was found.
func wanted(t reflect.Type, k jsontext.Kind) string {
	switch {
	case isText(t) && k == '0' && t.Kind() == reflect.Struct:
		return "is a number without quotes; quantities and money are written in quotes, like \"12.5\""
	case isText(t) && t.Kind() == reflect.Struct:
		return "must be written in quotes, like \"12.5\""
	case isText(t):
		return "must be text in quotes"
	case t.Kind() == reflect.Struct:
		return "must be a group of named fields between { and }"
	case t.Kind() == reflect.Map:
		return "must be names with their quantities between { and }, like {\"box\":\"150\"}"
	case t.Kind() == reflect.Slice:
		return "must be a list between [ and ], also where it has one entry"
	case t.Kind() == reflect.Bool:
		return "must be true or false, without quotes"
	}
	return "must be a whole number without quotes, like 3"
}

const maxDepth = 8

// strictTokens refuses what the struct decoder would let pass: null, empty text, numbers that aren't plain integers, deep nesting.
func strictTokens(raw []byte) error {
	dec := jsontext.NewDecoder(bytes.NewReader(raw))
	for {
		tok, err := dec.ReadToken()
		if err != nil {
			if dec.StackDepth() == 0 && len(bytes.TrimSpace(raw[dec.InputOffset():])) == 0 && dec.InputOffset() > 0 {
				return nil
			}
			return plainJSON(err)
		}
		where := func(why string) error {
			return plainJSON(&json.SemanticError{JSONPointer: dec.StackPointer(), Err: errors.New(why)})
		}
		switch tok.Kind() {
		case 'n':
			return where("is null; leave it out instead")
		case '"':
			if tok.String() == "" {
				return where("is empty; leave it out instead")
			}
		case '0':
			if why := notPlain(tok.String()); why != "" {
				return where(why)
			}
		}
		if dec.StackDepth() > maxDepth {
			return where("is nested too deep")
		}
	}
}

// notPlain says what is wrong with a number that stands without quotes: only days and sequence numbers do, which are plain whole numbers.
func notPlain(s string) string {
	digits := strings.TrimPrefix(s, "-")
	switch {
	case !matches(digits, 1, len(digits), "0", "9") || digits[0] == '0' && s != "0":
		return fmt.Sprintf("is %s without quotes; write quantities and money in quotes, and days as a plain whole number", clip(s))
	case len(digits) > 10:
		return fmt.Sprintf("is %s, which is too large", clip(s))
	}
	return ""
}
