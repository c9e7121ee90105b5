//go:build !js

package sqlite

import (
	"context"

	"countback/ledger/event"
	"countback/ledger/store"
)

// Exec runs a statement on the file as a careless program would.
func (s *Store) Exec(query string, args ...any) error {
	_, err := s.conn.ExecContext(context.Background(), query, args...)
	return err
}

// Plan returns SQLite's plan for a query.
func (s *Store) Plan(query string, args ...any) (out string, err error) {
	rows, err := s.read.Query("EXPLAIN QUERY PLAN "+query, args...)
	if err != nil {
		return "", err
	}
	defer rows.Close()
	for rows.Next() {
		var a, b, c int
		var text string
		if err := rows.Scan(&a, &b, &c, &text); err != nil {
			return "", err
		}
		out += text + "\n"
	}
	return out, rows.Err()
}

// Queries of the hot paths, for the test on their plans.
const (
	QScan, QByID, QByOrder, QAt, QLog, QHead, QPoints, QSince, QDoubledAfter, QHeads = qScan, qByID, qByOrder, qAt, qLog, qHead, qPoints, qSince, qDoubledAfter, qHeads
)

// BusyTimeout returns how long the connection that writes waits for another program, in ms.
func (s *Store) BusyTimeout() (ms int, err error) {
	err = s.conn.QueryRowContext(context.Background(), "PRAGMA busy_timeout").Scan(&ms)
	return ms, err
}

// KindsQuery is ScanKinds' query.
func KindsQuery(kinds ...event.Kind) string { return kindsQuery(kinds) }

// Bare makes two tables in the file and returns prepared inserts into them on the connection that writes, as measures for what the ledger adds: one of a
// number and the line, and one with the ledger's own columns and indexes.
func (s *Store) Bare() (bare, indexed func(e *event.Event) error, err error) {
	ctx := context.Background()
	if _, err := s.conn.ExecContext(ctx, `CREATE TABLE bare (n INTEGER PRIMARY KEY, line BLOB NOT NULL) STRICT;
		CREATE TABLE indexed (n INTEGER PRIMARY KEY, device INTEGER NOT NULL, seq INTEGER NOT NULL, id BLOB, kind TEXT NOT NULL, ms INTEGER NOT NULL, ord TEXT,
			line BLOB NOT NULL, UNIQUE (device, seq)) STRICT;
		CREATE INDEX indexed_id ON indexed(id);
		CREATE INDEX indexed_ms ON indexed(ms);
		CREATE INDEX indexed_ord ON indexed(ord) WHERE ord IS NOT NULL;
		CREATE INDEX indexed_kind ON indexed(kind) WHERE kind NOT IN ('order', 'pack')`); err != nil {
		return nil, nil, err
	}
	one, err := s.conn.PrepareContext(ctx, "INSERT INTO bare (line) VALUES (?)")
	if err != nil {
		return nil, nil, err
	}
	two, err := s.conn.PrepareContext(ctx, "INSERT INTO indexed (device, seq, id, kind, ms, ord, line) VALUES (1, ?, ?, ?, ?, ?, ?)")
	bare = func(e *event.Event) error { _, err := one.Exec(e.Line); return err }
	indexed = func(e *event.Event) error {
		_, err := two.Exec(e.Seq, e.ID[:], string(e.Kind), e.Time.Ms(), store.OrderOf(e), e.Line)
		return err
	}
	return bare, indexed, err
}
