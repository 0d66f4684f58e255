package analytics

import (
	"slices"
	"time"

	"dewline"
	"dewline/analytics/baseline"
	"dewline/analytics/cycle"
	"dewline/analytics/diagnose"
	"dewline/analytics/sensor"
	"dewline/analytics/window"
)

// system is one system under analysis.
type system struct {
	id      dewline.SystemID
	machine *cycle.Machine
	prior   *baseline.Prior
	group   string        // of signatures
	stated  time.Duration // the longest stated sampling interval, 0 if none
	kind    dewline.SamplingKind
	buffer  window.Buffer
	heard   dewline.Millis // the newest reading of all systems when this one was heard last

	memory                // what Checkpoint keeps
	last   cycle.Features // of the newest frame
	means  bool           // readings are taken for means over their interval

	performed  performed
	directions []diagnose.Sensor // scratch
}

// memory is what a system remembers from frame to frame.
type memory struct {
	Frame    cycle.Frame
	Gaps     gaps
	Judged   dewline.Millis // the newest frame that was not one of a gateway still asking
	Operate  operation
	Steady   steadiness
	Recent   rolling // steady running: superheat and subcooling over 10 min and 24 h
	Quarter  quarter
	Gather   gather
	Means    cycle.Means // of the newest window
	Track    track
	Acute    acute
	Hunting  hunting
	Full     full
	Watch    watching
	Believed hold
	Episodes []episode
	Day      today

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
		if r.Point.Dimension() == dewline.EventText {
			started = false
			y.event(r)
			return
		}
		if !sensor.Plausible(y.machine, r.Point, r.Value) {
			y.Watch.Sensors.Implausible(r.Point, r.At, r.Value)
			e.out.Analysed++
			return
		}
		if !started || r.At != at {
			y.gap(e, r.At)
		}
		started, at = true, r.At
		y.pace(r)
		y.Frame.Set(r.Point, r.At, r.Value)
		e.out.Analysed++
		y.Quarter.point(e, y, r)
	})
	if started {
		y.evaluate(e)
	}
}

// eventReading puts an event into the order of readings. Sensors that are changed at one visit share
// its time; the buffer keeps one reading of a point and time, so they are told apart by milliseconds.
func eventReading(v *dewline.Event) window.Reading {
	r := window.Reading{At: v.At, Point: v.Kind}
	if v.Kind == dewline.SensorReplaced {
		p, _ := dewline.PointNamed(v.Note)
		r.At, r.Value = r.At+dewline.Millis(p), float64(p)
	}
	return r
}

// event takes what happened to the machine.
func (y *system) event(r window.Reading) {
	if r.Point == dewline.Serviced {
		y.visited(r.At)
		return
	}
	p := dewline.Point(r.Value)
	y.Watch.Sensors.Replaced(p, r.At)
	y.Watch.Doubts = slices.DeleteFunc(y.Watch.Doubts, func(d sensor.Doubt) bool { return d.Point == p })
	y.Gather = gather{}
	y.Track.forgive()
}

// gap notes the time since the frame before.
func (y *system) gap(e *Engine, at dewline.Millis) {
	prev := y.Frame.At
	if prev != 0 {
		if limit := y.silentAfter(e.opt); at-prev >= limit {
			y.silent(prev, prev+limit, at)
		}
	}
	y.spoke(at)
}

// pace notes the time since the same point was read before. One point sets the pace, the first of those that are heard:
// a gateway may give each its own time, and the times between frames are then no interval.
func (y *system) pace(r window.Reading) {
	const heard = hour
	for p := dewline.SuctionPressure; p <= r.Point; p++ {
		if t := y.Frame.Taken[p]; t == 0 || r.At-t > heard {
			continue
		}
		if p == r.Point && r.At > y.Frame.Taken[p] {
			y.Gaps.add(r.At - y.Frame.Taken[p])
		}
		return
	}
}

// evaluate judges the frame that is now complete.
func (y *system) evaluate(e *Engine) {
	f := &y.last
	at := y.Frame.At
	y.turn(e, at)
	y.means = y.averages()
	y.machine.Evaluate(&y.Frame, f)
	y.Quarter.features(f)
	o := &y.Operate
	on, known, told := y.machine.Running(&y.Frame, f)
	if !told {
		on, known = o.byPressures(at, on, known, f, y.machine.System.Kind.Comfort(), y.machine.System.CompressorSpeed.Changes(), y.longest())
	}
	mode := f.Mode
	if !f.ModeKnown && on {
		mode = o.goingOn(at, y.longest())
	}
	began, ended := o.step(at, on && known, known, mode, y.longest())
	if began {
		y.Day.Runs++
	}
	if began || ended {
		y.closeWindow(e)
		y.Steady.reset()
		y.Hunting = hunting{}
	}
	y.cutsOut(e, f, began, ended)
	steady := false
	if o.On && !y.asking(at) {
		y.Judged = at
		if o.cools() && at.Sub(o.Since) >= y.guard() {
			y.swinging(e, f)
		}
		steady = y.Steady.add(at, o.Since, f, y.interval(), y.guard(), y.means)
		if y.means && o.cools() && !y.whole(f) {
			steady = false
		}
		steady = steady && !y.Watch.Sensors.Still(y.machine, &y.Frame)
		judged := steady && o.cools()
		if judged {
			y.Recent.add(at, f)
			y.Gather.add(y.machine, &y.Frame, f, y.each(), y.longest(), y.short())
		}
		tooSoon := y.means && at.Sub(o.Since) < 2*y.interval() // its first whole mean is too near to the start for a limit
		if steady && !tooSoon && o.Mode != dewline.ModeDefrost {
			y.limits(e, f)
		}
		if !judged || y.Gather.Ran >= dewline.Millis(windowSpan.Milliseconds()) {
			y.closeWindow(e)
		}
	}
	y.watch(e, f)
	y.anyway(e, began)
}

// asking says whether a gateway is just asking one sensor after another: a pressure is then of now, and its clamp of an
// interval ago, which is told apart from a machine that changes when the last has answered. Where there is no such
// moment, because each has a time of its own, a frame is judged now and then all the same.
func (y *system) asking(at dewline.Millis) bool {
	interval := dewline.Millis(y.interval().Milliseconds())
	if interval < 45_000 || at-y.Judged >= interval*3/2 {
		return false
	}
	for p := dewline.SuctionPressure; p <= dewline.LiquidTemp; p++ {
		every := y.Frame.Every[p]
		if age := at - y.Frame.Taken[p]; every > interval*2/3 && every < interval*3/2 && age > every*3/5 && age <= every*5/4 {
			return true
		}
	}
	return false
}

// closeWindow judges what was gathered, if it is enough.
func (y *system) closeWindow(e *Engine) {
	g := &y.Gather
	if g.Frames == 0 {
		return
	}
	y.Day.Steady += g.Ran
	least := dewline.Millis(min(5*time.Minute, y.guard()/2).Milliseconds())
	if g.Ran < least && !(y.interval() >= 4*time.Minute) {
		*g = gather{}
		return
	}
	y.Means = g.means()
	w := g.window(y.machine)
	y.look(e, &w)
}

// short says whether the machine usually runs so shortly that it hardly settles.
func (y *system) short() bool {
	usual, limit := y.Operate.usualRun(), shortRun
	if y.means {
		limit = max(limit, 3*y.interval()) // one mean of it has the start in it, and one the end
	}
	return usual > 0 && usual < limit
}

const shortRun = 20 * time.Minute

// guard is how long a machine must have run before its readings say anything.
func (y *system) guard() time.Duration {
	switch {
	case y.means:
		return y.interval() // the first mean has the start in it
	case y.short():
		return max(4*time.Minute, y.Operate.usualRun()/2)
	}
	return runGuard
}

// longestInstant is what is hardly ever between two single values: what comes more rarely, and as regularly as a clock, is
// taken for means (common practice).
const longestInstant = 8 * time.Minute

// averages says whether readings are means: as stated, or else by how rarely they come.
func (y *system) averages() bool {
	if y.kind != "" {
		return y.kind == dewline.SampledMean
	}
	return y.interval() >= longestInstant && (y.stated > 0 || y.Gaps.even())
}

// interval returns the sampling interval: stated, or else the median of recent gaps between readings of one point.
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
		Running: y.Operate.On, Steady: y.Operate.On && y.Steady.Steady,
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
	y.assess(&s)
	return s
}

// gaps remembers the last times between readings of one point.
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

// even says whether the last times are all about the same.
func (g *gaps) even() bool {
	last := g.Last[:min(int(g.N), len(g.Last))]
	return len(last) > 2 && float64(slices.Max(last)) < 1.1*float64(slices.Min(last))
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
