//go:build !js

package speed_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/num"
	"countback/ledger/store"
	"countback/ledger/store/sqlite"
)

var ctx = context.Background()

// size is the number of orders: 20,000, and a million with COUNTBACK_FULL=1.
func size() int {
	if os.Getenv("COUNTBACK_FULL") != "" {
		return 1_000_000
	}
	return 20_000
}

// layout is raised whenever the ledger of these benchmarks changes, so that an old file is not taken for it.
const layout = 1

// ledgerFile returns the path of a ledger of n packed orders. It is made once and stays in the folder for temporary files, because a million signed orders
// take minutes.
func ledgerFile(tb testing.TB, n int) string {
	tb.Helper()
	dir := filepath.Join(os.TempDir(), fmt.Sprintf("countback-speed-%d", layout))
	if err := os.MkdirAll(dir, 0o700); err != nil {
		tb.Fatal(err)
	}
	path := filepath.Join(dir, fmt.Sprintf("orders-%d.db", n))
	if _, err := os.Stat(path); err == nil {
		return path
	}
	tb.Logf("making a ledger of %d orders in %s", n, path)
	temp := fmt.Sprintf("%s-%d", path, os.Getpid())
	defer func() {
		for _, end := range []string{"", "-wal", "-shm"} {
			os.Remove(temp + end)
		}
	}()
	if err := makeLedger(temp, n); err != nil {
		tb.Fatal(err)
	}
	if err := os.Rename(temp, path); err != nil {
		tb.Fatal(err)
	}
	return path
}

// makeLedger writes a ledger through the store's own Write. Signing is done beside it, a batch ahead.
func makeLedger(path string, n int) error {
	st, err := sqlite.Create(path)
	if err != nil {
		return err
	}
	batches, failed := make(chan []*event.Event, 2), make(chan error, 1)
	go func() {
		defer close(batches)
		m := newMaker(n)
		var batch []*event.Event
		for {
			d, at := m.next()
			if d == nil || len(batch) == 10_000 {
				batches <- batch
				batch = nil
			}
			if d == nil {
				return
			}
			e, err := m.sign(d, at)
			if err != nil {
				failed <- err
				return
			}
			batch = append(batch, e)
		}
	}()
	for batch := range batches {
		if err == nil {
			err = st.Write(ctx, func(tx store.Tx) error {
				for _, e := range batch {
					if _, err := tx.Insert(e); err != nil {
						return err
					}
				}
				return nil
			})
		}
	}
	select {
	case e := <-failed:
		err = e
	default:
	}
	if e := st.Close(); err == nil {
		err = e
	}
	return err
}

// maker makes the events of one desk, in the order in which they are recorded: the definitions, then an order every twenty seconds, its pack an hour later,
// and a restock of a good and a supply every thousand orders. One pack in two hundred is recorded late: its time lies two hours back.
type maker struct {
	key   *key.Key
	seq   int64
	prev  string
	setup []event.Data
	n     int // orders in all
	i     int // the next order
	step  int // within it
}

const (
	goods    = 12
	supplies = 12
	packLag  = 180 // orders between an order and its pack
)

var begin = time.Date(2026, 1, 2, 0, 0, 0, 0, time.UTC).UnixMilli()

func newMaker(n int) *maker {
	k, err := key.Generate(bytes.NewReader(bytes.Repeat([]byte{7}, 32)))
	if err != nil {
		panic(err)
	}
	return &maker{key: k, prev: event.FirstPrev, setup: definitions(k), n: n}
}

func definitions(k *key.Key) (out []event.Data) {
	sig, err := k.Sign(key.Admit, key.AdmitPayload(k.Device(), k.Public(), "desk"))
	if err != nil {
		panic(err)
	}
	out = append(out,
		&event.Device{Key: k.Public(), Name: "desk", Role: "desk", By: k.Device(), Endorsement: sig},
		&event.Shop{Name: "Paper Moon Press", Currency: "CAD", Zone: "UTC"})
	for i := range goods {
		out = append(out, decode(event.KindItem, `{"item":"G%02d","name":"Good %d","type":"good","unit":"each"}`, i, i))
		out = append(out, decode(event.KindRestock, `{"lines":[{"item":"G%02d","qty":"100000000","cost":"7654321.09"}]}`, i))
	}
	var lines []string
	for i := range supplies {
		out = append(out, decode(event.KindItem, `{"item":"S%02d","name":"Supply %d","type":"supply","unit":"each"}`, i, i))
		out = append(out, decode(event.KindRestock, `{"lines":[{"item":"S%02d","qty":"100000000","cost":"1234567.89"}]}`, i))
		lines = append(lines, fmt.Sprintf(`{"item":"S%02d","qty":"%d","per":"%s"}`, i, 1+i%3, []string{"parcel", "unit"}[i%2]))
	}
	return append(out, decode(event.KindPackSpec, `{"formats":[{"format":"flat","lines":[%s]}]}`, strings.Join(lines, ",")))
}

func decode(k event.Kind, format string, args ...any) event.Data {
	d, err := event.DecodeData(k, fmt.Appendf(nil, format, args...))
	if err != nil {
		panic(err)
	}
	return d
}

func number(i int) string { return fmt.Sprintf("2026-%07d", i) }

// next returns the next fact and its time, nil at the end.
func (m *maker) next() (event.Data, int64) {
	if len(m.setup) > 0 {
		d := m.setup[0]
		m.setup = m.setup[1:]
		return d, begin - 86_400_000
	}
	for m.i < m.n+packLag {
		i, now := m.i, begin+int64(m.i)*20_000
		m.step++
		switch {
		case m.step == 1 && i < m.n:
			o := &event.Order{Order: number(i), Zone: []string{"ca", "us", "eu"}[i%3]}
			for k := range 1 + i%3 {
				o.Lines = append(o.Lines, event.Goods{Item: fmt.Sprintf("G%02d", (i*7+k*5)%goods), Qty: num.Whole(int64(1 + (i+k)%2))})
			}
			return o, now
		case m.step == 2 && i >= packLag:
			at := now + 1000
			if i%200 == 0 {
				at -= 2 * 3_600_000
			}
			return &event.Pack{Order: number(i - packLag)}, at
		case m.step == 3 && i%1000 == 999 && i < m.n:
			k := i / 1000
			return decode(event.KindRestock, `{"lines":[{"item":"G%02d","qty":"1500","cost":"%d.37"},{"item":"S%02d","qty":"24000","cost":"%d.11"}]}`,
				k%goods, 100+k%17, k%supplies, 300+k%23), now + 2000
		case m.step > 3:
			m.i, m.step = m.i+1, 0
		}
	}
	return nil, 0
}

// sign makes the log's next event. Its id carries the time at which it is recorded, which no fact's time of the past moves.
func (m *maker) sign(d event.Data, at int64) (*event.Event, error) {
	m.seq++
	var id event.ID
	recorded := begin + int64(m.i)*20_000
	binary.BigEndian.PutUint64(id[:], uint64(recorded)<<16)
	binary.BigEndian.PutUint64(id[8:], uint64(m.seq))
	u := event.Unsigned{
		ID: id, Shop: m.key.Device(), Device: m.key.Device(), Time: event.TimeOf(time.UnixMilli(at).UTC()), Seq: m.seq, Prev: m.prev, Data: d,
	}
	head, err := u.Head()
	if err != nil {
		return nil, err
	}
	sig, err := m.key.Sign(key.Event, head)
	if err != nil {
		return nil, err
	}
	line, err := event.Seal(head, sig)
	if err != nil {
		return nil, err
	}
	e, err := event.ParseLine(line)
	if err != nil {
		return nil, err
	}
	m.prev = e.Hash
	return e, e.Fault
}
