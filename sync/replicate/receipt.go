package replicate

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strconv"

	"github.com/go-json-experiment/json"

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

type logEnd struct {
	Seq  int64  `json:"seq"`
	Hash string `json:"hash"`
}

// SignReceipt makes a device's receipt. heads are in the order of their devices.
func SignReceipt(k *key.Key, count int64, heads []Head) (*Receipt, error) {
	ends := map[string]logEnd{}
	for _, h := range heads {
		ends[h.Device] = logEnd{h.Seq, h.Hash}
	}
	list, err := json.Marshal(ends, json.Deterministic(true))
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrReceipt, err)
	}
	r := &Receipt{Device: k.Device(), Count: count, Heads: slices.Clone(heads)}
	r.payload = fmt.Appendf(nil, "%s\n%d\n%s", r.Device, count, list)
	if r.sig, err = k.Sign(key.Held, r.payload); err != nil {
		return nil, err
	}
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
	ends := map[string]logEnd{}
	if err := json.Unmarshal(lines[2], &ends, json.RejectUnknownMembers(true)); err != nil {
		return bad("its list can't be read: " + err.Error())
	}
	for device, end := range ends {
		if end.Seq < 1 || end.Seq > event.MaxSeq {
			return bad("it names a sequence that can't be")
		}
		r.Heads = append(r.Heads, Head{device, end.Seq, end.Hash})
	}
	slices.SortFunc(r.Heads, func(a, b Head) int { return cmp.Compare(a.Device, b.Device) })
	again, err := json.Marshal(ends, json.Deterministic(true))
	if err != nil || !bytes.Equal(again, lines[2]) {
		return bad("its list isn't in its one spelling")
	}
	return r, nil
}

// Verify checks the signature under a device's public key in nkeys' text.
func (r *Receipt) Verify(public string) error {
	if device, err := key.DeviceOf(public); err != nil || device != r.Device {
		return fmt.Errorf("%w: it is another device's", ErrReceipt)
	}
	if err := key.Verify(public, key.Held, r.payload, r.sig); err != nil {
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
