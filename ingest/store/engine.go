package store

import (
	"context"
	"errors"

	"dewline"
)

// Errors of Append, found with errors.Is. dewline.CanRetry says of an error whether the same batch
// may pass when it is offered again later.
var (
	// ErrInvalid: the batch holds something that no store takes (a system's id that the contract
	// does not allow, an unknown point, an event, a value that is not finite). The caller should
	// have refused it.
	ErrInvalid = &dewline.Error{Code: dewline.Invalid, Err: errors.New("not a reading")}
	// ErrFuture: a time is further ahead of the clock than Limits.MaxAhead. The caller should
	// have refused it at receipt.
	ErrFuture = &dewline.Error{Code: dewline.OutOfRange, Retry: true, Err: errors.New("time is in the future")}
	// ErrFull: the disk budget is spent. Nothing is taken until there is room again.
	ErrFull = &dewline.Error{Code: dewline.Unavailable, Retry: true, Err: errors.New("no room for readings")}
	// ErrUnavailable: the database does not answer, or cannot make readings durable now.
	ErrUnavailable = &dewline.Error{Code: dewline.Unavailable, Retry: true, Err: errors.New("readings cannot be stored now")}
)

// Engine is what a database must do so that a Ledger can make it a dewline.Readings.
// Its methods are called concurrently.
type Engine interface {
	// Newest yields the newest reading of each point that is stored of each of the systems.
	Newest(ctx context.Context, ids []dewline.SystemID, yield func(dewline.Sample)) error
	// Read appends the values of one point in [from, to) to dst, oldest first.
	Read(ctx context.Context, id dewline.SystemID, p dewline.Point, from, to dewline.Millis, dst []dewline.Value) ([]dewline.Value, error)
	// Write stores samples of which none stands in the database. It is never called twice at the
	// same time for one system. On an error it may have stored some of them.
	Write(ctx context.Context, writes []Write) error
	// Flush makes durable what Write took before.
	Flush(ctx context.Context) error
}

// Write is one new sample on its way into an Engine.
type Write struct {
	dewline.Sample
	// Handle is the engine's own mark of the series, kept between calls; 0 at first.
	Handle *uint64
	// TooOld is set by the engine when it does not take a time that old.
	TooOld bool
}
