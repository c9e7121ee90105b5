package chain

import (
	"bytes"
	"cmp"
	"context"
	"crypto/ed25519"
	"fmt"
	"maps"
	"slices"

	"countback/ledger/event"
	"countback/ledger/store"
)

// Report is what an audit found.
type Report struct {
	Events  int64          `json:"events"`
	Devices []DeviceReport `json:"devices"`
	Faults  []Fault        `json:"faults"`
}

// DeviceReport is one log: its last sequence, the hash there, and whether no fault lies in it.
type DeviceReport struct {
	Device string `json:"device"`
	Last   int64  `json:"last"`
	Head   string `json:"head"`
	OK     bool   `json:"ok"`
}

// Fault is one thing that is wrong. Event is an id where there is one, else a place; empty where the store as a whole is meant.
type Fault struct {
	Event  string `json:"event"`
	What   string `json:"what"`
	Repair string `json:"repair"`
}

// Source is what an audit reads. A source that also has Heads or is a store.Checker is asked for these too.
type Source interface {
	Scan(ctx context.Context, after int64, fn func(store.Row) error) error
}

// Options of an audit.
type Options struct {
	Shop       string // the shop id; empty: that of the first event
	Signatures bool   // check every signature, and not only the last of each log
	Workers    int    // goroutines that check signatures; 0: one for each core
}

const (
	repairBytes  = "keep the file; restore the newest backup with countback restore FILE, or take the log in again from another device with countback sync"
	repairVoid   = "it counts nowhere; see countback review and record the fact anew"
	repairMember = "see countback devices; take in the log of the desk that admitted it, or leave it"
	repairFork   = "see countback review; keep only one copy of the device, and record what is missing anew"
)

// Audit reads every stored line anew and lists all faults: lines that can't be read or are misspelt, gaps, wrong prevhashes, data of the wrong shape,
// signatures, logs without admission, and what the store says of itself. The error is for a store that couldn't be read to its end.
func Audit(ctx context.Context, src Source, opts Options) (Report, error) {
	a := &audit{opts: opts, logs: map[string]*auditLog{}, report: Report{Devices: []DeviceReport{}, Faults: []Fault{}}}
	a.sigs = startVerifier(opts.Workers)
	err := src.Scan(ctx, 0, a.row)
	for _, device := range slices.Sorted(maps.Keys(a.logs)) {
		a.endLog(device, a.logs[device])
	}
	a.takeBadSignatures(a.sigs.finish())
	if err != nil {
		return Report{}, err
	}
	if err := a.store(ctx, src); err != nil {
		return Report{}, err
	}
	a.finish()
	return a.report, nil
}

type audit struct {
	opts    Options
	report  Report
	faults  []placed
	logs    map[string]*auditLog
	members *Members
	sigs    *verifier
	lastRow int64
}

type auditLog struct {
	seq    int64
	hash   string
	public []byte
	bad    bool
	last   signature // of the last event
}

// placed is a fault with its place, so that faults found in parallel come out in order.
type placed struct {
	row int64
	Fault
}

func (a *audit) fault(row int64, log *auditLog, event, what, repair string) {
	a.faults = append(a.faults, placed{row, Fault{event, what, repair}})
	if log != nil {
		log.bad = true
	}
}

// row looks at one stored line.
func (a *audit) row(r store.Row) error {
	a.report.Events++
	place := fmt.Sprintf("number %d", r.N)
	if r.N <= a.lastRow {
		a.fault(r.N, nil, place, fmt.Sprintf("its number doesn't rise: it comes after %d", a.lastRow), repairBytes)
	}
	a.lastRow = r.N
	line := bytes.Clone(r.Line)
	x, err := readLine(line)
	if err != nil {
		a.fault(r.N, a.logs[x.device], place, "the line can't be read: "+err.Error(), repairBytes)
		return nil
	}
	log := a.logs[x.device]
	if log == nil {
		log = &auditLog{hash: event.FirstPrev}
		a.logs[x.device] = log
	}
	if x.id != "" {
		place = x.id
	}
	e, err := event.ParseLine(line)
	switch {
	case err != nil:
		a.fault(r.N, log, place, "the line is not in the ledger's spelling: "+err.Error(), repairBytes)
	case e.Device != x.device || e.Shop != x.shop || e.Seq != x.seq || e.Prev != x.prev || e.Hash != x.hash:
		a.fault(r.N, log, place, "two readers disagree about the line", "report this with the line; "+repairBytes)
	case e.Fault != nil:
		a.fault(r.N, log, place, "the data fails the check of shape: "+e.Fault.Error(), repairVoid)
	}
	a.chain(r.N, log, x, place)
	if e != nil && err == nil {
		a.member(r.N, log, e, place)
	}
	return nil
}

// chain checks sequence, prevhash and signature, and goes on from this event whatever it found, so that one fault doesn't make a hundred.
func (a *audit) chain(row int64, log *auditLog, x reading, place string) {
	switch {
	case x.seq != log.seq+1:
		a.fault(row, log, place, fmt.Sprintf("sequence %d of device %s comes after %d", x.seq, x.device, log.seq), repairBytes)
	case x.prev != log.hash:
		a.fault(row, log, place, fmt.Sprintf("sequence %d of device %s doesn't name the hash of the event before it: one of the two was changed", x.seq, x.device), a.whoChanged(log, x))
	}
	if log.public == nil && x.seq == 1 && makesDevice(x.public, x.device) {
		log.public = x.public
	}
	log.seq, log.hash = x.seq, x.hash
	if log.public == nil {
		if log.last.place == "" {
			a.fault(row, log, place, "the log of device "+x.device+" doesn't begin with the device event of its own key, so no signature in it can be checked", repairBytes)
		}
		log.last.place = place
		return
	}
	log.last = signature{row: row, place: place, device: x.device, public: log.public, signed: x.signed, sig: x.sig}
	if a.opts.Signatures {
		a.sigs.check(log.last)
	}
}

// whoChanged says what repairs an event that doesn't name the one before it. Both signatures tell whether bytes were changed, which a chain alone can't.
func (a *audit) whoChanged(log *auditLog, x reading) (repair string) {
	if log.public == nil || log.last.sig == nil {
		return repairFork
	}
	if !log.last.ok() {
		if !a.opts.Signatures { // else it is found anyway
			a.takeBadSignatures([]signature{log.last})
		}
		return repairBytes
	}
	if !(signature{public: log.public, signed: x.signed, sig: x.sig}).ok() {
		return repairBytes
	}
	return repairFork
}

func (a *audit) member(row int64, log *auditLog, e *event.Event, place string) {
	if a.members == nil {
		a.members = NewMembers(cmp.Or(a.opts.Shop, e.Shop))
	}
	if e.Shop != a.members.shop {
		a.fault(row, log, place, "it belongs to shop "+e.Shop+", the ledger to "+a.members.shop, repairBytes)
	}
	a.members.put(e)
}

func (a *audit) endLog(device string, log *auditLog) {
	if !a.opts.Signatures && log.last.sig != nil {
		a.sigs.check(log.last)
	}
}

func (a *audit) takeBadSignatures(bad []signature) {
	for _, s := range bad {
		a.fault(s.row, a.logs[s.device], s.place, "the signature isn't that of device "+s.device+" for these bytes: the line was changed or forged", repairBytes)
	}
}

// store compares the store's heads with what was read, and lets it check itself.
func (a *audit) store(ctx context.Context, src Source) error {
	if h, ok := src.(interface {
		Heads(context.Context) (map[string]store.Head, error)
	}); ok {
		heads, err := h.Heads(ctx)
		if err != nil {
			return err
		}
		for _, device := range slices.Sorted(maps.Keys(heads)) {
			head := heads[device]
			if log := a.logs[device]; log == nil || head.Seq < log.seq || head.Seq == log.seq && head.Hash != log.hash {
				a.fault(a.lastRow, log, "", "the store takes another event for the end of the log of device "+device, repairBytes)
			}
		}
		for _, device := range slices.Sorted(maps.Keys(a.logs)) {
			if _, ok := heads[device]; !ok {
				a.fault(a.lastRow, a.logs[device], "", "the store doesn't know the log of device "+device, repairBytes)
			}
		}
	}
	if c, ok := src.(store.Checker); ok {
		list, err := c.Check(ctx)
		if err != nil {
			return err
		}
		for _, what := range list {
			a.fault(a.lastRow, nil, "", what, repairBytes)
		}
	}
	return nil
}

func (a *audit) finish() {
	if a.members != nil {
		a.members.fold()
	}
	for _, device := range slices.Sorted(maps.Keys(a.logs)) {
		log := a.logs[device]
		if _, ok := a.members.get(device); !ok {
			a.fault(a.lastRow, log, "", "device "+device+" has a log, and nobody has admitted it", repairMember)
		}
		a.report.Devices = append(a.report.Devices, DeviceReport{device, log.seq, log.hash, !log.bad})
	}
	slices.SortStableFunc(a.faults, func(x, y placed) int { return cmp.Compare(x.row, y.row) })
	for _, f := range a.faults {
		a.report.Faults = append(a.report.Faults, f.Fault)
	}
}

func (m *Members) get(device string) (Member, bool) {
	if m == nil {
		return Member{}, false
	}
	return m.Get(device)
}

func (s signature) ok() bool { return ed25519.Verify(s.public, s.signed, s.sig) }
