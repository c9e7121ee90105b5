//go:build !js

package sqlite

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"

	"countback/ledger/event"
	"countback/ledger/store"
)

// statements are prepared once on the connection that writes.
type statements struct {
	begin, commit, rollback                *sql.Stmt
	has, byID, at, place, head, last       *sql.Stmt
	insert, newLog, double                 *sql.Stmt
	pointAt, pointSet, pointCut, pointDrop *sql.Stmt
	pointKeys                              *sql.Stmt
	all                                    []*sql.Stmt
}

func (p *statements) prepare(ctx context.Context, c *sql.Conn) error {
	for _, q := range []struct {
		to  **sql.Stmt
		sql string
	}{
		{&p.begin, "BEGIN IMMEDIATE"}, {&p.commit, "COMMIT"}, {&p.rollback, "ROLLBACK"},
		{&p.has, qHas}, {&p.byID, qByID}, {&p.at, qAt}, {&p.place, qPlace}, {&p.head, qHead}, {&p.last, qLast},
		{&p.insert, qInsert}, {&p.newLog, qNewLog}, {&p.double, qDouble},
		{&p.pointAt, qPointAt}, {&p.pointSet, qPointSet}, {&p.pointCut, qPointCut}, {&p.pointDrop, qPointDrop}, {&p.pointKeys, qPointKeys},
	} {
		st, err := c.PrepareContext(ctx, q.sql)
		if err != nil {
			return err
		}
		*q.to = st
		p.all = append(p.all, st)
	}
	return nil
}

func (p *statements) close() {
	for _, st := range p.all {
		st.Close()
	}
}

// Write implements store.Store.
func (s *Store) Write(ctx context.Context, fn func(store.Tx) error) error {
	t := &tx{s: s, ctx: ctx, logs: map[string]*logState{}, last: -1}
	err := s.inTx(ctx, "record", func() error {
		defer func() { t.done = true }()
		if err := fn(t); err != nil {
			return err
		}
		if t.broken != nil {
			return t.broken
		}
		return t.endCuts()
	})
	if err == nil && t.local {
		s.hasLocal.Store(true)
	}
	return err
}

// inTx runs fn between BEGIN IMMEDIATE and COMMIT.
func (s *Store) inTx(ctx context.Context, op string, fn func() error) error {
	if err := s.take(ctx, op); err != nil {
		return err
	}
	defer s.give()
	return s.inTurn(ctx, op, fn)
}

// take waits for the turn to write, which give hands on.
func (s *Store) take(ctx context.Context, op string) error {
	select {
	case s.turn <- struct{}{}:
	case <-ctx.Done():
		return ctx.Err()
	}
	if err := s.open(op); err != nil {
		s.give()
		return err
	}
	return nil
}

func (s *Store) give() { <-s.turn }

func (s *Store) inTurn(ctx context.Context, op string, fn func() error) (err error) {
	if _, err := s.stmts.begin.ExecContext(ctx); err != nil {
		return fail(op, s.path, err)
	}
	committed := false
	defer func() {
		if !committed { // also where fn panics; an error means that SQLite has undone the transaction itself
			s.stmts.rollback.Exec()
		}
	}()
	if err := fn(); err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	// From here on the context can't stop it: an interrupted commit would leave open whether it happened.
	if _, err := s.stmts.commit.Exec(); err != nil {
		return fail(op, s.path, err)
	}
	committed = true
	return nil
}

// tx is one transaction. Its statements run without the caller's context, which would cost a goroutine each; Insert looks at it instead.
type tx struct {
	s      *Store
	ctx    context.Context
	logs   map[string]*logState
	last   int64 // -1: not yet read
	cuts   []cutPlace
	local  bool  // it has made sure that the table of notes is there
	broken error // the first failure of the store itself; nothing is committed after it
	done   bool
}

type logState struct {
	number int64 // 0: the log isn't in the file yet
	head   store.Head
	end    store.Row // the event at endSeq, which whoever records asks for: the head, unless the log was cut since
	endSeq int64
}

var errDone = errors.New("the transaction is over")

func (t *tx) fail(op, item string, err error) error {
	if err == nil {
		return nil
	}
	err = fail(op, item, err)
	if t.broken == nil {
		t.broken = err
	}
	return err
}

func (t *tx) usable() error {
	switch {
	case t.done:
		return store.Fail("record", t.s.path, store.ErrClosed, errDone)
	case t.broken != nil:
		return t.broken
	}
	return t.ctx.Err()
}

func (t *tx) log(device string) (*logState, error) {
	if l := t.logs[device]; l != nil {
		return l, nil
	}
	if err := t.usable(); err != nil {
		return nil, err
	}
	l := &logState{head: store.EmptyHead}
	var last int64
	err := t.s.stmts.head.QueryRow(device).Scan(&l.number, &l.head.Seq, &l.end.N, &l.end.Line, &last)
	switch {
	case err == nil:
		l.head.Hash, l.endSeq = event.HashLine(l.end.Line), l.head.Seq
		t.last = max(t.last, last)
	case !errors.Is(err, sql.ErrNoRows):
		return nil, t.fail("read the log", device, err)
	}
	t.logs[device] = l
	return l, nil
}

// Head implements store.Tx.
func (t *tx) Head(device string) (store.Head, error) {
	l, err := t.log(device)
	if err != nil {
		return store.Head{}, err
	}
	return l.head, nil
}

// Has implements store.Tx.
func (t *tx) Has(id event.ID) (bool, error) {
	if err := t.usable(); err != nil {
		return false, err
	}
	var one int
	err := t.s.stmts.has.QueryRow(id[:]).Scan(&one)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	return err == nil, t.fail("look up event", id.String(), err)
}

// ByID implements store.Tx.
func (t *tx) ByID(id event.ID) ([]store.Row, error) {
	if err := t.usable(); err != nil {
		return nil, err
	}
	rows, err := t.s.stmts.byID.Query(id[:])
	if err != nil {
		return nil, t.fail("look up event", id.String(), err)
	}
	out, err := collect(rows)
	return out, t.fail("look up event", id.String(), err)
}

// At implements store.Looker.
func (t *tx) At(device string, seq int64) (r store.Row, err error) {
	if err := t.usable(); err != nil {
		return r, err
	}
	if l := t.logs[device]; l != nil && l.endSeq == seq && l.head.Seq == seq {
		return store.Row{N: l.end.N, Line: bytes.Clone(l.end.Line)}, nil
	}
	err = t.s.stmts.at.QueryRow(device, seq).Scan(&r.N, &r.Line)
	if errors.Is(err, sql.ErrNoRows) {
		return r, store.NoEvent(device, seq)
	}
	return r, t.fail("look up", fmt.Sprintf("event %d of device %s", seq, device), err)
}

// Last implements store.Tx.
func (t *tx) Last() (int64, error) {
	if err := t.usable(); err != nil {
		return 0, err
	}
	if t.last < 0 {
		if err := t.s.stmts.last.QueryRow().Scan(&t.last); err != nil {
			t.last = -1
			return 0, t.fail("read the ledger", t.s.path, err)
		}
	}
	return t.last, nil
}

func (t *tx) place(number, seq int64) (r store.Row, err error) {
	err = t.s.stmts.place.QueryRow(number, seq).Scan(&r.N, &r.Line)
	return r, err
}

// Insert implements store.Tx.
func (t *tx) Insert(e *event.Event) (int64, error) {
	if err := t.usable(); err != nil {
		return 0, err
	}
	log, err := t.log(e.Device)
	if err != nil {
		return 0, err
	}
	var held store.Row
	verdict, err := store.CheckPlace(e, log.head, func(seq int64) (line []byte, err error) {
		held, err = t.place(log.number, seq)
		return held.Line, t.fail("read", store.EventName(e), err)
	})
	if err != nil {
		return 0, err
	}
	if verdict == store.Held {
		return held.N, nil
	}
	if log.number == 0 {
		res, err := t.s.stmts.newLog.Exec(e.Device)
		if err == nil {
			log.number, err = res.LastInsertId()
		}
		if err != nil {
			return 0, t.fail("begin the log", e.Device, err)
		}
	}
	return t.add(e, log)
}

func (t *tx) add(e *event.Event, log *logState) (int64, error) {
	last, err := t.Last()
	if err != nil {
		return 0, err
	}
	var id, ord any
	if !e.ID.IsZero() {
		id = bytes.Clone(e.ID[:])
		if _, err := t.s.stmts.double.Exec(id); err != nil {
			return 0, t.fail("record", store.EventName(e), err)
		}
	}
	if o := store.OrderOf(e); o != "" {
		ord = o
	}
	if _, err := t.s.stmts.insert.Exec(last+1, log.number, e.Seq, id, string(e.Kind), e.Time.Ms(), ord, e.Line); err != nil {
		return 0, t.fail("record", store.EventName(e), err)
	}
	t.last = last + 1
	log.head = store.Head{Seq: e.Seq, Hash: event.HashLine(e.Line)}
	log.end, log.endSeq = store.Row{N: t.last, Line: e.Line}, e.Seq
	return t.last, nil
}
