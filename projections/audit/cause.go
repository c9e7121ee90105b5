package audit

// Cause is one of the contract's causes.
type Cause string

// The causes.
const (
	ShortPack     Cause = "short_pack"
	UnitSlip      Cause = "unit_slip"
	DoubleEntry   Cause = "double_entry"
	MissingEntry  Cause = "missing_entry"
	SpecDrift     Cause = "spec_drift"
	OneOffLoss    Cause = "one_off_loss"
	SteadyLoss    Cause = "steady_loss"
	CountSlip     Cause = "count_slip"
	SpoiledRuns   Cause = "spoiled_runs"
	MoreOrders    Cause = "more_orders"
	HeavierOrders Cause = "heavier_orders"
	None          Cause = "none"
)

// causes in the order in which equals are listed.
var causes = []Cause{ShortPack, UnitSlip, DoubleEntry, MissingEntry, SpecDrift, OneOffLoss, SteadyLoss, CountSlip, SpoiledRuns, MoreOrders, HeavierOrders, None}

// odds are what each cause is taken to be before the data, against none; those about entries hold for one entry that could be such a slip, since most shops have no
// such entry at all. They were set by hand on some shops of package shops and are reported on others.
var odds = map[Cause]float64{
	ShortPack:     0.9,
	UnitSlip:      1,
	DoubleEntry:   2.5,
	MissingEntry:  1.2,
	SpecDrift:     0.7,
	OneOffLoss:    0.8,
	SteadyLoss:    0.7,
	CountSlip:     0.55,
	SpoiledRuns:   1.3,
	MoreOrders:    1.2,
	HeavierOrders: 1.6,
}
