package main

import (
	"time"

	"countback/cmd/countback/typed"
	"countback/cmd/countback/words"
	"countback/ledger/event"
)

// part is the instant of a day that a day without a time means, by what is recorded at it.
type part = typed.Part

const (
	dayStart = typed.Start
	dayNoon  = typed.Noon
	dayEnd   = typed.End
)

func partOf(k event.Kind) part { return typed.PartOf(k) }

// parseMoment reads a day or a full time; a day becomes its instant in the zone.
func parseMoment(text string, p part, zone *time.Location) (time.Time, error) {
	return typed.Moment(text, p, zone)
}

// showDay writes an instant's day as people say it.
func showDay(t time.Time) string { return words.Day(t) }

// showTime writes an instant with its time of day.
func showTime(t time.Time) string { return words.Clock(t) }
