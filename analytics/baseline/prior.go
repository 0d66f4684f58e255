package baseline

import (
	"math"

	"dewline"
	"dewline/analytics/cycle"
	"dewline/analytics/diagnose"
	"dewline/analytics/expect"
)

// NumTerms is the number of regressors: one, outdoor air, inside air, wet bulb, speed, and how far
// the outdoor air is below where head control begins.
const NumTerms = 6

const (
	constant = iota
	outdoor
	inside
	wetBulb
	speed
	curved // how far below head control it is outdoors; or the square of the speed's or of the outdoor air's
)

// Prior is what is usual for a machine before it has been seen to run: a mean for each symptom with
// how it moves with the conditions, and how far machines differ from it.
type Prior struct {
	mean, sd [diagnose.NumSymptoms][NumTerms]float64
	noise    [diagnose.NumSymptoms]float64 // of one window
	daily    [diagnose.NumSymptoms]float64 // of a day's mean
	centre   [NumTerms]float64             // where the regressors are zero
	orifice  bool                          // superheat follows the target table
	changes  float64                       // how far the logarithm of the speed strays, as one standard deviation
	bend     bend
	held     bool    // the fleet file says that the head is controlled
	air      float64 // Pa, at the site
}

// unit is about one kelvin in each symptom's unit.
var unit = [diagnose.NumSymptoms]float64{1, 1, 1, 1, 1, 1, 0.03}

// bend says what the last regressor is: where a straight line does not do.
type bend uint8

const (
	bendOutdoor bend = iota // no valve holds the superheat, or nothing else bends
	bendSpeed               // variable speed
	bendHead                // refrigeration: head control, which may be there though nobody has said so
)

// centres of the conditions in cooling, Cel: the NIST tests' middle for comfort.
const (
	comfortOutdoor, comfortInside, comfortWetBulb = 28, 24, 16.5
	coldOutdoor                                   = 20
	headControl                                   = 20 // Cel, below it a controlled head is held (common practice)
)

// NewPrior returns the prior of a machine. Slopes of comfort machines with a valve are those of
// eleven no-fault tests (NISTIR 7350, Appendix D, fits computed); offsets and what machines differ by
// are common practice. Everything is in K per K, power in its logarithm.
func NewPrior(m *cycle.Machine) *Prior {
	s := m.System
	p := &Prior{air: m.Barometer(), changes: speeds(s), orifice: s.Kind.Comfort() && !s.Metering.HoldsSuperheat()}
	set := func(k diagnose.Symptom, mean, sd float64, slopes ...float64) {
		p.mean[k][constant], p.sd[k][constant] = mean, sd
		for i := 0; i+1 < len(slopes); i += 2 {
			p.mean[k][i/2+1], p.sd[k][i/2+1] = slopes[i], slopes[i+1]
		}
	}
	subcooling, subSD := 5.6, 2.6
	if t := float64(s.TargetSubcooling); t > 0 {
		subcooling, subSD = t, 1.5
	}
	if s.Receiver {
		subcooling, subSD = 3, 2.5
	}
	p.noise = [diagnose.NumSymptoms]float64{1, 0.6, 0.6, 0.7, 1.2, 0.6, 0.03}
	p.daily = [diagnose.NumSymptoms]float64{0.7, 0.4, 0.5, 0.5, 0.8, 0.4, 0.02}
	if s.Kind.Comfort() {
		p.centre = [NumTerms]float64{outdoor: comfortOutdoor, inside: comfortInside, wetBulb: comfortWetBulb, speed: 1}
		superheat, superSD := 8.5, 3.0
		if t := float64(s.TargetSuperheat); t > 0 {
			superheat, superSD = t, 2
			if s.TargetSuperheatAt != dewline.AtCompressor {
				superheat, superSD = t+2.5, 2.4 // the suction line warms the gas
			}
		}
		wet := s.Fitted(dewline.ReturnAirRH)
		te, split := [2]float64{0.45, 0.2}, [2]float64{0.5, 0.25}
		if !wet { // the wet bulb goes with the dry bulb, loosely
			te, split = [2]float64{0.65, 0.3}, [2]float64{0.25, 0.4}
		}
		if p.orifice {
			set(diagnose.Superheat, 0, 2.5, 0, 0.15, 0, 0.3, 0, 0.3, 0, 4)
			set(diagnose.Subcooling, subcooling, max(subSD, 2), -0.05, 0.12, 0.03, 0.15, 0.1, 0.2, 2, 4)
			p.noise[diagnose.Superheat], p.daily[diagnose.Superheat] = 1.8, 1.6
		} else {
			set(diagnose.Superheat, superheat, superSD, -0.09, 0.08, 0.14, 0.12, 0.15, 0.12, 0, 4)
			set(diagnose.Subcooling, subcooling, subSD, -0.05, 0.08, 0.03, 0.08, 0.1, 0.1, 2, 4)
		}
		set(diagnose.SuctionDew, 7.5, 2.6, 0.11, 0.06, te[0], te[1], 0.4, 0.2, -6, 5)
		set(diagnose.OverAmbient, 11.5, 3.5, -0.02, 0.08, 0.13, 0.1, 0.13, 0.1, 8, 5)
		set(diagnose.DischargeExcess, 0, 6, 0, 0.15, 0, 0.2, 0, 0.2, 0, 6)
		set(diagnose.AirSplit, 10.7, 2.2, -0.08, 0.08, split[0], split[1], -0.46, 0.25, 5, 5)
		set(diagnose.LogPower, 0, 0.5, 0.025, 0.008, 0.004, 0.006, 0.003, 0.006, 1, 0.4)
		if s.CompressorSpeed == dewline.VariableSpeed {
			p.bend = bendSpeed
		}
		for k := range p.sd {
			p.sd[k][curved] = p.sd[k][speed]
			if p.bend == bendOutdoor {
				p.sd[k][curved] = 0.1 * unit[k]
			}
			if s.CompressorSpeed == dewline.VariableSpeed { // what a drive does besides is not known
				p.noise[k], p.daily[k] = 1.5*p.noise[k], 2*p.daily[k]
			}
		}
		p.blur(s)
		return p
	}
	space := 3.0
	if s.Kind == dewline.WalkInFreezer {
		space = -19
	}
	p.centre = [NumTerms]float64{outdoor: coldOutdoor, inside: space, speed: 1}
	head := [2]float64{0, 0.5}
	if s.HeadControl {
		p.held, head = true, [2]float64{0.8, 0.3}
	}
	if s.HeadControl || s.Metering.HoldsSuperheat() { // a capillary works with a head that falls
		p.bend = bendHead
	}
	superheat, superSD := 10.0, 5.0
	if t := float64(s.TargetSuperheat); t > 0 {
		superheat, superSD = t, 3
		if s.TargetSuperheatAt != dewline.AtCompressor {
			superheat, superSD = t+5, 4
		}
	}
	set(diagnose.Superheat, superheat, superSD, -0.05, 0.15, 0.1, 0.4, 0, 0, 0, 4, 0, 0.2)
	set(diagnose.Subcooling, subcooling, subSD, -0.03, 0.12, 0, 0.15, 0, 0, 2, 4, 0, 0.2)
	set(diagnose.SuctionDew, space-7.5, 3, 0.05, 0.08, 0.9, 0.3, 0, 0, -6, 5, 0, 0.1)
	set(diagnose.OverAmbient, 11.5, 4, -0.05, 0.15, 0.15, 0.2, 0, 0, 8, 5, head[0], head[1])
	set(diagnose.DischargeExcess, 0, 7, 0, 0.2, 0, 0.3, 0, 0, 0, 6, 0, 0.2)
	set(diagnose.AirSplit, 4, 3, 0, 0.1, 0, 0.2, 0, 0, 3, 5)
	set(diagnose.LogPower, 0, 0.5, 0.012, 0.01, 0.012, 0.012, 0, 0, 1, 0.4, 0, 0.01)
	if p.bend == bendOutdoor {
		for k := range p.sd {
			p.sd[k][curved] = 0.1 * unit[k]
		}
	}
	p.noise = [diagnose.NumSymptoms]float64{1.4, 0.8, 0.8, 0.8, 1.6, 0.7, 0.04}
	p.daily = [diagnose.NumSymptoms]float64{0.9, 0.5, 0.6, 0.5, 1.0, 0.5, 0.02}
	p.blur(s)
	return p
}

// speeds says how far the speed of a machine strays (common practice: two stages stand at two thirds and one, a
// drive between a third and one).
func speeds(s *dewline.System) float64 {
	switch s.CompressorSpeed {
	case dewline.StagedSpeed:
		return 0.2
	case dewline.VariableSpeed:
		return 0.3
	}
	return 0
}

// blur widens what is expected where the driving conditions are not measured: they go into the scatter
// of the days.
func (p *Prior) blur(s *dewline.System) {
	inside := s.Fitted(dewline.ReturnAirTemp) || s.Fitted(dewline.SpaceTemp)
	by := 1.0
	switch {
	case !inside:
		by = 1.6
	case s.Kind.Comfort() && !s.Fitted(dewline.ReturnAirRH):
		by = 1.25
	}
	for k := range p.sd {
		p.noise[k], p.daily[k] = by*p.noise[k], by*p.daily[k]
		p.sd[k][outdoor] *= by
	}
}

// weather is how far the outdoor air strays from its centre in a season, as one standard deviation
// (common practice).
const weather = 6.0 // K

// unseen is the variance of a symptom in a window whose outdoor air is not known, though its sensor is fitted.
func (p *Prior) unseen(k diagnose.Symptom, w *Window) float64 {
	if w.HasOutdoor {
		return 0
	}
	by := weather * p.mean[k][outdoor]
	return by * by
}

// Faster returns how the symptoms move with the logarithm of a speed that nobody measures, with how far that
// strays, as one standard deviation; nothing where it is measured or does not change.
func (p *Prior) Faster(w *Window) (direction diagnose.Vector, sd float64) {
	if w.HasSpeed || p.changes == 0 {
		return direction, 0
	}
	for k := range direction {
		direction[k] = p.mean[k][speed]
	}
	return direction, p.changes
}

// Moister returns how the symptoms of a comfort machine move by a kelvin of wet bulb that nobody measures, with
// how far the wet bulb strays from what goes with the dry bulb, as one standard deviation, K; nothing where it
// is measured or does not matter.
func (p *Prior) Moister(w *Window) (direction diagnose.Vector, sd float64) {
	if w.HasWetBulb || p.centre[wetBulb] == 0 {
		return direction, 0
	}
	for k := range direction {
		direction[k] = p.mean[k][wetBulb]
	}
	if p.orifice {
		direction[diagnose.Superheat] += perWetBulb
	}
	return direction, moisture
}

const (
	// perWetBulb is the slope of the makers' tables of target superheat, in the middle.
	perWetBulb = 1.8
	// moisture is how far a house's wet bulb strays over a season (common practice).
	moisture = 1.5 // K
)

// terms are the regressors of a window. A condition that is not known stands at its centre.
func (p *Prior) terms(w *Window) [NumTerms]float64 {
	x := [NumTerms]float64{constant: 1}
	if w.HasOutdoor {
		x[outdoor] = float64(w.Outdoor) - p.centre[outdoor]
		switch p.bend {
		case bendHead:
			x[curved] = max(0, headControl-float64(w.Outdoor))
		case bendOutdoor:
			x[curved] = x[outdoor] * x[outdoor] / 10
		}
	}
	if w.HasInside {
		x[inside] = float64(w.Inside) - p.centre[inside]
	}
	if w.HasWetBulb {
		x[wetBulb] = float64(w.WetBulb) - p.centre[wetBulb]
	}
	if w.HasSpeed && w.Speed > 0.05 {
		x[speed] = math.Log(float64(w.Speed))
		if p.bend == bendSpeed {
			x[curved] = x[speed] * x[speed]
		}
	}
	return x
}

// Prepare looks up what a window's superheat is counted from beside the regression: for a fixed
// orifice the published target superheat under its conditions.
func (p *Prior) Prepare(w *Window) {
	if !p.orifice {
		return
	}
	t := expect.Target{Value: 7, SD: 4} // common practice, where not even the outdoor air is known
	if out := float64(w.Outdoor); w.HasOutdoor {
		switch {
		case w.HasWetBulb:
			t = expect.TargetSuperheat(out, float64(w.WetBulb))
		case w.HasInside:
			t = expect.TargetSuperheatDry(out, float64(w.Inside), p.air)
		default:
			t = expect.TargetSuperheatDry(out, comfortInside, p.air)
			t.SD = math.Hypot(t.SD, 1.5)
		}
		if math.IsInf(t.SD, 0) {
			t = expect.Target{Value: 7, SD: 6}
		}
	}
	w.Target, w.TargetSD = float32(t.Value), float32(t.SD)
}

// target returns what a symptom is counted from beside the regression, with its uncertainty.
func (p *Prior) target(k diagnose.Symptom, w *Window) (value, sd float64) {
	if k != diagnose.Superheat {
		return 0, 0
	}
	return float64(w.Target), float64(w.TargetSD)
}

// Expected returns what a symptom should be in a window by the prior, and its standard deviation over
// machines.
func (p *Prior) Expected(k diagnose.Symptom, w *Window) (mean, sd float64) {
	x := p.terms(w)
	mean, base := p.target(k, w)
	v := base*base + p.unseen(k, w)
	for i := range x {
		mean += p.mean[k][i] * x[i]
		v += p.sd[k][i] * p.sd[k][i] * x[i] * x[i]
	}
	return mean, math.Sqrt(v)
}
