package chain

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base32"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"strings"
)

// The audit's own reader of lines and keys. It uses the standard library's JSON and none of package event or key, so that a fault in those shows up.

type reading struct {
	device, shop string
	seq          int64
	prev, hash   string
	id           string
	typ          string
	public       []byte // of a device event: the key
	signed       []byte
	sig          []byte
}

func readLine(line []byte) (r reading, err error) {
	var e struct {
		Specversion, ID, Source, Type, Time, Datacontenttype string
		Devseq                                               int64
		Prevhash, Sig                                        string
		Data                                                 json.RawMessage
	}
	if err := json.Unmarshal(line, &e); err != nil {
		return r, err
	}
	parts := strings.Split(e.Source, "/")
	at := bytes.LastIndex(line, []byte(`,"sig":`))
	if len(parts) != 5 || parts[0] != "" || parts[1] != "shop" || parts[3] != "device" || at < 0 {
		return r, errors.New("source or sig is not in its form")
	}
	sum := sha256.Sum256(line)
	r = reading{shop: parts[2], device: parts[4], seq: e.Devseq, prev: e.Prevhash, hash: hex.EncodeToString(sum[:]), id: e.ID, typ: e.Type}
	r.signed = append([]byte("countback-event-v1\n"), line[:at]...)
	if r.sig, err = base64.RawURLEncoding.Strict().DecodeString(e.Sig); err != nil || len(r.sig) != ed25519.SignatureSize {
		return r, errors.New("its signature can't be read")
	}
	if e.Type == "countback.device.v1" {
		var d struct{ Key string }
		if json.Unmarshal(e.Data, &d) == nil {
			r.public = publicKey(d.Key)
		}
	}
	return r, nil
}

// publicKey reads an nkeys user key: base32 of a prefix byte, 32 bytes and a checksum of 2, which is left unread here because the device id covers the key.
func publicKey(text string) []byte {
	b, err := base32.StdEncoding.WithPadding(base32.NoPadding).DecodeString(text)
	if err != nil || len(b) != 1+ed25519.PublicKeySize+2 || b[0] != 20<<3 {
		return nil
	}
	return b[1 : 1+ed25519.PublicKeySize]
}

// makesDevice reports whether a raw public key makes a device id.
func makesDevice(public []byte, device string) bool {
	sum := sha256.Sum256(public)
	return public != nil && strings.HasPrefix(strings.ToLower(base32.StdEncoding.EncodeToString(sum[:])), device) && len(device) == 26
}
