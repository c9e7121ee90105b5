// Package nearby lets a desk be found by its stable name in its own network: multicast DNS (RFC 6762). To a phone another name is another site, so the name must
// stay when the router gives the desk another address.
//
// A name proves nothing, since anybody in the network may answer. Trust rests on the certificate alone.
package nearby

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"strings"
	"time"

	"github.com/pion/logging"
	"github.com/pion/mdns/v2"
	"golang.org/x/net/ipv4"
	"golang.org/x/net/ipv6"
)

// ErrNearby is wrapped where the network lets nobody be found in it.
var ErrNearby = errors.New("this machine's network doesn't carry multicast DNS; use the desk's address instead of its name")

// Suffix is the end of all names that are found this way.
const Suffix = ".local"

// patience is how long a name is looked for before the system is asked, which may know it from elsewhere.
const patience = 2 * time.Second

// Announce answers for a name with the addresses of this machine, until stop is called. loopback says that only this machine shall find it.
func Announce(name string, loopback bool) (stop func() error, err error) {
	if !strings.HasSuffix(name, Suffix) {
		return nil, fmt.Errorf("%w (%q doesn't end with %s)", ErrNearby, name, Suffix)
	}
	c, err := open(mdns.WithLocalNames(name), mdns.WithIncludeLoopback(loopback))
	if err != nil {
		return nil, err
	}
	return c.Close, nil
}

// Look finds the address of a name. loopback says that names of this machine alone are looked for as well.
func Look(ctx context.Context, name string, loopback bool) (netip.Addr, error) {
	c, err := open(mdns.WithIncludeLoopback(loopback))
	if err != nil {
		return netip.Addr{}, err
	}
	_, addr, err := c.QueryAddr(ctx, name)
	if err = errors.Join(err, c.Close()); err != nil {
		return netip.Addr{}, fmt.Errorf("%w (%s: %w)", ErrNearby, name, err)
	}
	return addr, nil
}

// open listens in the network with IPv4, IPv6 or both.
func open(opts ...mdns.ServerOption) (*mdns.Conn, error) {
	quiet := &logging.DefaultLoggerFactory{Writer: io.Discard, DefaultLogLevel: logging.LogLevelDisabled}
	var v4 *ipv4.PacketConn
	var v6 *ipv6.PacketConn
	a4, err4 := listen("udp4", mdns.DefaultAddressIPv4)
	if err4 == nil {
		v4 = ipv4.NewPacketConn(a4)
	}
	a6, err6 := listen("udp6", mdns.DefaultAddressIPv6)
	if err6 == nil {
		v6 = ipv6.NewPacketConn(a6)
	}
	if v4 == nil && v6 == nil {
		return nil, fmt.Errorf("%w (%w)", ErrNearby, errors.Join(err4, err6))
	}
	c, err := mdns.NewServer(v4, v6, append(opts, mdns.WithLoggerFactory(quiet))...)
	if err == nil {
		return c, nil
	}
	for _, x := range []*net.UDPConn{a4, a6} {
		if x != nil {
			_ = x.Close() // nothing was sent
		}
	}
	return nil, fmt.Errorf("%w (%w)", ErrNearby, err)
}

func listen(network, address string) (*net.UDPConn, error) {
	a, err := net.ResolveUDPAddr(network, address)
	if err != nil {
		return nil, err
	}
	return net.ListenUDP(network, a)
}

// Dial connects like net.Dialer, and finds names of the own network where the system doesn't.
func Dial(ctx context.Context, network, address string) (net.Conn, error) {
	var d net.Dialer
	host, port, err := net.SplitHostPort(address)
	if err != nil || !strings.HasSuffix(host, Suffix) {
		return d.DialContext(ctx, network, address)
	}
	short, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	if addr, err := Look(short, host, false); err == nil {
		if c, err := d.DialContext(ctx, network, net.JoinHostPort(addr.String(), port)); err == nil {
			return c, nil
		}
	}
	return d.DialContext(ctx, network, address)
}
