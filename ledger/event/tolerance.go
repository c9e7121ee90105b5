package event

import (
	"fmt"
	"strings"

	"countback/ledger/num"
)

// Tolerance is the half-width that holds 95 % of counts: base units, or per cent of the figure.
type Tolerance struct {
	Value   num.Qty
	Percent bool
}

// MarshalText writes "3" or "2%".
func (t Tolerance) MarshalText() ([]byte, error) { return []byte(t.String()), nil }

// String returns "3" or "2%".
func (t Tolerance) String() string {
	if t.Percent {
		return t.Value.String() + "%"
	}
	return t.Value.String()
}

// UnmarshalText reads a number above 0, with or without a per cent sign.
func (t *Tolerance) UnmarshalText(b []byte) error {
	text, percent := strings.CutSuffix(string(b), "%")
	q, err := num.ParseQty(text)
	if err != nil || q.Sign() <= 0 {
		return marked{fmt.Errorf("%q can't be read as a tolerance; write a number above 0, like \"3\" (base units) or \"2%%\"", clip(string(b))), num.ErrNumber}
	}
	*t = Tolerance{q, percent}
	return nil
}
