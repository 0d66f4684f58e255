package service

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"dewline"
	"dewline/alerts"
)

// ahead is how far a technician's clock may be ahead of ours.
const ahead = 10 * time.Minute

// Desk is where people work on service calls and visits. It implements dewline.ServiceDesk.
type Desk struct {
	Store   dewline.DeskStore
	Fleet   func() *dewline.Fleet
	Prover  dewline.Prover
	Safety  dewline.SafetyClasses
	Now     func() dewline.Millis // for people's deadlines and the history
	Publish func([]dewline.Event) // tells analytics of events that are stored
	Need    Need                  // UsualNeed where it is zero
	Photos  dewline.Photos        // of visits; nil where none are kept
}

func invalid(op, format string, args ...any) error {
	return &dewline.Error{Code: dewline.Invalid, Op: op, Err: fmt.Errorf(format, args...)}
}

func clash(op, format string, args ...any) error {
	return &dewline.Error{Code: dewline.Clash, Op: op, Err: fmt.Errorf(format, args...)}
}

func (d *Desk) need() Need {
	if d.Need == (Need{}) {
		return UsualNeed
	}
	return d.Need
}

// MakeCall implements dewline.ServiceDesk.
func (d *Desk) MakeCall(ctx context.Context, r dewline.CallRequest) (c dewline.CallCase, err error) {
	const op = "make a service call"
	if err := dewline.CheckPerson(r.By); err != nil {
		return c, err
	}
	if len(r.Alerts) == 0 || len(r.Alerts) > 100 {
		return c, invalid(op, "name the alerts that it is for, at most 100")
	}
	err = d.Store.Desk(ctx, op, func(tx dewline.DeskTx) error {
		id, err := d.makeCall(tx, r)
		if err == nil {
			c, err = d.caseOf(tx, id)
		}
		return err
	})
	return c, err
}

func (d *Desk) makeCall(tx dewline.DeskTx, r dewline.CallRequest) (string, error) {
	now := d.Now()
	ids := slices.Compact(slices.Sorted(slices.Values(r.Alerts)))
	call := dewline.ServiceCall{Alerts: ids, State: dewline.CallNew, Note: r.Note, Made: dewline.Stamp(now),
		Reasons: []string{}, Skills: []string{}, Systems: []dewline.SystemID{}, Briefs: []dewline.Brief{}}
	var list []dewline.Alert
	for _, id := range ids {
		a, err := tx.Alert(id)
		if err != nil {
			return "", err
		}
		if call.Site == "" {
			call.Site = a.Site
			call.ID = dewline.AlertID(dewline.SystemID(a.Site), dewline.Fault("call "+strings.Join(ids, " ")), now)
		}
		if a.Site != call.Site {
			return "", invalid("make a service call", "alerts %s and %s are of different sites: a van drives to one", ids[0], id)
		}
		if _, err := alerts.Step(tx, id, alerts.MoveDispatch, dewline.Change{By: r.By, At: now, Why: "service call " + call.ID}); err != nil {
			return "", err
		}
		if call.Follows == "" && a.Follows != "" {
			earlier, err := tx.CallsOfAlert(a.Follows)
			if err != nil {
				return "", err
			}
			if len(earlier) > 0 {
				call.Follows = earlier[len(earlier)-1]
			}
		}
		list = append(list, a)
	}
	Prepare(&call, list, d.Fleet(), d.Safety)
	return call.ID, tx.PutCall(dewline.CallChange{Change: dewline.Change{By: r.By, At: now, Why: "made of " + fmt.Sprint(len(ids)) + " alerts"}, Call: call})
}

// steps is the life of a call: from where each act of a person leads where.
var steps = map[dewline.CallDo]map[dewline.CallState]dewline.CallState{
	dewline.Assign: {dewline.CallNew: dewline.CallAssigned, dewline.CallReturned: dewline.CallAssigned, dewline.CallAssigned: dewline.CallAssigned,
		dewline.CallScheduled: dewline.CallScheduled},
	dewline.Schedule:   {dewline.CallAssigned: dewline.CallScheduled, dewline.CallScheduled: dewline.CallScheduled},
	dewline.OnTheWay:   {dewline.CallAssigned: dewline.CallOnTheWay, dewline.CallScheduled: dewline.CallOnTheWay},
	dewline.OnSite:     {dewline.CallAssigned: dewline.CallOnSite, dewline.CallScheduled: dewline.CallOnSite, dewline.CallOnTheWay: dewline.CallOnSite},
	dewline.CancelCall: {dewline.CallNew: dewline.CallCancelled, dewline.CallAssigned: dewline.CallCancelled, dewline.CallScheduled: dewline.CallCancelled, dewline.CallOnTheWay: dewline.CallCancelled, dewline.CallReturned: dewline.CallCancelled},
}

var callDos = []dewline.CallDo{dewline.Assign, dewline.Schedule, dewline.OnTheWay, dewline.OnSite, dewline.CancelCall}

func mayDo(s dewline.CallState) []dewline.CallDo {
	return slices.DeleteFunc(slices.Clone(callDos), func(do dewline.CallDo) bool { _, ok := steps[do][s]; return !ok })
}

// ActOnCall implements dewline.ServiceDesk.
func (d *Desk) ActOnCall(ctx context.Context, id string, act dewline.CallAct) (c dewline.CallCase, err error) {
	op := string(act.Do) + " call " + id
	if err := checkCallAct(op, act); err != nil {
		return c, err
	}
	err = d.Store.Desk(ctx, op, func(tx dewline.DeskTx) error {
		if err := d.actOnCall(tx, op, id, act); err != nil {
			return err
		}
		c, err = d.caseOf(tx, id)
		return err
	})
	return c, err
}

func checkCallAct(op string, act dewline.CallAct) error {
	if len(act.ID) > 64 {
		return invalid(op, "the id of an act has 64 letters at most")
	}
	if err := dewline.CheckPerson(act.By); err != nil {
		return err
	}
	switch act.Do {
	case dewline.Assign:
		return dewline.CheckPerson(act.Technician)
	case dewline.Schedule:
		if act.From <= 0 || act.To <= act.From || act.To.Time().Sub(act.From.Time()) > 31*24*time.Hour {
			return invalid(op, "say from when to when, within a month")
		}
	case dewline.CancelCall:
		if strings.TrimSpace(act.Why) == "" {
			return invalid(op, "say why: the reason is kept with the call")
		}
	case dewline.OnTheWay, dewline.OnSite:
	default:
		return invalid(op, "%q is nothing that can be done with a call: it is one of %v", act.Do, callDos)
	}
	return nil
}

func (d *Desk) actOnCall(tx dewline.DeskTx, op, id string, act dewline.CallAct) error {
	call, err := tx.Call(id)
	if err != nil {
		return err
	}
	if act.ID != "" && slices.Contains(call.Acts, act.ID) {
		return nil // it was sent before, and the answer was lost
	}
	to, ok := steps[act.Do][call.State]
	if !ok {
		return clash(op, "it is %s, so that is not possible: look at it again", call.State)
	}
	at, err := d.actedAt(tx, id, act)
	if err != nil {
		return err
	}
	change := dewline.Change{By: act.By, At: at, Why: strings.TrimSuffix(string(act.Do)+": "+act.Why, ": ")}
	switch {
	case act.Do == dewline.CancelCall:
		err = d.stepAlerts(tx, call.Alerts, alerts.MoveWithdraw, dewline.Change{By: act.By, At: change.At, Why: "service call cancelled: " + act.Why})
	case call.State == dewline.CallReturned:
		err = d.stepAlerts(tx, call.Alerts, alerts.MoveDispatch, dewline.Change{By: act.By, At: change.At, Why: "service call " + id + " goes out again"})
	}
	if err != nil {
		return err
	}
	switch act.Do {
	case dewline.Assign:
		call.Technician = act.Technician
	case dewline.Schedule:
		call.From, call.To = act.From, act.To
	}
	if act.ID != "" {
		call.Acts = append(slices.Clone(call.Acts), act.ID)
		call.Acts = call.Acts[max(0, len(call.Acts)-dewline.MaxCallActs):]
	}
	call.State = to
	return tx.PutCall(dewline.CallChange{Change: change, Call: call})
}

// actedAt is when an act was done: when it says, as far as that lies between what was done before and now.
func (d *Desk) actedAt(tx dewline.DeskTx, id string, act dewline.CallAct) (dewline.Millis, error) {
	now := d.Now()
	if act.At <= 0 || dewline.Millis(act.At) >= now {
		return now, nil
	}
	history, err := tx.CallHistory(id)
	if err != nil {
		return 0, err
	}
	if n := len(history); n > 0 && dewline.Millis(act.At) < history[n-1].At {
		return history[n-1].At, nil
	}
	return dewline.Millis(act.At), nil
}

// stepAlerts moves those of a call's alerts that the move applies to: others have ended, or another
// has taken them up, while the call was under way.
func (d *Desk) stepAlerts(tx dewline.DeskTx, ids []string, m alerts.Move, c dewline.Change) error {
	for _, id := range ids {
		if _, err := alerts.Step(tx, id, m, c); err != nil && dewline.CodeOf(err) != dewline.Clash {
			return err
		}
	}
	return nil
}

// CallCase implements dewline.ServiceDesk.
func (d *Desk) CallCase(ctx context.Context, id string) (c dewline.CallCase, err error) {
	err = d.Store.LookAtDesk(ctx, "look at call "+id, func(tx dewline.DeskTx) error {
		c, err = d.caseOf(tx, id)
		return err
	})
	return c, err
}

func (d *Desk) caseOf(tx dewline.DeskTx, id string) (c dewline.CallCase, err error) {
	if c.Call, err = tx.Call(id); err != nil {
		return c, err
	}
	if c.Visits, err = tx.VisitsOf(id); err != nil {
		return c, err
	}
	if c.History, err = tx.CallHistory(id); err != nil {
		return c, err
	}
	c.May = mayDo(c.Call.State)
	if c.Call.Technician == "" {
		return c, nil
	}
	stock, err := tx.Stock(c.Call.Technician)
	if err != nil || len(stock) == 0 {
		return c, err
	}
	for i := range c.Call.Bring { // what is not in a van whose stock is kept is not there
		amount := 0.0
		for _, s := range stock {
			if s.Key == c.Call.Bring[i].Key {
				amount = s.Amount
			}
		}
		c.Call.Bring[i].InVan = &amount
	}
	return c, nil
}

// CallsIn implements dewline.ServiceDesk.
func (d *Desk) CallsIn(ctx context.Context, f dewline.CallFilter) (list []dewline.ServiceCall, err error) {
	err = d.Store.LookAtDesk(ctx, "list calls", func(tx dewline.DeskTx) error {
		list, err = tx.Calls(f)
		return err
	})
	return list, err
}

// PutVisit implements dewline.ServiceDesk.
func (d *Desk) PutVisit(ctx context.Context, v dewline.Visit) (stored dewline.Visit, err error) {
	v.Closed = 0
	for _, list := range [][]dewline.GaugeReading{v.AsFound, v.AsLeft} {
		for i := range list {
			list[i].Ours, list[i].Difference = nil, nil
			p, _ := dewline.PointNamed(list[i].Point)
			list[i].Unit = p.Unit()
		}
	}
	if err := v.Validate(); err != nil {
		return v, err
	}
	if latest := dewline.Stamp(d.Now().Add(ahead)); v.Started > latest || v.Finished > latest {
		return v, invalid("visit "+v.ID, "it lies ahead of now: see the clock of the device")
	}
	err = d.Store.Desk(ctx, "keep visit "+v.ID, func(tx dewline.DeskTx) error {
		stored, err = d.putVisit(tx, v)
		return err
	})
	return stored, err
}

func (d *Desk) putVisit(tx dewline.DeskTx, v dewline.Visit) (dewline.Visit, error) {
	op := "visit " + v.ID
	before, err := tx.Visit(v.ID)
	switch {
	case dewline.CodeOf(err) == dewline.NotFound:
		call, err := tx.Call(v.Call)
		if err != nil {
			return v, err
		}
		if !slices.Contains(call.Systems, v.System) {
			return v, invalid(op, "%s is no system of this call: %v", v.System, call.Systems)
		}
		if call.State.Ended() || call.State == dewline.CallDone {
			return v, clash(op, "its call is %s", call.State)
		}
	case err != nil:
		return v, err
	case before.Call != v.Call || before.System != v.System:
		return v, clash(op, "it is of call %s and system %s: make another visit with an id of its own", before.Call, before.System)
	case v.Revision < before.Revision:
		return before, nil // late, and older than what is here
	case v.Revision == before.Revision:
		if sameVisit(v, before) {
			return before, nil
		}
		return before, clash(op, "revision %d is here already and says something else: take what is here, join the two and send revision %d", v.Revision, before.Revision+1)
	case before.Closed != 0:
		return before, clash(op, "it is closed and stays as it is: write what is to be corrected into another visit of the call")
	}
	return v, tx.PutVisit(v)
}

// CloseVisit implements dewline.ServiceDesk.
func (d *Desk) CloseVisit(ctx context.Context, id string, closing dewline.Closing) (c dewline.CallCase, err error) {
	if err := dewline.CheckPerson(closing.By); err != nil {
		return c, err
	}
	v, err := d.VisitByID(ctx, id)
	if err != nil {
		return c, err
	}
	ours, err := d.ours(ctx, &v) // the store of readings is slow and not part of the transaction
	if err != nil {
		return c, err
	}
	if err := d.photosThere(ctx, &v); err != nil {
		return c, err
	}
	var events []dewline.Event
	err = d.Store.Desk(ctx, "close visit "+id, func(tx dewline.DeskTx) error {
		v, err := tx.Visit(id)
		if err != nil {
			return err
		}
		if v.Closed == 0 {
			ours.fill(&v)
			if events, err = d.closeVisit(tx, v, closing); err != nil {
				return err
			}
		}
		c, err = d.caseOf(tx, v.Call)
		return err
	})
	if err == nil && len(events) > 0 && d.Publish != nil {
		d.Publish(events)
	}
	if err == nil && d.Photos != nil {
		err = d.dropPhotos(ctx, id)
	}
	return c, err
}

// photosThere returns an error unless every photo of a visit is kept: nothing is added after it is closed.
func (d *Desk) photosThere(ctx context.Context, v *dewline.Visit) error {
	if v.Closed != 0 || len(v.Photos) == 0 {
		return nil
	}
	if d.Photos == nil {
		return &dewline.Incomplete{Missing: []string{"photos: no photos are kept here, leave them out"}}
	}
	var missing []string
	for i, p := range v.Photos {
		_, err := d.Photos.PhotoOf(ctx, v.ID, p.Digest, true)
		switch {
		case dewline.CodeOf(err) == dewline.NotFound:
			missing = append(missing, fmt.Sprintf("photos: photo %d has not arrived, send it again or leave it out", i+1))
		case err != nil:
			return err
		}
	}
	if len(missing) > 0 {
		return &dewline.Incomplete{Missing: missing}
	}
	return nil
}

// dropPhotos takes away for good what was left out of a visit that is closed.
func (d *Desk) dropPhotos(ctx context.Context, id string) error {
	v, err := d.VisitByID(ctx, id)
	if err != nil {
		return err
	}
	var digests []string
	for _, p := range v.Photos {
		digests = append(digests, p.Digest)
	}
	return d.Photos.KeepOnly(ctx, id, digests)
}

func (d *Desk) closeVisit(tx dewline.DeskTx, v dewline.Visit, closing dewline.Closing) ([]dewline.Event, error) {
	now := d.Now()
	if v.Finished == 0 {
		v.Finished = closing.Finished
	}
	if lacks := Lacks(&v); len(lacks) > 0 {
		return nil, &dewline.Incomplete{Missing: lacks}
	}
	if v.Finished > dewline.Stamp(now.Add(ahead)) || v.Finished < v.Started {
		return nil, invalid("close visit", "it was finished before it started, or ahead of now")
	}
	call, err := tx.Call(v.Call)
	if err != nil {
		return nil, err
	}
	if call.State.Ended() || call.State == dewline.CallDone {
		return nil, clash("close visit", "its call is %s", call.State)
	}
	v.Closed = dewline.Stamp(now)
	if err := tx.PutVisit(v); err != nil {
		return nil, err
	}
	change := dewline.Change{By: closing.By, At: now, Why: "visit " + v.ID + " closed: " + foundText(&v)}
	if err := d.prove(tx, call, v, change); err != nil {
		return nil, err
	}
	events := eventsOf(&v)
	return events, tx.RecordEvents(events)
}

func foundText(v *dewline.Visit) string {
	if v.NoTroubleFound {
		return "no trouble found"
	}
	return strings.ReplaceAll(strings.TrimSpace(string(v.Found.Fault)+" "+v.Found.Detail), "_", " ")
}

// prove moves what a visit finished to its proof: the alerts of its system, and the call when no
// system of it waits any more.
func (d *Desk) prove(tx dewline.DeskTx, call dewline.ServiceCall, v dewline.Visit, c dewline.Change) error {
	visits, err := tx.VisitsOf(call.ID)
	if err != nil {
		return err
	}
	done := func(id dewline.SystemID) bool {
		return slices.ContainsFunc(visits, func(v dewline.Visit) bool { return v.System == id && ofThisRound(call, v) })
	}
	waiting := slices.ContainsFunc(call.Systems, func(id dewline.SystemID) bool { return !done(id) })
	for _, id := range call.Alerts {
		a, err := tx.Alert(id)
		if err != nil {
			return err
		}
		if a.System == v.System || a.System == "" {
			if err := d.stepAlerts(tx, []string{id}, alerts.MoveProve, c); err != nil {
				return err
			}
		}
	}
	call.State = dewline.CallOnSite
	if !waiting {
		call.State = dewline.CallDone
	}
	return tx.PutCall(dewline.CallChange{Change: c, Call: call})
}

// ofThisRound says whether a visit was closed since the call last came back to the dispatcher.
func ofThisRound(call dewline.ServiceCall, v dewline.Visit) bool {
	return v.Closed != 0 && (call.Verdict == nil || v.Closed > call.Verdict.At)
}

// VisitByID implements dewline.ServiceDesk.
func (d *Desk) VisitByID(ctx context.Context, id string) (v dewline.Visit, err error) {
	err = d.Store.LookAtDesk(ctx, "look at visit "+id, func(tx dewline.DeskTx) error {
		v, err = tx.Visit(id)
		return err
	})
	return v, err
}

// Visits implements dewline.ServiceDesk.
func (d *Desk) Visits(ctx context.Context, system dewline.SystemID, from, to dewline.Millis) (list []dewline.Visit, err error) {
	err = d.Store.LookAtDesk(ctx, "list visits", func(tx dewline.DeskTx) error {
		list, err = tx.ClosedVisits(system, from, to)
		return err
	})
	return list, err
}

// PutStock implements dewline.ServiceDesk.
func (d *Desk) PutStock(ctx context.Context, van string, items []dewline.StockItem) error {
	const op = "keep a van's stock"
	if err := dewline.CheckPerson(van); err != nil {
		return err
	}
	if len(items) > 2000 {
		return invalid(op, "at most 2,000 items")
	}
	for i := range items {
		if items[i].Key == "" || len(items[i].Key) > 200 || !(items[i].Amount >= 0) || items[i].Amount > 1e6 {
			return invalid(op, "item %d needs its key and an amount", i+1)
		}
		items[i].InVan = nil
	}
	return d.Store.Desk(ctx, op, func(tx dewline.DeskTx) error { return tx.PutStock(van, items) })
}

// Stock implements dewline.ServiceDesk.
func (d *Desk) Stock(ctx context.Context, van string) (items []dewline.StockItem, err error) {
	err = d.Store.LookAtDesk(ctx, "look at a van's stock", func(tx dewline.DeskTx) error {
		items, err = tx.Stock(van)
		return err
	})
	return items, err
}

// gauges are what our sensors read when the technician's instrument was read.
type gauges map[gaugeKey]gauge

type gaugeKey struct {
	point string
	at    dewline.Stamp
}

type gauge struct {
	value     float64
	reference dewline.PressureReference
}

func (d *Desk) ours(ctx context.Context, v *dewline.Visit) (gauges, error) {
	s, ok := d.Fleet().System(v.System)
	if !ok || d.Prover == nil {
		return nil, nil
	}
	g := gauges{}
	for _, r := range slices.Concat(v.AsFound, v.AsLeft) {
		p, known := dewline.PointNamed(r.Point)
		if !known {
			continue
		}
		value, ok, err := d.Prover.ReadingNear(ctx, v.System, p, dewline.Millis(r.At))
		if err != nil && !errors.Is(err, context.Canceled) {
			ok = false // a store that does not answer keeps nobody from closing a visit
		} else if err != nil {
			return nil, err
		}
		if ok {
			g[gaugeKey{r.Point, r.At}] = gauge{value, s.Fitting(p).Reference}
		}
	}
	return g, nil
}

// fill writes our readings beside the technician's. Pressures that count from different grounds are
// not subtracted.
func (g gauges) fill(v *dewline.Visit) {
	for _, list := range [][]dewline.GaugeReading{v.AsFound, v.AsLeft} {
		for i := range list {
			r := &list[i]
			ours, ok := g[gaugeKey{r.Point, r.At}]
			if !ok {
				continue
			}
			r.Ours = &ours.value
			if (r.Reference == dewline.Absolute) == (ours.reference == dewline.Absolute) {
				difference := r.Value - ours.value
				r.Difference = &difference
			}
		}
	}
}
