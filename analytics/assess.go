package analytics

import (
	"math"

	"dewline"
	"dewline/analytics/cycle"
	"dewline/analytics/diagnose"
)

// shownSymptoms are the symptoms that are derived values too.
var shownSymptoms = [...]struct {
	s diagnose.Symptom
	d dewline.Derived
}{
	{diagnose.Superheat, dewline.Superheat}, {diagnose.Subcooling, dewline.Subcooling},
	{diagnose.SuctionDew, dewline.SuctionDewTemp}, {diagnose.OverAmbient, dewline.CondensingOverAir},
}

// assess fills in what is believed of the machine and what it does.
func (y *system) assess(s *dewline.SystemState) {
	t := &y.Track
	s.Health, s.NoFault, s.Causes = y.health(), t.NoFault, t.Causes
	s.Windows = len(t.Model.Windows)
	s.Starts = y.Operate.startsWithin(y.Frame.At, 3600e9)
	s.Risk = y.Acute.Risk.Sub(0)
	s.Expected = map[dewline.Derived]dewline.Estimate{}
	if n := len(t.Recent); n > 0 {
		w := &t.Recent[n-1]
		for _, x := range shownSymptoms {
			mean, sd := y.prior.Expected(x.s, w)
			if m, learned, ok := t.Model.Expected(y.prior, x.s, w); ok {
				_, day := t.Model.Noise(y.prior, x.s)
				mean, sd = m, math.Hypot(learned, day)
			}
			s.Expected[x.d] = dewline.Estimate{Value: mean, Uncertainty: sd}
		}
	}
	p := y.performance()
	s.Flow, s.Capacity, s.COP = p.Flow, p.Capacity, p.COP
	s.Charge = y.charge()
}

// performed is what a machine does by the means of its newest window. Working it out costs more than all else
// of a state, and the state of a whole fleet is asked for every few seconds.
type performed struct {
	machine *cycle.Machine
	means   cycle.Means
	cycle.Performance
}

func (y *system) performance() cycle.Performance {
	if p := &y.performed; p.machine != y.machine || p.means != y.Means {
		*p = performed{y.machine, y.Means, y.machine.Performance(y.Means)}
	}
	return y.performed.Performance
}

const (
	// perCharge is how much subcooling, with two fifths of the superheat taken off, moves for the whole
	// charge: the virtual charge sensor of Li and Braun (2009), Kim and Braun (2010), from memory; its
	// constant is that of the signatures of undercharge here, and differs between machines by a third.
	perCharge        = 50.0 // K
	superheatInto    = 1 / 2.5
	perChargeUnknown = 0.35
)

// charge is what the virtual charge sensor says, where it says anything: never with saturated suction,
// a receiver, or in heating.
func (y *system) charge() dewline.Estimate {
	t := &y.Track
	r := t.frame()
	n := len(t.Recent)
	switch {
	case y.machine.System.Receiver:
		return dewline.Estimate{Missing: "with a receiver subcooling is no measure of charge"}
	case n == 0 || !r.Has[diagnose.Superheat] || !r.Has[diagnose.Subcooling]:
		return dewline.Estimate{Missing: "superheat or subcooling is missing"}
	case t.Recent[n-1].Y[diagnose.Superheat] < 1:
		return dewline.Estimate{Missing: "the suction gas is wet"}
	}
	off := (r.Mean[diagnose.Subcooling] - superheatInto*r.Mean[diagnose.Superheat]) / perCharge
	u := math.Sqrt(r.Cov[diagnose.Subcooling][diagnose.Subcooling]+superheatInto*superheatInto*r.Cov[diagnose.Superheat][diagnose.Superheat]) / perCharge
	return dewline.Estimate{Value: 1 + off, Uncertainty: math.Hypot(u, perChargeUnknown*off)}
}
