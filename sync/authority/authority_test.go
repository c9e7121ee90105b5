package authority_test

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"strings"
	"testing"
	"time"

	"countback/sync/authority"
)

const name = "countback-k3v7qa.local"

var (
	start  = time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	chance = rand.NewChaCha8([32]byte{7})
	home   = net.ParseIP("192.168.1.20")
)

func newAuthority(t *testing.T) *authority.Authority {
	t.Helper()
	a, err := authority.New(name, "Fennimoor Paper", start, chance)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// desk is a server whose clock and addresses a test moves.
type desk struct {
	*authority.Server
	now time.Time
	ips []net.IP
}

func newDesk(a *authority.Authority) *desk {
	d := &desk{now: start, ips: []net.IP{home, net.IPv6loopback}}
	d.Server = &authority.Server{Authority: a, Addresses: func() []net.IP { return d.ips }, Now: func() time.Time { return d.now }, Entropy: chance}
	return d
}

func (d *desk) leaf(t *testing.T) *x509.Certificate {
	t.Helper()
	c, err := d.Config().GetCertificate(&tls.ClientHelloInfo{ServerName: name})
	if err != nil {
		t.Fatal(err)
	}
	return c.Leaf
}

// shake shakes hands over a pipe and returns the client's error.
func shake(t *testing.T, server, client *tls.Config) error {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	go func() {
		c, err := l.Accept()
		if err != nil {
			return
		}
		_ = tls.Server(c, server).Handshake() // the client says what was wrong
		c.Close()
	}()
	c, err := net.Dial("tcp", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	return tls.Client(c, client).Handshake()
}

func TestABrowserTrustsTheLeaf(t *testing.T) {
	a := newAuthority(t)
	d := newDesk(a)
	roots := x509.NewCertPool()
	root, err := x509.ParseCertificate(a.Certificate())
	if err != nil {
		t.Fatal(err)
	}
	roots.AddCert(root)
	for _, host := range []string{name, home.String(), "::1"} {
		if err := shake(t, d.Config(), &tls.Config{RootCAs: roots, ServerName: host, Time: func() time.Time { return d.now }}); err != nil {
			t.Errorf("%s: %v", host, err)
		}
	}
	for _, host := range []string{"other.local", "example.org", "192.168.1.21"} {
		if err := shake(t, d.Config(), &tls.Config{RootCAs: roots, ServerName: host, Time: func() time.Time { return d.now }}); err == nil {
			t.Errorf("%s: trusted", host)
		}
	}
	leaf := d.leaf(t)
	if days := leaf.NotAfter.Sub(leaf.NotBefore).Hours() / 24; days >= 398 {
		t.Errorf("a leaf of %v days", days)
	}
	if !root.PermittedDNSDomainsCritical || len(root.PermittedIPRanges) == 0 || !root.IsCA || leaf.IsCA {
		t.Error("the authority isn't constrained")
	}
}

// Whoever steals the authority's file can't pass for other sites with it.
func TestTheAuthoritySpeaksForTheDeskAlone(t *testing.T) {
	a := newAuthority(t)
	text, err := a.Encode()
	if err != nil {
		t.Fatal(err)
	}
	_, rest := pem.Decode(text)
	block, _ := pem.Decode(rest)
	key, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		t.Fatal(err)
	}
	root, err := x509.ParseCertificate(a.Certificate())
	if err != nil {
		t.Fatal(err)
	}
	roots := x509.NewCertPool()
	roots.AddCert(root)
	for _, forged := range []x509.Certificate{{DNSNames: []string{"example.org"}}, {IPAddresses: []net.IP{net.ParseIP("203.0.113.7")}}} {
		forged.SerialNumber, forged.NotBefore, forged.NotAfter = root.SerialNumber, root.NotBefore, root.NotAfter
		der, err := x509.CreateCertificate(chance, &forged, root, root.PublicKey, key)
		if err != nil {
			t.Fatal(err)
		}
		c, err := x509.ParseCertificate(der)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := c.Verify(x509.VerifyOptions{Roots: roots, CurrentTime: start}); err == nil {
			t.Error("a leaf for another site is trusted:", forged.DNSNames, forged.IPAddresses)
		}
	}
	d := newDesk(a)
	d.ips = append(d.ips, net.ParseIP("203.0.113.7"))
	for _, ip := range d.leaf(t).IPAddresses {
		if !authority.Permitted(ip) {
			t.Error("a leaf for", ip)
		}
	}
}

func TestALeafIsMadeAnewByItself(t *testing.T) {
	d := newDesk(newAuthority(t))
	first := d.leaf(t)
	d.now = d.now.AddDate(0, 0, 50)
	if !d.leaf(t).Equal(first) {
		t.Error("another leaf long before its end")
	}
	d.now = d.now.AddDate(0, 0, 20)
	second := d.leaf(t)
	if second.Equal(first) || !second.NotAfter.After(first.NotAfter) {
		t.Error("the old leaf near its end")
	}
	d.ips = []net.IP{net.ParseIP("10.0.0.9")}
	if d.leaf(t).Equal(second) {
		t.Error("the old leaf with other addresses")
	}
	d.now = start.AddDate(0, 0, -10)
	if d.leaf(t).NotBefore.After(d.now) {
		t.Error("after the clock was set back, a leaf that isn't valid yet")
	}
}

func TestPinned(t *testing.T) {
	a, other := newAuthority(t), newAuthority(t)
	now := func() time.Time { return start }
	if err := shake(t, newDesk(a).Config(), authority.Pinned(a.Pin(), now)); err != nil {
		t.Error(err)
	}
	if err := shake(t, newDesk(other).Config(), authority.Pinned(a.Pin(), now)); !errors.Is(err, authority.ErrPinned) {
		t.Error("another authority:", err)
	}
	late := func() time.Time { return start.AddDate(1, 0, 0) }
	if err := shake(t, newDesk(a).Config(), authority.Pinned(a.Pin(), late)); !errors.Is(err, authority.ErrPinned) {
		t.Error("a leaf that has run out:", err)
	}
	// Showing the pinned authority beside a leaf that it didn't sign helps nobody.
	d := newDesk(other)
	mixed := d.Config()
	mixed.GetCertificate = func(hello *tls.ClientHelloInfo) (*tls.Certificate, error) {
		c, err := d.Config().GetCertificate(hello)
		return &tls.Certificate{Certificate: [][]byte{c.Certificate[0], a.Certificate()}, PrivateKey: c.PrivateKey}, err
	}
	if err := shake(t, mixed, authority.Pinned(a.Pin(), now)); !errors.Is(err, authority.ErrPinned) {
		t.Error("another's leaf beside the pinned authority:", err)
	}
}

func TestTheFile(t *testing.T) {
	a := newAuthority(t)
	text, err := a.Encode()
	if err != nil {
		t.Fatal(err)
	}
	again, err := authority.Parse(text)
	if err != nil || again.Pin() != a.Pin() || again.Name() != name || again.Fingerprint() != a.Fingerprint() {
		t.Fatal(err)
	}
	other, err := newAuthority(t).Encode()
	if err != nil {
		t.Fatal(err)
	}
	cert, key, _ := bytes.Cut(text, []byte("-----BEGIN PRIVATE"))
	_, otherKey, _ := bytes.Cut(other, []byte("-----BEGIN PRIVATE"))
	mixed := append(append(bytes.Clone(cert), "-----BEGIN PRIVATE"...), otherKey...)
	secret := string(key[20:60])
	for i, bad := range [][]byte{nil, cert, []byte("-----BEGIN PRIVATE" + string(key)), mixed, append(bytes.Clone(text), other...), bytes.Repeat([]byte("x"), 20<<10)} {
		if _, err := authority.Parse(bad); !errors.Is(err, authority.ErrAuthority) || strings.Contains(err.Error(), secret) {
			t.Errorf("case %d: %v", i, err)
		}
	}
	js, err := json.Marshal(map[string]any{"a": a})
	if err != nil {
		t.Fatal(err)
	}
	shown := fmt.Sprintf("%v %+v %#v %s %x %d %s", a, a, a, a, a, *a, js)
	if strings.Contains(shown, secret) || !strings.Contains(shown, a.Pin()) || strings.Contains(shown, "PRIVATE") {
		t.Error(shown)
	}
	for _, bad := range []string{"", "*.local", "a b", "http://x"} {
		if _, err := authority.New(bad, "Fennimoor Paper", start, chance); !errors.Is(err, authority.ErrAuthority) {
			t.Errorf("%q: %v", bad, err)
		}
	}
}
