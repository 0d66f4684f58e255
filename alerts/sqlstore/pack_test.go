package sqlstore

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"dewline"
)

const (
	hall = dewline.SystemID("quay-library/hall-ac")
	cold = dewline.SystemID("fish-market/cold-room")
)

var (
	midnight = dewline.MillisOf(time.Date(2031, 7, 2, 0, 0, 0, 0, time.UTC))
	dayLong  = dewline.Millis(24 * time.Hour / time.Millisecond)
)

func rollUp(system dewline.SystemID, quantity string, start dewline.Millis, mean float64) dewline.RollUp {
	return dewline.RollUp{System: system, Quantity: quantity, Start: start, Mean: mean, Min: mean - 1.5, Max: mean + 1./3, Count: 15}
}

func put(t testing.TB, s *Store, rows ...dewline.RollUp) {
	t.Helper()
	if err := s.PutRollUps(t.Context(), rows); err != nil {
		t.Fatal(err)
	}
}

func read(t testing.TB, s *Store, system dewline.SystemID, quantity string, from, to dewline.Millis) []dewline.RollUp {
	t.Helper()
	rows, err := s.ReadRollUps(t.Context(), system, []string{quantity}, from, to)
	if err != nil {
		t.Fatal(err)
	}
	return rows[0]
}

func pack(t testing.TB, s *Store, before dewline.Millis) int {
	t.Helper()
	moved, err := s.PackRollUps(t.Context(), before)
	if err != nil {
		t.Fatal(err)
	}
	return moved
}

func count(t testing.TB, s *Store, table string) (n int) {
	t.Helper()
	if err := s.reader.QueryRow(`SELECT count(*) FROM ` + table).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

// TestPackingChangesNothing does what a service does, in any order, beside a map that does the same.
func TestPackingChangesNothing(t *testing.T) {
	const days, series = 6, 5
	for seed := range uint64(2) {
		rng := rand.New(rand.NewPCG(seed, 1))
		s := openAt(t, newPlace(t), Options{})
		model := map[string]map[dewline.Millis]dewline.RollUp{}
		gone := dewline.Millis(0) // what is before was pruned
		for range 60 {
			at := midnight + dewline.Millis(rng.IntN(days*slotsADay))*spanMillis
			switch rng.IntN(8) {
			case 0:
				pack(t, s, at)
			case 1:
				if rng.IntN(4) == 0 {
					if err := s.PruneRollUps(t.Context(), at); err != nil {
						t.Fatal(err)
					}
					gone = at / dayLong * dayLong
					for _, rows := range model {
						maps.DeleteFunc(rows, func(start dewline.Millis, _ dewline.RollUp) bool { return start < gone })
					}
				}
			default:
				var rows []dewline.RollUp
				for range rng.IntN(40) {
					r := rollUp(hall, fmt.Sprint("q", rng.IntN(series)), at+dewline.Millis(rng.IntN(30))*spanMillis, float64(rng.IntN(1000))/10)
					rows = append(rows, r)
					if model[r.Quantity] == nil {
						model[r.Quantity] = map[dewline.Millis]dewline.RollUp{}
					}
					model[r.Quantity][r.Start] = r
				}
				put(t, s, rows...)
			}
			quantity := fmt.Sprint("q", rng.IntN(series))
			from := midnight + dewline.Millis(rng.IntN(days*slotsADay))*spanMillis
			to := from + dewline.Millis(rng.IntN(3*slotsADay))*spanMillis
			var want []dewline.RollUp
			for _, start := range slices.Sorted(maps.Keys(model[quantity])) {
				if from <= start && start < to {
					want = append(want, model[quantity][start])
				}
			}
			if got := read(t, s, hall, quantity, from, to); !slices.Equal(got, want) {
				t.Fatalf("seed %d: got %v\nwant %v", seed, got, want)
			}
		}
	}
}

func TestPackMovesFinishedDays(t *testing.T) { onEach(t, packMovesFinishedDays) }

func packMovesFinishedDays(t *testing.T, place string) {
	s := openAt(t, place, Options{})
	var rows []dewline.RollUp
	for i := range 2*slotsADay + 10 {
		rows = append(rows, rollUp(hall, "superheat", midnight+dewline.Millis(i)*spanMillis, float64(i)))
	}
	put(t, s, rows...)
	if moved := pack(t, s, midnight+dayLong-1); moved != 0 {
		t.Errorf("%d rows of a day that has not ended were packed", moved)
	}
	if moved := pack(t, s, midnight+2*dayLong+5*spanMillis); moved != 2*slotsADay {
		t.Errorf("%d rows were packed", moved)
	}
	if rows, days := count(t, s, "rollup_rows"), count(t, s, "rollup_days"); rows != 10 || days != 2 {
		t.Errorf("%d rows and %d days are left", rows, days)
	}
	if moved := pack(t, s, midnight+2*dayLong+5*spanMillis); moved != 0 {
		t.Errorf("%d rows were packed again", moved)
	}

	late := rollUp(hall, "superheat", midnight+spanMillis, 99)
	put(t, s, late)
	rows[1] = late
	check := func() {
		t.Helper()
		if got := read(t, s, hall, "superheat", 0, midnight+10*dayLong); !slices.Equal(got, rows) {
			t.Fatalf("got %v\nwant %v", got, rows)
		}
	}
	check() // the row stands above the packed day
	if moved := pack(t, s, midnight+2*dayLong); moved != 1 {
		t.Errorf("%d late rows were packed", moved)
	}
	check()
}

// TestPackInParts packs a day of more series than go into one transaction.
func TestPackInParts(t *testing.T) { onEach(t, packInParts) }

func packInParts(t *testing.T, place string) {
	const series = 2*packAtOnce + 7
	s := openAt(t, place, Options{})
	for i := range 20 {
		var rows []dewline.RollUp
		for j := range series {
			rows = append(rows, rollUp(dewline.SystemID(fmt.Sprint("a/s", j)), "superheat", midnight+dewline.Millis(i)*spanMillis, float64(i*j)))
		}
		put(t, s, rows...)
	}
	if moved := pack(t, s, midnight+dayLong); moved != 20*series || moved <= smallDay {
		t.Fatalf("%d rows were packed", moved)
	}
	if rows, days := count(t, s, "rollup_rows"), count(t, s, "rollup_days"); rows != 0 || days != series {
		t.Errorf("%d rows and %d days are left", rows, days)
	}
	for _, j := range []int{0, packAtOnce - 1, packAtOnce, series - 1} {
		got := read(t, s, dewline.SystemID(fmt.Sprint("a/s", j)), "superheat", 0, midnight+dayLong)
		if len(got) != 20 || got[19].Mean != float64(19*j) {
			t.Errorf("series %d has %d roll-ups: %v", j, len(got), got)
		}
	}
}

func TestPruneAndShrink(t *testing.T) {
	s := openAt(t, newPlace(t), Options{})
	empty, err := s.DiskUse(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for day := range 4 {
		for part := range 3 {
			var rows []dewline.RollUp
			for i := range 1100 {
				rows = append(rows, rollUp(dewline.SystemID(fmt.Sprint("a/s", i)), "superheat", midnight+dewline.Millis(day)*dayLong+dewline.Millis(part)*spanMillis, float64(i)/3))
			}
			put(t, s, rows...)
		}
	}
	pack(t, s, midnight+2*dayLong)
	full, err := s.DiskUse(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := s.PruneRollUps(t.Context(), midnight+3*dayLong+dayLong/2); err != nil {
		t.Fatal(err)
	}
	if rows, days := count(t, s, "rollup_rows"), count(t, s, "rollup_days"); rows != 3*1100 || days != 0 {
		t.Errorf("%d rows and %d days are left", rows, days)
	}
	pruned, err := s.DiskUse(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if pruned.Free < (full.Bytes-empty.Bytes)/4 {
		t.Errorf("of %d bytes %d are free", pruned.Bytes, pruned.Free)
	}
	if err := s.Shrink(t.Context()); err != nil {
		t.Fatal(err)
	}
	if _, err := s.writer.Exec(`PRAGMA wal_checkpoint(TRUNCATE)`); err != nil {
		t.Fatal(err)
	}
	small, err := s.DiskUse(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if small.Free != 0 || small.Bytes > full.Bytes*2/3 {
		t.Errorf("%+v became %+v", full, small)
	}
	if got := read(t, s, "a/s5", "superheat", 0, midnight+9*dayLong); len(got) != 3 || got[0] != rollUp("a/s5", "superheat", midnight+3*dayLong, 5./3) {
		t.Errorf("got %v", got)
	}
}

func TestDamagedDayIsNamed(t *testing.T) { onEach(t, damagedDayIsNamed) }

func damagedDayIsNamed(t *testing.T, place string) {
	s := openAt(t, place, Options{})
	put(t, s, rollUp(hall, "superheat", midnight, 1))
	pack(t, s, midnight+dayLong)
	if _, err := s.writer.Exec(`UPDATE rollup_days SET packed = $1`, []byte{1}); err != nil {
		t.Fatal(err)
	}
	if _, err := s.ReadRollUps(t.Context(), hall, []string{"superheat"}, 0, midnight+dayLong); dewline.CodeOf(err) != dewline.Unavailable {
		t.Errorf("got %v", err)
	}
}
