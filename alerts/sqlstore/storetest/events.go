package storetest

import (
	"testing"

	"dewline"
)

func events(t *testing.T, open Opener) {
	s := opened(t, open)
	ctx := t.Context()
	event := func(system dewline.SystemID, kind dewline.Point, at dewline.Millis, note string) dewline.Event {
		return dewline.Event{System: system, Kind: kind, At: at, Note: note}
	}
	holds := func(from, to dewline.Millis, expected ...dewline.Event) {
		t.Helper()
		got, err := s.EventsOf(ctx, hall, from, to)
		must(t, err)
		want(t, "events", got, expected)
	}
	must(t, s.RecordEvents(ctx, nil))
	holds(now, now+10)

	visit := event(hall, dewline.Serviced, now, "recharged")
	sensor := event(hall, dewline.SensorReplaced, now, "suction_temp")
	later := event(hall, dewline.Serviced, now+5, "filter")
	must(t, s.RecordEvents(ctx, []dewline.Event{later, visit, event(attic, dewline.Serviced, now, "other")}))
	must(t, s.RecordEvents(ctx, []dewline.Event{visit, sensor, visit}))
	must(t, s.RecordEvents(ctx, []dewline.Event{event(hall, dewline.Serviced, now, "not the first word")}))
	s = opened(t, open)
	holds(now, now+6, sensor, visit, later)
	holds(now, now+5, sensor, visit)
	holds(now+1, now+6, later)
	holds(now+6, now+100)

	wantCode(t, "a reading", s.RecordEvents(ctx, []dewline.Event{event(hall, dewline.SuctionTemp, now, "")}), dewline.Invalid)
	wantCode(t, "no system", s.RecordEvents(ctx, []dewline.Event{event("x", dewline.Serviced, now, "")}), dewline.Invalid)
	for i, text := range hostile {
		e := event(hall, dewline.Serviced, now+100+dewline.Millis(i), text)
		must(t, s.RecordEvents(ctx, []dewline.Event{e}))
		must(t, s.RecordEvents(ctx, []dewline.Event{e}))
		holds(e.At, e.At+1, e)
	}
}
