package main

import (
	"context"
	"fmt"
	"strings"

	"countback/cmd/countback/pages"
	"countback/cmd/countback/paper"
)

// LabelSizes implements pages.Labels.
func (p *deskPages) LabelSizes() (list []pages.LabelSize) {
	for _, s := range paper.LabelSheets {
		list = append(list, pages.LabelSize{Name: s.Name, Text: fmt.Sprintf("%g by %g mm, %d on a sheet of %s", s.Width, s.Height, s.Across*s.Down, s.Paper)})
	}
	return list
}

// Labels implements pages.Labels.
func (p *deskPages) Labels(ctx context.Context, ask pages.LabelAsk) ([]byte, error) {
	d, err := p.open(ctx)
	if err != nil {
		return nil, err
	}
	o := labelOptions{size: ask.Size, custom: ask.Sheet, place: ask.Place, start: ask.Start, copies: ask.Copies}
	rows, sheet, _, err := d.labelRows(ask.Items, &o)
	if err != nil {
		return nil, inField(err)
	}
	doc, err := d.labelPaper(rows, sheet, ask.Start)
	return doc, inField(err)
}

// inField says what is wrong with an option as a refusal of the form's field of that name.
func inField(err error) error {
	if err == nil {
		return nil
	}
	f := explain(err)
	if f.status != statusUse {
		return problem(err)
	}
	field, option := strings.CutPrefix(f.where, "--")
	if !option {
		field = ""
	}
	return &pages.Refusal{Field: field, What: f.what, Hint: f.hint}
}
