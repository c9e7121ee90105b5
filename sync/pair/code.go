package pair

import (
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base32"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/url"
	"strings"
)

// ErrLink is wrapped where a text isn't a pairing link.
var ErrLink = errors.New("that isn't a pairing code; give the whole line that countback pair has printed, in quotation marks")

const (
	codeBytes = 16
	codeLen   = 26
	pinLen    = 26
	wordPair  = "pair"
	wordBack  = "recover"
)

var base = base32.StdEncoding.WithPadding(base32.NoPadding)

// Code is the secret of one pairing. It never prints itself; Text does.
type Code struct{ text func() string }

// NewCode makes a code of 128 random bits.
func NewCode(entropy io.Reader) (Code, error) {
	var b [codeBytes]byte
	if _, err := io.ReadFull(entropy, b[:]); err != nil {
		return Code{}, fmt.Errorf("make a code: the system's source of randomness failed: %w", err)
	}
	return codeOf(strings.ToLower(base.EncodeToString(b[:]))), nil
}

func codeOf(text string) Code { return Code{func() string { return text }} }

// parseCode reads what Text wrote; nothing of it stands in the error.
func parseCode(text string) (Code, error) {
	b, err := base.DecodeString(strings.ToUpper(text))
	if err != nil || len(text) != codeLen || len(b) != codeBytes || text != strings.ToLower(base.EncodeToString(b)) {
		return Code{}, ErrLink
	}
	return codeOf(text), nil
}

// Text returns the code: for the link, and for nothing else.
func (c Code) Text() string {
	if c.text == nil {
		return ""
	}
	return c.text()
}

func (c Code) String() string { return "code" }

// GoString shows what String shows.
func (c Code) GoString() string { return c.String() }

// Format shows what String shows, whatever the verb.
func (c Code) Format(s fmt.State, _ rune) { _, _ = io.WriteString(s, c.String()) }

// MarshalText writes what String shows.
func (c Code) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// hash is what a desk keeps of a code. 128 random bits need no slow hash.
func (c Code) hash() string {
	sum := sha256.Sum256([]byte("countback-code-v1\n" + c.Text()))
	return hex.EncodeToString(sum[:])
}

func (c Code) is(hash string) bool {
	return subtle.ConstantTimeCompare([]byte(c.hash()), []byte(hash)) == 1
}

// Link is what the one who joins is shown.
type Link struct {
	Base    string // https://HOST:PORT
	Code    Code
	Pin     string // of the desk's certificate authority
	Recover bool   // the desk asks to be made the keeper, instead of admitting
}

// Text returns the link with its code.
func (l Link) Text() string {
	word := wordPair
	if l.Recover {
		word = wordBack
	}
	return l.Base + "/#" + word + "/" + l.Code.Text() + "/" + l.Pin
}

// ParseLink reads a link. Spaces around it, and the scheme, may be missing or there.
func ParseLink(text string) (Link, error) {
	text = strings.TrimSpace(text)
	if !strings.Contains(text, "://") {
		text = "https://" + text
	}
	u, err := url.Parse(text)
	if err != nil || u.Scheme != "https" || u.Host == "" || u.User != nil || u.RawQuery != "" || u.Path != "" && u.Path != "/" {
		return Link{}, ErrLink
	}
	parts := strings.Split(u.Fragment, "/")
	if len(parts) != 3 || parts[0] != wordPair && parts[0] != wordBack || len(parts[2]) != pinLen || strings.Trim(parts[2], "abcdefghijklmnopqrstuvwxyz234567") != "" {
		return Link{}, ErrLink
	}
	code, err := parseCode(parts[1])
	if err != nil {
		return Link{}, err
	}
	return Link{Base: "https://" + u.Host, Code: code, Pin: parts[2], Recover: parts[0] == wordBack}, nil
}
