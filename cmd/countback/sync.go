package main

import (
	"bytes"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/spf13/cobra"

	"countback/ledger/store"
	"countback/projections/report"
	"countback/sync/bus"
	"countback/sync/replicate"
)

// Notes through which the command sync speaks with a running serve.
const (
	noteAsk   = "serve/ask"   // the id of the newest question
	noteTold  = "serve/told"  // the answer to it
	noteState = "serve/state" // what serve knows of its buses
)

const (
	syncWait = time.Minute            // at most, for everything to come into step
	syncRest = 300 * time.Millisecond // of quiet, after which it has
	syncHope = 2 * time.Second        // of quiet, for the receipt of somebody else for what was sent just now
	lookRate = 25 * time.Millisecond
)

// synced is what sync prints.
type synced struct {
	AsOf   string   `json:"as_of"`
	Engine string   `json:"engine"`
	Taken  int64    `json:"taken"`
	Sent   int64    `json:"sent"`
	Kept   int64    `json:"kept"` // events on this disk
	Safe   int64    `json:"safe"` // those of them that another member is known to hold
	Buses  []syncAt `json:"buses"`
	Served bool     `json:"served"` // by a running serve
}

// syncAt is how far a bus has come.
type syncAt struct {
	Bus   string `json:"bus"`
	State string `json:"state"` // in step, behind, unreachable
	Why   string `json:"why,omitzero"`
	Read  uint64 `json:"read"`
	Last  uint64 `json:"last"`
}

const (
	inStep      = "in step"
	behind      = "behind"
	unreachable = "unreachable"
)

func (m *Main) syncCmd() *cobra.Command {
	var b buses
	cmd := &cobra.Command{
		Use:   "sync",
		Short: "Bring this desk into step with the others once",
		Long: `Send what the others lack, take in what they have sent, and say what moved. Where countback serve runs, it is asked to do so; otherwise the buses are connected to for this
once: those of desks that were paired, and those given with --bus.`,
		Example: "  countback sync\n  countback sync --bus tls://bus.fennimoor.test:4222 --creds fennimoor.creds",
		Args:    cobra.NoArgs,
	}
	cmd.ValidArgsFunction = nothingMore
	b.flags(cmd)
	cmd.RunE = m.writing(func(d *desk, _ []string) error {
		r, err := m.syncOnce(d, b)
		if err != nil {
			return err
		}
		if err := m.printSynced(r); err != nil {
			return err
		}
		for _, x := range r.Buses {
			if x.State != inStep {
				return &fault{what: "not everything is in step", where: x.Bus, hint: "recording goes on; try again later: " + x.State + why(x.Why), status: statusMachine}
			}
		}
		return nil
	})
	return cmd
}

func why(s string) string {
	if s == "" {
		return ""
	}
	return " (" + s + ")"
}

func (m *Main) syncOnce(d *desk, b buses) (*synced, error) {
	release, err := takeLock(d.dir)
	if errors.Is(err, errLocked) {
		if len(b.urls) > 0 {
			return nil, wrong("--bus", "leave --bus away, or stop serve and start it with --bus", "countback serve runs on this ledger and has its own buses")
		}
		return m.askServe(d)
	}
	if err != nil {
		return nil, err
	}
	r, err := m.syncHere(d, b)
	return r, errors.Join(err, release())
}

// syncHere connects by itself.
func (m *Main) syncHere(d *desk, b buses) (*synced, error) {
	outer, err := m.outer(d, b, func(string) {})
	if err != nil {
		return nil, err
	}
	if len(outer) == 0 {
		return nil, wrong("sync", "pair a second desk, or name a bus with --bus; phones come to countback serve", "this desk knows no other bus")
	}
	machine, err := d.replica()
	if err != nil {
		return nil, err
	}
	runner := d.runner(machine, outer, bus.RunnerConfig{Report: func(r replicate.Report) { fmt.Fprintln(m.Stderr, oneLine(r.Text())) }})
	ctx, stop := context.WithCancel(d.ctx)
	defer stop()
	ended := make(chan error, 1)
	go func() { ended <- runner.Run(ctx) }()
	r, err := d.settle(ctx, runner, bus.Moved{})
	stop()
	return r, errors.Join(err, <-ended)
}

// settle waits until all buses are in step, and says what has moved since before.
func (d *desk) settle(ctx context.Context, runner *bus.Runner, before bus.Moved) (*synced, error) {
	end := d.m.Now().Add(syncWait)
	var quiet time.Time
	for {
		states, moved, err := runner.States(ctx)
		if err != nil {
			return nil, err
		}
		now := d.m.Now()
		settled, safe, hopeless := d.stepped(ctx, runner, states)
		if !settled {
			quiet = time.Time{}
		} else if quiet.IsZero() {
			quiet = now
		}
		rest := syncRest
		if !safe && moved.Sent > before.Sent {
			rest = syncHope
		}
		if hopeless || !quiet.IsZero() && now.Sub(quiet) >= rest || now.After(end) {
			return d.syncedNow(ctx, runner, states, bus.Moved{Taken: moved.Taken - before.Taken, Sent: moved.Sent - before.Sent})
		}
		if err := wait(ctx, lookRate); err != nil {
			return nil, err
		}
	}
}

// stepped reports whether all is in step, whether another member holds all of this desk's own events, or whether nothing is left to be hoped for at once.
func (d *desk) stepped(ctx context.Context, runner *bus.Runner, states []bus.State) (settled, safe, hopeless bool) {
	settled, safe, hopeless = true, true, true
	for _, s := range states { // what is in step and what can't be reached gets no better by waiting
		settled = settled && s.Settled()
		hopeless = hopeless && (s.Settled() || !s.Up && s.Err != nil)
	}
	if settled {
		_ = runner.Do(ctx, func(x *replicate.Machine) {
			list, err := x.Standings()
			for _, l := range list {
				if l.Device != d.key.Device() || onlyHere(states) {
					continue
				}
				safe = l.Safe >= l.Kept
				if l.Sent < l.Kept {
					settled, hopeless = false, false
				}
			}
			settled = settled && err == nil
		})
	}
	return settled, safe, hopeless && !settled
}

// onlyHere reports whether there is no bus but this desk's own.
func onlyHere(states []bus.State) bool {
	for _, s := range states {
		if !s.SameDisk {
			return false
		}
	}
	return true
}

func (d *desk) syncedNow(ctx context.Context, runner *bus.Runner, states []bus.State, moved bus.Moved) (*synced, error) {
	r := &synced{AsOf: d.now().Format(time.RFC3339), Engine: report.Engine, Taken: moved.Taken, Sent: moved.Sent, Buses: []syncAt{}}
	var err error
	doErr := runner.Do(ctx, func(x *replicate.Machine) {
		var list []replicate.Standing
		list, err = x.Standings()
		for _, l := range list {
			r.Kept += l.Kept
			r.Safe += l.Safe
		}
	})
	for _, s := range states {
		x := syncAt{Bus: s.Bus, State: behind, Read: s.Read, Last: s.Stored}
		switch {
		case s.Settled():
			x.State = inStep
		case !s.Up:
			x.State = unreachable
			if s.Err != nil {
				x.Why = oneLine(s.Err.Error())
			}
		}
		r.Buses = append(r.Buses, x)
	}
	return r, errors.Join(doErr, err)
}

// request is a question to a running serve, and with its report the answer.
type request struct {
	ID     string  `json:"id"`
	Report *synced `json:"report,omitzero"`
	Fault  string  `json:"fault,omitzero"`
}

// askServe lets a running serve bring everything into step.
func (m *Main) askServe(d *desk) (*synced, error) {
	raw := make([]byte, 8)
	if _, err := io.ReadFull(m.Entropy, raw); err != nil {
		return nil, err
	}
	q := request{ID: hex.EncodeToString(raw)}
	value, err := json.Marshal(q)
	if err != nil {
		return nil, err
	}
	if err := keepNote(d.ctx, d.store, noteAsk, value); err != nil {
		return nil, err
	}
	const more = 10 * time.Second
	for end := m.Now().Add(syncWait + more); m.Now().Before(end); {
		a, err := readRequest(d.ctx, d.store, noteTold)
		switch {
		case err != nil:
			return nil, err
		case a.ID == q.ID && a.Report == nil:
			return nil, &fault{what: a.Fault, where: "serve", hint: "look at its output", status: statusMachine}
		case a.ID == q.ID:
			a.Report.Served = true
			return a.Report, nil
		}
		if err := wait(d.ctx, lookRate); err != nil {
			return nil, err
		}
	}
	return nil, &fault{what: "countback serve doesn't answer", where: d.dir, hint: "look at its output, or stop it and sync again", status: statusMachine}
}

func readRequest(ctx context.Context, st store.Store, note string) (a request, err error) {
	err = st.Local(ctx, note, func(key string, value []byte) error {
		if key != note {
			return nil
		}
		return json.Unmarshal(bytes.Clone(value), &a)
	})
	return a, err
}

// answer does what sync has asked for, unless that is done.
func (s *office) answer(ctx context.Context, done string) (string, error) {
	q, err := readRequest(ctx, s.d.store, noteAsk)
	if err != nil || q.ID == "" || q.ID == done {
		return done, err
	}
	told, err := readRequest(ctx, s.d.store, noteTold)
	if err != nil || told.ID == q.ID {
		return q.ID, err
	}
	if err := s.runner.Kick(ctx); err != nil {
		return done, err
	}
	_, before, err := s.runner.States(ctx)
	if err == nil {
		q.Report, err = s.d.settle(ctx, s.runner, before)
	}
	if err != nil {
		q.Fault = explain(err).Error()
	}
	value, err := json.Marshal(q)
	if err != nil {
		return q.ID, err
	}
	return q.ID, keepNote(ctx, s.d.store, noteTold, value)
}

func (m *Main) printSynced(r *synced) error {
	g := &grid{columns: []column{{name: "bus", head: "Bus", flexible: true}, {name: "state", head: "State"}, {name: "why", head: "Why", flexible: true},
		{name: "read", head: "Read", figure: true}, {name: "last", head: "Of", figure: true}}}
	for _, x := range r.Buses {
		g.add(plain(x.Bus), plain(x.State), plain(x.Why), figure(fmt.Sprint(x.Read)), figure(fmt.Sprint(x.Last)))
	}
	lead := fmt.Sprintf("%s taken in, %s sent. Of %s here %s safe.", count(int(r.Taken), "event", "events"), fmtInt(r.Sent), count(int(r.Kept), "event", "events"), isAre(r.Safe))
	return m.report(r, lead, g, "")
}

func isAre(n int64) string {
	if n == 1 {
		return "1 is"
	}
	return fmtInt(n) + " are"
}
