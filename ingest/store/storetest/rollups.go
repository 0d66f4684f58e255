package storetest

import (
	"slices"
	"testing"
	"time"

	"dewline"
)

// RunRollUps is the suite for stores of roll-ups; open must return an empty one that is closed by
// the test that owns it.
func RunRollUps(t *testing.T, open func(t *testing.T) dewline.RollUps) {
	row := func(id dewline.SystemID, quantity string, start dewline.Millis, mean float64) dewline.RollUp {
		return dewline.RollUp{System: id, Quantity: quantity, Start: start, Mean: mean, Min: mean - 1, Max: mean + 1, Count: 15}
	}
	start := dewline.MillisOf(Now.Truncate(dewline.RollUpSpan))
	put := func(t *testing.T, store dewline.RollUps, rows ...dewline.RollUp) {
		t.Helper()
		if err := store.PutRollUps(t.Context(), rows); err != nil {
			t.Fatalf("put: %v", err)
		}
	}
	holds := func(t *testing.T, store dewline.RollUps, from, to dewline.Millis, want ...dewline.RollUp) {
		t.Helper()
		got, err := store.ReadRollUps(t.Context(), hall, "superheat", from, to)
		if err != nil {
			t.Fatalf("read: %v", err)
		}
		if len(got)+len(want) > 0 && !slices.Equal(got, want) {
			t.Fatalf("got %v, want %v", got, want)
		}
	}
	span := dewline.Millis(dewline.RollUpSpan.Milliseconds())

	t.Run("half-open range, in order", func(t *testing.T) {
		store := open(t)
		rows := []dewline.RollUp{row(hall, "superheat", start, 5), row(hall, "superheat", start+span, 6), row(hall, "superheat", start+2*span, 7)}
		put(t, store)
		put(t, store, rows[2], rows[0], rows[1])
		put(t, store, row(hall, "subcooling", start, 1), row("quay-library/other", "superheat", start, 2))
		holds(t, store, start, start+3*span, rows...)
		holds(t, store, start, start+2*span, rows[:2]...)
		holds(t, store, start+1, start+2*span+1, rows[1:]...)
		holds(t, store, start+span, start+span)
	})
	t.Run("late data replace", func(t *testing.T) {
		store := open(t)
		of := func(readings ...float64) dewline.RollUp {
			r := dewline.RollUp{System: hall, Quantity: "superheat", Start: start, Min: slices.Min(readings), Max: slices.Max(readings), Count: len(readings)}
			for _, v := range readings {
				r.Mean += v / float64(len(readings))
			}
			return r
		}
		put(t, store, of(5, 6, 7))
		put(t, store, of(5, 6, 7, 10)) // one came late
		holds(t, store, start, start+span, of(5, 6, 7, 10))
		put(t, store, of(5, 6, 7, 10), of(1)) // the last of one batch stands
		holds(t, store, start, start+span, of(1))
	})
	t.Run("a year", func(t *testing.T) {
		store := open(t)
		var rows []dewline.RollUp
		for i := range int(365 * 24 * time.Hour / dewline.RollUpSpan) {
			rows = append(rows, row(hall, "superheat", start+dewline.Millis(i)*span, float64(i%20)))
		}
		put(t, store, rows...)
		holds(t, store, start, start+dewline.Millis(len(rows))*span, rows...)
	})
}
