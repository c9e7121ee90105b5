package key

import (
	"bytes"
	"crypto/ed25519"
	"encoding/base32"
	"encoding/binary"
)

// The text format of NATS nkeys, as its documentation has it: base32 (RFC 4648) without padding of a prefix, the 32 bytes and their checksum, which is
// CRC-16/XMODEM of all before it, the low byte first. A public user key has one byte of prefix; a seed two, which say that it is a seed, and of what. It is
// written here because the library brings the whole of two curves and a regular expression engine along, and on a phone each of them is waited for.
const (
	prefixUser = 20 << 3 // "U"
	prefixSeed = 18 << 3 // "S"
	sumLen     = 2
)

var text32 = base32.StdEncoding.WithPadding(base32.NoPadding)

var (
	publicPrefix = []byte{prefixUser}
	seedPrefix   = []byte{prefixSeed | prefixUser>>5, prefixUser << 3 & 0xff}
)

// crc16 is CRC-16/XMODEM: polynomial 0x1021, from 0, no reflection.
func crc16(b []byte) uint16 {
	const poly = 0x1021
	var sum uint16
	for _, x := range b {
		sum ^= uint16(x) << 8
		for range 8 {
			if carry := sum&0x8000 != 0; carry {
				sum = sum<<1 ^ poly
			} else {
				sum <<= 1
			}
		}
	}
	return sum
}

func encode(prefix, raw []byte) string {
	b := append(bytes.Clone(prefix), raw...)
	return text32.EncodeToString(binary.LittleEndian.AppendUint16(b, crc16(b)))
}

// decode reads the one spelling of 32 bytes under a prefix.
func decode(prefix []byte, text string) (raw []byte, ok bool) {
	b, err := text32.DecodeString(text)
	if err != nil || len(b) != len(prefix)+ed25519.SeedSize+sumLen || !bytes.HasPrefix(b, prefix) || text32.EncodeToString(b) != text {
		return nil, false
	}
	body := b[:len(b)-sumLen]
	if crc16(body) != binary.LittleEndian.Uint16(b[len(body):]) {
		return nil, false
	}
	return body[len(prefix):], true
}
