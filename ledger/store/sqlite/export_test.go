//go:build !js

package sqlite

import (
	"context"

	"countback/ledger/event"
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
	QScan, QByID, QByOrder, QAt, QHead, QPoints, QSince, QDoubledAfter, QHeads = qScan, qByID, qByOrder, qAt, qHead, qPoints, qSince, qDoubledAfter, qHeads
)

// BusyTimeout returns how long the connection that writes waits for another program, in ms.
func (s *Store) BusyTimeout() (ms int, err error) {
	err = s.conn.QueryRowContext(context.Background(), "PRAGMA busy_timeout").Scan(&ms)
	return ms, err
}

// KindsQuery is ScanKinds' query.
func KindsQuery(kinds ...event.Kind) string { return kindsQuery(kinds) }

// Bare makes a table of bare lines in the file and returns a prepared insert into it on the connection that writes, as a measure for what the ledger adds.
func (s *Store) Bare() (insert func(line []byte) error, err error) {
	ctx := context.Background()
	if _, err := s.conn.ExecContext(ctx, "CREATE TABLE bare (n INTEGER PRIMARY KEY, line BLOB NOT NULL) STRICT"); err != nil {
		return nil, err
	}
	st, err := s.conn.PrepareContext(ctx, "INSERT INTO bare (line) VALUES (?)")
	return func(line []byte) error { _, err := st.Exec(line); return err }, err
}
