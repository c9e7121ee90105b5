package key

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base32"
	"errors"
	"fmt"
	"io"
	"strings"
)

// DeviceLen is the length of a device id in characters.
const DeviceLen = 26

// ErrKey is wrapped by every error about a key that can't be read.
var ErrKey = errors.New("not a device key")

// Key is a device's secret key. It never prints itself: every way to format or encode it shows only the device id.
type Key struct {
	public string
	device string
	// private is a function, because fmt prints what unexported fields and pointers hold (a pointer under a verb that doesn't fit it), but of a
	// function only its address.
	private func() ed25519.PrivateKey
}

// Generate makes a new key from 32 bytes of rand, which must be a cryptographic source.
func Generate(rand io.Reader) (*Key, error) {
	raw := make([]byte, ed25519.SeedSize)
	if _, err := io.ReadFull(rand, raw); err != nil {
		return nil, fmt.Errorf("make a device key: the system's source of randomness failed: %w", err)
	}
	return fromRaw(raw)
}

// FromSeed reads a key as Seed wrote it. The error never shows the seed.
func FromSeed(seed []byte) (*Key, error) {
	raw, ok := decode(seedPrefix, string(seed))
	if !ok {
		return nil, fmt.Errorf("%w: the key file doesn't hold a NATS user seed (58 characters, beginning with SU); take the key from a backup", ErrKey)
	}
	return fromRaw(raw)
}

func fromRaw(raw []byte) (*Key, error) {
	private := ed25519.NewKeyFromSeed(raw)
	pub := private.Public().(ed25519.PublicKey)
	return &Key{public: encode(publicPrefix, pub), device: deviceID(pub), private: func() ed25519.PrivateKey { return private }}, nil
}

// Seed returns the secret in nkeys' text. It belongs into the key file and a backup, nowhere else.
func (k *Key) Seed() ([]byte, error) {
	return []byte(encode(seedPrefix, k.private().Seed())), nil
}

// Public returns the public key in nkeys' text.
func (k *Key) Public() string { return k.public }

// Device returns the device id.
func (k *Key) Device() string { return k.device }

// DeviceOf returns the device id of a public key in nkeys' text.
func DeviceOf(public string) (string, error) {
	raw, err := rawPublic(public)
	if err != nil {
		return "", err
	}
	return deviceID(raw), nil
}

func deviceID(raw ed25519.PublicKey) string {
	sum := sha256.Sum256(raw)
	return strings.ToLower(base32.StdEncoding.EncodeToString(sum[:]))[:DeviceLen]
}

func rawPublic(public string) (ed25519.PublicKey, error) {
	raw, ok := decode(publicPrefix, public)
	if !ok {
		return nil, fmt.Errorf("%w: it isn't a NATS public user key (56 characters, beginning with U)", ErrKey)
	}
	return raw, nil
}
