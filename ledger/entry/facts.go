package entry

import (
	"cmp"
	"fmt"
	"slices"

	"countback/ledger/currency"
	"countback/ledger/event"
	"countback/ledger/landed"
	"countback/ledger/near"
	"countback/ledger/num"
	"countback/ledger/unit"
)

// rest looks at what isn't a definition.
func (c *checker) rest() {
	c.each(func(i int, f *event.Fact) {
		switch d := f.Data.(type) {
		case *event.Order:
			c.goods(i, "lines", d.Lines)
		case *event.Pack:
			c.pack(i, d)
		case *event.Return:
			c.returned(i, d)
		case *event.Purchase:
			c.purchase(i, d)
		case *event.Restock:
			c.restock(i, d)
		case *event.Credit:
			c.credit(i, d)
		case *event.Reprint:
			c.reprint(i, d)
		case *event.Damage:
			if it, ok := c.item(i, "item", d.Item); ok {
				c.unit(i, "measure", it, "measure", d.Measure)
			}
		case *event.Count:
			c.count(i, d)
		case *event.Reverse:
			c.reverse(i, d)
		case *event.Decide:
			c.decide(i, d)
		case *event.Close:
			c.close(i, d)
		}
	})
}

func (c *checker) goods(i int, field string, lines []event.Goods) {
	for n := range lines {
		if _, ok := c.after.Find(lines[n].Item); !ok {
			c.item(i, fmt.Sprintf("%s[%d].item", field, n), lines[n].Item)
			return
		}
	}
}

// known reports whether an order or a pack of that number stands in the ledger or the list; held: one that says what the order held.
func (c *checker) known(number string, held bool) bool {
	if c.numbers == nil {
		c.numbers = map[string]bool{}
		for k := range c.facts {
			switch d := c.facts[k].Data.(type) {
			case *event.Order:
				c.numbers[d.Order] = true
			case *event.Pack:
				c.numbers[d.Order] = c.numbers[d.Order] || d.Lines != nil
			}
		}
	}
	if says, ok := c.numbers[number]; ok && (says || !held) {
		return true
	}
	ok, err := c.k.Order(number)
	if err != nil {
		c.err = err
	}
	return ok
}

func (c *checker) pack(i int, d *event.Pack) {
	c.goods(i, "lines", d.Lines)
	if d.Lines == nil && !c.known(d.Order, true) {
		c.fail(i, "order", "record the order first, or say in lines what was packed", "nothing is known of order %s, and the pack doesn't say what it held", d.Order)
	}
	if d.Joined == d.Order {
		c.fail(i, "joined", "name the order in whose parcel it travels", "order %s can't join itself", d.Order)
	}
	for n, p := range d.Parcels {
		at := fmt.Sprintf("parcels[%d].", n)
		if p.Format != "none" {
			c.format(i, at+"format", p.Format)
		}
		c.goods(i, at+"lines", p.Lines)
	}
	if d.Parcels != nil && d.Lines != nil {
		c.parcels(i, d)
	}
	c.changes(i, d.Changes)
	c.spec(i, d.Spec, event.KindPackSpec, "")
}

// format looks for a parcel format in every packing spec there ever was.
func (c *checker) format(i int, field, name string) {
	if c.formats == nil {
		c.formats = []string{}
		for _, s := range c.setups {
			if d, ok := s.Event.Data.(*event.PackSpec); ok {
				for _, f := range d.Formats {
					c.formats = append(c.formats, f.Format)
				}
			}
		}
		slices.Sort(c.formats)
		c.formats = slices.Compact(c.formats)
	}
	if _, ok := slices.BinarySearch(c.formats, name); ok {
		return
	}
	hint := "define it in a packspec, or write none for goods handed over without a parcel"
	if alike := near.Names(name, c.formats); len(alike) > 0 {
		hint = "write " + orList(alike) + ", or " + hint
	}
	c.fail(i, field, hint, "no packing spec has a format %s", name)
}

// parcels compares what the parcels hold with what was packed.
func (c *checker) parcels(i int, d *event.Pack) {
	left := map[string]num.Qty{}
	for _, l := range d.Lines {
		left[l.Item] = left[l.Item].Add(l.Qty)
	}
	for _, p := range d.Parcels {
		for _, l := range p.Lines {
			left[l.Item] = left[l.Item].Sub(l.Qty)
		}
	}
	items := make([]string, 0, len(left))
	for id, q := range left {
		if !q.IsZero() {
			items = append(items, id)
		}
	}
	if len(items) == 0 {
		return
	}
	slices.Sort(items)
	way := "fewer"
	if left[items[0]].Sign() < 0 {
		way = "more"
	}
	c.fail(i, "parcels", "make lines and parcels the same in sum, or leave parcels out", "the parcels hold %s %s %s than were packed", left[items[0]].Abs(), way, items[0])
}

func (c *checker) changes(i int, list []event.Change) {
	for n := range list {
		ch := &list[n]
		at := fmt.Sprintf("changes[%d].", n)
		if it, ok := c.item(i, at+"item", ch.Item); ok {
			c.unit(i, at+"measure", it, "measure", ch.Measure)
		}
		if ch.InsteadOf == "" {
			continue
		}
		c.item(i, at+"instead_of", ch.InsteadOf)
		if ch.InsteadOf == ch.Item {
			c.fail(i, at+"instead_of", "leave it out, or name the other item", "%s can't stand in for itself", ch.Item)
		}
	}
}

func (c *checker) returned(i int, d *event.Return) {
	for n, l := range d.Lines {
		c.item(i, fmt.Sprintf("lines[%d].item", n), l.Item)
	}
	if !c.known(d.Order, false) {
		c.fail(i, "order", "check the number, or record its order or pack first", "order %s was never placed or packed", d.Order)
	}
}

func (c *checker) purchase(i int, d *event.Purchase) {
	for n, l := range d.Lines {
		at := fmt.Sprintf("lines[%d].", n)
		if it, ok := c.stocked(i, at+"item", l.Item, "bought"); ok {
			c.unit(i, at+"pack", it, "pack", l.Pack)
		}
	}
}

func (c *checker) restock(i int, d *event.Restock) {
	for n, l := range d.Lines {
		at := fmt.Sprintf("lines[%d].", n)
		if it, ok := c.stocked(i, at+"item", l.Item, "received"); ok {
			c.unit(i, at+"pack", it, "pack", l.Pack)
		}
	}
	c.foreign(i, d.Currency)
	if !d.Purchase.IsZero() {
		c.need(i, "purchase", d.Purchase, event.KindPurchase)
	}
	if d.Discount == nil {
		return
	}
	if _, ok := landed.Costs(d, c.digits()); !ok {
		c.fail(i, "discount", "correct the discount or the costs; a refund is a credit", "%s is above the sum of the lines' costs", d.Discount)
	}
}

// digits of the shop's minor unit.
func (c *checker) digits() int {
	if n, ok := currency.Digits(c.after.Shop.Currency); ok {
		return n
	}
	return 2
}

// foreign looks at the currency of an invoice that was converted.
func (c *checker) foreign(i int, code string) {
	c.currency(i, "currency", code)
	if code != "" && code == c.after.Shop.Currency {
		c.fail(i, "currency", "leave out currency and rate", "%s is the shop's own currency, which needs no rate", code)
	}
}

func (c *checker) credit(i int, d *event.Credit) {
	for n, l := range d.Lines {
		c.stocked(i, fmt.Sprintf("lines[%d].item", n), l.Item, "credited")
	}
	c.foreign(i, d.Currency)
	r := c.need(i, "restock", d.Restock, event.KindRestock)
	if r == nil {
		return
	}
	received := r.data.(*event.Restock).Lines
	for n, l := range d.Lines {
		if !slices.ContainsFunc(received, func(r event.RestockLine) bool { return r.Item == l.Item }) {
			var has []string
			for _, r := range received {
				has = append(has, r.Item)
			}
			c.fail(i, fmt.Sprintf("lines[%d].item", n), "that restock brought "+andList(has), "restock %s has no line of %s", d.Restock, l.Item)
		}
	}
}

func (c *checker) reprint(i int, d *event.Reprint) {
	c.stocked(i, "item", d.Item, "made in a run")
	c.changes(i, d.Changes)
	c.spec(i, d.Spec, event.KindMakeSpec, d.Item)
}

func (c *checker) count(i int, d *event.Count) {
	it, ok := c.item(i, "item", d.Item)
	if !ok {
		return
	}
	c.unit(i, "measure", it, "measure", d.Measure)
	c.unit(i, "pack", it, "pack", d.Pack)
	if it.Prepared() && d.Session == "" {
		c.fail(i, "session", "give a session, and count in it "+c.partsOf(it)+" as well", "item %s is prepared, and a count of it alone says nothing of its parts", d.Item)
	}
	if err := c.weights[i]; err != nil {
		c.fail(i, "gross", "", "%s: %s", d.Item, err)
	}
}

// weighings works out the counts by weight, by the piece weights in force at each.
func (c *checker) weighings() {
	var at []int
	c.each(func(i int, f *event.Fact) {
		if d, ok := f.Data.(*event.Count); ok && d.Qty == nil {
			at = append(at, i)
		}
	})
	if len(at) == 0 {
		return
	}
	place := func(i int) event.Key {
		return event.Key{Ms: c.facts[i].Time.Ms(), Rank: event.KindCount.Rank(), ID: c.facts[i].ID}
	}
	slices.SortFunc(at, func(a, b int) int { return cmp.Or(place(a).Compare(place(b)), cmp.Compare(a, b)) })
	c.weights = map[int]error{}
	view := c.after.Start()
	for _, i := range at {
		d := c.facts[i].Data.(*event.Count)
		it, ok := c.after.Find(d.Item)
		if !ok {
			continue
		}
		view.To(place(i))
		one := num.Whole(1)
		weight := view.Def(it.Index).PieceWeight
		if it.Unit() == "g" {
			weight = &one
		}
		if weight == nil {
			c.weights[i] = c.noWeight(it.Index, it.Unit())
		} else if _, err := unit.Pieces(*d.Gross, *d.Tare, d.WeightUnit, *weight, it.Unit() == "each"); err != nil {
			c.weights[i] = err
		}
	}
}

// noWeight says that a weight tells no number.
func (c *checker) noWeight(n int, base string) error {
	what := "one " + base
	if base == "each" {
		what = "one piece"
	}
	if c.end.Def(n).PieceWeight != nil {
		return fmt.Errorf("no piece_weight was in force then, so a weight says nothing about its number; add piece_weight (grams of %s) with restates to its first definition", what)
	}
	return fmt.Errorf("it has no piece_weight, so a weight says nothing about its number; add piece_weight (grams of %s) to the item, or count it by number", what)
}
