package embedded

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"github.com/prometheus/prometheus/model/labels"
	"github.com/prometheus/prometheus/storage"
	"github.com/prometheus/prometheus/tsdb"
	"github.com/prometheus/prometheus/tsdb/chunkenc"

	"dewline"
	"dewline/ingest/store"
)

// The labels of a series.
const (
	systemLabel = "system"
	pointLabel  = "point"
)

// engine is a Store seen by its Ledger.
type engine struct{ *Store }

// handle is what a series' Write.Handle holds: the database's reference in the lower bits, and
// above them which opening of the database gave it. After a reopening a reference may mean another
// series.
type handle uint64

const refBits = 48

func newHandle(opens uint64, ref storage.SeriesRef) uint64 { return opens<<refBits | uint64(ref) }

// ref returns the reference, 0 for one of another opening.
func (h handle) ref(opens uint64) storage.SeriesRef {
	if uint64(h)>>refBits != opens&(1<<(64-refBits)-1) {
		return 0
	}
	return storage.SeriesRef(h & (1<<refBits - 1))
}

// Write is one commit. Whether the log of late readings has it too is seen by Flush.
func (e engine) Write(ctx context.Context, writes []store.Write) error {
	if err := e.disk.room(); err != nil {
		return err
	}
	db, opens, done, err := e.use()
	if err != nil {
		return err
	}
	err = write(ctx, db, opens, writes)
	done()
	if err == nil {
		return nil
	}
	if failed := db.metrics.failed(); failed != nil {
		return e.fail(db, errors.Join(failed, err))
	}
	return fmt.Errorf("embedded store: %w: %w", err, store.ErrUnavailable)
}

func write(ctx context.Context, db *database, opens uint64, writes []store.Write) error {
	app := db.Appender(ctx)
	for i := range writes {
		w := &writes[i]
		ref, err := appendOne(app, handle(*w.Handle).ref(opens), w)
		switch {
		case err == nil:
			*w.Handle = newHandle(opens, ref)
		case errors.Is(err, storage.ErrTooOldSample):
			w.TooOld = true
		default:
			return errors.Join(fmt.Errorf("%s %v at %v: %w", w.System, w.Point, w.At.Time(), err), app.Rollback())
		}
	}
	return app.Commit()
}

// appendOne uses the reference, so that no labels need to be made and looked up. The database
// forgets a series that has been silent for some hours, and then says that it has no labels.
func appendOne(app storage.Appender, ref storage.SeriesRef, w *store.Write) (storage.SeriesRef, error) {
	if ref != 0 {
		got, err := app.Append(ref, labels.EmptyLabels(), int64(w.At), w.Value)
		if !errors.Is(err, tsdb.ErrInvalidSample) {
			return got, err
		}
	}
	ls := labels.FromStrings(pointLabel, w.Point.String(), systemLabel, string(w.System))
	return app.Append(0, ls, int64(w.At), w.Value)
}

// Flush waits until the logs are on the disk.
func (e engine) Flush(context.Context) error {
	db, _, done, err := e.use()
	if err != nil {
		return err
	}
	failed := db.metrics.failed()
	for _, log := range db.logs {
		if failed == nil && !e.options.NoFsync {
			failed = log.sync()
		}
	}
	done()
	if failed != nil {
		return e.fail(db, failed)
	}
	return nil
}

// Read merges blocks, memory and late readings.
func (e engine) Read(ctx context.Context, id dewline.SystemID, p dewline.Point, from, to dewline.Millis, dst []dewline.Value) ([]dewline.Value, error) {
	db, _, done, err := e.use()
	if err != nil {
		return dst, err
	}
	defer done()
	q, err := db.Querier(int64(from), int64(to)-1)
	if err != nil {
		return dst, fmt.Errorf("embedded store: %w: %w", err, store.ErrUnavailable)
	}
	defer q.Close()
	set := q.Select(ctx, false, nil, equal(systemLabel, string(id)), equal(pointLabel, p.String()))
	var it chunkenc.Iterator
	for set.Next() {
		it = set.At().Iterator(it)
		for n := 0; it.Next() != chunkenc.ValNone; n++ {
			if n%4096 == 4095 && ctx.Err() != nil {
				return dst, ctx.Err()
			}
			at, v := it.At()
			dst = append(dst, dewline.Value{At: dewline.Millis(at), Value: v})
		}
		if err := it.Err(); err != nil {
			return dst, fmt.Errorf("embedded store: %s %v: %w", id, p, err)
		}
	}
	if err := set.Err(); err != nil {
		return dst, fmt.Errorf("embedded store: %s %v: %w", id, p, err)
	}
	return dst, ctx.Err()
}

func equal(label, value string) *labels.Matcher {
	return labels.MustNewMatcher(labels.MatchEqual, label, value)
}

// Newest looks back in steps that grow, until every point that the system ever had is found.
func (e engine) Newest(ctx context.Context, ids []dewline.SystemID, yield func(dewline.Sample)) error {
	db, _, done, err := e.use()
	if err != nil {
		return err
	}
	defer done()
	for _, id := range ids {
		if err := newest(ctx, db, id, yield); err != nil {
			return err
		}
	}
	return nil
}

func newest(ctx context.Context, db *database, id dewline.SystemID, yield func(dewline.Sample)) error {
	oldest, latest := db.span()
	if oldest > latest {
		return nil // empty
	}
	missing, err := pointsOf(ctx, db, id)
	if err != nil {
		return err
	}
	to := int64(math.MaxInt64)
	for step := 2 * time.Hour; len(missing) > 0 && to > oldest; step *= 4 {
		from := max(oldest, latest-step.Milliseconds())
		if err := newestIn(ctx, db, id, from, to-1, missing, yield); err != nil {
			return err
		}
		to = from
	}
	return nil
}

// pointsOf returns the points that the system has readings of.
func pointsOf(ctx context.Context, db *database, id dewline.SystemID) (map[string]bool, error) {
	q, err := db.Querier(math.MinInt64, math.MaxInt64)
	if err != nil {
		return nil, fmt.Errorf("embedded store: %w: %w", err, store.ErrUnavailable)
	}
	defer q.Close()
	names, _, err := q.LabelValues(ctx, pointLabel, nil, equal(systemLabel, string(id)))
	if err != nil {
		return nil, fmt.Errorf("embedded store: %s: %w", id, err)
	}
	points := make(map[string]bool, len(names))
	for _, name := range names {
		points[name] = true
	}
	return points, nil
}

// newestIn yields the last reading in [from, to] of each missing point that has one, and takes it
// off the missing.
func newestIn(ctx context.Context, db *database, id dewline.SystemID, from, to int64, missing map[string]bool, yield func(dewline.Sample)) error {
	q, err := db.Querier(from, to)
	if err != nil {
		return fmt.Errorf("embedded store: %w: %w", err, store.ErrUnavailable)
	}
	defer q.Close()
	set := q.Select(ctx, false, nil, equal(systemLabel, string(id)))
	var it chunkenc.Iterator
	for set.Next() {
		name := set.At().Labels().Get(pointLabel)
		p, known := dewline.PointNamed(name)
		if !known || !missing[name] {
			continue
		}
		last := dewline.Sample{System: id, Point: p}
		found := false
		it = set.At().Iterator(it)
		for it.Next() != chunkenc.ValNone {
			at, v := it.At()
			last.At, last.Value, found = dewline.Millis(at), v, true
		}
		if err := it.Err(); err != nil {
			return fmt.Errorf("embedded store: %s %v: %w", id, p, err)
		}
		if found {
			delete(missing, name)
			yield(last)
		}
	}
	if err := set.Err(); err != nil {
		return fmt.Errorf("embedded store: %s: %w", id, err)
	}
	return ctx.Err()
}

// span returns the oldest and the newest time in the database; it is empty if they are crossed.
func (db *database) span() (oldest, latest int64) {
	head := db.Head()
	oldest = min(head.MinTime(), head.MinOOOTime())
	latest = max(head.MaxTime(), head.MaxOOOTime())
	for _, b := range db.Blocks() {
		oldest, latest = min(oldest, b.MinTime()), max(latest, b.MaxTime())
	}
	return oldest, latest
}
