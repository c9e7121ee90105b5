package nearby_test

import (
	"context"
	"errors"
	"net"
	"testing"
	"time"

	"countback/sync/nearby"
)

// Two sides on one machine, over its real network.
func TestANameIsFound(t *testing.T) {
	list, err := net.Interfaces()
	if err != nil {
		t.Fatal(err)
	}
	up := false
	for _, i := range list {
		up = up || i.Flags&(net.FlagUp|net.FlagMulticast) == net.FlagUp|net.FlagMulticast
	}
	if !up {
		t.Skip("this machine has no network that carries multicast")
	}
	const name = "countback-nearby-test.local"
	stop, err := nearby.Announce(name, true)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	addr, err := nearby.Look(ctx, name, true)
	if err != nil {
		t.Fatal(err)
	}
	own, err := net.InterfaceAddrs()
	if err != nil {
		t.Fatal(err)
	}
	mine := false
	for _, a := range own {
		n, ok := a.(*net.IPNet)
		mine = mine || ok && n.IP.Equal(net.IP(addr.AsSlice()))
	}
	if !mine {
		t.Error("found at", addr)
	}
	if err := stop(); err != nil {
		t.Error(err)
	}
	short, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	if addr, err := nearby.Look(short, name, true); !errors.Is(err, nearby.ErrNearby) {
		t.Error("still found:", addr, err)
	}
}

func TestNamesOfOtherKindsAreNotAnnounced(t *testing.T) {
	if _, err := nearby.Announce("example.org", true); !errors.Is(err, nearby.ErrNearby) {
		t.Error(err)
	}
}

func TestAddressesAreDialledAsTheyAre(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	c, err := nearby.Dial(t.Context(), "tcp", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	c.Close()
}
