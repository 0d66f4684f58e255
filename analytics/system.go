package analytics

import (
	"slices"
	"time"

	"dewline"
	"dewline/analytics/cycle"
	"dewline/analytics/window"
)

// system is one system under analysis.
type system struct {
	id      dewline.SystemID
	machine *cycle.Machine
	stated  time.Duration // the longest stated sampling interval, 0 if none
	buffer  window.Buffer
	heard   dewline.Millis // the newest reading of all systems when this one was heard last

	memory                // what Checkpoint keeps
	last   cycle.Features // of the newest frame
}

// memory is what a system remembers from frame to frame.
type memory struct {
	Frame   cycle.Frame
	Gaps    gaps
	Running bool
	Since   dewline.Millis // when it began to run
	Steady  steadiness
	Recent  rolling // steady running: superheat and subcooling over 10 min and 24 h
	Quarter quarter
	Flood   condition
	Starve  condition

	Silences []gap // not told yet, or not over
}

func newSystem(opt Options) *system {
	return &system{buffer: window.Buffer{Lateness: dewline.Millis(opt.Lateness.Milliseconds())}}
}

// advance evaluates, frame by frame, the readings up to the time to.
func (y *system) advance(e *Engine, to dewline.Millis) {
	var at dewline.Millis
	started := false
	y.buffer.Pass(to, func(r window.Reading) {
		if started && r.At != at {
			y.evaluate(e)
		}
		if !started || r.At != at {
			y.gap(e, r.At)
		}
		started, at = true, r.At
		y.Frame.Set(r.Point, r.At, r.Value)
		e.out.Analysed++
		y.Quarter.point(e, y, r)
	})
	if started {
		y.evaluate(e)
	}
}

// gap notes the time since the frame before.
func (y *system) gap(e *Engine, at dewline.Millis) {
	prev := y.Frame.At
	if prev != 0 {
		if limit := y.silentAfter(e.opt); at-prev >= limit {
			y.silent(prev, prev+limit, at)
		} else {
			y.Gaps.add(at - prev)
		}
	}
	y.spoke(at)
}

// evaluate judges the frame that is now complete.
func (y *system) evaluate(e *Engine) {
	f := &y.last
	y.machine.Evaluate(&y.Frame, f)
	y.Quarter.features(f)
	at := y.Frame.At
	running, known := y.machine.Running(&y.Frame, f)
	running = running && known
	if running && !y.Running {
		y.Since = at
		y.Steady.reset()
	}
	y.Running = running
	if !running {
		y.Steady.reset()
		return
	}
	steady := y.Steady.add(at, y.Since, f, y.interval())
	if !steady || !y.machine.Cooling(&y.Frame) {
		return
	}
	y.Recent.add(at, f)
	y.judge(e, f)
}

// interval returns the sampling interval: stated, or else the median of recent gaps.
func (y *system) interval() time.Duration {
	if y.stated > 0 {
		return y.stated
	}
	return y.Gaps.median()
}

func (y *system) silentAfter(opt Options) dewline.Millis {
	d := max(opt.SilentAfter, time.Duration(opt.SilentIntervals)*y.interval())
	return dewline.Millis(d.Milliseconds())
}

func (y *system) state() dewline.SystemState {
	s := dewline.SystemState{
		System: y.id, At: y.Frame.At, Received: max(y.buffer.Newest(), y.Frame.At),
		Running: y.Running, Steady: y.Running && y.Steady.Steady,
		Values: make(map[dewline.Derived]dewline.Estimate, cycle.NumFeatures),
	}
	if s.Steady {
		s.SteadyMinutes = y.Frame.At.Sub(y.Steady.From).Minutes()
	}
	for i, d := range dewline.DerivedValues() {
		if y.Frame.At == 0 {
			s.Values[d] = dewline.Estimate{Missing: "no reading has been analysed yet"}
			continue
		}
		s.Values[d] = y.last.Estimate(cycle.Feature(i))
	}
	s.Rolling10Min = y.Recent.over(y.Frame.At, 10*time.Minute)
	s.Rolling24H = y.Recent.over(y.Frame.At, 24*time.Hour)
	return s
}

// gaps remembers the last times between frames.
type gaps struct {
	Last [8]dewline.Millis
	N    int32
}

func (g *gaps) add(d dewline.Millis) {
	g.Last[int(g.N)%len(g.Last)] = d
	g.N++
	if g.N >= 1<<20 { // keep the position, not the count
		g.N = int32(len(g.Last)) + g.N%int32(len(g.Last))
	}
}

func (g *gaps) median() time.Duration {
	n := min(int(g.N), len(g.Last))
	if n == 0 {
		return 0
	}
	sorted := g.Last
	slices.Sort(sorted[:n])
	return time.Duration(sorted[n/2]) * time.Millisecond
}
