package event_test

import (
	"testing"

	"countback/ledger/event"
)

// A number that was entered as 0 says something else than a number that was left out: a count of 0 is a count.
func TestAWrittenZeroStaysWritten(t *testing.T) {
	for _, line := range []string{
		`{"kind":"item","time":"2026-01-05T09:00:00Z","data":{"item":"card","points":"0","lead_days":0,"unit_cost":"0","price":"0"}}`,
		`{"kind":"count","time":"2026-01-05T09:00:00Z","data":{"item":"card","qty":"0","cost":"0"}}`,
		`{"kind":"count","time":"2026-01-05T09:00:00Z","data":{"item":"card","gross":"120.5","tare":"0","weight_unit":"g"}}`,
		`{"kind":"restock","time":"2026-01-05T09:00:00Z","data":{"lines":[{"item":"card","qty":"0","expected":"10","cost":"0"}],"freight":"0","duty":"0"}}`,
		`{"kind":"order","time":"2026-01-05T09:00:00Z","data":{"order":"1","zone":"near","lines":[{"item":"card","qty":"1"}],"shipping":"0"}}`,
		`{"kind":"pack","time":"2026-01-05T09:00:00Z","data":{"order":"1","changes":[{"item":"wrap","total":"0"}],"postage":"0"}}`,
	} {
		f, err := event.ParseFact([]byte(line))
		if err != nil {
			t.Errorf("%s: %v", line, err)
			continue
		}
		got, err := f.Line()
		if err != nil || string(got) != line {
			t.Errorf("wrote %s (%v)\n want %s", got, err, line)
		}
	}
}
