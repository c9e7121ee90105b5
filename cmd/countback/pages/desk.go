package pages

import (
	"context"
	"strings"
	"time"

	"countback/ledger/event"
)

// Desk is what pages ask of the program. Its errors are *Problem, *Refusal or *Questions; any other is a fault of the machine.
type Desk interface {
	// Now is the present in the shop's zone, or in UTC while there is no shop.
	Now() time.Time
	// Look returns the latest look. It is never older than what this site has recorded. ErrNoShop while there is no ledger.
	Look(ctx context.Context) (*Look, error)
	// NewID returns an id for a form's fact: a form that is sent twice has the same id and is recorded once.
	NewID() event.ID
	// Record records facts, all of them or none. What looks like a slip comes back as *Questions unless sure; what is certainly wrong as *Refusal. A fact whose id is held is
	// skipped.
	Record(ctx context.Context, facts []event.Fact, sure bool) (Recorded, error)
	// Moment reads a day or a time with offset as the commands read --at for a kind; empty text is now.
	Moment(text string, kind event.Kind) (event.Time, error)

	Ledger
	Months
	Devices
	Founding
	Recording
	Importing
	Labels
}

// Recorded says what became of facts.
type Recorded struct {
	IDs      []event.ID // of each fact, skipped ones included
	Recorded int
	Skipped  int // facts whose id the ledger held
	OnHand   []Moved
	Notices  []Notice
	Version  int64 // of a look that holds them
}

// Moved is what facts did to an item's stock: canonical decimals in the item's unit.
type Moved struct{ Item, Unit, Change, OnHand string }

// Notice is what there is to know about a fact that was just recorded.
type Notice struct {
	Event   string
	Why     string
	Choices []string
}

// Refusal is what is certainly wrong with a fact. Nothing was recorded.
type Refusal struct {
	Index int    // of the fact
	Field string // of its data, such as lines[0].qty, or "time"; may be empty
	What  string
	Hint  string // what to do; may be empty
}

func (r *Refusal) Error() string { return sentence(r.Field, r.What, r.Hint) }

// Questions are what looks like a slip. Nothing was recorded; the same facts with sure are.
type Questions struct{ List []Question }

// Question is one of them.
type Question struct {
	Index int // of the fact
	Why   string
	Hint  string
}

func (q *Questions) Error() string {
	var list []string
	for _, x := range q.List {
		list = append(list, sentence("", x.Why, x.Hint))
	}
	return strings.Join(list, "; ")
}

// Problem is an error as a person reads it.
type Problem struct {
	What    string
	Where   string // may be empty
	Hint    string // what to do; may be empty
	Status  int    // of HTTP; 0 is that of bad input
	Details []Detail
	Err     error // the cause; may be nil
}

// Detail is one of several things that are wrong with a file.
type Detail struct {
	Row                int // 0: none
	Column, Value, Why string
}

func (p *Problem) Error() string { return sentence(p.Where, p.What, p.Hint) }

func (p *Problem) Unwrap() error { return p.Err }

func sentence(where, what, hint string) string {
	if where != "" {
		what = where + ": " + what
	}
	if hint != "" {
		what += "; " + hint
	}
	return what
}
