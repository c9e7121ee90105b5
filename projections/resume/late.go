package resume

import (
	"bytes"
	"context"
	"maps"

	"countback/ledger/event"
	"countback/ledger/store"
	"countback/projections/fold"
)

// candidate is a checkpoint, and what arrived after it.
type candidate struct {
	store.Checkpoint
	gone    bool // something late changes what stands before it
	unknown map[string]int
	acts    []act
}

// act is a late reversal or decision.
type act struct {
	target  event.ID
	reverse bool
}

// always are the kinds that speak about all time.
var always = []event.Kind{
	event.KindShop, event.KindItem, event.KindRetire, event.KindPackSpec, event.KindMakeSpec, event.KindDevice, event.KindRevoke, event.KindReverse, event.KindDecide,
}

// facts are the kinds that act at their own place. Any other that arrives late, apart from reversals and decisions, leaves no checkpoint standing.
var facts = set(event.KindOrder, event.KindPack, event.KindPurchase, event.KindRestock, event.KindCredit, event.KindReprint, event.KindDamage, event.KindReturn, event.KindCount, event.KindClose)

func set[T comparable](list ...T) map[T]bool {
	m := make(map[T]bool, len(list))
	for _, x := range list {
		m[x] = true
	}
	return m
}

func keyOf(l *event.Light) event.Key { return event.Key{Ms: l.Ms, Rank: l.Kind.Rank(), ID: l.ID} }

// foreign reports whether the event is of a kind or version that the program doesn't know.
func foreign(l *event.Light) bool { return l.Fault == nil && (l.Version != 1 || !l.Kind.Known()) }

// weigh goes once through what arrived after the candidates, up to the number last.
func weigh(ctx context.Context, st store.Store, list []*candidate, last int64) error {
	from := last
	for _, c := range list {
		from = min(from, c.Arrived)
	}
	sc := event.NewScanner()
	err := st.Scan(ctx, from, func(r store.Row) error {
		if r.N > last {
			return errEnough
		}
		l, err := sc.Line(r.Line)
		if err != nil {
			return err
		}
		var told *act
		if !foreign(&l) && (l.Kind == event.KindReverse || l.Kind == event.KindDecide) {
			if told, err = actOf(r.Line); err != nil {
				return err
			}
		}
		standing := false
		for _, c := range list {
			if c.Arrived < r.N && !c.gone {
				c.weigh(&l, told)
			}
			standing = standing || !c.gone
		}
		if !standing {
			return errEnough
		}
		return nil
	})
	if err == errEnough {
		return nil
	}
	return err
}

func (c *candidate) weigh(l *event.Light, told *act) {
	switch {
	case foreign(l):
		c.unknown[string(l.Kind)]++ // it moves nothing, wherever it stands
	case l.Seq == 1 || !c.Position.Before(keyOf(l)):
		c.gone = true
	case l.Kind == event.KindReverse || l.Kind == event.KindDecide:
		if told != nil {
			c.acts = append(c.acts, *told)
		}
	case !facts[l.Kind]:
		c.gone = true
	}
}

// actOf reads a reversal or a decision; nil if it is void.
func actOf(line []byte) (*act, error) {
	e, err := event.ParseLine(bytes.Clone(line))
	if err != nil || e.Fault != nil {
		return nil, err
	}
	switch d := e.Data.(type) {
	case *event.Reverse:
		return &act{d.Event, true}, nil
	case *event.Decide:
		return &act{d.Event, false}, nil
	}
	return nil, errDoubt
}

// resumed folds from the latest checkpoint that holds. It returns nil if none does, for whatever reason.
func (j Job) resumed(ctx context.Context) *Result {
	// In this order: a cut of a log in between drops all checkpoints, and what it put in comes after last.
	last, err := j.Store.Last(ctx)
	if err != nil {
		return nil
	}
	points, err := j.Store.Checkpoints(ctx, Key(j.Build))
	if err != nil || len(points) == 0 {
		return nil
	}
	var list []*candidate
	for _, p := range points {
		if j.Run.AsOf == 0 || p.Position.Ms <= j.Run.AsOf {
			list = append(list, &candidate{Checkpoint: p, gone: p.Arrived > last, unknown: map[string]int{}})
		}
	}
	if len(list) == 0 || weigh(ctx, j.Store, list, last) != nil {
		return nil
	}
	for i, c := range list {
		if c.gone {
			continue
		}
		if r := j.from(ctx, c, last); r != nil {
			if i > 0 {
				r.stale = &c.Position
			}
			return r
		}
	}
	return nil
}

// from folds the tail of the ledger behind a checkpoint, or returns nil if the checkpoint doesn't hold.
func (j Job) from(ctx context.Context, c *candidate, last int64) *Result {
	state, err := j.Store.CheckpointState(ctx, c.Checkpoint)
	if err != nil {
		return nil
	}
	sn, err := fold.DecodeSnapshot(state)
	if err != nil || sn.Position != c.Position {
		return nil
	}
	twice, err := j.Store.DoubledAfter(ctx, c.Arrived)
	if err != nil || len(twice) > 0 {
		return nil
	}
	t := newTail(j.Store, c, sn, last)
	log, err := fold.Read(ctx, t, fold.Choice{})
	if err != nil {
		return nil
	}
	sn.Unknown = maps.Clone(sn.Unknown)
	if sn.Unknown == nil {
		sn.Unknown = map[string]int{}
	}
	for k, n := range c.unknown {
		sn.Unknown[k] += n
	}
	r := &Result{Log: log, Resumed: true, job: j, arrived: last}
	r.mark(t.events)
	r.job.Run.From = sn
	if r.State = log.Run(r.job.Run); r.State == nil {
		return nil
	}
	return r
}
