package storetest

import (
	"math"
	"slices"
	"testing"
	"time"

	"dewline"
)

const span = dewline.Millis(dewline.RollUpSpan / time.Millisecond)

var quarter = now - now%span // a time that a roll-up begins at

func rollUp(system dewline.SystemID, quantity string, start dewline.Millis, mean float64) dewline.RollUp {
	return dewline.RollUp{System: system, Quantity: quantity, Start: start, Mean: mean, Min: mean - 0.1, Max: mean + math.Pi, Count: 15}
}

func wantRollUps(t *testing.T, s Store, system dewline.SystemID, quantity string, from, to dewline.Millis, expected ...dewline.RollUp) {
	t.Helper()
	all, err := s.ReadRollUps(t.Context(), system, []string{quantity}, from, to)
	must(t, err)
	got := all[0]
	if len(got)+len(expected) > 0 && !slices.Equal(got, expected) {
		t.Fatalf("got %d: %.300v\nwant %d: %.300v", len(got), got, len(expected), expected)
	}
}

func rollUps(t *testing.T, open Opener) {
	s := opened(t, open)
	put := func(rows ...dewline.RollUp) {
		t.Helper()
		must(t, s.PutRollUps(t.Context(), rows))
	}
	put()
	rows := []dewline.RollUp{rollUp(hall, "superheat", quarter, 5.25), rollUp(hall, "superheat", quarter+span, 1./3), rollUp(hall, "superheat", quarter+2*span, -7)}
	put(rows[2], rows[0], rows[1])
	put(rollUp(hall, "subcooling", quarter, 1), rollUp(attic, "superheat", quarter, 2))
	const always = dewline.Millis(math.MaxInt64)
	for range 2 {
		wantRollUps(t, s, hall, "superheat", quarter, quarter+3*span, rows...)
		wantRollUps(t, s, hall, "superheat", quarter, quarter+2*span, rows[:2]...)
		wantRollUps(t, s, hall, "superheat", quarter+1, quarter+2*span+1, rows[1:]...)
		wantRollUps(t, s, hall, "superheat", quarter+span, quarter+span)
		wantRollUps(t, s, hall, "superheat", quarter+span, quarter)
		wantRollUps(t, s, hall, "superheat", -always, always, rows...)
		wantRollUps(t, s, attic, "superheat", 0, always, rollUp(attic, "superheat", quarter, 2))
		wantRollUps(t, s, attic, "subcooling", 0, always)
		wantRollUps(t, s, hall, "' OR 1=1 --", 0, always)
		s = opened(t, open)
	}

	put(rollUp(hall, "superheat", quarter+span, 8), rollUp(hall, "superheat", quarter+span, 9)) // late data
	rows[1] = rollUp(hall, "superheat", quarter+span, 9)
	wantRollUps(t, s, hall, "superheat", 0, always, rows...)
	whole := dewline.RollUp{System: hall, Quantity: "mode", Start: 0, Mean: 1, Min: 1, Max: 1, Count: 0}
	put(whole)
	wantRollUps(t, s, hall, "mode", 0, always, whole)
	for _, text := range hostile {
		put(rollUp(hall, text, quarter, 3))
		wantRollUps(t, s, hall, text, 0, always, rollUp(hall, text, quarter, 3))
	}
}

func rollUpsYear(t *testing.T, open Opener) {
	s := opened(t, open)
	var year, other []dewline.RollUp
	for i := 0; i < 365*96; i += 10 { // with gaps, and fast enough under the race detector
		year = append(year, rollUp(hall, "superheat", quarter+dewline.Millis(i)*span, float64(i%20)))
		if i%100 == 0 {
			other = append(other, rollUp(attic, "superheat", quarter+dewline.Millis(i)*span, float64(i)))
		}
	}
	for rows := range slices.Chunk(year, 1000) {
		must(t, s.PutRollUps(t.Context(), rows))
	}
	must(t, s.PutRollUps(t.Context(), other))
	end := quarter + 365*96*span
	wantRollUps(t, s, hall, "superheat", quarter, end, year...)
	wantRollUps(t, s, attic, "superheat", quarter, end, other...)
	wantRollUps(t, s, hall, "superheat", quarter+10_000*span, quarter+15_000*span, year[1000:1500]...)
}

func rollUpsRefused(t *testing.T, open Opener) {
	s := opened(t, open)
	good := rollUp(hall, "superheat", quarter, 5)
	for name, spoil := range map[string]func(*dewline.RollUp){
		"askew":    func(r *dewline.RollUp) { r.Start++ },
		"too soon": func(r *dewline.RollUp) { r.Start = -span },
		"too late": func(r *dewline.RollUp) { r.Start = math.MaxInt64 / span * span },
		"mean":     func(r *dewline.RollUp) { r.Mean = math.NaN() },
		"min":      func(r *dewline.RollUp) { r.Min = math.Inf(-1) },
		"max":      func(r *dewline.RollUp) { r.Max = math.Inf(1) },
	} {
		bad := rollUp(hall, "superheat", quarter+span, 6)
		spoil(&bad)
		wantCode(t, name, s.PutRollUps(t.Context(), []dewline.RollUp{good, bad}), dewline.Invalid)
		wantRollUps(t, s, hall, "superheat", 0, math.MaxInt64) // the good one beside it is not there either
	}
	must(t, s.PutRollUps(t.Context(), []dewline.RollUp{good}))
	wantRollUps(t, s, hall, "superheat", 0, math.MaxInt64, good)
}
