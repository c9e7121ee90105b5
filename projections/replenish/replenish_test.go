package replenish_test

import (
	"encoding/json"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"countback/projections/replenish"
)

// number reads a published figure: a number, or text that begins with one.
type number float64

func (n *number) UnmarshalJSON(b []byte) error {
	text, _, _ := strings.Cut(strings.Trim(string(b), `"`), " ")
	if text == "null" {
		text = "0"
	}
	x, err := strconv.ParseFloat(text, 64)
	*n = number(x)
	return err
}

func example(t *testing.T, id string, inputs, expected any) {
	t.Helper()
	b, err := os.ReadFile("../../testdata/checks/4-replenishment.json")
	if err != nil {
		t.Fatal(err)
	}
	var all []struct {
		ID               string
		Inputs, Expected json.RawMessage
	}
	if err := json.Unmarshal(b, &all); err != nil {
		t.Fatal(err)
	}
	for _, e := range all {
		if e.ID == id {
			if err := json.Unmarshal(e.Inputs, inputs); err != nil {
				t.Fatal(err)
			}
			if err := json.Unmarshal(e.Expected, expected); err != nil {
				t.Fatal(err)
			}
			return
		}
	}
	t.Fatal("no example", id)
}

// near compares with a printed figure to its last printed place.
func near(t *testing.T, what string, got float64, want number, places int) {
	t.Helper()
	if half := 0.5000001 * math.Pow10(-places); math.Abs(got-float64(want)) > half {
		t.Errorf("%s is %v, printed %v", what, got, want)
	}
}

func TestEconomicQuantity(t *testing.T) {
	var in struct {
		Demand number `json:"annual_demand"`
		Order  number `json:"order_cost"`
		Hold   number `json:"holding_cost_per_unit_year"`
		Open   number `json:"open_days"`
		Lead   number `json:"lead_time_days"`
	}
	var want struct {
		EOQ   number
		Cost  number `json:"annual_order_plus_holding"`
		Year  number `json:"orders_per_year"`
		Cycle number `json:"cycle_days"`
		Point number `json:"reorder_point"`
	}
	for _, id := range []string{"t4-01", "t4-02"} {
		example(t, id, &in, &want)
		d, k, h := float64(in.Demand), float64(in.Order), float64(in.Hold)
		q := replenish.Economic(d, k, h)
		near(t, id+" quantity", q, want.EOQ, 4)
		near(t, id+" cost", replenish.YearlyCost(q, d, k, h), want.Cost, 4)
		if id == "t4-01" {
			near(t, "orders a year", d/q, want.Year, 4)
			near(t, "days between orders", float64(in.Open)*q/d, want.Cycle, 4)
			near(t, "reorder point", replenish.Lead{Demand: d / float64(in.Open), Days: float64(in.Lead)}.Point(0.95), want.Point, 2)
		}
	}
	if q := replenish.Economic(0, 8, 1); q != 0 {
		t.Error("without demand", q)
	}
}

func TestSafetyStockOfLeadTimeDemand(t *testing.T) {
	var in struct {
		Mean number `json:"mean_lead_time_demand"`
		SD   number `json:"sd_lead_time_demand"`
		Risk number `json:"max_stockout_risk"`
	}
	var want struct {
		Z      number `json:"z_exact"`
		Safety number `json:"safety_stock"`
		Point  number `json:"reorder_point"`
	}
	example(t, "t4-07", &in, &want)
	s := 1 - float64(in.Risk)
	near(t, "factor", replenish.Factor(s), want.Z, 6)
	near(t, "safety stock", replenish.Safety(s, float64(in.SD)), want.Safety, 2)
	near(t, "reorder point", replenish.Lead{Demand: float64(in.Mean), DemandSD: float64(in.SD), Days: 1}.Point(s), want.Point, 2)
}

// The book takes the factor from a table of two places and multiplies that (156); the exact product is 155.47.
func TestSafetyStockWithTableFactors(t *testing.T) {
	var levels struct {
		SD     number
		Mean   number   `json:"lead_time_demand"`
		Levels []number `json:"service_levels"`
	}
	var want struct {
		Factor []number `json:"safety_factor"`
		Safety []number `json:"safety_stock"`
	}
	example(t, "t4-09", &levels, &want)
	for i, s := range levels.Levels {
		near(t, "factor", replenish.Factor(float64(s)), want.Factor[i], 2)
		near(t, "safety stock", math.Round(replenish.Factor(float64(s))*100)/100*float64(levels.SD), want.Safety[i], 0)
	}
}

func TestVariableLeadTime(t *testing.T) {
	var in struct {
		Demand number `json:"demand_per_week"`
		Weeks  number `json:"mean_lead_weeks"`
		SD     number `json:"sd_lead_weeks"`
		Level  number `json:"service_level"`
	}
	var want struct {
		Point number `json:"reorder_point_exact_z"`
	}
	example(t, "t4-08", &in, &want)
	l := replenish.Lead{Demand: float64(in.Demand), Days: float64(in.Weeks), DaysSD: float64(in.SD)}
	near(t, "reorder point", l.Point(float64(in.Level)), want.Point, 2)
}

func TestVariableDemandAndLeadTime(t *testing.T) {
	var in struct {
		Demand   number `json:"mean_daily_demand"`
		DemandSD number `json:"sd_daily_demand"`
		Days     number `json:"mean_lead_days"`
		DaysSD   number `json:"sd_lead_days"`
		Level    number `json:"service_level"`
	}
	var want struct {
		SD    number `json:"sd_lead_time_demand"`
		Point number `json:"reorder_point_exact_z"`
	}
	example(t, "t4-10", &in, &want)
	l := replenish.Lead{Demand: float64(in.Demand), DemandSD: float64(in.DemandSD), Days: float64(in.Days), DaysSD: float64(in.DaysSD)}
	near(t, "standard deviation", l.SD(), want.SD, 4)
	near(t, "reorder point", l.Point(float64(in.Level)), want.Point, 2)
}

func TestNewsvendor(t *testing.T) {
	var in struct{ Mean, SD, Price, Cost, Salvage number }
	var want struct {
		Under number `json:"Cu"`
		Over  number `json:"Co"`
		Ratio number `json:"critical_ratio"`
		Qty   number `json:"q_exact_z"`
	}
	example(t, "t4-11", &in, &want)
	q, ratio := replenish.Newsvendor(float64(in.Mean), float64(in.SD), float64(in.Price-in.Cost), float64(in.Cost-in.Salvage))
	near(t, "ratio", ratio, want.Ratio, 4)
	near(t, "quantity", q, want.Qty, 3)
}

func TestLossFunctions(t *testing.T) {
	var in struct{ Mean, SD, Q number }
	var want struct {
		Loss     number `json:"L_z_exact"`
		Shortage number `json:"expected_shortage_exact"`
	}
	example(t, "t4-12", &in, &want)
	near(t, "loss", replenish.NormalLoss((float64(in.Q)-float64(in.Mean))/float64(in.SD)), want.Loss, 6)
	near(t, "shortage", replenish.Shortage(float64(in.Q), float64(in.Mean), float64(in.SD)), want.Shortage, 4)

	var p struct {
		Mean number
		Q    []int
	}
	var tables struct{ PMF, CDF, Loss []number }
	example(t, "t4-13", &p, &tables)
	for i, q := range p.Q {
		near(t, "chance", replenish.Poisson(q, float64(p.Mean)), tables.PMF[i], 6)
		near(t, "chance up to", replenish.PoissonUpTo(q, float64(p.Mean)), tables.CDF[i], 6)
		near(t, "loss", replenish.PoissonLoss(q, float64(p.Mean)), tables.Loss[i], 5)
	}
}

func TestAllUnitsDiscount(t *testing.T) {
	var in struct {
		Demand number `json:"annual_demand"`
		Order  number `json:"order_cost"`
		Rate   number `json:"holding_rate"`
		Breaks [][]number
	}
	var want struct {
		EOQ  []number          `json:"raw_eoq"`
		Cost map[string]number `json:"total_cost"`
		Best number            `json:"best_q"`
	}
	example(t, "t4-16", &in, &want)
	d, k, r := float64(in.Demand), float64(in.Order), float64(in.Rate)
	var breaks []replenish.Break
	for i, b := range in.Breaks {
		breaks = append(breaks, replenish.Break{From: float64(b[0]), Price: float64(b[2])})
		near(t, "quantity of a price", replenish.Economic(d, k, r*float64(b[2])), want.EOQ[i], 3) // √(2·1300·8/0.204) is 319.31299, written 319.3131
	}
	for n, from := range map[int]string{1: "304.0468", 2: "400", 3: "800"} { // with the first prices alone, each is best in turn
		q, cost := replenish.Discount(d, k, r, breaks[:n])
		near(t, "quantity", q, must(from), 4)
		near(t, "cost at "+from, cost, want.Cost[from], 2)
	}
	q, _ := replenish.Discount(d, k, r, breaks)
	near(t, "best quantity", q, want.Best, 9)
	// where the economic quantity at the first price has the second price already, the first is no candidate: 100,000 a year, orders at 8
	few := []replenish.Break{{From: 1, Price: 0.05}, {From: 400, Price: 0.049}}
	if q, cost := replenish.Discount(100_000, 8, 0.3, few); math.Abs(q-replenish.Economic(100_000, 8, 0.3*0.049)) > 1e-9 || cost > 0.049*100_000+200 {
		t.Error("the second price", q, cost)
	}
	dear := []replenish.Break{{From: 1, Price: 0.05}, {From: 400, Price: 0.06}} // no supplier does this; the first price is not to be had all the same
	if _, cost := replenish.Discount(100_000, 8, 0.3, dear); cost < 0.06*100_000 {
		t.Error("a price that isn't to be had for so many", cost)
	}
	if q, _ := replenish.Discount(d, k, r, nil); q != 0 {
		t.Error("without prices", q)
	}
}

func must(s string) number {
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		panic(err)
	}
	return number(x)
}
