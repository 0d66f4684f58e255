package main

import (
	"fmt"
	"math"
	"slices"

	"dewline"
)

// figures are what a set of systems scores. They are counts, so that the figures of parts add up.
type figures struct {
	systems int
	span    dewline.Millis // of all systems together
	healthy dewline.Millis // of it, in which nothing was wrong with machine or sensors

	inTime, inTimeActing portion // harmful machine faults found in time, in any severity and as soon or urgent
	inTimeWatched        portion // of these, those that began while readings came
	inTimeSeen           portion // harmful machine faults found in time, with grace for what harms as soon as it can be seen
	dayOne, dayOneActing portion
	dayOneRunning        bool // the time is running time, not the calendar's

	machine, sensor, communication portion // found at all
	detectable                     portion // machine and sensor, detectable within the readings
	foundActing                    portion // machine and sensor, as soon or urgent

	latencyGradual, latencyAbrupt sample // days after detectable, of those found
	latencyGradualAll             sample // with infinity for those that were not found
	lead                          sample // days before harm, of harmful faults that were found; negative after it

	falseAlerts, falseWatch int
	perEpisode              frequency // alerts over episodes found
	acting, watching        int       // alerts of all systems
	flaps                   portion

	causeFirst, causeTwo  portion // machine and sensor episodes found
	machineFirst          portion
	sensorFirst           portion
	sensorCalledMachine   portion
	machineCalledSensor   portion
	causes                reliability
	causesBy              map[string]*reliability          // by severity, condition and first cause, in words
	confusion             map[dewline.Fault]map[string]int // by what was said, "missed" and "healthy" beside the faults
	forecastFirst         portion                          // intervals of each alert's first forecast that hold the truth
	forecastDaily         portion                          // of the last forecast of each day
	forecastDiary         portion                          // of the diary's
	forecastError         sample                           // days between median and truth, absolute, of the first ones
	forecastOfNothing     int                              // alerts with a forecast of what never came
	forecastAlreadyHarmed int                              // forecasts made when harm was there
}

const (
	saidNothing = "missed"
	wasHealthy  = dewline.Fault("healthy")
)

// tally adds up the figures of those episodes that keep accepts; of every one if it is nil. What is
// not of an episode, false alerts above all, is of every one.
func tally(verdicts []verdict, keep func(*outcome) bool) *figures {
	f := &figures{confusion: map[dewline.Fault]map[string]int{}, causesBy: map[string]*reliability{}, dayOneRunning: true}
	for i := range verdicts {
		v := &verdicts[i]
		f.systems++
		f.span += v.to - v.from
		f.healthy += v.healthy
		for j := range v.outcomes {
			if o := &v.outcomes[j]; keep == nil || keep(o) {
				f.outcome(v, o)
			}
		}
		if keep == nil {
			f.alerts(v)
		}
	}
	return f
}

// alerts adds what concerns alerts whether something was wrong or not.
func (f *figures) alerts(v *verdict) {
	flaps := len(v.flaps())
	f.flaps.n += flaps
	f.flaps.of += len(v.alerts)
	for _, c := range v.alerts {
		_, acted := c.actedOn()
		if acted {
			f.acting++
		} else {
			f.watching++
		}
		o := v.about[c]
		if o != nil {
			f.believed(c, o)
			continue
		}
		if acted {
			f.falseAlerts++
		} else {
			f.falseWatch++
		}
		causes := c.causesAt(c.alert.Detected.Add(settling))
		f.confuse(wasHealthy, causes)
		if len(causes) > 0 {
			f.believe(c, causes[0], causes[0].Fault == dewline.NoFault)
		}
	}
}

// believed adds how far the probability of an alert's first cause is to be believed.
func (f *figures) believed(c *course, o *outcome) {
	if causes := c.causesAt(o.judgedAt(c.alert.Detected)); len(causes) > 0 {
		f.believe(c, causes[0], o.right(causes, 1))
	}
}

func (f *figures) believe(c *course, first dewline.Cause, right bool) {
	f.causes.add(first.Probability, right)
	acting := "watch"
	if _, acted := c.actedOn(); acted {
		acting = "soon or urgent"
	}
	kind := fmt.Sprintf("%s %s: %s", acting, c.alert.Condition, first.Fault)
	if f.causesBy[kind] == nil {
		f.causesBy[kind] = &reliability{}
	}
	f.causesBy[kind].add(first.Probability, right)
}

func (f *figures) confuse(truth dewline.Fault, causes []dewline.Cause) {
	said := string(dewline.NoFault)
	if len(causes) > 0 {
		said = string(causes[0].Fault)
	}
	f.confused(truth, said)
}

func (f *figures) confused(truth dewline.Fault, said string) {
	if f.confusion[truth] == nil {
		f.confusion[truth] = map[string]int{}
	}
	f.confusion[truth][said]++
}

// outcome adds what became of one episode.
func (f *figures) outcome(v *verdict, o *outcome) {
	found, ok := o.found()
	if o.communication() {
		f.communication.add(ok)
		return
	}
	acting, acted := o.foundActing()
	f.foundActing.add(acted)
	if o.sensor() {
		f.sensor.add(ok)
	} else {
		f.machine.add(ok)
		f.harm(v, o, found, ok, acting, acted)
		f.fromDayOne(v, o, found, ok, acting, acted)
	}
	f.latency(v, o, found, ok)
	if !ok {
		f.confused(dewline.Fault(o.name()), saidNothing)
		return
	}
	f.perEpisode.n += len(o.own)
	f.perEpisode.over++
	f.named(o)
	f.forecasts(v, o)
}

// harm adds whether a harmful fault was found before it harmed. Those whose time to be found is not
// over when the readings end count only when they have been.
func (f *figures) harm(v *verdict, o *outcome, found dewline.Millis, ok bool, acting dewline.Millis, acted bool) {
	if o.harmful == 0 {
		return
	}
	if ok {
		f.lead = append(f.lead, float64(o.harmful-found)/float64(day))
	}
	if o.deadline() > v.to {
		return
	}
	f.inTime.add(ok && found <= o.deadline())
	f.inTimeSeen.add(ok && found <= o.deadlineSeen())
	f.inTimeActing.add(acted && acting <= o.deadline())
	if !dayOne(v, o) {
		f.inTimeWatched.add(ok && found <= o.deadline())
	}
}

// dayOne says whether a fault was there, and could be seen, from the first day on.
func dayOne(v *verdict, o *outcome) bool {
	return o.machine() && o.onset < v.from+day && o.detectable != 0 && o.detectable <= v.from+day
}

func (f *figures) fromDayOne(v *verdict, o *outcome, found dewline.Millis, ok bool, acting dewline.Millis, acted bool) {
	if !dayOne(v, o) {
		return
	}
	begin := max(o.onset, v.from)
	within := func(at dewline.Millis) bool {
		if v.ran == nil {
			f.dayOneRunning = false
			return at.Sub(begin) <= dayOneRun
		}
		return v.ran.between(begin, at) <= dayOneRun
	}
	if !ok && within(v.to) {
		return // it has not run long enough to tell
	}
	f.dayOne.add(ok && within(found))
	f.dayOneActing.add(acted && within(acting))
}

func (f *figures) latency(v *verdict, o *outcome, found dewline.Millis, ok bool) {
	if o.detectable == 0 || o.detectable > v.to {
		return
	}
	f.detectable.add(ok)
	late := float64(found-max(o.detectable, v.from)) / float64(day)
	switch {
	case o.gradual() && !ok:
		f.latencyGradualAll = append(f.latencyGradualAll, math.Inf(1))
	case o.gradual():
		f.latencyGradualAll = append(f.latencyGradualAll, late)
		f.latencyGradual = append(f.latencyGradual, late)
	case ok:
		f.latencyAbrupt = append(f.latencyAbrupt, late)
	}
}

// named adds whether what was found was also named.
func (f *figures) named(o *outcome) {
	causes := o.called()
	first, two := o.right(causes, 1), o.right(causes, 2)
	f.causeFirst.add(first)
	f.causeTwo.add(two)
	f.confuse(dewline.Fault(o.name()), causes)
	if o.sensor() {
		f.sensorFirst.add(first)
		f.sensorCalledMachine.add(o.blamesMachine())
		return
	}
	f.machineFirst.add(first)
	f.machineCalledSensor.add(len(causes) > 0 && causes[0].Fault == dewline.SensorFault)
}

// blamesMachine says whether any alert of an episode names a fault of the machine first.
func (o *outcome) blamesMachine() bool {
	return slices.ContainsFunc(o.matched, func(c *course) bool {
		top := c.causesAt(o.judgedAt(c.alert.Detected))
		return len(top) > 0 && top[0].Fault != dewline.SensorFault && top[0].Fault != dewline.Communication && top[0].Fault != dewline.NoFault
	})
}

// forecasts adds how an episode's forecasts came true.
func (f *figures) forecasts(v *verdict, o *outcome) {
	if !o.machine() {
		return
	}
	for _, c := range o.own {
		f.forecastsOf(c, o)
	}
	if o.harmful == 0 {
		return
	}
	var told dewline.Millis
	for i := range v.notes {
		x := v.notes[i].Forecast
		if x.At != told && v.newestAt(x.At) == o && aheadOf(o, x) { // a note may repeat what was forecast on a day before
			f.forecastDiary.add(holds(x, o.harmful))
		}
		told = x.At
	}
}

func (f *figures) forecastsOf(c *course, o *outcome) {
	var last *dewline.Forecast // of a day
	told := func() {
		if last != nil {
			f.forecastDaily.add(holds(last, o.harmful))
		}
	}
	first := true
	for i := range c.states {
		x := c.states[i].forecast
		switch {
		case x == nil || i > 0 && c.states[i-1].forecast != nil && *c.states[i-1].forecast == *x:
			continue
		case o.harmful == 0:
			if o.repaired == 0 && first && x.DaysP90 > 0 {
				f.forecastOfNothing++
				first = false
			}
			continue
		case !aheadOf(o, x):
			f.forecastAlreadyHarmed++
			continue
		}
		if first {
			f.forecastFirst.add(holds(x, o.harmful))
			f.forecastError = append(f.forecastError, math.Abs(float64(x.At-o.harmful)/float64(day)+x.DaysP50))
			first = false
		}
		if last != nil && last.At/day != x.At/day {
			told()
		}
		last = x
	}
	told()
}

// aheadOf says whether a forecast was made while the harm was still to come, and says when it will.
func aheadOf(o *outcome, x *dewline.Forecast) bool { return x.At < o.harmful && x.DaysP90 > 0 }

// holds says whether a forecast's interval has the truth in it.
func holds(x *dewline.Forecast, harmful dewline.Millis) bool {
	days := float64(harmful-x.At) / float64(day)
	return x.DaysP10 <= days && days <= x.DaysP90
}

// newestAt returns the machine's newest episode at a time, nil if there is none.
func (v *verdict) newestAt(at dewline.Millis) *outcome {
	for i := len(v.outcomes) - 1; i >= 0; i-- {
		if o := &v.outcomes[i]; o.machine() && o.covers(at, v.to) {
			return o
		}
	}
	return nil
}

// falsePerMonth is the rate of false alerts.
func (f *figures) falsePerMonth() frequency {
	return frequency{f.falseAlerts, float64(f.healthy) / float64(month)}
}

func (f *figures) watchPerMonth() frequency {
	return frequency{f.falseWatch, float64(f.healthy) / float64(month)}
}

// nuisance is the load of a dispatcher with a hundred systems: alerts a day.
func (f *figures) nuisance() frequency {
	return frequency{f.acting, float64(f.span) / float64(day) / 100}
}

func (f *figures) months() float64 { return float64(f.span) / float64(month) }
