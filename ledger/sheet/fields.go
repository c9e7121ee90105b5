package sheet

import (
	"errors"
	"fmt"
	"strings"

	"countback/ledger/near"
	"countback/ledger/num"
	"countback/ledger/unit"
)

// own is a table with column names of our own, as catalogs and count sheets have.
type own struct {
	t     *Table
	ctx   Context
	n     numbers
	names names
	at    map[string]int
	out   *Result
	fate  []string
}

// newOwn binds the columns; names that are not ours are problems of the header.
func newOwn(t *Table, ctx Context, needed string, columns []string) *own {
	o := &own{t: t, ctx: ctx, n: numbers{decimal: t.Options.Decimal}, names: names{ctx: ctx}, at: map[string]int{}, out: &Result{}, fate: make([]string, len(t.Rows))}
	o.out.Problems = append(o.out.Problems, t.Ragged...)
	known, listed := map[string]bool{}, false
	for _, c := range columns {
		known[c] = true
	}
	for i, h := range t.Header {
		name := strings.ReplaceAll(strings.ToLower(h), " ", "_")
		if _, twice := o.at[name]; twice {
			o.header(h, "stands twice; keep one of the two columns")
			continue
		}
		switch {
		case name == "":
			if o.filled(i) {
				o.header(h, fmt.Sprintf("column %d has no name; columns are %s", i+1, strings.Join(columns, ", ")))
			}
		case !known[name]:
			hint := ""
			if alike := near.Names(name, columns); len(alike) > 0 {
				hint = "; near it: " + strings.Join(alike, ", ")
			} else if !listed {
				listed, hint = true, "; columns are "+strings.Join(columns, ", ")
			}
			o.header(h, "is not a column of this sheet"+hint)
		default:
			o.at[name] = i
		}
	}
	if _, ok := o.at[needed]; !ok {
		o.header("", fmt.Sprintf("the column %q is missing; name it in the header row", needed))
	}
	return o
}

func (o *own) filled(c int) bool {
	for _, row := range o.t.Rows {
		if strings.TrimSpace(row[c]) != "" {
			return true
		}
	}
	return false
}

func (o *own) header(column, why string) {
	o.out.Problems = append(o.out.Problems, Problem{Row: o.t.HeaderRow, Column: column, Why: why})
}

func (o *own) cell(i int, column string) string {
	if c, ok := o.at[column]; ok {
		return strings.TrimSpace(o.t.Rows[i][c])
	}
	return ""
}

func (o *own) problem(i int, column, value, why string) {
	o.fate[i] = RowsWithProblems
	o.out.Problems = append(o.out.Problems, Problem{o.t.Number[i], column, value, why})
}

func (o *own) finish() *Result {
	var done tallies
	for _, f := range o.fate {
		done.add(f, 1)
	}
	if n := len(o.t.Ragged); n > 0 {
		done.add(RowsWithProblems, n)
	}
	o.out.Done = done.list
	return o.out.seal()
}

// optional reads a cell if it holds something.
func optional[T any](o *own, i int, column string, read func(string) (T, error)) *T {
	text := o.cell(i, column)
	if text == "" {
		return nil
	}
	v, err := read(text)
	if err != nil {
		o.problem(i, column, text, err.Error())
		return nil
	}
	return &v
}

// amount reads a quantity with or without a unit, in the base unit.
func (o *own) amount(text, base string) (num.Qty, error) {
	at := strings.LastIndexAny(text, "0123456789.,") + 1
	plain, err := o.n.plain(text[:at])
	if err != nil {
		return num.Qty{}, err
	}
	if rest := strings.TrimSpace(text[at:]); rest != "" {
		plain += " " + rest
	}
	return unit.ParseQty(plain, base)
}

// exact is amount without rounding, as packs and measures need it.
func (o *own) exact(text, base string) (num.Qty, error) {
	at := strings.LastIndexAny(text, "0123456789.,") + 1
	rest := strings.TrimSpace(text[at:])
	if rest == "" {
		rest = base
	}
	q, err := o.n.qty(text[:at])
	if err != nil {
		return q, err
	}
	if q, err = unit.Exact(q, rest, base); err == nil && q.Sign() <= 0 {
		err = errors.New("must be above 0")
	}
	return q, err
}

// pairs reads "box=150; case=1800" in the order in which it is written.
func pairs(text string, each func(name, value string) error) error {
	seen := map[string]bool{}
	for _, p := range strings.Split(text, ";") {
		if strings.TrimSpace(p) == "" {
			continue
		}
		if strings.Count(p, "=") > 1 {
			return fmt.Errorf("has %q, which is more than one; write a semicolon between them, like box=150; case=1800", clip(strings.TrimSpace(p)))
		}
		i := strings.LastIndex(p, "=")
		if i < 0 {
			return fmt.Errorf("has %q without an = sign; write it like box=150; case=1800", clip(strings.TrimSpace(p)))
		}
		name, value := strings.TrimSpace(p[:i]), strings.TrimSpace(p[i+1:])
		if name == "" || value == "" {
			return fmt.Errorf("has %q with one side empty; write it like box=150; case=1800", clip(strings.TrimSpace(p)))
		}
		if seen[name] {
			return fmt.Errorf("names %q twice; keep one of the two", clip(name))
		}
		seen[name] = true
		if err := checkName(name); err != nil {
			return err
		}
		if err := each(name, value); err != nil {
			return fmt.Errorf("has %s=%s, which %w", clip(name), clip(value), err)
		}
	}
	return nil
}
