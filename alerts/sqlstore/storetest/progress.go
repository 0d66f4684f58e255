package storetest

import (
	"errors"
	"fmt"
	"testing"

	"dewline"
)

// loaded returns the states as text, so that they can be compared.
func loaded(t *testing.T, s Store, version int) (states string, watermark dewline.Millis) {
	t.Helper()
	watermark, err := s.LoadProgress(t.Context(), version, func(id dewline.SystemID, state []byte) error {
		states += fmt.Sprintf("%s=%x ", id, state)
		return nil
	})
	must(t, err)
	return states, watermark
}

func progress(t *testing.T, open Opener) {
	s := opened(t, open)
	ctx := t.Context()
	holds := func(what string, version int, states string, watermark dewline.Millis) {
		t.Helper()
		gotStates, gotWatermark := loaded(t, s, version)
		want(t, what, gotStates, states)
		want(t, what, gotWatermark, watermark)
	}
	holds("nothing", 1, "", 0)
	save := func(version int, watermark dewline.Millis, states map[dewline.SystemID][]byte) {
		t.Helper()
		must(t, s.SaveProgress(ctx, dewline.Progress{Version: version, Watermark: watermark, States: states}))
	}
	save(1, now, map[dewline.SystemID][]byte{hall: {0, 1, 255}, attic: {}, cold: {7}})
	holds("all", 1, "fish-market/cold-room=07 quay-library/attic-ac= quay-library/hall-ac=0001ff ", now)
	save(1, now+1, map[dewline.SystemID][]byte{attic: {2}, cold: nil})
	save(1, now+2, nil)
	s = opened(t, open)
	holds("some changed", 1, "quay-library/attic-ac=02 quay-library/hall-ac=0001ff ", now+2)
	holds("another version", 2, "", 0)
	save(2, now+3, map[dewline.SystemID][]byte{cold: {9}})
	holds("the new version", 2, "fish-market/cold-room=09 ", now+3)
	holds("the old version", 1, "", 0)

	stop := errors.New("stop")
	_, err := s.LoadProgress(ctx, 2, func(dewline.SystemID, []byte) error { return stop })
	if !errors.Is(err, stop) {
		t.Errorf("got %v, want what the caller said", err)
	}
	big := make([]byte, 300<<10)
	for i := range big {
		big[i] = byte(i * 7)
	}
	save(2, now+4, map[dewline.SystemID][]byte{cold: big})
	holds("a big one", 2, fmt.Sprintf("fish-market/cold-room=%x ", big), now+4)
}

// progressWhole breaks SaveProgress in each of its parts, and nothing of the others may stay.
func progressWhole(t *testing.T, open Opener) {
	s := opened(t, open)
	ctx := t.Context()
	whole := func(n int) dewline.Progress {
		a := alert(hall, dewline.Overfeed, now)
		a.Detected += dewline.Millis(n)
		return dewline.Progress{
			Version: 1, Watermark: now + dewline.Millis(n), States: map[dewline.SystemID][]byte{hall: {byte(n)}},
			RollUps: []dewline.RollUp{rollUp(hall, "superheat", quarter, float64(n))},
			Alerts:  []dewline.AlertChange{{Change: dewline.Change{By: dewline.ByDewline, At: now, Why: fmt.Sprint(n)}, Alert: a}},
		}
	}
	holds := func(n int) {
		t.Helper()
		states, watermark := loaded(t, s, 1)
		want(t, "states", states, fmt.Sprintf("%s=%02x ", hall, n))
		want(t, "watermark", watermark, now+dewline.Millis(n))
		wantRollUps(t, s, hall, "superheat", quarter, quarter+span, rollUp(hall, "superheat", quarter, float64(n)))
		page, err := s.AlertsIn(ctx, dewline.AlertFilter{})
		must(t, err)
		want(t, "alerts", page.Alerts, []dewline.Alert{whole(n).Alerts[0].Alert})
		history, err := s.AlertHistory(ctx, page.Alerts[0].ID)
		must(t, err)
		want(t, "history", len(history), n)
	}
	must(t, s.SaveProgress(ctx, whole(1)))
	holds(1)
	bad := whole(2)
	bad.Alerts[0].Alert.Severity = ""
	wantCode(t, "a bad alert", s.SaveProgress(ctx, bad), dewline.Invalid)
	holds(1)
	bad = whole(2)
	bad.RollUps = append(bad.RollUps, rollUp(cold, "new series", quarter+1, 0))
	wantCode(t, "a bad roll-up", s.SaveProgress(ctx, bad), dewline.Invalid)
	holds(1)
	must(t, s.PutRollUps(ctx, []dewline.RollUp{rollUp(cold, "another", quarter, 4), rollUp(cold, "new series", quarter, 5)}))
	wantRollUps(t, s, cold, "another", quarter, quarter+span, rollUp(cold, "another", quarter, 4))
	wantRollUps(t, s, cold, "new series", quarter, quarter+span, rollUp(cold, "new series", quarter, 5))
	must(t, s.SaveProgress(ctx, whole(2)))
	holds(2)
}
