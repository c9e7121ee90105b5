package book

import "countback/ledger/num"

// Snapshot is an account as it stands, to be kept beside a ledger and taken up again. Its text is read back as any number of the ledger is, so sums beyond
// what may be written (12 digits of quantity, 10 of money) give an error there; a fold then starts from nothing.
type Snapshot struct {
	Qty        num.Qty     `json:"qty"`
	Average    num.Money   `json:"average"`
	Layers     []Layer     `json:"layers,omitempty"`
	Shortfalls []Shortfall `json:"shortfalls,omitempty"`
	LastValue  Amounts     `json:"last_value"` // before the issue that last took stock to zero or below
	LastQty    [2]num.Qty  `json:"last_qty"`
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
