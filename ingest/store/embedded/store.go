package embedded

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/prometheus/tsdb"
	"github.com/prometheus/prometheus/tsdb/fileutil"
	"github.com/prometheus/prometheus/tsdb/wlog"
	"github.com/prometheus/prometheus/util/compression"

	"dewline/ingest/store"
)

var errClosed = fmt.Errorf("embedded store: it was closed: %w", store.ErrUnavailable)

// lateLogLimit is the size of the log of late readings at which they are moved to blocks: about
// ten million of them, some seconds of a start.
const lateLogLimit = 128 << 20

// Store is a dewline.Readings in a folder. Append, Read and Newest are its Ledger's.
type Store struct {
	*store.Ledger

	folder  string
	options Options
	logger  *slog.Logger
	lock    fileutil.Releaser
	disk    *disk
	stop    context.CancelFunc
	stopped sync.WaitGroup

	mu     sync.RWMutex // held for writing while the database is exchanged
	db     *database    // nil after Close, and while it cannot be reopened
	broken error        // why db is nil
	opens  uint64       // how often a database was opened: part of each series' handle
	retry  time.Time    // when to try to reopen again
}

// database is one opened database with what is needed to watch its log.
type database struct {
	*tsdb.DB
	metrics *watchedRegistry
	logs    [2]*syncer // of readings in order, of late ones
	chunks  int        // number of the last file of chunks when it was opened
	settled bool       // blocks are made
}

// settle lets the database make blocks once it has begun a file of chunks of its own. Making a block ends by dropping files of chunks; where none is being written, the
// database then counts them anew from the first, and a chunk that is written in that moment gets a
// place that does not exist: it cannot be read, and the next file is a panic
// (github.com/prometheus/prometheus/issues/11618).
// Moving late readings needs no such care: it begins by writing chunks. Only maintain calls this.
func (db *database) settle(folder string) {
	if !db.settled && lastChunkFile(folder) > db.chunks {
		db.EnableCompactions()
		db.settled = true
	}
}

// lastChunkFile returns the highest number of a file of chunks below a database's folder, 0 if there
// is none.
func lastChunkFile(folder string) int {
	entries, err := os.ReadDir(filepath.Join(folder, "chunks_head"))
	if err != nil {
		return 0
	}
	last := 0
	for _, e := range entries {
		if n, err := strconv.Atoi(e.Name()); err == nil {
			last = max(last, n)
		}
	}
	return last
}

// Open opens the store in folder, which it creates if needed and locks for itself.
func Open(folder string, o Options) (*Store, error) {
	if err := o.Validate(); err != nil {
		return nil, err
	}
	lock, err := lockFolder(folder)
	if err != nil {
		return nil, err
	}
	s := &Store{folder: folder, options: o, lock: lock, logger: slog.New(slog.DiscardHandler)}
	if o.Logger != nil {
		s.logger = slog.New(warnings{o.Logger.Handler()})
	}
	s.disk = &disk{folder: folder, options: o}
	if s.Ledger, err = store.NewLedger(engine{s}, o.Limits); err == nil {
		if err = s.finishRestore(); err == nil {
			err = s.open()
		}
	}
	if err != nil {
		return nil, errors.Join(err, lock.Release())
	}
	ctx, stop := context.WithCancel(context.Background())
	s.stop = stop
	s.stopped.Go(func() { s.maintain(ctx) })
	return s, nil
}

func lockFolder(folder string) (fileutil.Releaser, error) {
	if err := os.MkdirAll(folder, 0o750); err != nil {
		return nil, fmt.Errorf("embedded store: the data folder cannot be made: %w", err)
	}
	lock, _, err := fileutil.Flock(filepath.Join(folder, "lock"))
	switch {
	case errors.Is(err, syscall.EWOULDBLOCK):
		return nil, fmt.Errorf("embedded store: the data folder %s is in use by another process: stop that one, or give this one a folder of its own", folder)
	case err != nil:
		return nil, fmt.Errorf("embedded store: the data folder %s cannot be locked: %w", folder, err)
	}
	return lock, nil
}

// dataFolder is the database's own, exchanged as a whole by Restore.
func (s *Store) dataFolder() string { return filepath.Join(s.folder, "series") }

// open opens the database. The caller holds mu or is the only one.
func (s *Store) open() error {
	db, metrics, err := s.openDB()
	// A process killed in the middle of a record leaves a torn log. The database repairs it, but
	// goes on without having read the log of late readings: only another opening does, and nothing
	// may be written before.
	for repairs := 0; err == nil && metrics.repaired() != nil && repairs < 2; repairs++ {
		if err = db.Close(); err == nil {
			db, metrics, err = s.openDB()
		}
	}
	if err != nil {
		return fmt.Errorf("embedded store: %s cannot be opened: %w", s.dataFolder(), err)
	}
	db.DisableCompactions() // until it has settled
	s.opens++
	s.db = &database{DB: db, metrics: metrics, chunks: lastChunkFile(s.dataFolder()), logs: [2]*syncer{
		{folder: filepath.Join(s.dataFolder(), "wal")},
		{folder: filepath.Join(s.dataFolder(), wlog.WblDirName)},
	}}
	s.broken = nil
	return nil
}

func (s *Store) openDB() (*tsdb.DB, *watchedRegistry, error) {
	metrics := &watchedRegistry{Registry: prometheus.NewRegistry()}
	stats := tsdb.NewDBStats()
	watched := s.watchReplay(stats)
	db, err := tsdb.Open(s.dataFolder(), s.logger, metrics, s.settings(), stats)
	watched()
	if err != nil {
		return nil, nil, err
	}
	if len(metrics.failures) != 2 || len(metrics.repairs) != 1 {
		return nil, nil, errors.Join(errors.New("this version of the database does not tell of failed writes and repairs"), db.Close())
	}
	return db, metrics, nil
}

// settings are the database's own options.
func (s *Store) settings() *tsdb.Options {
	o := tsdb.DefaultOptions()
	o.NoLockfile = true // ours covers the whole folder and names it
	o.RetentionDuration = s.options.Retention.Milliseconds()
	o.MinBlockDuration = s.options.Block.Milliseconds()
	o.MaxBlockDuration = min(s.options.Retention/10, 31*24*time.Hour).Milliseconds()
	// The database counts back from its newest time, which may be ahead of the clock.
	o.OutOfOrderTimeWindow = (s.options.MaxAge + s.options.MaxAhead).Milliseconds()
	o.WALCompression = compression.Snappy
	if s.options.adjust != nil {
		s.options.adjust(o)
	}
	return o
}

// watchReplay reports how far the replay of the log is until the returned function is called.
func (s *Store) watchReplay(stats *tsdb.DBStats) (done func()) {
	report := s.options.Replayed
	if report == nil {
		return func() {}
	}
	stop := make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() {
		tick := time.NewTicker(250 * time.Millisecond)
		defer tick.Stop()
		for {
			status := stats.Head.WALReplayStatus.GetWALReplayStatus()
			report(max(0, status.Current-status.Min), status.Max-status.Min+1)
			select {
			case <-stop:
				report(status.Max-status.Min+1, status.Max-status.Min+1)
				return
			case <-tick.C:
			}
		}
	})
	return func() {
		close(stop)
		wg.Wait()
	}
}

// Close writes what is pending and releases the folder.
func (s *Store) Close() error {
	s.stop()
	s.stopped.Wait()
	s.mu.Lock()
	defer s.mu.Unlock()
	if errors.Is(s.broken, errClosed) {
		return nil
	}
	err := s.closeDB(errClosed)
	return errors.Join(err, s.lock.Release())
}

// closeDB closes the database and says why there is none.
func (s *Store) closeDB(why error) error {
	s.broken = why
	db := s.db
	s.db = nil
	if db == nil {
		return nil
	}
	err := db.Close()
	for _, l := range db.logs {
		err = errors.Join(err, l.close())
	}
	return err
}

// use returns the database, reopened if a failure has closed it, which of all openings it is, and
// a function to call when done with it.
func (s *Store) use() (db *database, opens uint64, done func(), err error) {
	for range 2 {
		s.mu.RLock()
		if s.db != nil {
			return s.db, s.opens, s.mu.RUnlock, nil
		}
		s.mu.RUnlock()
		if err := s.reopen(); err != nil {
			return nil, 0, nil, err
		}
	}
	return nil, 0, nil, fmt.Errorf("embedded store: it failed again: %w", store.ErrUnavailable)
}

// reopen opens the database that a failure has closed. It tries once a second at most.
func (s *Store) reopen() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.db != nil || errors.Is(s.broken, errClosed) {
		return s.broken
	}
	now := time.Now()
	if now.Before(s.retry) {
		return s.broken
	}
	s.retry = now.Add(time.Second)
	if err := s.disk.room(); err != nil {
		return err
	}
	if err := s.open(); err != nil {
		s.broken = fmt.Errorf("%w: %w", err, store.ErrUnavailable)
		return s.broken
	}
	s.logger.Warn("the store of readings was reopened after a failed write")
	return nil
}

// fail closes db after a failed write to one of its logs, unless another has done so already.
// What db holds in memory may not be on the disk, so nothing may be read from it any more.
func (s *Store) fail(db *database, cause error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.db != db {
		return s.broken
	}
	s.retry = time.Now().Add(time.Second)
	why := fmt.Errorf("embedded store: the log cannot be written, it is reopened when there is room: %w: %w", cause, store.ErrUnavailable)
	s.logger.Warn("the store of readings failed", "err", cause)
	if err := s.closeDB(why); err != nil {
		s.logger.Warn("closing the failed store of readings", "err", err)
	}
	s.Forget()
	return why
}

// maintain lets a database that has settled make blocks, and moves late readings to blocks when
// their log has grown.
func (s *Store) maintain(ctx context.Context) {
	settle := time.NewTicker(time.Second)
	defer settle.Stop()
	tick := time.NewTicker(time.Minute)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-settle.C:
			if db, _, done, err := s.use(); err == nil {
				db.settle(s.dataFolder())
				done()
			}
		case <-tick.C:
			if err := s.moveLate(ctx, lateLogLimit); err != nil && ctx.Err() == nil {
				s.logger.Warn("late readings could not be moved to blocks", "err", err)
			}
		}
	}
}

// moveLate moves late readings to blocks when their log is larger than limit bytes.
func (s *Store) moveLate(ctx context.Context, limit int64) error {
	db, _, done, err := s.use()
	if err != nil {
		return err
	}
	defer done()
	size, err := sizeOf(db.logs[1].folder)
	if err != nil || size <= limit {
		return err
	}
	return db.CompactOOOHead(ctx)
}

// Ready says why readings would not be taken now.
func (s *Store) Ready(context.Context) error {
	_, _, done, err := s.use()
	if err != nil {
		return err
	}
	done()
	return s.disk.room()
}

// Gather gives the database's own metrics: a Store is a prometheus.Gatherer.
func (s *Store) Gather() ([]*dto.MetricFamily, error) {
	db, _, done, err := s.use()
	if err != nil {
		return nil, nil // Ready tells; the other metrics must not be lost
	}
	defer done()
	return db.metrics.Gather()
}

// sizeOf returns the bytes in the files below folder, which may be changing.
func sizeOf(folder string) (int64, error) {
	var size int64
	err := filepath.WalkDir(folder, func(_ string, d fs.DirEntry, err error) error {
		if err == nil && d.Type().IsRegular() {
			var info fs.FileInfo
			if info, err = d.Info(); err == nil {
				size += info.Size()
			}
		}
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		return err
	})
	return size, err
}

// warnings passes on what an operator can do something about; the database tells much more.
type warnings struct{ slog.Handler }

func (h warnings) Enabled(ctx context.Context, level slog.Level) bool {
	return level >= slog.LevelWarn && h.Handler.Enabled(ctx, level)
}

// Handle drops one warning that is none here: readings that came late lie in blocks beside those of
// the same time, until compaction joins them.
func (h warnings) Handle(ctx context.Context, r slog.Record) error {
	if strings.HasPrefix(r.Message, "Overlapping blocks found") {
		return nil
	}
	return h.Handler.Handle(ctx, r)
}

func (h warnings) WithAttrs(attrs []slog.Attr) slog.Handler {
	return warnings{h.Handler.WithAttrs(attrs)}
}

func (h warnings) WithGroup(name string) slog.Handler { return warnings{h.Handler.WithGroup(name)} }
