package analytics

import (
	"errors"
	"maps"
	"slices"
	"sync"
	"time"

	"dewline"
	"dewline/analytics/baseline"
	"dewline/analytics/cycle"
	"dewline/analytics/diagnose"
	"dewline/analytics/window"
)

// Engine analyses the readings of a fleet. It is safe for concurrent use; the order of calls to
// Offer is the order of arrival.
type Engine struct {
	mu      sync.Mutex
	opt     Options
	systems map[dewline.SystemID]*system
	sites   [][]*system    // the systems of each site, in the order of the fleet
	newest  dewline.Millis // of all systems
	swept   dewline.Millis // the newest time at which silence was last looked at
	out     Output
}

// Output is what an Engine has to say since it was last asked.
type Output struct {
	// Findings are new or changed findings, in order for each system.
	Findings []dewline.Finding
	// Diary has a line for each system and UTC day that ended.
	Diary []dewline.DayNote
	// RollUps are finished quarter hours.
	RollUps []dewline.RollUp
	// Late are the quarter hours into which readings fell that came too late to be analysed; their
	// roll-ups are to be made again from the store. LateReadings counts those readings.
	Late         map[Quarter]struct{}
	LateReadings int
	// Analysed counts the readings that were evaluated.
	Analysed int
}

// Quarter is one quarter hour of one system.
type Quarter struct {
	System dewline.SystemID
	Start  dewline.Millis
}

// NewEngine returns an engine without systems; see SetFleet.
func NewEngine(opt Options) *Engine {
	return &Engine{opt: opt, systems: map[dewline.SystemID]*system{}}
}

// SetFleet makes the engine analyse the systems of f. Systems that were there keep their state,
// with what has changed in their enrolment; others go. Systems that cannot be prepared are left
// out and named in the error.
func (e *Engine) SetFleet(f *dewline.Fleet) error {
	e.mu.Lock()
	defer e.mu.Unlock()
	systems := make(map[dewline.SystemID]*system, len(f.Systems()))
	sites := make([][]*system, len(f.Sites))
	var errs []error
	for i := range f.Sites {
		site := &f.Sites[i]
		for j := range site.Systems {
			s := &site.Systems[j]
			m, err := cycle.NewMachine(s, site)
			if err != nil {
				errs = append(errs, err)
				continue
			}
			y, ok := e.systems[s.ID]
			if !ok {
				y = newSystem(e.opt)
			}
			y.machine, y.id = m, s.ID
			y.prior, y.group = baseline.NewPrior(m), diagnose.Group(s)
			y.stated, y.kind = statedSampling(s)
			systems[s.ID] = y
			sites[i] = append(sites[i], y)
		}
	}
	e.systems, e.sites = systems, sites
	return errors.Join(errs...)
}

// statedSampling returns the longest interval that is stated for a point, and whether points are stated to be means, or else
// instants.
func statedSampling(s *dewline.System) (longest time.Duration, kind dewline.SamplingKind) {
	for _, p := range s.Points {
		longest = max(longest, p.Sampling.Interval)
		if kind != dewline.SampledMean && p.Sampling.Kind != "" {
			kind = p.Sampling.Kind
		}
	}
	return longest, kind
}

// Offer takes readings that are new to the store, and events. Those of systems that are not enrolled
// are passed over.
func (e *Engine) Offer(batch []dewline.Sample, events ...dewline.Event) {
	e.mu.Lock()
	defer e.mu.Unlock()
	for i := range events {
		if y := e.systems[events[i].System]; y != nil {
			if r := eventReading(&events[i]); y.buffer.Add(r) == window.Behind {
				y.event(r) // told late: it counts from now on
			}
		}
	}
	var y *system
	for i := range batch {
		s := &batch[i]
		if y == nil || y.id != s.System {
			if y != nil {
				y.advance(e, y.buffer.Watermark())
			}
			if y = e.systems[s.System]; y == nil {
				continue
			}
		}
		switch y.buffer.Add(window.Reading{At: s.At, Point: s.Point, Value: s.Value}) {
		case window.Behind:
			e.late(s)
		case window.Kept:
			e.newest = max(e.newest, s.At)
		}
		y.heard = e.newest
	}
	if y != nil {
		y.advance(e, y.buffer.Watermark())
	}
	// Silence is judged by the newest reading of all, less what may still be on its way.
	if now := e.newest - dewline.Millis(e.opt.Lateness.Milliseconds()); now-e.swept >= sweepEvery {
		e.sweep(now)
	}
}

const sweepEvery = dewline.Millis(60_000)

func (e *Engine) late(s *dewline.Sample) {
	e.out.LateReadings++
	if e.out.Late == nil {
		e.out.Late = map[Quarter]struct{}{}
	}
	e.out.Late[Quarter{s.System, quarterOf(s.At)}] = struct{}{}
}

// Finish analyses what is still waiting for late readings, because none will come: the input is at
// its end. The newest reading of all is the time at which silence is judged.
func (e *Engine) Finish() {
	e.mu.Lock()
	defer e.mu.Unlock()
	for _, y := range e.systems {
		y.advance(e, y.buffer.Newest())
		y.heard = 0 // nothing of it is on its way any more
	}
	e.sweep(e.newest)
	for _, id := range slices.Sorted(maps.Keys(e.systems)) {
		y := e.systems[id]
		e.out.RollUps = y.Quarter.close(id, e.out.RollUps)
		if y.Day.Open {
			e.out.Diary = append(e.out.Diary, y.note())
			y.Day = today{}
		}
	}
}

// Drain moves what the engine has to say since the last call into out.
func (e *Engine) Drain(out *Output) {
	e.mu.Lock()
	defer e.mu.Unlock()
	*out, e.out = e.out, Output{}
}

// State implements dewline.StateReader.
func (e *Engine) State(id dewline.SystemID) (dewline.SystemState, bool) {
	e.mu.Lock()
	defer e.mu.Unlock()
	y, ok := e.systems[id]
	if !ok {
		return dewline.SystemState{}, false
	}
	return y.state(), true
}

// Newest returns the newest event time of all readings.
func (e *Engine) Newest() dewline.Millis {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.newest
}

func quarterOf(at dewline.Millis) dewline.Millis {
	span := dewline.Millis(dewline.RollUpSpan.Milliseconds())
	start := at / span * span
	if start > at { // before 1970
		start -= span
	}
	return start
}
