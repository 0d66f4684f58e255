package sqlstore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"

	_ "modernc.org/sqlite" // the driver "sqlite"
)

// Options say how a Store runs. The zero value is right for nearly everyone.
type Options struct {
	FullSync       bool // sync the disk at each commit: a power cut then loses nothing, and each commit waits
	RejectsKept    int  // newest rejects kept of each reason, 1,000 if 0
	ReadersAtOnce  int  // connections for reading, 4 if 0
	StatusesAtMost int  // gateways whose status is kept, 100,000 if 0
}

func (o Options) withDefaults() Options {
	for _, d := range []struct {
		value *int
		usual int
	}{{&o.RejectsKept, 1000}, {&o.ReadersAtOnce, 4}, {&o.StatusesAtMost, 100_000}} {
		if *d.value <= 0 {
			*d.value = d.usual
		}
	}
	return o
}

// Store is a relational store in one SQLite file. It is safe for concurrent use, and several
// processes may have the same file open.
type Store struct {
	path    string
	options Options
	reader  *sql.DB
	writer  *sql.DB // one connection

	turn chan struct{} // holds the writer's token; see write

	// Known to the one whose turn it is.
	epoch  string
	series map[seriesKey]int64 // every series of the epoch, nil if not read yet

	logins     atomic.Pointer[logins]
	refreshing sync.Mutex // so that an older reading never replaces a later one
}

// Open opens the store in the file at path, which is made if it is not there, and brings its tables
// up to date.
func Open(ctx context.Context, path string, options Options) (*Store, error) {
	s := &Store{path: path, options: options.withDefaults(), turn: make(chan struct{}, 1)}
	s.turn <- struct{}{}
	if err := s.open(ctx); err != nil {
		return nil, fail("open "+path, errors.Join(err, s.close()))
	}
	return s, nil
}

func (s *Store) open(ctx context.Context) error {
	var err error
	if s.writer, err = sql.Open("sqlite", s.dsn(true)); err != nil {
		return err
	}
	s.writer.SetMaxOpenConns(1)
	s.writer.SetMaxIdleConns(1)
	if err := migrate(ctx, s.writer); err != nil {
		return err
	}
	if s.reader, err = sql.Open("sqlite", s.dsn(false)); err != nil {
		return err
	}
	s.reader.SetMaxOpenConns(s.options.ReadersAtOnce)
	s.reader.SetMaxIdleConns(s.options.ReadersAtOnce)
	return s.refreshLogins(ctx)
}

// dsn returns how the driver is to open the database. The pragmas run in this order: the wait comes
// before anything that may have to wait, and the kind of vacuum before the change to WAL, which
// writes the file and so fixes it.
func (s *Store) dsn(write bool) string {
	pragmas := []string{"busy_timeout(10000)", "foreign_keys(1)"}
	query := url.Values{}
	if write {
		synchronous := "synchronous(normal)"
		if s.options.FullSync {
			synchronous = "synchronous(full)"
		}
		pragmas = append(pragmas,
			"auto_vacuum(incremental)", // see Shrink
			"journal_mode(wal)",
			"journal_size_limit(67108864)", // bytes of the log that stay allocated after a great write
			"cache_size(-16000)",           // KiB
			synchronous)
		query.Set("_txlock", "immediate")
	} else {
		pragmas = append(pragmas, "query_only(1)")
	}
	query["_pragma"] = pragmas
	return fileURI(s.path) + "?" + query.Encode()
}

// fileURI escapes what means something in a URI. An absolute path keeps it from being taken for a
// host.
func fileURI(path string) string {
	if absolute, err := filepath.Abs(path); err == nil {
		path = absolute
	}
	return "file:" + (&url.URL{Path: filepath.ToSlash(path)}).EscapedPath()
}

// Close ends all connections. What was written is in the file.
func (s *Store) Close() error { return fail("close "+s.path, s.close()) }

func (s *Store) close() error {
	var errs []error
	for _, db := range []*sql.DB{s.reader, s.writer} { // the writer last: it empties the log
		if db != nil {
			errs = append(errs, db.Close())
		}
	}
	return errors.Join(errs...)
}

// write runs f in a transaction when it is this call's turn.
//
// The turn is a token rather than the connection itself, so that what the process remembers of the
// database is still this call's alone when the transaction fails.
func (s *Store) write(ctx context.Context, op string, f func(tx *sql.Tx) error) error {
	if err := s.takeTurn(ctx); err != nil {
		return fail(op, err)
	}
	defer s.endTurn()
	err := s.transact(ctx, f)
	if err != nil {
		s.series = nil // it may hold what was rolled back
	}
	return fail(op, err)
}

func (s *Store) takeTurn(ctx context.Context) error {
	select {
	case <-s.turn:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (s *Store) endTurn() { s.turn <- struct{}{} }

func (s *Store) transact(ctx context.Context, f func(tx *sql.Tx) error) error {
	tx, err := s.writer.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // does nothing after a commit
	if err := s.checkEpoch(tx); err != nil {
		return err
	}
	if err := f(tx); err != nil {
		return err
	}
	if err := tx.Commit(); err != nil {
		// database/sql believes that a transaction is over when its commit fails; SQLite may not.
		_, _ = s.writer.Exec("ROLLBACK")
		return err
	}
	return nil
}

// checkEpoch forgets what is remembered of another content of the database.
func (s *Store) checkEpoch(tx *sql.Tx) error {
	var epoch string
	if err := tx.QueryRow(`SELECT epoch FROM store_info`).Scan(&epoch); err != nil {
		return err
	}
	if epoch != s.epoch {
		s.epoch, s.series = epoch, nil
	}
	return nil
}

// read runs f in a transaction that sees one state of the database.
func (s *Store) read(ctx context.Context, op string, f func(tx *sql.Tx) error) error {
	tx, err := s.reader.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return fail(op, err)
	}
	defer func() { _ = tx.Rollback() }()
	return fail(op, f(tx))
}

// each runs a query and calls scan for each of its rows.
func each(ctx context.Context, tx *sql.Tx, scan func(*sql.Rows) error, query string, args ...any) error {
	rows, err := tx.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		if err := scan(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}

// placeholders returns "?3, ?4, ?5" for three arguments after the first two.
func placeholders(after, n int) string {
	names := make([]string, n)
	for i := range names {
		names[i] = fmt.Sprintf("?%d", after+i+1)
	}
	return strings.Join(names, ", ")
}

// kept makes text from outside fit to be kept: valid, without the NUL that not every database
// takes, and at most so many bytes long.
func kept(text string, most int) string {
	text = strings.ReplaceAll(strings.ToValidUTF8(text, "\uFFFD"), "\x00", "\uFFFD")
	if len(text) <= most {
		return text
	}
	return strings.ToValidUTF8(text[:most], "") // without the half of a character
}
