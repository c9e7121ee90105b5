package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/spf13/cobra"

	"countback/ledger/event"
	"countback/ledger/store"
	"countback/projections/report"
	"countback/sync/pair"
	"countback/sync/replicate"
)

// status is what status prints.
type status struct {
	AsOf     string       `json:"as_of"`
	Engine   string       `json:"engine"`
	Version  string       `json:"version"`
	Shop     string       `json:"shop"`
	Device   string       `json:"device,omitzero"`
	Folder   string       `json:"folder"`
	Events   int64        `json:"events"`
	Bytes    int64        `json:"bytes"`
	DiskLeft *int64       `json:"disk_left"` // bytes; null: not known
	Devices  int          `json:"devices"`
	Unsafe   *int64       `json:"unsafe"` // events that stand on this disk alone, as far as is known
	Backup   string       `json:"last_backup,omitzero"`
	Serving  bool         `json:"serving"`
	Door     string       `json:"door,omitzero"`
	Buses    []servedBus  `json:"buses"`
	Clock    string       `json:"clock"`
	Refused  int          `json:"refused"` // lines in quarantine
	Waiting  int          `json:"waiting"` // events that wait for others
	Ahead    []aheadClock `json:"clocks_ahead"`
}

type aheadClock struct {
	Device string `json:"device"`
	By     string `json:"by"`
}

// servedBus is what a running serve knows of a bus.
type servedBus struct {
	Bus string `json:"bus"`
	Up  bool   `json:"up"`
	Why string `json:"why,omitzero"`
}

func (m *Main) statusCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:     "status",
		Short:   "How this desk is: store, bus, devices, backup, disk, clock",
		Example: "  countback status",
		Args:    cobra.NoArgs,
	}
	cmd.ValidArgsFunction = nothingMore
	cmd.RunE = m.reading(func(d *desk, _ []string) error {
		s, err := d.status()
		if err != nil {
			return err
		}
		return m.printStatus(d, s)
	})
	return cmd
}

func (d *desk) status() (*status, error) {
	s := &status{AsOf: d.now().Format(time.RFC3339), Engine: report.Engine, Version: d.m.versionText(), Shop: d.shop.Name, Folder: d.dir, Buses: []servedBus{}, Ahead: []aheadClock{}}
	for _, name := range []string{"", "-wal"} {
		if info, err := os.Stat(ledgerPath(d.dir) + name); err == nil {
			s.Bytes += info.Size()
		}
	}
	if left, ok := diskLeft(d.dir); ok {
		s.DiskLeft = &left
	}
	if err := d.statusOfDevices(s); err != nil {
		return nil, err
	}
	backup, err := noteOf(d.ctx, d.store, noteBackup)
	if err != nil {
		return nil, err
	}
	s.Backup = string(backup)
	if s.Serving, err = serving(d.dir); err != nil {
		return nil, err
	}
	if s.Serving {
		if err := d.statusOfServe(s); err != nil {
			return nil, err
		}
	}
	return s, d.statusOfClock(s)
}

// noteBackup says when this ledger was last backed up.
const noteBackup = "backup/last"

func (d *desk) statusOfDevices(s *status) error {
	heads, err := d.store.Heads(d.ctx)
	if err != nil {
		return err
	}
	for _, h := range heads {
		s.Events += h.Seq
	}
	refused, err := replicate.Refused(d.ctx, d.store)
	if err != nil {
		return err
	}
	waiting, err := replicate.Waiting(d.ctx, d.store)
	if err != nil {
		return err
	}
	s.Refused, s.Waiting = len(refused), len(waiting)
	if d.key, err = readKey(d.dir); err != nil {
		s.Devices = len(heads)
		return nil // a ledger without its key can still be looked at; recording says what is missing
	}
	s.Device = d.key.Device()
	r, err := d.devices()
	if err != nil {
		return err
	}
	s.Devices, s.Unsafe = len(r.Devices), &r.Unsafe
	return nil
}

func (d *desk) statusOfServe(s *status) error {
	door, ok, err := pair.Door(d.ctx, d.store)
	if err != nil {
		return err
	}
	if ok {
		s.Door = door.Base
	}
	value, err := noteOf(d.ctx, d.store, noteState)
	if err != nil || value == nil {
		return err
	}
	if err := json.Unmarshal(value, &s.Buses); err != nil {
		return store.Fail("read the notes", noteState, store.ErrDamaged, err)
	}
	return nil
}

// statusOfClock compares this machine's clock with the newest events, and what was seen of other clocks.
func (d *desk) statusOfClock(s *status) error {
	s.Clock = "agrees with the ledger"
	newest := int64(0)
	last, err := d.store.Last(d.ctx)
	if err != nil {
		return err
	}
	const some = 1000
	err = d.store.Scan(d.ctx, max(0, last-some), func(r store.Row) error {
		if e, err := event.ParseLine(bytes.Clone(r.Line)); err == nil {
			newest = max(newest, e.ID.Ms())
		}
		return nil
	})
	if err != nil {
		return err
	}
	const slack = 2 * time.Minute
	if off := time.Duration(newest-d.m.Now().UnixMilli()) * time.Millisecond; off > slack {
		s.Clock = fmt.Sprintf("is %s behind the newest entry; set it, or check who entered that", off.Round(time.Second))
	}
	sights, err := pair.Sights(d.ctx, d.store)
	if err != nil {
		return err
	}
	if s.Unsafe == nil {
		return nil
	}
	r, err := d.devices()
	if err != nil {
		return err
	}
	for _, l := range r.Devices {
		if x, ok := sights[l.Device]; ok && x.Ahead > slack {
			s.Ahead = append(s.Ahead, aheadClock{l.Device, x.Ahead.Round(time.Second).String()})
		}
	}
	return nil
}

// noteOf reads one note; nil where there is none.
func noteOf(ctx context.Context, st store.Store, name string) (out []byte, err error) {
	err = st.Local(ctx, name, func(key string, value []byte) error {
		if key == name {
			out = bytes.Clone(value)
		}
		return nil
	})
	return out, err
}

// keepState notes what serve knows of its buses, for status.
func (s *office) keepState(ctx context.Context) error {
	states, _, err := s.runner.States(ctx)
	if err != nil {
		return err
	}
	list := []servedBus{}
	for _, x := range states {
		b := servedBus{Bus: x.Bus, Up: x.Up}
		if x.Err != nil && !x.Up {
			b.Why = oneLine(x.Err.Error())
		}
		list = append(list, b)
	}
	value, err := json.Marshal(list)
	if err != nil {
		return err
	}
	was, err := noteOf(ctx, s.d.store, noteState)
	if err != nil || bytes.Equal(was, value) { // a note that is the same wakes nobody
		return err
	}
	return keepNote(ctx, s.d.store, noteState, value)
}

func (m *Main) printStatus(d *desk, s *status) error {
	g := &grid{columns: []column{{name: "what", head: "What"}, {name: "state", head: "State", flexible: true}}}
	row := func(what, format string, args ...any) { g.add(plain(what), plain(fmt.Sprintf(format, args...))) }
	row("Version", "%s, figures %s", s.Version, s.Engine)
	row("Store", "%s, %s in %s", count(int(s.Events), "event", "events"), megabytes(s.Bytes), s.Folder)
	if s.DiskLeft != nil {
		row("Disk left", "%s", megabytes(*s.DiskLeft))
	}
	switch {
	case s.Unsafe == nil:
		row("Devices", "%s; the key of this one is missing, so it can't record", count(s.Devices, "device", "devices"))
	case *s.Unsafe == 0:
		row("Devices", "%s; all events are safe", count(s.Devices, "device", "devices"))
	default:
		row("Devices", "%s; %s on this disk alone, as far as is known", count(s.Devices, "device", "devices"), count(int(*s.Unsafe), "event stands", "events stand"))
	}
	if !s.Serving {
		row("Bus", "countback serve isn't running")
	} else {
		row("Bus", "countback serve is running%s", strings.TrimSuffix(" at "+s.Door, " at "))
	}
	for _, b := range s.Buses {
		state := "reached"
		if !b.Up {
			state = "not reached" + why(b.Why)
		}
		row("Bus "+b.Bus, "%s", state)
	}
	if s.Backup == "" {
		row("Last backup", "none is known")
	} else {
		row("Last backup", "%s", clock(s.Backup).show())
	}
	row("Clock", "%s %s", clock(s.AsOf).show(), s.Clock)
	for _, a := range s.Ahead {
		row("Clock of "+a.Device, "%s ahead; set it", a.By)
	}
	if s.Waiting+s.Refused > 0 {
		row("Aside", "%s, %s refused; see review and devices", count(s.Waiting, "event waits", "events wait"), count(s.Refused, "line was", "lines were"))
	}
	return m.report(s, d.shop.Name, g, "")
}

func megabytes(n int64) string {
	const mib = 1 << 20
	if n < 10*mib {
		return fmt.Sprintf("%d KiB", n>>10)
	}
	return grouped(fmt.Sprint(n/mib)) + " MiB"
}
