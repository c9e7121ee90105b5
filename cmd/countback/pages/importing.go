package pages

import (
	"context"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"path"
	"slices"
	"strings"
	"sync"

	"countback/ledger/event"
	"countback/ledger/sheet"
)

// importPages take files in.
var importPages = []route{
	{pattern: "GET /import", serve: serveImport},
	{pattern: "POST /import", serve: takeFile},
	{pattern: "GET /import/{file}", serve: serveFile},
	{pattern: "POST /import/{file}", serve: takeMap},
	{pattern: "GET /import/{file}/map", serve: serveMap},
}

// What a file that is taken in holds.
const (
	FileOfOrders  = "orders"
	FileOfCatalog = "catalog"
	FileOfCounts  = "counts"
)

// File is a file that is taken in.
type File struct {
	Name   string // as the person knows it
	What   string // FileOfOrders, FileOfCatalog or FileOfCounts
	Bytes  []byte
	Map    []byte     // of orders: the map that names the columns
	At     event.Time // of what has no time in a catalog or a count sheet; zero is now
	Person string
}

// Taken says what becomes of a file, or would become of it.
type Taken struct {
	Facts    int
	Recorded int
	Skipped  int    // facts that were here already
	Rows     []Fate // what becomes of the rows; their numbers add up to all rows
	Entries  []Fate // of the entries of items, where a row is a whole order
	Warnings []string
	OnHand   []Moved  // by counts
	Notices  []Notice // of counts
}

// Fate is what became of a number of rows.
type Fate struct {
	What string
	Rows int
}

// Importing takes files in, with the code of the commands.
type Importing interface {
	// Import records what a file says, all of it or nothing; dry only finds out whether it could be. What is wrong in single rows stands in a *Problem's
	// Details, what looks like a slip comes back as *Questions unless sure.
	Import(ctx context.Context, f File, dry, sure bool) (Taken, error)
}

// staged is a file that was dropped and isn't recorded yet. It stands in memory only: a program that ends forgets it, and the file is dropped again.
type staged struct {
	id    string
	file  File
	table *sheet.Table // nil where it can't be read without the map's help
	why   string
}

// staging holds the last few files.
type staging struct {
	mu   sync.Mutex
	list []*staged
}

const (
	mostStaged = 6
	mostHeld   = 160 << 20 // bytes of all staged files
)

func (s *staging) put(x *staged) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.list = append(s.list, x)
	held := 0
	for i := len(s.list) - 1; i >= 0; i-- {
		if held += len(s.list[i].file.Bytes); i < len(s.list)-1 && (held > mostHeld || len(s.list)-i > mostStaged) {
			s.list = slices.Clone(s.list[i+1:])
			return
		}
	}
}

func (s *staging) get(id string) (staged, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, x := range s.list {
		if x.id == id {
			return *x, true
		}
	}
	return staged{}, false
}

// keepMap remembers the map that a person made for a file.
func (s *staging) keepMap(id string, text []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, x := range s.list {
		if x.id == id {
			x.file.Map = text
		}
	}
}

// uploadPage asks for a file.
type uploadPage struct {
	What []option
	Done string
	Why  string
}

var fileKinds = []option{
	{Value: FileOfOrders, Label: "orders, from a shop, a marketplace or a spreadsheet of your own"}, {Value: FileOfCatalog, Label: "items: a list of what you sell and use"},
	{Value: FileOfCounts, Label: "counts: a count sheet that was filled in"},
}

func serveImport(v *view) error { return v.showUpload(http.StatusOK, v.r.URL.Query().Get("what"), "") }

func (v *view) showUpload(status int, what, why string) error {
	p := uploadPage{Why: why}
	for i, o := range fileKinds {
		o.Chosen = o.Value == what || what == "" && i == 0
		p.What = append(p.What, o)
	}
	return v.renderStatus(status, "import", p)
}

func takeFile(v *view) error {
	bad := func(why string) error {
		return v.showUpload(http.StatusUnprocessableEntity, v.r.FormValue("what"), why)
	}
	const inMemory = 8 << 20
	if err := v.r.ParseMultipartForm(inMemory); err != nil {
		return &Problem{What: "the file can't be taken", Hint: fmt.Sprintf("it may have %d MB at most here; countback import takes larger ones", maxForm>>20), Err: err}
	}
	defer v.r.MultipartForm.RemoveAll()
	what := v.r.FormValue("what")
	if !slices.ContainsFunc(fileKinds, func(o option) bool { return o.Value == what }) {
		return bad("Say what the file holds.")
	}
	name, file, err := v.sent("file")
	if err != nil {
		return err
	}
	if len(file) == 0 {
		return bad("Choose a file: nothing came, or it is empty.")
	}
	x := &staged{id: v.desk().NewID().String(), file: File{Name: name, What: what, Bytes: file}}
	if _, x.file.Map, err = v.sent("map"); err != nil {
		return err
	}
	opts := sheet.Options{}
	if what == FileOfOrders && len(x.file.Map) > 0 {
		if _, err := sheet.Entries(x.file.Map); err != nil {
			return bad("The map can't be read: " + err.Error() + ".")
		}
		if m, err := sheet.ParseMap(x.file.Map); err == nil {
			opts = m.Options()
		}
	}
	if x.table, err = sheet.ReadTable(file, opts); err != nil {
		if what != FileOfOrders {
			return bad("The file can't be read: " + err.Error() + ".")
		}
		x.table, x.why = nil, err.Error()
	}
	if what == FileOfOrders && len(x.file.Map) == 0 && x.table != nil {
		x.file.Map = []byte(sheet.Suggest(x.table))
	}
	v.site.staging.put(x)
	return v.redirect("/import/" + x.id)
}

// sent is a file of a form; no bytes where none was chosen.
func (v *view) sent(field string) (name string, body []byte, err error) {
	file, head, err := v.r.FormFile(field)
	if errors.Is(err, http.ErrMissingFile) {
		return "", nil, nil
	}
	if err != nil {
		return "", nil, &Problem{What: "the file can't be read", Hint: "choose it again", Err: err}
	}
	defer file.Close()
	body, err = io.ReadAll(file)
	if err != nil {
		return "", nil, &Problem{What: "the file can't be read", Hint: "choose it again", Err: err}
	}
	return path.Base(strings.ReplaceAll(head.Filename, `\`, "/")), body, nil
}

// mapPage shows a file's first rows and how it is to be read.
type mapPage struct {
	ID, Name, What string
	Why            string // why the file can't be read yet
	Header         []headCell
	Rows           [][]string
	Numbers        []int
	More           int
	Form           formView
	Tried          *Taken
	Recorded       bool
	Bad            int // rows that can't be taken
	Problems       []Detail
	MoreProblems   int
	Unknown        []unknownCode
	Failed         *Problem
	MapPath        string
	Nothing        bool
}

type headCell struct{ Name, As string }

const (
	firstRows    = 8
	mostProblems = 60
)

func (v *view) stagedFile() (staged, error) {
	x, ok := v.site.staging.get(v.r.PathValue("file"))
	if !ok {
		return x, &Problem{What: "this file isn't here any more", Hint: "choose it again under Take a file in; nothing was recorded", Status: http.StatusNotFound}
	}
	return x, nil
}

func serveFile(v *view) error {
	x, err := v.stagedFile()
	if err != nil {
		return err
	}
	f := newForm(v.look, v.desk().Now(), nil)
	if x.file.What == FileOfOrders {
		f.fillMap(x.file.Map)
	}
	f.set("person", v.person())
	return v.showFile(http.StatusOK, x, f, nil)
}

func serveMap(v *view) error {
	x, err := v.stagedFile()
	if err != nil {
		return err
	}
	name := strings.TrimSuffix(x.file.Name, path.Ext(x.file.Name)) + ".map"
	v.w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	v.w.Header().Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": name}))
	_, err = v.w.Write(x.file.Map)
	return ignoreGone(err)
}

// showFile renders the page of a file; change may be nil.
func (v *view) showFile(status int, x staged, f *form, change func(*mapPage)) error {
	p := mapPage{ID: x.id, Name: x.file.Name, What: x.file.What, Why: x.why}
	var blocks []block
	submit := "Record it"
	if x.file.What == FileOfOrders {
		blocks = f.mapBlocks(x.table)
		p.MapPath = "/import/" + x.id + "/map"
	} else {
		blocks = []block{{Fields: []input{f.dayInput("day", "Day of rows that don't say theirs").hint("today where nothing is chosen"), f.textInput("person", "Who records it")}}}
	}
	p.rows(x, f)
	p.Form = formView{Action: "/import/" + x.id, Blocks: blocks, Submit: submit, Once: v.once(f), Seen: v.look.Version, Lists: v.look.suggestions()}
	p.Form.Wrong, p.Form.Notes = f.faults(blocks)
	if change != nil {
		change(&p)
	}
	return v.renderStatus(status, "import-file", p)
}

// rows shows the first rows, and what each column is taken for.
func (p *mapPage) rows(x staged, f *form) {
	t := x.table
	if t == nil {
		return
	}
	as := map[string]string{}
	if x.file.What == FileOfOrders {
		for _, w := range columnWords {
			if c := f.text(w.field); c != "" {
				as[strings.ToLower(c)] = w.label
			}
		}
	} else {
		known := sheet.CatalogColumns
		if x.file.What == FileOfCounts {
			known = sheet.CountColumns
		}
		for _, c := range known {
			as[c] = strings.ReplaceAll(c, "_", " ")
		}
	}
	for _, h := range t.Header {
		p.Header = append(p.Header, headCell{h, as[strings.ToLower(strings.Join(strings.Fields(h), " "))]})
	}
	for i := range min(len(t.Rows), firstRows) {
		row := make([]string, len(t.Rows[i]))
		for k, cell := range t.Rows[i] {
			row[k] = clipped(cell)
		}
		p.Rows = append(p.Rows, row)
		p.Numbers = append(p.Numbers, t.Number[i])
	}
	p.More = len(t.Rows) - len(p.Rows)
}

func takeMap(v *view) error {
	x, err := v.stagedFile()
	if err != nil {
		return err
	}
	f, err := v.parse()
	if err != nil {
		return err
	}
	if x.file.What == FileOfOrders && !v.readMap(&x, f) {
		return v.showFile(http.StatusUnprocessableEntity, x, f, nil)
	}
	if x.file.What != FileOfOrders && f.has("day") {
		kind := event.KindItem
		if x.file.What == FileOfCounts {
			kind = event.KindCount
		}
		if x.file.At = f.when(kind); f.bad() {
			return v.showFile(http.StatusUnprocessableEntity, x, f, nil)
		}
	}
	if f.has("more") || f.has("show") {
		return v.showFile(http.StatusOK, x, f, nil)
	}
	x.file.Person = f.text("person")
	dry := !f.has("record") && !f.has("sure")
	taken, err := v.desk().Import(v.ctx(), x.file, dry, f.has("sure"))
	var questions *Questions
	var p *Problem
	switch {
	case errors.As(err, &questions):
		return v.showFile(http.StatusUnprocessableEntity, x, f, func(m *mapPage) { m.Form.Questions, m.Form.Sure = questions.List, true })
	case errors.As(err, &p):
		return v.showProblems(x, f, p)
	case err != nil:
		return err
	}
	if !dry {
		v.keepPerson(x.file.Person)
	}
	return v.showFile(http.StatusOK, x, f, func(m *mapPage) {
		m.Tried, m.Recorded, m.Nothing = &taken, !dry, taken.Recorded == 0
	})
}

// readMap makes the map of the form, and reads the file's table as it says. It returns false where something is wrong with it.
func (v *view) readMap(x *staged, f *form) bool {
	text, fields := f.mapText()
	v.site.staging.keepMap(x.id, []byte(text))
	x.file.Map = []byte(text)
	m, err := sheet.ParseMap(x.file.Map)
	if err != nil {
		if f.has("more") || f.has("show") { // it isn't finished
			return true
		}
		f.mapWrong(err, fields)
		return false
	}
	if x.table, err = sheet.ReadTable(x.file.Bytes, m.Options()); err != nil {
		x.table, x.why = nil, err.Error()
		f.fail("", "The file can't be read so: "+err.Error(), "")
		return false
	}
	x.why = ""
	return true
}

// showProblems shows what keeps a file from being recorded: a fault of the map at its field, faults of rows in a list.
func (v *view) showProblems(x staged, f *form, p *Problem) error {
	var me *sheet.MapError
	if errors.As(p.Err, &me) && x.file.What == FileOfOrders {
		_, fields := f.mapText()
		f.mapWrong(me, fields)
		return v.showFile(http.StatusUnprocessableEntity, x, f, nil)
	}
	unknown, others := unknownCodes(p.Details)
	if x.file.What == FileOfOrders {
		f.askFor(unknown)
	}
	return v.showFile(http.StatusUnprocessableEntity, x, f, func(m *mapPage) {
		m.Failed, m.Bad, m.Unknown = p, len(p.Details), unknown
		m.Problems = others[:min(len(others), mostProblems)]
		m.MoreProblems = len(others) - len(m.Problems)
	})
}

// unknownCode is a code of a file that is no item here.
type unknownCode struct {
	Code string
	Rows int
	Near string // the names near it, as the import says them
}

// unknownCodes gathers the rows whose item nobody knows by their code, and leaves the others as they are.
func unknownCodes(list []Detail) (unknown []unknownCode, others []Detail) {
	at := map[string]int{}
	for _, d := range list {
		rest, ok := strings.CutPrefix(d.Why, "is not a known item")
		if !ok || d.Value == "" {
			others = append(others, d)
			continue
		}
		i, seen := at[d.Value]
		if !seen {
			i = len(unknown)
			at[d.Value] = i
			near, _, _ := strings.Cut(strings.TrimPrefix(rest, "; near it: "), ";")
			if near == rest || strings.HasPrefix(rest, "; add") {
				near = ""
			}
			unknown = append(unknown, unknownCode{Code: d.Value, Near: near})
		}
		unknown[i].Rows++
	}
	return unknown, others
}

// askFor puts rows for codes that nobody knows into the form, for their names here.
func (f *form) askFor(unknown []unknownCode) {
	known := set{}
	for _, row := range f.rows("aliases") {
		known.add(f.text(row + ".of"))
	}
	n := rowsOf(f.values, "aliases")
	for _, u := range unknown[:min(len(unknown), mostProblems)] {
		if !known[u.Code] {
			f.set(rowName("aliases", n)+".of", u.Code)
			n++
		}
	}
}
