//go:build !js

package sqlite

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"

	"countback/ledger/event"
	"countback/ledger/store"
)

// lookups are prepared once for all connections that read.
type lookups struct {
	byID, byOrder, at, log, last *sql.Stmt

	lock  sync.Mutex
	kinds map[string]*sql.Stmt // by their query, of which there are as many as the program has lists of kinds
}

func (p *lookups) prepare(ctx context.Context, db *sql.DB) (err error) {
	for _, q := range []struct {
		to  **sql.Stmt
		sql string
	}{{&p.byID, qByID}, {&p.byOrder, qByOrder}, {&p.at, qAt}, {&p.log, qLog}, {&p.last, qLast}} {
		if *q.to, err = db.PrepareContext(ctx, q.sql); err != nil {
			return err
		}
	}
	return nil
}

// Scan implements store.Store.
func (s *Store) Scan(ctx context.Context, after int64, fn func(store.Row) error) error {
	if err := s.open("read the ledger"); err != nil {
		return err
	}
	conn, err := s.read.Conn(ctx)
	if err != nil {
		return s.scanError(ctx, err)
	}
	defer conn.Close()
	var told error // of fn, which is nobody's fault here
	err = conn.Raw(func(c any) error {
		told, err = s.scanRows(ctx, c.(driver.ConnPrepareContext), after, fn)
		return err
	})
	if told != nil {
		return told
	}
	return s.scanError(ctx, err)
}

// looked is the number of rows between two looks at the context.
const looked = 256

// scanRows reads all rows behind a number from the driver itself: of a fold of a million orders, what database/sql does for each row is a tenth.
func (s *Store) scanRows(ctx context.Context, c driver.ConnPrepareContext, after int64, fn func(store.Row) error) (told, err error) {
	st, err := c.PrepareContext(ctx, qScan)
	if err != nil {
		return nil, err
	}
	defer st.Close()
	rows, err := st.(driver.StmtQueryContext).QueryContext(ctx, []driver.NamedValue{{Ordinal: 1, Value: after}})
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	row := make([]driver.Value, 2)
	for i := 1; ; i++ {
		if i%looked == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if err := rows.Next(row); err == io.EOF {
			return nil, nil
		} else if err != nil {
			return nil, err
		}
		n, ok := row[0].(int64)
		line, ok2 := row[1].([]byte)
		if !ok || !ok2 {
			return nil, store.Fail("read the ledger", s.path, store.ErrDamaged, errors.New("a row holds something else than a number and a line"))
		}
		if told := fn(store.Row{N: n, Line: line}); told != nil {
			return told, nil
		}
	}
}

// ScanKinds implements store.Store.
func (s *Store) ScanKinds(ctx context.Context, kinds []event.Kind, after int64, fn func(store.Row) error) error {
	if err := s.open("read the ledger"); err != nil || len(kinds) == 0 {
		return err
	}
	stmt, err := s.look.kindsOf(ctx, s.read, kindsQuery(kinds))
	if err != nil {
		return s.scanError(ctx, err)
	}
	rows, err := stmt.QueryContext(ctx, append([]any{after}, anyKinds(kinds)...)...)
	return s.each(ctx, rows, err, fn)
}

// kindsOf prepares a query of kinds once: a process that records asks for its definitions with every event.
func (p *lookups) kindsOf(ctx context.Context, db *sql.DB, query string) (*sql.Stmt, error) {
	p.lock.Lock()
	defer p.lock.Unlock()
	if st := p.kinds[query]; st != nil {
		return st, nil
	}
	st, err := db.PrepareContext(ctx, query)
	if err != nil {
		return nil, err
	}
	if p.kinds == nil {
		p.kinds = map[string]*sql.Stmt{}
	}
	p.kinds[query] = st
	return st, nil
}

// ScanSince implements store.Store. The index by time is made with the first checkpoint; without it the table is sorted.
func (s *Store) ScanSince(ctx context.Context, ms int64, fn func(store.Row) error) error {
	if err := s.open("read the ledger"); err != nil {
		return err
	}
	rows, err := s.read.QueryContext(ctx, qSince, ms)
	return s.each(ctx, rows, err, fn)
}

func kindsQuery(kinds []event.Kind) string {
	query := qKindsFew
	if slices.Contains(kinds, event.KindOrder) || slices.Contains(kinds, event.KindPack) {
		query = qKindsAll
	}
	return fmt.Sprintf(query, strings.TrimSuffix(strings.Repeat("?,", len(kinds)), ","))
}

func anyKinds(kinds []event.Kind) (out []any) {
	for _, k := range kinds {
		out = append(out, string(k))
	}
	return out
}

// each hands over the rows of a query of n and line without copying the lines.
func (s *Store) each(ctx context.Context, rows *sql.Rows, err error, fn func(store.Row) error) error {
	if err != nil {
		return s.scanError(ctx, err)
	}
	defer rows.Close()
	var n int64
	var line sql.RawBytes
	to := []any{&n, &line}
	for rows.Next() {
		if err := rows.Scan(to...); err != nil {
			return s.scanError(ctx, err)
		}
		if err := fn(store.Row{N: n, Line: line}); err != nil {
			return err
		}
	}
	return s.scanError(ctx, errors.Join(rows.Err(), rows.Close()))
}

func (s *Store) scanError(ctx context.Context, err error) error {
	if err != nil && ctx.Err() != nil {
		return ctx.Err()
	}
	return fail("read the ledger", s.path, err)
}

func collect(rows *sql.Rows) ([]store.Row, error) {
	defer rows.Close()
	var out []store.Row
	for rows.Next() {
		var r store.Row
		if err := rows.Scan(&r.N, &r.Line); err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, rows.Err()
}

func (s *Store) list(ctx context.Context, op, item string, query *sql.Stmt, arg any) ([]store.Row, error) {
	if err := s.open(op); err != nil {
		return nil, err
	}
	rows, err := query.QueryContext(ctx, arg)
	if err != nil {
		return nil, fail(op, item, err)
	}
	out, err := collect(rows)
	return out, fail(op, item, err)
}

// ByID implements store.Store.
func (s *Store) ByID(ctx context.Context, id event.ID) ([]store.Row, error) {
	return s.list(ctx, "look up event", id.String(), s.look.byID, id[:])
}

// ByOrder implements store.Store.
func (s *Store) ByOrder(ctx context.Context, order string) ([]store.Row, error) {
	return s.list(ctx, "look up order", order, s.look.byOrder, order)
}

// At implements store.Store.
func (s *Store) At(ctx context.Context, device string, seq int64) (r store.Row, err error) {
	if err := s.open("look up"); err != nil {
		return r, err
	}
	err = s.look.at.QueryRowContext(ctx, device, seq).Scan(&r.N, &r.Line)
	if errors.Is(err, sql.ErrNoRows) {
		return r, store.NoEvent(device, seq)
	}
	return r, fail("look up", fmt.Sprintf("event %d of device %s", seq, device), err)
}

// Log implements store.Reader.
func (s *Store) Log(ctx context.Context, device string, from, to int64, fn func(store.Row) error) error {
	if err := s.open("read the ledger"); err != nil {
		return err
	}
	rows, err := s.look.log.QueryContext(ctx, device, from, to)
	return s.each(ctx, rows, err, fn)
}

// Heads implements store.Store.
func (s *Store) Heads(ctx context.Context) (map[string]store.Head, error) {
	const op = "read the logs"
	if err := s.open(op); err != nil {
		return nil, err
	}
	out := map[string]store.Head{}
	rows, err := s.read.QueryContext(ctx, qHeads)
	if err != nil {
		return nil, fail(op, s.path, err)
	}
	defer rows.Close()
	for rows.Next() {
		var name string
		var h store.Head
		var line sql.RawBytes
		if err := rows.Scan(&name, &h.Seq, &line); err != nil {
			return nil, fail(op, s.path, err)
		}
		h.Hash = event.HashLine(line)
		out[name] = h
	}
	return out, fail(op, s.path, rows.Err())
}

// Last implements store.Store.
func (s *Store) Last(ctx context.Context) (n int64, err error) {
	if err := s.open("read the ledger"); err != nil {
		return 0, err
	}
	err = s.look.last.QueryRowContext(ctx).Scan(&n)
	return n, fail("read the ledger", s.path, err)
}

// Doubled implements store.Store.
func (s *Store) Doubled(ctx context.Context) ([]event.ID, error) { return s.doubled(ctx, qDoubled) }

// DoubledAfter implements store.Store.
func (s *Store) DoubledAfter(ctx context.Context, after int64) ([]event.ID, error) {
	return s.doubled(ctx, qDoubledAfter, after)
}

func (s *Store) doubled(ctx context.Context, query string, args ...any) ([]event.ID, error) {
	if err := s.open("read the ledger"); err != nil {
		return nil, err
	}
	rows, err := s.read.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, fail("read the ledger", s.path, err)
	}
	defer rows.Close()
	var out []event.ID
	for rows.Next() {
		var b sql.RawBytes
		var id event.ID
		if err := rows.Scan(&b); err != nil {
			return nil, fail("read the ledger", s.path, err)
		}
		copy(id[:], b)
		out = append(out, id)
	}
	slices.SortFunc(out, event.ID.Compare)
	return slices.Compact(out), fail("read the ledger", s.path, rows.Err())
}
