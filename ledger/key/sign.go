package key

import (
	"crypto/ed25519"
	"encoding/base64"
	"errors"
	"fmt"

	"countback/ledger/event"
)

// Purpose says what a signature is for. A signature for one purpose is worth nothing for another.
type Purpose uint8

// The purposes; the package comment says what each signs. The zero Purpose signs nothing.
const (
	Event Purpose = 1 + iota
	Admit
	Recover
	Held
	Pair
	Nonce
)

var firstLines = map[Purpose]string{
	Admit:   "countback-admit-v1\n",
	Recover: "countback-recover-v1\n",
	Held:    "countback-held-v1\n",
	Pair:    "countback-pair-v1\n",
}

// ErrPurpose is wrapped where a payload may not be signed for a purpose.
var ErrPurpose = errors.New("not to be signed")

// ErrSignature is wrapped by Verify where the signature isn't the key's for these bytes.
var ErrSignature = errors.New("the signature doesn't fit")

const (
	maxNonce = 64
	sigLen   = 86
)

// Strict: of the 86 characters the last carries two bits of the signature, the rest must be zero.
var encoding = base64.RawURLEncoding.Strict()

// input returns the bytes that are signed.
func input(p Purpose, payload []byte) ([]byte, error) {
	switch p {
	case Event:
		if len(payload) == 0 || payload[0] != '{' {
			return nil, fmt.Errorf("%w: an event's line begins with a brace", ErrPurpose)
		}
		return event.SigningInput(payload), nil
	case Nonce:
		if !isNonce(payload) {
			return nil, fmt.Errorf("%w: the bus's challenge isn't 1 to %d letters, digits, _ or -; check the bus's address", ErrPurpose, maxNonce)
		}
		return payload, nil
	}
	line, ok := firstLines[p]
	if !ok || len(payload) == 0 {
		return nil, fmt.Errorf("%w: purpose %d with %d bytes", ErrPurpose, p, len(payload))
	}
	return append([]byte(line), payload...), nil
}

func isNonce(b []byte) bool {
	if len(b) < 1 || len(b) > maxNonce {
		return false
	}
	for _, c := range b {
		switch {
		case c >= 'A' && c <= 'Z', c >= 'a' && c <= 'z', c >= '0' && c <= '9', c == '_', c == '-':
		default:
			return false
		}
	}
	return true
}

// Sign signs payload for the purpose and returns the signature in base64url without padding.
func (k *Key) Sign(p Purpose, payload []byte) (string, error) {
	in, err := input(p, payload)
	if err != nil {
		return "", err
	}
	return encoding.EncodeToString(ed25519.Sign(k.private(), in)), nil
}

// Verifier checks a signature as Verify does.
type Verifier func(public string, p Purpose, payload []byte, sig string) error

// Verify checks that sig is the signature of payload for the purpose under a public key in nkeys' text.
func Verify(public string, p Purpose, payload []byte, sig string) error {
	in, err := input(p, payload)
	if err != nil {
		return err
	}
	raw, err := rawPublic(public)
	if err != nil {
		return err
	}
	bytes, err := encoding.DecodeString(sig) // it skips line ends, hence the length of both
	if err != nil || len(sig) != sigLen || len(bytes) != ed25519.SignatureSize || !ed25519.Verify(raw, in, bytes) {
		return ErrSignature
	}
	return nil
}

// AdmitPayload is what an endorsement signs: shop id, the new device's public key in nkeys' text and its role, one a line.
func AdmitPayload(shop, public, role string) []byte {
	return []byte(shop + "\n" + public + "\n" + role)
}

// SucceedPayload is what an endorsement signs for a device that takes the place of another one, or of the keeper that is lost: the three lines of AdmitPayload
// and the id of the device that is replaced. Where none is, it is AdmitPayload.
func SucceedPayload(shop, public, role, succeeds string) []byte {
	b := AdmitPayload(shop, public, role)
	if succeeds != "" {
		b = append(append(b, '\n'), succeeds...)
	}
	return b
}
