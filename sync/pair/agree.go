package pair

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"io"
	"strings"
)

const (
	nonceBytes = 32
	nonceLen   = 43
	digits     = 1_000_000
)

var text64 = base64.RawURLEncoding.Strict()

func newNonce(entropy io.Reader) (string, error) {
	var b [nonceBytes]byte
	if _, err := io.ReadFull(entropy, b[:]); err != nil {
		return "", fmt.Errorf("make a nonce: the system's source of randomness failed: %w", err)
	}
	return text64.EncodeToString(b[:]), nil
}

func isNonce(s string) bool {
	b, err := text64.DecodeString(s)
	return err == nil && len(s) == nonceLen && len(b) == nonceBytes
}

// commitment is what binds its maker to a nonce.
func commitment(nonce string) string {
	sum := sha256.Sum256([]byte(nonce))
	return hex.EncodeToString(sum[:])
}

// Agreement is what the two sides of a pairing have agreed on.
type Agreement struct {
	Shop        string
	DeskKey     string // of the desk that keeps the door, in nkeys' text
	JoinerKey   string
	DeskNonce   string
	JoinerNonce string
}

// payload is what the joiner signs.
func (a Agreement) payload() []byte {
	return []byte(strings.Join([]string{a.Shop, a.DeskKey, a.JoinerKey, a.DeskNonce, a.JoinerNonce}, "\n"))
}

// Digits returns the six digits that a person compares.
func (a Agreement) Digits() string {
	sum := sha256.Sum256(append([]byte("countback-pair-v1\n"), a.payload()...))
	return fmt.Sprintf("%06d", binary.BigEndian.Uint64(sum[:8])%digits)
}

// Typed takes out of what a person typed the spaces and dashes that help in reading digits.
func Typed(s string) string {
	return strings.NewReplacer(" ", "", "-", "", "\t", "").Replace(strings.TrimSpace(s))
}
