package main

import (
	"cmp"
	"fmt"
	"io"
	"net/url"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	qr "github.com/piglig/go-qr"
	"github.com/spf13/cobra"

	"countback/cmd/countback/paper"
	"countback/ledger/catalog"
	"countback/sync/pair"
)

// labelOptions are what labels was asked for.
type labelOptions struct {
	pdf, size, custom, place, door string
	start, copies                  int
}

// labelRow is one label.
type labelRow struct {
	Item  string `json:"item"`
	Name  string `json:"name"`
	Place string `json:"place,omitempty"`
	Link  string `json:"link"`
}

func (m *Main) labelsCmd() *cobra.Command {
	var o labelOptions
	cmd := &cobra.Command{
		Use:   "labels [ITEM…]",
		Short: "Labels for shelves and bins, with a code that opens the recorder at their item",
		Long: `Print labels for the places where items lie: the name, and a QR code that opens the recorder on the phone at this item. Without ITEM there is one for each item
that is in use, in the order of the places.

Sheets of labels (--size), the width and height of a label in millimetres:
` + sizesText() + `
Another sheet is given with --sheet PAPER:ACROSSxDOWN:WIDTHxHEIGHT:LEFT,TOP:STEPX,STEPY, all in millimetres; the last three say where the first label begins and how far it
is from one to the next. Print at 100 %, not fitted to the page.`,
		Example: "  countback labels --pdf labels.pdf\n  countback labels cord seal --size 52x30 --start 5 --pdf labels.pdf\n  countback labels --sheet A4:3x8:70x37:0,0.5:70,37 --pdf labels.pdf",
		Args:    cobra.ArbitraryArgs,
	}
	cmd.ValidArgsFunction = m.itemIDs
	f := cmd.Flags()
	f.StringVar(&o.pdf, "pdf", "", "write the labels for the printer to this `file`")
	f.StringVar(&o.size, "size", paper.LabelSheets[0].Name, "`size` of the labels")
	f.StringVar(&o.custom, "sheet", "", "another sheet of labels, by its `measures`")
	f.StringVar(&o.place, "place", "", "only items that lie at this `place`")
	f.IntVar(&o.start, "start", 1, "first free `label` of a sheet that was begun")
	f.IntVar(&o.copies, "copies", 1, "`labels` of each item")
	f.StringVar(&o.door, "door", "", "`address` of the recorder, where it isn't the one that serve announces")
	complete(cmd, "size", choices(sizeNames()...))
	complete(cmd, "place", m.places)
	cmd.RunE = m.reading(func(d *desk, args []string) error { return d.labels(args, &o) })
	return cmd
}

func sizeNames() []string {
	var list []string
	for _, s := range paper.LabelSheets {
		list = append(list, s.Name)
	}
	return list
}

func sizesText() string {
	var b strings.Builder
	for _, s := range paper.LabelSheets {
		fmt.Fprintf(&b, "  %-8s %d by %d labels of %g by %g mm on %s\n", s.Name, s.Across, s.Down, s.Width, s.Height, s.Paper)
	}
	return b.String()
}

// places completes the places of items.
func (m *Main) places(cmd *cobra.Command, _ []string, to string) ([]string, cobra.ShellCompDirective) {
	return m.complete(cmd, to, func(d *desk) []string {
		var list []string
		for _, it := range d.catalog.Items {
			if p := d.view.Def(it.Index).Place; p != "" && !slices.Contains(list, p) {
				list = append(list, p)
			}
		}
		return list
	})
}

func (d *desk) labels(args []string, o *labelOptions) error {
	rows, sheet, base, err := d.labelRows(args, o)
	if err != nil {
		return err
	}
	if o.pdf != "" {
		return d.writeLabels(rows, sheet, o)
	}
	g := &grid{columns: []column{{name: "item", head: "Item"}, {name: "name", head: "Name", flexible: true}, {name: "place", head: "Place"}, {name: "link", csvOnly: true}}}
	for _, r := range rows {
		g.add(plain(r.Item), plain(r.Name), plain(r.Place), plain(r.Link))
	}
	lead := "Nothing to label."
	if len(rows) > 0 {
		lead = count(len(rows), "label", "labels") + ", which open the recorder at " + base + ". Print them with --pdf FILE."
	}
	return d.m.report(struct {
		Address string     `json:"address"`
		Labels  []labelRow `json:"labels"`
	}{base, rows}, lead, g, "")
}

// labelRows are the labels that are asked for, the sheet that they go on, and the address that their codes open.
func (d *desk) labelRows(args []string, o *labelOptions) (rows []labelRow, sheet paper.LabelSheet, base string, err error) {
	if o.copies < 1 || o.copies > 100 {
		return nil, sheet, "", wrong("--copies", "give a number from 1 to 100", "%d labels of each item", o.copies)
	}
	if sheet, err = o.sheet(); err != nil {
		return nil, sheet, "", err
	}
	if on := sheet.Across * sheet.Down; o.start < 1 || o.start > on {
		return nil, sheet, "", wrong("--start", fmt.Sprintf("give the number of the first free label, from 1 to %d, counted row by row", on), "%d isn't a label of a sheet", o.start)
	}
	items, err := d.labelled(args, o.place)
	if err != nil {
		return nil, sheet, "", err
	}
	if base, err = d.recorderAddress(o.door); err != nil {
		return nil, sheet, "", err
	}
	rows = []labelRow{}
	for _, it := range items {
		def := d.view.Def(it.Index)
		for range o.copies {
			rows = append(rows, labelRow{it.ID, cmp.Or(def.Name, it.ID), def.Place, base + "/#item/" + url.PathEscape(it.ID)})
		}
	}
	return rows, sheet, base, nil
}

// labelled are the items that labels are asked for.
func (d *desk) labelled(args []string, place string) ([]*catalog.Item, error) {
	var items []*catalog.Item
	for _, id := range args {
		it, err := d.item(id)
		if err != nil {
			return nil, err
		}
		items = append(items, it)
	}
	if len(args) == 0 {
		for _, it := range d.catalog.Items {
			if !d.view.Retired(it.Index) {
				items = append(items, it)
			}
		}
		slices.SortStableFunc(items, func(a, b *catalog.Item) int {
			return cmp.Or(catalog.ComparePlaces(d.view.Def(a.Index).Place, d.view.Def(b.Index).Place), strings.Compare(a.ID, b.ID))
		})
	}
	if place == "" {
		return items, nil
	}
	items = slices.DeleteFunc(items, func(it *catalog.Item) bool { return d.view.Def(it.Index).Place != place })
	if len(items) == 0 {
		return nil, wrong("--place", "countback labels lists the items with their places", "nothing lies at %q", place)
	}
	return items, nil
}

// recorderAddress is where phones open the recorder: the address that was given, the one that serve announced last, or the stable name that it will have.
func (d *desk) recorderAddress(given string) (string, error) {
	if given != "" {
		u, err := url.Parse(given)
		if err != nil || u.Scheme != "https" || u.Host == "" || u.User != nil || strings.Trim(u.Path, "/") != "" || u.RawQuery != "" || u.Fragment != "" {
			return "", wrong("--door", "write it like https://countback-k3v7qa.local:"+doorPort, "%q isn't the address of a recorder", given)
		}
		return "https://" + u.Host, nil
	}
	announced, ok, err := pair.Door(d.ctx, d.store)
	if err != nil || ok {
		return announced.Base, err
	}
	name := stableName(d.shopID)
	if a, err := readAuthority(filepath.Join(d.dir, authorityFile)); err == nil { // it was made before serve ran
		name = a.Name()
	}
	return "https://" + name + ":" + doorPort, nil
}

// sheet is the sheet of labels that was asked for.
func (o *labelOptions) sheet() (paper.LabelSheet, error) {
	if o.custom != "" {
		s, err := parseSheet(o.custom)
		if err == nil {
			err = s.Fits()
		}
		if err != nil {
			return s, wrong("--sheet", "measure the sheet and write it like A4:3x8:70x37:0,0.5:70,37", "%s", err)
		}
		return s, nil
	}
	for _, s := range paper.LabelSheets {
		if s.Name == o.size {
			return s, nil
		}
	}
	return paper.LabelSheet{}, wrong("--size", "choose "+strings.Join(sizeNames(), ", ")+", or describe the sheet with --sheet", "%q isn't a size of labels", o.size)
}

// parseSheet reads PAPER:ACROSSxDOWN:WIDTHxHEIGHT:LEFT,TOP:STEPX,STEPY.
func parseSheet(text string) (s paper.LabelSheet, err error) {
	parts := strings.Split(text, ":")
	bad := fmt.Errorf("%q doesn't describe a sheet of labels", text)
	if len(parts) != 5 {
		return s, bad
	}
	var across, down float64
	for i, into := range [][2]*float64{{&across, &down}, {&s.Width, &s.Height}, {&s.Left, &s.Top}, {&s.StepX, &s.StepY}} {
		by := ","
		if i < 2 {
			by = "x"
		}
		a, b, ok := strings.Cut(parts[i+1], by)
		if !ok || !millimetres(a, into[0]) || !millimetres(b, into[1]) {
			return s, bad
		}
	}
	s.Paper, s.Across, s.Down = parts[0], int(across), int(down)
	if float64(s.Across) != across || float64(s.Down) != down {
		return s, bad
	}
	return s, nil
}

// millimetres reads a length up to a metre with at most two decimals.
func millimetres(text string, into *float64) bool {
	whole, part, point := strings.Cut(text, ".")
	if whole == "" || len(whole) > 3 || len(part) > 2 || point && part == "" || strings.Trim(whole+part, "0123456789") != "" {
		return false
	}
	v, err := strconv.ParseFloat(text, 64)
	*into = v
	return err == nil
}

// labelPaper is the labels as a PDF. start is the number of the first free one of the first sheet.
func (d *desk) labelPaper(rows []labelRow, sheet paper.LabelSheet, start int) ([]byte, error) {
	var list []paper.Label
	for _, r := range rows {
		code, err := qr.EncodeText(r.Link, qr.Medium)
		if err != nil {
			return nil, wrong("", "give items short ids", "the address of %s is too long for a code", r.Item)
		}
		below := r.Item
		if r.Place != "" {
			below = r.Place + " · " + r.Item
		}
		list = append(list, paper.Label{Code: code.Module, Size: code.Size(), Name: r.Name, Below: below})
	}
	doc, err := paper.Labels(sheet, list, start-1, "Labels of "+d.shop.Name, d.m.Now())
	if err != nil {
		return nil, wrong("--size", "choose a larger one", "%s", err)
	}
	return doc, nil
}

// writeLabels writes the labels to a new file; - is standard output.
func (d *desk) writeLabels(rows []labelRow, sheet paper.LabelSheet, o *labelOptions) error {
	doc, err := d.labelPaper(rows, sheet, o.start)
	if err != nil {
		return err
	}
	if o.pdf == "-" {
		_, err = d.m.Stdout.Write(doc)
		return err
	}
	err = writeNew(o.pdf, func(w io.Writer) error {
		_, err := w.Write(doc)
		return err
	})
	if err != nil {
		return err
	}
	return d.m.say("%s in %s. Print at 100 %%.", count(len(rows), "label is", "labels are"), fileName(o.pdf))
}
