package overview

import (
	"cmp"
	"context"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"dewline"
	"dewline/dashboards/view"
)

// Alerts is the part of dewline.Alerts that reading needs.
type Alerts interface {
	AlertsIn(ctx context.Context, filter dewline.AlertFilter) (dewline.AlertPage, error)
}

// Source is where a Reader reads: everything, whoever asks. Alerts and States may be nil: then there are none.
type Source struct {
	Fleet  func() *dewline.Fleet // may change from call to call; nil, or returning nil: nothing is enrolled
	States dewline.StateReader
	Alerts Alerts
}

// Unended are the states of alerts that somebody still has to do with.
var Unended = []dewline.AlertState{dewline.AlertOpen, dewline.AlertAcknowledged, dewline.AlertDispatched, dewline.AlertVerifying}

// Overview is what there was at one moment. It is not changed afterwards.
type Overview struct {
	Fleet  *dewline.Fleet         // never nil
	IDs    []dewline.SystemID     // every enrolled system, sorted
	Alerts []dewline.Alert        // not ended, the gravest first
	Counts map[dewline.Health]int // how many systems

	// AlertsErr says why alerts could not be read. Alerts are then the last that were, or none.
	AlertsErr error

	assessed map[dewline.SystemID]view.Assessment
	bySystem map[dewline.SystemID][]dewline.Alert
}

// Assessment returns the health of a system.
func (o *Overview) Assessment(id dewline.SystemID) view.Assessment { return o.assessed[id] }

// AlertsOf returns the alerts of a system that have not ended, its whole site's among them.
func (o *Overview) AlertsOf(id dewline.SystemID) []dewline.Alert { return o.bySystem[id] }

// Reader reads overviews and keeps the last one for a moment.
type Reader struct {
	source Source
	empty  *dewline.Fleet

	mu   sync.Mutex           // held by who makes the next one
	kept atomic.Pointer[kept] // nil before the first

	// The part of each owner, of the fleet that it was made from.
	parts   sync.Mutex
	partsOf *dewline.Fleet
	part    map[string]*dewline.Fleet
}

// kept is an overview and until when it is good enough for anybody, and for who would have to wait for
// the next one.
type kept struct {
	*Overview
	until, meanwhile time.Time
}

// New returns a reader of the source.
func New(source Source) *Reader {
	return &Reader{source: source, empty: dewline.NewFleet(nil, nil)}
}

// Fleet returns what is enrolled at present and the visitor may know of, never nil.
func (r *Reader) Fleet(ctx context.Context) *dewline.Fleet {
	return r.seen(dewline.VisitorOf(ctx), r.whole())
}

func (r *Reader) seen(v dewline.Visitor, whole *dewline.Fleet) *dewline.Fleet {
	switch {
	case v.SeesAll():
		return whole
	case !v.Sees(v.Owner):
		return r.empty
	}
	r.parts.Lock()
	defer r.parts.Unlock()
	if r.partsOf != whole {
		r.partsOf, r.part = whole, map[string]*dewline.Fleet{}
	}
	if r.part[v.Owner] == nil {
		r.part[v.Owner] = v.FleetSeen(whole)
	}
	return r.part[v.Owner]
}

func (r *Reader) whole() *dewline.Fleet {
	if r.source.Fleet != nil {
		if f := r.source.Fleet(); f != nil {
			return f
		}
	}
	return r.empty
}

// State returns the latest state of a system.
func (r *Reader) State(id dewline.SystemID) (dewline.SystemState, bool) {
	if r.source.States == nil {
		return dewline.SystemState{System: id}, false
	}
	return r.source.States.State(id)
}

// The overview of a large fleet costs as much as its 20,000 states do. It is made again after
// keepAtLeast, or later so that making it takes a twentieth of the time at most.
const (
	keepAtLeast = time.Second
	restFactor  = 20
	// While one request makes it anew, others get the last one, for so long at most.
	keepMeanwhile = 10 * time.Second
)

// Read returns the overview of what the visitor may know of, made anew where the last one is older
// than a moment or the fleet has been exchanged. The clock is only asked how long things take.
func (r *Reader) Read(ctx context.Context, now func() time.Time) *Overview {
	o := r.readWhole(ctx, now)
	if v := dewline.VisitorOf(ctx); !v.SeesAll() {
		return o.partOf(r.seen(v, o.Fleet))
	}
	return o
}

// partOf returns the overview of a part of its fleet.
func (o *Overview) partOf(fleet *dewline.Fleet) *Overview {
	part := &Overview{
		Fleet: fleet, IDs: sortedIDs(fleet.Systems()), Counts: make(map[dewline.Health]int), AlertsErr: o.AlertsErr,
		assessed: o.assessed, bySystem: o.bySystem,
	}
	for _, a := range o.Alerts {
		if _, ok := fleet.Site(a.Site); ok {
			part.Alerts = append(part.Alerts, a)
		}
	}
	for _, id := range part.IDs {
		part.Counts[o.assessed[id].Health]++
	}
	return part
}

func (r *Reader) readWhole(ctx context.Context, now func() time.Time) *Overview {
	fleet := r.whole()
	begin := now()
	if k := r.kept.Load(); k != nil && k.Fleet == fleet {
		if begin.Before(k.until) {
			return k.Overview
		}
		if begin.Before(k.meanwhile) {
			if !r.mu.TryLock() {
				return k.Overview
			}
			r.mu.Unlock()
		}
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if k := r.kept.Load(); k != nil && k.Fleet == fleet && begin.Before(k.until) {
		return k.Overview // somebody else has just made it
	}
	begin = now()
	o := r.read(ctx, fleet)
	end := now()
	until := end.Add(max(keepAtLeast, restFactor*end.Sub(begin)))
	next := &kept{o, until, until.Add(keepMeanwhile)}
	if o.AlertsErr != nil {
		next.until, next.meanwhile = end, end // whoever comes next tries again
	}
	r.kept.Store(next)
	return o
}

// Forget makes the next Read see what has just been changed.
func (r *Reader) Forget() {
	r.mu.Lock()
	defer r.mu.Unlock()
	if k := r.kept.Load(); k != nil {
		r.kept.Store(&kept{Overview: k.Overview})
	}
}

func (r *Reader) read(ctx context.Context, fleet *dewline.Fleet) *Overview {
	systems := fleet.Systems()
	o := &Overview{
		Fleet:    fleet,
		Counts:   make(map[dewline.Health]int),
		assessed: make(map[dewline.SystemID]view.Assessment, len(systems)),
		bySystem: make(map[dewline.SystemID][]dewline.Alert),
	}
	o.Alerts, o.AlertsErr = r.unended(ctx, dewline.AlertFilter{})
	last := r.kept.Load()
	if o.AlertsErr != nil && last != nil {
		o.Alerts = last.Alerts
	}
	for _, a := range o.Alerts {
		for _, id := range a.Systems {
			o.bySystem[id] = append(o.bySystem[id], a)
		}
	}
	if last != nil && last.Fleet == fleet {
		o.IDs = last.IDs
	} else {
		o.IDs = sortedIDs(systems)
	}
	for _, s := range systems {
		state, known := r.State(s.ID)
		a := view.Assess(state, known, o.bySystem[s.ID])
		o.assessed[s.ID] = a
		o.Counts[a.Health]++
	}
	return o
}

func sortedIDs(systems []*dewline.System) []dewline.SystemID {
	ids := make([]dewline.SystemID, len(systems))
	for i, s := range systems {
		ids[i] = s.ID
	}
	slices.Sort(ids)
	return ids
}

// UnendedOf returns the alerts of one system that have not ended, as they are now; none of a system
// that the visitor may not know of.
func (r *Reader) UnendedOf(ctx context.Context, id dewline.SystemID) ([]dewline.Alert, error) {
	if _, ok := r.Fleet(ctx).System(id); !ok {
		return nil, nil
	}
	return r.unended(ctx, dewline.AlertFilter{System: id})
}

// maxUnended bounds what a page reads: a list that nobody could work through is no help.
const maxUnended = 10_000

func (r *Reader) unended(ctx context.Context, filter dewline.AlertFilter) ([]dewline.Alert, error) {
	if r.source.Alerts == nil {
		return nil, nil
	}
	filter.States = Unended
	var all []dewline.Alert
	for len(all) < maxUnended {
		page, err := r.source.Alerts.AlertsIn(ctx, filter)
		if err != nil {
			return nil, err
		}
		all = append(all, page.Alerts...)
		if filter.After = page.Next; page.Next == "" {
			break
		}
	}
	slices.SortStableFunc(all, func(a, b dewline.Alert) int {
		return cmp.Or(cmp.Compare(urgency(a), urgency(b)), cmp.Compare(a.Onset, b.Onset), cmp.Compare(a.ID, b.ID))
	})
	return all, nil
}

// urgency orders alerts as people take them up: what nobody has in hand first, the gravest first.
func urgency(a dewline.Alert) int {
	g := -a.Severity.Rank()
	if a.State == dewline.AlertDispatched || a.State == dewline.AlertVerifying {
		g += 10
	}
	return g
}
