package analytics

import (
	"math"
	"slices"
	"time"

	"dewline"
	"dewline/analytics/baseline"
	"dewline/analytics/chart"
	"dewline/analytics/diagnose"
	"dewline/analytics/robust"
)

const (
	// recentSpan and maxRecent: what is judged is the median of the windows of the last day and a
	// half, two an hour at most.
	recentSpan = 36 * time.Hour
	maxRecent  = 20
	// fewRecent windows are judged together whatever time they took, up to longestRecent: a machine
	// that runs in short bursts gives few.
	fewRecent     = 6
	longestRecent = 10 * 24 * time.Hour
	apart         = 25 * time.Minute
	// learnAfter is how old a window must be before it is learned from: what comes to light
	// meanwhile keeps it out.
	learnAfter = 24 * time.Hour
	// visitedDays is for how long a visit is taken for the reason of a change.
	visitedDays = 21
)

// The charts. A day of a machine is one value of the slow ones, a window one of the fast one; both are
// for each of seven symptoms. An average run length of 3,000 days for each slow chart is one false
// signal of a machine in more than a year; a signal alone is no alert (see belief). A test holds the
// limits to the run lengths.
var (
	slowEWMA  = chart.EWMA{Lambda: 0.15, L: 3.47355}
	slowCUSUM = chart.CUSUM{K: 0.5, H: 6.85109}
	fastCUSUM = chart.CUSUM{K: 1, H: 4.50701}
)

// charts are those of one symptom.
type charts struct {
	EWMA       chart.EWMAState
	Slow, Fast chart.CUSUMState
	Signal     int8 // the direction of the slow charts' signal, 0 for none
	FastSignal int8
}

// track is what is known of how a machine does.
type track struct {
	Recent []baseline.Window // oldest first
	Kept   int32             // how many of Recent were offered to the model
	Model  baseline.Model
	Charts [diagnose.NumSymptoms]charts
	Visit  dewline.Millis // the last event that restarted learning, 0 for none

	Odds     float64 // smoothed log odds of a machine fault being there
	Evals    int32   // windows judged since the last visit
	Doubtful int32   // of these, the last ones in a row in which a fault was likelier than not
	Blaming  int32   // of these, the last ones in a row in which it was one of the machine
	Possible int32   // windows in a row in which a fault was possible
	Since    dewline.Millis
	NoFault  float64
	NoFaultA float64 // by the absolute frame alone
	Causes   []dewline.Cause
	Top      diagnose.Weighed
	Sensor   bool // a wrong sensor is likelier than a faulty machine
	Either   bool // a wrong sensor is not much less likely
	Absolute diagnose.Residual
	Learned  diagnose.Residual
	HasLearn bool
	Days     []dayMean // of the last weeks
	Day      dayMean   // that is open
}

// dayMean is what a day's windows said.
type dayMean struct {
	Day      int32
	Windows  int32
	Residual [diagnose.NumSymptoms]float32 // against the learned frame, or else the absolute one
	Has      [diagnose.NumSymptoms]bool
	Expected [diagnose.NumSymptoms]float32
}

// look takes a new window.
func (y *system) look(e *Engine, w *baseline.Window) {
	t := &y.Track
	y.Day.Windows++
	y.prior.Prepare(w)
	y.wetted(w)
	if n := len(t.Recent); n > 0 && w.From-t.Recent[n-1].From < dewline.Millis(apart.Milliseconds()) {
		return
	}
	y.forget(w.From)
	if w.HasOutdoor && t.Model.Blind() { // the outdoor sensor has come
		t.Model.Reset(false)
		clear(t.Charts[:])
	}
	if t.Recent == nil {
		t.Recent = make([]baseline.Window, 0, maxRecent)
	}
	t.Recent = append(t.Recent, *w)
	y.weigh(w)
	y.belief(e, w.To)
}

// forget drops what is too old to be recent, and learns from what is old enough if nothing speaks
// against it. A machine that always runs fills the list before its windows are old.
func (y *system) forget(at dewline.Millis) {
	t := &y.Track
	longest := dewline.Millis(longestRecent.Milliseconds())
	drop := 0
	for drop < len(t.Recent) {
		age, left := at-t.Recent[drop].From, len(t.Recent)-drop
		if left < maxRecent && age <= longest && (age <= dewline.Millis(recentSpan.Milliseconds()) || left < fewRecent) {
			break
		}
		drop++
	}
	healthy := y.healthy() && !y.misled(at)
	for kept := int(t.Kept); kept < len(t.Recent); kept++ {
		w := &t.Recent[kept]
		if kept >= drop && at-w.From < dewline.Millis(learnAfter.Milliseconds()) {
			break
		}
		if healthy && w.From > t.Visit {
			t.Model.Add(y.prior, w)
		}
		t.Kept++
	}
	t.Recent = slices.Delete(t.Recent, 0, drop)
	t.Kept -= int32(drop)
}

// healthy says whether the machine may be learned from: it is blamed for nothing, no liquid comes back, the absolute frame finds
// nothing, and no chart of an earlier learning signals. A repair may move a machine for good, away from what was learned of it
// before: then the charts do not count.
func (y *system) healthy() bool {
	t := &y.Track
	if y.open(machineKey) != nil || y.Acute.Flood.Open && y.Acute.Flood.Told || t.Evals > 0 && t.NoFaultA < 0.7 || t.Odds > 0 {
		return false
	}
	for i := range t.Charts {
		if t.Charts[i].Signal != 0 && !t.inherited() {
			return false
		}
	}
	return true
}

// weigh makes the residuals of the recent windows and, where they are conspicuous, weighs the causes:
// by all of them, which is surer, and by the newest alone, which is sooner. The more decided one counts.
func (y *system) weigh(w *baseline.Window) {
	t := &y.Track
	first := 0
	for first < len(t.Recent)-1 && t.Recent[first].From < t.Visit {
		first++
	}
	recent := t.Recent[first:]
	y.stepCharts(w)
	t.Evals++
	sensors := y.sensors(w)
	v := y.view(recent, sensors, false)
	if newest := len(recent) - newestFew; newest > 0 {
		if few := y.view(recent[newest:], sensors, false); few.noFault < 0.02 && few.noFault < v.noFault {
			v = few
		}
	}
	y.believe(&v)
	odds := -3.0
	if v.weighed {
		odds = math.Log(max(1-v.noFault, 1e-4) / max(v.noFault, 1e-4))
	}
	y.smooth(w.To, odds)
}

// newestFew is how many windows make the sooner view: both must say it.
const newestFew = 2

// view is what some windows say.
type view struct {
	absolute, learned diagnose.Residual
	hasLearned        bool
	weighed           bool // conspicuous enough to have been weighed
	noFault           float64
	noFaultAbsolute   float64
	causes            []dewline.Cause
	top               diagnose.Weighed
	sensor            bool // a wrong sensor is likelier than a faulty machine
	either            bool // a wrong sensor is not much less likely
}

// view makes the residuals of windows and weighs the causes; sensors are those under the conditions of the
// last window. A view that is not conspicuous is weighed only if it must be.
func (y *system) view(recent []baseline.Window, sensors []diagnose.Sensor, must bool) view {
	t := &y.Track
	v := view{noFault: 1, noFaultAbsolute: 1}
	y.absolute(recent, sensors, &v.absolute)
	v.hasLearned = y.learned(recent, &v.learned)
	conspicuous := must || t.NoFault < 0.9 || y.suspectsSensor()
	for s := range diagnose.NumSymptoms {
		conspicuous = conspicuous || math.Abs(v.absolute.Z(s)) > 1.3 || v.hasLearned && math.Abs(v.learned.Z(s)) > 1.8
	}
	if !conspicuous {
		return v
	}
	sit := y.situation(&recent[len(recent)-1], sensors)
	var learned *diagnose.Residual
	if v.hasLearned {
		learned = &v.learned
	}
	j := diagnose.Weigh(&v.absolute, learned, &sit)
	v.weighed, v.noFault = true, j.NoFault
	start, wrong := 0.0, 0.0
	for i := range j.Causes {
		c := &j.Causes[i]
		start += c.Probability * c.Start
		if c.Fault == dewline.SensorFault {
			wrong += c.Probability
		}
	}
	if start+j.NoFault > 0 {
		v.noFaultAbsolute = j.NoFault / (start + j.NoFault)
	}
	v.top, v.causes = j.Causes[0], j.List()
	v.sensor, v.either = wrong > (1-j.NoFault)/2, wrong > (1-j.NoFault)/4
	return v
}

// believe takes a view for what is believed now.
func (y *system) believe(v *view) {
	t := &y.Track
	t.Absolute, t.Learned, t.HasLearn = v.absolute, v.learned, v.hasLearned
	t.NoFault, t.NoFaultA, t.Causes, t.Top, t.Sensor, t.Either = v.noFault, v.noFaultAbsolute, v.causes, v.top, v.sensor, v.either
}

// glance weighs the window that is being gathered by itself: something urgent has come up, and the
// windows before it say nothing of that.
func (y *system) glance() {
	if y.Gather.Frames == 0 {
		return
	}
	g := y.Gather
	w := g.window(y.machine)
	y.prior.Prepare(&w)
	v := y.view([]baseline.Window{w}, y.sensors(&w), true)
	y.believe(&v)
}

// smooth follows the log odds of a fault: one strange window is not a fault.
func (y *system) smooth(at dewline.Millis, odds float64) {
	t := &y.Track
	const weight = 0.35
	odds = min(max(odds, -4), 7)
	if t.Evals == 1 {
		t.Odds = -2
	}
	t.Odds += weight * (odds - t.Odds)
	if odds > 0 {
		if t.Doubtful == 0 {
			t.Since = at
		}
		t.Doubtful++
	} else {
		t.Doubtful = 0
	}
	if t.Possible++; odds <= possible {
		t.Possible = 0
	}
	if t.Blaming++; odds <= 0 || t.Sensor {
		t.Blaming = 0
	}
}

// medianOver returns the median of a residual over the windows that have it, of two the smaller, and how many
// they are: one strange window is nothing.
func medianOver(recent []baseline.Window, at func(*baseline.Window) (float64, bool)) (float64, int) {
	var all [maxRecent + 1]float64
	n := 0
	for i := range recent {
		if v, ok := at(&recent[i]); ok && n < len(all) {
			all[n] = v
			n++
		}
	}
	switch {
	case n == 0:
		return 0, 0
	case n == 2 && math.Abs(all[1]) < math.Abs(all[0]):
		return all[1], n
	case n <= 2:
		return all[0], n
	}
	return robust.Median(all[:n]), n
}

// daysIn counts the UTC days of windows.
func daysIn(recent []baseline.Window) float64 {
	n, last := 0, int32(-1)
	for i := range recent {
		if d := recent[i].Day(); d != last {
			n, last = n+1, d
		}
	}
	return float64(max(n, 1))
}

// spell is the time in which the windows of a machine that keeps running have nearly the same weather and load: they
// are not as many independent ones.
const spell = 2 * time.Hour

// spellsIn counts the spells of windows.
func spellsIn(recent []baseline.Window) float64 {
	n, last := 0, dewline.Millis(0)
	for i := range recent {
		if from := recent[i].From; n == 0 || from-last >= dewline.Millis(spell.Milliseconds()) {
			n, last = n+1, from
		}
	}
	return float64(max(n, 1))
}

// residual fills in a symptom's residual over windows: the median distance from what expected gives of
// each, with how uncertain that is on average, and how far windows and days scatter. It says whether there is one.
func (y *system) residual(r *diagnose.Residual, recent []baseline.Window, s diagnose.Symptom, expected func(*baseline.Window) (mean, sd float64, ok bool)) bool {
	if y.Watch.hides(s) {
		return false
	}
	_, _, known := expected(&recent[len(recent)-1])
	unsure := 0.0
	v, n := medianOver(recent, func(w *baseline.Window) (float64, bool) {
		mean, sd, ok := expected(w)
		if ok = ok && w.Has[s]; ok {
			unsure += sd * sd
		}
		return float64(w.Y[s]) - mean, ok
	})
	if n == 0 || !known {
		return false
	}
	window, day := y.Track.Model.Noise(y.prior, s)
	r.Has[s], r.Mean[s] = true, v
	r.ByCurrent = byCurrent(y.machine.System)
	r.Cov[s][s] = unsure/float64(n) + window*window/min(float64(n), spellsIn(recent)) + day*day/daysIn(recent)
	return true
}

const (
	// hardlySettled is how far a machine that runs in short bursts is from its steady state, K.
	hardlySettled = 1.5
	// mostOver is what hardly any condenser of an air conditioner is meant to condense above the air (common practice: 30 °F
	// over ambient were usual of the least efficient, now past).
	mostOver = 17 // K
)

// leastSubcooling is what hardly any machine is meant to go below, K (common practice: 5 to 8 °F are little). What leaves a
// receiver stands at its bubble point, and tells nothing of the charge until gas comes with it.
func (y *system) leastSubcooling() float64 {
	if y.machine.System.Receiver {
		return 0.6
	}
	return 1.5
}

// absolute fills in the residual against what is usual for such a machine. How much power a machine of
// unknown make draws is not known.
func (y *system) absolute(recent []baseline.Window, sensors []diagnose.Sensor, r *diagnose.Residual) {
	last := &recent[len(recent)-1]
	for s := range diagnose.NumSymptoms {
		if s == diagnose.LogPower {
			continue
		}
		found := y.residual(r, recent, s, func(w *baseline.Window) (float64, float64, bool) {
			mean, sd := y.prior.Expected(s, w)
			bound := sd
			switch {
			case s == diagnose.Subcooling && float64(w.Y[s]) < mean:
				// No machine is meant to work without subcooling: flash gas would reach the valve.
				bound = (mean - y.leastSubcooling()) / 2
			case s == diagnose.OverAmbient && float64(w.Y[s]) > mean && y.machine.System.Kind.Comfort():
				bound = (mostOver - mean) / 2
			}
			if bound > 0 {
				sd = min(sd, bound)
			}
			return mean, sd, true
		})
		if found && last.Short { // the machine had hardly settled
			r.Cov[s][s] += hardlySettled * hardlySettled
		}
	}
	y.unseen(r, last)
	for i := range sensors {
		u := y.machine.Uncertainty(sensors[i].Point)
		r.Cov.AddOuter(&sensors[i].Direction, u*u)
	}
}

// allowed is by how much a proper service may move the symptoms of a healthy machine: nothing was learned
// from a faulty one, so a repair brings it back to where it was.
var allowed = diagnose.Vector{1.8, 1.5, 1.2, 1, 1.8, 0.9, 0.05}

// inherited says whether what was learned is from before the last visit.
func (t *track) inherited() bool { return !t.Model.Learned() && t.Visit != 0 }

// learned fills in the residual against the machine's own healthy weeks.
func (y *system) learned(recent []baseline.Window, r *diagnose.Residual) (found bool) {
	t := &y.Track
	if !t.Model.Fitted {
		return false
	}
	// A mean of a short run has its start in it: what was learned of such runs is not quite what long ones do.
	unlike := 0.0
	if y.means && recent[len(recent)-1].Short != t.Model.Short() {
		unlike = hardlySettled
	}
	for s := range diagnose.NumSymptoms {
		if !y.residual(r, recent, s, func(w *baseline.Window) (float64, float64, bool) { return t.Model.Expected(y.prior, s, w) }) {
			continue
		}
		if t.inherited() {
			r.Cov[s][s] += allowed[s] * allowed[s]
		}
		if s != diagnose.LogPower { // which settles at once
			r.Cov[s][s] += unlike * unlike
		}
		found = true
	}
	if found {
		y.unseen(r, &recent[len(recent)-1])
	}
	return found
}

// unseen adds to a residual what moist and dry weeks, another speed and fans that hold the head do to a machine where
// nobody measures them.
func (y *system) unseen(r *diagnose.Residual, w *baseline.Window) {
	add := func(direction diagnose.Vector, sd float64) {
		if sd > 0 {
			r.Cov.AddOuter(&direction, sd*sd)
		}
	}
	add(y.prior.Moister(w))
	add(y.prior.Faster(w))
	add(y.Track.Model.Held(y.prior, w))
}

// stepCharts steps the fast charts by a window, and adds it to the day of the slow ones.
func (y *system) stepCharts(w *baseline.Window) {
	t := &y.Track
	for s := range diagnose.NumSymptoms {
		mean, sd, ok := t.Model.Expected(y.prior, s, w)
		if !ok || !w.Has[s] || y.Watch.hides(s) {
			continue
		}
		window, day := t.Model.Noise(y.prior, s)
		z := (float64(w.Y[s]) - mean) / math.Sqrt(sd*sd+window*window+day*day)
		c := &t.Charts[s]
		up, down := fastCUSUM.Step(&c.Fast, z)
		c.FastSignal = sign(up, down)
	}
	y.intoDay(w)
}

func sign(up, down bool) int8 {
	switch {
	case up:
		return 1
	case down:
		return -1
	}
	return 0
}

// intoDay adds a window to the day that is open.
func (y *system) intoDay(w *baseline.Window) {
	t := &y.Track
	if d := w.Day(); t.Day.Day != d {
		y.closeDay()
		t.Day = dayMean{Day: d}
	}
	d := &t.Day
	d.Windows++
	for s := range diagnose.NumSymptoms {
		mean, _, ok := t.Model.Expected(y.prior, s, w)
		if !ok || !w.Has[s] {
			continue
		}
		// A running mean: the day's windows are few.
		d.Has[s] = true
		d.Residual[s] += (w.Y[s] - float32(mean) - d.Residual[s]) / float32(d.Windows)
		d.Expected[s] += (float32(mean) - d.Expected[s]) / float32(d.Windows)
	}
}

// maxDays is how many days are kept for trends.
const maxDays = 30

// closeDay steps the slow charts by the day that ended, and makes the model anew.
func (y *system) closeDay() {
	t := &y.Track
	if t.Day.Windows > 0 {
		for s := range diagnose.NumSymptoms {
			if !t.Day.Has[s] {
				continue
			}
			window, day := t.Model.Noise(y.prior, s)
			sd := t.Model.Fits[s].Cov[0][0]
			if t.inherited() {
				sd += allowed[s] * allowed[s]
			}
			z := float64(t.Day.Residual[s]) / math.Sqrt(sd+day*day+window*window/float64(t.Day.Windows))
			c := &t.Charts[s]
			e := slowEWMA.Step(&c.EWMA, min(max(z, -6), 6))
			up, down := slowCUSUM.Step(&c.Slow, min(max(z, -6), 6))
			c.Signal = sign(up || e > 0, down || e < 0)
		}
		if t.Days == nil {
			t.Days = make([]dayMean, 0, maxDays+1)
		}
		t.Days = append(t.Days, t.Day)
		if len(t.Days) > maxDays {
			t.Days = slices.Delete(t.Days, 0, len(t.Days)-maxDays)
		}
	}
	if y.healthy() && t.Model.Refit(y.prior) {
		clear(t.Charts[:]) // they were against what was learned before
	}
}

// visited restarts learning: somebody changed the machine.
func (y *system) visited(at dewline.Millis) {
	t := &y.Track
	t.Visit = at
	t.Model.Reset(true)
	clear(t.Charts[:])
	t.Odds, t.Evals, t.Doubtful, t.Blaming, t.Possible, t.NoFault, t.NoFaultA = -2, 0, 0, 0, 0, 1, 1
	t.Causes, t.Top = nil, diagnose.Weighed{}
	a := &y.Acute
	for _, h := range [...]*hold{&y.Believed, &a.Flood, &a.Hot, &a.Head, &a.Ice, &a.Cycling, &a.Warm, &a.Hunting, &a.CutOut.Hold} {
		h.Ended, h.Again = 0, 0
	}
}

// charted says whether any chart signals.
func (t *track) charted() bool {
	for i := range t.Charts {
		if c := &t.Charts[i]; c.Signal != 0 || c.FastSignal != 0 {
			return true
		}
	}
	return false
}
