//go:build !js

package bus_test

import (
	"bufio"
	"fmt"
	"net"
	"strings"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/ledger/store/storetest"
	"countback/sync/replicate"
	"countback/sync/replicate/drivertest"
)

// The disk of one device is full: it says so, takes nothing in and loses nothing, and the other one goes on. Once there is room it catches up.
func TestADiskThatFillsUp(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	second := storetest.NewLog(2, h.desk.Shop)
	h.admit(second, "phone")
	a := newReplica(t, h.desk, h.desk.Next(h.desk.Device(nil, "desk")))
	b := newReplica(t, second, second.Next(second.Device(h.desk, "phone")))
	b.reopen(400_000)
	a.run(h.desk.Shop, true, h.own)
	b.run(h.desk.Shop, false, h.as(second.Key))
	inStep(t, "at first", a, b)
	a.record(1000) // more than there is room for
	eventually(t, "the full disk is reported", func() bool { return b.reported(replicate.StoreFails) > 0 })
	a.record(10)
	eventually(t, "the desk goes on", func() bool { return !a.safe() && a.reported(replicate.StoreFails) == 0 })
	before := b.ends()
	if before == a.ends() {
		t.Fatal("all of it was taken in: the disk wasn't full")
	}
	b.reopen(0)
	if b.ends() != before {
		t.Errorf("the full disk held %s, now %s", before, b.ends())
	}
	b.run(h.desk.Shop, false, h.as(second.Key))
	inStep(t, "after room was made", a, b)
}

// A server that hands out what an event's signature is made over, as its challenge, gets no signature.
func TestABusThatWantsAnEventSigned(t *testing.T) {
	t.Parallel()
	l := drivertest.Shop()
	unsigned := event.Unsigned{
		ID: l.IDAt(1), Shop: l.Shop, Device: l.Key.Device(), Time: event.TimeOf(time.UnixMilli(storetest.Start)), Seq: 1, Prev: event.FirstPrev, Data: l.Device(nil, "desk"),
	}
	head, err := unsigned.Head()
	if err != nil {
		t.Fatal(err)
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer listener.Close()
	heard := make(chan string, 16)
	go func() {
		for {
			c, err := listener.Accept()
			if err != nil {
				return
			}
			fmt.Fprintf(c, "INFO {\"server_id\":\"x\",\"version\":\"2.11.0\",\"headers\":true,\"max_payload\":1048576,\"proto\":1,\"auth_required\":true,\"nonce\":%q}\r\n", event.SigningInput(head))
			line, _ := bufio.NewReader(c).ReadString('\n')
			heard <- line
			c.Close()
		}
	}()
	d := drive(l.Shop, l, true, to("nats://"+listener.Addr().String(), l.Key))
	defer d.Close()
	if err := down(t, d); err == nil || !strings.Contains(err.Error(), "challenge") {
		t.Errorf("it says %v", err)
	}
	if line := <-heard; strings.Contains(line, "sig") {
		t.Errorf("the server was told %s", line)
	}
}
