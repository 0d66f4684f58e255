package service

import (
	"fmt"
	"math"
	"slices"
	"time"

	"dewline"
)

// Need is how much steady running proves a repair.
type Need struct {
	Hours    float64       // of steady running
	Windows  int           // half hours of it
	Days     int           // UTC days with one
	Within   float64       // share of windows that must lie in the band
	LeakDays float64       // over which subcooling must hold after a leak
	GiveUp   time.Duration // after which what is still not proved is the dispatcher's again
}

// UsualNeed is common practice, and what the contract asks before a condition is over.
var UsualNeed = Need{Hours: 3, Windows: 3, Days: 2, Within: 0.8, LeakDays: 14, GiveUp: 30 * 24 * time.Hour}

// Facts are what a verdict is made of.
type Facts struct {
	Now      dewline.Millis
	Finished dewline.Millis  // the last work on the call
	Alerts   []dewline.Alert // of the call, as they stand
	Since    []dewline.Alert // open alerts of its systems that are not of the call
	Visits   []dewline.Visit // closed ones of the call
	Before   []dewline.Proof
	After    []dewline.Proof
}

// Judge says whether the readings prove a repair. Verified takes both: targets met over enough steady
// running on enough days, and every condition of the call over by the contract's rule. Anything else
// is a failure that the numbers show, or honestly not known yet.
func (n Need) Judge(f Facts) dewline.Verification {
	v := dewline.Verification{At: dewline.Stamp(f.Now), Before: f.Before, After: f.After}
	j := judgement{need: n, leak: leakMended(f.Visits)}
	for _, p := range f.After {
		j.system(p)
	}
	for _, a := range f.Alerts {
		if a.Cleared == 0 && a.State != dewline.AlertDismissed {
			j.wait("%s is not over yet: that takes three steady windows on two days without it, under conditions like those in which it was", a.Condition)
		}
	}
	for _, a := range f.Since {
		if a.Onset >= f.Finished && len(a.Conditions) > 0 && !slices.Contains([]dewline.Condition{dewline.Silent, dewline.SensorDoubt}, a.Condition) {
			j.fail("%s has %s since %s, after the work", a.System, a.Condition, a.Onset.Time().Format("2006-01-02 15:04 UTC"))
		}
	}
	switch {
	case len(j.failed) > 0:
		v.Verdict, v.Why = dewline.NotVerified, j.failed
	case len(j.waits) == 0:
		v.Verdict, v.Why = dewline.Verified, j.met
	case f.Now.Sub(f.Finished) >= n.GiveUp:
		v.Verdict, v.Why = dewline.NotVerified, append([]string{fmt.Sprintf("not proved within %.0f days", n.GiveUp.Hours()/24)}, j.waits...)
	default:
		v.Verdict, v.Why = dewline.CannotTell, append(j.waits, j.met...)
	}
	return v
}

// leakMended says for which systems a leak was mended: a reading inside its band right after charge
// went in proves nothing about the leak.
func leakMended(visits []dewline.Visit) map[dewline.SystemID]bool {
	leak := map[dewline.SystemID]bool{}
	for _, v := range visits {
		if v.Found != nil && v.Found.Fault == dewline.Undercharge {
			leak[v.System] = true
		}
	}
	return leak
}

type judgement struct {
	need               Need
	leak               map[dewline.SystemID]bool
	met, waits, failed []string
}

func (j *judgement) wait(format string, args ...any) {
	j.waits = append(j.waits, fmt.Sprintf(format, args...))
}

func (j *judgement) fail(format string, args ...any) {
	j.failed = append(j.failed, fmt.Sprintf(format, args...))
}

func (j *judgement) system(p dewline.Proof) {
	n := j.need
	if p.Missing != "" {
		j.wait("%s: %s", p.System, p.Missing)
		return
	}
	if p.SteadyHours < n.Hours || p.Windows < n.Windows || p.Days < n.Days {
		j.wait("%s has run steadily for %.1f of %.1f h, in %d of %d windows on %d of %d days", p.System, p.SteadyHours, n.Hours, p.Windows, n.Windows, p.Days, n.Days)
		return
	}
	known := false
	for _, m := range p.Measures {
		if !m.Known() {
			continue
		}
		known = true
		text := fmt.Sprintf("%s: %s %.1f %s over %.1f h of steady running, %s", p.System, m.Quantity, m.Mean, m.Unit, p.SteadyHours, band(m))
		if inside(m) && m.Within >= n.Within {
			j.met = append(j.met, text)
		} else {
			j.fail("%s; %.0f %% of the windows were inside", text, 100*m.Within)
		}
	}
	if !known {
		j.met = append(j.met, fmt.Sprintf("%s: no target is stated for its superheat or subcooling, so only the end of its conditions counts", p.System))
	}
	if j.leak[p.System] {
		j.drift(p)
	}
}

// drift holds a mended leak against the slope of subcooling: two standard deviations below level is a
// charge that is still going.
func (j *judgement) drift(p dewline.Proof) {
	s := p.Slope
	switch {
	case s == nil || s.SpanDays < j.need.LeakDays:
		span := 0.0
		if s != nil {
			span = s.SpanDays
		}
		j.wait("%s: a mended leak shows over weeks: subcooling was followed for %.0f of %.0f days", p.System, span, j.need.LeakDays)
	case s.PerDay+2*s.Uncertainty < 0:
		j.fail("%s: subcooling still falls by %.2f ± %.2f K a day", p.System, -s.PerDay, s.Uncertainty)
	default:
		j.met = append(j.met, fmt.Sprintf("%s: subcooling holds over %.0f days (%+.2f ± %.2f K a day)", p.System, s.SpanDays, s.PerDay, s.Uncertainty))
	}
}

func inside(m dewline.Measure) bool {
	return (m.Low == nil || m.Mean >= *m.Low) && (m.High == nil || m.Mean <= *m.High)
}

func band(m dewline.Measure) string {
	low, high := math.Inf(-1), math.Inf(1)
	if m.Low != nil {
		low = *m.Low
	}
	if m.High != nil {
		high = *m.High
	}
	switch {
	case math.IsInf(high, 1):
		return fmt.Sprintf("at least %.1f asked for", low)
	case math.IsInf(low, -1):
		return fmt.Sprintf("at most %.1f asked for", high)
	}
	return fmt.Sprintf("%.1f to %.1f asked for", low, high)
}
