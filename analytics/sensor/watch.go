package sensor

import (
	"math"
	"time"

	"dewline"
	"dewline/analytics/cycle"
	"dewline/thermo"
	"dewline/thermo/si"
)

const (
	// spellLength is the length of event time in which evidence is gathered before it is judged.
	spellLength = 2 * hour
	// thin is the least time between frames that are looked at: sensors need no more.
	thin = 20_000
	// settles is how long a machine runs, and rests how long it stands, before what it shows is smooth.
	settles, rests = 10 * minute, 30 * minute
	// fastEnough is the longest interval at which successive readings tell noise from the machine.
	fastEnough = 6 * time.Minute
)

// numPoints: the measured points come first in the contract's table, and are those that are watched.
const numPoints = int(dewline.CompressorPower)

// Watch is what is known of the sensors of one system. The zero Watch knows nothing and is ready. It
// can be saved and restored by encoding/gob at any moment without changing what it says later.
type Watch struct {
	State state

	machine *cycle.Machine
	curve   *thermo.Curve
}

// state is what a Watch remembers.
type state struct {
	At       dewline.Millis // of the newest frame that was looked at
	Changed  dewline.Millis // when the compressor was last seen to start or stop
	Run      dewline.Millis // the last run that was counted, by its begin
	Interval int32          // ms
	Class    class
	InClass  uint8 // frames in a row
	Running  bool
	Known    bool
	Spell    spell
	Points   [numPoints]point
	Related  [numRelated]suspicion // of pressures and clamps, against each other
	Gateway  suspicion
	Usual    usual
	Rest     rest
	Calms    calms
}

// numRelated: pressures and clamps are the first points.
const numRelated = int(dewline.DischargeTemp)

// class is what a frame can be used for.
type class uint8

const (
	unsettled class = iota
	running         // smoothly, in whatever mode but defrost
	slowing         // it stands, and all goes smoothly to rest
	resting
)

// spell is what is known of the machine over the current spell.
type spell struct {
	ID             int32 // number of the spell since 1970
	Frames         uint16
	Ran, Stood     int32 // s
	Idle           int32 // s, the shortest time that it had stood at a frame; 0 with any running
	Turns          uint8 // starts and stops after at least five minutes
	Runs           uint8 // with steady frames
	Cooling        int32 // s, steadily
	Ratios, Low    uint16
	Crossed        uint16
	Any, Wrong     uint16
	Above          uint16
	Bad            uint16 // points that had implausible readings, a bit each
	Mean, Defrost  bool
	Status, Hasten bool // the compressor has a signal of its own; sampled fast enough to judge noise
}

// point is what is known of one sensor.
type point struct {
	// Of the spell.
	N           uint16
	Row         uint8 // readings in a row
	MeanN       uint16
	RestN       uint16
	Min, Max    float32
	Last, Last2 float32
	Mean, Low   float32 // while cooling steadily, and the lowest of that
	Rest        float32 // while resting

	// Second differences, until there are enough to judge noise.
	Run, Off noise

	Quantum float32        // the least step ever seen, 0: it has never moved
	Changed dewline.Millis // when the value was last another one

	BadLast dewline.Millis // the last implausible reading
	BadFor  int32          // s of such readings
	BadLog  float32        // mean logarithm of their size
	Doubt   suspicion
}

// noise sums squares of second differences e of successive readings, and products of successive first
// differences. Of white noise of variance v the mean of e² is 6v, and successive differences are
// correlated by -1/2.
type noise struct {
	N    uint16
	E, C float32
}

func (n *noise) add(d1, d2 float32) {
	e := d2 - d1
	n.N++
	n.E += e * e
	n.C += d1 * d2
}

func (n *noise) sd() float64 { return math.Sqrt(float64(n.E) / float64(6*int(n.N))) }

// white says whether successive differences are correlated as those of white noise are.
func (n *noise) white() bool {
	squares := float64(n.E + 2*n.C) // of both differences
	return squares > 0 && math.Abs(2*float64(n.C)/squares+0.5) < 0.15
}

// Frame takes the frame of an event time. Frames come in order of time, without implausible readings.
func (w *Watch) Frame(m *cycle.Machine, fr *cycle.Frame, f *cycle.Features, s Situation) {
	st := &w.State
	at, before := fr.At, st.At
	if before != 0 && at-before < thin {
		return
	}
	if w.machine != m {
		w.adopt(m)
	}
	if id := int32(at / spellLength); id != st.Spell.ID {
		w.close(s.Suspicious)
		st.Spell = spell{ID: id}
	}
	interval := dewline.Millis(s.Interval.Milliseconds())
	st.Interval = int32(min(max(interval, thin), hour))
	st.At = at
	joined := before != 0 && at-before <= dewline.Millis(st.Interval)*5/2+thin
	w.follow(fr, s, before, joined)
	c := w.classify(at, s, joined)
	cooling := c == running && s.Steady && s.Mode == dewline.ModeCooling
	if cooling {
		w.cool(at-before, joined, s)
	}
	if f.OK(cycle.PressureRatio) {
		st.Spell.ratio(f.Value[cycle.PressureRatio], c == running && (s.Mode != dewline.ModeHeating && (cooling || m.System.Kind != dewline.HeatPump)))
	}

	judgeNoise := c != unsettled && st.InClass > 2 && !s.Mean && s.Interval <= fastEnough
	st.Spell.Hasten = st.Spell.Hasten || judgeNoise
	for i := range st.Points {
		p := &st.Points[i]
		if fr.Taken[i+1] <= before {
			p.Row = 0
			continue
		}
		v := float32(fr.Value[i+1])
		if p.N == 0 {
			p.Min, p.Max = v, v
		} else if v < p.Min {
			p.Min = v
		} else if v > p.Max {
			p.Max = v
		}
		p.N++
		d := v - p.Last
		if d != 0 {
			if a := max(d, -d); p.Changed != 0 && (p.Quantum == 0 || a < p.Quantum) {
				p.Quantum = a
			}
			p.Changed = at
		}
		if judgeNoise && p.Row >= 2 {
			if c == running {
				p.Run.add(p.Last-p.Last2, d)
			} else {
				p.Off.add(p.Last-p.Last2, d)
			}
		}
		if p.Row < 2 {
			p.Row++
		}
		p.Last2, p.Last = p.Last, v
		switch {
		case cooling:
			if p.MeanN++; p.MeanN == 1 || v < p.Low {
				p.Low = v
			}
			p.Mean += (v - p.Mean) / float32(p.MeanN)
		case c == resting:
			p.RestN++
			p.Rest += (v - p.Rest) / float32(p.RestN)
		}
		if p.BadFor != 0 {
			p.recover(at - before)
		}
	}
}

// adopt takes a machine whose sensors are watched.
func (w *Watch) adopt(m *cycle.Machine) {
	w.machine = m
	if r, err := thermo.Lookup(m.System.Refrigerant); err == nil { // the machine was made with it
		w.curve = r.Curve()
	}
}

// follow keeps account of running and standing.
func (w *Watch) follow(fr *cycle.Frame, s Situation, before dewline.Millis, joined bool) {
	st, at := &w.State, fr.At
	sp := &st.Spell
	sp.Frames++
	sp.Mean = sp.Mean || s.Mean
	sp.Defrost = sp.Defrost || s.Mode == dewline.ModeDefrost
	sp.Status = sp.Status || max(fr.Taken[dewline.CompressorOn], fr.Taken[dewline.CompressorCurrent], fr.Taken[dewline.CompressorPower], fr.Taken[dewline.CompressorSpeed]) > before
	if joined && st.Known {
		if seconds := int32((at - before) / 1000); st.Running {
			sp.Ran += seconds
		} else {
			sp.Stood += seconds
		}
	}
	if s.Known && (!st.Known || s.Running != st.Running) {
		if st.Known && joined && at-st.Changed >= 5*minute {
			sp.Turns = sat8(sp.Turns, 1)
		}
		st.Changed = at
	}
	st.Running, st.Known = s.Running, s.Known
	idle := int32(0)
	if s.Known && !s.Running {
		idle = int32(min((at-max(s.Since, 0))/1000, math.MaxInt32))
	}
	if sp.Frames == 1 || idle < sp.Idle {
		sp.Idle = idle
	}
}

func (w *Watch) classify(at dewline.Millis, s Situation, joined bool) class {
	st := &w.State
	since, settle, rest := at-s.Since, dewline.Millis(settles), dewline.Millis(rests)
	if s.Mean { // a mean may reach back to before the start, by either stamp
		settle += 2 * dewline.Millis(st.Interval)
		rest += 2 * dewline.Millis(st.Interval)
	}
	c := unsettled
	switch {
	case !s.Known || s.Mode == dewline.ModeDefrost:
	case s.Running && since >= settle:
		c = running
	case !s.Running && since >= rest:
		c = resting
	case !s.Running && since >= settle:
		c = slowing
	}
	if c != st.Class || !joined {
		st.InClass = 0
	}
	st.Class, st.InClass = c, sat8(st.InClass, 1)
	return c
}

func (w *Watch) cool(step dewline.Millis, joined bool, s Situation) {
	sp := &w.State.Spell
	if joined {
		sp.Cooling += int32(step / 1000)
	}
	if s.Since != w.State.Run || sp.Runs == 0 {
		w.State.Run = s.Since
		sp.Runs = sat8(sp.Runs, 1)
	}
}

// ratio counts pressure ratios: a compressor that pumps holds them above about 1.2 (the lowest true
// one of a published campaign of 7,375 tests was 1.64), and no valve lets the suction side stand far above
// the other.
func (s *spell) ratio(r float64, pumping bool) {
	s.Any++
	if r < 1/1.5 {
		s.Wrong++
	}
	if r > 1.2 {
		s.Above++
	}
	if !pumping {
		return
	}
	s.Ratios++
	if r < 1/1.05 {
		s.Crossed++
	}
	if r < 1.2 {
		s.Low++
	}
}

// Implausible takes a reading that Plausible refused.
func (w *Watch) Implausible(p dewline.Point, at dewline.Millis, value float64) {
	if p == 0 || int(p) > numPoints {
		return
	}
	x := &w.State.Points[p-1]
	w.State.Spell.Bad |= 1 << (p - 1)
	longest := max(dewline.Millis(w.State.Interval)*5/2, 15*minute)
	if d := at - x.BadLast; x.BadLast != 0 && d > 0 && d <= longest {
		x.BadFor += int32(d / 1000)
	} else if x.BadFor == 0 {
		x.BadFor = 1
	}
	if x.Doubt.Kind != Open && x.Doubt.Sure == 0 {
		x.Doubt = suspicion{Kind: Open, Since: at}
	}
	x.Doubt.Good = 0
	log := float32(math.Log(max(math.Abs(value), 1e-3)))
	if x.BadFor <= 1 {
		x.BadLog = log
	} else {
		x.BadLog += (log - x.BadLog) / 8
	}
	x.BadLast = at
	if x.Doubt.Kind == Open {
		if x.Doubt.A != float32(value) {
			x.Doubt.B++
		}
		x.Doubt.A = float32(value)
		x.Doubt.believe(Open, at, x.BadFor >= 1800)
		if x.Doubt.Sure == at {
			x.Doubt.SizeU = float32(w.jump(int(p) - 1))
		}
	}
}

// recover takes a good reading after implausible ones: a loose contact gives both in turns.
func (p *point) recover(step dewline.Millis) {
	p.BadFor = max(p.BadFor-int32(min(step, hour)/1000), 0)
	if p.BadFor == 0 && p.Doubt.Kind == Open && p.Doubt.Sure == 0 {
		p.Doubt = suspicion{}
	}
}

// Replaced forgets what is known of the sensor of p, which was changed.
func (w *Watch) Replaced(p dewline.Point, at dewline.Millis) {
	if p == 0 || int(p) > numPoints {
		return
	}
	st := &w.State
	st.Points[p-1] = point{}
	st.Usual = usual{}
	if int(p) <= numRelated {
		st.Related[p-1] = suspicion{}
	}
	st.Rest.forget(p)
	st.Calms.forget(p)
}

// limit returns the limit of error of a point's sensor, at least what it takes for a movement to be one.
func (w *Watch) limit(i int) float64 {
	p := dewline.Point(i + 1)
	limit := math.Sqrt(3) * w.machine.Uncertainty(p)
	switch p.Dimension() {
	case dewline.Pressure:
		return max(limit, 20_000)
	case dewline.Temperature:
		return max(limit, 0.5)
	}
	return limit
}

// saturation returns dew and bubble temperature at an absolute pressure in Cel, NaN where there is none.
func (w *Watch) saturation(abs float64) (dew, bubble float64) {
	d, _, ok := w.curve.Dew(si.Pascal(abs))
	b, _, ok2 := w.curve.Bubble(si.Pascal(abs))
	if !ok || !ok2 {
		return math.NaN(), math.NaN()
	}
	return d.Celsius(), b.Celsius()
}
