package book

import (
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"

	"countback/ledger/num"
)

// Snapshot is an account as it stands, to be kept beside a ledger and taken up again. Its text is read back as any number of the ledger is, so sums beyond
// what may be written (12 digits of quantity, 10 of money) give an error there or when they are written; a fold then starts from nothing.
type Snapshot struct {
	Qty        num.Qty       `json:"qty"`
	Average    num.Money     `json:"average"`
	Layers     layerList     `json:"layers,omitempty"`
	Shortfalls shortfallList `json:"shortfalls,omitempty"`
	LastValue  Amounts       `json:"last_value"` // before the issue that last took stock to zero or below
	LastQty    [2]num.Qty    `json:"last_qty"`
}

// What is short may be a year's uses, one by one, of a supply that nobody ever logged as bought. So both lists are written as whole numbers of the smallest
// part (varints of package encoding/binary, in base64), which is quicker to read than decimals by far.
type (
	layerList     []Layer
	shortfallList []Shortfall
)

// MarshalText writes, for each layer, its quantity, its value and the 16 bytes of its source.
func (list layerList) MarshalText() ([]byte, error) {
	w := &writer{}
	for _, l := range list {
		w.number(l.Qty.Scaled())
		w.number(l.Value.Scaled())
		w.b = append(w.b, l.Source[:]...)
	}
	return w.text()
}

// UnmarshalText reads what MarshalText wrote.
func (list *layerList) UnmarshalText(text []byte) error {
	r := newReader(text)
	for r.more() {
		l := Layer{Qty: num.QtyMillionths(r.number()), Value: num.MoneyUnits(r.number())}
		r.b = r.b[r.fits(copy(l.Source[:], r.b), len(l.Source)):]
		*list = append(*list, l)
	}
	return r.err
}

// MarshalText writes, for each shortfall, its quantity and its two costs.
func (list shortfallList) MarshalText() ([]byte, error) {
	w := &writer{}
	for _, x := range list {
		w.number(x.Qty.Scaled())
		for _, c := range x.Cost {
			w.number(c.Scaled())
		}
	}
	return w.text()
}

// UnmarshalText reads what MarshalText wrote.
func (list *shortfallList) UnmarshalText(text []byte) error {
	r := newReader(text)
	for r.more() {
		x := Shortfall{Qty: num.QtyMillionths(r.number())}
		for c := range x.Cost {
			x.Cost[c] = num.MoneyUnits(r.number())
		}
		*list = append(*list, x)
	}
	return r.err
}

type writer struct {
	b    []byte
	huge bool
}

func (w *writer) number(n int64, fits bool) {
	w.huge = w.huge || !fits
	w.b = binary.AppendVarint(w.b, n)
}

func (w *writer) text() ([]byte, error) {
	if w.huge {
		return nil, fmt.Errorf("%w: more than 64 bits hold", num.ErrNumber)
	}
	return base64.RawStdEncoding.AppendEncode(nil, w.b), nil
}

var errList = errors.New("a list of a checkpoint can't be read")

type reader struct {
	b   []byte
	err error
}

func newReader(text []byte) *reader {
	b, err := base64.RawStdEncoding.AppendDecode(nil, text)
	return &reader{b, err}
}

func (r *reader) more() bool { return r.err == nil && len(r.b) > 0 }

func (r *reader) number() int64 {
	n, size := binary.Varint(r.b)
	r.b = r.b[r.fits(max(size, 0), 1):]
	return n
}

// fits returns how many bytes were read, and takes note if they are fewer than there should be.
func (r *reader) fits(size, least int) int {
	if size < least {
		r.err = errList
	}
	return size
}

// Snapshot copies the account.
func (a *Account) Snapshot() Snapshot {
	return Snapshot{
		Qty: a.qty, Average: a.avg,
		Layers:     append([]Layer(nil), a.layers...),
		Shortfalls: append([]Shortfall(nil), a.short...),
		LastValue:  Amounts{a.last[0].Value, a.last[1].Value},
		LastQty:    [2]num.Qty{a.last[0].Qty, a.last[1].Qty},
	}
}

// Account returns the account that was copied. It has lists of its own: a snapshot can be taken up more than once.
func (s Snapshot) Account() Account {
	a := Account{
		qty: s.Qty, avg: s.Average,
		layers: append([]Layer(nil), s.Layers...),
		short:  append([]Shortfall(nil), s.Shortfalls...),
	}
	for _, l := range s.Layers {
		a.fifo = a.fifo.Add(l.Value)
	}
	for _, x := range s.Shortfalls {
		a.owed = Shortfall{a.owed.Qty.Add(x.Qty), a.owed.Cost.Add(x.Cost)}
	}
	for i := range a.last {
		a.last[i] = pair{s.LastValue[i], s.LastQty[i]}
	}
	return a
}
