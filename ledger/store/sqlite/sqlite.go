//go:build !js

package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"countback/ledger/store"
)

// Options changes how a file is opened. The zero value is right for a desk.
type Options struct {
	Busy     time.Duration // how long to wait for another writer; 0: 30 seconds
	MaxBytes int64         // the size at which the file counts as full; 0: no limit but the disk's
}

// Store is an open file. It is safe for several goroutines.
type Store struct {
	path   string
	write  *sql.DB
	read   *sql.DB
	conn   *sql.Conn // the one that writes
	stmts  statements
	look   lookups
	turn   chan struct{} // held by the one Write of this process
	busy   time.Duration // as in Options
	watch  sync.Mutex
	watchC *sql.Conn // for DataVersion, which is counted for each connection
	closed atomic.Bool

	hasLocal atomic.Bool // the table of notes is known to be there
}

// Create makes an empty ledger file and opens it. It fails with store.ErrExists if the name is taken. A crash leaves either no file or a whole one.
func Create(path string) (*Store, error) {
	const op = "start a ledger"
	temp := path + ".new"
	dropTemp(temp)
	if err := newFile(temp); err != nil {
		return nil, fail(op, path, err)
	}
	defer dropTemp(temp)
	if err := fill(temp); err != nil {
		return nil, fail(op, path, err)
	}
	if err := publish(temp, path); err != nil {
		return nil, fail(op, path, err)
	}
	return Open(path, Options{})
}

func fill(path string) error {
	db, err := sql.Open("sqlite", "file:"+escape(path)+"?mode=rw&_pragma=synchronous(full)")
	if err != nil {
		return err
	}
	_, err = db.Exec(fmt.Sprintf("PRAGMA application_id=%d; PRAGMA user_version=%d; BEGIN; %s COMMIT;", applicationID, schemaVersion, schema))
	return errors.Join(err, db.Close())
}

// escape writes a path for a file: address; a question mark or a per cent sign in a folder's name must not become part of the options.
func escape(path string) string {
	return (&url.URL{Path: filepath.ToSlash(path)}).EscapedPath()
}

// Open opens a ledger file that exists.
func Open(path string, opts Options) (*Store, error) {
	const op = "open the ledger"
	if err := lookAt(path); err != nil {
		return nil, err
	}
	if opts.Busy == 0 {
		opts.Busy = 30 * time.Second
	}
	s := &Store{path: path, turn: make(chan struct{}, 1), busy: opts.Busy}
	if err := s.start(opts); err != nil {
		s.Close()
		return nil, fail(op, path, err)
	}
	return s, nil
}

// settings are the PRAGMAs of every connection, in this order: the wait for other processes comes first, because the journal mode may need it.
func settings(opts Options) string {
	return fmt.Sprintf("_pragma=busy_timeout(%d)&_pragma=journal_mode(wal)&_pragma=synchronous(full)&_pragma=foreign_keys(1)&_pragma=recursive_triggers(1)"+
		"&_pragma=trusted_schema(0)&_pragma=wal_autocheckpoint(%d)&_dqs=0&_txlock=immediate", opts.Busy.Milliseconds(), walPages)
}

func (s *Store) start(opts Options) error {
	ctx := context.Background()
	dsn := "file:" + escape(s.path) + "?mode=rw&" + settings(opts)
	var err error
	if s.write, err = sql.Open("sqlite", dsn); err != nil {
		return err
	}
	if s.read, err = sql.Open("sqlite", dsn+"&_pragma=query_only(1)"); err != nil {
		return err
	}
	s.read.SetMaxIdleConns(4)
	if s.conn, err = s.write.Conn(ctx); err != nil {
		return err
	}
	if err := s.readBack(ctx); err != nil {
		return err
	}
	if opts.MaxBytes > 0 {
		if _, err := s.conn.ExecContext(ctx, fmt.Sprintf("PRAGMA max_page_count=%d", max(opts.MaxBytes/pageSize, 1))); err != nil {
			return err
		}
	}
	if err := s.stmts.prepare(ctx, s.conn); err != nil {
		return err
	}
	return s.look.prepare(ctx, s.read)
}

const (
	pageSize = 4096
	// walPages is how far the log file beside the ledger grows before its pages are moved over: 16 MiB. A page that many events touch moves once.
	walPages = 4096
)

// readBack checks that the file is of a version we know and that every setting has taken hold: SQLite passes over one that it can't keep.
func (s *Store) readBack(ctx context.Context) error {
	var version int
	if err := s.conn.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version); err != nil {
		return err
	}
	if version > schemaVersion {
		return store.Fail("open the ledger", s.path, store.ErrVersion, fmt.Errorf("layout %d, this program knows up to %d", version, schemaVersion))
	}
	if version != schemaVersion {
		return store.Fail("open the ledger", s.path, store.ErrDamaged, fmt.Errorf("layout %d was never released", version))
	}
	for _, c := range []struct{ name, want string }{
		{"journal_mode", "wal"}, {"synchronous", "2"}, {"foreign_keys", "1"}, {"recursive_triggers", "1"},
	} {
		var got string
		if err := s.conn.QueryRowContext(ctx, "PRAGMA "+c.name).Scan(&got); err != nil {
			return err
		}
		if got != c.want {
			e := store.Fail("open the ledger", s.path, store.ErrDisk, fmt.Errorf("%s is %s, not %s", c.name, got, c.want))
			e.Hint = "this folder can't keep a ledger safely; put it on a disk of this computer"
			return e
		}
	}
	return nil
}

// Path returns the file's name.
func (s *Store) Path() string { return s.path }

// DataVersion returns a number that changes whenever anybody, in this process or another, has written to the file. It starts anew with each Open.
func (s *Store) DataVersion(ctx context.Context) (v int64, err error) {
	s.watch.Lock()
	defer s.watch.Unlock()
	if err := s.open("watch the ledger"); err != nil {
		return 0, err
	}
	if s.watchC == nil {
		if s.watchC, err = s.read.Conn(ctx); err != nil {
			return 0, fail("watch the ledger", s.path, err)
		}
	}
	err = s.watchC.QueryRowContext(ctx, "PRAGMA data_version").Scan(&v)
	return v, fail("watch the ledger", s.path, err)
}

func (s *Store) open(op string) error {
	if s.closed.Load() {
		return store.Fail(op, s.path, store.ErrClosed, nil)
	}
	return nil
}

// Close implements store.Store. It waits for a Write of this process.
func (s *Store) Close() error {
	if s.closed.Swap(true) {
		return nil
	}
	s.turn <- struct{}{}
	defer func() { <-s.turn }()
	s.watch.Lock()
	defer s.watch.Unlock()
	var err error
	if s.watchC != nil {
		err = s.watchC.Close()
	}
	if s.read != nil {
		err = errors.Join(err, s.read.Close())
	}
	s.stmts.close()
	if s.conn != nil {
		err = errors.Join(err, s.conn.Close())
	}
	if s.write != nil {
		err = errors.Join(err, s.write.Close())
	}
	return fail("close the ledger", s.path, err)
}
