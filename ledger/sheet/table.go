package sheet

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"countback/ledger/near"
)

// Limits of a file. Cells bound the memory that a file of empty columns would take.
const (
	MaxFile    = 256 << 20
	MaxRows    = 2_000_000
	MaxColumns = 1000
	MaxCells   = 40_000_000
)

// Options say how a file is written. What is left zero is found out from the file.
type Options struct {
	Delimiter byte   // , ; | or a tab
	Encoding  string // one of UTF8, UTF16LE, UTF16BE, Windows1252
	Decimal   byte   // . or ,
	HeaderRow int    // the row with the columns' names; 0 is the first that is not blank
	// LooseQuotes lets quotation marks stand inside fields that are not quoted themselves (12" card).
	LooseQuotes bool
}

// Table is a file's rows under its header, as text.
type Table struct {
	Header    []string
	HeaderRow int
	Rows      [][]string // each as long as Header
	Number    []int      // the number of each row, as a spreadsheet shows it
	Ragged    []Problem  // rows that have fewer or more fields than the header; they are not among Rows
	Options   Options    // how the file was read; Decimal stays 0 where nothing shows it
}

// ReadTable reads a file with a header row. Our own exports' protection against formulas is taken off (see Unescape). The error says what
// keeps the file from being read at all; single rows of the wrong length are listed in the table.
func ReadTable(file []byte, hint Options) (*Table, error) {
	if len(file) > MaxFile {
		return nil, fmt.Errorf("the file has %d MiB; at most %d fit, so split it", len(file)>>20, MaxFile>>20)
	}
	text, encoding, err := decode(file, hint.Encoding)
	if err != nil {
		return nil, err
	}
	if err := checkControls(text); err != nil {
		return nil, err
	}
	if bytes.IndexByte(text, '\n') < 0 { // line ends of one carriage return
		text = bytes.ReplaceAll(text, []byte("\r"), []byte("\n"))
	}
	t := &Table{Options: hint}
	t.Options.Encoding = encoding
	text, skipped := delimiterLine(text, &t.Options)
	if t.Options.Delimiter == 0 {
		t.Options.Delimiter = sniffDelimiter(text)
	}
	if err := t.checkOptions(text); err != nil {
		return nil, err
	}
	if err := t.read(text, skipped); err != nil {
		return nil, err
	}
	return t, nil
}

// delimiterLine takes off a first line such as "sep=;", which spreadsheets write and read (common practice).
func delimiterLine(text []byte, o *Options) (rest []byte, skipped int) {
	line, rest, ok := bytes.Cut(text, []byte("\n"))
	line = bytes.TrimSuffix(line, []byte("\r"))
	if !ok || len(line) != 5 || !bytes.EqualFold(line[:4], []byte("sep=")) {
		return text, 0
	}
	if o.Delimiter == 0 {
		o.Delimiter = line[4]
	}
	return rest, 1
}

func (t *Table) checkOptions(text []byte) error {
	d := t.Options.Delimiter
	if d != ',' && d != ';' && d != '\t' && d != '|' {
		return fmt.Errorf("the delimiter %q is not one that is known here: comma, semicolon, tab or pipe", d)
	}
	most, total := widest(text, d)
	if most >= MaxColumns {
		return fmt.Errorf("a row has more than %d columns; leave out columns that are not needed, or check the quotation marks", MaxColumns)
	}
	if total > MaxCells {
		return fmt.Errorf("the file has more than %d cells; leave out columns that are not needed, or split it", MaxCells)
	}
	return nil
}

func (t *Table) read(text []byte, skipped int) error {
	r := csv.NewReader(bytes.NewReader(text))
	r.Comma = rune(t.Options.Delimiter)
	r.FieldsPerRecord = -1
	r.LazyQuotes = t.Options.LooseQuotes
	var decimal decimals
	row, ended, at := skipped, 0, int64(0) // row and line where the last record ended
	for {
		rec, err := r.Read()
		if err == io.EOF {
			break
		}
		if err != nil {
			return plainCSV(err, skipped)
		}
		line, _ := r.FieldPos(0)
		row += line - ended // blank lines are rows of the spreadsheet too
		end := r.InputOffset()
		ended += bytes.Count(text[at:end], []byte("\n"))
		at = end
		if err := t.take(rec, row, &decimal); err != nil {
			return err
		}
	}
	if t.Header == nil {
		if t.Options.HeaderRow > row {
			return fmt.Errorf("the file has %d rows, so row %d can't hold the columns' names; correct header row in the map", row, t.Options.HeaderRow)
		}
		return errors.New("the file holds no row with the columns' names; export it again with a header row")
	}
	if t.Options.Decimal == 0 {
		t.Options.Decimal = decimal.mark()
	}
	return nil
}

// take puts one record into the table.
func (t *Table) take(rec []string, row int, decimal *decimals) error {
	if len(rec) > MaxColumns {
		return fmt.Errorf("row %d has more than %d columns; leave out columns that are not needed, or check the quotation marks", row, MaxColumns)
	}
	for i, f := range rec {
		rec[i] = Unescape(f)
	}
	if t.Header == nil {
		if row >= t.Options.HeaderRow && (t.Options.HeaderRow > 0 || !blank(rec)) {
			return t.takeHeader(rec, row)
		}
		return nil
	}
	if len(t.Rows)+len(t.Ragged) >= MaxRows {
		return fmt.Errorf("the file has more than %d rows; split it", MaxRows)
	}
	n := len(t.Header)
	switch {
	case len(rec) > n && blank(rec[n:]):
		rec = rec[:n]
	case len(rec) < n && blank(rec):
		rec = slices.Concat(rec, make([]string, n-len(rec)))
	case len(rec) != n:
		t.Ragged = append(t.Ragged, Problem{Row: row, Why: fmt.Sprintf("has %d fields where the header has %d; look for a missing or stray delimiter or quotation mark", len(rec), n)})
		return nil
	}
	for _, f := range rec {
		decimal.see(strings.TrimSpace(f))
	}
	t.Rows = append(t.Rows, rec)
	t.Number = append(t.Number, row)
	return nil
}

func (t *Table) takeHeader(rec []string, row int) error {
	if t.Options.HeaderRow > 0 && row != t.Options.HeaderRow || blank(rec) {
		return fmt.Errorf("row %d is blank and can't hold the columns' names; correct header row in the map", t.Options.HeaderRow)
	}
	t.Header, t.HeaderRow = make([]string, len(rec)), row
	for i, f := range rec {
		t.Header[i] = strings.Join(strings.Fields(f), " ")
	}
	return nil
}

func blank(rec []string) bool {
	return !slices.ContainsFunc(rec, func(f string) bool { return strings.TrimSpace(f) != "" })
}

// plainCSV words an error of the CSV reader.
func plainCSV(err error, skipped int) error {
	var p *csv.ParseError
	if !errors.As(err, &p) {
		return err
	}
	switch line := p.Line + skipped; {
	case errors.Is(err, csv.ErrBareQuote):
		return fmt.Errorf("line %d: a quotation mark stands inside a field that is not quoted; double it and quote the field, or say quotes = loose in the map", line)
	case errors.Is(err, csv.ErrQuote):
		return fmt.Errorf("line %d: a quoted field that begins in line %d is not closed as it should be; look for a single quotation mark inside it and double it", line, p.StartLine+skipped)
	default:
		return fmt.Errorf("line %d: %w", line, p.Err)
	}
}

// column finds a column by its name: as written, or else without regard to case.
func (t *Table) column(name string) (int, error) {
	found := -1
	for _, same := range []func(h string) bool{
		func(h string) bool { return h == name },
		func(h string) bool { return strings.EqualFold(h, name) },
	} {
		for i, h := range t.Header {
			if !same(h) {
				continue
			}
			if found >= 0 {
				return -1, fmt.Errorf("two columns of the file are named %q; rename one of them", clip(name))
			}
			found = i
		}
		if found >= 0 {
			return found, nil
		}
	}
	hint := "its columns are " + join(t.Header)
	if alike := near.Names(name, t.Header); len(alike) > 0 {
		hint = "near it: " + join(alike)
	}
	return -1, fmt.Errorf("the file has no column %q; %s", clip(name), hint)
}

// blankRow reports whether the i-th row holds nothing.
func (t *Table) blankRow(i int) bool { return blank(t.Rows[i]) }
