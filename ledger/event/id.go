package event

import (
	"errors"
	"fmt"

	"github.com/oklog/ulid/v2"
)

// ID is an event's id: a ULID (github.com/ulid/spec), written as 26 upper-case characters of Crockford's base 32. The zero ID stands for "none".
type ID ulid.ULID

// ErrID is matched (errors.Is) by every error of ParseID.
var ErrID = errors.New("not an event id")

// ParseID reads the one spelling of an id that the ledger takes: 26 upper-case characters, without I, L, O and U, the first at most 7.
// The id of 26 zeros is refused: the zero ID stands for "none".
func ParseID(s string) (ID, error) {
	u, err := ulid.ParseStrict(s)
	if err != nil || u.String() != s || u.IsZero() {
		return ID{}, marked{fmt.Errorf("%q is not an event's id (a ULID: 26 characters of 0-9 and capital A-Z without I, L, O, U); copy it whole", clip(s)), ErrID}
	}
	return ID(u), nil
}

// String returns the 26 characters.
func (id ID) String() string { return ulid.ULID(id).String() }

// Ms returns the time inside the id in milliseconds since 1970 UTC.
func (id ID) Ms() int64 { return int64(ulid.ULID(id).Time()) }

// IsZero reports whether there is no id.
func (id ID) IsZero() bool { return id == ID{} }

// Compare orders ids by their bytes, which is the order of their text.
func (id ID) Compare(other ID) int { return ulid.ULID(id).Compare(ulid.ULID(other)) }

// MarshalText writes the 26 characters.
func (id ID) MarshalText() ([]byte, error) { return ulid.ULID(id).MarshalText() }

// UnmarshalText reads what ParseID reads.
func (id *ID) UnmarshalText(b []byte) error {
	v, err := ParseID(string(b))
	if err == nil {
		*id = v
	}
	return err
}

func clip(s string) string {
	r := []rune(s)
	if len(r) > 60 {
		return string(r[:60]) + "…"
	}
	return s
}
