package storetest

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"

	"dewline"
)

// evidenceKeepsState: what readings say joins what people did meanwhile, and neither takes the other
// back.
func evidenceKeepsState(t *testing.T, open Opener) {
	s := opened(t, open)
	ctx := t.Context()
	a := alert(hall, dewline.Overfeed, now)
	says := func(at dewline.Millis, a dewline.Alert) {
		t.Helper()
		must(t, s.SaveProgress(ctx, dewline.Progress{Version: 1, Alerts: byDewline(at, "evidence", a)}))
	}
	stored := func() dewline.Alert {
		t.Helper()
		got, err := s.AlertByID(ctx, a.ID)
		must(t, err)
		return got
	}
	says(now, a)
	for _, state := range []dewline.AlertState{dewline.AlertAcknowledged, dewline.AlertDispatched, dewline.AlertVerifying, dewline.AlertDismissed} {
		must(t, s.Desk(ctx, "act", func(tx dewline.DeskTx) error {
			b, err := tx.Alert(a.ID)
			if err != nil {
				return err
			}
			b.State = state
			return tx.PutAlert(dewline.AlertChange{Change: dewline.Change{By: "J.", At: now, Why: string(state)}, Alert: b})
		}))
		a.Causes[0].Probability, a.Causes[1].Probability = 0.9, 0.1
		a.Severity, a.Condition = dewline.Soon, dewline.HighHead // the analyst's copy still says that it is open
		says(now+1, a)
		expected := a
		expected.State = state
		want(t, "evidence after "+string(state), stored(), expected)
	}
	ended := a
	ended.Cleared, ended.State = a.Detected+5, dewline.AlertResolved
	says(now+2, ended)
	want(t, "the end", stored(), ended)
	says(now+3, a) // told again after a restart
	want(t, "what has ended", stored(), ended)
	history, err := s.AlertHistory(ctx, a.ID)
	must(t, err)
	states := []dewline.AlertState{}
	for _, c := range history {
		states = append(states, c.Alert.State)
	}
	want(t, "states", states, []dewline.AlertState{"open", "acknowledged", "acknowledged", "dispatched", "verifying", "dismissed", "resolved"})
}

// desk checks alerts and holds.
func desk(t *testing.T, open Opener) {
	s := opened(t, open)
	ctx := t.Context()
	a, other, site := alert(hall, dewline.Overfeed, now), alert(cold, dewline.Overfeed, now), alert(attic, dewline.Communication, now+1)
	site.System, site.Systems = "", []dewline.SystemID{attic, hall}
	past := alert(hall, dewline.Overcharge, now-10)
	past.State, past.Cleared = dewline.AlertResolved, past.Detected
	gone := alert(hall, dewline.Restriction, now-20)
	gone.State = dewline.AlertDismissed
	must(t, s.PutAlerts(ctx, byDewline(now, "", a, other, site, past, gone)))

	hold := func(id, site string, from, until dewline.Millis) dewline.Hold {
		return dewline.Hold{ID: id, Kind: dewline.HoldMaintenance, Site: site, System: hall, Alert: a.ID, From: dewline.Stamp(from), Until: dewline.Stamp(until),
			By: "J. " + id, Why: "painting " + id, EndedBy: "K.", EndedWhy: "done"}
	}
	holds := []dewline.Hold{hold("b", "quay-library", now, now+10), hold("a", "quay-library", now+1, now+20), hold("c", "fish-market", now-1, now+15)}
	must(t, s.Desk(ctx, "hold", func(tx dewline.DeskTx) error {
		for _, h := range holds {
			if err := tx.PutHold(h); err != nil {
				return err
			}
		}
		return nil
	}))
	must(t, opened(t, open).LookAtDesk(ctx, "look", func(tx dewline.DeskTx) error {
		got, err := tx.Alert(a.ID)
		must(t, err)
		want(t, "alert", got, a)
		open, err := tx.OpenAlerts("quay-library")
		must(t, err)
		want(t, "open alerts", open, []dewline.Alert{a, site})
		for _, c := range []struct {
			site string
			at   dewline.Millis
			want []dewline.Hold
		}{{"quay-library", now, holds[:2]}, {"", now, []dewline.Hold{holds[2], holds[0], holds[1]}}, {"quay-library", now + 10, holds[1:2]}, {"", now + 20, []dewline.Hold{}}} {
			got, err := tx.Holds(c.site, c.at)
			must(t, err)
			want(t, fmt.Sprint("holds of ", c.site, c.at-now), got, c.want)
		}
		one, err := tx.Hold("a")
		must(t, err)
		want(t, "hold", one, holds[1])
		_, err = tx.Alert("none")
		wantCode(t, "no alert", err, dewline.NotFound)
		_, err = tx.AlertHistory("none")
		wantCode(t, "no history", err, dewline.NotFound)
		_, err = tx.Hold("none")
		wantCode(t, "no hold", err, dewline.NotFound)
		_, err = tx.Call("none")
		wantCode(t, "no call", err, dewline.NotFound)
		_, err = tx.Visit("none")
		wantCode(t, "no visit", err, dewline.NotFound)
		if tx.PutHold(holds[0]) == nil {
			t.Error("looking could write")
		}
		return nil
	}))
	// An act is history whatever it changed.
	must(t, s.Desk(ctx, "shelve", func(tx dewline.DeskTx) error {
		return tx.PutAlert(dewline.AlertChange{Change: dewline.Change{By: "J.", At: now, Why: "shelve"}, Alert: a})
	}))
	history, err := s.AlertHistory(ctx, a.ID)
	must(t, err)
	want(t, "history", len(history), 2)
	want(t, "by", history[1].By, "J.")
}

func serviceCall(id string, made dewline.Millis, state dewline.CallState, alerts []string, systems ...dewline.SystemID) dewline.ServiceCall {
	return dewline.ServiceCall{
		ID: id, Site: systems[0].Site(), Alerts: alerts, Systems: systems, Priority: dewline.P2, Reasons: []string{"because"}, State: state, Note: "ring",
		Briefs: []dewline.Brief{{Alert: alerts[0], System: systems[0], Condition: dewline.Flooding, Severity: dewline.Urgent, Onset: dewline.Stamp(now),
			Causes: []dewline.Cause{{Fault: dewline.Overfeed, Probability: 2. / 3}}, Settles: "bore", Checks: []string{"look"}}},
		Skills: []string{"s"}, Bring: []dewline.StockItem{{Key: "refrigerant:R-410A", Amount: math.Pi, Unit: "kg"}}, Caution: "c",
		Technician: "T. of the van", Made: dewline.Stamp(made),
	}
}

func deskCalls(t *testing.T, open Opener) {
	s := opened(t, open)
	ctx := t.Context()
	a, b, c := alert(hall, dewline.Overfeed, now), alert(attic, dewline.Overfeed, now), alert(cold, dewline.Overfeed, now)
	must(t, s.PutAlerts(ctx, byDewline(now, "", a, b, c)))
	calls := []dewline.ServiceCall{ // the newest first
		serviceCall("k3", now+2, dewline.CallNew, []string{c.ID}, cold),
		serviceCall("k2", now+1, dewline.CallDone, []string{a.ID}, hall),
		serviceCall("k1", now+1, dewline.CallNew, []string{a.ID, b.ID}, hall, attic),
	}
	put := func(call dewline.ServiceCall, why string) error {
		return s.Desk(ctx, "put", func(tx dewline.DeskTx) error {
			return tx.PutCall(dewline.CallChange{Change: dewline.Change{By: "J.", At: now, Why: why}, Call: call})
		})
	}
	for i := range calls {
		must(t, put(calls[i], "made"))
		calls[i].Version = 1
	}
	stale := calls[0]
	calls[0].State, calls[0].Verdict = dewline.CallProved, &dewline.Verification{Verdict: dewline.Verified, At: 5, Why: []string{"w"},
		Before: []dewline.Proof{}, After: []dewline.Proof{{System: cold, SteadyHours: 1. / 3, Measures: []dewline.Measure{{Quantity: "superheat", Mean: math.E}}}}}
	must(t, put(calls[0], "proved"))
	calls[0].Version = 2
	wantCode(t, "an old version", put(stale, "late"), dewline.Clash)
	must(t, s.Desk(ctx, "stock", func(tx dewline.DeskTx) error {
		return errors.Join(tx.PutStock("T. of the van", []dewline.StockItem{{Key: "old", Amount: 1}}),
			tx.PutStock("T. of the van", []dewline.StockItem{{Key: "z", What: "Z", Amount: 0.1 + 0.2, Unit: "kg"}, {Key: "a", Amount: 2}}), tx.PutStock("another", nil))
	}))
	must(t, opened(t, open).LookAtDesk(ctx, "look", func(tx dewline.DeskTx) error {
		for _, call := range calls {
			got, err := tx.Call(call.ID)
			must(t, err)
			want(t, call.ID, got, call)
		}
		history, err := tx.CallHistory("k3")
		must(t, err)
		want(t, "history", history, []dewline.CallChange{{Change: dewline.Change{By: "J.", At: now, Why: "made"}, Call: stale}, {Change: dewline.Change{By: "J.", At: now, Why: "proved"}, Call: calls[0]}})
		ids, err := tx.CallsOfAlert(a.ID)
		must(t, err)
		want(t, "calls of an alert", ids, []string{"k1", "k2"})
		for _, f := range []struct {
			filter dewline.CallFilter
			want   string
		}{
			{dewline.CallFilter{}, "k3 k2 k1"}, {dewline.CallFilter{Limit: 2}, "k3 k2"}, {dewline.CallFilter{After: "k3", Limit: 1}, "k2"}, {dewline.CallFilter{After: "k2"}, "k1"}, {dewline.CallFilter{After: "k1"}, ""},
			{dewline.CallFilter{States: []dewline.CallState{dewline.CallNew, dewline.CallDone}}, "k2 k1"}, {dewline.CallFilter{Sites: []string{"fish-market"}}, "k3"},
			{dewline.CallFilter{System: attic}, "k1"}, {dewline.CallFilter{System: hall, States: []dewline.CallState{dewline.CallDone}}, "k2"},
			{dewline.CallFilter{From: now + 2}, "k3"}, {dewline.CallFilter{To: now + 2}, "k2 k1"}, {dewline.CallFilter{Sites: []string{"' OR 1=1 --"}}, ""},
		} {
			list, err := tx.Calls(f.filter)
			must(t, err)
			got := []string{}
			for _, c := range list {
				got = append(got, c.ID)
			}
			want(t, fmt.Sprintf("%+v", f.filter), strings.Join(got, " "), f.want)
		}
		_, err = tx.Calls(dewline.CallFilter{After: "nowhere"})
		wantCode(t, "no place", err, dewline.Invalid)
		stock, err := tx.Stock("T. of the van")
		must(t, err)
		want(t, "stock", stock, []dewline.StockItem{{Key: "a", Amount: 2}, {Key: "z", What: "Z", Amount: 0.1 + 0.2, Unit: "kg"}})
		stock, err = tx.Stock("nobody")
		must(t, err)
		want(t, "no stock", len(stock), 0)
		return nil
	}))
}

func visit(id, call string, system dewline.SystemID, started dewline.Millis) dewline.Visit {
	ours := 801_000.
	return dewline.Visit{
		ID: id, Call: call, System: system, Revision: 1, Started: dewline.Stamp(started), Technician: "T.", Certification: "U-1", SignedBy: "O.",
		AsFound:     []dewline.GaugeReading{{Point: "suction_pressure", At: dewline.Stamp(now), Value: 800_000. / 3, Unit: "Pa", Ours: &ours}},
		Refrigerant: []dewline.Weighing{{At: dewline.Stamp(now), Refrigerant: "R-410A", Charged: 3.1, Recovered: 0.1 + 0.2}},
		Evacuation:  &dewline.Evacuation{Limits: &dewline.VacuumLimits{Reach: 66.7, Hold: 600, NotOver: 133}, Points: []dewline.VacuumPoint{{At: 1, Pressure: 60}}},
		Parts:       []dewline.PartChanged{{Part: "orifice", BoreWas: 0.00185, BoreNow: 0.00165}},
		Sensors:     []dewline.SensorChange{{Point: "suction_temp", At: 5}},
		Found:       &dewline.FoundCause{Fault: dewline.Overfeed, Detail: "orifice_too_large"},
	}
}

func deskVisits(t *testing.T, open Opener) {
	s := opened(t, open)
	ctx := t.Context()
	a := alert(hall, dewline.Overfeed, now)
	must(t, s.PutAlerts(ctx, byDewline(now, "", a)))
	put := func(v dewline.Visit) error {
		return s.Desk(ctx, "visit", func(tx dewline.DeskTx) error { return tx.PutVisit(v) })
	}
	must(t, s.Desk(ctx, "call", func(tx dewline.DeskTx) error {
		return tx.PutCall(dewline.CallChange{Change: dewline.Change{By: "J."}, Call: serviceCall("k", now, dewline.CallNew, []string{a.ID}, hall)})
	}))
	first, second := visit("visit-a", "k", hall, now+5), visit("visit-b", "k", attic, now)
	must(t, put(first))
	must(t, put(second))
	for i, text := range hostile {
		first.Revision, first.Notes, first.Technician = i+2, text, text
		must(t, put(first))
		must(t, s.LookAtDesk(ctx, "look", func(tx dewline.DeskTx) error {
			got, err := tx.Visit("visit-a")
			must(t, err)
			want(t, "visit", got, first)
			return nil
		}))
	}
	first.Finished, first.Closed = dewline.Stamp(now+10), dewline.Stamp(now+20)
	must(t, put(first))
	changed := first
	changed.Notes = "another word"
	if put(changed) == nil {
		t.Error("a closed visit was changed")
	}
	if err := put(visit("visit-c", "none", hall, now)); err == nil {
		t.Error("a visit without a call was kept")
	}
	must(t, opened(t, open).LookAtDesk(ctx, "look", func(tx dewline.DeskTx) error {
		list, err := tx.VisitsOf("k")
		must(t, err)
		want(t, "visits", list, []dewline.Visit{second, first})
		for _, c := range []struct {
			system   dewline.SystemID
			from, to dewline.Millis
			want     int
		}{{"", 0, 0, 1}, {hall, now + 10, now + 11, 1}, {hall, now, now + 10, 0}, {hall, now + 11, 0, 0}, {attic, 0, 0, 0}} {
			list, err := tx.ClosedVisits(c.system, c.from, c.to)
			must(t, err)
			want(t, fmt.Sprint("closed visits of ", c), len(list), c.want)
		}
		return nil
	}))
}

// deskWhole fails at each write of a transaction in turn: nothing of it is there.
func deskWhole(t *testing.T, open Opener) {
	s := opened(t, open)
	ctx := t.Context()
	a := alert(hall, dewline.Overfeed, now)
	must(t, s.PutAlerts(ctx, byDewline(now, "", a)))
	stop := errors.New("the power is cut")
	dispatched := a
	dispatched.State = dewline.AlertDispatched
	writes := []func(tx dewline.DeskTx) error{
		func(tx dewline.DeskTx) error {
			return tx.PutAlert(dewline.AlertChange{Change: dewline.Change{By: "J."}, Alert: dispatched})
		},
		func(tx dewline.DeskTx) error {
			return tx.PutCall(dewline.CallChange{Change: dewline.Change{By: "J."}, Call: serviceCall("k", now, dewline.CallNew, []string{a.ID}, hall)})
		},
		func(tx dewline.DeskTx) error { return tx.PutVisit(visit("visit-a", "k", hall, now)) },
		func(tx dewline.DeskTx) error {
			return tx.PutHold(dewline.Hold{ID: "h", Site: "quay-library", Until: dewline.Stamp(now + 1)})
		},
		func(tx dewline.DeskTx) error { return tx.PutStock("van", []dewline.StockItem{{Key: "drier"}}) },
		func(tx dewline.DeskTx) error {
			return tx.RecordEvents([]dewline.Event{{System: hall, Kind: dewline.Serviced, At: now}})
		},
	}
	for n := range len(writes) + 1 {
		err := s.Desk(ctx, "work", func(tx dewline.DeskTx) error {
			for _, write := range writes[:n] {
				must(t, write(tx))
			}
			return stop
		})
		if !errors.Is(err, stop) {
			t.Fatalf("after %d writes: %v", n, err)
		}
		must(t, opened(t, open).LookAtDesk(ctx, "look", func(tx dewline.DeskTx) error {
			got, err := tx.Alert(a.ID)
			must(t, err)
			want(t, "alert", got, a)
			_, err = tx.Call("k")
			wantCode(t, "call", err, dewline.NotFound)
			_, err = tx.Visit("visit-a")
			wantCode(t, "visit", err, dewline.NotFound)
			_, err = tx.Hold("h")
			wantCode(t, "hold", err, dewline.NotFound)
			stock, err := tx.Stock("van")
			must(t, err)
			want(t, "stock", len(stock), 0)
			return nil
		}))
		events, err := s.EventsOf(ctx, hall, 0, now+1)
		must(t, err)
		want(t, "events", len(events), 0)
	}
	must(t, s.Desk(ctx, "work", func(tx dewline.DeskTx) error {
		for _, write := range writes {
			must(t, write(tx))
		}
		return nil
	}))
	wantCode(t, "panics are the caller's", s.Desk(ctx, "work", func(tx dewline.DeskTx) error { return &dewline.Error{Code: dewline.Clash, Op: "x"} }), dewline.Clash)
	err := s.Desk(ctx, "work", func(tx dewline.DeskTx) error { return &dewline.Incomplete{Missing: []string{"notes"}} })
	if _, ok := errors.AsType[*dewline.Incomplete](err); !ok {
		t.Errorf("what is missing became %v", err)
	}
}

// deskNames: a name can be taken out of every record, also out of histories, and the records stay.
func deskNames(t *testing.T, open Opener) {
	s := opened(t, open)
	ctx := t.Context()
	a := alert(hall, dewline.Overfeed, now)
	must(t, s.PutAlerts(ctx, byDewline(now, "", a)))
	v := visit("visit-a", "k", hall, now)
	v.Technician, v.Closed, v.Finished = "Ada Brook", dewline.Stamp(now), dewline.Stamp(now)
	must(t, s.Desk(ctx, "work", func(tx dewline.DeskTx) error {
		call := serviceCall("k", now, dewline.CallNew, []string{a.ID}, hall)
		call.Technician = "Ada Brook"
		return errors.Join(
			tx.PutAlert(dewline.AlertChange{Change: dewline.Change{By: "Ada Brook", At: now, Why: "seen"}, Alert: a}),
			tx.PutAlert(dewline.AlertChange{Change: dewline.Change{By: "Ben Ford", At: now, Why: "seen"}, Alert: a}),
			tx.PutCall(dewline.CallChange{Change: dewline.Change{By: "Ada Brook", At: now}, Call: call}), tx.PutVisit(v))
	}))
	wantCode(t, "nobody", s.Anonymise(ctx, "Nobody"), dewline.NotFound)
	must(t, s.Anonymise(ctx, "Ada Brook"))
	wantCode(t, "again", s.Anonymise(ctx, "Ada Brook"), dewline.NotFound)
	s = opened(t, open)
	history, err := s.AlertHistory(ctx, a.ID)
	must(t, err)
	by := []string{}
	for _, c := range history {
		by = append(by, c.By)
	}
	removed := by[1]
	if !strings.HasPrefix(removed, dewline.NameRemoved) || strings.Contains(removed, "Ada") {
		t.Errorf("the history says %q", by)
	}
	want(t, "others stay", []string{by[0], by[2]}, []string{dewline.ByDewline, "Ben Ford"})
	must(t, s.LookAtDesk(ctx, "look", func(tx dewline.DeskTx) error {
		got, err := tx.Visit("visit-a")
		must(t, err)
		expected := v
		expected.Technician = removed
		want(t, "visit", got, expected)
		call, err := tx.Call("k")
		must(t, err)
		want(t, "call", call.Technician, removed)
		return nil
	}))
	// Somebody else of that name is another person.
	must(t, s.Desk(ctx, "work", func(tx dewline.DeskTx) error {
		return tx.PutAlert(dewline.AlertChange{Change: dewline.Change{By: "Ada Brook", At: now}, Alert: a})
	}))
	history, err = s.AlertHistory(ctx, a.ID)
	must(t, err)
	want(t, "the new one", []string{history[1].By, history[3].By}, []string{removed, "Ada Brook"})
}

// desksAtOnce: the analyst tells of an alert while people of two processes work on it; every act is in
// the history, and no evidence is lost.
func desksAtOnce(t *testing.T, open Opener) {
	const rounds = 20
	stores := []Store{opened(t, open), opened(t, open)}
	ctx := t.Context()
	a := alert(hall, dewline.Overfeed, now)
	must(t, stores[0].PutAlerts(ctx, byDewline(now, "", a)))
	states := []dewline.AlertState{dewline.AlertAcknowledged, dewline.AlertOpen}
	var work sync.WaitGroup
	for w, s := range stores {
		work.Go(func() {
			for range rounds {
				err := s.Desk(ctx, "act", func(tx dewline.DeskTx) error {
					b, err := tx.Alert(a.ID)
					if err != nil {
						return err
					}
					b.State = states[(slices.Index(states, b.State)+1)%2] // the other one
					return tx.PutAlert(dewline.AlertChange{Change: dewline.Change{By: fmt.Sprint("person ", w), At: now, Why: "act"}, Alert: b})
				})
				if err != nil {
					t.Error(err)
				}
			}
		})
	}
	work.Go(func() {
		for i := range rounds {
			told := a
			told.Detected = a.Detected + dewline.Millis(i+1)
			if err := stores[0].SaveProgress(ctx, dewline.Progress{Version: 1, Alerts: byDewline(now, "evidence", told)}); err != nil {
				t.Error(err)
			}
		}
	})
	work.Wait()
	got, err := stores[1].AlertByID(ctx, a.ID)
	must(t, err)
	expected := a
	expected.Detected = a.Detected + rounds
	want(t, "the alert", got, expected) // an even number of acts on each side
	history, err := stores[1].AlertHistory(ctx, a.ID)
	must(t, err)
	acts := 0
	for i, c := range history {
		if c.By == dewline.ByDewline {
			if i > 0 && c.Alert.State != history[i-1].Alert.State {
				t.Errorf("evidence changed %s to %s", history[i-1].Alert.State, c.Alert.State)
			}
			continue
		}
		acts++
		if c.Alert.State == history[i-1].Alert.State {
			t.Errorf("act %d was lost: %s twice", i, c.Alert.State)
		}
	}
	want(t, "acts", acts, 2*rounds)
}
