package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/rivo/uniseg"

	"countback/cmd/countback/words"
	"countback/ledger/sheet"
)

// column is one column of a report: its name in CSV, its head in a table, and whether it holds figures, which stand on the right.
type column struct {
	name, head string
	figure     bool
	flexible   bool // long text that may wrap where the terminal is narrow
	csvOnly    bool
}

// cell is one value: as a machine reads it and, where that differs, as a person does.
type cell struct{ raw, shown string }

func (c cell) show() string {
	if c.shown != "" {
		return c.shown
	}
	return c.raw
}

// grid is a report as rows and columns.
type grid struct {
	columns []column
	rows    [][]cell
	footer  []cell // a line of sums below, in tables only; may be nil
}

func (g *grid) add(cells ...cell) { g.rows = append(g.rows, cells) }

func plain(s string) cell { return cell{raw: s} }

// figure shows a decimal with its thousands grouped.
func figure(s string) cell { return cell{s, grouped(s)} }

// day shows the day of a time of RFC 3339.
func day(s string) cell {
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		return cell{s, showDay(t)}
	}
	return plain(s)
}

// clock shows day and time of a time of RFC 3339.
func clock(s string) cell {
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		return cell{s, showTime(t)}
	}
	return plain(s)
}

// grouped puts a comma between the thousands of a canonical decimal.
func grouped(s string) string { return words.Grouped(s) }

// report prints what a command has to say in the chosen format: data as JSON, or the grid with its words around it.
func (m *Main) report(data any, lead string, g *grid, tail string) error {
	switch m.format {
	case formatJSON:
		return m.printJSON(data)
	case formatCSV:
		return writeCSV(m.Stdout, g)
	}
	return m.printTable(lead, g, tail)
}

func (m *Main) printJSON(data any) error {
	enc := json.NewEncoder(m.Stdout)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(data)
}

// writeCSV writes text columns protected against being taken for formulas; numbers stay numbers. A column without a name is for tables alone.
func writeCSV(out io.Writer, g *grid) error {
	w := csv.NewWriter(out)
	var row []string
	for _, c := range g.columns {
		if c.name != "" {
			row = append(row, c.name)
		}
	}
	if err := w.Write(row); err != nil {
		return err
	}
	for _, r := range g.rows {
		row = row[:0]
		for i, c := range r {
			if g.columns[i].name != "" {
				row = append(row, escapeCell(c.raw))
			}
		}
		if err := w.Write(row); err != nil {
			return err
		}
	}
	w.Flush()
	return w.Error()
}

// escapeCell protects what a spreadsheet could take for a formula; a leading tab or line end hides one from sight only.
func escapeCell(s string) string {
	if s != "" && (s[0] == '\t' || s[0] == '\r' || s[0] == '\n') {
		return "'" + s
	}
	return sheet.Escape(s)
}

const tableGap = "  "

// printTable prints lead, table and tail, parted by blank lines.
func (m *Main) printTable(lead string, g *grid, tail string) error {
	var b strings.Builder
	if lead != "" {
		b.WriteString(m.fit(lead) + "\n")
	}
	if g != nil && len(g.rows) > 0 {
		if b.Len() > 0 {
			b.WriteByte('\n')
		}
		b.WriteString(m.layOut(g) + "\n")
	}
	if tail != "" {
		if b.Len() > 0 {
			b.WriteByte('\n')
		}
		b.WriteString(m.fit(tail) + "\n")
	}
	_, err := io.WriteString(m.Stdout, b.String())
	return err
}

// fit wraps the sentences of a text that are longer than the terminal is wide, below their own beginning. Rows of a table, which have gaps, stay, and so
// do data, which would no longer be what was recorded.
func (m *Main) fit(text string) string {
	lines := strings.Split(text, "\n")
	for i, l := range lines {
		said := strings.TrimLeft(l, " ")
		if m.Width > 0 && uniseg.StringWidth(l) > m.Width && !strings.Contains(said, "  ") && !strings.HasPrefix(said, "{") {
			lines[i] = m.wrap(said, l[:len(l)-len(said)])
		}
	}
	return strings.Join(lines, "\n")
}

// layOut makes the text of a table: a hairline under the heads, figures on the right, nothing else.
func (m *Main) layOut(g *grid) string {
	g = g.visible()
	widths := g.widths()
	m.squeeze(g, widths)
	heads := make([]cell, len(g.columns))
	for i, c := range g.columns {
		heads[i] = plain(c.head)
	}
	var lines []string
	for _, l := range g.lines(heads, widths) {
		if m.Terminal && m.Getenv("NO_COLOR") == "" {
			l = "\x1b[1m" + l + "\x1b[0m"
		}
		lines = append(lines, l)
	}
	lines = append(lines, rule(widths))
	for _, r := range g.rows {
		lines = append(lines, g.lines(r, widths)...)
	}
	if len(g.footer) > 0 {
		lines = append(lines, rule(widths))
		lines = append(lines, g.lines(g.footer, widths)...)
	}
	return strings.Join(lines, "\n")
}

// visible leaves out the columns that only machines want, and those that are empty in every row.
func (g *grid) visible() *grid {
	show := make([]bool, len(g.columns))
	for i, c := range g.columns {
		for _, r := range g.rows {
			show[i] = show[i] || !c.csvOnly && strings.TrimSpace(r[i].show()) != ""
		}
	}
	keep := func(row []cell) (kept []cell) {
		for i, c := range row {
			if show[i] {
				kept = append(kept, c)
			}
		}
		return kept
	}
	out := &grid{footer: keep(g.footer)}
	for i, c := range g.columns {
		if show[i] {
			out.columns = append(out.columns, c)
		}
	}
	for _, r := range g.rows {
		out.rows = append(out.rows, keep(r))
	}
	return out
}

func rule(widths []int) string {
	parts := make([]string, len(widths))
	for i, w := range widths {
		parts[i] = strings.Repeat("─", w)
	}
	return strings.Join(parts, tableGap)
}

// lines lays one row out; a long text goes on below itself.
func (g *grid) lines(row []cell, widths []int) []string {
	texts := make([][]string, len(row))
	height := 1
	for i, c := range row {
		texts[i] = breakText(visible(c.show()), widths[i])
		height = max(height, len(texts[i]))
	}
	out := make([]string, height)
	for y := range out {
		var b strings.Builder
		for i := range row {
			part := ""
			if y < len(texts[i]) {
				part = texts[i][y]
			}
			fill := strings.Repeat(" ", max(0, widths[i]-uniseg.StringWidth(part)))
			if i > 0 {
				b.WriteString(tableGap)
			}
			if g.columns[i].figure {
				b.WriteString(fill + part)
			} else {
				b.WriteString(part + fill)
			}
		}
		out[y] = strings.TrimRight(b.String(), " ")
	}
	return out
}

// breakText breaks a text into lines of at most a width, between words where it can.
func breakText(s string, width int) []string {
	if uniseg.StringWidth(s) <= width {
		return []string{s}
	}
	var lines []string
	line := ""
	for _, word := range strings.Fields(s) {
		if line != "" && uniseg.StringWidth(line)+1+uniseg.StringWidth(word) <= width {
			line += " " + word
			continue
		}
		if line != "" {
			lines = append(lines, line)
		}
		for uniseg.StringWidth(word) > width {
			head := cut(word, width)
			lines = append(lines, head)
			word = word[len(head):]
		}
		line = word
	}
	return append(lines, line)
}

// cut returns the beginning of a word that fits a width, at least one character.
func cut(word string, width int) string {
	n := 0
	for rest, state := word, -1; rest != ""; {
		var cluster string
		var w int
		cluster, rest, w, state = uniseg.FirstGraphemeClusterInString(rest, state)
		if n > 0 && w > width {
			break
		}
		n += len(cluster)
		width -= w
	}
	return word[:n]
}

// visible takes out what could move a terminal's cursor.
func visible(s string) string { return oneLine(s) }

func (g *grid) widths() []int {
	w := make([]int, len(g.columns))
	for i, c := range g.columns {
		w[i] = uniseg.StringWidth(c.head)
	}
	for _, r := range append(g.rows[:len(g.rows):len(g.rows)], g.footer) {
		for i, c := range r {
			w[i] = max(w[i], uniseg.StringWidth(visible(c.show())))
		}
	}
	return w
}

// squeeze narrows the flexible columns until the table fits the terminal, the widest first; no column becomes narrower than a word.
func (m *Main) squeeze(g *grid, widths []int) {
	if m.Width <= 0 {
		return
	}
	const least = 12
	total := len(tableGap) * (len(widths) - 1)
	for _, w := range widths {
		total += w
	}
	for total > m.Width {
		widest := -1
		for i, c := range g.columns {
			if c.flexible && widths[i] > least && (widest < 0 || widths[i] > widths[widest]) {
				widest = i
			}
		}
		if widest < 0 {
			return
		}
		widths[widest]--
		total--
	}
}

// say prints one line of plain words, in tables only.
func (m *Main) say(format string, args ...any) error {
	if m.format != formatTable {
		return nil
	}
	_, err := fmt.Fprintf(m.Stdout, format+"\n", args...)
	return err
}

// count writes a number with its noun: 1 order, 2 orders.
func count(n int, one, many string) string { return words.Count(n, one, many) }

// wrapAll wraps each line of a text.
func (m *Main) wrapAll(text string) string {
	lines := strings.Split(text, "\n")
	for i, l := range lines {
		lines[i] = m.wrap(l, "")
	}
	return strings.Join(lines, "\n")
}
