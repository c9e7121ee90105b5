package authority

import (
	"bytes"
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/sha256"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/base32"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net"
	"strings"
	"time"
)

// ErrAuthority is wrapped by every error about an authority that can't be read or used.
var ErrAuthority = errors.New("not this desk's certificate authority")

const (
	rootYears = 10
	leafDays  = 90
	renewDays = 30
	early     = 24 * time.Hour // certificates hold from a day before they are made: clocks differ
	certBlock = "CERTIFICATE"
	keyBlock  = "PRIVATE KEY"
	maxPEM    = 16 << 10
	pinnedLen = 26
)

// Authority is a desk's certificate authority. Its key never prints: fmt and encoders show the fingerprint alone.
type Authority struct {
	name string // the stable name that it may speak for
	cert *x509.Certificate
	key  func() crypto.Signer // a function, because fmt prints what fields hold
}

// permitted are the addresses that a leaf may be for.
var permitted = []string{
	"127.0.0.0/8", "::1/128", "10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16", "fc00::/7", "fe80::/10",
}

func ranges() []*net.IPNet {
	list := make([]*net.IPNet, len(permitted))
	for i, s := range permitted {
		_, list[i], _ = net.ParseCIDR(s) // constants
	}
	return list
}

// Permitted reports whether a leaf may be for an address.
func Permitted(ip net.IP) bool {
	for _, n := range ranges() {
		if n.Contains(ip) {
			return true
		}
	}
	return false
}

// New makes an authority for a stable name such as countback-k3v7qa.local. shop is the shop's name, for a person who looks at the certificate. entropy is a cryptographic source.
func New(name, shop string, now time.Time, entropy io.Reader) (*Authority, error) {
	if name == "" || strings.ContainsAny(name, "*/: ") {
		return nil, fmt.Errorf("%w: %q is not a name for a desk", ErrAuthority, name)
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), entropy)
	if err != nil {
		return nil, fmt.Errorf("make the certificate authority: %w", err)
	}
	serial, err := newSerial(entropy)
	if err != nil {
		return nil, err
	}
	root := &x509.Certificate{
		SerialNumber:                serial,
		Subject:                     pkix.Name{CommonName: "countback " + short(shop) + " (" + name + ")"},
		NotBefore:                   now.Add(-early).UTC().Truncate(time.Second),
		NotAfter:                    now.AddDate(rootYears, 0, 0).UTC().Truncate(time.Second),
		IsCA:                        true,
		BasicConstraintsValid:       true,
		MaxPathLenZero:              true,
		KeyUsage:                    x509.KeyUsageCertSign | x509.KeyUsageCRLSign,
		PermittedDNSDomainsCritical: true,
		PermittedDNSDomains:         []string{name},
		PermittedIPRanges:           ranges(),
	}
	der, err := x509.CreateCertificate(entropy, root, root, key.Public(), key)
	if err != nil {
		return nil, fmt.Errorf("make the certificate authority: %w", err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		return nil, fmt.Errorf("make the certificate authority: %w", err)
	}
	return &Authority{name, cert, func() crypto.Signer { return key }}, nil
}

// short keeps a certificate's common name within its 64 characters.
func short(shop string) string {
	const most = 20
	r := []rune(shop)
	return string(r[:min(len(r), most)])
}

func newSerial(entropy io.Reader) (*big.Int, error) {
	var b [16]byte
	if _, err := io.ReadFull(entropy, b[:]); err != nil {
		return nil, fmt.Errorf("make a certificate: the system's source of randomness failed: %w", err)
	}
	b[0] = b[0]&0x7f | 0x40 // positive, and not 0 (RFC 5280, 4.1.2.2)
	return new(big.Int).SetBytes(b[:]), nil
}

// Encode writes the authority with its key, for a file that its owner alone may read.
func (a *Authority) Encode() ([]byte, error) {
	der, err := x509.MarshalPKCS8PrivateKey(a.key())
	if err != nil {
		return nil, fmt.Errorf("write the certificate authority: %w", err)
	}
	return append(pem.EncodeToMemory(&pem.Block{Type: certBlock, Bytes: a.cert.Raw}), pem.EncodeToMemory(&pem.Block{Type: keyBlock, Bytes: der})...), nil
}

// Parse reads what Encode wrote. Its errors never show what was read.
func Parse(text []byte) (*Authority, error) {
	bad := func(what string) (*Authority, error) { return nil, fmt.Errorf("%w: %s", ErrAuthority, what) }
	if len(text) > maxPEM {
		return bad("the file is too long")
	}
	first, rest := pem.Decode(text)
	if first == nil || first.Type != certBlock {
		return bad("the file doesn't begin with a certificate")
	}
	second, rest := pem.Decode(rest)
	if second == nil || second.Type != keyBlock || len(bytes.TrimSpace(rest)) > 0 {
		return bad("the file doesn't hold one key behind the certificate")
	}
	cert, err := x509.ParseCertificate(first.Bytes)
	if err != nil || !cert.IsCA || len(cert.PermittedDNSDomains) != 1 {
		return bad("the certificate isn't an authority's")
	}
	parsed, err := x509.ParsePKCS8PrivateKey(second.Bytes)
	key, ok := parsed.(*ecdsa.PrivateKey)
	if err != nil || !ok || !key.PublicKey.Equal(cert.PublicKey) {
		return bad("the key doesn't belong to the certificate")
	}
	return &Authority{cert.PermittedDNSDomains[0], cert, func() crypto.Signer { return key }}, nil
}

// Name returns the stable name that the authority speaks for.
func (a *Authority) Name() string { return a.name }

// Certificate returns the certificate (DER), which anybody may have.
func (a *Authority) Certificate() []byte { return bytes.Clone(a.cert.Raw) }

// Expires returns the end of the authority's time.
func (a *Authority) Expires() time.Time { return a.cert.NotAfter }

// Fingerprint returns the SHA-256 of the certificate as phones and browsers show it: upper-case pairs with colons between.
func (a *Authority) Fingerprint() string {
	sum := sha256.Sum256(a.cert.Raw)
	text := strings.ToUpper(hex.EncodeToString(sum[:]))
	var b strings.Builder
	for i := 0; i < len(text); i += 2 {
		if i > 0 {
			b.WriteByte(':')
		}
		b.WriteString(text[i : i+2])
	}
	return b.String()
}

// Pin returns the fingerprint as it stands in a code: 26 characters.
func (a *Authority) Pin() string { return PinOf(a.cert.Raw) }

// PinOf returns the pin of a certificate (DER).
func PinOf(der []byte) string {
	sum := sha256.Sum256(der)
	return strings.ToLower(base32.StdEncoding.EncodeToString(sum[:]))[:pinnedLen]
}

func (a Authority) String() string { return "authority " + a.Pin() }

// GoString shows what String shows.
func (a Authority) GoString() string { return a.String() }

// Format shows what String shows, whatever the verb.
func (a Authority) Format(s fmt.State, _ rune) { _, _ = io.WriteString(s, a.String()) }

// MarshalText writes what String shows.
func (a Authority) MarshalText() ([]byte, error) { return []byte(a.String()), nil }
