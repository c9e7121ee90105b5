package forecast_test

import (
	"encoding/json"
	"math"
	"os"
	"testing"

	"countback/projections/forecast"
)

type published struct {
	ID     string
	Inputs struct {
		Demand []float64
		Alpha  any
		Size   float64 `json:"alpha_size"`
		Prob   float64 `json:"beta_probability"`
	}
	Expected struct {
		Full any `json:"full_precision"`
		CV2  float64
		ADI  float64 `json:"adi_periods_over_demands"`
		CV   float64 `json:"cv2_sample_variance"`
	}
}

func examples(t *testing.T) map[string]published {
	t.Helper()
	b, err := os.ReadFile("../../testdata/checks/6-forecasting.json")
	if err != nil {
		t.Fatal(err)
	}
	var raw []struct {
		ID string
		published
		Inputs   json.RawMessage
		Expected json.RawMessage
	}
	if err := json.Unmarshal(b, &raw); err != nil {
		t.Fatal(err)
	}
	out := map[string]published{}
	for _, r := range raw {
		p := published{ID: r.ID}
		// the other examples of the file have inputs of other shapes, which are not for here
		if json.Unmarshal(r.Inputs, &p.Inputs) == nil && json.Unmarshal(r.Expected, &p.Expected) == nil {
			out[r.ID] = p
		}
	}
	return out
}

func close6(t *testing.T, what string, got float64, want any) {
	t.Helper()
	w, ok := want.(float64)
	if !ok || math.Abs(got-w) > 1e-9*math.Abs(w) {
		t.Errorf("%s is %v, published %v", what, got, want)
	}
}

func TestPublishedIntermittentSeries(t *testing.T) {
	all := examples(t)
	demand := all["t6-01"].Inputs.Demand
	if len(demand) != 48 {
		t.Fatal("the series has", len(demand), "months")
	}

	full := all["t6-01"].Expected.Full.([]any)
	size, interval, perPeriod := forecast.Croston(demand, 0.1)
	close6(t, "size", size, full[0])
	close6(t, "interval", interval, full[1])
	close6(t, "Croston", perPeriod, full[2])

	for i, alpha := range all["t6-02"].Inputs.Alpha.([]any) {
		_, _, got := forecast.Croston(demand, alpha.(float64))
		close6(t, "Croston of another alpha", got, all["t6-02"].Expected.Full.([]any)[i])
	}

	close6(t, "SBA", forecast.SBA(demand, 0.1), all["t6-03"].Expected.Full)

	tsb := all["t6-04"]
	n := 0.0
	for _, x := range demand {
		if x != 0 {
			n++
		}
	}
	p, size, perPeriod := forecast.TSB(demand, tsb.Inputs.Size, tsb.Inputs.Prob, n/float64(len(demand)))
	for i, got := range []float64{p, size, perPeriod} {
		close6(t, "TSB", got, tsb.Expected.Full.([]any)[i])
	}

	c := forecast.Classify(demand)
	if math.Abs(c.Interval-all["t6-06"].Expected.ADI) > 1e-9 || math.Abs(c.CV2-all["t6-06"].Expected.CV) > 1e-9 || c.Name() != "intermittent" {
		t.Errorf("class %+v %s", c, c.Name())
	}
}

func TestSeriesWithoutDemand(t *testing.T) {
	if s, i, f := forecast.Croston([]float64{0, 0}, 0.1); s != 0 || i != 0 || f != 0 {
		t.Error(s, i, f)
	}
	if p, s, f := forecast.TSB([]float64{0, 0}, 0.1, 0.5, 1); p != 0.25 || s != 0 || f != 0 {
		t.Error(p, s, f)
	}
	if c := forecast.Classify(nil); c.Name() != "none" {
		t.Error(c.Name())
	}
}

func TestClasses(t *testing.T) {
	for want, d := range map[string][]float64{
		"smooth": {3, 4, 3, 4}, "erratic": {1, 9, 1, 9, 30}, "intermittent": {0, 3, 0, 3, 0, 4}, "lumpy": {0, 1, 0, 30, 0, 1},
	} {
		if got := forecast.Classify(d).Name(); got != want {
			t.Errorf("%v is %s, want %s", d, got, want)
		}
	}
}
