package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync/atomic"
	"time"

	"dewline"
	"dewline/alerts"
	"dewline/analytics"

	"github.com/prometheus/client_golang/prometheus"
)

const (
	// analystEvery is how often what analytics has to say is stored, in real time: it decides when
	// something is seen, never what.
	analystEvery = time.Second
	// stateEvery is within how long the state of every system has been stored again. What came
	// after it is read from the store at the next start.
	stateEvery = 10 * time.Minute
	// analystBacklog is after how many readings a flush does not wait for its time.
	analystBacklog = 100_000
	// lateAtOnce is how many quarter hours are made again from late readings in one flush.
	lateAtOnce = 500
)

// analystStore is where the analyst's work goes.
type analystStore interface {
	dewline.ProgressStore
	dewline.RollUps
	dewline.Alerts
	dewline.Events
	dewline.DeskStore
}

// analyst joins ingest, analytics and alerts: it takes new readings, and stores the alerts and
// roll-ups that the engine makes of them together with the engine's state.
type analyst struct {
	engine *analytics.Engine
	book   *alerts.Book
	store  analystStore
	series *analytics.SeriesStore
	log    *slog.Logger

	systems []dewline.SystemID // whose states are stored in turn
	turn    int
	late    map[analytics.Quarter]struct{}
	pending *dewline.Progress // could not be stored yet
	leaving *dewline.Fleet    // of which no system has left yet, nil once all have
	offered atomic.Int64      // readings since the last flush
	wake    chan struct{}

	metrics analystMetrics
}

type analystMetrics struct {
	analysed, late, findings, rollUps prometheus.Counter
	failures                          prometheus.Counter
}

func newAnalystMetrics(r prometheus.Registerer) analystMetrics {
	counter := func(name, help string) prometheus.Counter {
		c := prometheus.NewCounter(prometheus.CounterOpts{Namespace: "dewline", Subsystem: "analytics", Name: name, Help: help})
		r.MustRegister(c)
		return c
	}
	return analystMetrics{
		analysed: counter("readings_total", "Readings analysed."),
		late:     counter("late_not_analysed_total", "Readings that were stored but came too late to be analysed."),
		findings: counter("findings_total", "Findings made, changed or ended."),
		rollUps:  counter("rollups_total", "Quarter hours summed up."),
		failures: counter("store_failures_total", "Attempts to store progress that failed."),
	}
}

// newAnalyst restores the engine's state and catches up with the readings in the store.
func newAnalyst(ctx context.Context, fleet *dewline.Fleet, store analystStore, series *analytics.SeriesStore, log *slog.Logger, metrics analystMetrics, progress func(done, total int)) (*analyst, error) {
	a := &analyst{
		engine: analytics.NewEngine(analytics.DefaultOptions()), store: store, series: series, log: log, metrics: metrics,
		late: map[analytics.Quarter]struct{}{}, wake: make(chan struct{}, 1),
	}
	a.setFleet(fleet)
	states := map[dewline.SystemID][]byte{}
	_, err := store.LoadProgress(ctx, analytics.StateVersion, func(id dewline.SystemID, state []byte) error {
		states[id] = state
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("load the state of analytics: %w", err)
	}
	if a.book, err = alerts.LoadBook(ctx, store); err != nil {
		return nil, err
	}
	if a.book.Fleet = fleet; len(fleet.Systems()) > 0 { // a file that is not there takes nothing out
		a.leaving = fleet
	}
	if err := a.engine.Resume(ctx, series.Readings, store, states, progress); err != nil {
		return nil, err
	}
	return a, nil
}

// setFleet is called before run, or by it.
func (a *analyst) setFleet(f *dewline.Fleet) {
	if err := a.engine.SetFleet(f); err != nil {
		a.log.Error("some systems cannot be analysed", "err", err)
	}
	systems := make([]dewline.SystemID, 0, len(f.Systems()))
	for _, s := range f.Systems() {
		systems = append(systems, s.ID)
	}
	a.systems, a.turn = systems, 0
}

// Offer takes new readings from ingest.
func (a *analyst) Offer(batch []dewline.Sample, events ...dewline.Event) {
	a.engine.Offer(batch, events...)
	if a.offered.Add(int64(len(batch))) >= analystBacklog {
		select {
		case a.wake <- struct{}{}:
		default:
		}
	}
}

// run stores what the engine has to say until ctx ends, and once more then. fleets brings changes
// of what is enrolled.
func (a *analyst) run(ctx context.Context, fleets <-chan *dewline.Fleet) {
	tick := time.NewTicker(analystEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			last, stop := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
			defer stop()
			a.flush(last, a.systems)
			return
		case f := <-fleets:
			a.flush(ctx, nil) // what was found until now
			a.setFleet(f)
			a.book.Fleet, a.leaving = f, f
		case <-a.wake:
			a.flush(ctx, nil)
		case <-tick.C:
			a.flush(ctx, a.nextInTurn())
		}
	}
}

// nextInTurn returns the systems whose states are stored with this flush.
func (a *analyst) nextInTurn() []dewline.SystemID {
	n := len(a.systems)
	if n == 0 {
		return nil
	}
	count := min(n, n*int(analystEvery)/int(stateEvery)+1)
	next := make([]dewline.SystemID, 0, count)
	for range count {
		next = append(next, a.systems[a.turn%n])
		a.turn++
	}
	return next
}

// flush stores, in one transaction, alerts, roll-ups and the states that they came from. What an
// earlier flush could not store goes before it.
func (a *analyst) flush(ctx context.Context, states []dewline.SystemID) {
	if !a.save(ctx) {
		return
	}
	a.leave(ctx)
	a.offered.Store(0)
	p, err := a.collect(states)
	if err != nil {
		a.log.Error("the state of analytics cannot be saved", "err", err)
		return
	}
	a.pending = p
	if a.save(ctx) {
		a.redo(ctx)
	}
}

// save stores what is pending and says whether nothing is any more.
func (a *analyst) save(ctx context.Context) bool {
	if a.pending == nil {
		return true
	}
	if err := a.store.SaveProgress(ctx, *a.pending); err != nil {
		if errors.Is(ctx.Err(), context.Canceled) {
			return false // the last flush follows, with a context of its own
		}
		a.metrics.failures.Inc()
		a.log.Error("alerts and roll-ups cannot be stored; the next attempt follows", "err", err)
		return false
	}
	a.pending = nil
	return true
}

// leave ends the alerts of what was taken out of the fleet. It is tried again with the next flush where it
// cannot be stored.
func (a *analyst) leave(ctx context.Context) {
	if a.leaving == nil {
		return
	}
	if err := a.book.Leave(ctx, a.store, a.leaving, dewline.MillisOf(time.Now())); err != nil {
		a.log.Error("alerts of what is not enrolled any more cannot be ended yet", "err", err)
		return
	}
	a.leaving = nil
}

func (a *analyst) collect(states []dewline.SystemID) (*dewline.Progress, error) {
	var out analytics.Output
	saved, err := a.engine.Checkpoint(&out, states)
	if err != nil {
		return nil, err
	}
	for q := range out.Late {
		a.late[q] = struct{}{}
	}
	a.metrics.analysed.Add(float64(out.Analysed))
	a.metrics.late.Add(float64(out.LateReadings))
	a.metrics.findings.Add(float64(len(out.Findings)))
	a.metrics.rollUps.Add(float64(len(out.RollUps)))
	return &dewline.Progress{
		Version: analytics.StateVersion, States: saved, Watermark: a.engine.Newest(),
		RollUps: out.RollUps, Alerts: a.valid(a.book.Apply(out.Findings)),
	}, nil
}

// valid leaves out alerts that no store takes. They are a mistake of ours, which must not keep all
// others, roll-ups and states from being stored for ever.
func (a *analyst) valid(changes []dewline.AlertChange) []dewline.AlertChange {
	return slices.DeleteFunc(changes, func(c dewline.AlertChange) bool {
		err := c.Alert.Validate()
		if err != nil {
			a.metrics.failures.Inc()
			a.log.Error("an alert that makes no sense is left out; please report this", "err", err)
		}
		return err != nil
	})
}

// redo makes roll-ups again into which late readings fell.
func (a *analyst) redo(ctx context.Context) {
	done := 0
	for q := range a.late {
		if done++; done > lateAtOnce {
			return
		}
		rows, err := a.series.Recompute(ctx, q)
		if err == nil {
			err = a.store.PutRollUps(ctx, rows)
		}
		if err != nil {
			a.log.Warn("a quarter hour with late readings cannot be summed up again yet", "system", q.System, "err", err)
			return
		}
		delete(a.late, q)
	}
}
