package embedded

import (
	"fmt"
	"log/slog"
	"time"

	"github.com/prometheus/prometheus/tsdb"

	"dewline/ingest/store"
)

// Options of a Store. DefaultOptions is the start; the zero value is not valid.
type Options struct {
	store.Limits

	// Retention is how long readings are kept, counted back from the newest.
	Retention time.Duration
	// Block is the span of time that is kept in memory and in the log before it becomes a block
	// on the disk; half of it more is there before that happens. Long spans suit a small fleet
	// that reports every few minutes: fewer blocks, fewer bytes a reading. They cost memory and a
	// longer start.
	Block time.Duration
	// Budget is how many bytes the folder may take; 0 is as many as the disk has, less MinFree.
	Budget int64
	// MinFree bytes of the disk stay free: the database must be able to move its memory to disk
	// at any time.
	MinFree int64
	// DiskCheck is how often the folder and the disk are measured, at most.
	DiskCheck time.Duration
	// NoFsync acknowledges readings when the operating system has them: see the package's text.
	NoFsync bool

	// Replayed is told how many parts of the log have been read back while Open runs; nil if
	// nobody wants to know.
	Replayed func(done, total int)
	// Logger takes warnings of the database; nil drops them.
	Logger *slog.Logger

	adjust func(*tsdb.Options) // for tests: small logs
}

// DefaultOptions keeps 400 days, so that a season can be held beside the same of last year.
func DefaultOptions() Options {
	return Options{
		Limits:    store.DefaultLimits(),
		Retention: 400 * 24 * time.Hour,
		Block:     2 * time.Hour,
		MinFree:   256 << 20,
		DiskCheck: 2 * time.Second,
	}
}

// Validate says what is wrong with o.
func (o Options) Validate() error {
	switch {
	case o.Retention < o.MaxAge:
		return fmt.Errorf("embedded store: readings are kept for %v but taken up to an age of %v: keep them longer", o.Retention, o.MaxAge)
	case o.Block < time.Minute || o.Block > o.Retention/10:
		return fmt.Errorf("embedded store: blocks of %v do not fit: at least a minute, at most a tenth of the %v that readings are kept", o.Block, o.Retention)
	case o.Budget < 0, o.MinFree < 0, o.DiskCheck < 0:
		return fmt.Errorf("embedded store: budget (%d bytes), free bytes (%d) and interval of checks (%v) cannot be negative", o.Budget, o.MinFree, o.DiskCheck)
	}
	return o.Limits.Validate()
}
