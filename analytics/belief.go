package analytics

import (
	"math"
	"slices"

	"dewline"
	"dewline/analytics/diagnose"
)

const (
	// likelier and doubted are smoothed log odds: above the first a fault is told, as worth a watch at first; below the
	// second it is over. Between them nothing changes, so that an alert does not flap.
	likelier = -0.4 // three windows that speak for a fault have not yet lifted them far from what was thought before
	doubted  = -1
	// possible is what makes a fault worth a look at a machine that nobody knows yet: three to seven.
	possible = -0.85
	// leastWindows is how many windows in a row must speak for a fault: three runs, or an hour and a half.
	leastWindows = 3
	// manyWindows in a row overcome what stands against them.
	manyWindows = 12 * leastWindows
	// plainly is what is left of none where the newest windows need no third: far out in both frames.
	plainly = 1e-3
	// overwhelming need not last a day to be acted on.
	overwhelming = 5
	// surelyOdds make a finding one to act on.
	surelyOdds = 3.0 // 20 to 1
)

// belief opens, changes and ends what is believed of the machine after a window.
func (y *system) belief(e *Engine, at dewline.Millis) {
	t := &y.Track
	if t.Odds > likelier && len(t.Causes) > 0 && t.Causes[0].Fault != dewline.NoFault {
		y.suspect(e, at)
	}
	if y.ofMachine() == nil && y.mayBeFaulty(at) {
		if !y.Believed.Open {
			y.Believed.begin(at, at)
		}
		y.Believed.Last = at
		c, _ := y.consequence()
		y.raise(e, unblamedKey, c, dewline.Watch, at, at, "")
		y.open(unblamedKey).Possible = true
	}
	if y.Believed.Open {
		ep := y.ofMachine()
		looked := ep != nil && ep.Possible
		known := t.Model.Learned() && t.Doubtful == 0 // from now on it is compared with itself
		if t.Odds < doubted || looked && known {
			if y.Believed.window(at) == ended {
				y.lowerBeliefs(e, at)
			}
		} else {
			y.Believed.Windows, y.Believed.Days = 0, [clearDays]int64{}
			if y.Believed.Again > 0 || looked {
				y.Believed.Last = at
			}
		}
	}
	y.refresh(e, at)
}

// suspect tells of what the windows speak for.
func (y *system) suspect(e *Engine, at dewline.Millis) {
	t := &y.Track
	lasting := at-t.Since >= 20*hour
	// Warm goods, and a coil after its defrost, take a cold room as far out for an hour, and so does a mean with standing
	// in it.
	plain := t.Doubtful > 0 && t.Evals >= newestFew && t.NoFault < plainly && t.agreed() && y.machine.System.Kind.Comfort() && (!y.coarse() || y.verified())
	if t.Doubtful < leastWindows && !plain {
		return
	}
	if t.Sensor {
		y.suspectSensor(e, at)
		return
	}
	if (y.suspectsSensor() || y.misled(at) || t.frame().Odd()) && at-t.Since < 44*hour {
		return // first it is to be seen whether it is the sensor
	}
	c, s := y.consequence()
	another := y.another(y.onset())
	if another {
		switch {
		case t.Either && s == dewline.Watch && at-t.Since < 5*24*hour:
			return // it waits, and time tells
		case y.explained() && (t.Either && at-t.Since < 10*24*hour || t.Blaming < manyWindows):
			return // who looks at the sensor that is told of sees whether it is that
		case t.Blaming < leastWindows && !plain:
			return // the windows before spoke for a sensor
		}
	}
	if !t.charted() && t.Top.Start <= 0.5 && t.Model.Learned() {
		return
	}
	if !y.Believed.Open || another && y.ofMachine() != nil {
		y.Believed.begin(y.onset(), at)
	}
	young := t.drifted() && !t.Model.Full() // what was learned in a few days is soon outgrown by the weather
	if young && s == dewline.Soon && !(t.Odds > overwhelming && t.agreed() && lasting) {
		s = dewline.Watch
	}
	if s == dewline.Soon && !(lasting && t.Doubtful >= 2*leastWindows || t.Odds > overwhelming && t.agreed() && t.Doubtful >= 3*leastWindows) {
		s = dewline.Watch
	}
	y.blame(y.Believed.Onset)
	y.raise(e, machineKey, c, s, min(y.Believed.Onset, at), at, "")
}

// another says whether what began at onset is none of what is open: nothing of the machine is, or only what nothing is blamed
// for, and the machine was known and nothing was wrong with it for a while yet, or it is the opposite. Many a good valve hunts; a
// limit that was passed some days before may be the first sign of it.
func (y *system) another(onset dewline.Millis) bool {
	ep, t := y.ofMachine(), &y.Track
	if ep == nil || ep.Key != unblamedKey {
		return ep == nil
	}
	r := t.frame()
	starves := r.Mean[diagnose.Superheat] > 3 && r.Z(diagnose.Superheat) > 2
	apart := hour
	if ep.Conditions[0] != dewline.Hunting && !ep.Possible {
		apart = 3 * 24 * hour
	}
	return t.drifted() && onset > ep.Detected+apart || starves && slices.Contains(ep.Conditions, dewline.Flooding)
}

// blame makes what nothing was blamed for the machine's, if what began at onset is no other.
func (y *system) blame(onset dewline.Millis) {
	if ep := y.ofMachine(); ep != nil && ep.Key == unblamedKey && !y.another(onset) {
		ep.Key, ep.Possible = machineKey, true // which tells its causes anew
	}
}

// explained says whether an open alert is about a sensor that is one of the likely causes.
func (y *system) explained() bool {
	return slices.ContainsFunc(y.Track.Causes, func(c dewline.Cause) bool {
		return c.Fault == dewline.SensorFault && y.open(sensorPrefix+c.Detail) != nil
	})
}

// suspectSensor tells of the sensor that the windows speak for. A machine that is told of already keeps its alert (see refresh).
func (y *system) suspectSensor(e *Engine, at dewline.Millis) {
	t := &y.Track
	if t.Top.Fault != dewline.SensorFault || t.Top.Probability < 0.5 {
		return // one of several, and it is not told which
	}
	if at-t.Since < 44*hour && !y.suspectsSensor() && !y.showsItself(t.Top.Point) {
		return // wet, windy or sunny days pass
	}
	if !y.Believed.Open {
		y.Believed.begin(y.onset(), at)
	}
	if y.open(machineKey) == nil {
		y.raise(e, sensorPrefix+t.Top.Detail, dewline.SensorDoubt, dewline.Watch, t.Since, at, "")
	}
}

// showsItself says whether a sensor gives itself away, and not by what it makes of the machine alone: it is in doubt by itself,
// or surely reads otherwise than before while the machine stands.
func (y *system) showsItself(p dewline.Point) bool {
	const surely = 3 // standard uncertainties
	return slices.ContainsFunc(y.directions, func(d diagnose.Sensor) bool {
		return d.Point == p && (d.Suspected || d.MovedU > 0 && math.Abs(d.Moved) > surely*d.MovedU)
	})
}

// mayBeFaulty says whether a fault of a machine that nobody knows yet is likely enough to be looked for, though none may be
// likelier still. A look costs somebody minutes, and what is wrong from the first day is not told apart by waiting: the
// machine is all that it could be compared with.
func (y *system) mayBeFaulty(at dewline.Millis) bool {
	t := &y.Track
	const named = 0.15 // a cause to look for
	if t.Doubtful >= leastWindows && t.Blaming < leastWindows {
		return false // the windows before spoke for a sensor
	}
	return !t.Model.Learned() && t.Odds > possible && t.Possible >= newestFew && t.Top.Probability >= named && t.Top.Fault != dewline.SensorFault && !t.Sensor &&
		!y.suspectsSensor() && !y.misled(at) && !t.frame().Odd()
}

// lowerBeliefs ends every condition that only the weighing of causes has raised.
func (y *system) lowerBeliefs(e *Engine, at dewline.Millis) {
	for _, c := range conditionOrder {
		if !y.passed(c) {
			y.respect(e, c, at)
		}
	}
	for _, d := range y.directions {
		y.lower(e, sensorKey(d.Point), dewline.SensorDoubt, at)
	}
}

// passed says whether a condition is that of a limit that is passed, and not only of what is believed.
func (y *system) passed(c dewline.Condition) bool {
	a := &y.Acute
	switch c {
	case dewline.Flooding:
		return a.Flood.Open
	case dewline.HotDischarge:
		return a.Hot.Open
	case dewline.HighHead:
		return a.Head.Open || a.CutOut.Hold.Open
	case dewline.Freezing:
		return a.Ice.Open
	case dewline.Hunting:
		return a.Hunting.Open
	}
	return false
}

// onset estimates when what is believed began: where a chart signals, the day its sum left zero.
func (y *system) onset() dewline.Millis {
	t := &y.Track
	onset := t.Since
	for i := range t.Charts {
		c := &t.Charts[i]
		if c.Signal == 0 {
			continue
		}
		days := c.Slow.UpSince
		if c.Signal < 0 {
			days = c.Slow.DownSince
		}
		if n := len(t.Days); days > 0 && int(days) <= n {
			if at := dewline.Millis(t.Days[n-int(days)].Day) * 86_400_000; at < onset && at > t.Visit {
				onset = at
			}
		}
	}
	return onset
}

// drifted says whether what is believed came about since the machine was learned, rather than being there
// from the first day.
func (t *track) drifted() bool { return t.HasLearn && t.Top.Start < 0.5 }

// agreed says whether a symptom is far out in both frames at once: what was learned may be outgrown by the
// weather, what is usual for such machines is not.
func (t *track) agreed() bool {
	for s := range diagnose.NumSymptoms {
		if a, l := t.Absolute.Z(s), t.Learned.Z(s); math.Abs(a) > 2 && math.Abs(l) > 3 && a > 0 == (l > 0) {
			return true
		}
	}
	return false
}

// frame returns the residual that leads: the learned one where what is believed is a drift.
func (t *track) frame() *diagnose.Residual {
	if t.drifted() {
		return &t.Learned
	}
	return &t.Absolute
}

// consequence returns the condition that the symptoms and the likeliest cause amount to, and how soon
// somebody has to act.
func (y *system) consequence() (dewline.Condition, dewline.Severity) {
	t := &y.Track
	r := t.frame()
	far := func(s diagnose.Symptom, by float64) bool {
		z := r.Z(s)
		return math.Abs(r.Mean[s]) >= math.Abs(by) && math.Abs(z) > 2 && (r.Mean[s] > 0) == (by > 0)
	}
	c := conditionOf(t.Top.Fault)
	if c == dewline.HighHead && r.Has[diagnose.OverAmbient] && r.Mean[diagnose.OverAmbient] < 1 {
		c = dewline.EfficiencyLoss // whatever is behind it, the head is not high
	}
	switch {
	case far(diagnose.Superheat, -3) && y.wet() && t.Top.Fault != dewline.CondenserAirflow && t.Top.Fault != dewline.EvaporatorAirflow:
		c = dewline.Flooding
	case far(diagnose.OverAmbient, 4):
		c = dewline.HighHead
	case far(diagnose.Superheat, 3.5) && (t.Top.Fault == dewline.Undercharge || t.Top.Fault == dewline.Restriction):
		c = dewline.Starving
	}
	material := far(diagnose.Superheat, 3) || far(diagnose.Superheat, -3) || far(diagnose.Subcooling, 2.5) || far(diagnose.Subcooling, -2.5) ||
		far(diagnose.OverAmbient, 3) || far(diagnose.DischargeExcess, 5) || far(diagnose.DischargeExcess, -5) ||
		far(diagnose.AirSplit, 1.8) || far(diagnose.AirSplit, -1.8) || far(diagnose.SuctionDew, -2.5) || far(diagnose.SuctionDew, 2.5)
	if c == dewline.Flooding && y.Acute.Flood.Open && t.Odds > surelyOdds {
		return c, dewline.Urgent
	}
	if material && t.Odds > surelyOdds {
		return c, dewline.Soon
	}
	return c, dewline.Watch
}

// wet says whether the newest superheat is so low that liquid may come back.
func (y *system) wet() bool {
	w := y.Track.Recent
	if len(w) == 0 || !w[len(w)-1].Has[diagnose.Superheat] {
		return false
	}
	return w[len(w)-1].Y[diagnose.Superheat] < 2*floodLimit
}

// conditionOf is the condition of a fault whose symptoms are not far enough out to say more.
func conditionOf(f dewline.Fault) dewline.Condition {
	switch f {
	case dewline.Undercharge, dewline.Overcharge:
		return dewline.ChargeDrift
	case dewline.Restriction:
		return dewline.Starving
	case dewline.Overfeed:
		return dewline.Flooding
	case dewline.CondenserAirflow, dewline.NonCondensables:
		return dewline.HighHead
	case dewline.EvaporatorAirflow, dewline.CompressorLeakage, dewline.ReversingValve:
		return dewline.CapacityLoss
	}
	return dewline.EfficiencyLoss
}

// evidenceFor returns the sentences that speak for and against what is believed.
func (y *system) evidenceFor(key, text string) []string {
	var out []string
	if text != "" {
		out = append(out, text)
	}
	t := &y.Track
	its := isMachine(key) || t.Sensor && key == sensorPrefix+t.Top.Detail
	if !its || len(t.Causes) == 0 {
		return out
	}
	out = append(out, diagnose.Evidence(t.frame(), &t.Top, t.drifted())...)
	var sensors []diagnose.Sensor
	if n := len(t.Recent); n > 0 {
		sensors = y.sensors(&t.Recent[n-1]) // anew, for a limit may be told between two windows, and after a restart
	}
	for i := range sensors {
		d := &sensors[i]
		named := slices.ContainsFunc(t.Causes, func(c dewline.Cause) bool { return c.Detail == d.Point.String() })
		if text := d.AtRest(&t.Top); named && text != "" && !slices.Contains(out, text) {
			out = append(out, text)
		}
	}
	if above, u, ok := y.Watch.Sensors.Standing(y.machine, y.Track.Visit); ok {
		if text := diagnose.AtRest(above, u, &y.Track.Top); text != "" {
			out = append(out, text)
		}
	}
	return out
}
