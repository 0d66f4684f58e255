package store_test

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"dewline"
	"dewline/ingest/store"
	"dewline/ingest/store/storetest"
)

// shelf is the simplest engine: sorted values in memory.
type shelf struct {
	mu       sync.Mutex
	values   map[dewline.SystemID]map[dewline.Point][]dewline.Value
	reads    int
	metAtOne int   // systems of one call of Newest, at most
	fail     error // of the next Write, which keeps half of its samples
	noFlush  error
	refuse   dewline.Millis // older times are refused as too old
}

func (e *shelf) Newest(_ context.Context, ids []dewline.SystemID, yield func(dewline.Sample)) error {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.metAtOne = max(e.metAtOne, len(ids))
	for _, id := range ids {
		for p, vs := range e.values[id] {
			last := vs[len(vs)-1]
			yield(dewline.Sample{System: id, Point: p, At: last.At, Value: last.Value})
		}
	}
	return nil
}

func (e *shelf) Read(_ context.Context, id dewline.SystemID, p dewline.Point, from, to dewline.Millis, dst []dewline.Value) ([]dewline.Value, error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.reads++
	for _, v := range e.values[id][p] {
		if from <= v.At && v.At < to {
			dst = append(dst, v)
		}
	}
	return dst, nil
}

func (e *shelf) Write(_ context.Context, writes []store.Write) error {
	e.mu.Lock()
	defer e.mu.Unlock()
	fail := e.fail
	e.fail = nil
	for i := range writes {
		w := &writes[i]
		if fail != nil && i == len(writes)/2 {
			return fail
		}
		if w.At < e.refuse {
			w.TooOld = true
			continue
		}
		points := e.values[w.System]
		if points == nil {
			points = make(map[dewline.Point][]dewline.Value)
			e.values[w.System] = points
		}
		at, found := slices.BinarySearchFunc(points[w.Point], w.At, func(v dewline.Value, t dewline.Millis) int { return cmp.Compare(v.At, t) })
		if found {
			return errors.New("written twice") // the ledger promises that it is not
		}
		points[w.Point] = slices.Insert(points[w.Point], at, dewline.Value{At: w.At, Value: w.Value})
	}
	return nil
}

func (e *shelf) Flush(context.Context) error { return e.noFlush }

// readings is a ledger with the Close that an engine's package would add.
type readings struct{ *store.Ledger }

func (readings) Close() error { return nil }

func limits() store.Limits {
	return store.Limits{MaxAge: storetest.MaxAge, MaxAhead: 15 * time.Minute, Now: func() time.Time { return storetest.Now }}
}

func open(t *testing.T) (*shelf, readings) {
	e := &shelf{values: make(map[dewline.SystemID]map[dewline.Point][]dewline.Value)}
	return e, on(t, e)
}

func on(t *testing.T, e *shelf) readings {
	l, err := store.NewLedger(e, limits())
	if err != nil {
		t.Fatal(err)
	}
	return readings{l}
}

func TestConformance(t *testing.T) {
	storetest.Run(t, func(t *testing.T) storetest.Store {
		e, _ := open(t)
		return storetest.Store{
			Open:    func(t *testing.T) dewline.Readings { return on(t, e) },
			Abandon: func(t *testing.T, _ dewline.Readings) dewline.Readings { return on(t, e) },
		}
	})
}

func sample(minutesAgo int, value float64) dewline.Sample {
	return dewline.Sample{System: "quay-library/hall-ac", Point: dewline.SuctionTemp,
		At: dewline.MillisOf(storetest.Now.Add(-time.Duration(minutesAgo) * time.Minute)), Value: value}
}

// TestFailedWrite: a batch that was half written before the database failed is offered again.
func TestFailedWrite(t *testing.T) {
	e, r := open(t)
	batch := []dewline.Sample{sample(30, 1), sample(20, 2), sample(10, 3), sample(0, 4)}
	e.fail = store.ErrUnavailable
	dst := []dewline.Outcome{dewline.TooOld}
	got, err := r.Append(t.Context(), batch, dst)
	if !errors.Is(err, store.ErrUnavailable) || !slices.Equal(got, dst) {
		t.Fatalf("%v, %v", got, err)
	}
	got, err = r.Append(t.Context(), batch, nil)
	if err != nil || !slices.Equal(got, []dewline.Outcome{dewline.Repeated, dewline.Repeated, dewline.Stored, dewline.Stored}) {
		t.Fatalf("%v, %v", got, err)
	}
}

func TestFailedFlush(t *testing.T) {
	e, r := open(t)
	e.noFlush = store.ErrUnavailable
	for range 2 { // also for what stands but is not known to be durable
		if _, err := r.Append(t.Context(), []dewline.Sample{sample(0, 1)}, nil); !errors.Is(err, store.ErrUnavailable) {
			t.Fatalf("acknowledged what is not durable: %v", err)
		}
	}
	e.noFlush = nil
	if got, err := r.Append(t.Context(), []dewline.Sample{sample(0, 1)}, nil); err != nil || got[0] != dewline.Repeated {
		t.Fatalf("%v, %v", got, err)
	}
}

// TestRefusedByEngine: nothing counts as repeated that the engine did not take.
func TestRefusedByEngine(t *testing.T) {
	e, r := open(t)
	e.refuse = sample(15, 0).At
	batch := []dewline.Sample{sample(20, 1), sample(20, 1), sample(20, 2), sample(10, 3)}
	want := []dewline.Outcome{dewline.TooOld, dewline.TooOld, dewline.TooOld, dewline.Stored}
	for range 2 {
		got, err := r.Append(t.Context(), batch, nil)
		if err != nil || !slices.Equal(got, want) {
			t.Fatalf("%v, %v, want %v", got, err, want)
		}
		want[3] = dewline.Repeated
	}
}

func TestErrors(t *testing.T) {
	_, r := open(t)
	bad := sample(0, 1)
	bad.Point = dewline.Serviced
	if _, err := r.Append(t.Context(), []dewline.Sample{bad}, nil); !errors.Is(err, store.ErrInvalid) {
		t.Errorf("%v, want %v", err, store.ErrInvalid)
	}
	if _, err := r.Append(t.Context(), []dewline.Sample{sample(-16, 1)}, nil); !errors.Is(err, store.ErrFuture) {
		t.Errorf("%v, want %v", err, store.ErrFuture)
	}
	for err, retry := range map[error]bool{store.ErrInvalid: false, store.ErrFuture: true, store.ErrFull: true, store.ErrUnavailable: true} {
		if dewline.CanRetry(fmt.Errorf("wrapped: %w", err)) != retry {
			t.Errorf("%v: retry must be %v", err, retry)
		}
	}
	for _, l := range []store.Limits{{}, {MaxAge: 1, MaxAhead: 1}, {MaxAge: 1, Now: time.Now}} {
		if _, err := store.NewLedger(nil, l); err == nil {
			t.Errorf("%v is no error", l)
		}
	}
}

// TestLookUps: a live reading costs no read, a batch of repeats one per series and stretch, and
// many systems are met in pages.
func TestLookUps(t *testing.T) {
	e, r := open(t)
	var live []dewline.Sample
	for i := range 100 {
		live = append(live, sample(100-i, float64(i)))
	}
	offer := func(batch []dewline.Sample, reads int) {
		t.Helper()
		e.reads = 0
		if _, err := r.Append(t.Context(), batch, nil); err != nil || e.reads != reads {
			t.Errorf("%d reads, want %d (%v)", e.reads, reads, err)
		}
	}
	offer(live, 0)
	offer(live[99:], 0)
	offer(live, 1)
	r.Forget()
	offer([]dewline.Sample{live[3], sample(20*24*60, 1)}, 2)

	var many []dewline.Sample
	for i := range 999 {
		s := sample(0, 1)
		s.System = dewline.NewSystemID("site", "s"+string(rune('a'+i%26))+string(rune('a'+i/26%26))+string(rune('a'+i/676)))
		many = append(many, s)
	}
	offer(many, 0)
	if e.metAtOne != 50 {
		t.Errorf("%d systems met at once", e.metAtOne)
	}
}

// TestBacklog: a backlog that comes after the first live reading needs no look at the database,
// in whichever order it comes, and what is repeated of it is still found.
func TestBacklog(t *testing.T) {
	e, r := open(t)
	offer := func(want dewline.Outcome, reads int, batch ...dewline.Sample) {
		t.Helper()
		e.reads = 0
		got, err := r.Append(t.Context(), batch, nil)
		if err != nil || e.reads != reads || slices.ContainsFunc(got, func(o dewline.Outcome) bool { return o != want }) {
			t.Fatalf("%v with %d reads, want %d with %d (%v)", got, e.reads, want, reads, err)
		}
	}
	offer(dewline.Stored, 0, sample(1000, 1))
	r.Forget()
	offer(dewline.Stored, 0, sample(100, 2)) // after an outage of 15 hours
	for ago := 999; ago > 500; ago-- {
		offer(dewline.Stored, 0, sample(ago, 3))
		if ago%100 == 0 {
			offer(dewline.Stored, 0, sample(ago/10, 4)) // live, meanwhile
		}
	}
	for ago := 101; ago < 500; ago++ {
		offer(dewline.Stored, 0, sample(ago, 5))
	}
	offer(dewline.Stored, 0, sample(500, 6))
	offer(dewline.Repeated, 1, sample(999, 3))
	offer(dewline.Conflict, 1, sample(101, 3))
	offer(dewline.Repeated, 1, sample(1000, 1))
	offer(dewline.Stored, 1, sample(1001, 1)) // before what was there when the ledger was made
}

// TestNoAllocation holds the promise of the fast path.
func TestNoAllocation(t *testing.T) {
	ledger, err := store.NewLedger(nothing{}, limits())
	if err != nil {
		t.Fatal(err)
	}
	batch := make([]dewline.Sample, 1000)
	at := sample(1000, 0).At
	outcomes := make([]dewline.Outcome, 0, len(batch))
	points := dewline.Points()
	got := testing.AllocsPerRun(20, func() {
		at += 100
		for i := range batch {
			batch[i] = dewline.Sample{System: "quay-library/hall-ac", Point: points[i%10], At: at + dewline.Millis(i/10), Value: 1}
		}
		if _, err := ledger.Append(t.Context(), batch, outcomes); err != nil {
			t.Fatal(err)
		}
	})
	if got > 50 { // a few per batch (more with the race detector, which empties pools), none per sample
		t.Errorf("%v allocations for a batch of %d", got, len(batch))
	}
}

// nothing takes everything and keeps none of it.
type nothing struct{}

func (nothing) Newest(context.Context, []dewline.SystemID, func(dewline.Sample)) error { return nil }
func (nothing) Read(_ context.Context, _ dewline.SystemID, _ dewline.Point, _, _ dewline.Millis, dst []dewline.Value) ([]dewline.Value, error) {
	return dst, nil
}
func (nothing) Write(context.Context, []store.Write) error { return nil }
func (nothing) Flush(context.Context) error                { return nil }

func BenchmarkLedger(b *testing.B) {
	ledger, err := store.NewLedger(nothing{}, limits())
	if err != nil {
		b.Fatal(err)
	}
	batch := make([]dewline.Sample, 1000)
	outcomes := make([]dewline.Outcome, 0, len(batch))
	at := dewline.MillisOf(storetest.Now.Add(-30 * 24 * time.Hour))
	b.ReportAllocs()
	for b.Loop() {
		at += 1000
		for i := range batch {
			batch[i] = dewline.Sample{System: "quay-library/hall-ac", Point: dewline.Point(1 + i%10), At: at + dewline.Millis(i/10), Value: 1}
		}
		if _, err := ledger.Append(b.Context(), batch, outcomes); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(batch)), "ns/reading")
}
