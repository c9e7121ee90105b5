package authority

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"errors"
	"fmt"
	"io"
	"net"
	"slices"
	"sync"
	"time"
)

// Server makes the leaves of an authority. Its fields stay unchanged while it is used; it may be used by several goroutines.
type Server struct {
	Authority *Authority
	Addresses func() []net.IP // that the desk has now; those that aren't Permitted are passed over
	Now       func() time.Time
	Entropy   io.Reader // a cryptographic source that several goroutines may read

	mu   sync.Mutex
	leaf *tls.Certificate
	ips  []net.IP
}

// Config returns the settings of a TLS server.
func (s *Server) Config() *tls.Config {
	return &tls.Config{
		MinVersion:     tls.VersionTLS12,
		NextProtos:     []string{"http/1.1"}, // a bridge to the bus takes connections over, which HTTP/2 doesn't let it
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return s.current() },
		Time:           s.Now,
	}
}

// current returns the leaf, a new one where the old one has too little time left or other addresses.
func (s *Server) current() (*tls.Certificate, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	ips := s.addresses()
	if s.leaf != nil && s.Now().Before(s.leaf.Leaf.NotAfter.AddDate(0, 0, -renewDays)) && !s.Now().Before(s.leaf.Leaf.NotBefore) && slices.EqualFunc(ips, s.ips, net.IP.Equal) {
		return s.leaf, nil
	}
	leaf, err := s.Authority.leaf(ips, s.Now(), s.Entropy)
	if err != nil {
		return nil, err
	}
	s.leaf, s.ips = leaf, ips
	return leaf, nil
}

func (s *Server) addresses() (ips []net.IP) {
	for _, ip := range s.Addresses() {
		if Permitted(ip) {
			ips = append(ips, ip)
		}
	}
	slices.SortFunc(ips, func(a, b net.IP) int { return bytes.Compare(a.To16(), b.To16()) })
	return slices.CompactFunc(ips, net.IP.Equal)
}

// leaf makes a server's certificate for the stable name and addresses.
func (a *Authority) leaf(ips []net.IP, now time.Time, entropy io.Reader) (*tls.Certificate, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), entropy)
	if err != nil {
		return nil, fmt.Errorf("make a certificate: %w", err)
	}
	serial, err := newSerial(entropy)
	if err != nil {
		return nil, err
	}
	end := now.AddDate(0, 0, leafDays)
	if end.After(a.cert.NotAfter) {
		end = a.cert.NotAfter
	}
	der, err := x509.CreateCertificate(entropy, &x509.Certificate{
		SerialNumber: serial,
		Subject:      pkix.Name{CommonName: a.name},
		NotBefore:    now.Add(-early).UTC().Truncate(time.Second),
		NotAfter:     end.UTC().Truncate(time.Second),
		KeyUsage:     x509.KeyUsageDigitalSignature,
		ExtKeyUsage:  []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		DNSNames:     []string{a.name},
		IPAddresses:  ips,
	}, a.cert, key.Public(), a.key())
	if err != nil {
		return nil, fmt.Errorf("make a certificate: %w", err)
	}
	parsed, err := x509.ParseCertificate(der)
	if err != nil {
		return nil, fmt.Errorf("make a certificate: %w", err)
	}
	return &tls.Certificate{Certificate: [][]byte{der, a.cert.Raw}, PrivateKey: key, Leaf: parsed}, nil
}

// ErrPinned is wrapped where a server isn't the desk that a code names.
var ErrPinned = errors.New("the desk that answers isn't the one that made the code; check the address, and ask for a new code")

// Pinned returns the settings of a client that trusts the authority with a pin alone, whatever the server's name.
func Pinned(pin string, now func() time.Time) *tls.Config {
	return &tls.Config{
		MinVersion:         tls.VersionTLS12,
		InsecureSkipVerify: true, // VerifyConnection does all of it
		Time:               now,
		VerifyConnection: func(cs tls.ConnectionState) error {
			var root *x509.Certificate
			for _, c := range cs.PeerCertificates[1:] {
				if PinOf(c.Raw) == pin {
					root = c
				}
			}
			if root == nil {
				return ErrPinned
			}
			roots := x509.NewCertPool()
			roots.AddCert(root)
			if _, err := cs.PeerCertificates[0].Verify(x509.VerifyOptions{Roots: roots, CurrentTime: now()}); err != nil {
				return fmt.Errorf("%w (%w)", ErrPinned, err)
			}
			return nil
		},
	}
}
