package storetest

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"dewline"
)

// Now is the time that the stores under test must take for the present. Tests that need another
// moment than the true one get it, so that a result never depends on the day of the test.
var Now = time.Date(2031, 7, 2, 14, 10, 0, 0, time.UTC)

// MaxAge is the age that the stores under test must take.
const MaxAge = 31 * 24 * time.Hour

// A Store is one place where readings are kept, empty when the suite gets it.
type Store struct {
	// Open opens the place; called again after Close it must find what was stored.
	Open func(t *testing.T) dewline.Readings
	// Abandon leaves an opened store as a killed process does and returns one that holds what was
	// durable then; nil where that is not possible.
	Abandon func(t *testing.T, opened dewline.Readings) dewline.Readings
}

// Run runs the suite; create is called once a test and must return an empty Store.
func Run(t *testing.T, create func(t *testing.T) Store) {
	for _, test := range []struct {
		name string
		run  func(*testing.T, *fixture)
	}{
		{"append and read back", testReadBack},
		{"order", testOrder},
		{"half-open range", testRange},
		{"kinds of value", testKinds},
		{"exact to the bit", testExact},
		{"many systems", testSystems},
		{"repeated and conflicting", testRepeated},
		{"the same within one batch", testWithinBatch},
		{"late by weeks", testLate},
		{"late, repeated and conflicting", testLateRepeated},
		{"too old", testTooOld},
		{"in the future", testFuture},
		{"newest", testNewest},
		{"what is no reading", testInvalid},
		{"cancelled", testCancelled},
		{"reopened", testReopened},
		{"abandoned", testAbandoned},
		{"same outcomes in any split", testSplit},
		{"concurrent", testConcurrent},
		{"concurrent, same readings", testContended},
	} {
		t.Run(test.name, func(t *testing.T) {
			store := create(t)
			f := &fixture{store: store, readings: store.Open(t)}
			t.Cleanup(func() {
				if err := f.readings.Close(); err != nil {
					t.Errorf("closing: %v", err)
				}
			})
			test.run(t, f)
		})
	}
}

// fixture is an opened store with the words of the tests.
type fixture struct {
	store    Store
	readings dewline.Readings
}

const hall = dewline.SystemID("quay-library/hall-ac")

// ago is the time d before Now.
func ago(d time.Duration) dewline.Millis { return dewline.MillisOf(Now.Add(-d)) }

func reading(id dewline.SystemID, p dewline.Point, at dewline.Millis, v float64) dewline.Sample {
	return dewline.Sample{System: id, Point: p, At: at, Value: v}
}

// suction is a reading of the point that most tests use.
func suction(d time.Duration, v float64) dewline.Sample {
	return reading(hall, dewline.SuctionTemp, ago(d), v)
}

// append offers a batch and checks the outcomes; one outcome stands for all samples.
func (f *fixture) append(t *testing.T, batch []dewline.Sample, want ...dewline.Outcome) {
	t.Helper()
	// What is in dst before must stay.
	got, err := f.readings.Append(t.Context(), batch, []dewline.Outcome{dewline.Conflict})
	if err != nil {
		t.Fatalf("append: %v", err)
	}
	if len(got) != len(batch)+1 || got[0] != dewline.Conflict {
		t.Fatalf("append added %d outcomes for %d samples", len(got)-1, len(batch))
	}
	for i, o := range got[1:] {
		if w := want[min(i, len(want)-1)]; o != w {
			t.Fatalf("sample %d (%v at %v = %v): %s, want %s", i, batch[i].Point, batch[i].At.Time(), batch[i].Value, name(o), name(w))
		}
	}
}

func name(o dewline.Outcome) string {
	return [...]string{"stored", "repeated", "conflict", "too old"}[o]
}

// read returns what stands in [from, to).
func (f *fixture) read(t *testing.T, id dewline.SystemID, p dewline.Point, from, to dewline.Millis) []dewline.Value {
	t.Helper()
	before := dewline.Value{At: 1, Value: 2}
	got, err := f.readings.Read(t.Context(), id, p, from, to, []dewline.Value{before})
	if err != nil {
		t.Fatalf("read: %v", err)
	}
	if len(got) == 0 || got[0] != before {
		t.Fatal("read changed what was in dst before")
	}
	return got[1:]
}

// holds checks that a system's point holds exactly want.
func (f *fixture) holds(t *testing.T, id dewline.SystemID, p dewline.Point, want ...dewline.Value) {
	t.Helper()
	got := f.read(t, id, p, ago(10*365*24*time.Hour), ago(-10*365*24*time.Hour))
	if len(got) == 0 && len(want) == 0 {
		return
	}
	if !slices.Equal(got, want) {
		t.Fatalf("%v of %s holds\n%s\nwant\n%s", p, id, list(got), list(want))
	}
}

func list(values []dewline.Value) string {
	if len(values) > 20 {
		return fmt.Sprintf("%d values", len(values))
	}
	var text string
	for _, v := range values {
		text += fmt.Sprintf("  %s %v\n", v.At.Time().Format(time.RFC3339Nano), v.Value)
	}
	return text
}

// values returns the times and values of samples, in the order of time.
func values(samples []dewline.Sample) []dewline.Value {
	var vs []dewline.Value
	for _, s := range samples {
		vs = append(vs, dewline.Value{At: s.At, Value: s.Value})
	}
	slices.SortFunc(vs, func(a, b dewline.Value) int { return int(a.At - b.At) })
	return vs
}

func testReadBack(t *testing.T, f *fixture) {
	batch := []dewline.Sample{
		suction(2*time.Minute, 8.25),
		reading(hall, dewline.SuctionPressure, ago(2*time.Minute), 812_345.6),
		suction(time.Minute, 8.5),
	}
	f.append(t, batch, dewline.Stored)
	f.append(t, nil)
	f.holds(t, hall, dewline.SuctionTemp, values([]dewline.Sample{batch[0], batch[2]})...)
	f.holds(t, hall, dewline.SuctionPressure, values(batch[1:2])...)
	f.holds(t, hall, dewline.LiquidTemp)
	f.holds(t, "quay-library/nothing-here", dewline.SuctionTemp)
}

func testOrder(t *testing.T, f *fixture) {
	var all []dewline.Sample
	for i := range 500 {
		all = append(all, suction(time.Duration(i)*7*time.Second, float64(i)))
	}
	rand.New(rand.NewPCG(1, 2)).Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	for part := range slices.Chunk(all, 37) {
		f.append(t, part, dewline.Stored)
	}
	f.holds(t, hall, dewline.SuctionTemp, values(all)...)
}

func testRange(t *testing.T, f *fixture) {
	f.append(t, []dewline.Sample{suction(3*time.Second, 1), suction(2*time.Second, 2), suction(time.Second, 3)}, dewline.Stored)
	at := func(d time.Duration) dewline.Millis { return ago(d) }
	for _, test := range []struct {
		from, to dewline.Millis
		want     int
	}{
		{at(3 * time.Second), at(time.Second), 2},
		{at(3 * time.Second), at(time.Second) + 1, 3},
		{at(3*time.Second) + 1, at(time.Second), 1},
		{at(2 * time.Second), at(2*time.Second) + 1, 1},
		{at(2 * time.Second), at(2 * time.Second), 0},
		{at(time.Second), at(3 * time.Second), 0},
		{0, at(3 * time.Second), 0},
		{math.MinInt64, math.MaxInt64, 3},
	} {
		if got := f.read(t, hall, dewline.SuctionTemp, test.from, test.to); len(got) != test.want {
			t.Errorf("[%d, %d) holds %d values, want %d", test.from, test.to, len(got), test.want)
		}
	}
}

func testKinds(t *testing.T, f *fixture) {
	var all []dewline.Sample
	for _, p := range dewline.Points() {
		switch p.Dimension() {
		case dewline.EventText:
		case dewline.Boolean:
			all = append(all, reading(hall, p, ago(time.Minute), 0), reading(hall, p, ago(0), 1))
		case dewline.ModeValue:
			for m := dewline.ModeOff; m <= dewline.ModeDefrost; m++ {
				all = append(all, reading(hall, p, ago(time.Minute-time.Duration(m)*time.Second), float64(m)))
			}
		default:
			all = append(all, reading(hall, p, ago(time.Minute), -12.75), reading(hall, p, ago(0), 101_325))
		}
	}
	f.append(t, all, dewline.Stored)
	f.append(t, all, dewline.Repeated)
	for _, p := range dewline.Points() {
		of := slices.DeleteFunc(slices.Clone(all), func(s dewline.Sample) bool { return s.Point != p })
		if p.Dimension() != dewline.EventText {
			f.holds(t, hall, p, values(of)...)
		}
	}
}

func testExact(t *testing.T, f *fixture) {
	exact := []float64{
		0, math.Copysign(0, -1), 1, -1, 0.1, -0.1, 1.0 / 3, math.Pi, 1e-7, 1e21, 1e22, 123456789.123456789,
		math.MaxFloat64, -math.MaxFloat64, math.SmallestNonzeroFloat64, -math.SmallestNonzeroFloat64,
		0x1p-1022, math.Nextafter(1, 2), math.Nextafter(300, 0), 1 << 53, 1<<53 + 2,
	}
	var batch []dewline.Sample
	for i, v := range exact {
		batch = append(batch, reading(hall, dewline.LiquidPressure, ago(time.Hour)+dewline.Millis(i), v))
	}
	f.append(t, batch, dewline.Stored)
	f.append(t, batch, dewline.Repeated)
	got := f.read(t, hall, dewline.LiquidPressure, ago(2*time.Hour), ago(0))
	if len(got) != len(exact) {
		t.Fatalf("%d values of %d", len(got), len(exact))
	}
	for i, v := range got {
		if math.Float64bits(v.Value) != math.Float64bits(exact[i]) {
			t.Errorf("%v came back as %v", exact[i], v.Value)
		}
	}
	// A zero is one value, however its sign was written.
	f.append(t, []dewline.Sample{reading(hall, dewline.LiquidPressure, batch[0].At, math.Copysign(0, -1))}, dewline.Repeated)
	f.append(t, []dewline.Sample{reading(hall, dewline.LiquidPressure, batch[11].At, math.Nextafter(exact[11], 0))}, dewline.Conflict)
}

func testSystems(t *testing.T, f *fixture) {
	var all []dewline.Sample
	id := func(i int) dewline.SystemID {
		return dewline.NewSystemID(fmt.Sprintf("site-%d", i%17), fmt.Sprintf("s%d", i))
	}
	for i := range 400 {
		all = append(all,
			reading(id(i), dewline.SuctionTemp, ago(0), float64(i)),
			reading(id(i), dewline.CompressorOn, ago(0), float64(i%2)))
	}
	f.append(t, all, dewline.Stored)
	f.append(t, all, dewline.Repeated)
	for _, i := range []int{0, 1, 16, 17, 399} {
		f.holds(t, id(i), dewline.SuctionTemp, dewline.Value{At: ago(0), Value: float64(i)})
		f.holds(t, id(i), dewline.CompressorOn, dewline.Value{At: ago(0), Value: float64(i % 2)})
	}
	// A name that begins like another is another.
	f.holds(t, "site-1/s", dewline.SuctionTemp)
	f.holds(t, "site-0/s0-0", dewline.SuctionTemp)
}

func testRepeated(t *testing.T, f *fixture) {
	first := []dewline.Sample{suction(3*time.Minute, 1), suction(2*time.Minute, 2), suction(time.Minute, 3)}
	f.append(t, first, dewline.Stored)
	f.append(t, first, dewline.Repeated)
	other := slices.Clone(first)
	for i := range other {
		other[i].Value += 0.5
	}
	f.append(t, other, dewline.Conflict)
	f.append(t, append(other, suction(0, 4)), dewline.Conflict, dewline.Conflict, dewline.Conflict, dewline.Stored)
	f.append(t, first, dewline.Repeated)
	f.holds(t, hall, dewline.SuctionTemp, values(append(first, suction(0, 4)))...)
}

func testWithinBatch(t *testing.T, f *fixture) {
	f.append(t, []dewline.Sample{suction(time.Hour, 1)}, dewline.Stored)
	batch := []dewline.Sample{
		suction(time.Minute, 10), suction(time.Minute, 10), suction(time.Minute, 11), // at the newest time
		suction(0, 12),
		suction(time.Minute, 10), suction(time.Minute, 11), // behind the newest time
		suction(30*time.Minute, 13), suction(30*time.Minute, 13), suction(30*time.Minute, 14), // between
		suction(time.Hour, 1), suction(time.Hour, 2), // stored before
	}
	f.append(t, batch,
		dewline.Stored, dewline.Repeated, dewline.Conflict,
		dewline.Stored,
		dewline.Repeated, dewline.Conflict,
		dewline.Stored, dewline.Repeated, dewline.Conflict,
		dewline.Repeated, dewline.Conflict)
	f.holds(t, hall, dewline.SuctionTemp, values([]dewline.Sample{suction(time.Hour, 1), suction(30*time.Minute, 13), suction(time.Minute, 10), suction(0, 12)})...)
}

func testLate(t *testing.T, f *fixture) {
	live := []dewline.Sample{suction(time.Minute, 1), suction(0, 2)}
	f.append(t, live, dewline.Stored)
	// A gateway's backlog, oldest first, of a system that is live again and of one that is not.
	var backlog []dewline.Sample
	for d := 20 * 24 * time.Hour; d > time.Hour; d -= 2 * time.Hour {
		backlog = append(backlog, suction(d, d.Hours()), reading("quay-library/other", dewline.SuctionTemp, ago(d), d.Hours()))
	}
	for part := range slices.Chunk(backlog, 100) {
		f.append(t, part, dewline.Stored)
	}
	slices.Reverse(backlog) // and older still, newest first
	for d := 21 * 24 * time.Hour; d < 30*24*time.Hour; d += 3 * time.Hour {
		older := suction(d, d.Hours())
		f.append(t, []dewline.Sample{older}, dewline.Stored)
		backlog = append(backlog, older)
	}
	of := func(id dewline.SystemID) []dewline.Sample {
		return slices.DeleteFunc(slices.Clone(backlog), func(s dewline.Sample) bool { return s.System != id })
	}
	f.holds(t, hall, dewline.SuctionTemp, values(append(of(hall), live...))...)
	f.holds(t, "quay-library/other", dewline.SuctionTemp, values(of("quay-library/other"))...)
}

func testLateRepeated(t *testing.T, f *fixture) {
	f.append(t, []dewline.Sample{suction(0, 1)}, dewline.Stored)
	late := []dewline.Sample{suction(20*24*time.Hour, 5), suction(19*24*time.Hour, 6), suction(90*time.Minute, 7), suction(time.Second, 8)}
	f.append(t, late, dewline.Stored)
	f.append(t, late, dewline.Repeated)
	other := slices.Clone(late)
	for i := range other {
		other[i].Value = -1
	}
	f.append(t, other, dewline.Conflict)
	f.append(t, []dewline.Sample{late[1], other[0], suction(18*24*time.Hour, 9), other[2], late[3]},
		dewline.Repeated, dewline.Conflict, dewline.Stored, dewline.Conflict, dewline.Repeated)
	f.holds(t, hall, dewline.SuctionTemp, values(append(late, suction(0, 1), suction(18*24*time.Hour, 9)))...)
}

func testTooOld(t *testing.T, f *fixture) {
	batch := []dewline.Sample{suction(MaxAge+time.Minute, 1), suction(MaxAge-time.Minute, 2), suction(0, 3), suction(2*MaxAge, 4)}
	f.append(t, batch, dewline.TooOld, dewline.Stored, dewline.Stored, dewline.TooOld)
	f.append(t, batch, dewline.TooOld, dewline.Repeated, dewline.Repeated, dewline.TooOld)
	f.holds(t, hall, dewline.SuctionTemp, values(batch[1:3])...)
}

func testFuture(t *testing.T, f *fixture) {
	f.append(t, []dewline.Sample{suction(-10*time.Minute, 1)}, dewline.Stored) // what ingest lets pass
	if _, err := f.readings.Append(t.Context(), []dewline.Sample{suction(0, 2), suction(-365*24*time.Hour, 3)}, nil); err == nil {
		t.Fatal("a reading of next year was taken")
	}
	// It has not made the present too old.
	f.append(t, []dewline.Sample{suction(0, 2)}, dewline.Stored)
	f.holds(t, hall, dewline.SuctionTemp, values([]dewline.Sample{suction(0, 2), suction(-10*time.Minute, 1)})...)
}

func testNewest(t *testing.T, f *fixture) {
	f.newest(t, hall)
	f.append(t, []dewline.Sample{
		suction(time.Minute, 1),
		reading(hall, dewline.SuctionPressure, ago(25*24*time.Hour), 800_000),
		reading(hall, dewline.CompressorOn, ago(3*time.Hour), 1),
		reading("quay-library/hall-ac-2", dewline.SuctionTemp, ago(0), 99),
		suction(2*time.Minute, 2),
	}, dewline.Stored)
	want := []dewline.Sample{
		reading(hall, dewline.SuctionPressure, ago(25*24*time.Hour), 800_000),
		suction(time.Minute, 1),
		reading(hall, dewline.CompressorOn, ago(3*time.Hour), 1),
	}
	f.newest(t, hall, want...)
	f.reopen(t)
	f.newest(t, hall, want...)
	f.append(t, []dewline.Sample{reading(hall, dewline.SuctionPressure, ago(26*24*time.Hour), 1)}, dewline.Stored)
	f.newest(t, hall, want...)
	f.append(t, []dewline.Sample{reading(hall, dewline.SuctionPressure, ago(24*24*time.Hour), 2)}, dewline.Stored)
	want[0] = reading(hall, dewline.SuctionPressure, ago(24*24*time.Hour), 2)
	f.newest(t, hall, want...)
}

func (f *fixture) newest(t *testing.T, id dewline.SystemID, want ...dewline.Sample) {
	t.Helper()
	got, err := f.readings.Newest(t.Context(), id)
	if err != nil {
		t.Fatalf("newest: %v", err)
	}
	if len(got)+len(want) > 0 && !slices.Equal(got, want) {
		t.Fatalf("newest of %s: %v, want %v", id, got, want)
	}
}

func testInvalid(t *testing.T, f *fixture) {
	good := suction(0, 1)
	for name, bad := range map[string]dewline.Sample{
		"no system":      {Point: dewline.SuctionTemp, At: ago(0)},
		"no site":        reading("hall-ac", dewline.SuctionTemp, ago(0), 1),
		"query":          reading(`quay-library/" or true or "`, dewline.SuctionTemp, ago(0), 1),
		"line":           reading("quay-library/a,b=c d=1", dewline.SuctionTemp, ago(0), 1),
		"no point":       reading(hall, 0, ago(0), 1),
		"unknown point":  reading(hall, 255, ago(0), 1),
		"event":          reading(hall, dewline.Serviced, ago(0), 1),
		"not a number":   suction(0, math.NaN()),
		"infinite":       suction(0, math.Inf(1)),
		"minus infinite": suction(0, math.Inf(-1)),
	} {
		if _, err := f.readings.Append(t.Context(), []dewline.Sample{good, bad}, nil); err == nil {
			t.Errorf("%s: was taken", name)
		}
	}
	for _, id := range []dewline.SystemID{"", "hall-ac", `quay-library/" or true or "`} {
		if _, err := f.readings.Read(t.Context(), id, dewline.SuctionTemp, 0, ago(0), nil); err == nil {
			t.Errorf("%q was read", id)
		}
		if _, err := f.readings.Newest(t.Context(), id); err == nil {
			t.Errorf("%q has a newest reading", id)
		}
	}
	// A batch that is refused leaves nothing behind.
	f.append(t, []dewline.Sample{good}, dewline.Stored)
}

func testCancelled(t *testing.T, f *fixture) {
	f.append(t, []dewline.Sample{suction(time.Minute, 1)}, dewline.Stored)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := f.readings.Append(ctx, []dewline.Sample{suction(0, 2)}, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("append: %v, want %v", err, context.Canceled)
	}
	if _, err := f.readings.Read(ctx, hall, dewline.SuctionTemp, 0, ago(0), nil); !errors.Is(err, context.Canceled) {
		t.Errorf("read: %v, want %v", err, context.Canceled)
	}
	if _, err := f.readings.Newest(ctx, hall); !errors.Is(err, context.Canceled) {
		t.Errorf("newest: %v, want %v", err, context.Canceled)
	}
	f.append(t, []dewline.Sample{suction(0, 2)}, dewline.Stored)
}

// reopen closes the store and opens it again.
func (f *fixture) reopen(t *testing.T) {
	t.Helper()
	if err := f.readings.Close(); err != nil {
		t.Fatalf("closing: %v", err)
	}
	f.readings = f.store.Open(t)
}

// history is a mixture of all that happens: live, late by weeks, in the wrong order.
func history() []dewline.Sample {
	var all []dewline.Sample
	for d := 2 * time.Hour; d >= 0; d -= time.Minute {
		all = append(all, suction(d, d.Minutes()), reading(hall, dewline.SuctionPressure, ago(d), 8e5+d.Seconds()))
	}
	for d := 20 * 24 * time.Hour; d > 20*24*time.Hour-4*time.Hour; d -= 2 * time.Minute {
		all = append(all, suction(d, d.Minutes()), reading(hall, dewline.CompressorOn, ago(d), 1))
	}
	return append(all, suction(30*24*time.Hour, 1), suction(10*24*time.Hour, 2))
}

func (f *fixture) holdsHistory(t *testing.T, all []dewline.Sample) {
	t.Helper()
	for _, p := range []dewline.Point{dewline.SuctionTemp, dewline.SuctionPressure, dewline.CompressorOn} {
		of := slices.DeleteFunc(slices.Clone(all), func(s dewline.Sample) bool { return s.Point != p })
		f.holds(t, hall, p, values(of)...)
	}
	f.append(t, all, dewline.Repeated)
}

func testReopened(t *testing.T, f *fixture) {
	all := history()
	for part := range slices.Chunk(all, 50) {
		f.append(t, part, dewline.Stored)
	}
	f.reopen(t)
	f.holdsHistory(t, all)
	more := []dewline.Sample{suction(-time.Minute, 1), suction(29*24*time.Hour, 2)}
	f.append(t, more, dewline.Stored)
	f.reopen(t)
	f.holdsHistory(t, append(all, more...))
}

func testAbandoned(t *testing.T, f *fixture) {
	if f.store.Abandon == nil {
		t.Log("not possible with this store")
		return
	}
	all := history()
	for part := range slices.Chunk(all, 50) {
		f.append(t, part, dewline.Stored)
	}
	f.readings = f.store.Abandon(t, f.readings)
	f.holdsHistory(t, all)
	f.append(t, []dewline.Sample{suction(-time.Minute, 1)}, dewline.Stored)
}

// testSplit offers one stream of readings with repeats and conflicts in random batches: what
// stands and how often each outcome was given does not depend on the split.
func testSplit(t *testing.T, f *fixture) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	id := func(i int) dewline.SystemID { return dewline.SystemID(fmt.Sprintf("split/s%d", i)) }
	const systems = 3
	first := make(map[dewline.Sample]float64) // by sample without its value
	var stream []dewline.Sample
	var want []dewline.Outcome
	at := ago(40 * time.Hour)
	for range 1500 {
		at += dewline.Millis(rng.IntN(120_000)) // now and then two of one time
		s := reading(id(rng.IntN(systems)), dewline.SuctionTemp, at, float64(rng.IntN(3)))
		if rng.IntN(4) == 0 { // from before, as a repeat, a conflict or late
			s.At -= dewline.Millis(rng.IntN(3_600_000))
			if len(stream) > 0 && rng.IntN(2) == 0 {
				s = stream[rng.IntN(len(stream))]
				s.Value = float64(rng.IntN(3))
			}
		}
		key := s
		key.Value = 0
		standing, ok := first[key]
		switch {
		case !ok:
			first[key] = s.Value
			want = append(want, dewline.Stored)
		case standing == s.Value:
			want = append(want, dewline.Repeated)
		default:
			want = append(want, dewline.Conflict)
		}
		stream = append(stream, s)
	}
	for rest := stream; len(rest) > 0; {
		n := min(1+rng.IntN(200), len(rest))
		f.append(t, rest[:n], want[:n]...)
		rest, want = rest[n:], want[n:]
	}
	for i := range systems {
		var stands []dewline.Sample
		for s, v := range first {
			if s.System == id(i) {
				s.Value = v
				stands = append(stands, s)
			}
		}
		f.holds(t, id(i), dewline.SuctionTemp, values(stands)...)
	}
}

func testConcurrent(t *testing.T, f *fixture) {
	id := func(i int) dewline.SystemID { return dewline.SystemID(fmt.Sprintf("busy/s%d", i)) }
	var wg sync.WaitGroup
	for i := range 6 {
		wg.Go(func() {
			for n := range 20 {
				at := ago(time.Hour) + dewline.Millis(n*1000)
				batch := []dewline.Sample{reading(id(i), dewline.SuctionTemp, at, float64(n)), reading(id(i), dewline.LiquidTemp, at, float64(n))}
				if _, err := f.readings.Append(t.Context(), batch, nil); err != nil {
					t.Errorf("append: %v", err)
				}
				if got, err := f.readings.Read(t.Context(), id(i), dewline.SuctionTemp, ago(2*time.Hour), ago(0), nil); err != nil || len(got) != n+1 {
					t.Errorf("read %d values after %d appends (%v)", len(got), n+1, err)
				}
				if got, err := f.readings.Newest(t.Context(), id((i+1)%6)); err != nil || len(got) > 2 {
					t.Errorf("newest: %v, %v", got, err)
				}
			}
		})
	}
	wg.Wait()
	for i := range 6 {
		f.newest(t, id(i),
			reading(id(i), dewline.SuctionTemp, ago(time.Hour)+19_000, 19),
			reading(id(i), dewline.LiquidTemp, ago(time.Hour)+19_000, 19))
	}
}

// testContended lets many offer the same readings at once, as a broker does that delivers twice.
func testContended(t *testing.T, f *fixture) {
	const writers, rounds = 6, 15
	var stored, repeated atomic.Int64
	var wg sync.WaitGroup
	for range writers {
		wg.Go(func() {
			for n := range rounds {
				batch := []dewline.Sample{suction(time.Hour-time.Duration(n)*time.Second, float64(n)), suction(10*time.Hour+time.Duration(n)*time.Second, float64(n))}
				got, err := f.readings.Append(t.Context(), batch, nil)
				if err != nil {
					t.Errorf("append: %v", err)
				}
				for _, o := range got {
					switch o {
					case dewline.Stored:
						stored.Add(1)
					case dewline.Repeated:
						repeated.Add(1)
					}
				}
			}
		})
	}
	wg.Wait()
	if stored.Load() != 2*rounds || repeated.Load() != 2*rounds*(writers-1) {
		t.Errorf("%d stored and %d repeated, want %d and %d", stored.Load(), repeated.Load(), 2*rounds, 2*rounds*(writers-1))
	}
	if got := f.read(t, hall, dewline.SuctionTemp, ago(24*time.Hour), ago(0)); len(got) != 2*rounds {
		t.Errorf("%d values stand, want %d", len(got), 2*rounds)
	}
}
