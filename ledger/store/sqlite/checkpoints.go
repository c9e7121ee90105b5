//go:build !js

package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"countback/ledger/store"
)

const (
	qPointAt   = `SELECT arrived, state, sum FROM checkpoints WHERE key = ? AND ms = ? AND rank = ? AND id = ?`
	qPointSet  = `INSERT OR REPLACE INTO checkpoints (key, ms, rank, id, arrived, state, sum) VALUES (?, ?, ?, ?, ?, ?, ?)`
	qPointCut  = `DELETE FROM checkpoints WHERE rowid IN (SELECT rowid FROM checkpoints WHERE key = ? ORDER BY ms DESC, rank DESC, id DESC LIMIT -1 OFFSET ?)`
	qPointKeys = `DELETE FROM checkpoints WHERE key NOT IN (SELECT key FROM checkpoints GROUP BY key ORDER BY key = ? DESC, max(arrived) DESC, key LIMIT ?)`
	qPoints    = `SELECT ms, rank, id, arrived FROM checkpoints WHERE key = ? ORDER BY ms DESC, rank DESC, id DESC`
	qPointDrop = `DELETE FROM checkpoints WHERE key = ? AND (ms, rank, id) > (?, ?, ?)`
)

// briefWait is how long a checkpoint waits for another program that writes: it can always be saved another time.
const briefWait = 250 * time.Millisecond

// briefly is inTx for what can be left undone.
func (s *Store) briefly(ctx context.Context, op string, fn func() error) (err error) {
	if err := s.take(ctx, op); err != nil {
		return err
	}
	defer s.give()
	wait := func(d time.Duration) error {
		_, err := s.conn.ExecContext(context.WithoutCancel(ctx), fmt.Sprintf("PRAGMA busy_timeout=%d", d.Milliseconds()))
		return err
	}
	if err := wait(min(briefWait, s.busy)); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, wait(s.busy)) }()
	return s.inTurn(ctx, op, fn)
}

// SaveCheckpoint implements store.Store. The first one makes the index by time, without which a fold from a checkpoint would be no quicker.
func (s *Store) SaveCheckpoint(ctx context.Context, c store.Checkpoint) error {
	const op = "save a checkpoint"
	err := s.briefly(ctx, op, func() error {
		if _, err := s.conn.ExecContext(ctx, qByTime); err != nil {
			return err
		}
		if cut, err := s.lastCut(ctx); err != nil || cut > 0 && c.Arrived <= cut {
			return err
		}
		p := c.Position
		old := store.Checkpoint{Key: c.Key, Position: p}
		var sum []byte
		err := s.stmts.pointAt.QueryRow(c.Key, p.Ms, p.Rank, p.ID[:]).Scan(&old.Arrived, &old.State, &sum)
		switch {
		case errors.Is(err, sql.ErrNoRows):
		case err != nil:
			return err
		case old.Arrived > c.Arrived && sound(old, sum):
			return nil
		}
		state := c.State
		if state == nil {
			state = []byte{}
		}
		now := c.Sum()
		if _, err := s.stmts.pointSet.Exec(c.Key, p.Ms, p.Rank, p.ID[:], c.Arrived, state, now[:]); err != nil {
			return err
		}
		if _, err = s.stmts.pointCut.Exec(c.Key, store.MaxCheckpoints); err != nil {
			return err
		}
		_, err = s.stmts.pointKeys.Exec(c.Key, store.MaxKeys)
		return err
	})
	return fail(op, c.Key, err)
}

func sound(c store.Checkpoint, sum []byte) bool {
	want := c.Sum()
	return string(sum) == string(want[:])
}

// Checkpoints implements store.Store.
func (s *Store) Checkpoints(ctx context.Context, key string) ([]store.Checkpoint, error) {
	const op = "read checkpoints"
	if err := s.open(op); err != nil {
		return nil, err
	}
	rows, err := s.read.QueryContext(ctx, qPoints, key)
	if err != nil {
		return nil, fail(op, key, err)
	}
	defer rows.Close()
	var out []store.Checkpoint
	for rows.Next() {
		c := store.Checkpoint{Key: key}
		var id []byte
		if err := rows.Scan(&c.Position.Ms, &c.Position.Rank, &id, &c.Arrived); err != nil {
			return nil, fail(op, key, err)
		}
		copy(c.Position.ID[:], id)
		out = append(out, c)
	}
	return out, fail(op, key, rows.Err())
}

// CheckpointState implements store.Store.
func (s *Store) CheckpointState(ctx context.Context, c store.Checkpoint) ([]byte, error) {
	const op = "read a checkpoint"
	if err := s.open(op); err != nil {
		return nil, err
	}
	p := c.Position
	held := store.Checkpoint{Key: c.Key, Position: p}
	var sum []byte
	err := s.read.QueryRowContext(ctx, qPointAt, c.Key, p.Ms, p.Rank, p.ID[:]).Scan(&held.Arrived, &held.State, &sum)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return nil, store.NoCheckpoint(c)
	case err != nil:
		return nil, fail(op, c.Key, err)
	case held.Arrived != c.Arrived || !sound(held, sum):
		return nil, store.NoCheckpoint(c)
	}
	return held.State, nil
}

// DropCheckpoints implements store.Store.
func (s *Store) DropCheckpoints(ctx context.Context, key string, after store.Position) error {
	const op = "drop checkpoints"
	err := s.briefly(ctx, op, func() error {
		_, err := s.stmts.pointDrop.Exec(key, after.Ms, after.Rank, after.ID[:])
		return err
	})
	return fail(op, key, err)
}
