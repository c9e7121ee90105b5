package unit

import (
	"fmt"

	"countback/ledger/num"
)

// Pieces returns how many base units a weighing shows: (gross - tare) / pieceWeight, with gross and tare in weightUnit and pieceWeight in
// grams for one base unit (1 for an item in g). The whole computation is exact up to one rounding at its end, half to even: to
// whole pieces if whole, which is for items in each, else to 6 decimal places.
func Pieces(gross, tare num.Qty, weightUnit string, pieceWeight num.Qty, whole bool) (num.Qty, error) {
	m, err := lookup(weightUnit, bases[weight])
	switch {
	case err != nil:
		return num.Qty{}, err
	case pieceWeight.Sign() <= 0:
		return num.Qty{}, fmt.Errorf("the weight of one piece is %s g; it must be above 0", pieceWeight)
	case tare.Sign() < 0:
		return num.Qty{}, fmt.Errorf("the tare is %s %s; it must be 0 or more", tare, weightUnit)
	case gross.Less(tare):
		return num.Qty{}, fmt.Errorf("the tare, %s %s, is above the gross weight, %s %s; weigh again, or check which is which", tare, weightUnit, gross, weightUnit)
	}
	// Multiplying by a whole number rounds nothing, so both sides of the one division are exact.
	of := pieceWeight.Times(num.Whole(m.d))
	net := gross.Sub(tare).Times(num.Whole(m.n))
	if whole {
		// One millionth, shared net : of, is the whole number of pieces in millionths.
		millionths := num.QtyMillionths(1).Part(net, of)
		return bounded(millionths.Times(num.Whole(1_000_000)), "pieces")
	}
	return bounded(num.Whole(1).Part(net, of), "base units")
}
