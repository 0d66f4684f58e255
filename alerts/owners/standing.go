package owners

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewline"
)

// past is an alert with what became of it, oldest first; without a history it is only known as it is.
type past struct {
	dewline.Alert
	history []dewline.AlertChange
}

// asOf returns the alert as it stood at a time, false before anything was known of it.
func (p past) asOf(at dewline.Millis) (dewline.Alert, bool) {
	a := p.Alert
	if len(p.history) > 0 {
		i := len(p.history)
		for i > 0 && p.history[i-1].At > at {
			i--
		}
		if i == 0 {
			return a, false
		}
		a = p.history[i-1].Alert
	}
	if a.Cleared > at { // it was over only later
		a.Cleared, a.State = 0, dewline.AlertOpen
	}
	return a, a.Detected <= at
}

// standingOf says how an alert that lasts leaves its machine.
func standingOf(a dewline.Alert) dewline.Standing {
	if a.State == dewline.AlertVerifying {
		return dewline.BeingProved
	}
	return standingAs[a.Health()]
}

// standingAs says to an owner what a health is.
var standingAs = map[dewline.Health]dewline.Standing{
	dewline.HealthUnderRepair: dewline.UnderRepair, dewline.HealthSilent: dewline.StandSilent, dewline.HealthDoubtful: dewline.DataDoubt,
	dewline.HealthUrgent: dewline.NeedsToday, dewline.HealthSoon: dewline.NeedsSoon, dewline.HealthDrifting: dewline.Drifting,
}

var standings = dewline.Standings()

func graver(a, b dewline.Standing) bool {
	return slices.Index(standings, a) < slices.Index(standings, b)
}

// stand says how a machine stood at the end of [from, to), by its alerts. works are its visits of the
// month; quiet is how a machine stands that no alert was ever about.
func stand(alerts []past, works []dewline.OwnerWork, quiet dewline.Standing, from, to dewline.Millis, zone *time.Location, t dewline.Tongue) (dewline.Standing, string) {
	best := dewline.StandWell
	var of, ended *dewline.Alert
	for _, p := range alerts {
		a, known := p.asOf(to)
		switch {
		case !known:
		case a.State.Ended():
			if a.State == dewline.AlertResolved && a.Cleared >= from && a.Cleared < to && a.Condition != dewline.Silent && (ended == nil || ended.Cleared < a.Cleared) {
				ended = &a
			}
		case of == nil || graver(standingOf(a), best):
			best, of = standingOf(a), &a
		}
	}
	switch {
	case of != nil:
		return best, says(*of, best, zone, t)
	case ended != nil && slices.ContainsFunc(works, func(w dewline.OwnerWork) bool { return w.Verdict == dewline.Verified }):
		return dewline.StandProved, t.Say("Well again: the repair is proved by its readings.") + over(*ended, zone, t)
	case ended != nil:
		return dewline.StandWell, t.Say("Well.") + over(*ended, zone, t)
	case quiet == dewline.StandSilent:
		return quiet, t.Say("No reading tells whether it ran: nothing is known of it.")
	case quiet == dewline.Learning:
		return quiet, t.Say("Nothing speaks against it; Dewline still learns what is normal for it.")
	}
	return dewline.StandWell, t.Say("Well.")
}

func over(a dewline.Alert, zone *time.Location, t dewline.Tongue) string {
	return " " + t.Say("What was seen is over since {1}: {2}.", day(a.Cleared, zone, t), t.Say(a.Condition.ForOwner()))
}

// says puts a lasting alert into a sentence for an owner.
func says(a dewline.Alert, s dewline.Standing, zone *time.Location, t dewline.Tongue) string {
	what := t.Say("{1}, since {2}.", t.Say(a.Condition.ForOwner()), day(a.Onset, zone, t))
	switch s {
	case dewline.UnderRepair:
		return t.Say("A visit is under way: {1}", what)
	case dewline.BeingProved:
		return t.Say("Repaired; its readings of the coming days decide whether that holds. Before: {1}", what)
	case dewline.DataDoubt:
		return capital(what) + " " + t.Say("What it shows is not to be relied on until that is settled.")
	case dewline.StandSilent:
		return capital(what) + " " + t.Say("Nothing is known of it since.")
	}
	return capital(what)
}

// changes tells what became of a machine's alerts in [from, to).
func changes(alerts []past, from, to dewline.Millis, t dewline.Tongue) (list []dewline.OwnerChange) {
	add := func(at dewline.Millis, what string) {
		if at >= from && at < to {
			list = append(list, dewline.OwnerChange{At: dewline.Stamp(at), What: what})
		}
	}
	for _, p := range alerts {
		what := t.Say(p.Condition.ForOwner())
		if p.Detected != 0 {
			add(p.Detected, t.Say("Seen: {1}.", what))
		}
		add(p.Cleared, t.Say("Over: {1}.", what))
		for i, h := range p.history {
			if i == 0 {
				continue
			}
			before := p.history[i-1].Alert
			switch {
			case h.Alert.Severity.Rank() > before.Severity.Rank():
				add(h.At, t.Say("More pressing than before: {1}.", t.Say(h.Alert.Condition.ForOwner())))
			case h.Alert.State != before.State && h.Alert.State == dewline.AlertDispatched:
				add(h.At, t.Say("A service call was made: {1}.", what))
			case h.Alert.State == dewline.AlertOpen && before.State != dewline.AlertOpen && h.Alert.Cleared == 0:
				add(h.At, t.Say("Not cured, and taken up again: {1}.", what))
			case h.Alert.State == dewline.AlertDismissed && before.State != dewline.AlertDismissed:
				add(h.At, t.Say("Looked at by the service company, who say that nothing needs doing: {1}.", what))
			}
		}
	}
	return list
}

// troubles returns the stretches of [from, to) in which faults lasted, each with its published cost.
// repairs are by alert: a fault ends with the visit that mended it, though proof takes days.
func troubles(alerts []past, s *dewline.System, repairs map[string]repair, from, to dewline.Millis) (list []trouble) {
	for _, p := range alerts {
		a := p.Alert
		end := to
		if a.Cleared != 0 {
			end = min(a.Cleared, to)
		}
		if r := repairs[a.ID]; r.at != 0 {
			end = min(end, r.at)
		}
		begin := max(a.Onset, from)
		if begin >= end || a.State == dewline.AlertDismissed || !ofMachine(a) {
			continue
		}
		t := trouble{from: begin, to: end, faults: suspects(a, repairs[a.ID])}
		t.figure, t.missing = costOf(t.faults, s)
		list = append(list, t)
	}
	return list
}

// ofMachine says whether an alert is about the machine itself rather than about what is known of it.
func ofMachine(a dewline.Alert) bool {
	return a.Condition != dewline.Silent && a.Condition != dewline.SensorDoubt
}

// suspects are the faults that may lie behind an alert: the one that was found, or else those that
// readings make likely enough to prepare for, the likeliest first. That there is none may be among them.
func suspects(a dewline.Alert, r repair) []dewline.Fault {
	if r.found != "" {
		return []dewline.Fault{r.found}
	}
	causes := slices.Clone(a.Causes)
	slices.SortStableFunc(causes, func(x, y dewline.Cause) int { return cmp.Compare(y.Probability, x.Probability) })
	var list []dewline.Fault
	for _, c := range causes {
		if c.Probability >= dewline.WorthBringing && !slices.Contains(list, c.Fault) {
			list = append(list, c.Fault)
		}
	}
	return list
}

// costOf spans the published figures of all suspects, or says what is missing.
func costOf(faults []dewline.Fault, s *dewline.System) (span Figure, missing string) {
	if !s.Kind.Comfort() {
		return span, string(dewline.Phrase("published figures are of air conditioners, not of machines that keep goods cold"))
	}
	for _, f := range faults {
		figure, ok := Figure{1, 1, nil}, true
		if f != dewline.NoFault && f != dewline.SensorFault {
			figure, ok = Published(f, s.Metering)
		}
		if !ok {
			return Figure{}, "no figure that would fit is published for this fault: " + f.ForOwner()
		}
		if span.Low == 0 {
			span = figure
			continue
		}
		span.Low, span.High = min(span.Low, figure.Low), max(span.High, figure.High)
		span.Sources = append(slices.Clone(span.Sources), figure.Sources...)
	}
	if span.Low == 0 {
		return span, string(dewline.Phrase("the cause is not known"))
	}
	return span, ""
}

// advise says what an owner may do about an alert that lasts now: agree something with the service
// company, and nothing at the machine. visit is the planned visit of its call, "" for none.
func advise(a dewline.Alert, visit string, t dewline.Tongue) string {
	switch standingOf(a) {
	case dewline.BeingProved:
		return t.Say("Nothing to agree: the readings of the coming days decide whether the repair holds.")
	case dewline.UnderRepair:
		if visit != "" {
			return t.Say("Agree the visit of {1} and who gives access.", visit)
		}
		return t.Say("Agree with the service company when the visit is to be.")
	case dewline.StandSilent:
		return t.Say("Tell the service company whether the site has power and network. The machine may run as ever: its readings do not arrive.")
	case dewline.DataDoubt:
		return t.Say("Agree that a sensor is looked at with the next visit. Until that is settled its figures are not to be relied on.")
	case dewline.NeedsToday:
		return t.Say("Agree a visit for today, if none is agreed.") + air(a, t)
	case dewline.NeedsSoon:
		return t.Say("Agree a visit for this week.") + soon(a, t) + air(a, t)
	}
	return t.Say("Agree that it is looked at with the next visit.") + soon(a, t) + air(a, t)
}

// farOff is from how many days on the far end of a forecast says nothing more.
const farOff = 120

// soon says when a limit may be reached.
func soon(a dewline.Alert, t dewline.Tongue) string {
	f := a.Forecast
	switch {
	case f == nil || f.DaysP50 <= 0:
		return ""
	case f.DaysP90 > farOff:
		return " " + t.Say("Left as it is, it hardly reaches the limit that hurts within {1} days.", whole(math.Floor(f.DaysP10)))
	}
	return " " + t.Say("Left as it is, it may reach the limit that hurts in {1} to {2} days.", whole(math.Floor(f.DaysP10)), whole(math.Ceil(f.DaysP90)))
}

// air is the one thing that an owner may look at: what stands in the way of the air, from outside.
func air(a dewline.Alert, t dewline.Tongue) string {
	if len(a.Causes) == 0 {
		return ""
	}
	switch likeliest := slices.MaxFunc(a.Causes, func(x, y dewline.Cause) int { return cmp.Compare(x.Probability, y.Probability) }); likeliest.Fault {
	case dewline.EvaporatorAirflow:
		return " " + t.Say("Meanwhile see that nothing stands in front of its vents in the room.")
	case dewline.CondenserAirflow:
		return " " + t.Say("Meanwhile see that nothing stands close around the outdoor unit; do not reach into it.")
	}
	return ""
}

func day(at dewline.Millis, zone *time.Location, t dewline.Tongue) string {
	if zone == nil {
		zone = time.UTC
	}
	return t.Time(at.Time().In(zone), "2 January")
}

func capital(text string) string {
	if text == "" {
		return ""
	}
	return strings.ToUpper(text[:1]) + text[1:]
}

func whole(v float64) string { return strconv.FormatFloat(v, 'f', 0, 64) }
