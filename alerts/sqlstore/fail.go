package sqlstore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"dewline"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

var errNone = errors.New("there is none of that name")

// fail says what kind of failure err is and what was being done. Errors that say so themselves
// stay as they are.
func fail(op string, err error) error {
	if err == nil {
		return nil
	}
	if _, ok := errors.AsType[*dewline.Error](err); ok {
		return err
	}
	if incomplete, ok := errors.AsType[*dewline.Incomplete](err); ok { // what a person has to add
		return incomplete
	}
	e := &dewline.Error{Code: dewline.Unavailable, Op: op, Err: err}
	switch {
	case errors.Is(err, sql.ErrNoRows):
		e.Code, e.Err = dewline.NotFound, errNone
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		e.Retry = true
	default:
		if cause, ok := errors.AsType[*sqlite.Error](err); ok {
			e.Retry, e.Err = advise(cause)
		}
	}
	return e
}

// advise says whether the same may succeed later, and adds what to do.
func advise(err *sqlite.Error) (retry bool, advised error) {
	switch err.Code() & 0xff { // the primary code; the rest says more
	case sqlite3.SQLITE_FULL:
		return true, fmt.Errorf("the disk is full: make room, or shorten what is kept: %w", err)
	case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
		return true, fmt.Errorf("another process is writing for long: try again when it has finished: %w", err)
	case sqlite3.SQLITE_IOERR, sqlite3.SQLITE_NOMEM, sqlite3.SQLITE_INTERRUPT:
		return true, err
	case sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_AUTH:
		return false, fmt.Errorf("see that the folder exists and that this user may write there: %w", err)
	case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
		return false, fmt.Errorf("the file is damaged or no database: restore a backup: %w", err)
	}
	return false, err
}

func invalid(op, format string, args ...any) error {
	return &dewline.Error{Code: dewline.Invalid, Op: op, Err: fmt.Errorf(format, args...)}
}

func notFound(op, format string, args ...any) error {
	return &dewline.Error{Code: dewline.NotFound, Op: op, Err: fmt.Errorf(format, args...)}
}
