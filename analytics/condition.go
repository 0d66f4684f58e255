package analytics

import (
	"fmt"
	"math"
	"time"

	"dewline"
	"dewline/analytics/cycle"
)

// The first-cut limits. They stand until diagnosis replaces them.
const (
	// floodLimit: below it liquid is reaching the compressor (common practice: 5 F).
	floodLimit = 2.8 // K
	// starveLimit: above it a comfort machine with a valve that should hold its superheat starves
	// its evaporator (common practice: 20 F). It says nothing of an orifice, a capillary or a cold store.
	starveLimit = 11.0 // K
	// beyond is how many standard uncertainties a value must lie past a limit.
	beyond = 2
	// persist is how long a condition must hold, counted in steady running.
	persist = 30 * time.Minute
	// clearWindows and clearDays: a condition is over when this many steady windows of the length
	// persist, on this many UTC days, have been free of it.
	clearWindows = 3
	clearDays    = 2
)

// condition follows one condition of one system.
type condition struct {
	Open     bool
	Onset    dewline.Millis // of the open one, or of the one that is building up
	Detected dewline.Millis
	Prev     dewline.Millis // the steady frame before, 0 for none
	Held     dewline.Millis // steady running in which it held
	Free     dewline.Millis // steady running in which it did not, of the running window
	Windows  int32
	Days     [clearDays]int64 // days of free windows, 0 for none; a day is counted from 1
}

// steadyGap is the longest time between two frames that still counts as running between them.
func (y *system) steadyGap() dewline.Millis {
	return dewline.Millis(max(2*time.Minute, 5*y.interval()/2).Milliseconds())
}

// judge follows the conditions over a steady frame.
func (y *system) judge(e *Engine, f *cycle.Features) {
	if !f.OK(cycle.Superheat) {
		return
	}
	v, u := f.Value[cycle.Superheat], f.U[cycle.Superheat]
	y.follow(e, &y.Flood, dewline.Flooding, v+beyond*u < floodLimit, f)
	sys := y.machine.System
	if sys.Kind.Comfort() && sys.Metering.HoldsSuperheat() {
		y.follow(e, &y.Starve, dewline.Starving, v-beyond*u > starveLimit, f)
	}
}

// follow moves a condition on by one steady frame in which it held or not.
func (y *system) follow(e *Engine, c *condition, name dewline.Condition, holds bool, f *cycle.Features) {
	at := y.Frame.At
	var ran dewline.Millis
	if c.Prev != 0 && at-c.Prev <= y.steadyGap() {
		ran = at - c.Prev
	}
	c.Prev = at
	need := dewline.Millis(persist.Milliseconds())
	if !c.Open {
		if !holds {
			c.Held, c.Onset = 0, 0
			return
		}
		if c.Onset == 0 {
			c.Onset = at
		} else {
			c.Held += ran
		}
		if c.Held >= need {
			c.Open, c.Detected = true, at
			c.Free, c.Windows, c.Days = 0, 0, [clearDays]int64{}
			e.out.Findings = append(e.out.Findings, y.finding(c, name, 0, f))
		}
		return
	}
	if holds { // back before it was over
		c.Free, c.Windows, c.Days = 0, 0, [clearDays]int64{}
		return
	}
	if c.Free += ran; c.Free < need {
		return
	}
	c.Free = 0
	c.Windows++
	day := int64(at)/86_400_000 + 1
	for i := range c.Days {
		if c.Days[i] == day {
			break
		}
		if c.Days[i] == 0 {
			c.Days[i] = day
			break
		}
	}
	if c.Windows >= clearWindows && c.Days[clearDays-1] != 0 {
		e.out.Findings = append(e.out.Findings, y.finding(c, name, at, f))
		*c = condition{Prev: at}
	}
}

func (y *system) finding(c *condition, name dewline.Condition, cleared dewline.Millis, f *cycle.Features) dewline.Finding {
	out := dewline.Finding{
		System: y.id, Condition: name, Onset: c.Onset, Detected: c.Detected, Cleared: cleared,
		Severity: dewline.Soon, Causes: y.causes(name, f), Evidence: y.evidence(name, f),
	}
	if name == dewline.Flooding {
		out.Severity = dewline.Urgent
		at := c.Detected
		out.Forecast = &dewline.Forecast{Limit: fmt.Sprintf("superheat below %.1f K", floodLimit), Quantity: "superheat", Value: floodLimit, Unit: "K", At: at}
	}
	return out
}

// causes are the likely faults behind a condition from subcooling alone: more or less liquid than
// should be there tells charge from metering. The shares are from memory, and stand until diagnosis
// computes them.
func (y *system) causes(name dewline.Condition, f *cycle.Features) []dewline.Cause {
	target := 5.6 // K, common practice where the equipment states none
	if t := y.machine.System.TargetSubcooling; t > 0 {
		target = float64(t)
	}
	high, low := false, false
	if f.OK(cycle.Subcooling) && !y.machine.System.Receiver { // with a receiver it is no measure of charge
		off := f.Value[cycle.Subcooling] - target
		margin := math.Max(3, beyond*f.U[cycle.Subcooling])
		high, low = off > margin, off < -margin
	}
	type c = dewline.Cause
	switch {
	case name == dewline.Flooding && high:
		if bore := y.machine.System; bore.Metering == dewline.FixedOrifice {
			// On a fixed orifice a wrong bore hides behind charge that someone added after it.
			return []c{{Fault: dewline.Overcharge, Probability: 0.55}, {Fault: dewline.Restriction, Detail: "orifice_too_small", Probability: 0.25}, {Fault: dewline.Overfeed, Probability: 0.10}, {Fault: dewline.SensorFault, Probability: 0.10}}
		}
		return []c{{Fault: dewline.Overcharge, Probability: 0.75}, {Fault: dewline.Overfeed, Probability: 0.15}, {Fault: dewline.SensorFault, Probability: 0.10}}
	case name == dewline.Flooding:
		return []c{{Fault: dewline.Overfeed, Probability: 0.50}, {Fault: dewline.EvaporatorAirflow, Probability: 0.35}, {Fault: dewline.SensorFault, Probability: 0.15}}
	case high:
		return []c{{Fault: dewline.Restriction, Probability: 0.75}, {Fault: dewline.Undercharge, Probability: 0.10}, {Fault: dewline.SensorFault, Probability: 0.15}}
	case low:
		return []c{{Fault: dewline.Undercharge, Probability: 0.80}, {Fault: dewline.Restriction, Probability: 0.10}, {Fault: dewline.SensorFault, Probability: 0.10}}
	}
	return []c{{Fault: dewline.Undercharge, Probability: 0.45}, {Fault: dewline.Restriction, Probability: 0.40}, {Fault: dewline.SensorFault, Probability: 0.15}}
}

func (y *system) evidence(name dewline.Condition, f *cycle.Features) []string {
	limit, word := floodLimit, "below"
	if name == dewline.Starving {
		limit, word = starveLimit, "above"
	}
	out := []string{fmt.Sprintf("superheat %.1f ±%.1f K (k = 2), %s the limit of %.1f K while running steadily",
		f.Value[cycle.Superheat], beyond*f.U[cycle.Superheat], word, limit)}
	if f.OK(cycle.Subcooling) {
		out = append(out, fmt.Sprintf("subcooling %.1f ±%.1f K (k = 2)", f.Value[cycle.Subcooling], beyond*f.U[cycle.Subcooling]))
	}
	return out
}
