package replicate

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/store"
)

const receiptLine = "countback-held-v1\n"

// maxReceipt is the longest receipt that is read: some thousand logs.
const maxReceipt = 1 << 20

// ErrReceipt is wrapped by every error of ParseReceipt and Receipt.Verify.
var ErrReceipt = errors.New("not a receipt")

// Receipt says what a device holds on its disk: of each log, the events up to Seq, of which the last has Hash. The package comment has its bytes.
type Receipt struct {
	Device string
	Count  int64 // from 1, one more with each receipt of the device
	Heads  []Head

	payload []byte
	sig     string
	body    []byte
}

// Head is how far a log goes.
type Head struct {
	Device string
	Seq    int64
	Hash   string
}

// SignReceipt makes a device's receipt. heads are in the order of their devices.
func SignReceipt(k *key.Key, count int64, heads []Head) (*Receipt, error) {
	r := &Receipt{Device: k.Device(), Count: count, Heads: slices.Clone(heads)}
	r.payload = appendHeads(fmt.Appendf(nil, "%s\n%d\n", r.Device, count), heads)
	sig, err := k.Sign(key.Held, r.payload)
	if err != nil {
		return nil, err
	}
	r.sig = sig
	r.body = fmt.Appendf(nil, "%s%s\n%s", receiptLine, r.payload, r.sig)
	return r, nil
}

// ParseReceipt reads a receipt in its one spelling. It doesn't check the signature.
func ParseReceipt(body []byte) (*Receipt, error) {
	bad := func(what string) (*Receipt, error) { return nil, fmt.Errorf("%w: %s", ErrReceipt, what) }
	if len(body) > maxReceipt {
		return bad("it is too long")
	}
	rest, ok := bytes.CutPrefix(body, []byte(receiptLine))
	lines := bytes.Split(rest, []byte("\n"))
	if !ok || len(lines) != 4 {
		return bad("it doesn't have its five lines")
	}
	r := &Receipt{Device: string(lines[0]), payload: rest[:len(rest)-len(lines[3])-1], sig: string(lines[3]), body: body}
	count, err := strconv.ParseInt(string(lines[1]), 10, 64)
	if err != nil || count < 1 || strconv.FormatInt(count, 10) != string(lines[1]) {
		return bad("its count isn't a plain whole number from 1")
	}
	r.Count = count
	if r.Heads, ok = parseHeads(lines[2]); !ok {
		return bad("its list isn't in its one spelling")
	}
	return r, nil
}

// appendHeads writes the list of a receipt.
func appendHeads(b []byte, heads []Head) []byte {
	b = append(b, '{')
	for i, h := range heads {
		if i > 0 {
			b = append(b, ',')
		}
		b = fmt.Appendf(b, `"%s":{"seq":%d,"hash":"%s"}`, h.Device, h.Seq, h.Hash)
	}
	return append(b, '}')
}

// parseHeads reads the list of a receipt, which has one spelling: what is read, written anew, is the same bytes.
func parseHeads(b []byte) (heads []Head, ok bool) {
	rest, ok := bytes.CutPrefix(b, []byte("{"))
	last := ""
	for ok && !bytes.Equal(rest, []byte("}")) {
		if len(heads) > 0 {
			if rest, ok = bytes.CutPrefix(rest, []byte(",")); !ok {
				return nil, false
			}
		}
		var device, seq, hash []byte
		if device, rest, ok = field(rest, `"`, `":{"seq":`); !ok || !isDevice(device) || string(device) <= last {
			return nil, false
		}
		if seq, rest, ok = field(rest, ``, `,"hash":"`); !ok {
			return nil, false
		}
		if hash, rest, ok = field(rest, ``, `"}`); !ok || !isHash(hash) {
			return nil, false
		}
		n, err := strconv.ParseInt(string(seq), 10, 64)
		if err != nil || n < 1 || n > event.MaxSeq || strconv.FormatInt(n, 10) != string(seq) {
			return nil, false
		}
		last = string(device)
		heads = append(heads, Head{last, n, string(hash)})
	}
	return heads, ok
}

// field cuts what stands between two texts off.
func field(b []byte, before, after string) (value, rest []byte, ok bool) {
	if b, ok = bytes.CutPrefix(b, []byte(before)); !ok {
		return nil, nil, false
	}
	return bytes.Cut(b, []byte(after))
}

func isDevice(b []byte) bool {
	return len(b) == key.DeviceLen && strings.Trim(string(b), "abcdefghijklmnopqrstuvwxyz234567") == ""
}

func isHash(b []byte) bool { return len(b) == 64 && strings.Trim(string(b), "0123456789abcdef") == "" }

// Verify checks the signature under a device's public key in nkeys' text.
func (r *Receipt) Verify(public string) error { return r.verify(public, key.Verify) }

func (r *Receipt) verify(public string, verify key.Verifier) error {
	if device, err := key.DeviceOf(public); err != nil || device != r.Device {
		return fmt.Errorf("%w: it is another device's", ErrReceipt)
	}
	if err := verify(public, key.Held, r.payload, r.sig); err != nil {
		return fmt.Errorf("%w: %w", ErrReceipt, err)
	}
	return nil
}

// Body returns the receipt's bytes.
func (r *Receipt) Body() []byte { return r.body }

// head returns what the receipt says of a log.
func (r *Receipt) head(device string) (store.Head, bool) {
	i, ok := slices.BinarySearchFunc(r.Heads, device, func(h Head, d string) int { return cmp.Compare(h.Device, d) })
	if !ok {
		return store.Head{}, false
	}
	return store.Head{Seq: r.Heads[i].Seq, Hash: r.Heads[i].Hash}, true
}
