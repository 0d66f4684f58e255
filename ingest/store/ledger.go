package store

import (
	"cmp"
	"context"
	"fmt"
	"hash/maphash"
	"math"
	"math/bits"
	"slices"
	"sync"
	"time"

	"dewline"
)

// Limits says which times a store takes, measured against its clock.
type Limits struct {
	MaxAge   time.Duration    // older is dewline.TooOld
	MaxAhead time.Duration    // further ahead is ErrFuture
	Now      func() time.Time // the clock
}

// DefaultLimits are those of the contract. The caller refuses what is 10 minutes ahead of its
// receipt; the store's guard leaves room for a clock that was set back meanwhile.
func DefaultLimits() Limits {
	return Limits{MaxAge: 31 * 24 * time.Hour, MaxAhead: 15 * time.Minute, Now: time.Now}
}

// Validate says what is wrong with l.
func (l Limits) Validate() error {
	switch {
	case l.MaxAge <= 0:
		return fmt.Errorf("store: MaxAge is %v, it must be positive", l.MaxAge)
	case l.MaxAhead <= 0:
		return fmt.Errorf("store: MaxAhead is %v, it must be positive", l.MaxAhead)
	case l.Now == nil:
		return fmt.Errorf("store: Now is missing, give it a clock such as time.Now")
	}
	return nil
}

// never is the newest time of a series that has no reading.
const never = dewline.Millis(math.MinInt64)

// lateGap splits the late times of one series into separate reads, so that one reading of last
// week beside one of an hour ago does not fetch the week between them.
const lateGap = 6 * time.Hour

// shardCount is the number of locks that systems share; a set of shards fits one word.
const shardCount = 64

var pointCount = len(dewline.Points()) + 1 // points count from 1

// series is what the ledger knows of one point of one system.
type series struct {
	newest dewline.Value // committed; guarded by Ledger.mu
	ahead  dewline.Value // newest including the batch in work; guarded by the system's shard
	gap    gap           // guarded by the system's shard
	handle uint64        // the engine's; guarded by the system's shard
}

// gap is a stretch of time before the newest reading, without its ends, in which nothing stands.
// When the first reading after an outage jumps ahead, the outage is such a gap, and the backlog
// that follows needs no look at the database. Only one is remembered.
type gap struct{ from, to dewline.Millis }

// gapAge is how far behind the newest reading a gap may end before a shorter one takes its place.
const gapAge = 3 * 24 * time.Hour

// length may exceed what Millis can hold: before the first reading of all the gap has no start.
func (g gap) length() uint64 { return uint64(g.to) - uint64(g.from) }

func (g gap) holds(at dewline.Millis) bool { return g.from < at && at < g.to }

// without returns the longer part of g when a reading comes to stand at a time in it.
func (g gap) without(at dewline.Millis) gap {
	before, after := gap{g.from, at}, gap{at, g.to}
	if before.length() > after.length() {
		return before
	}
	return after
}

// advance makes v the newest reading.
func (s *series) advance(v dewline.Value) {
	if jump := (gap{s.ahead.At, v.At}); jump.length() >= s.gap.length() || s.gap.to < v.At.Add(-gapAge) {
		s.gap = jump
	}
	s.ahead = v
}

// Ledger gives an Engine the promises of dewline.Readings but Close. It remembers the newest
// reading of every series that it has met since it was made: about 1 kB per system.
type Ledger struct {
	engine Engine
	limits Limits
	seed   maphash.Seed
	work   sync.Pool // *work

	// A batch holds the shards of its systems from the first look to the end of Write, in
	// ascending order: two batches never decide about one system at the same time.
	shards [shardCount]sync.Mutex

	mu       sync.RWMutex
	systems  map[dewline.SystemID][]series // indexed by point
	forgets  int                           // how often Forget was called
	pageSize int                           // systems per call of Engine.Newest
}

// NewLedger makes a ledger over engine.
func NewLedger(engine Engine, limits Limits) (*Ledger, error) {
	if err := limits.Validate(); err != nil {
		return nil, err
	}
	l := &Ledger{
		engine:   engine,
		limits:   limits,
		seed:     maphash.MakeSeed(),
		systems:  make(map[dewline.SystemID][]series),
		pageSize: 50, // the time of InfluxDB grows faster than their number
	}
	l.work.New = func() any { return new(work) }
	return l, nil
}

// Forget drops what is remembered, for an engine whose content was changed by other means than
// Write.
func (l *Ledger) Forget() {
	l.mu.Lock()
	defer l.mu.Unlock()
	clear(l.systems)
	l.forgets++
}

// drop forgets the systems of batch, whose shards are held.
func (l *Ledger) drop(batch []dewline.Sample) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for i := range batch {
		delete(l.systems, batch[i].System)
	}
}

// work is the memory of one Append, kept for the next.
type work struct {
	series []*series // of each sample of the batch
	late   []int     // samples to look up
	writes []Write
	places []int // of each write in the batch
	read   []dewline.Value
	fresh  map[instant]float64 // accepted in this batch, filled when there are late samples
}

type instant struct {
	s  *series
	at dewline.Millis
}

func (w *work) reset() {
	clear(w.series) // a ledger that forgot its systems must not be held by a pool
	clear(w.writes)
	clear(w.fresh)
	w.series, w.late, w.writes, w.places = w.series[:0], w.late[:0], w.writes[:0], w.places[:0]
}

// Append is dewline.Readings.Append.
func (l *Ledger) Append(ctx context.Context, batch []dewline.Sample, dst []dewline.Outcome) ([]dewline.Outcome, error) {
	if err := ctx.Err(); err != nil {
		return dst, err
	}
	if err := l.check(batch); err != nil {
		return dst, err
	}
	w := l.work.Get().(*work)
	defer func() {
		w.reset()
		l.work.Put(w)
	}()

	held := l.lock(batch)
	outcomes := slices.Grow(dst, len(batch))[:len(dst)+len(batch)]
	err := l.settle(ctx, batch, outcomes[len(dst):], w)
	l.unlock(held)
	if err != nil {
		return dst, err
	}
	// Also when nothing was written: a sample may be Repeated because another batch has just
	// written it and waits for its durability.
	if err := l.engine.Flush(ctx); err != nil {
		return dst, err
	}
	return outcomes, nil
}

// check refuses what the caller should not have offered.
func (l *Ledger) check(batch []dewline.Sample) error {
	latest := dewline.MillisOf(l.limits.Now().Add(l.limits.MaxAhead))
	var known dewline.SystemID
	for i := range batch {
		s := &batch[i]
		if s.System != known {
			if !s.System.Valid() {
				return fmt.Errorf("store: %q is no system's id: %w", s.System, ErrInvalid)
			}
			known = s.System
		}
		switch d := s.Point.Dimension(); {
		case d == 0 || d == dewline.EventText:
			return fmt.Errorf("store: %s: %v cannot be measured: %w", s.System, s.Point, ErrInvalid)
		case math.IsNaN(s.Value) || math.IsInf(s.Value, 0):
			return fmt.Errorf("store: %s: %v is %v: %w", s.System, s.Point, s.Value, ErrInvalid)
		case s.At > latest:
			return fmt.Errorf("store: %s: %v at %v: %w", s.System, s.Point, s.At.Time(), ErrFuture)
		}
	}
	return nil
}

func (l *Ledger) shard(id dewline.SystemID) uint64 {
	return 1 << (maphash.String(l.seed, string(id)) % shardCount)
}

// lock takes the shards of all systems in batch and returns them as a set.
func (l *Ledger) lock(batch []dewline.Sample) uint64 {
	var set uint64
	var last dewline.SystemID
	for i := range batch {
		if id := batch[i].System; id != last {
			set |= l.shard(id)
			last = id
		}
	}
	for rest := set; rest != 0; rest &= rest - 1 {
		l.shards[bits.TrailingZeros64(rest)].Lock()
	}
	return set
}

func (l *Ledger) unlock(set uint64) {
	for ; set != 0; set &= set - 1 {
		l.shards[bits.TrailingZeros64(set)].Unlock()
	}
}

// settle decides the outcome of every sample and writes the new ones. The shards are held.
func (l *Ledger) settle(ctx context.Context, batch []dewline.Sample, outcomes []dewline.Outcome, w *work) error {
	if err := l.resolve(ctx, batch, w); err != nil {
		return err
	}
	l.sort(batch, outcomes, w)
	err := l.lookUp(ctx, batch, outcomes, w)
	if err == nil {
		err = l.write(ctx, batch, outcomes, w)
	}
	if err != nil {
		l.drop(batch) // some of it may stand: ask the next time
		return err
	}
	l.publish(batch, outcomes, w)
	return nil
}

func (l *Ledger) write(ctx context.Context, batch []dewline.Sample, outcomes []dewline.Outcome, w *work) error {
	for i, o := range outcomes {
		if o == dewline.Stored {
			w.writes = append(w.writes, Write{Sample: batch[i], Handle: &w.series[i].handle})
			w.places = append(w.places, i)
		}
	}
	if len(w.writes) == 0 {
		return nil
	}
	return l.engine.Write(ctx, w.writes)
}

// resolve finds the series of every sample, asking the engine about systems not met before.
func (l *Ledger) resolve(ctx context.Context, batch []dewline.Sample, w *work) error {
	unknown := l.find(batch, w)
	if len(unknown) == 0 {
		return nil
	}
	slices.Sort(unknown)
	if err := l.meet(ctx, slices.Compact(unknown)); err != nil {
		return err
	}
	if unknown = l.find(batch, w); len(unknown) > 0 {
		return fmt.Errorf("store: the database was exchanged just now: %w", ErrUnavailable)
	}
	return nil
}

// find fills w.series, or returns the systems that are not known.
func (l *Ledger) find(batch []dewline.Sample, w *work) (unknown []dewline.SystemID) {
	l.mu.RLock()
	defer l.mu.RUnlock()
	w.series = w.series[:0]
	var last dewline.SystemID
	var points []series
	for i := range batch {
		if id := batch[i].System; id != last {
			last, points = id, l.systems[id]
			if points == nil {
				unknown = append(unknown, id)
			}
		}
		if points != nil {
			w.series = append(w.series, &points[batch[i].Point])
		}
	}
	return unknown
}

// meet asks the engine for the newest readings of systems and remembers them.
func (l *Ledger) meet(ctx context.Context, ids []dewline.SystemID) error {
	for page := range slices.Chunk(ids, l.pageSize) {
		l.mu.RLock()
		forgets := l.forgets
		l.mu.RUnlock()
		met := make(map[dewline.SystemID][]series, len(page))
		for _, id := range page {
			points := make([]series, pointCount)
			for p := range points {
				points[p].newest.At, points[p].ahead.At = never, never
			}
			met[id] = points
		}
		err := l.engine.Newest(ctx, page, func(s dewline.Sample) {
			if points, ok := met[s.System]; ok && s.Point.Known() {
				v := dewline.Value{At: s.At, Value: s.Value}
				points[s.Point].newest, points[s.Point].ahead = v, v
			}
		})
		if err != nil {
			return err
		}
		l.mu.Lock()
		if l.forgets == forgets {
			for id, points := range met {
				if _, ok := l.systems[id]; !ok { // somebody else may have met it first
					l.systems[id] = points
				}
			}
		}
		l.mu.Unlock()
	}
	return nil
}

// sort gives each sample the outcome that memory knows, and collects those to look up.
func (l *Ledger) sort(batch []dewline.Sample, outcomes []dewline.Outcome, w *work) {
	oldest := dewline.MillisOf(l.limits.Now().Add(-l.limits.MaxAge))
	for i := range batch {
		b, s := &batch[i], w.series[i]
		switch {
		case b.At > s.ahead.At && b.At >= oldest:
			outcomes[i] = dewline.Stored
			s.advance(dewline.Value{At: b.At, Value: b.Value})
		case b.At == s.ahead.At:
			outcomes[i] = same(b.Value, s.ahead.Value)
		case b.At < oldest:
			outcomes[i] = dewline.TooOld
		case s.gap.holds(b.At):
			outcomes[i] = dewline.Stored
			s.gap = s.gap.without(b.At)
		default:
			outcomes[i] = dewline.TooOld // until looked up
			w.late = append(w.late, i)
		}
	}
}

// same compares as numbers: a zero is the same whatever its sign.
func same(offered, standing float64) dewline.Outcome {
	if offered == standing {
		return dewline.Repeated
	}
	return dewline.Conflict
}

// lookUp decides the late samples by what stands in the database and what this batch has brought
// before them.
func (l *Ledger) lookUp(ctx context.Context, batch []dewline.Sample, outcomes []dewline.Outcome, w *work) error {
	if len(w.late) == 0 {
		return nil
	}
	if w.fresh == nil {
		w.fresh = make(map[instant]float64)
	}
	for i, o := range outcomes {
		if o == dewline.Stored {
			w.fresh[instant{w.series[i], batch[i].At}] = batch[i].Value
		}
	}
	slices.SortFunc(w.late, func(i, j int) int {
		a, b := &batch[i], &batch[j]
		return cmp.Or(cmp.Compare(a.System, b.System), cmp.Compare(a.Point, b.Point), cmp.Compare(a.At, b.At), cmp.Compare(i, j))
	})
	for rest := w.late; len(rest) > 0; {
		n := 1
		for n < len(rest) && w.series[rest[n]] == w.series[rest[0]] && batch[rest[n]].At.Sub(batch[rest[n-1]].At) <= lateGap {
			n++
		}
		first, last := &batch[rest[0]], &batch[rest[n-1]]
		var err error
		w.read, err = l.engine.Read(ctx, first.System, first.Point, first.At, last.At+1, w.read[:0])
		if err != nil {
			return err
		}
		for _, i := range rest[:n] {
			outcomes[i] = l.judge(batch[i], w.series[i], w)
		}
		rest = rest[n:]
	}
	return nil
}

func (l *Ledger) judge(b dewline.Sample, s *series, w *work) dewline.Outcome {
	at, found := slices.BinarySearchFunc(w.read, b.At, func(v dewline.Value, t dewline.Millis) int { return cmp.Compare(v.At, t) })
	if found {
		return same(b.Value, w.read[at].Value)
	}
	if v, ok := w.fresh[instant{s, b.At}]; ok {
		return same(b.Value, v)
	}
	w.fresh[instant{s, b.At}] = b.Value
	return dewline.Stored
}

// publish makes what was written known to the next batches and to Newest.
func (l *Ledger) publish(batch []dewline.Sample, outcomes []dewline.Outcome, w *work) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for n := range w.writes {
		wr, i := &w.writes[n], w.places[n]
		if wr.TooOld {
			refuse(batch, outcomes, w, i)
			continue
		}
		if s := w.series[i]; wr.At > s.newest.At {
			s.newest = dewline.Value{At: wr.At, Value: wr.Value}
		}
	}
	for _, s := range w.series {
		s.ahead = s.newest // they differ where the engine has refused
	}
}

// refuse marks the sample at place as too old, and those that took it for what stands.
func refuse(batch []dewline.Sample, outcomes []dewline.Outcome, w *work, place int) {
	for i := place; i < len(outcomes); i++ {
		if w.series[i] == w.series[place] && batch[i].At == batch[place].At {
			outcomes[i] = dewline.TooOld
		}
	}
}

// Newest is dewline.Readings.Newest, out of memory but for systems not met before.
func (l *Ledger) Newest(ctx context.Context, id dewline.SystemID) ([]dewline.Sample, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if !id.Valid() {
		return nil, fmt.Errorf("store: %q is no system's id: %w", id, ErrInvalid)
	}
	if newest, met := l.newest(id); met {
		return newest, nil
	}
	if err := l.meet(ctx, []dewline.SystemID{id}); err != nil {
		return nil, err
	}
	newest, _ := l.newest(id)
	return newest, nil
}

func (l *Ledger) newest(id dewline.SystemID) (_ []dewline.Sample, met bool) {
	l.mu.RLock()
	defer l.mu.RUnlock()
	points, met := l.systems[id]
	var newest []dewline.Sample
	for p := range points {
		if v := points[p].newest; v.At != never {
			newest = append(newest, dewline.Sample{System: id, Point: dewline.Point(p), At: v.At, Value: v.Value})
		}
	}
	return newest, met
}

// Read is dewline.Readings.Read.
func (l *Ledger) Read(ctx context.Context, id dewline.SystemID, p dewline.Point, from, to dewline.Millis, dst []dewline.Value) ([]dewline.Value, error) {
	if err := ctx.Err(); err != nil {
		return dst, err
	}
	if !id.Valid() || p.Dimension() == 0 || p.Dimension() == dewline.EventText {
		return dst, fmt.Errorf("store: %q has no readings of %v: %w", id, p, ErrInvalid)
	}
	if from >= to {
		return dst, nil
	}
	got, err := l.engine.Read(ctx, id, p, from, to, dst)
	if err != nil {
		return dst, err
	}
	return got, nil
}
