package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"runtime"
	"slices"
	"strings"
	"sync"
	"time"

	"dewline"
	"dewline/alerts"
	"dewline/analytics"
	"dewline/analytics/cycle"
	"dewline/cmd/dewline/simfleet"
	"dewline/ingest/recording"
)

// scorer runs readings through the engine of the service and the plain detector side by side. It holds
// no readings, only what was said of them.
type scorer struct {
	subjects []*subject // in the order of the fleet
	of       map[dewline.SystemID]*subject
	watchers map[dewline.SystemID]*watcher
	engine   *analytics.Engine // nil: only watched, the alerts come from elsewhere
	book     *alerts.Book
	courses  map[string]*course
	order    []string // of courses, as they opened
	note     func(*dewline.DayNote)
	drained  dewline.Millis
}

// newScorer prepares the systems of a fleet between two times.
func newScorer(fleet *dewline.Fleet, truths []simfleet.Truth, from, to dewline.Millis, analyse bool) (*scorer, error) {
	c := &scorer{of: map[dewline.SystemID]*subject{}, watchers: map[dewline.SystemID]*watcher{}, courses: map[string]*course{}}
	if analyse {
		c.engine, c.book = analytics.NewEngine(analytics.DefaultOptions()), alerts.NewBook()
		c.book.Fleet = fleet // severities as the service tells them: raised where much hangs on a machine
		if err := c.engine.SetFleet(fleet); err != nil {
			return nil, err
		}
	}
	for _, sys := range fleet.Systems() {
		site, _ := fleet.Site(sys.ID.Site())
		m, err := cycle.NewMachine(sys, site)
		if err != nil {
			return nil, err
		}
		s := newSubject(sys, from, to)
		c.subjects = append(c.subjects, s)
		c.of[sys.ID] = s
		c.watchers[sys.ID] = newWatcher(m, from)
	}
	for _, t := range truths {
		if s := c.of[t.System]; s != nil {
			s.truthful(t)
		}
	}
	return c, nil
}

func newSubject(sys *dewline.System, from, to dewline.Millis) *subject {
	return &subject{id: sys.ID, kind: string(sys.Kind), metering: string(sys.Metering), points: pointsSet(sys), sampling: samplingOf(sys), from: from, to: to}
}

// truthful adds what is true of the system. A class begins with "healthy" or "faulty".
func (s *subject) truthful(t simfleet.Truth) {
	s.truths = append(s.truths, t)
	if len(t.Class) > 1 {
		s.class = t.Class[1:]
	}
}

// pointsSet says which set of points is fitted: "least" is what the contract requires and outdoor air,
// besides states that cost no sensor; "full" is what a diagnosis has use of.
func pointsSet(sys *dewline.System) string {
	more := false
	for _, p := range sys.Points {
		switch p.Point {
		case dewline.SuctionPressure, dewline.LiquidPressure, dewline.DischargePressure, dewline.SuctionTemp, dewline.LiquidTemp,
			dewline.OutdoorAirTemp, dewline.OperatingMode:
		default:
			more = true
		}
	}
	air := sys.Fitted(dewline.ReturnAirTemp) && sys.Fitted(dewline.SupplyAirTemp)
	switch {
	case !more:
		return "least"
	case sys.Fitted(dewline.DischargeTemp) && sys.Fitted(dewline.OutdoorAirTemp) && (air || sys.Fitted(dewline.SpaceTemp)) &&
		(sys.Fitted(dewline.CompressorPower) || sys.Fitted(dewline.CompressorCurrent)):
		return "full"
	}
	return "between"
}

// samplingOf writes how the suction pressure is sampled, "" where nobody has stated it.
func samplingOf(sys *dewline.System) string {
	s := sys.Fitting(dewline.SuctionPressure).Sampling
	if s.Interval == 0 {
		return ""
	}
	kind := s.Kind
	if kind == "" {
		kind = dewline.SampledInstant
	}
	return fmt.Sprintf("%s %s", kind, minutes(s.Interval))
}

func minutes(d time.Duration) string {
	if d < time.Minute {
		return fmt.Sprintf("%.0f s", d.Seconds())
	}
	return fmt.Sprintf("%.0f min", d.Minutes())
}

// drainEvery is the event time after which what the engine has to say is taken: it decides nothing.
const drainEvery = hour

// add takes what arrived at a time, of one or more systems.
func (c *scorer) add(now dewline.Millis, samples []dewline.Sample, events []dewline.Event) {
	if c.engine != nil {
		c.engine.Offer(samples, events...)
	}
	for i := 0; i < len(samples); {
		j := i + 1
		for j < len(samples) && samples[j].System == samples[i].System {
			j++
		}
		if w := c.watchers[samples[i].System]; w != nil {
			w.add(samples[i:j])
		}
		i = j
	}
	for _, e := range events {
		if s := c.of[e.System]; s != nil && e.Kind == dewline.Serviced {
			s.visits = append(s.visits, e.At)
		}
	}
	if now-c.drained >= drainEvery {
		c.drained = now
		c.take()
	}
}

// take follows the alerts that the engine's findings open, change and end.
func (c *scorer) take() {
	if c.engine == nil {
		return
	}
	var out analytics.Output
	c.engine.Drain(&out)
	for _, change := range c.book.Apply(out.Findings) {
		a := change.Alert
		x, known := c.courses[a.ID]
		if !known {
			x = &course{}
			c.courses[a.ID] = x
			c.order = append(c.order, a.ID)
		}
		x.change(a, change.At)
	}
	for _, n := range diaryOf(&out) {
		if s := c.of[n.System]; s != nil && n.Forecast != nil {
			s.notes = append(s.notes, n)
		}
		if c.note != nil {
			c.note(&n)
		}
	}
}

// finish ends the readings and hands over what was said of each system.
func (c *scorer) finish() []*subject {
	if c.engine != nil {
		c.engine.Finish()
		c.take()
	}
	for _, id := range c.order {
		x := c.courses[id]
		for _, sys := range x.alert.Systems {
			if s := c.of[sys]; s != nil {
				s.said = append(s.said, *x)
			}
		}
	}
	for _, s := range c.subjects {
		w := c.watchers[s.id]
		w.finish()
		s.ran, s.plain, s.hasPlain = &w.ran, w.courses, true
		if s.sampling == "" {
			s.sampling = fmt.Sprintf("not stated, %s", minutes(w.interval()))
		}
	}
	return c.subjects
}

// recorded watches recordings, whose alerts come from elsewhere.
func (c *scorer) recorded(ctx context.Context, r *recording.Reader) error {
	var batch recording.Batch
	for ctx.Err() == nil {
		err := r.Next(&batch)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		c.add(0, batch.Samples, batch.Events)
	}
	return ctx.Err()
}

// invented is which fleets are made up and scored.
type invented struct {
	fleets, systems, days int
	first                 uint64
	points                simfleet.Points
}

// inventedPresent is the moment that the readings of invented fleets lead up to.
var inventedPresent = time.Date(2031, 8, 20, 0, 0, 0, 0, time.UTC)

func (v *invented) options(seed uint64) simfleet.Options {
	return simfleet.Options{Seed: seed, Start: inventedPresent.AddDate(0, 0, -v.days), Present: inventedPresent, Systems: v.systems, Points: v.points}
}

// run makes each fleet and scores it, several at a time, and returns their systems in the order of
// seeds: the processors decide nothing.
func (v *invented) run(ctx context.Context, progress io.Writer) ([]*subject, error) {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	fleets := make([][]*subject, v.fleets)
	errs := make([]error, v.fleets)
	meter := newMeter(progress, "scoring")
	var mu sync.Mutex
	var done int64
	passed := func() {
		mu.Lock()
		defer mu.Unlock()
		done++
		meter.show(done, int64(v.fleets*v.days), fmt.Sprintf("%d of %d days of fleets", done, v.fleets*v.days))
	}
	var wg sync.WaitGroup
	next := make(chan int)
	for range min(runtime.GOMAXPROCS(0), v.fleets) {
		wg.Go(func() {
			for i := range next {
				seed := v.first + uint64(i)
				if fleets[i], errs[i] = v.one(ctx, seed, "", nil, passed); errs[i] != nil {
					errs[i] = fmt.Errorf("seed %d: %w", seed, errs[i])
					stop()
				}
			}
		})
	}
	for i := range v.fleets {
		next <- i
	}
	close(next)
	wg.Wait()
	meter.end()
	for _, err := range errs {
		if err != nil && !errors.Is(err, context.Canceled) {
			return nil, err
		}
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	return slices.Concat(fleets...), nil
}

// one makes one fleet and scores it, or only one of its systems. Each day that is done is passed on.
func (v *invented) one(ctx context.Context, seed uint64, only dewline.SystemID, note func(*dewline.DayNote), passed func()) ([]*subject, error) {
	o := v.options(seed)
	f, err := simfleet.New(o)
	if err != nil {
		return nil, err
	}
	fleet := f.Config()
	if only != "" {
		if fleet, err = alone(fleet, only); err != nil {
			return nil, err
		}
	}
	c, err := newScorer(fleet, f.Truth(), dewline.MillisOf(o.Start), dewline.MillisOf(o.Present), true)
	if err != nil {
		return nil, err
	}
	c.note = note
	for t := o.Start; t.Before(o.Present); {
		if t = t.AddDate(0, 0, 1); t.After(o.Present) {
			t = o.Present
		}
		for p := range f.Packs(t) {
			if ctx.Err() != nil {
				return nil, ctx.Err()
			}
			if only == "" || p.System == only {
				c.add(p.Sent, p.Samples, p.Events)
			}
		}
		passed()
	}
	all := c.finish()
	for _, s := range all {
		s.seed, s.simulate = seed, true
	}
	return all, nil
}

// alone is a fleet of one of the systems of another.
func alone(f *dewline.Fleet, id dewline.SystemID) (*dewline.Fleet, error) {
	sys, ok := f.System(id)
	if !ok {
		var known []string
		for _, s := range f.Systems() {
			known = append(known, string(s.ID))
		}
		return nil, fmt.Errorf("the fleet has no system %s, only %s", id, strings.Join(known, ", "))
	}
	site, _ := f.Site(id.Site())
	one := *site
	one.Systems = []dewline.System{*sys}
	return dewline.NewFleet(f.Owners, []dewline.Site{one}), nil
}
