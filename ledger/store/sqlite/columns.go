//go:build !js

package sqlite

import (
	"context"
	"database/sql"
	"fmt"
	"slices"

	"countback/ledger/event"
	"countback/ledger/store"
)

// missingGuards says which of the schema's triggers and indexes are gone.
func (s *Store) missingGuards(ctx context.Context) ([]string, error) {
	var out []string
	for _, name := range []string{"events_update", "events_delete", "logs_update", "logs_delete", "events_id", "events_ord", "events_kind"} {
		var n int
		if err := s.read.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema WHERE name = ?", name).Scan(&n); err != nil {
			return nil, fail("check the file", s.path, err)
		}
		if n == 0 {
			out = append(out, fmt.Sprintf("%s: %s has been removed from the file by another program; restore the newest backup", s.path, name))
		}
	}
	return out, nil
}

// checkColumns compares what the indexes are built from with the lines. It lists at most 100 rows.
func (s *Store) checkColumns(ctx context.Context) ([]string, error) {
	rows, err := s.read.QueryContext(ctx, `SELECT n, coalesce(name, ''), seq, id, kind, ms, coalesce(ord, ''), line, id IN doubled
		FROM events LEFT JOIN logs USING (device) ORDER BY n`)
	if err != nil {
		return nil, fail("check the file", s.path, err)
	}
	defer rows.Close()
	var out []string
	seen := map[event.ID]bool{}
	var twice []event.ID
	for rows.Next() && len(out) < 100 {
		var n, seq, ms int64
		var name, kind, ord string
		var id, line []byte
		var doubled sql.NullBool
		if err := rows.Scan(&n, &name, &seq, &id, &kind, &ms, &ord, &line, &doubled); err != nil {
			return nil, fail("check the file", s.path, err)
		}
		e, err := event.ParseLine(line)
		if err != nil {
			continue // the audit of the lines reports it
		}
		wantID := e.ID[:]
		if e.ID.IsZero() {
			wantID = nil
		} else if seen[e.ID] && !doubled.Bool {
			twice = append(twice, e.ID)
		}
		seen[e.ID] = true
		if name != e.Device || seq != e.Seq || !slices.Equal(id, wantID) || kind != string(e.Kind) || ms != e.Time.Ms() || ord != store.OrderOf(e) {
			out = append(out, fmt.Sprintf("%s: row %d is filed wrongly, so that searches miss %s; restore the newest backup", s.path, n, store.EventName(e)))
		}
	}
	for _, id := range twice {
		out = append(out, fmt.Sprintf("%s: event %s stands twice and isn't marked so; restore the newest backup", s.path, id))
	}
	return out, fail("check the file", s.path, rows.Err())
}
