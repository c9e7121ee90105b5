//go:build !js

package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"countback/ledger/event"
	"countback/ledger/store"
)

// The table comes with its first use, so that files of before need no change.
const (
	qLocalMake = `CREATE TABLE IF NOT EXISTS local (key TEXT PRIMARY KEY, value BLOB NOT NULL) STRICT, WITHOUT ROWID`
	qLocalHas  = `SELECT count(*) FROM sqlite_schema WHERE type = 'table' AND name = 'local'`
	qLocalSet  = `INSERT OR REPLACE INTO local (key, value) VALUES (?, ?)`
	qLocalDrop = `DELETE FROM local WHERE key = ?`
	qLocalGet  = `SELECT value FROM local WHERE key = ?`
	qLocalFrom = `SELECT key, value FROM local WHERE key >= ? ORDER BY key`
)

// cutKey holds the last number of before the last Cut, and can't be a key of SetLocal.
const cutKey = ""

// localTable makes the table unless it is there.
func (s *Store) localTable(ctx context.Context) error {
	if s.hasLocal.Load() {
		return nil
	}
	_, err := s.conn.ExecContext(ctx, qLocalMake)
	return err
}

// SetLocal implements store.Tx.
func (t *tx) SetLocal(key string, value []byte) error {
	if err := t.usable(); err != nil {
		return err
	}
	if key == cutKey {
		return store.Fail("keep a note", key, store.ErrNotFound, errors.New("it has no key"))
	}
	return t.fail("keep a note", key, t.setLocal(key, value))
}

func (t *tx) setLocal(key string, value []byte) error {
	ctx := context.WithoutCancel(t.ctx)
	if err := t.s.localTable(ctx); err != nil {
		return err
	}
	t.local = true
	if value == nil {
		_, err := t.s.conn.ExecContext(ctx, qLocalDrop, key)
		return err
	}
	_, err := t.s.conn.ExecContext(ctx, qLocalSet, key, append([]byte{}, value...))
	return err
}

// Local implements store.Store.
func (s *Store) Local(ctx context.Context, prefix string, fn func(key string, value []byte) error) error {
	const op = "read the notes"
	if err := s.open(op); err != nil {
		return err
	}
	if !s.hasLocal.Load() {
		var n int
		if err := s.read.QueryRowContext(ctx, qLocalHas).Scan(&n); err != nil || n == 0 {
			return fail(op, s.path, err)
		}
		s.hasLocal.Store(true)
	}
	rows, err := s.read.QueryContext(ctx, qLocalFrom, max(prefix, "\x00"))
	if err != nil {
		return fail(op, s.path, err)
	}
	defer rows.Close()
	for rows.Next() {
		var key string
		var value sql.RawBytes
		if err := rows.Scan(&key, &value); err != nil {
			return fail(op, s.path, err)
		}
		if len(key) < len(prefix) || key[:len(prefix)] != prefix {
			break
		}
		if err := fn(key, value); err != nil {
			return err
		}
	}
	return fail(op, s.path, rows.Err())
}

// lastCut returns the last number of before the last Cut, 0 if there was none, as the connection that writes sees it.
func (s *Store) lastCut(ctx context.Context) (n int64, err error) {
	if err := s.localTable(ctx); err != nil {
		return 0, err
	}
	err = s.conn.QueryRowContext(ctx, qLocalGet, cutKey).Scan(&n)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, nil
	}
	return n, err
}

const (
	qGuardOff = `DROP TRIGGER events_delete`
	qGuardOn  = `CREATE TRIGGER events_delete BEFORE DELETE ON events BEGIN SELECT RAISE(ABORT, 'events are never deleted'); END`
	qCutSee   = `SELECT id, line FROM events WHERE device = ? AND seq >= ? ORDER BY seq`
	qCutDrop  = `DELETE FROM events WHERE device = ? AND seq >= ?`
	qOnce     = `DELETE FROM doubled WHERE id = ? AND (SELECT count(*) FROM events WHERE events.id = ?) < 2`
	qNoPoints = `DELETE FROM checkpoints`
)

type cutPlace struct {
	device string
	seq    int64
}

// Cut implements store.Tx. The trigger against deletion is gone inside this transaction alone, which nobody else sees.
func (t *tx) Cut(device string, seq int64) ([][]byte, error) {
	log, err := t.log(device)
	if err != nil {
		return nil, err
	}
	if seq < 1 || seq > log.head.Seq {
		return nil, store.NoEvent(device, seq)
	}
	last, err := t.Last() // kept in t, so that numbers go on behind it
	if err != nil {
		return nil, err
	}
	lines, err := t.cut(log.number, seq, last)
	if err != nil {
		return nil, t.fail("cut the log", device, err)
	}
	log.head = store.EmptyHead
	if seq > 1 {
		r, err := t.place(log.number, seq-1)
		if err != nil {
			return nil, t.fail("cut the log", device, err)
		}
		log.head = store.Head{Seq: seq - 1, Hash: event.HashLine(r.Line)}
	}
	t.cuts = append(t.cuts, cutPlace{device, seq})
	return lines, nil
}

func (t *tx) cut(log, seq, last int64) ([][]byte, error) {
	ctx := context.WithoutCancel(t.ctx)
	ids, lines, err := t.cutLines(ctx, log, seq)
	if err != nil {
		return nil, err
	}
	for _, q := range []struct {
		sql  string
		args []any
	}{{qGuardOff, nil}, {qCutDrop, []any{log, seq}}, {qGuardOn, nil}, {qNoPoints, nil}} {
		if _, err := t.s.conn.ExecContext(ctx, q.sql, q.args...); err != nil {
			return nil, err
		}
	}
	for _, id := range ids {
		if _, err := t.s.conn.ExecContext(ctx, qOnce, id, id); err != nil {
			return nil, err
		}
	}
	return lines, t.setLocal(cutKey, fmt.Appendf(nil, "%d", last))
}

func (t *tx) cutLines(ctx context.Context, log, seq int64) (ids, lines [][]byte, err error) {
	rows, err := t.s.conn.QueryContext(ctx, qCutSee, log, seq)
	if err != nil {
		return nil, nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var id, line []byte
		if err := rows.Scan(&id, &line); err != nil {
			return nil, nil, err
		}
		lines = append(lines, line)
		if id != nil {
			ids = append(ids, id)
		}
	}
	return ids, lines, rows.Err()
}

// endCuts checks that every log that was cut has gone on.
func (t *tx) endCuts() error {
	for _, c := range t.cuts {
		if head, err := t.Head(c.device); err != nil {
			return err
		} else if head.Seq < c.seq {
			return store.CutEnds(c.device, c.seq)
		}
	}
	return nil
}
