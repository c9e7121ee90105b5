package chart

import (
	"html"
	"html/template"
	"strings"
)

// Figure is a picture with the table behind it.
type Figure struct {
	ID    string // unique on its page; letters, digits and hyphens
	Title string // what is shown, a few words
	Desc  string // what a reader should see in it, in a sentence or two
	Table Table

	draw func(c *canvas)
}

// Table is the figures of a picture as rows.
type Table struct {
	Caption string // what isn't in it; may be empty
	Columns []Column
	Rows    [][]Cell
}

// Column is the head of a column; figures stand on the right.
type Column struct {
	Head   string
	Figure bool
}

// Cell is one value of a table, with the address of what lies behind it.
type Cell struct {
	Text string
	Link string // may be empty
}

// The widths of the two drawings, in units that are pixels at full size.
const (
	wideWidth = 760
	slimWidth = 360
)

// SVG draws the picture for a desk (wide) or a phone.
func (f Figure) SVG(wide bool) string {
	c := &canvas{id: f.ID + "-s", width: slimWidth}
	class := "k-slim"
	if wide {
		c.id, c.width, c.wide, class = f.ID+"-w", wideWidth, true, "k-wide"
	}
	f.draw(c)
	role := "img"
	if strings.Contains(c.body.String(), "<a ") { // what is in a picture as a whole can't be reached
		role = "group"
	}
	var b strings.Builder
	b.WriteString(`<svg xmlns="http://www.w3.org/2000/svg" class="` + class + `" viewBox="0 0 ` + coordinate(c.width) + " " + coordinate(c.height) +
		`" font-size="13" role="` + role + `" aria-labelledby="` + c.id + `-t ` + c.id + `-d">`)
	b.WriteString(`<title id="` + c.id + `-t">` + html.EscapeString(f.Title) + `</title><desc id="` + c.id + `-d">` + html.EscapeString(f.Desc) + `</desc>`)
	b.WriteString(c.defs.String())
	b.WriteString(c.body.String())
	b.WriteString("</svg>")
	return b.String()
}

// HTML is the figure as a page shows it: both drawings, the caption, and the table behind.
func (f Figure) HTML() template.HTML {
	var b strings.Builder
	b.WriteString(`<figure class="k-chart" id="` + html.EscapeString(f.ID) + `">`)
	b.WriteString(f.SVG(true) + f.SVG(false))
	b.WriteString(`<figcaption>` + html.EscapeString(f.Desc) + `</figcaption>`)
	b.WriteString(`<details class="k-table"><summary>The figures of this picture</summary><div class="k-scroll" tabindex="0" role="group" aria-label="Table, ` + html.EscapeString(f.Title) + `">` +
		f.Table.html(f.Title) + `</div></details></figure>`)
	return template.HTML(b.String()) // every text in it went through EscapeString
}

func (t Table) html(title string) string {
	var b strings.Builder
	caption := title
	if t.Caption != "" {
		caption += ". " + t.Caption
	}
	b.WriteString("<table><caption>" + html.EscapeString(caption) + "</caption><thead><tr>")
	for _, c := range t.Columns {
		b.WriteString(`<th scope="col"` + figureClass(c.Figure) + ">" + html.EscapeString(c.Head) + "</th>")
	}
	b.WriteString("</tr></thead><tbody>")
	for _, r := range t.Rows {
		b.WriteString("<tr>")
		for i, c := range r {
			text := html.EscapeString(c.Text)
			if c.Link != "" {
				text = `<a href="` + html.EscapeString(c.Link) + `">` + text + "</a>"
			}
			if i == 0 {
				b.WriteString(`<th scope="row">` + text + "</th>")
				continue
			}
			b.WriteString("<td" + figureClass(t.Columns[i].Figure) + ">" + text + "</td>")
		}
		b.WriteString("</tr>")
	}
	b.WriteString("</tbody></table>")
	return b.String()
}

func figureClass(figure bool) string {
	if figure {
		return ` class="num"`
	}
	return ""
}
