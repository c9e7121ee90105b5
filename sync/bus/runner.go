package bus

import (
	"context"
	"errors"
	"maps"
	"slices"
	"time"

	"countback/sync/replicate"
)

// RunnerConfig says what a runner runs.
type RunnerConfig struct {
	Machine *replicate.Machine
	Buses   []Config
	Cursor  func(ctx context.Context, bus string) (replicate.Cursor, error) // how far a bus was read: replicate.ReadPlace

	// Version returns a number that changes with each write to the store; it is asked every Poll.
	Version func(context.Context) (int64, error)
	Poll    time.Duration

	Now   func() time.Time
	After func(time.Duration) <-chan time.Time

	// What the runner tells, from its own goroutine; each may be nil, and none may wait for the runner.
	Report  func(replicate.Report)
	Changed func(*replicate.Machine) // the store has changed: membership may have
	State   func(State)              // a bus has come up, gone down, or can't be reached for another reason
}

// State is what is known of a bus.
type State struct {
	Bus      string
	Up       bool
	Err      error // why it isn't
	SameDisk bool
	Read     uint64 // the last sequence of the log stream that is in the store, or refused
	Stored   uint64 // the last that the stream has
	Busy     bool   // something is being published, or looked at before
}

// Settled reports whether nothing is left to be read, and nothing on its way.
func (s State) Settled() bool { return s.Up && !s.Busy && s.Read >= s.Stored }

// Moved counts what has gone one way and the other since the runner was made.
type Moved struct {
	Taken int64 // events that were taken in
	Sent  int64 // events that a bus has confirmed
}

// Runner lets one machine live on its buses. All that touches the machine happens in the goroutine that runs Run.
type Runner struct {
	cfg     RunnerConfig
	queue   *Queue
	drivers []*Driver
	states  []*State
	doing   map[int64]doing // Publishes and Looks that aren't answered, by their op
	moved   Moved
	asks    chan func()
	wake    <-chan time.Time
}

type doing struct {
	bus    string
	events int
}

// NewRunner makes a runner.
func NewRunner(cfg RunnerConfig) *Runner {
	return &Runner{cfg: cfg, queue: NewQueue(), doing: map[int64]doing{}, asks: make(chan func())}
}

// errStopped says that a runner doesn't run.
var errStopped = errors.New("the runner has stopped")

// Run runs until the context ends. The drivers are closed when it returns.
func (r *Runner) Run(ctx context.Context) error {
	for _, c := range r.cfg.Buses {
		r.start(c)
	}
	defer func() {
		for _, d := range r.drivers {
			d.stop() // all at once
		}
		for _, d := range r.drivers {
			d.Close()
		}
	}()
	last, err := r.cfg.Version(ctx)
	if err != nil && ctx.Err() == nil {
		return err
	}
	r.step(replicate.Changed{})
	poll := r.cfg.After(r.cfg.Poll)
	for {
		select {
		case <-ctx.Done():
			return nil
		case ask := <-r.asks:
			ask()
		case <-r.queue.Ready():
			if in, ok := r.queue.Take(); ok {
				r.note(in)
				r.step(in)
			}
		case <-r.wake:
			r.wake = nil
			r.step(replicate.Tick{})
		case <-poll:
			// A store that can't be read now is the machine's to notice and report; a change is found once it can be.
			if v, err := r.cfg.Version(ctx); err == nil && v != last {
				last = v
				r.step(replicate.Changed{})
			}
			poll = r.cfg.After(r.cfg.Poll)
		}
	}
}

// Do runs a function in the runner's goroutine and waits for it.
func (r *Runner) Do(ctx context.Context, fn func(*replicate.Machine)) error {
	done := make(chan struct{})
	select {
	case <-ctx.Done():
		return errStopped
	case r.asks <- func() { fn(r.cfg.Machine); close(done) }:
		<-done
		return nil
	}
}

func (r *Runner) start(c Config) {
	r.drivers = append(r.drivers, Start(c, r.queue))
	r.states = append(r.states, &State{Bus: c.Name, SameDisk: c.SameDisk})
}

// Add starts with one more bus.
func (r *Runner) Add(ctx context.Context, c Config) error {
	return r.Do(ctx, func(*replicate.Machine) { r.start(c) })
}

// Nudge tells the machine that the store has changed, without waiting for the next look at it.
func (r *Runner) Nudge(ctx context.Context) error {
	return r.Do(ctx, func(*replicate.Machine) { r.step(replicate.Changed{}) })
}

// Take lets the machine take an input that comes from elsewhere than a bus, such as a part of a file, and waits until it has.
func (r *Runner) Take(ctx context.Context, in replicate.Input) error {
	return r.Do(ctx, func(*replicate.Machine) { r.step(in) })
}

// Kick lets all drivers that wait before their next attempt to connect try at once.
func (r *Runner) Kick(ctx context.Context) error {
	return r.Do(ctx, func(*replicate.Machine) {
		for _, d := range r.drivers {
			d.Kick()
		}
	})
}

// States returns what is known of the buses, in the order of the configuration, and what has moved.
func (r *Runner) States(ctx context.Context) (out []State, moved Moved, err error) {
	doErr := r.Do(ctx, func(*replicate.Machine) {
		moved = r.moved
		for i, s := range r.states {
			c, cursorErr := r.cfg.Cursor(ctx, s.Bus)
			if cursorErr != nil {
				err = cursorErr
				return
			}
			x := *s
			x.Read = c.Seq
			x.Stored, _ = r.drivers[i].Stored()
			for _, o := range r.doing {
				x.Busy = x.Busy || o.bus == s.Bus
			}
			out = append(out, x)
		}
	})
	return out, moved, errors.Join(doErr, err)
}

// note takes note of what an input says about a bus.
func (r *Runner) note(in replicate.Input) {
	switch in := in.(type) {
	case replicate.Up:
		r.state(in.Bus, true, nil)
	case replicate.Down:
		r.state(in.Bus, false, in.Err)
	case replicate.Published:
		if in.Err == nil {
			r.moved.Sent += int64(r.doing[in.Op].events)
		}
		delete(r.doing, in.Op)
	case replicate.Found:
		delete(r.doing, in.Op)
	}
}

func (r *Runner) state(bus string, up bool, err error) {
	maps.DeleteFunc(r.doing, func(_ int64, o doing) bool { return o.bus == bus }) // their answers may never come; the machine begins anew
	i := slices.IndexFunc(r.states, func(s *State) bool { return s.Bus == bus })
	if i < 0 {
		return
	}
	s := r.states[i]
	if was := s.Err; s.Up == up && (was == nil) == (err == nil) && (err == nil || err.Error() == was.Error()) {
		return
	}
	s.Up, s.Err = up, err
	if r.cfg.State != nil {
		r.cfg.State(*s)
	}
}

// step lets the machine take an input, and does what it says.
func (r *Runner) step(in replicate.Input) {
	_, changed := in.(replicate.Changed)
	for _, out := range r.cfg.Machine.Step(r.cfg.Now(), in) {
		switch o := out.(type) {
		case replicate.Wake:
			r.wake = r.cfg.After(o.In)
		case replicate.Report:
			if r.cfg.Report != nil {
				r.cfg.Report(o)
			}
		case replicate.Took:
			changed = true
			r.moved.Taken += int64(o.Events)
		case replicate.Fetch:
			r.do(o.Bus, o)
		case replicate.Publish:
			r.doing[o.Op] = doing{bus: o.Bus}
			if _, sort, _, _ := replicate.ParseSubject(o.Subject); sort != replicate.SubjectHeld {
				r.doing[o.Op] = doing{o.Bus, len(o.Bodies)}
			}
			r.do(o.Bus, o)
		case replicate.Look:
			r.doing[o.Op] = doing{bus: o.Bus}
			r.do(o.Bus, o)
		case replicate.Download:
			r.do(o.Bus, o)
		case replicate.Keep:
			r.do(o.Bus, o)
		}
	}
	if changed && r.cfg.Changed != nil {
		r.cfg.Changed(r.cfg.Machine)
	}
}

func (r *Runner) do(bus string, out replicate.Output) {
	for _, d := range r.drivers {
		if d.cfg.Name == bus {
			d.Do(out)
		}
	}
}
