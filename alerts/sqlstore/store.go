package sqlstore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
)

// Options say how a Store runs. The zero value is right for nearly everyone.
type Options struct {
	FullSync       bool // SQLite: sync the disk at each commit: a power cut then loses nothing, and each commit waits
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

// Store is a relational store in one SQLite file or one PostgreSQL database. It is safe for
// concurrent use, and several processes may have the same one open.
type Store struct {
	path    string // the file, "" with PostgreSQL
	name    string // for people
	dialect *dialect
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

// Open opens the store at place, and brings its tables up to date. A place is the path of an SQLite
// file, which is made if it is not there, or the address of a PostgreSQL database,
// postgres://user@host/database, which has to be there.
func Open(ctx context.Context, place string, options Options) (*Store, error) {
	s := &Store{path: place, name: place, dialect: dialectOf(place), options: options.withDefaults(), turn: make(chan struct{}, 1)}
	if s.dialect == &postgresDialect {
		s.path, s.name = "", redacted(place)
	}
	s.turn <- struct{}{}
	if err := s.open(ctx, place); err != nil {
		return nil, fail("open "+s.name, errors.Join(err, s.close()))
	}
	return s, nil
}

// redacted returns an address without its password.
func redacted(address string) string {
	u, err := url.Parse(address)
	if err != nil {
		return "the database"
	}
	u.RawQuery = ""
	return u.Redacted()
}

func (s *Store) open(ctx context.Context, place string) (err error) {
	if s.reader, s.writer, err = s.dialect.open(place, s.options); err != nil {
		return err
	}
	s.writer.SetMaxOpenConns(1)
	s.writer.SetMaxIdleConns(1)
	s.reader.SetMaxOpenConns(s.options.ReadersAtOnce)
	s.reader.SetMaxIdleConns(s.options.ReadersAtOnce)
	migrations := func() error { return s.dialect.migrate(ctx, s.writer) }
	if err := s.dialect.alone(ctx, s.reader, migrations); err != nil {
		return err
	}
	return s.refreshLogins(ctx)
}

// Close ends all connections. What was written is there.
func (s *Store) Close() error { return fail("close "+s.name, s.close()) }

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
	tx, err := s.writer.BeginTx(ctx, &writing)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // does nothing after a commit
	if err := s.checkEpoch(ctx, tx); err != nil {
		return err
	}
	if err := f(tx); err != nil {
		return err
	}
	if err := tx.Commit(); err != nil {
		if s.dialect.halfCommitted { // database/sql believes that it is over
			_, _ = s.writer.Exec("ROLLBACK")
		}
		return err
	}
	return nil
}

// checkEpoch waits for other processes that write, and forgets what is remembered of another content
// of the database.
func (s *Store) checkEpoch(ctx context.Context, tx *sql.Tx) error {
	var epoch string
	if err := tx.QueryRowContext(ctx, s.dialect.turn).Scan(&epoch); err != nil {
		return err
	}
	if epoch != s.epoch {
		s.epoch, s.series = epoch, nil
	}
	return nil
}

// read runs f in a transaction that sees one state of the database.
func (s *Store) read(ctx context.Context, op string, f func(tx *sql.Tx) error) error {
	tx, err := s.reader.BeginTx(ctx, &reading)
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

// insertMany inserts rows whose arguments a function appends; insert ends before VALUES, and conflict
// follows. No two rows have the same key.
func insertMany[R any](ctx context.Context, tx *sql.Tx, d *dialect, insert, conflict string, rows []R, arguments func([]any, R) []any) error {
	// SQLite's driver watches a context that can end with a goroutine for each row. The transaction is
	// watched already: when ctx ends it is rolled back, and the next row fails.
	unwatched := context.WithoutCancel(ctx)
	var statement *sql.Stmt
	defer func() { _ = closeStatement(statement) }()
	var args []any
	size := 0 // rows of the statement
	for some := range slices.Chunk(rows, d.rowsAtOnce) {
		args = args[:0]
		for _, r := range some {
			args = arguments(args, r)
		}
		if len(some) != size {
			size = len(some)
			if err := closeStatement(statement); err != nil {
				return err
			}
			var err error
			if statement, err = tx.PrepareContext(ctx, insert+" VALUES "+valueLists(size, len(args)/size)+" "+conflict); err != nil {
				return err
			}
		}
		if _, err := statement.ExecContext(unwatched, args...); err != nil {
			return err
		}
	}
	return nil
}

func closeStatement(s *sql.Stmt) error {
	if s == nil {
		return nil
	}
	return s.Close()
}

// valueLists returns "($1, $2), ($3, $4)" for two rows of two columns.
func valueLists(rows, columns int) string {
	lists := make([]string, rows)
	for i := range lists {
		lists[i] = "(" + placeholders(i*columns, columns) + ")"
	}
	return strings.Join(lists, ", ")
}

// placeholders returns "$3, $4, $5" for three arguments after the first two.
func placeholders(after, n int) string {
	names := make([]string, n)
	for i := range names {
		names[i] = fmt.Sprintf("$%d", after+i+1)
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
