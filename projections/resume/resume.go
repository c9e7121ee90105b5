package resume

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"strings"

	"countback/ledger/event"
	"countback/ledger/store"
	"countback/projections/fold"
	"countback/projections/report"
)

// Often is the number of events after which a fold leaves checkpoints: so many are folded while one is being saved.
const Often = 2500

// Job says what to fold and how.
type Job struct {
	Store store.Store
	Build string   // names the program, down to its source; a checkpoint of another build is never used. "": no checkpoint is used or left
	Now   int64    // ms
	Whole bool     // fold from the first event, whatever checkpoints there are, and leave none
	After int      // the number of events after which a fold leaves checkpoints; 0: Often
	Run   fold.Run // up to where, and whom to tell. Orders' lines are kept only by a fold from the first event
}

// Result is what a fold came to.
type Result struct {
	State   *fold.State
	Log     *fold.Log // what was read: the whole ledger or, if Resumed, its end and what speaks about all time
	Resumed bool

	job     Job
	arrived int64
	taken   []*fold.Snapshot
	stale   *store.Position // checkpoints behind it don't hold any more
}

// Key is the key of the checkpoints of a build.
func Key(build string) string {
	var kinds strings.Builder
	for _, k := range event.Kinds() {
		kinds.WriteString(string(k) + " ")
	}
	sum := sha256.Sum256([]byte(kinds.String()))
	return strings.Join([]string{"state", report.Engine, build, hex.EncodeToString(sum[:8])}, " ")
}

// Fold folds the ledger. Errors are those of reading the ledger's events; without a checkpoint it goes on.
func (j Job) Fold(ctx context.Context) (*Result, error) {
	if j.After == 0 {
		j.After = Often
	}
	j.Whole = j.Whole || j.Build == "" || j.Run.Orders
	if !j.Whole {
		if r := j.resumed(ctx); r != nil {
			return r, nil
		}
	}
	return j.whole(ctx)
}

// whole folds from the first event.
func (j Job) whole(ctx context.Context) (*Result, error) {
	before, err := j.Store.Last(ctx)
	if err != nil {
		return nil, err
	}
	log, err := fold.Read(ctx, fold.Stored(j.Store), fold.Choice{})
	if err != nil {
		return nil, err
	}
	after, err := j.Store.Last(ctx)
	if err != nil {
		return nil, err
	}
	r := &Result{Log: log, job: j, arrived: after, stale: &store.Position{Ms: -1 << 63}}
	if j.Build != "" && !j.Whole && before == after { // else nobody knows what the log holds of what came meanwhile
		r.mark(log.Len())
	}
	r.State = log.Run(r.job.Run)
	return r, nil
}

// mark asks the run for snapshots if it goes over many events.
func (r *Result) mark(events int) {
	if events <= r.job.After {
		return
	}
	const day = 24 * 60 * 60 * 1000
	for _, days := range []int64{92, 31, 7, 1} { // what comes late is mostly a few days late
		r.job.Run.Marks = append(r.job.Run.Marks, r.job.Now-days*day)
	}
	r.job.Run.Mark = func(sn *fold.Snapshot) { r.taken = append(r.taken, sn) }
}

// Leave saves the checkpoints that the fold took, if it went over many events. It may be called when the report has been printed, and its failure takes nothing
// away but time: the next fold then starts from where this one did.
func (r *Result) Leave(ctx context.Context) error {
	if len(r.taken) == 0 {
		return nil
	}
	key := Key(r.job.Build)
	if r.stale != nil && (r.job.Run.AsOf == 0 || r.job.Run.AsOf >= r.job.Now) {
		if err := r.job.Store.DropCheckpoints(ctx, key, *r.stale); err != nil {
			return err
		}
	}
	for _, sn := range r.taken {
		state, err := sn.Encode()
		if err != nil {
			return err
		}
		if err := r.job.Store.SaveCheckpoint(ctx, store.Checkpoint{Key: key, Position: sn.Position, Arrived: r.arrived, State: state}); err != nil {
			return err
		}
	}
	return nil
}
