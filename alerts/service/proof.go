package service

import (
	"context"
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"time"

	"dewline"
	"dewline/alerts"
)

// beforeSpan is how much of the time before a visit its proof is compared with.
const beforeSpan = 7 * 24 * time.Hour

// Verify implements dewline.ServiceDesk. Readings are summed up outside of the transaction, which then
// only takes the verdict where nothing has changed meanwhile.
func (d *Desk) Verify(ctx context.Context, id string) (c dewline.CallCase, err error) {
	if c, err = d.CallCase(ctx, id); err != nil || c.Call.State != dewline.CallDone {
		return c, err
	}
	facts, err := d.facts(ctx, c)
	if err != nil {
		return c, err
	}
	v := d.need().Judge(facts)
	if v.Verdict == dewline.CannotTell { // nothing to keep: it is told again with newer numbers
		c.Call.Verdict = &v
		return c, nil
	}
	version := c.Call.Version
	err = d.Store.Desk(ctx, "take the verdict of call "+id, func(tx dewline.DeskTx) error {
		call, err := tx.Call(id)
		if err != nil {
			return err
		}
		if call.Version == version {
			if err := d.take(tx, call, v); err != nil {
				return err
			}
		}
		c, err = d.caseOf(tx, id)
		return err
	})
	return c, err
}

func (d *Desk) take(tx dewline.DeskTx, call dewline.ServiceCall, v dewline.Verification) error {
	change := dewline.Change{By: dewline.ByDewline, At: dewline.Millis(v.At), Why: strings.Join(v.Why, "; ")}
	call.Verdict, call.State = &v, dewline.CallProved
	if v.Verdict == dewline.NotVerified {
		call.State = dewline.CallReturned
		if err := d.stepAlerts(tx, call.Alerts, alerts.MoveFail, change); err != nil {
			return err
		}
	}
	return tx.PutCall(dewline.CallChange{Change: change, Call: call})
}

func (d *Desk) facts(ctx context.Context, c dewline.CallCase) (Facts, error) {
	f := Facts{Now: d.Now()}
	finished := map[dewline.SystemID]dewline.Millis{}
	started := map[dewline.SystemID]dewline.Millis{}
	for _, v := range c.Visits {
		if !ofThisRound(c.Call, v) {
			continue
		}
		f.Visits = append(f.Visits, v)
		f.Finished = max(f.Finished, dewline.Millis(v.Finished))
		finished[v.System] = max(finished[v.System], dewline.Millis(v.Finished))
		if at, ok := started[v.System]; !ok || dewline.Millis(v.Started) < at {
			started[v.System] = dewline.Millis(v.Started)
		}
	}
	err := d.Store.LookAtDesk(ctx, "look at what is proved", func(tx dewline.DeskTx) error {
		f.Alerts, f.Since = nil, nil
		for _, id := range c.Call.Alerts {
			a, err := tx.Alert(id)
			if err != nil {
				return err
			}
			f.Alerts = append(f.Alerts, a)
		}
		open, err := tx.OpenAlerts(c.Call.Site)
		for _, a := range open {
			if slices.Contains(c.Call.Systems, a.System) && !slices.Contains(c.Call.Alerts, a.ID) {
				f.Since = append(f.Since, a)
			}
		}
		return err
	})
	if err != nil {
		return f, err
	}
	for _, id := range c.Call.Systems {
		if slices.Contains(dataOnly(f.Alerts), id) { // a sensor or a gateway: its own data are the proof
			continue
		}
		before, err := d.Prover.Prove(ctx, id, started[id].Add(-beforeSpan), started[id])
		if err != nil {
			return f, err
		}
		after, err := d.Prover.Prove(ctx, id, finished[id], f.Now)
		if err != nil {
			return f, err
		}
		f.Before, f.After = append(f.Before, before), append(f.After, after)
	}
	return f, nil
}

// dataOnly returns the systems of which every alert is about data.
func dataOnly(list []dewline.Alert) (only []dewline.SystemID) {
	machine := map[dewline.SystemID]bool{}
	for _, a := range list {
		for _, id := range a.Systems {
			machine[id] = machine[id] || a.Condition != dewline.Silent && a.Condition != dewline.SensorDoubt
		}
	}
	for id, is := range machine {
		if !is {
			only = append(only, id)
		}
	}
	return only
}

// VerifyAll holds every call that is done against the readings. A call whose readings cannot be read
// now does not keep others from their verdict.
func (d *Desk) VerifyAll(ctx context.Context) error {
	var errs []error
	filter := dewline.CallFilter{States: []dewline.CallState{dewline.CallDone}}
	for {
		calls, err := d.CallsIn(ctx, filter)
		if err != nil || len(calls) == 0 {
			return errors.Join(append(errs, err)...)
		}
		for _, call := range calls {
			if _, err := d.Verify(ctx, call.ID); err != nil {
				errs = append(errs, err)
			}
			if ctx.Err() != nil {
				return ctx.Err()
			}
		}
		filter.After = calls[len(calls)-1].ID
	}
}

// callbackWithin is how soon a call for the same is a callback.
const callbackWithin = 30 * 24 * time.Hour

// Report implements dewline.ServiceDesk.
func (d *Desk) Report(ctx context.Context, from, to dewline.Millis) (dewline.ServiceReport, error) {
	var outcomes []Outcome
	err := d.Store.LookAtDesk(ctx, "report", func(tx dewline.DeskTx) error {
		outcomes = nil
		visits, err := tx.ClosedVisits("", from, to)
		if err != nil {
			return err
		}
		again, err := followed(tx, from, to)
		if err != nil {
			return err
		}
		for _, v := range visits {
			list, err := outcomesOf(tx, v, again)
			if err != nil {
				return err
			}
			outcomes = append(outcomes, list...)
		}
		return nil
	})
	r := Summarise(outcomes)
	r.From, r.To = dewline.Stamp(from), dewline.Stamp(to)
	return r, err
}

// followed returns the calls that another call followed, with when that was made.
func followed(tx dewline.DeskTx, from, to dewline.Millis) (map[string]dewline.Millis, error) {
	again := map[string]dewline.Millis{}
	filter := dewline.CallFilter{From: from}
	if to != 0 {
		filter.To = to.Add(callbackWithin)
	}
	for {
		calls, err := tx.Calls(filter)
		if err != nil || len(calls) == 0 {
			return again, err
		}
		for _, c := range calls { // the newest first, so the earliest stays
			if c.Follows != "" {
				again[c.Follows] = dewline.Millis(c.Made)
			}
		}
		filter.After = calls[len(calls)-1].ID
	}
}

// outcomesOf returns what a visit says of each prediction about its system.
func outcomesOf(tx dewline.DeskTx, v dewline.Visit, again map[string]dewline.Millis) ([]Outcome, error) {
	call, err := tx.Call(v.Call)
	if err != nil {
		return nil, err
	}
	visits, err := tx.VisitsOf(v.Call)
	if err != nil {
		return nil, err
	}
	verdict := dewline.CannotTell
	if call.Verdict != nil {
		verdict = call.Verdict.Verdict
	}
	for _, other := range visits { // a later visit of the same call went because this one was not enough
		if other.System == v.System && other.Closed > v.Closed {
			verdict = dewline.NotVerified
		}
	}
	found := dewline.NoFault
	if v.Found != nil {
		found = v.Found.Fault
	}
	at, returned := again[v.Call]
	returned = returned && at.Sub(dewline.Millis(v.Finished)) <= callbackWithin
	var list []Outcome
	for _, b := range call.Briefs {
		if b.System == v.System && len(b.Causes) > 0 {
			list = append(list, Outcome{likeliest(b.Causes)[0].Fault, found, verdict, returned})
		}
	}
	return list, nil
}

// sameVisit says whether two visits say the same.
func sameVisit(a, b dewline.Visit) bool {
	b.Closed, b.AsFound, b.AsLeft = a.Closed, slices.Clone(b.AsFound), slices.Clone(b.AsLeft)
	for _, list := range [][]dewline.GaugeReading{b.AsFound, b.AsLeft} {
		for i := range list {
			list[i].Ours, list[i].Difference = nil, nil
		}
	}
	one, err := json.Marshal(a)
	two, err2 := json.Marshal(b)
	return err == nil && err2 == nil && string(one) == string(two)
}
