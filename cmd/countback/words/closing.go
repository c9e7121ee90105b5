package words

import (
	"time"
)

// Month writes a period such as 2026-03 as March 2026.
func Month(period string) string {
	if t, err := time.Parse("2006-01", period); err == nil {
		return t.Format("January 2006")
	}
	return period
}
