package storetest

import (
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"testing"

	"dewline"
)

// alert is an open alert that needs every digit of its numbers to come back.
func alert(system dewline.SystemID, cause dewline.Fault, onset dewline.Millis) dewline.Alert {
	return dewline.Alert{
		ID: dewline.AlertID(system, cause, onset), Site: system.Site(), System: system, Systems: []dewline.SystemID{system},
		Condition: dewline.Flooding, Conditions: []dewline.Condition{dewline.Flooding, dewline.HighHead},
		Severity: dewline.Urgent, State: dewline.AlertOpen, Onset: onset, Detected: onset + 52*60_000,
		Causes: []dewline.Cause{{Fault: cause, Detail: "orifice_too_large", Probability: 2. / 3}, {Fault: dewline.NoFault, Probability: 1. / 3}},
		Forecast: &dewline.Forecast{Limit: "superheat below 2.8 K", Quantity: "superheat", Value: 2.8, Unit: "K", At: onset,
			DaysP10: 0.1 + 0.2, DaysP50: math.Pi, DaysP90: 9},
	}
}

func byDewline(at dewline.Millis, why string, alerts ...dewline.Alert) (changes []dewline.AlertChange) {
	for _, a := range alerts {
		changes = append(changes, dewline.AlertChange{Change: dewline.Change{By: dewline.ByDewline, At: at, Why: why}, Alert: a})
	}
	return changes
}

func alerts(t *testing.T, open Opener) {
	s := opened(t, open)
	ctx := t.Context()
	a := alert(hall, dewline.Overfeed, now)
	_, err := s.AlertByID(ctx, a.ID)
	wantCode(t, "no alert", err, dewline.NotFound)
	_, err = s.AlertHistory(ctx, a.ID)
	wantCode(t, "no history", err, dewline.NotFound)
	must(t, s.PutAlerts(ctx, nil))

	site := alert(hall, dewline.Communication, now)
	site.System, site.Systems, site.Forecast, site.Causes, site.Follows = "", []dewline.SystemID{attic, hall}, nil, nil, a.ID
	site.Cleared = site.Detected + 1
	must(t, s.PutAlerts(ctx, byDewline(now, "superheat 1.2 K", a, site)))
	s = opened(t, open)
	for _, put := range []dewline.Alert{a, site} {
		got, err := s.AlertByID(ctx, put.ID)
		must(t, err)
		if !reflect.DeepEqual(got, put) {
			t.Fatalf("got %+v, want %+v", got, put)
		}
	}
	a.State, a.Cleared, a.Systems = dewline.AlertResolved, now+1e9, []dewline.SystemID{hall, attic}
	must(t, s.PutAlerts(ctx, byDewline(now, "", a)))
	page, err := s.AlertsIn(ctx, dewline.AlertFilter{System: attic, States: []dewline.AlertState{dewline.AlertResolved}})
	must(t, err)
	if !reflect.DeepEqual(page.Alerts, []dewline.Alert{a}) {
		t.Fatalf("got %+v, want %+v", page.Alerts, a)
	}

	for i, text := range hostile {
		h := alert(cold, dewline.Overcharge, now+dewline.Millis(i))
		h.ID += text
		h.Causes[0].Detail, h.Forecast.Limit = text, text
		change := dewline.AlertChange{Change: dewline.Change{By: text, At: now, Why: text}, Alert: h}
		must(t, s.PutAlerts(ctx, []dewline.AlertChange{change}))
		history, err := s.AlertHistory(ctx, h.ID)
		must(t, err)
		if !reflect.DeepEqual(history, []dewline.AlertChange{change}) {
			t.Fatalf("got %+v, want %+v", history, change)
		}
	}
}

func alertsFilter(t *testing.T, open Opener) {
	s := opened(t, open)
	names := map[string]string{}
	put := func(name string, a dewline.Alert) {
		a.ID = dewline.AlertID(a.System, dewline.Fault(name), a.Onset)
		names[a.ID] = name
		must(t, s.PutAlerts(t.Context(), byDewline(now, "", a)))
	}
	at := func(system dewline.SystemID, state dewline.AlertState, onset, cleared dewline.Millis) dewline.Alert {
		a := alert(system, dewline.Overfeed, now+onset)
		a.State = state
		if cleared != 0 {
			a.Cleared = now + cleared
		}
		return a
	}
	put("open", at(hall, dewline.AlertOpen, 1000, 0))
	put("past", at(hall, dewline.AlertResolved, 0, 500))
	put("dispatched", at(cold, dewline.AlertDispatched, 2000, 0))
	put("attic", at(attic, dewline.AlertOpen, 1000, 0)) // detected with "open": the system decides
	site := at(hall, dewline.AlertOpen, 3000, 0)
	site.System, site.Systems = "", []dewline.SystemID{attic, hall}
	put("site", site)

	for _, c := range []struct {
		filter dewline.AlertFilter
		want   string
	}{
		{dewline.AlertFilter{}, "[past attic open dispatched site]"},
		{dewline.AlertFilter{States: []dewline.AlertState{dewline.AlertOpen}}, "[attic open site]"},
		{dewline.AlertFilter{States: []dewline.AlertState{dewline.AlertResolved, dewline.AlertDispatched}}, "[past dispatched]"},
		{dewline.AlertFilter{States: []dewline.AlertState{"' OR 1=1 --"}}, "[]"},
		{dewline.AlertFilter{System: hall}, "[past open site]"},
		{dewline.AlertFilter{System: attic, States: []dewline.AlertState{dewline.AlertOpen}}, "[attic site]"},
		{dewline.AlertFilter{System: "x' OR 'a'='a"}, "[]"},
		{dewline.AlertFilter{Sites: []string{"fish-market"}}, "[dispatched]"},
		{dewline.AlertFilter{Sites: []string{"fish-market", "quay-library"}, System: hall}, "[past open site]"},
		{dewline.AlertFilter{Sites: []string{"elsewhere"}, System: hall}, "[]"},
		{dewline.AlertFilter{From: now + 500}, "[past attic open dispatched site]"},
		{dewline.AlertFilter{From: now + 501}, "[attic open dispatched site]"},
		{dewline.AlertFilter{To: now + 1000}, "[past]"},
		{dewline.AlertFilter{To: now + 1001}, "[past attic open]"},
		{dewline.AlertFilter{From: now + 501, To: now + 2001, System: hall}, "[open]"},
	} {
		page, err := s.AlertsIn(t.Context(), c.filter)
		must(t, err)
		got := []string{}
		for _, a := range page.Alerts {
			got = append(got, names[a.ID])
		}
		if fmt.Sprint(got) != c.want || page.Next != "" {
			t.Errorf("%+v: got %v and %q, want %s", c.filter, got, page.Next, c.want)
		}
	}
}

func alertPages(t *testing.T, open Opener) {
	s := opened(t, open)
	var changes []dewline.AlertChange
	for i := range 60 {
		system := []dewline.SystemID{hall, attic, cold}[i%3]
		changes = append(changes, byDewline(now, "", alert(system, dewline.Fault(fmt.Sprint(i)), now+dewline.Millis(i/10)))...)
	}
	must(t, s.PutAlerts(t.Context(), changes))
	all, err := s.AlertsIn(t.Context(), dewline.AlertFilter{})
	must(t, err)
	want(t, "all", len(all.Alerts), len(changes))
	for _, limit := range []int{1, 7, 59, 60, 61} {
		filter := dewline.AlertFilter{Limit: limit}
		var got []dewline.Alert
		for pages := 0; ; pages++ {
			page, err := s.AlertsIn(t.Context(), filter)
			must(t, err)
			if len(page.Alerts) > limit || pages > 60 {
				t.Fatalf("limit %d: a page of %d, %d pages", limit, len(page.Alerts), pages)
			}
			got = append(got, page.Alerts...)
			if page.Next == "" {
				break
			}
			filter.After = page.Next
		}
		if !reflect.DeepEqual(got, all.Alerts) {
			t.Errorf("pages of %d do not make the list", limit)
		}
	}
	for _, bad := range append([]string{"!", "MQ", "MQpi"}, hostile...) {
		if bad == "" {
			continue // the beginning
		}
		_, err := s.AlertsIn(t.Context(), dewline.AlertFilter{After: bad})
		wantCode(t, bad, err, dewline.Invalid)
	}
}

func alertHistory(t *testing.T, open Opener) {
	s := opened(t, open)
	a := alert(hall, dewline.Overfeed, now)
	var expected []dewline.AlertChange
	change := func(who, why string, at dewline.Millis, recorded bool, edit func(*dewline.Alert)) {
		t.Helper()
		text, err := json.Marshal(a) // a copy that shares nothing
		must(t, err)
		must(t, json.Unmarshal(text, &a))
		edit(&a)
		c := dewline.AlertChange{Change: dewline.Change{By: who, At: at, Why: why}, Alert: a}
		must(t, s.PutAlerts(t.Context(), []dewline.AlertChange{c}))
		if recorded {
			expected = append(expected, c)
		}
		got, err := s.AlertByID(t.Context(), a.ID)
		must(t, err)
		if !reflect.DeepEqual(got, a) {
			t.Fatalf("%s: got %+v, want %+v", why, got, a)
		}
		history, err := s.AlertHistory(t.Context(), a.ID)
		must(t, err)
		if !reflect.DeepEqual(history, expected) {
			t.Fatalf("%s: got %+v, want %+v", why, history, expected)
		}
	}
	change(dewline.ByDewline, "superheat 1.2 K", now, true, func(*dewline.Alert) {})
	change(dewline.ByDewline, "the same again", now+1, false, func(*dewline.Alert) {})
	change(dewline.ByDewline, "numbers move", now+2, false, func(a *dewline.Alert) {
		a.Causes[0].Probability, a.Causes[1].Probability, a.Forecast.DaysP50 = 0.9, 0.1, 2
	})
	change(dewline.ByDewline, "no trend any more", now+3, false, func(a *dewline.Alert) { a.Forecast = nil })
	change("J. at the desk", "called the site", now+4, true, func(a *dewline.Alert) { a.State = dewline.AlertAcknowledged })
	change(dewline.ByDewline, "milder", now+5, true, func(a *dewline.Alert) { a.Severity = dewline.Soon })
	change(dewline.ByDewline, "head well again", now+6, true, func(a *dewline.Alert) { a.Conditions = a.Conditions[:1] })
	change(dewline.ByDewline, "another cause leads", now+7, true, func(a *dewline.Alert) { a.Causes[0].Fault = dewline.Overcharge })
	change(dewline.ByDewline, "well", now+8, true, func(a *dewline.Alert) { a.State, a.Cleared = dewline.AlertResolved, a.Detected+8 })
}

func alertsRefused(t *testing.T, open Opener) {
	s := opened(t, open)
	bad := alert(attic, dewline.Overfeed, now)
	bad.Detected = bad.Onset - 1
	wantCode(t, "a bad alert", s.PutAlerts(t.Context(), byDewline(now, "", alert(hall, dewline.Overfeed, now), bad)), dewline.Invalid)
	page, err := s.AlertsIn(t.Context(), dewline.AlertFilter{})
	must(t, err)
	want(t, "none of them", len(page.Alerts), 0)
}
