package words

import (
	"countback/projections/shrinkage"
)

// Verdict says whether what is missing of an item is more than chance.
func Verdict(it shrinkage.Item) string {
	switch {
	case it.Signal:
		return "more than chance"
	case it.Gain:
		return "more than booked"
	}
	return "could be chance"
}

// Reason names the reason of a write-off.
func Reason(name string) string {
	switch name {
	case "sample":
		return "samples"
	case "gift":
		return "gifts"
	case "own_use":
		return "own use"
	}
	return name
}
