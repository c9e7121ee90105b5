package main

import (
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/ledger/store"
	"countback/sync/pair"
	"countback/sync/replicate"
)

// devicesReport is what is known here of a shop's devices.
type devicesReport struct {
	Shop     string       `json:"shop"`
	Keeper   string       `json:"keeper"`
	Unsafe   int64        `json:"unsafe"` // events that stand on this device's disk alone, as far as is known
	Devices  []deviceLine `json:"devices"`
	Waiting  []waitLine   `json:"waiting"`
	receipts map[string]*replicate.Receipt
	member   bool // this device is one
}

type deviceLine struct {
	Device     string `json:"device"`
	Name       string `json:"name"`
	Role       string `json:"role"`
	This       bool   `json:"this"`
	Keeper     bool   `json:"keeper"`
	Revoked    bool   `json:"revoked"`
	VoidAfter  int64  `json:"void_after,omitzero"` // if revoked: the last of its events that counts
	ReplacedBy string `json:"replaced_by,omitzero"`
	Events     int64  `json:"events"` // of its log, here
	LastEvent  string `json:"last_event,omitzero"`
	Holds      *int64 `json:"holds"` // events of all logs that it has said to hold; null: it has said nothing
	Lacks      *int64 `json:"lacks"` // of those that are here
	Unsafe     int64  `json:"unsafe"`
	Seen       string `json:"last_seen,omitzero"`
	ClockAhead string `json:"clock_ahead,omitzero"` // negative: behind
}

// waitLine is a device that nobody has admitted, and what waits of it.
type waitLine struct {
	Device string `json:"device"`
	Events int64  `json:"events"`
}

func (m *Main) devicesCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "devices",
		Short: "Which devices belong to the shop, and how far each has come",
		Long: `Which devices belong to the shop: when each was seen last, how many events it has said to hold and which it lacks of those that are here, whether its clock is off,
and what is not safe yet: events that stand on the disk of this device alone.`,
		Example: "  countback devices",
		Args:    cobra.NoArgs,
	}
	cmd.ValidArgsFunction = nothingMore
	cmd.RunE = m.reading(func(d *desk, _ []string) error {
		var err error
		if d.key, err = readKey(d.dir); err != nil {
			return err
		}
		r, err := d.devices()
		if err != nil {
			return err
		}
		return m.printDevices(d, r)
	})
	return cmd
}

func (d *desk) devices() (*devicesReport, error) {
	machine, err := replicate.New(d.ctx, replicate.Config{Store: d.store, Key: d.key, Shop: d.shopID, Desk: true, Build: d.m.Build})
	if err != nil {
		return nil, err
	}
	standings, err := machine.Standings()
	if err != nil {
		return nil, err
	}
	heads, err := d.store.Heads(d.ctx)
	if err != nil {
		return nil, err
	}
	sights, err := pair.Sights(d.ctx, d.store)
	if err != nil {
		return nil, err
	}
	receipts, err := replicate.Receipts(d.ctx, d.store)
	if err != nil {
		return nil, err
	}
	members := machine.Members()
	r := &devicesReport{Shop: d.shopID, Keeper: members.Keeper(), Devices: []deviceLine{}, Waiting: []waitLine{}, receipts: map[string]*replicate.Receipt{}}
	for _, x := range receipts {
		r.receipts[x.Device] = x
	}
	_, r.member = members.Get(d.key.Device())
	for _, b := range members.All() {
		l, err := d.deviceLine(r, b, heads)
		if err != nil {
			return nil, err
		}
		if s, ok := sights[b.Device]; ok {
			l.Seen = time.UnixMilli(s.At).In(d.zone).Format(time.RFC3339)
			if s.Ahead != 0 {
				l.ClockAhead = s.Ahead.Round(time.Second).String()
			}
		}
		r.Devices = append(r.Devices, l)
	}
	for i := range r.Devices {
		for _, b := range members.All() {
			if b.Succeeds == r.Devices[i].Device && (!b.Revoked || b.Last > 0) {
				r.Devices[i].ReplacedBy = b.Device
			}
		}
		for _, s := range standings {
			if s.Device == r.Devices[i].Device {
				r.Devices[i].Unsafe = s.Kept - s.Safe
				r.Unsafe += s.Kept - s.Safe
			}
		}
	}
	return r, d.strangers(r, members)
}

// strangers adds the devices that wait to be admitted.
func (d *desk) strangers(r *devicesReport, members *chain.Members) error {
	waiting, err := replicate.Waiting(d.ctx, d.store)
	if err != nil {
		return err
	}
	for _, w := range waiting {
		e, err := event.ParseLine(w.Line)
		if err != nil {
			return store.Fail("read what waits", "", store.ErrDamaged, err)
		}
		if _, ok := members.Get(e.Device); ok {
			continue
		}
		if n := len(r.Waiting); n == 0 || r.Waiting[n-1].Device != e.Device {
			r.Waiting = append(r.Waiting, waitLine{Device: e.Device})
		}
		r.Waiting[len(r.Waiting)-1].Events++
	}
	return nil
}

func (d *desk) deviceLine(r *devicesReport, b chain.Member, heads map[string]store.Head) (deviceLine, error) {
	l := deviceLine{
		Device: b.Device, Name: b.Name, Role: b.Role, This: b.Device == d.key.Device(), Keeper: b.Device == r.Keeper, Revoked: b.Revoked, VoidAfter: b.Last,
		Events: heads[b.Device].Seq,
	}
	row, err := d.store.At(d.ctx, b.Device, l.Events)
	if err != nil {
		return l, err
	}
	e, err := event.ParseLine(row.Line)
	if err != nil {
		return l, store.Fail("read the ledger", "the log of "+b.Device, store.ErrDamaged, err)
	}
	l.LastEvent = time.UnixMilli(e.ID.Ms()).In(d.zone).Format(time.RFC3339)
	var holds, lacks int64
	switch receipt := r.receipts[b.Device]; {
	case l.This:
		for _, h := range heads {
			holds += h.Seq
		}
	case receipt == nil:
		return l, nil
	default:
		held := map[string]int64{}
		for _, h := range receipt.Heads {
			held[h.Device] = h.Seq
			holds += h.Seq
		}
		for device, h := range heads {
			lacks += max(0, h.Seq-held[device])
		}
	}
	l.Holds, l.Lacks = &holds, &lacks
	return l, nil
}

func (l deviceLine) standing() string {
	var parts []string
	for _, p := range []struct {
		is   bool
		text string
	}{
		{l.This, "this device"}, {l.Keeper, "keeper"}, {l.ReplacedBy != "", "replaced"},
		{l.Revoked && l.VoidAfter > 0, fmt.Sprintf("revoked after its event %d", l.VoidAfter)}, {l.Revoked && l.VoidAfter == 0, "endorsed by a revoked device, nothing counts"},
	} {
		if p.is {
			parts = append(parts, p.text)
		}
	}
	return strings.Join(parts, ", ")
}

func (m *Main) printDevices(d *desk, r *devicesReport) error {
	g := &grid{columns: []column{
		{name: "device", head: "Device"}, {name: "name", head: "Name", flexible: true}, {name: "role", head: "Role"}, {name: "standing", head: "Standing", flexible: true},
		{name: "events", head: "Its events", figure: true}, {name: "holds", head: "Holds", figure: true}, {name: "lacks", head: "Lacks", figure: true},
		{name: "unsafe", head: "Not safe", figure: true}, {name: "last_event", head: "Last event"}, {name: "last_seen", head: "Last seen"}, {name: "clock_ahead", head: "Clock ahead"},
	}}
	number := func(n *int64) cell {
		if n == nil {
			return cell{"", "?"}
		}
		return figure(fmtInt(*n))
	}
	for _, l := range r.Devices {
		g.add(plain(l.Device), plain(l.Name), plain(l.Role), plain(l.standing()), figure(fmtInt(l.Events)), number(l.Holds), number(l.Lacks), figure(fmtInt(l.Unsafe)),
			clock(l.LastEvent), clock(l.Seen), plain(l.ClockAhead))
	}
	var tail []string
	if r.Unsafe > 0 {
		what := "let the others come into step (countback serve), or keep a backup."
		switch {
		case !r.member:
			what = "this device doesn't belong to the shop yet; run countback pair."
		case len(r.Devices) == 1:
			what = "keep a backup (countback backup), or pair a second device."
		}
		tail = append(tail, count(int(r.Unsafe), "event stands", "events stand")+" on this device's disk alone, as far as is known here: "+what)
	}
	for _, w := range r.Waiting {
		tail = append(tail, count(int(w.Events), "event waits", "events wait")+" of "+w.Device+", which nobody has admitted. If it is yours, pair it.")
	}
	return m.report(r, count(len(r.Devices), "device belongs", "devices belong")+" to "+d.shop.Name+".", g, m.wrapAll(strings.Join(tail, "\n")))
}
