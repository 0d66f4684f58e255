package alerts

import (
	"fmt"
	"slices"
	"strings"

	"dewline"
)

// sure is the probability below which a cause is a guess: the call is then planned a class later.
const sure = 0.5

// consequence is what a condition does when nobody acts.
type consequence struct {
	priority dewline.Priority
	text     string
}

// consequences are common practice of the trade: safety and goods first, then compressors, then
// energy and comfort, then data.
var consequences = map[dewline.Condition]consequence{
	dewline.Flooding:       {dewline.P2, "liquid in the compressor washes out its oil"},
	dewline.HotDischarge:   {dewline.P2, "discharge heat breaks down the compressor's oil"},
	dewline.HighHead:       {dewline.P2, "head pressure loads the compressor and ends in trips"},
	dewline.NotRunning:     {dewline.P2, "the machine does not run"},
	dewline.SpaceWarm:      {dewline.P1, "the goods stand warmer than their limit"},
	dewline.Freezing:       {dewline.P2, "ice closes the coil, and liquid follows"},
	dewline.ShortCycling:   {dewline.P2, "starts wear out compressor and contactor"},
	dewline.Starving:       {dewline.P3, "a starved evaporator cools less and leaves the compressor hot"},
	dewline.Hunting:        {dewline.P3, "a hunting valve lets liquid through at times"},
	dewline.CapacityLoss:   {dewline.P3, "the machine does less than it should"},
	dewline.EfficiencyLoss: {dewline.P3, "the machine uses more energy than it should"},
	dewline.ChargeDrift:    {dewline.P3, "charge that is being lost goes on being lost"},
	dewline.SensorDoubt:    {dewline.P4, "what this sensor watches is not watched"},
	dewline.Silent:         {dewline.P3, "nobody is watching while nothing comes"},
}

// Rank says how soon somebody has to act on an alert, by consequence and time: what the condition does
// to the machine, when its limit is reached, how much hangs on the machine, and how sure the finding
// is. It is a pure function of the alert and of what is enrolled; s is nil for a whole site. The
// severity is never below the finding's own; the priority is for planning and may be.
func Rank(a dewline.Alert, s *dewline.System) dewline.Ranking {
	r := ranker{severity: levelOf(a.Severity), class: 4, innocent: innocent(a.Causes)}
	r.unsure = r.severity == watch && r.innocent >= unsure
	for _, c := range a.Conditions {
		r.condition(c, s)
	}
	if dewline.CauseKey(a.Conditions, a.Causes) == "leak" {
		r.severity, r.class = urgent, 1
		r.say("a refrigerant detector has tripped: safety comes first")
		return r.ranking()
	}
	r.forecast(a.Forecast)
	switch r.severity {
	case urgent:
		r.class = min(r.class, 2)
	case watch:
		r.class = max(r.class, 3)
	}
	r.doubt()
	if s != nil {
		r.importance(s.Importance, isData(a.Conditions))
	}
	return r.ranking()
}

// Levels of severity, so that they can be compared.
const (
	watch = iota
	soon
	urgent
)

var severities = [...]dewline.Severity{watch: dewline.Watch, soon: dewline.Soon, urgent: dewline.Urgent}

func levelOf(s dewline.Severity) int { return max(watch, slices.Index(severities[:], s)) }

type ranker struct {
	severity int
	class    int // of priority, 1 to 4
	innocent float64
	unsure   bool // so unsure that neither a forecast nor what hangs on the machine makes more than a watch of it
	reasons  []string
}

// unsure is the share of nothing and of a wrong sensor from which a watch stays one: a day that proves it costs less
// than a visit to a machine that is well.
const unsure = 0.35

// innocent is the probability that the machine itself is well.
func innocent(causes []dewline.Cause) float64 {
	sum := 0.0
	for _, c := range causes {
		if c.Fault == dewline.NoFault || c.Fault == dewline.SensorFault {
			sum += c.Probability
		}
	}
	return sum
}

func (r *ranker) say(format string, args ...any) {
	r.reasons = append(r.reasons, fmt.Sprintf(format, args...))
}

func (r *ranker) ranking() dewline.Ranking {
	return dewline.Ranking{Severity: severities[r.severity], Priority: dewline.Priorities()[r.class-1], Reasons: r.reasons}
}

func (r *ranker) condition(c dewline.Condition, s *dewline.System) {
	k, known := consequences[c]
	if !known {
		return
	}
	if c == dewline.SpaceWarm && s != nil && s.Kind.Comfort() {
		k = consequence{dewline.P3, "the room is warmer than its limit"}
	}
	r.class = min(r.class, 1+slices.Index(dewline.Priorities(), k.priority))
	r.say("%s: %s", strings.ReplaceAll(string(c), "_", " "), k.text)
}

// forecast counts from the day by which the limit is reached with one chance in ten: who waits for the
// middle of a forecast comes too late every second time.
func (r *ranker) forecast(f *dewline.Forecast) {
	switch {
	case f == nil:
	case f.DaysP50 <= 0:
		r.severity = max(r.severity, soon)
		r.say("the limit is reached: %s", f.Limit)
	case r.unsure:
		r.say("the limit is %.0f to %.0f days away, if it is a fault: %s", f.DaysP10, f.DaysP90, f.Limit)
	case f.DaysP10 <= 1:
		r.severity = max(r.severity, soon)
		r.say("the limit may be reached within a day: %s", f.Limit)
	case f.DaysP10 <= 7:
		r.severity = max(r.severity, soon)
		r.say("the limit may be reached this week, most likely in %.0f days: %s", f.DaysP50, f.Limit)
	default:
		r.say("the limit is %.0f to %.0f days away: %s", f.DaysP10, f.DaysP90, f.Limit)
	}
}

// doubt plans a call later when the readings may be wrong or nothing may be: never a compressor's or
// goods', where being wrong costs more than a visit.
func (r *ranker) doubt() {
	if r.innocent < sure || r.class < 3 || r.severity == urgent {
		return
	}
	r.class = 4
	r.say("the machine may be well: %.0f %% for a sensor or nothing at all", 100*r.innocent)
}

// importance raises what a machine does by a class where much hangs on it, and data about it by none:
// a doubtful sensor in a vaccine store is no emergency, but its silence is.
func (r *ranker) importance(i dewline.Importance, data bool) {
	switch {
	case i == dewline.Critical && !data && r.unsure:
		r.class = max(1, r.class-1)
		r.say("much hangs on this machine: it is enrolled as critical; it is not sure enough for more than a watch")
	case i == dewline.Critical && !data:
		r.severity, r.class = min(urgent, r.severity+1), max(1, r.class-1)
		r.say("much hangs on this machine: it is enrolled as critical")
	case i == dewline.High && !data && r.class > 1:
		r.class--
		r.say("the machine is enrolled as of high importance")
	}
}

func isData(conditions []dewline.Condition) bool {
	return len(conditions) == 1 && conditions[0] == dewline.SensorDoubt
}

// raised returns the severity of an alert in a fleet. It never falls while the alert lasts: what was
// urgent once is not less so because a number moved back.
func raised(a dewline.Alert, before dewline.Severity, f *dewline.Fleet) dewline.Severity {
	if f == nil {
		return a.Severity
	}
	s, _ := f.System(a.System)
	return severities[max(levelOf(before), levelOf(Rank(a, s).Severity))]
}
