package event

import (
	"maps"
	"slices"
	"strings"

	"countback/ledger/num"
)

// Limits on text, in characters. A whole event is at most MaxLine bytes.
const (
	MaxName = 100   // ids, names, places, suppliers, packs, measures …
	MaxText = 2000  // notes and reasons
	MaxList = 1000  // lines of one event
	MaxLine = 65536 // bytes of one event
)

// FieldError says which field of an event's data is wrong, and why.
type FieldError struct {
	Field string
	Why   string
}

func (e *FieldError) Error() string {
	if e.Field == "" {
		return e.Why
	}
	return e.Field + ": " + e.Why
}

// Check says whether data is of the shape that its kind's schema states; the error is a *FieldError. It looks at nothing but the data.
func Check(d Data) error {
	var c checker
	d.check(&c)
	if c.err == nil {
		return nil
	}
	return c.err
}

func (s *Shop) check(c *checker) {
	c.optName("name", s.Name)
	c.currency("currency", s.Currency)
	if s.Zone != "" && !matches(s.Zone, 1, 64, "A", "Z", "a", "z", "0", "9", "_", "_", "+", "+", "-", "-", "/", "/") {
		c.fail("zone", "is %q; give an IANA time zone, like America/Halifax", clip(s.Zone))
	}
	c.optOneOf("costing", s.Costing, "average", "fifo")
	if s.Keeper != "" {
		c.device("keeper", s.Keeper)
	}
	c.note(s.Note)
}

func (d *Item) check(c *checker) {
	c.name("item", d.Item)
	c.optName("name", d.Name)
	c.optOneOf("type", d.Type, "good", "supply", "prepared")
	c.optOneOf("unit", d.Unit, "each", "mm", "g", "ml")
	c.units("packs", d.Packs)
	c.units("measures", d.Measures)
	c.optName("class", d.Class)
	optFrom0(c, "points", d.Points)
	c.optName("place", d.Place)
	c.optName("supplier", d.Supplier)
	for _, f := range []struct {
		name string
		days *int
	}{{"lead_days", d.LeadDays}, {"lead_days_max", d.LeadDaysMax}} {
		if f.days != nil && (*f.days < 0 || *f.days > 3650) {
			c.fail(f.name, "must be whole days from 0 to 3650")
		}
	}
	optAbove0(c, "piece_weight", d.PieceWeight)
	optFrom0(c, "unit_cost", d.UnitCost)
	c.optName("barcode", d.Barcode)
	optFrom0(c, "price", d.Price)
	listOf(c, "parts", d.Parts, false, func(p *Part) {
		c.name("item", p.Item)
		c.above0("qty", p.Qty)
	})
	c.note(d.Note)
}

func (d *Retire) check(c *checker) {
	c.name("item", d.Item)
	c.note(d.Note)
}

func (l *Line) check(c *checker, per ...string) {
	c.name("item", l.Item)
	c.above0("qty", l.Qty)
	c.measureOrPack(l.Measure, l.Pack)
	c.oneOf("per", l.Per, per...)
	c.optName("class", l.Class)
	c.optName("good", l.Good)
	c.names("zones", l.Zones)
	optAbove0(c, "from", l.From)
	optAbove0(c, "to", l.To)
	optAbove0(c, "every", l.Every)
	c.optName("option", l.Option)
}

func (c *checker) measureOrPack(measure, pack string) {
	c.optName("measure", measure)
	c.optName("pack", pack)
	if measure != "" && pack != "" {
		c.fail("pack", "stands beside a measure; give one of the two")
	}
}

func (d *PackSpec) check(c *checker) {
	listOf(c, "lines", d.Lines, false, func(l *Line) { l.check(c, "order", "unit") })
	listOf(c, "formats", d.Formats, true, func(f *Format) {
		c.name("format", f.Format)
		if f.Format == "none" {
			c.fail("format", "none is the word for goods handed over without a parcel; choose another name")
		}
		c.names("accepts", f.Accepts)
		optAbove0(c, "holds", f.Holds)
		listOf(c, "lines", f.Lines, false, func(l *Line) { l.check(c, "parcel", "unit", "order") })
	})
	c.note(d.Note)
}

func (d *MakeSpec) check(c *checker) {
	c.name("item", d.Item)
	c.above0("pieces", d.Pieces)
	listOf(c, "lines", d.Lines, true, func(l *Line) {
		l.check(c, "cycle", "piece")
		if l.Class != "" || l.Good != "" || l.Zones != nil || l.Option != "" || l.From != nil || l.To != nil {
			c.fail("", "class, good, zones, from, to and option look at an order; a make spec's line has item, qty, measure or pack, per and every")
		}
	})
	optFrom0(c, "normal_spoilage", d.NormalSpoilage)
	if d.NormalSpoilage != nil && num.Whole(1).Less(*d.NormalSpoilage) {
		c.fail("normal_spoilage", "is a fraction of all pieces, from 0 to 1; write 0.05 for 5 %%")
	}
	c.note(d.Note)
}

func (d *Order) check(c *checker) {
	c.name("order", d.Order)
	c.name("zone", d.Zone)
	c.goods("lines", d.Lines, true)
	c.names("options", d.Options)
	optFrom0(c, "value", d.Value)
	optFrom0(c, "shipping", d.Shipping)
	c.note(d.Note)
}

func (d *Pack) check(c *checker) {
	c.name("order", d.Order)
	c.optName("zone", d.Zone)
	c.goods("lines", d.Lines, false)
	c.names("options", d.Options)
	listOf(c, "parcels", d.Parcels, false, func(p *Parcel) {
		c.name("format", p.Format)
		c.goods("lines", p.Lines, true)
	})
	c.optName("joined", d.Joined)
	if d.Joined != "" && d.Parcels != nil {
		c.fail("parcels", "stand beside joined; an order that travels in another's parcel has none of its own")
	}
	c.changes(d.Changes)
	optFrom0(c, "postage", d.Postage)
	c.onlyTrue("resend", d.Resend)
	c.note(d.Note)
}

func (c *checker) onlyTrue(field string, b *bool) {
	if b != nil && !*b {
		c.fail(field, "can only be true; leave it out otherwise")
	}
}

func (c *checker) changes(list []Change) {
	listOf(c, "changes", list, false, func(ch *Change) {
		c.name("item", ch.Item)
		if (ch.Qty == nil) == (ch.Total == nil) {
			c.fail("", "give either qty (added, signed) or total (the whole use)")
		}
		if ch.Qty != nil && ch.Qty.IsZero() {
			c.fail("qty", "is 0 and changes nothing; for none at all write total 0")
		}
		optFrom0(c, "total", ch.Total)
		if ch.InsteadOf != "" && ch.Total == nil {
			c.fail("instead_of", "goes with total")
		}
		c.optName("instead_of", ch.InsteadOf)
		c.optName("measure", ch.Measure)
	})
}

func (d *Return) check(c *checker) {
	c.name("order", d.Order)
	listOf(c, "lines", d.Lines, true, func(l *ReturnLine) {
		c.name("item", l.Item)
		c.whole("qty", l.Qty)
		c.oneOf("condition", l.Condition, "saleable", "scrap")
	})
	c.note(d.Note)
}

func (d *Purchase) check(c *checker) {
	c.name("supplier", d.Supplier)
	c.optName("ref", d.Ref)
	listOf(c, "lines", d.Lines, true, func(l *PurchaseLine) {
		c.name("item", l.Item)
		c.above0("qty", l.Qty)
		c.optName("pack", l.Pack)
		optFrom0(c, "cost", l.Cost)
	})
	c.note(d.Note)
}

func (d *Restock) check(c *checker) {
	c.optName("supplier", d.Supplier)
	c.optName("ref", d.Ref)
	c.onlyTrue("final", d.Final)
	listOf(c, "lines", d.Lines, true, func(l *RestockLine) {
		c.name("item", l.Item)
		from0(c, "qty", l.Qty)
		if l.Qty != nil && l.Qty.IsZero() && l.Expected == nil {
			c.fail("qty", "may be 0 only beside expected, where something was due and nothing came")
		}
		c.optName("pack", l.Pack)
		optAbove0(c, "expected", l.Expected)
		from0(c, "cost", l.Cost)
	})
	optFrom0(c, "freight", d.Freight)
	optFrom0(c, "duty", d.Duty)
	optFrom0(c, "tax", d.Tax)
	optFrom0(c, "discount", d.Discount)
	c.currencyAndRate(d.Currency, d.Rate)
	c.note(d.Note)
}

func (d *Credit) check(c *checker) {
	c.require("restock", !d.Restock.IsZero())
	listOf(c, "lines", d.Lines, true, func(l *CreditLine) {
		c.name("item", l.Item)
		optAbove0(c, "qty", l.Qty)
		c.require("amount", l.Amount != nil)
	})
	c.currencyAndRate(d.Currency, d.Rate)
	c.text("reason", d.Reason, MaxText)
	c.note(d.Note)
}

func (d *Reprint) check(c *checker) {
	c.name("item", d.Item)
	from0(c, "good", d.Good)
	from0(c, "spoiled", d.Spoiled)
	if d.Good != nil && d.Spoiled != nil && d.Good.IsZero() && d.Spoiled.IsZero() {
		c.fail("good", "and spoiled are both 0; a run makes at least one piece")
	}
	optAbove0(c, "cycles", d.Cycles)
	c.changes(d.Changes)
	c.optName("order", d.Order)
	c.text("reason", d.Reason, MaxText)
	c.note(d.Note)
}

func (d *Damage) check(c *checker) {
	c.name("item", d.Item)
	c.above0("qty", d.Qty)
	c.optName("measure", d.Measure)
	c.oneOf("reason", d.Reason, "damaged", "spoiled", "expired", "sample", "gift", "own_use", "other")
	c.note(d.Note)
	c.optName("order", d.Order)
}

func (d *Count) check(c *checker) {
	c.name("item", d.Item)
	c.measureOrPack(d.Measure, d.Pack)
	if d.Qty != nil {
		optFrom0(c, "qty", d.Qty)
		if d.Gross != nil || d.Tare != nil || d.WeightUnit != "" {
			c.fail("gross", "stands beside qty; count by number or by weight")
		}
	} else {
		if d.Gross == nil && d.Tare == nil && d.WeightUnit == "" {
			c.fail("qty", "is missing (or gross, tare and weight_unit)")
		}
		if d.Measure != "" || d.Pack != "" {
			c.fail("measure", "and pack go with qty, not with a weight")
		}
		c.require("gross", d.Gross != nil)
		optAbove0(c, "gross", d.Gross)
		from0(c, "tare", d.Tare)
		c.oneOf("weight_unit", d.WeightUnit, "g", "kg", "oz", "lb")
	}
	c.optName("place", d.Place)
	c.optName("session", d.Session)
	optFrom0(c, "cost", d.Cost)
	c.note(d.Note)
}

func (d *Reverse) check(c *checker) {
	c.require("event", !d.Event.IsZero())
	c.require("reason", d.Reason != "")
	c.text("reason", d.Reason, MaxText)
	c.note(d.Note)
}

func (d *Decide) check(c *checker) {
	c.require("event", !d.Event.IsZero())
	c.require("keep", d.Keep != nil)
	c.text("reason", d.Reason, MaxText)
	c.note(d.Note)
}

func (d *Close) check(c *checker) {
	if !validPeriod(d.Period) {
		c.fail("period", "is not a month, like 2026-03")
	}
	c.require("upto", len(d.Upto) > 0)
	for _, dev := range slices.Sorted(maps.Keys(d.Upto)) {
		c.in("upto", func() {
			c.device(dev, dev)
			c.seq(dev+".seq", d.Upto[dev].Seq)
			c.hash(dev+".hash", d.Upto[dev].Hash)
		})
	}
	c.hash("digest.average", d.Digest.Average)
	c.hash("digest.fifo", d.Digest.FIFO)
	c.name("engine", d.Engine)
	listOf(c, "accepted", d.Accepted, false, func(*ID) {})
}

func validPeriod(s string) bool {
	return len(s) == 7 && s[4] == '-' && matches(s[:4], 4, 4, "0", "9") && matches(s[5:], 2, 2, "0", "9") && s[5:] >= "01" && s[5:] <= "12"
}

func (c *checker) seq(field string, n int64) {
	if n < 1 || n > MaxSeq {
		c.fail(field, "must be a whole number from 1 to %d", int64(MaxSeq))
	}
}

func (d *Device) check(c *checker) {
	if !strings.HasPrefix(d.Key, "U") || !matches(d.Key, 56, 56, "A", "Z", "2", "7") {
		c.fail("key", "is not a NATS nkeys public user key (56 characters, beginning with U)")
	}
	c.name("name", d.Name)
	c.oneOf("role", d.Role, "desk", "phone")
	c.device("by", d.By)
	c.signature("endorsement", d.Endorsement)
	if d.Succeeds != "" {
		c.device("succeeds", d.Succeeds)
	}
}

func (d *Revoke) check(c *checker) {
	c.device("device", d.Device)
	c.seq("last", d.Last)
	c.hash("hash", d.Hash)
	c.require("reason", d.Reason != "")
	c.text("reason", d.Reason, MaxText)
}
