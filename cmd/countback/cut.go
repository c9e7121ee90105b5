package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"countback/cmd/countback/typed"
	"countback/cmd/countback/words"
	"countback/ledger/num"
	"countback/ledger/unit"
	cutting "countback/projections/cut"
)

func (m *Main) cutCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:     "cut",
		Short:   "Work out what a sheet or a roll gives",
		Long:    "Work out how many pieces come from a sheet or a roll and what is left, so that packs and measures are computed and not guessed. It needs no ledger and records nothing.",
		Example: "  countback cut sheet 210x297mm 100x140mm --gap 2mm --margin 5mm\n  countback cut roll 50m 310mm",
	}
	cmd.AddCommand(m.cutSheetCmd(), m.cutRollCmd())
	return cmd
}

// cutNames are what the line for the catalog calls things.
type cutNames struct {
	item, name string
	fixed      bool
}

func (n *cutNames) flags(m *Main, cmd *cobra.Command, what, word string) {
	cmd.Flags().StringVar(&n.item, "item", "", "`ITEM` that the line for the catalog names")
	cmd.Flags().StringVar(&n.name, "name", word, "`name` of the "+what)
	cmd.Flags().BoolVar(&n.fixed, "fixed", false, "pieces must not be turned: grain, or a pattern")
	complete(cmd, "item", m.itemIDs)
	cmd.ValidArgsFunction = nothingMore
}

// line is the command that puts what was computed into the catalog.
func (n *cutNames) line(what string, size fmt.Stringer) string {
	item := n.item
	if item == "" {
		item = "ITEM"
	}
	return fmt.Sprintf("countback item %s --%s %s=%s", quoted(item), what, quoted(n.name), size)
}

// quoted puts a word in quotation marks where a shell would take it apart.
func quoted(s string) string {
	if strings.ContainsAny(s, " \t\"'\\$&|<>;()*?") {
		return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
	}
	return s
}

// mm is a flag for a length.
type mm struct{ q num.Qty }

// Set implements pflag.Value.
func (f *mm) Set(text string) error {
	q, err := unit.ParseQty(text, "mm")
	f.q = q
	return err
}

// Type implements pflag.Value: the word for the value in the help.
func (f *mm) Type() string { return "length" }

// String implements pflag.Value.
func (f *mm) String() string {
	if f.q.IsZero() {
		return ""
	}
	return f.q.String() + " mm"
}

// cutWay is one way to lay pieces out, as a machine reads it.
type cutWay struct {
	Way    string     `json:"way"` // upright, turned or mixed
	Pieces int64      `json:"pieces"`
	Blocks []cutBlock `json:"blocks"`
	Beside bool       `json:"beside,omitempty"` // two blocks side by side
	OverX  string     `json:"over_width"`
	OverY  string     `json:"over_height"`
	Best   bool       `json:"best,omitempty"`
}

type cutBlock struct {
	Across int64 `json:"across"`
	Down   int64 `json:"down"`
	Turned bool  `json:"turned,omitempty"`
}

type cutSheetReport struct {
	Sheet  cutSize  `json:"sheet"`
	Piece  cutSize  `json:"piece"`
	Gap    string   `json:"gap"`
	Margin string   `json:"margin"`
	Pieces int64    `json:"pieces"`
	Offcut string   `json:"offcut"` // mm²
	Ways   []cutWay `json:"ways"`
	Line   string   `json:"line"` // for the catalog
}

type cutSize struct {
	Width  string `json:"width"`
	Height string `json:"height"`
}

func (m *Main) cutSheetCmd() *cobra.Command {
	var names cutNames
	var gap, margin mm
	cmd := &cobra.Command{
		Use:   "sheet SHEET PIECE",
		Short: "Pieces from a sheet",
		Long: `How many pieces a sheet gives: upright, turned by a quarter, or in two blocks, one upright and one turned, that one straight cut parts.
Sizes are written width x height in any unit of length, or as A4, B5, C6, letter. --gap lies between two pieces, --margin at each edge.`,
		Example: "  countback cut sheet 210x297mm 100x140mm --gap 2mm --margin 5mm\n  countback cut sheet A3 A6 --item board --name sheet",
		Args:    cobra.ExactArgs(2),
	}
	names.flags(m, cmd, "pack that the sheet is", "sheet")
	cmd.Flags().Var(&gap, "gap", "between two pieces")
	cmd.Flags().Var(&margin, "margin", "at each edge of the sheet that nothing may lie on")
	cmd.RunE = func(_ *cobra.Command, args []string) error {
		s := cutting.Sheet{Gap: gap.q, Margin: margin.q, Fixed: names.fixed}
		var err error
		if s.Sheet, err = typed.Size(args[0]); err != nil {
			return inPlace("SHEET", "", err)
		}
		if s.Piece, err = typed.Size(args[1]); err != nil {
			return inPlace("PIECE", "", err)
		}
		c, err := s.Cut()
		if err != nil {
			return inPlace("cut sheet", "check the sizes", err)
		}
		if c.Best.Pieces() == 0 {
			return wrong("cut sheet", "check the sizes and their units", "a piece of %s doesn't fit a sheet of %s with margins of %s mm", sizeText(s.Piece), sizeText(s.Sheet), s.Margin)
		}
		return m.printCutSheet(s, c, &names)
	}
	return cmd
}

func sizeText(s cutting.Size) string {
	return grouped(s.Width.String()) + " × " + grouped(s.Height.String()) + " mm"
}

func (m *Main) printCutSheet(s cutting.Sheet, c cutting.SheetCut, names *cutNames) error {
	n := c.Best.Pieces()
	r := cutSheetReport{
		Sheet: cutSize{s.Sheet.Width.String(), s.Sheet.Height.String()}, Piece: cutSize{s.Piece.Width.String(), s.Piece.Height.String()},
		Gap: s.Gap.String(), Margin: s.Margin.String(), Pieces: n, Offcut: c.Offcut.String(), Line: names.line("pack", num.Whole(n)),
	}
	g := &grid{columns: []column{{name: "way", head: "Pieces lie"}, {name: "pieces", head: "Pieces", figure: true}, {head: "Across by down", flexible: true},
		{name: "over_width", head: "Left beside, mm", figure: true}, {name: "over_height", head: "Left below, mm", figure: true}, {name: "best", csvOnly: true}}}
	best := false
	for _, w := range []struct {
		way string
		l   cutting.Layout
	}{{"upright", c.Upright}, {"turned", c.Turned}, {"mixed", c.Mixed}} {
		if w.way != "upright" && w.l.Pieces() == 0 {
			continue
		}
		way := cutWay{w.way, w.l.Pieces(), []cutBlock{}, w.l.Beside, w.l.Over.Width.String(), w.l.Over.Height.String(), !best && w.l.Pieces() == n}
		best = best || way.Best
		for _, b := range w.l.Blocks {
			way.Blocks = append(way.Blocks, cutBlock{b.Across, b.Down, b.Turned})
		}
		r.Ways = append(r.Ways, way)
		mark := ""
		if way.Best {
			mark = "best"
		}
		g.add(plain(w.way), figure(fmt.Sprint(way.Pieces)), plain(words.Blocks(w.l)), figure(way.OverX), figure(way.OverY), plain(mark))
	}
	used := num.Whole(100).Sub(c.Offcut.Part(num.Whole(100), s.Sheet.Width.Times(s.Sheet.Height)))
	lead := fmt.Sprintf("A sheet of %s gives %s of %s. %s %% of the sheet is used; %s mm² are left.",
		sizeText(s.Sheet), count(int(n), "piece", "pieces"), sizeText(s.Piece), used.Round(1), grouped(r.Offcut))
	tail := fmt.Sprintf("Count the item in pieces, and let the sheet be a pack of %d:\n  %s", n, r.Line)
	return m.report(r, m.wrap(lead, ""), g, tail)
}

type cutRollReport struct {
	Length string `json:"length"`
	Width  string `json:"width,omitempty"`
	Piece  string `json:"piece"`
	Across string `json:"piece_width,omitempty"`
	Blade  string `json:"blade"`
	Lanes  int64  `json:"lanes"`
	Along  int64  `json:"along"`
	Turned bool   `json:"turned,omitempty"`
	Pieces int64  `json:"pieces"`
	Each   string `json:"each"`          // length of roll that one piece takes
	Exact  bool   `json:"each_exact"`    // it needed no rounding
	Offcut string `json:"offcut"`        // length left at the end
	Side   string `json:"side,omitzero"` // width left beside the lanes
	Line   string `json:"line"`          // for the catalog; empty where the measure isn't exact
}

func (m *Main) cutRollCmd() *cobra.Command {
	var names cutNames
	var blade mm
	cmd := &cobra.Command{
		Use:   "roll ROLL PIECE",
		Short: "Pieces from a roll",
		Long: `How many pieces a roll, a spool or a strip gives, and what is left at its end. Lengths are written in any unit.
A roll that is slit into lanes is written width x length, and so is the piece. --blade is what each cut and each slit costs.`,
		Example: "  countback cut roll 50m 310mm\n  countback cut roll 600mmx50m 140x310mm --blade 1mm --item wrap --name wrap",
		Args:    cobra.ExactArgs(2),
	}
	names.flags(m, cmd, "measure that the piece is", "piece")
	cmd.Flags().Var(&blade, "blade", "lost at each cut")
	cmd.RunE = func(_ *cobra.Command, args []string) error {
		r := cutting.Roll{Blade: blade.q, Fixed: names.fixed}
		if err := readRoll(&r, args); err != nil {
			return err
		}
		c, err := r.Cut()
		if err != nil {
			return inPlace("cut roll", "check the lengths", err)
		}
		if c.Pieces() == 0 {
			return wrong("cut roll", "check the lengths and their units", "a piece of %s doesn't fit a roll of %s", rollText(r.Across, r.Piece), rollText(r.Width, r.Length))
		}
		return m.printCutRoll(r, c, &names)
	}
	return cmd
}

// readRoll reads two lengths, or two sizes.
func readRoll(r *cutting.Roll, args []string) error {
	field, err := typed.Lengths(r, args[0], args[1])
	where := "cut roll"
	if field != "" {
		where = strings.ToUpper(field)
	}
	return inPlace(where, "", err)
}

func rollText(width, length num.Qty) string {
	if width.IsZero() {
		return grouped(length.String()) + " mm"
	}
	return sizeText(cutting.Size{Width: width, Height: length})
}

func (m *Main) printCutRoll(r cutting.Roll, c cutting.RollCut, names *cutNames) error {
	text := func(q num.Qty) string {
		if r.Width.IsZero() {
			return ""
		}
		return q.String()
	}
	out := cutRollReport{
		Length: r.Length.String(), Width: text(r.Width), Piece: r.Piece.String(), Across: text(r.Across), Blade: r.Blade.String(),
		Lanes: c.Lanes, Along: c.Along, Turned: c.Turned, Pieces: c.Pieces(), Each: c.Each.String(), Exact: c.Exact, Offcut: c.Offcut.String(), Side: text(c.Side),
	}
	tail := ""
	if c.Exact {
		out.Line = names.line("measure", c.Each)
		tail = "Each piece takes " + grouped(out.Each) + " mm of the roll:\n  " + out.Line
	} else {
		tail = fmt.Sprintf("Each piece takes 1/%d of %s mm of the roll, which isn't exact at 6 decimal places. Count the item in pieces instead, and let the roll be a pack of %d.", c.Lanes, stepText(r, c), c.Pieces())
	}
	lead := fmt.Sprintf("A roll of %s gives %s of %s", rollText(r.Width, r.Length), count(int(c.Pieces()), "piece", "pieces"), rollText(r.Across, r.Piece))
	if c.Lanes > 1 {
		lead += fmt.Sprintf(", %d in each of %d lanes", c.Along, c.Lanes)
	}
	if c.Turned {
		lead += ", turned"
	}
	lead += ". " + grouped(out.Offcut) + " mm are left at its end"
	if c.Side.Sign() > 0 {
		lead += ", and a strip " + grouped(out.Side) + " mm wide beside the lanes"
	}
	lead += "."
	g := &grid{columns: []column{{name: "length"}, {name: "width"}, {name: "piece"}, {name: "piece_width"}, {name: "blade"}, {name: "lanes"}, {name: "along"},
		{name: "pieces"}, {name: "each"}, {name: "offcut"}, {name: "side"}}}
	if m.format == formatTable {
		return m.printTable(m.wrap(lead, ""), nil, tail)
	}
	g.add(plain(out.Length), plain(out.Width), plain(out.Piece), plain(out.Across), plain(out.Blade), plain(fmt.Sprint(c.Lanes)), plain(fmt.Sprint(c.Along)),
		plain(fmt.Sprint(c.Pieces())), plain(out.Each), plain(out.Offcut), plain(out.Side))
	return m.report(out, lead, g, tail)
}

// stepText is the length of roll that a row of lanes takes.
func stepText(r cutting.Roll, c cutting.RollCut) string {
	piece := r.Piece
	if c.Turned {
		piece = r.Across
	}
	return grouped(piece.Add(r.Blade).String())
}
