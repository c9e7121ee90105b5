package record

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/oklog/ulid/v2"

	"countback/ledger/event"
	"countback/ledger/store"
)

const (
	tagLen   = 3
	timeLen  = 6
	lookBack = 256 // events of the own log among which the last generated id is looked for
)

// ids makes the ids of one transaction.
type ids struct {
	device string
	now    func() time.Time
	random io.Reader
	last   event.ID // the last that was generated in this log, zero if none

	tagMs int64
	tag   [tagLen]byte
}

// newIDs looks for the last generated id in the end of the own log.
func newIDs(ctx context.Context, r *Recorder, tx store.Tx, head store.Head) (*ids, error) {
	g := &ids{device: r.Key.Device(), now: r.Now, random: r.Entropy, tagMs: -1}
	at := func(seq int64) (store.Row, error) { return r.Store.At(ctx, g.device, seq) }
	if look, ok := tx.(store.Looker); ok {
		at = func(seq int64) (store.Row, error) { return look.At(g.device, seq) }
	}
	for seq := head.Seq; seq > 0 && seq > head.Seq-lookBack; seq-- {
		row, err := at(seq)
		if err != nil {
			return nil, err
		}
		if id, ok := idOf(row.Line); ok && g.own(id) {
			g.last = id
			break
		}
	}
	return g, nil
}

const beforeID = `{"specversion":"1.0","id":"`

// idOf reads the id alone from a line of the own log, which this program has written.
func idOf(line []byte) (event.ID, bool) {
	rest, ok := bytes.CutPrefix(line, []byte(beforeID))
	if !ok || len(rest) < ulid.EncodedSize {
		return event.ID{}, false
	}
	id, err := event.ParseID(string(rest[:ulid.EncodedSize]))
	return id, err == nil && !id.IsZero()
}

func (g *ids) tagOf(ms int64) [tagLen]byte {
	if g.tagMs != ms {
		sum := sha256.Sum256(fmt.Appendf(nil, "countback-id-v1\n%s\n%d", g.device, ms))
		g.tagMs, g.tag = ms, [tagLen]byte(sum[:])
	}
	return g.tag
}

func (g *ids) own(id event.ID) bool {
	return g.tagOf(id.Ms()) == [tagLen]byte(id[timeLen:])
}

// next generates an id above the last one.
func (g *ids) next() (event.ID, error) {
	ms := g.now().UnixMilli()
	if !g.last.IsZero() && ms <= g.last.Ms() {
		if id := g.last; increment(id[timeLen+tagLen:]) {
			g.last = id
			return id, nil
		}
		ms = g.last.Ms() + 1
	}
	var u ulid.ULID
	if ms < 0 || u.SetTime(uint64(ms)) != nil {
		return event.ID{}, errors.New("the computer's clock shows a year that can't be; set it and repeat the command")
	}
	tag := g.tagOf(ms)
	copy(u[timeLen:], tag[:])
	if _, err := io.ReadFull(g.random, u[timeLen+tagLen:]); err != nil {
		return event.ID{}, fmt.Errorf("make an id: the system's source of randomness failed: %w", err)
	}
	u[timeLen+tagLen] &= 0x7f
	g.last = event.ID(u)
	return g.last, nil
}

// increment adds one to a big-endian number and reports whether it still fits.
func increment(b []byte) bool {
	for i := len(b) - 1; i >= 0; i-- {
		if b[i]++; b[i] != 0 {
			return true
		}
	}
	return false
}

// ErrID is wrapped where a given id can't be taken.
var ErrID = errors.New("the id can't be taken")

var firstGiven = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC).UnixMilli()

// checkGiven takes ids whose time lies between the year 2000 and one day ahead, so that no id can stand before or behind all others for ever.
func checkGiven(id event.ID, now time.Time) error {
	if ms := id.Ms(); ms < firstGiven || ms > now.Add(24*time.Hour).UnixMilli() {
		return fmt.Errorf("%w: %s carries the time %s; an id's time lies between 2000 and one day ahead; leave the id out to get one",
			ErrID, id, time.UnixMilli(ms).UTC().Format(time.RFC3339))
	}
	return nil
}
