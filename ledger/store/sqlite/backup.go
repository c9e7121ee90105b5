//go:build !js

package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"countback/ledger/store"
)

// Backup writes a copy of the ledger as it stands at one moment, while others may go on writing. It holds the events and no checkpoints. An existing file
// isn't replaced; a crash leaves at most a file whose name ends in .new.
func (s *Store) Backup(ctx context.Context, path string) error {
	const op = "back up the ledger"
	if err := s.open(op); err != nil {
		return err
	}
	temp := path + ".new"
	dropTemp(temp)
	if err := newFile(temp); err != nil {
		return fail(op, path, err)
	}
	defer dropTemp(temp)
	conn, err := s.read.Conn(ctx)
	if err != nil {
		return fail(op, path, err)
	}
	defer conn.Close()
	if _, err := conn.ExecContext(ctx, "PRAGMA query_only=0"); err != nil { // VACUUM INTO counts as writing, though it only reads here
		return fail(op, path, err)
	}
	_, err = conn.ExecContext(ctx, "VACUUM INTO ?", "file:"+escape(temp))
	if _, again := conn.ExecContext(context.WithoutCancel(ctx), "PRAGMA query_only=1"); err == nil {
		err = again
	}
	if err != nil {
		return fail(op, path, err)
	}
	if err := stripLocal(temp); err != nil {
		return fail(op, path, err)
	}
	return fail(op, path, publish(temp, path))
}

// stripLocal removes what belongs to this replica alone, and its bytes.
func stripLocal(path string) error {
	db, err := sql.Open("sqlite", "file:"+escape(path)+"?mode=rw&_pragma=journal_mode(off)&_pragma=secure_delete(1)&_pragma=synchronous(full)")
	if err != nil {
		return err
	}
	_, err = db.Exec("DELETE FROM checkpoints")
	return errors.Join(err, db.Close())
}

// Check implements store.Checker: it lets SQLite look through the whole file and compares the columns with the lines.
func (s *Store) Check(ctx context.Context) ([]string, error) {
	const op = "check the file"
	if err := s.open(op); err != nil {
		return nil, err
	}
	var out []string
	rows, err := s.read.QueryContext(ctx, "PRAGMA integrity_check(20)")
	if err != nil {
		return nil, fail(op, s.path, err)
	}
	defer rows.Close()
	for rows.Next() {
		var what string
		if err := rows.Scan(&what); err != nil {
			return nil, fail(op, s.path, err)
		}
		if what != "ok" {
			out = append(out, fmt.Sprintf("%s: SQLite's check says: %s; keep the file and restore the newest backup", s.path, what))
		}
	}
	if err := rows.Err(); err != nil {
		if kind := kindOf(err); kind != store.ErrDamaged {
			return nil, fail(op, s.path, err)
		}
		out = append(out, fmt.Sprintf("%s: %v; keep the file and restore the newest backup", s.path, err))
	}
	guards, err := s.missingGuards(ctx)
	if err != nil {
		return nil, err
	}
	columns, err := s.checkColumns(ctx)
	return append(append(out, guards...), columns...), err
}
