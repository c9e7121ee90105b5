package main

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"countback/cmd/countback/typed"
	"countback/cmd/countback/words"
	"countback/ledger/event"
	"countback/ledger/near"
	"countback/ledger/num"
	"countback/ledger/unit"
)

func (m *Main) itemCmd() *cobra.Command {
	var p posting
	var d event.Item
	var packs, measures, parts, dropPacks, dropMeasures []string
	var pieceWeight, restates string
	var lead, leadMax int
	cmd := &cobra.Command{
		Use:   "item ID",
		Short: "Define a good or a supply, change one, or see what it is",
		Long: `Define an item, or change the fields that you name. A new item needs a name, a type and a unit. With nothing to change it shows what the item is.
The unit is the smallest piece that is ever used: each, mm, g or ml. Packs say how it is bought, measures how it is used;
both may be written in any unit of length, weight or volume that fits.`,
		Example: `  countback item cord --name "Cotton cord" --type supply --unit mm --pack spool="50 m" --measure wrap="310 mm" --place "cart 2"`,
		Args:    cobra.ExactArgs(1),
	}
	cmd.ValidArgsFunction = byPlace(m.itemIDs)
	p.flags(cmd)
	f := cmd.Flags()
	f.StringVar(&d.Name, "name", "", "what people call it")
	f.StringVar(&d.Type, "type", "", "good (sold), supply (used) or prepared (stands for its parts)")
	f.StringVar(&d.Unit, "unit", "", "base unit: each, mm, g or ml")
	f.StringArrayVar(&packs, "pack", nil, "how it is bought, `NAME=UNITS`, like box=150; may be repeated")
	f.StringArrayVar(&measures, "measure", nil, "how it is used, `NAME=UNITS`, like wrap=\"310 mm\"; may be repeated")
	f.StringArrayVar(&dropPacks, "drop-pack", nil, "`NAME` of a pack that it no longer has")
	f.StringArrayVar(&dropMeasures, "drop-measure", nil, "`NAME` of a measure that it no longer has")
	f.StringVar(&d.Class, "class", "", "`word` for what kind of good it is, for packing specs")
	f.Var(qtyFlag(&d.Points), "points", "room that one piece takes in a parcel")
	f.StringVar(&d.Place, "place", "", "where it lies")
	f.StringVar(&d.Supplier, "supplier", "", "who sells it")
	f.IntVar(&lead, "lead-days", 0, "`days` from order to delivery")
	f.IntVar(&leadMax, "lead-days-max", 0, "`days` in a bad case")
	f.Var(textFlag[event.Tolerance, *event.Tolerance]{&d.Tolerance, "tolerance"}, "tolerance", "how exact its counts are: 3 (base units) or 2%")
	f.StringVar(&pieceWeight, "piece-weight", "", "`weight` of one base unit, like 12.5 or \"0.4 oz\" (grams where no unit is named)")
	f.Var(moneyFlag(&d.UnitCost), "unit-cost", "estimated cost of one base unit")
	f.StringVar(&d.Barcode, "barcode", "", "its barcode")
	f.Var(moneyFlag(&d.Price), "price", "selling price of one")
	f.StringArrayVar(&parts, "part", nil, "what one prepared piece holds, `ITEM=N`; may be repeated")
	f.StringVar(&restates, "restates", "", "`EVENT` that was wrong from the start and is put right")
	complete(cmd, "type", choices("good", "supply", "prepared"))
	complete(cmd, "unit", choices("each", "mm", "g", "ml"))
	complete(cmd, "part", m.itemPairs)
	complete(cmd, "restates", m.eventIDs(event.KindItem))
	define := m.recording(&p, func(desk *desk, args []string) (event.Data, error) {
		d.Item, d.Note = args[0], p.note
		if cmd.Flags().Changed("lead-days") {
			d.LeadDays = &lead
		}
		if cmd.Flags().Changed("lead-days-max") {
			d.LeadDaysMax = &leadMax
		}
		return &d, firstError(
			desk.itemIsNew(&d),
			desk.units(&d.Packs, "pack", d.Item, d.Unit, packs, dropPacks),
			desk.units(&d.Measures, "measure", d.Item, d.Unit, measures, dropMeasures),
			desk.weight(&d.PieceWeight, pieceWeight),
			desk.parts(&d.Parts, parts),
			parseID(&d.Restates, "--restates", restates))
	})
	show := m.reading(func(desk *desk, args []string) error {
		if _, err := desk.item(args[0]); err != nil {
			return err
		}
		return m.printItem(desk.current(args[0]))
	})
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		changes := false
		cmd.LocalNonPersistentFlags().VisitAll(func(f *pflag.Flag) { changes = changes || f.Changed && f.Name != "note" && f.Name != "at" })
		switch {
		case changes:
			return define(cmd, args)
		case p.note != "" || p.at != "":
			return wrong("item", "name what changes, such as --place; countback item "+args[0]+" shows what there is", "a note or a day alone changes nothing")
		}
		return show(cmd, args)
	}
	return cmd
}

// printItem shows an item as it is defined.
func (m *Main) printItem(d *event.Item) error {
	g := &grid{columns: []column{{name: "field", head: "What"}, {name: "is", head: "It is", flexible: true}}}
	add := func(what, is string) {
		if is != "" {
			g.add(plain(what), plain(is))
		}
	}
	each := func(what string, of map[string]num.Qty) {
		for _, name := range slices.Sorted(maps.Keys(of)) {
			add(what, name+" = "+words.InUnit(of[name].String(), d.Unit))
		}
	}
	add("name", d.Name)
	add("type", d.Type)
	add("unit", d.Unit)
	each("bought in", d.Packs)
	each("used in", d.Measures)
	for _, p := range d.Parts {
		add("stands for", p.Qty.String()+" "+p.Item)
	}
	add("class", d.Class)
	if d.Points != nil && d.Points.Cmp(num.Whole(1)) != 0 {
		add("points", d.Points.String())
	}
	add("place", d.Place)
	add("supplier", d.Supplier)
	if d.LeadDays != nil {
		add("days to delivery", fmt.Sprint(*d.LeadDays))
	}
	if d.LeadDaysMax != nil {
		add("in a bad case", fmt.Sprint(*d.LeadDaysMax))
	}
	if d.Tolerance != nil {
		add("counts are exact to", d.Tolerance.String())
	}
	if d.PieceWeight != nil {
		add("weight of one", d.PieceWeight.String()+" g")
	}
	if d.UnitCost != nil {
		add("estimated cost of one", d.UnitCost.String())
	}
	add("barcode", d.Barcode)
	if d.Price != nil {
		add("price", d.Price.String())
	}
	return m.report(d, d.Item+" is defined as:", g, "To change something, name it: countback item "+d.Item+" --place \"cart 2\"")
}

func firstError(list ...error) error {
	for _, err := range list {
		if err != nil {
			return err
		}
	}
	return nil
}

// itemIsNew asks for what a first definition needs: an id that is only misspelt would else become an item of its own.
func (d *desk) itemIsNew(f *event.Item) error {
	if _, known := d.catalog.Find(f.Item); known || f.Name != "" && f.Type != "" && f.Unit != "" {
		return nil
	}
	hint := "give --name, --type and --unit"
	if alike := near.Names(f.Item, d.itemIDs()); len(alike) > 0 {
		hint += ", or did you mean " + strings.Join(alike, " or ") + "?"
	}
	return wrong("", hint, "%s is a new item, and a new item needs a name, a type and a unit", f.Item)
}

// units adds packs or measures to those that the item has. An event replaces the map whole, a person means the ones that are named.
func (d *desk) units(to *map[string]num.Qty, what, item, base string, list, drop []string) error {
	if len(list)+len(drop) == 0 {
		return nil
	}
	all := map[string]num.Qty{}
	if it, ok := d.catalog.Find(item); ok {
		base = it.Unit()
		def := d.view.Def(it.Index)
		if what == "pack" {
			maps.Copy(all, def.Packs)
		} else {
			maps.Copy(all, def.Measures)
		}
	}
	for _, text := range list {
		name, value, err := splitPair(text, "--"+what+" NAME=UNITS")
		if err != nil {
			return inPlace("--"+what, "", err)
		}
		if all[name], err = exactly(value, base); err != nil {
			return inPlace("--"+what+" "+name, "", err)
		}
	}
	for _, name := range drop {
		if _, ok := all[name]; !ok {
			hint := "it has none"
			if len(all) > 0 {
				hint = "it has " + strings.Join(slices.Sorted(maps.Keys(all)), ", ")
			}
			return wrong("--drop-"+what, hint, "item %s has no %s %q", item, what, name)
		}
		delete(all, name)
	}
	*to = all
	return nil
}

// exactly reads a quantity that must not be rounded.
func exactly(text, base string) (num.Qty, error) {
	number, word := typed.Cut(text)
	return typed.Exactly(number, word, base)
}

func (d *desk) weight(to **num.Qty, text string) error {
	if text == "" {
		return nil
	}
	q, err := unit.ParseQty(text, "g")
	if err != nil {
		return inPlace("--piece-weight", "", err)
	}
	*to = &q
	return nil
}

func (d *desk) parts(to *[]event.Part, list []string) error {
	for _, text := range list {
		id, value, err := splitPair(text, "--part ITEM=N")
		if err != nil {
			return inPlace("--part", "", err)
		}
		a, err := d.amount(id, value, "")
		if err != nil {
			return inPlace("--part", "", err)
		}
		*to = append(*to, event.Part{Item: id, Qty: d.base(id, a)})
	}
	return nil
}

// parseID reads the id of an event where one is given.
func parseID(to *event.ID, where, text string) error {
	if text == "" {
		return nil
	}
	id, err := event.ParseID(strings.ToUpper(text))
	if err != nil {
		return inPlace(where, "history and review show the ids of events", err)
	}
	*to = id
	return nil
}
