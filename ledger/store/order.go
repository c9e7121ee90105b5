package store

import (
	"bytes"

	"github.com/go-json-experiment/json/jsontext"
)

// orderMember returns the text of the top-level member "order" of a JSON object, "" if there is none or it isn't text.
func orderMember(raw []byte) string {
	dec := jsontext.NewDecoder(bytes.NewReader(raw))
	if tok, err := dec.ReadToken(); err != nil || tok.Kind() != '{' {
		return ""
	}
	for {
		name, err := dec.ReadToken()
		if err != nil || name.Kind() != '"' {
			return ""
		}
		if name.String() != "order" {
			if dec.SkipValue() != nil {
				return ""
			}
			continue
		}
		if tok, err := dec.ReadToken(); err == nil && tok.Kind() == '"' {
			return tok.String()
		}
		return ""
	}
}
