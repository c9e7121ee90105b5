package main

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"countback/projections/fold"
	"countback/projections/plan"
)

// openFlags are the exceptions of pack --open.
type openFlags struct {
	except []string
	but    []string
	file   string
}

func (f *openFlags) any() bool { return len(f.except)+len(f.but) > 0 || f.file != "" }

func (f *openFlags) flags(m *Main, cmd *cobra.Command) {
	fl := cmd.Flags()
	fl.StringArrayVar(&f.except, "except", nil, "with --open: an `ORDER` that isn't packed; may be repeated")
	fl.StringArrayVar(&f.but, "but", nil, "with --open: `\"ORDER ...\"`, what differed for it, as it would stand behind pack; may be repeated")
	fl.StringVar(&f.file, "but-file", "", "with --open: `file` of such lines")
	complete(cmd, "except", m.orderNumbers(true))
}

// exception is what differs for one order.
type exception struct {
	order string
	text  string // as it was written
	where string
	stays bool
	args  []string
	flags packFlags
}

// mostExceptions is the size in bytes that a file of exceptions may have.
const mostExceptions = 1 << 20

// list reads all exceptions.
func (f *openFlags) list(d *desk) ([]*exception, error) {
	var out []*exception
	for _, order := range f.except {
		out = append(out, &exception{order: order, where: "--except", stays: true})
	}
	for _, text := range f.but {
		e, err := readException(text, "--but")
		if err != nil {
			return nil, err
		}
		out = append(out, e)
	}
	if f.file != "" {
		raw, err := d.m.readFile(f.file, mostExceptions)
		if err != nil {
			return nil, err
		}
		for i, line := range strings.Split(strings.TrimPrefix(string(raw), "\uFEFF"), "\n") {
			if line = strings.TrimSpace(line); line == "" || line[0] == '#' {
				continue
			}
			e, err := readException(line, fmt.Sprintf("%s, line %d", fileName(f.file), i+1))
			if err != nil {
				return nil, err
			}
			out = append(out, e)
		}
	}
	for i, e := range out {
		if slices.ContainsFunc(out[:i], func(x *exception) bool { return x.order == e.order }) {
			return nil, wrong(e.where, "say all about it in one place; "+nothing, "order %s is named twice", e.order)
		}
	}
	return out, nil
}

// readException reads "ORDER ITEM=N … --with …".
func readException(text, where string) (*exception, error) {
	words, err := shellWords(text)
	if err != nil {
		return nil, inPlace(where, "", err)
	}
	e := &exception{text: text, where: where}
	cmd := &cobra.Command{Use: "pack"}
	e.flags.changeFlags.flags(new(Main), cmd)
	e.flags.oneFlags(cmd)
	cmd.Flags().StringVar(&e.flags.note, "note", "", "")
	cmd.Flags().BoolVar(&e.stays, "stays", false, "")
	if err := cmd.ParseFlags(words); err != nil {
		return nil, wrong(where, "write it as behind pack for that order alone: ORDER, ITEM=N, --with, --without, --total, --instead, --to, --option, --parcel, --joined, --postage, --spec, --note, or --stays; "+nothing,
			"%s", plainFlag(err))
	}
	args := cmd.Flags().Args()
	if len(args) == 0 || strings.Contains(args[0], "=") {
		return nil, wrong(where, "begin with the order's number, like 2042 --with cord=200; "+nothing, "%q names no order", text)
	}
	e.order, e.args = args[0], args[1:]
	if others := len(words) - 2; e.stays && others > 0 {
		return nil, wrong(where, "write "+quoted(e.order)+" --stays alone; "+nothing, "order %s stays, and yet something differs for it", e.order)
	}
	return e, nil
}

// shellWords takes a line apart at spaces, as a shell does: quotation marks of both kinds keep spaces.
func shellWords(line string) (words []string, err error) {
	var word strings.Builder
	var quote rune
	any := false
	for _, r := range line {
		switch {
		case quote != 0 && r == quote:
			quote = 0
		case quote == 0 && (r == '"' || r == '\''):
			quote, any = r, true
		case quote == 0 && (r == ' ' || r == '\t' || r == '\r'):
			if any || word.Len() > 0 {
				words = append(words, word.String())
			}
			word.Reset()
			any = false
		default:
			word.WriteRune(r)
		}
	}
	if quote != 0 {
		return nil, wrong("", "close it; "+nothing, "a quotation mark %c is open at the end of %q", quote, line)
	}
	if any || word.Len() > 0 {
		words = append(words, word.String())
	}
	return words, nil
}

// apply takes the orders that stay out of those that are packed, and puts into the others what differs for them.
func (f *openFlags) apply(d *desk, state *fold.State, ready, waiting []*openOrder) (packed, rest []*openOrder, err error) {
	list, err := f.list(d)
	if err != nil {
		return nil, nil, err
	}
	for _, e := range list {
		k := slices.IndexFunc(ready, func(o *openOrder) bool { return o.Order == e.order })
		if k < 0 && e.stays && slices.ContainsFunc(waiting, func(o *openOrder) bool { return o.Order == e.order }) {
			continue
		}
		if k < 0 {
			return nil, nil, inPlace(e.where, nothing, d.notPacked(state, e, waiting))
		}
		o := ready[k]
		if e.stays {
			o.Why = "left out"
			ready, waiting = slices.Delete(slices.Clone(ready), k, k+1), append(waiting, o)
			continue
		}
		if err := e.fill(d, o); err != nil {
			return nil, nil, inPlace(e.where, nothing, err)
		}
	}
	return ready, waiting, nil
}

// fill puts what differs into an order's pack: its own changes behind those of all orders, everything else in their place.
func (e *exception) fill(d *desk, o *openOrder) error {
	if _, err := e.flags.read(d, append([]string{e.order}, e.args...)); err != nil {
		return err
	}
	own := e.flags.fact
	if own.Lines == nil {
		own.Lines = o.fact.Lines
	}
	own.Zone, own.Note = cmp.Or(own.Zone, o.fact.Zone), cmp.Or(own.Note, o.fact.Note)
	own.Changes = slices.Concat(o.fact.Changes, own.Changes)
	if own.Options == nil {
		own.Options = o.fact.Options
	}
	if own.Spec.IsZero() {
		own.Spec = o.fact.Spec
	}
	o.fact = own
	o.But = strings.TrimSpace(strings.TrimPrefix(e.text, e.order))
	return nil
}

// notPacked says why an order that an exception names isn't among those that are packed.
func (d *desk) notPacked(state *fold.State, e *exception, waiting []*openOrder) error {
	if k := slices.IndexFunc(waiting, func(o *openOrder) bool { return o.Order == e.order }); k >= 0 {
		return wrong("", nothing, "order %s isn't packed: %s", e.order, waiting[k].Why)
	}
	if _, err := plan.Open(state, plan.Ask{Orders: []string{e.order}}); err != nil {
		return d.notOpen(state, err, false)
	}
	return wrong("", "leave it away, or give a later --at; "+nothing, "order %s was placed after the time of packing", e.order)
}
