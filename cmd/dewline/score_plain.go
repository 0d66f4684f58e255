package main

import (
	"time"

	"dewline"
	"dewline/analytics/cycle"
)

// The fixed limits of the plain detector (common practice). It stands for what a building's own alarm
// limits would do, so that it is seen what diagnosis is worth.
const (
	plainSuperheatLow   = 2.8  // K
	plainSuperheatHigh  = 11.0 // K
	plainSubcoolingLow  = 3.0  // K
	plainSubcoolingHigh = 11.0 // K
	plainOverAirHigh    = 17.0 // K, condensing over ambient
	plainHold           = 30 * time.Minute
	plainFree           = day // without any limit broken, in which it ran at all: the alert is over
)

// The limits, in the order in which they are named.
const (
	lowSuperheat = iota
	highSuperheat
	lowSubcooling
	highSubcooling
	highOverAir
	plainLimits
)

// watcher looks at the readings of one system: when it ran, and what the plain detector says.
type watcher struct {
	machine  *cycle.Machine
	frame    cycle.Frame
	features cycle.Features
	waiting  bool // the frame is not evaluated yet
	ran      runLog
	gaps     map[dewline.Millis]int // between the first frames

	held     [plainLimits]dewline.Millis // running with the limit broken, without a break or a stop
	broken   [plainLimits]bool           // for long enough
	lastHeld dewline.Millis              // when any limit was last broken
	freeRun  dewline.Millis              // running since then
	open     bool
	courses  []course
}

func newWatcher(m *cycle.Machine, from dewline.Millis) *watcher {
	return &watcher{machine: m, ran: runLog{from: from}, gaps: map[dewline.Millis]int{}}
}

// add takes readings of the system. Those older than what it has are passed over.
func (w *watcher) add(samples []dewline.Sample) {
	for i := range samples {
		s := &samples[i]
		if s.At < w.frame.At {
			continue
		}
		if s.At > w.frame.At {
			w.evaluate(s.At)
		}
		w.frame.Set(s.Point, s.At, s.Value)
		w.waiting = true
	}
}

// longGap is between frames longer than which nobody knows whether it ran.
const longGap = dewline.Millis(35 * 60_000)

// evaluate judges the frame, which is complete because one of a later time begins.
func (w *watcher) evaluate(next dewline.Millis) {
	if !w.waiting {
		return
	}
	w.waiting = false
	at := w.frame.At
	if len(w.gaps) < 100 {
		w.gaps[next-at]++
	}
	w.machine.Evaluate(&w.frame, &w.features)
	running, known, _ := w.machine.Running(&w.frame, &w.features)
	if !running || !known || next-at > longGap {
		w.held = [plainLimits]dewline.Millis{}
		return
	}
	w.ran.add(at, next)
	if w.features.Mode == dewline.ModeCooling {
		w.judge(at, next-at)
	}
}

// judge follows the limits over a frame that stands for a time of running.
func (w *watcher) judge(at, ran dewline.Millis) {
	f := &w.features
	beyond := func(k cycle.Feature, low, high float64) (bool, bool) {
		return f.OK(k) && f.Value[k] < low, f.OK(k) && f.Value[k] > high
	}
	var now [plainLimits]bool
	now[lowSuperheat], now[highSuperheat] = beyond(cycle.Superheat, plainSuperheatLow, plainSuperheatHigh)
	now[lowSubcooling], now[highSubcooling] = beyond(cycle.Subcooling, plainSubcoolingLow, plainSubcoolingHigh)
	_, now[highOverAir] = beyond(cycle.CondensingOverAir, 0, plainOverAirHigh)
	before, any := w.broken, false
	for i := range now {
		if !now[i] {
			w.held[i], w.broken[i] = 0, false
			continue
		}
		w.held[i] += ran
		w.broken[i] = w.held[i] >= dewline.Millis(plainHold.Milliseconds())
		any = any || w.broken[i]
	}
	if any {
		w.lastHeld, w.freeRun = at, 0
		if !w.open || gained(before, w.broken) {
			w.tell(at)
		}
		return
	}
	w.freeRun += ran
	if w.open && at-w.lastHeld >= plainFree && w.freeRun >= hour {
		w.open = false
		c := &w.courses[len(w.courses)-1]
		c.alert.Cleared, c.alert.State = at, dewline.AlertResolved
	}
}

func gained(before, now [plainLimits]bool) bool {
	for i := range now {
		if now[i] && !before[i] {
			return true
		}
	}
	return false
}

// tell opens the system's alert, or changes what the open one says.
func (w *watcher) tell(at dewline.Millis) {
	condition, fault := w.reading()
	causes := []dewline.Cause{{Fault: fault, Probability: 1}}
	if !w.open {
		id := w.machine.System.ID
		w.open = true
		w.courses = append(w.courses, course{})
		w.courses[len(w.courses)-1].alert = dewline.Alert{ID: dewline.AlertID(id, fault, at), Site: id.Site(), System: id, Systems: []dewline.SystemID{id},
			Condition: condition, Conditions: []dewline.Condition{condition}, Severity: dewline.Soon, State: dewline.AlertOpen, Onset: at, Detected: at}
	}
	c := &w.courses[len(w.courses)-1]
	a := c.alert
	a.Causes = causes
	c.change(a, at)
}

// reading is the obvious reading of the limits that are broken.
func (w *watcher) reading() (dewline.Condition, dewline.Fault) {
	b := &w.broken
	switch {
	case b[lowSuperheat] && b[highSubcooling]:
		return dewline.Flooding, dewline.Overcharge
	case b[lowSuperheat]:
		return dewline.Flooding, dewline.Overfeed
	case b[highSuperheat] && b[highSubcooling]:
		return dewline.Starving, dewline.Restriction
	case b[highSuperheat]:
		return dewline.Starving, dewline.Undercharge
	case b[highOverAir]:
		return dewline.HighHead, dewline.CondenserAirflow
	case b[highSubcooling]:
		return dewline.ChargeDrift, dewline.Overcharge
	}
	return dewline.ChargeDrift, dewline.Undercharge
}

// finish evaluates what is left.
func (w *watcher) finish() { w.evaluate(w.frame.At) }

// interval is the time between frames that is most frequent.
func (w *watcher) interval() time.Duration {
	var best dewline.Millis
	for gap, n := range w.gaps {
		if n > w.gaps[best] || n == w.gaps[best] && gap < best {
			best = gap
		}
	}
	return time.Duration(best) * time.Millisecond
}
