package sqlstore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"dewline"

	"modernc.org/sqlite"
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
			e.Retry, e.Err = adviseSQLite(cause)
		} else {
			e.Code, e.Retry, e.Err = advisePostgres(err)
		}
	}
	return e
}

func invalid(op, format string, args ...any) error {
	return &dewline.Error{Code: dewline.Invalid, Op: op, Err: fmt.Errorf(format, args...)}
}

func notFound(op, format string, args ...any) error {
	return &dewline.Error{Code: dewline.NotFound, Op: op, Err: fmt.Errorf(format, args...)}
}
