package entry

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"countback/ledger/catalog"
	"countback/ledger/currency"
	"countback/ledger/event"
	"countback/ledger/near"
	"countback/ledger/num"
	"countback/ledger/unit"
)

// setup looks at definitions: shop, item, retire, packspec and makespec.
func (c *checker) setup() {
	c.each(func(i int, f *event.Fact) {
		switch d := f.Data.(type) {
		case *event.Shop:
			c.shop(i, d)
		case *event.Item:
			c.define(i, d)
		case *event.Retire:
			c.item(i, "item", d.Item)
		case *event.PackSpec:
			c.packSpec(i, d)
		case *event.MakeSpec:
			c.makeSpec(i, d)
		default:
			return
		}
		if why, void := c.after.Void[c.made[i]]; void {
			c.fail(i, "", "correct it and record it again", "it would not count: %s", why)
		}
	})
}

// shop looks at settings. Currency and zone hold for all time as first given, so a later one that differs would be without effect.
func (c *checker) shop(i int, d *event.Shop) {
	c.currency(i, "currency", d.Currency)
	if d.Zone != "" {
		if err := c.zone(d.Zone); err != nil {
			c.fail(i, "zone", "give one like America/Halifax", "time zone %s is not known here", d.Zone)
		}
	}
	for _, s := range []struct{ field, given, before, after string }{
		{"currency", d.Currency, c.before.Shop.Currency, c.after.Shop.Currency},
		{"zone", d.Zone, c.before.Shop.Zone, c.after.Shop.Zone},
	} {
		has := s.before
		if has == "" {
			has = s.after
		}
		if s.given != "" && s.given != has {
			c.fail(i, s.field, "leave it out; another one needs a ledger of its own (countback init)", "the shop's %s is %s and can't become %s", s.field, has, s.given)
		}
	}
}

func (c *checker) currency(i int, field, code string) {
	if code == "" {
		return
	}
	if _, ok := currency.Digits(code); ok {
		return
	}
	hint := "give a code of ISO 4217, like CAD"
	if alike := near.Names(code, currency.Codes()); len(alike) > 0 {
		hint = "write " + orList(alike)
	}
	c.fail(i, field, hint, "%s is not a currency of ISO 4217", code)
}

// define looks at an item event.
func (c *checker) define(i int, d *event.Item) {
	it, known := c.after.Find(d.Item)
	if !known {
		c.firstDefinition(i, d)
		return
	}
	first := it.First()
	if b, ok := c.before.Find(d.Item); ok { // a definition dated before the ledger's own would otherwise stand first and make that one void
		first = b.First()
	}
	for _, s := range []struct{ field, given, has string }{{"type", d.Type, first.Type}, {"unit", d.Unit, first.Unit}} {
		if s.given != "" && s.given != s.has {
			c.fail(i, s.field, "leave it out, or define a new item under another id", "item %s is defined with %s %s, which never changes; it can't become %s", d.Item, s.field, s.has, s.given)
		}
	}
	if d.LeadDays != nil && d.LeadDaysMax != nil && *d.LeadDaysMax < *d.LeadDays {
		c.fail(i, "lead_days_max", "swap them", "%d is below lead_days, %d", *d.LeadDaysMax, *d.LeadDays)
	}
	c.names(i, d, it)
	c.parts(i, d, it.Prepared())
	c.restates(i, d.Restates)
}

// names looks at what is new and would be read as something else: "2m" as two metres, never as two of a pack called m, and "x=1=2" as nothing at all.
func (c *checker) names(i int, d *event.Item, it *catalog.Item) {
	was := &catalog.Def{}
	if b, known := c.before.Find(d.Item); known {
		was = c.before.End().Def(b.Index)
	} else if strings.Contains(d.Item, "=") {
		c.fail(i, "item", "choose an id without it", "the id %s holds an equals sign, which parts an item from its number", d.Item)
	}
	for _, n := range []struct {
		field, what string
		given, had  map[string]num.Qty
	}{{"packs", "pack", d.Packs, was.Packs}, {"measures", "measure", d.Measures, was.Measures}} {
		for _, name := range slices.Sorted(maps.Keys(n.given)) {
			if _, had := n.had[name]; had {
				continue
			}
			switch {
			case unit.Is(name, it.Unit()):
				c.fail(i, n.field, "give it a name of its own, like spool", "%s is a unit that %s is counted in, so no %s can be called so", name, d.Item, n.what)
			case strings.ContainsAny(name, "=,;"):
				c.fail(i, n.field, "give each a name without it", "%q can't be the name of one %s: an equals sign, a comma and a semicolon part names from numbers", name, n.what)
			}
		}
	}
}

// firstDefinition says what an item event lacks that nothing else defines.
func (c *checker) firstDefinition(i int, d *event.Item) {
	if !d.Restates.IsZero() {
		c.restates(i, d.Restates)
		c.item(i, "item", d.Item)
		return
	}
	var lacks []string
	for _, s := range []struct{ field, given string }{{"name", d.Name}, {"type", d.Type}, {"unit", d.Unit}} {
		if s.given == "" {
			lacks = append(lacks, s.field)
		}
	}
	if len(lacks) == 0 { // it names parts that aren't there, so it defines nothing
		c.parts(i, d, d.Type == "prepared")
		return
	}
	names := make([]string, len(c.after.Items))
	for n, it := range c.after.Items {
		names[n] = it.ID
	}
	hint := "add " + andList(lacks)
	if alike := near.Names(d.Item, names); len(alike) > 0 {
		hint += ", or write " + orList(alike) + " if that was meant"
	}
	c.fail(i, lacks[0], hint, "item %s is new, and its first definition needs name, type and unit", d.Item)
}

// parts looks at what a prepared item stands for. That it has parts at all is asked of the event that first defines it.
func (c *checker) parts(i int, d *event.Item, prepared bool) {
	switch {
	case !prepared && d.Parts != nil:
		c.fail(i, "parts", "leave them out (what a run uses goes in a makespec), or define a new item of type prepared", "item %s is not prepared, so it has no parts", d.Item)
	case prepared && d.Parts == nil && d.Type != "" && d.Name != "" && d.Unit != "" && d.Restates.IsZero() && !c.hasParts(d.Item):
		c.fail(i, "parts", "add parts, like [{\"item\":\"card\",\"qty\":\"5\"}]", "item %s is prepared, and nothing says from what", d.Item)
	}
	for n, p := range d.Parts {
		field := fmt.Sprintf("parts[%d].item", n)
		if p.Item == d.Item {
			c.fail(i, field, "name what it is prepared from", "item %s can't be a part of itself", d.Item)
		}
		c.item(i, field, p.Item)
	}
}

func (c *checker) hasParts(id string) bool {
	it, ok := c.after.Find(id)
	return ok && it.First().Parts != nil
}

func (c *checker) packSpec(i int, d *event.PackSpec) {
	c.lines(i, "lines", d.Lines)
	seen := map[string]bool{}
	for n, f := range d.Formats {
		at := fmt.Sprintf("formats[%d].", n)
		if seen[f.Format] {
			c.fail(i, at+"format", "give each format once, or another name", "format %s stands twice", f.Format)
		}
		seen[f.Format] = true
		c.lines(i, at+"lines", f.Lines)
	}
	c.restates(i, d.Restates)
}

func (c *checker) makeSpec(i int, d *event.MakeSpec) {
	c.stocked(i, "item", d.Item, "made in a run")
	c.lines(i, "lines", d.Lines)
	c.restates(i, d.Restates)
}

// lines looks at the lines of a spec.
func (c *checker) lines(i int, field string, lines []event.Line) {
	for n := range lines {
		l := &lines[n]
		at := fmt.Sprintf("%s[%d].", field, n)
		if it, ok := c.item(i, at+"item", l.Item); ok {
			c.unit(i, at+"measure", it, "measure", l.Measure)
			c.unit(i, at+"pack", it, "pack", l.Pack)
		}
		if l.Good != "" {
			c.item(i, at+"good", l.Good)
		}
		if l.From != nil && l.To != nil && l.To.Less(*l.From) {
			c.fail(i, at+"to", "swap them", "%s is below from, %s, so the line would never apply", l.To, l.From)
		}
	}
}

// circles refuses items that are made or prepared from themselves, over any number of steps, by the definitions in force at the end.
// Circles of the ledger's own, to which the list adds nothing, stay out of it.
func (c *checker) circles() {
	touched := map[int]int{} // item to the first fact that says what it is made of
	c.each(func(i int, f *event.Fact) {
		var id string
		switch d := f.Data.(type) {
		case *event.MakeSpec:
			id = d.Item
		case *event.Item:
			if d.Parts != nil {
				id = d.Item
			}
		}
		if it, ok := c.after.Find(id); ok {
			if _, seen := touched[it.Index]; !seen {
				touched[it.Index] = i
			}
		}
	})
	if len(touched) == 0 {
		return
	}
	roots := make([]int, 0, len(touched))
	for n := range touched {
		roots = append(roots, n)
	}
	slices.Sort(roots)
	w := walk{c: c, state: make([]uint8, len(c.after.Items)), found: func(circle []int) { c.circle(circle, touched) }}
	for _, n := range roots {
		w.from(n)
	}
}

// circle reports a circle at the first fact that has a part in it.
func (c *checker) circle(circle []int, touched map[int]int) {
	at, first := -1, 0
	for k, n := range circle {
		if i, ok := touched[n]; ok && (at < 0 || i < at) {
			at, first = i, k
		}
	}
	if at < 0 {
		return
	}
	circle = append(slices.Clone(circle[first:]), circle[:first]...)
	names := make([]string, 0, len(circle)+1)
	for _, n := range circle {
		names = append(names, c.after.Items[n].ID)
	}
	const most = 8
	if len(names) > most {
		names = append(names[:most:most], "…")
	}
	names = append(names, names[0])
	field, how := "lines", "made"
	if c.after.Items[circle[0]].Prepared() {
		field, how = "parts", "prepared"
	}
	c.fail(at, field, "take one of them out", "%s would be %s from itself: %s", names[0], how, strings.Join(names, " from "))
}

// walk goes from items to what they are made of, each item once.
type walk struct {
	c     *checker
	state []uint8 // 0 not seen, 1 on the path, 2 done
	path  []int
	found func(circle []int)
}

func (w *walk) from(n int) {
	switch w.state[n] {
	case 1:
		w.found(w.path[slices.Index(w.path, n):])
		return
	case 2:
		return
	}
	w.state[n] = 1
	w.path = append(w.path, n)
	w.c.inputs(n, w.from)
	w.path = w.path[:len(w.path)-1]
	w.state[n] = 2
}

// inputs calls fn for what an item is made or prepared from.
func (c *checker) inputs(n int, fn func(int)) {
	if c.after.Items[n].Prepared() {
		for _, p := range c.end.Def(n).Parts {
			if it, ok := c.after.Find(p.Item); ok {
				fn(it.Index)
			}
		}
		return
	}
	if m := c.end.Make(n); m != nil {
		for _, l := range m.Data.Lines {
			if it, ok := c.after.Find(l.Item); ok {
				fn(it.Index)
			}
		}
	}
}
