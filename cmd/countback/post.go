package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"countback/ledger/entry"
	"countback/ledger/event"
	"countback/ledger/num"
	"countback/ledger/record"
	"countback/projections/doubt"
	"countback/projections/fold"
)

// posting is what every command that records one fact takes.
type posting struct {
	at   string
	note string
	file string // that the fact's data was read from
	sure bool   // don't ask
}

func (p *posting) flags(cmd *cobra.Command) {
	p.atFlag(cmd)
	cmd.Flags().StringVar(&p.note, "note", "", "`text` to keep with it")
}

// sureFlag is for what is asked about where it looks like a slip.
func sureFlag(cmd *cobra.Command, sure *bool) {
	cmd.Flags().BoolVar(sure, "sure", false, "don't ask, however odd it looks")
}

func (p *posting) atFlag(cmd *cobra.Command) {
	cmd.Flags().StringVar(&p.at, "at", "", "when it was: a `day` or a time with offset (default now)")
}

// time is when the fact happened.
func (p *posting) time(d *desk, k event.Kind) (event.Time, error) {
	if p.at == "" {
		return event.TimeOf(d.now()), nil
	}
	t, err := parseMoment(p.at, partOf(k), d.zone)
	if err != nil {
		return event.Time{}, inPlace("--at", "", err)
	}
	return event.TimeOf(t), nil
}

// recording runs a command that records one fact and says what became of it.
func (m *Main) recording(p *posting, build func(d *desk, args []string) (event.Data, error)) func(*cobra.Command, []string) error {
	return m.writing(func(d *desk, args []string) error {
		data, err := build(d, args)
		if err != nil {
			return err
		}
		at, err := p.time(d, data.Kind())
		if err != nil {
			return err
		}
		var where func(int) string
		if p.file != "" {
			where = func(int) string { return fileName(p.file) }
		}
		facts := []event.Fact{{Time: at, Data: data}}
		if err := d.ask(facts, p.sure); err != nil {
			return err
		}
		before, err := d.before(facts)
		if err != nil {
			return err
		}
		result, err := d.record(facts, where)
		if err != nil {
			return err
		}
		return d.tell(facts, result, before)
	})
}

// record takes facts through the check of entry into the ledger. where names a fact's place in its file; nil for facts of a command line.
func (d *desk) record(facts []event.Fact, where func(index int) string) (record.Result, error) {
	for i := range facts {
		if err := event.Check(facts[i].Data); err != nil {
			return record.Result{}, inPlace(place(where, i), nothing, onCommandLine(err, where))
		}
	}
	result, err := d.recorder().Record(d.ctx, facts, d.check(facts))
	return result, refused(err, where)
}

// refused puts a refusal of the check of entry into its place.
func refused(err error, where func(index int) string) error {
	var one *record.FactError
	if errors.As(err, &one) {
		return inPlace(place(where, one.Index), nothing, onCommandLine(one.Err, where))
	}
	var bad *entry.Error
	if !errors.As(err, &bad) {
		return err
	}
	hint := nothing
	if bad.Hint != "" {
		hint = bad.Hint
	}
	return &fault{what: bad.Why, where: join(place(where, bad.Index), fieldName(bad.Field, where)), hint: hint, status: statusUse, err: err}
}

// onCommandLine says a field as it is known there: the name of its flag, or of its place behind the command.
func onCommandLine(err error, where func(int) string) error {
	var f *event.FieldError
	if where != nil || !errors.As(err, &f) {
		return err
	}
	field := strings.TrimPrefix(f.Field, "lines[0].")
	switch field {
	case "qty":
		field = "N"
	case "item", "order", "event", "restock", "amount":
		field = strings.ToUpper(field)
	default:
		if field != "" && !strings.ContainsAny(field, ".[") {
			field = "--" + strings.ReplaceAll(field, "_", "-")
		}
	}
	return &event.FieldError{Field: field, Why: f.Why}
}

func place(where func(int) string, index int) string {
	if where == nil {
		return ""
	}
	return where(index)
}

// fieldName leaves out the name of a field that nobody wrote: on the command line there are words, not fields.
func fieldName(field string, where func(int) string) string {
	switch {
	case where != nil:
		return field
	case field == "time":
		return "--at"
	}
	return ""
}

// posted is what a recording command prints as JSON.
type posted struct {
	Recorded []postedEvent `json:"recorded"`
	Skipped  int           `json:"skipped,omitempty"`
	OnHand   []postedStock `json:"on_hand,omitempty"`
	Notices  []postedNote  `json:"notices,omitempty"`
}

type postedEvent struct {
	Event string `json:"event"`
	Kind  string `json:"kind"`
	Time  string `json:"time"`
	Order string `json:"order,omitempty"`
}

type postedStock struct {
	Item   string `json:"item"`
	Unit   string `json:"unit"`
	Change string `json:"change"`
	OnHand string `json:"on_hand"`
}

type postedNote struct {
	Event   string   `json:"event,omitempty"`
	Why     string   `json:"why"`
	Choices []string `json:"choices,omitempty"`
}

// tell prints what was recorded, what it moved, and what there is to know about it.
func (d *desk) tell(facts []event.Fact, result record.Result, before *standing) error {
	out := posted{Recorded: []postedEvent{}, Skipped: result.Skipped}
	for i, f := range facts {
		out.Recorded = append(out.Recorded, postedEvent{result.IDs[i].String(), string(f.Data.Kind()), f.Time.String(), orderOf(f.Data)})
	}
	if err := d.moved(facts, result, before, &out); err != nil {
		return err
	}
	return d.printPosted(&out)
}

// moved fills in what facts that were just recorded moved, and what there is to know about them.
func (d *desk) moved(facts []event.Fact, result record.Result, before *standing, out *posted) error {
	ids := map[event.ID]bool{}
	for _, id := range result.IDs {
		ids[id] = true
	}
	moves := moves{ids: ids, change: map[int]num.Qty{}}
	// Facts that were here before may stand before a checkpoint, and what looks like a slip is told by all that came before.
	r, err := d.resume(fold.Run{Observe: moves.see}, result.Skipped > 0 || doubt.Possible(facts))
	if err != nil {
		return err
	}
	moves.tell(r.State, out, before)
	out.Notices = append(out.Notices, before.settled(d, facts, moves, r.State)...)
	out.Notices = append(out.Notices, doubts(r.Log, facts, result.IDs)...)
	out.Notices = append(out.Notices, fromNothing(facts, result.IDs, r.State)...)
	return nil
}

// fromNothing says which print runs used nothing, as no make spec says what they use.
func fromNothing(facts []event.Fact, ids []event.ID, state *fold.State) (out []postedNote) {
	for i, f := range facts {
		d, ok := f.Data.(*event.Reprint)
		if !ok || d.Changes != nil || !d.Spec.IsZero() {
			continue
		}
		if it, ok := state.Catalog.Find(d.Item); ok && state.View.Make(it.Index) == nil {
			out = append(out, postedNote{ids[i].String(), "nothing says what a run of " + d.Item + " uses, so this one used nothing and its pieces cost nothing",
				[]string{"countback makespec FILE --at DAY says it, from that day on"}})
		}
	}
	return out
}

func orderOf(data event.Data) string {
	switch f := data.(type) {
	case *event.Order:
		return f.Order
	case *event.Pack:
		return f.Order
	case *event.Return:
		return f.Order
	}
	return ""
}

// standing is how the shop stood before facts whose own movements don't say what they change.
type standing struct {
	onHand  map[string]num.Qty
	pending map[event.ID]bool // packs that waited for a decision; nil where facts are no earlier packs, which alone put others in question
}

func standingOf(s *fold.State) *standing {
	w := &standing{onHand: map[string]num.Qty{}, pending: map[event.ID]bool{}}
	for _, it := range s.Catalog.Items {
		w.onHand[it.ID] = s.Items[it.Index].Account.OnHand()
	}
	for _, o := range s.Orders {
		for _, id := range o.Pending {
			w.pending[id] = true
		}
	}
	return w
}

// recent is how far back a fact's time may lie for a person to take it for now.
const recent = 60 * 1000

// before is how the shop stands before facts that take others out of the figures or let them in, that say what there is, or that stand at a time before now: what
// they change is told by the difference. It is nil for other facts, which change what they move.
func (d *desk) before(facts []event.Fact) (*standing, error) {
	differ, packs := false, false
	for _, f := range facts {
		early := f.Time.Ms() < d.now().UnixMilli()-recent
		switch f.Data.(type) {
		case *event.Reverse, *event.Decide:
			differ = true
		case *event.Count: // of a session it says what all its figures change together
			differ = true
		case *event.Pack:
			differ, packs = differ || early, packs || early
		default:
			differ = differ || early
		}
	}
	if !differ {
		return nil, nil
	}
	r, err := d.resume(fold.Run{}, packs) // a checkpoint leaves out what waits of orders that are packed
	if err != nil {
		return nil, err
	}
	w := standingOf(r.State)
	if !packs {
		w.pending = nil
	}
	return w, nil
}

// settled says why facts that stand at an earlier time change other than what they moved there.
func (w *standing) settled(d *desk, facts []event.Fact, v moves, state *fold.State) (out []postedNote) {
	if w == nil {
		return nil
	}
	for _, it := range state.Catalog.Items {
		own, moved := v.change[it.Index]
		now := &state.Items[it.Index]
		if !moved || own.Cmp(now.Account.OnHand().Sub(w.onHand[it.ID])) == 0 || !now.Counted {
			continue
		}
		for _, f := range facts {
			if f.Time.Ms() < now.LastCount {
				out = append(out, postedNote{Why: fmt.Sprintf("%s was counted on %s, after this, and that count stands: this entry changes what there was before it", it.ID, showDay(time.UnixMilli(now.LastCount).In(d.zone)))})
				break
			}
		}
	}
	for _, n := range state.Notices {
		if w.pending == nil {
			break
		}
		if n.Topic == "pending" && !v.ids[n.Event] && !w.pending[n.Event] && slices.ContainsFunc(facts, func(f event.Fact) bool { return f.Data.Kind() == event.KindPack && orderOf(f.Data) == n.About }) {
			out = append(out, postedNote{n.Event.String(), "an entry that counted before now waits for a decision: " + n.Why, n.Choices})
		}
	}
	return out
}

// moves gathers what some events move, by item.
type moves struct {
	ids    map[event.ID]bool
	change map[int]num.Qty
}

func (v *moves) see(m fold.Movement) {
	if !v.ids[m.Event] {
		return
	}
	if m.Column.In() {
		v.change[m.Item] = v.change[m.Item].Add(m.Qty)
	} else {
		v.change[m.Item] = v.change[m.Item].Sub(m.Qty)
	}
}

// tell fills in the stock that the events moved, and what there is to know about them.
func (v *moves) tell(state *fold.State, out *posted, before *standing) {
	for _, it := range state.Catalog.Items {
		now := state.Items[it.Index].Account.OnHand()
		change, seen := v.change[it.Index]
		if before != nil {
			change = now.Sub(before.onHand[it.ID])
			seen = seen || !change.IsZero()
		}
		if seen {
			out.OnHand = append(out.OnHand, postedStock{it.ID, it.Unit(), change.String(), now.String()})
		}
	}
	for _, n := range state.Notices {
		if v.ids[n.Event] {
			out.Notices = append(out.Notices, postedNote{n.Event.String(), n.Why, n.Choices})
		}
	}
}

func (d *desk) printPosted(out *posted) error {
	g := &grid{columns: []column{{name: "event"}, {name: "kind"}, {name: "time"}, {name: "order"}}}
	for _, e := range out.Recorded {
		g.add(plain(e.Event), plain(e.Kind), plain(e.Time), plain(e.Order))
	}
	if d.m.format != formatTable {
		return d.m.report(out, "", g, "")
	}
	var lead strings.Builder
	for i, e := range out.Recorded {
		if i > 0 {
			lead.WriteByte('\n')
		}
		about := e.Kind
		if e.Order != "" {
			about += " of order " + e.Order
		}
		fmt.Fprintf(&lead, "%s  %s, %s", e.Event, about, clock(e.Time).show())
	}
	return d.m.printTable(lead.String(), movedGrid(out), notes(out))
}

// movedGrid shows what facts moved.
func movedGrid(out *posted) *grid {
	stock := &grid{columns: []column{{head: "Item", flexible: true}, {head: "Change", figure: true}, {head: "On hand", figure: true}, {head: "Unit"}}}
	for _, s := range out.OnHand {
		change := figure(s.Change)
		if !strings.HasPrefix(s.Change, "-") && s.Change != "0" {
			change.shown = "+" + change.show()
		}
		stock.add(plain(s.Item), change, figure(s.OnHand), plain(s.Unit))
	}
	return stock
}

func notes(out *posted) string {
	var lines []string
	for _, n := range out.Notices {
		lines = append(lines, "Note: "+oneLine(n.Why)+".")
		for _, c := range n.Choices {
			lines = append(lines, "  - "+oneLine(c))
		}
	}
	var short []string
	for _, s := range out.OnHand {
		if strings.HasPrefix(s.OnHand, "-") {
			short = append(short, s.Item)
		}
	}
	if len(short) == 1 {
		lines = append(lines, fmt.Sprintf("Note: more %s left than ever came in. A restock or a count is missing: countback count %s N.", short[0], short[0]))
	} else if len(short) > 1 {
		lines = append(lines, fmt.Sprintf("Note: of %s more left than ever came in. Restocks or counts are missing: countback count ITEM N.", someOf(short)))
	}
	return strings.Join(lines, "\n")
}

// someOf names the first few of a list.
func someOf(list []string) string {
	const most = 12
	if len(list) <= most {
		return strings.Join(list, ", ")
	}
	return strings.Join(list[:most], ", ") + fmt.Sprintf(" and %s more", grouped(fmt.Sprint(len(list)-most)))
}

// asked are the flags of a report about the past.
type asked struct {
	asOf, known  string
	noCheckpoint bool
}

func (a *asked) flags(cmd *cobra.Command) {
	cmd.Flags().StringVar(&a.asOf, "as-of", "", "as it was at the end of a `day`, or at a time (default today)")
	cmd.Flags().StringVar(&a.known, "known", "", "only what was recorded by the end of a `day`, or by a time")
	cmd.Flags().BoolVar(&a.noCheckpoint, "no-checkpoint", false, "add up from the first event; prints the same")
}

// instants returns the two times in milliseconds; known 0 is everything. Without --as-of a report shows the whole of today, what was recorded for this evening included.
func (a *asked) instants(d *desk) (asOf, known int64, err error) {
	t, err := a.asOfTime(d)
	if err != nil {
		return 0, 0, inPlace("--as-of", "", err)
	}
	if a.known != "" {
		k, err := parseMoment(a.known, dayEnd, d.zone)
		if err != nil {
			return 0, 0, inPlace("--known", "", err)
		}
		known = k.UnixMilli()
	}
	return t.UnixMilli(), known, nil
}

func (a *asked) asOfTime(d *desk) (time.Time, error) {
	text := a.asOf
	if text == "" {
		text = d.now().Format("2006-01-02")
	}
	return parseMoment(text, dayEnd, d.zone)
}

// state adds up what is on hand. Only what is known now has checkpoints.
func (a *asked) state(d *desk) (*fold.State, error) {
	if a.known != "" {
		log, run, err := a.fold(d)
		if err != nil {
			return nil, err
		}
		return log.Run(run), nil
	}
	asOf, _, err := a.instants(d)
	if err != nil {
		return nil, err
	}
	r, err := d.resume(fold.Run{AsOf: asOf, Progress: d.m.progress("Adding up")}, a.noCheckpoint)
	if err != nil {
		return nil, err
	}
	return r.State, nil
}

// fold reads the log and says up to where to run it.
func (a *asked) fold(d *desk) (*fold.Log, fold.Run, error) {
	asOf, known, err := a.instants(d)
	if err != nil {
		return nil, fold.Run{}, err
	}
	log, err := d.log(known)
	if err != nil {
		return nil, fold.Run{}, err
	}
	return log, fold.Run{AsOf: asOf, Progress: d.m.progress("Adding up")}, nil
}
