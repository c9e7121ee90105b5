package drivertest_test

import (
	"errors"
	"slices"
	"testing"
	"time"

	"countback/ledger/store/storetest"
	"countback/sync/replicate"
	"countback/sync/replicate/drivertest"
	"countback/sync/replicate/simulate"
)

// hub is the simulated bus with its connections.
type hub struct {
	*simulate.Server
	conns []*conn
	clock int64
}

type conn struct {
	h      *hub
	device string
	desk   bool
	inputs []replicate.Input
	fetch  replicate.Fetch
}

func (c *conn) up() {
	c.fetch = replicate.Fetch{}
	c.inputs = append(c.inputs, replicate.Up{Bus: "bus", Created: c.h.Created, Last: c.h.Last(), Batch: c.h.Batch})
	c.h.Receipts(func(d string, b []byte) { c.inputs = append(c.inputs, replicate.Held{Bus: "bus", Device: d, Body: b}) })
}

func (c *conn) down() {
	c.inputs = append(c.inputs, replicate.Down{Bus: "bus", Err: errors.New("cut")})
	c.up()
}

func (c *conn) Next(time.Duration) (replicate.Input, bool) {
	if len(c.inputs) == 0 {
		return nil, false
	}
	in := c.inputs[0]
	c.inputs = c.inputs[1:]
	return in, true
}

func (c *conn) Close() {}

func (c *conn) Do(o replicate.Output) {
	switch o := o.(type) {
	case replicate.Fetch:
		c.fetch = o
	case replicate.Look:
		c.inputs = append(c.inputs, replicate.Found{Bus: "bus", Op: o.Op, Message: c.h.Look(o.Subject)})
	case replicate.Publish:
		c.publish(o)
	}
	for _, x := range c.h.conns {
		if list := x.h.Fetch(x.fetch.After, x.fetch.Max); x.fetch.Op != 0 && len(list) > 0 {
			x.inputs = append(x.inputs, replicate.Messages{Bus: "bus", Op: x.fetch.Op, List: list})
			x.fetch = replicate.Fetch{}
		}
	}
}

func (c *conn) publish(o replicate.Publish) {
	_, sort, device, _ := replicate.ParseSubject(o.Subject)
	c.h.clock += 1000
	seq, err := uint64(0), error(replicate.ErrDenied)
	switch {
	case slices.ContainsFunc(o.Bodies, func(b []byte) bool { return len(b) > 1<<20 }):
		err = replicate.ErrTooLarge
	case device == c.device || c.desk && sort == replicate.SubjectLog:
		seq, err = c.h.Publish(o, c.h.clock)
	}
	c.inputs = append(c.inputs, replicate.Published{Bus: "bus", Op: o.Op, Seq: seq, Err: err})
	if err == nil && sort == replicate.SubjectHeld {
		for _, x := range c.h.conns {
			x.inputs = append(x.inputs, replicate.Held{Bus: "bus", Device: device, Body: o.Bodies[0]})
		}
	}
}

func TestSimulatedBus(t *testing.T) {
	for name, batch := range map[string]int{"batches": 1000, "singles": 0} {
		t.Run(name, func(t *testing.T) {
			drivertest.Run(t, func(*testing.T) *drivertest.Bus {
				h := &hub{Server: simulate.NewServer(1, batch), clock: storetest.Start * int64(time.Millisecond)}
				return &drivertest.Bus{
					Connect: func(l *storetest.Log, desk bool) drivertest.Conn {
						c := &conn{h: h, device: l.Key.Device(), desk: desk}
						h.conns = append(h.conns, c)
						c.up()
						return c
					},
					Batches: batch > 0, Rights: true,
					Cut: func(c drivertest.Conn) { c.(*conn).down() },
					Wipe: func() {
						h.Wipe(h.Created + 1)
						for _, c := range h.conns {
							c.down()
						}
					},
				}
			})
		})
	}
}
