package event

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// MaxSeq is the highest sequence number: CloudEvents integers have 32 bits.
const MaxSeq = 1<<31 - 1

var sortedKinds = slices.Sorted(maps.Keys(kinds))

// ErrData is wrapped by every error of DecodeData.
var ErrData = errors.New("data of the wrong shape")

// DecodeData reads and checks the data of a known kind under the strict rules: no unknown or doubled names, no null, no empty text, no invalid UTF-8.
// White space and the order of members are the byte format's matter, see ParseLine.
func DecodeData(kind Kind, raw []byte) (Data, error) {
	info, ok := kinds[kind]
	if !ok {
		return nil, fmt.Errorf("%w: unknown kind %q; kinds are %s", ErrData, clip(string(kind)), joinKinds())
	}
	if err := strictTokens(raw); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrData, err)
	}
	d := info.make()
	if err := json.Unmarshal(raw, d, json.RejectUnknownMembers(true)); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrData, plainJSON(err))
	}
	if err := Check(d); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrData, err)
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

// plainJSON turns an error of the JSON library into a FieldError that a person understands.
func plainJSON(err error) error {
	field := func(p jsontext.Pointer) string {
		var b strings.Builder
		for t := range p.Tokens() {
			if b.Len() > 0 && strings.Trim(t, "0123456789") == "" {
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
	var sem *json.SemanticError
	if errors.As(err, &sem) {
		f := field(sem.JSONPointer)
		switch {
		case errors.Is(err, json.ErrUnknownName):
			return &FieldError{f, "is not a field here; check its spelling"}
		case errors.Is(err, jsontext.ErrDuplicateName):
			return &FieldError{f, "stands twice"}
		case sem.Err != nil:
			return &FieldError{f, sem.Err.Error()}
		case sem.JSONKind != 0:
			want := "something else"
			if sem.GoType != nil {
				switch sem.GoType.Kind().String() {
				case "string":
					want = "text in quotes"
				case "struct", "map":
					want = "an object, or a number in quotes"
				case "slice":
					want = "a list"
				case "bool":
					want = "true or false"
				case "int", "int64":
					want = "a whole number without quotes"
				default:
					want = "a number in quotes"
				}
			}
			return &FieldError{f, fmt.Sprintf("should be %s (quantities and money are written in quotes: \"12.5\")", want)}
		}
	}
	var syn *jsontext.SyntacticError
	if errors.As(err, &syn) {
		if errors.Is(err, jsontext.ErrDuplicateName) {
			return &FieldError{field(syn.JSONPointer), "stands twice"}
		}
		return &FieldError{field(syn.JSONPointer), "is not JSON here: " + strings.TrimPrefix(syn.Err.Error(), "jsontext: ")}
	}
	return err
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
			return where("is null; leave the field out instead")
		case '"':
			if tok.String() == "" {
				return where("is empty; leave it out instead")
			}
		case '0':
			if s := tok.String(); !plainInt(s) {
				return where("is " + clip(s) + "; write whole numbers plainly, and quantities in quotes")
			}
		}
		if dec.StackDepth() > maxDepth {
			return where("is nested too deep")
		}
	}
}

func plainInt(s string) bool {
	digits := strings.TrimPrefix(s, "-")
	return matches(digits, 1, 10, "0", "9") && (digits[0] != '0' || s == "0")
}
