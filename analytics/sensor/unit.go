package sensor

import (
	"math"
	"time"

	"dewline"
)

// pressureFactors are what a reading may have to be multiplied by: psi, kPa, bar, MPa and Pa taken for
// one another.
var pressureFactors = [...]float64{
	1000, 145.037738, 100, 14.5037738, 10, 6.89475729,
	1. / 1000, 1 / 145.037738, 1. / 100, 1 / 14.5037738, 1. / 10, 1 / 6.89475729,
}

// unit judges whether readings are of another unit: as they are they contradict their neighbours by far, by
// a known conversion they fit. It says whether it has seen any.
func (w *Watch) unit(m *means, from, to dewline.Millis) (seen bool) {
	for i := range numPoints {
		p := &w.State.Points[i]
		var factor, size float64
		var found, judged bool
		switch {
		case p.Doubt.Kind == Stuck || p.Doubt.Kind == Open || p.flat(from):
			continue
		case i <= dischargeP:
			factor, size, found, judged = w.pressureUnit(i, m)
		case i <= outdoorT:
			factor, size, found, judged = w.temperatureUnit(i, m)
		}
		switch {
		case found:
			seen = true
			p.Doubt.add(UnitFactor, from, 0, time.Duration(w.State.Spell.Ran)*time.Second)
			p.Doubt.note(UnitFactor, size, math.Abs(size)/10, factor, 0)
			p.Doubt.A = float32(factor) // a mean of factors means nothing
			p.Doubt.believe(UnitFactor, to, p.Doubt.Spells >= 2)
		case judged:
			p.Doubt.good(UnitFactor, from, to)
		}
	}
	return seen
}

// pressureUnit judges a pressure at rest against the other one and the air, or while running against the
// line it stands on. A machine that has lost its charge has low pressures too, but on both sides.
func (w *Watch) pressureUnit(i int, m *means) (factor, size float64, found, judged bool) {
	st := &w.State
	p := &st.Points[i]
	ambient := w.machine.Ambient(dewline.Point(i + 1))
	if p.RestN >= fewest && !w.machine.System.PumpDown {
		cold, warm := w.airs()
		reading := float64(p.Rest)
		for j := suctionP; j <= dischargeP; j++ {
			q := &st.Points[j]
			if j == i || q.RestN < fewest || q.Doubt.Sure != 0 {
				continue
			}
			other := float64(q.Rest) + w.machine.Ambient(dewline.Point(j+1))
			if !within(w.middle(other), cold-8, warm+8) {
				continue
			}
			judged = true
			if t := w.middle(reading + ambient); within(t, cold-15, warm+15) {
				continue
			}
			for _, f := range pressureFactors {
				if math.Abs(reading*f+ambient-other) < 0.15*other && w.moves(i, f) {
					return f, reading * (f - 1), true, true
				}
			}
		}
	}
	if p.MeanN < 3 || st.Spell.Cooling < least {
		return 0, 0, false, judged
	}
	clamp, low, high := liquidT, -1.0, 25.0 // subcooling
	if i == suctionP {
		clamp = suctionT
	}
	line := &st.Points[clamp]
	if line.MeanN < 3 || line.Doubt.Sure != 0 {
		return 0, 0, false, judged
	}
	reading := float64(p.Mean)
	apart := func(abs float64) float64 { // subcooling or superheat
		dew, bubble := w.saturation(abs)
		if i == suctionP {
			return float64(line.Mean) - dew
		}
		return bubble - float64(line.Mean)
	}
	is := apart(reading + ambient)
	if within(is, -12, 45) {
		return 0, 0, false, true
	}
	if i == suctionP && is < 0 && m.suction < m.high { // it would stand above the other one
		return 0, 0, false, true
	}
	// A machine that is nearly empty has far too low pressures in earnest. It cools no air, and its discharge gas is
	// as hot as the pressures say.
	if low := is < 0 && i != suctionP || is > 0 && i == suctionP; low {
		fed := i != suctionP && within(m.superheat, -3, 25)
		if !fed && !(m.in-m.supply > 6) && !(m.excess < -25) {
			return 0, 0, false, true
		}
	}
	best := math.Inf(1)
	for _, f := range pressureFactors {
		v := apart(reading*f + ambient)
		if within(v, low, high) && math.Abs(v-7) < best && w.moves(i, f) {
			best, factor, found = math.Abs(v-7), f, true
		}
	}
	return factor, reading * (factor - 1), found, true
}

// middle returns the mean of dew and bubble temperature at an absolute pressure, -100 °C or 200 °C beyond.
func (w *Watch) middle(abs float64) float64 {
	dew, bubble := w.saturation(abs)
	if !math.IsNaN(dew) {
		return (dew + bubble) / 2
	}
	if low, _ := w.curve.Range(); abs < float64(low) {
		return -100
	}
	return 200
}

// airs returns the coldest and the warmest air around the machine at rest: what is known, and what is usual where the
// air outdoors or that of the room is not known.
func (w *Watch) airs() (cold, warm float64) {
	cold, warm = math.Inf(1), math.Inf(-1)
	air := func(points ...int) (known bool) {
		for _, i := range points {
			if p := &w.State.Points[i]; p.RestN >= 3 && p.Doubt.Sure == 0 {
				cold, warm, known = min(cold, float64(p.Rest)), max(warm, float64(p.Rest)), true
			}
		}
		return known
	}
	usual := func(from, to float64) { cold, warm = min(cold, from), max(warm, to) }
	if !air(outdoorT) {
		usual(5, 35)
	}
	if air(returnT, spaceT) {
		return cold, warm
	}
	switch kind := w.machine.System.Kind; { // common practice
	case kind.Comfort():
		usual(15, 30)
	case kind == dewline.WalkInFreezer:
		usual(-28, -15)
	default:
		usual(-3, 10)
	}
	return cold, warm
}

// temperatureUnit judges a line or the air outdoors against the pressures: degrees Fahrenheit taken for
// Celsius. The factor is 1/1.8.
func (w *Watch) temperatureUnit(i int, m *means) (factor, size float64, found, judged bool) {
	st := &w.State
	p := &st.Points[i]
	if p.MeanN < 3 || st.Spell.Cooling < least {
		return 0, 0, false, false
	}
	v := float64(p.Mean)
	// The difference that must make sense, and within what it does: as it is by a wide margin, turned by a narrow one.
	var of func(v float64) float64
	var wide, narrow [2]float64
	switch i {
	case suctionT:
		of, wide, narrow = func(v float64) float64 { return v - m.dew }, [2]float64{-8, 30}, [2]float64{-2, 25}
	case liquidT:
		of, wide, narrow = func(v float64) float64 { return m.bubble - v }, [2]float64{-12, 25}, [2]float64{-2, 22}
	case dischargeT:
		// What a starved evaporator does to the discharge gas is allowed for.
		usual, ok := w.machine.DischargeSuperheatAt(m.dew, m.cond, m.superheat)
		if !ok {
			return 0, 0, false, false
		}
		of, wide, narrow = func(v float64) float64 { return v - m.hotDew - usual }, [2]float64{-60, 45}, [2]float64{-20, 20}
	default:
		of, wide, narrow = func(v float64) float64 { return m.cond - v }, [2]float64{-8, 45}, [2]float64{3, 28}
	}
	is := of(v)
	if math.IsNaN(is) {
		return 0, 0, false, false
	}
	if within(is, wide[0], wide[1]) {
		return 0, 0, false, true
	}
	if c := (v - 32) / 1.8; c < v && within(of(c), narrow[0], narrow[1]) && w.hotter(v) {
		return 1 / 1.8, c - v, true, true
	}
	return 0, 0, false, true
}

// hotter says whether a temperature is above all the air around the machine by more than lines ever are on
// the low side.
func (w *Watch) hotter(v float64) bool {
	warm := math.Inf(-1)
	for _, i := range [...]int{outdoorT, returnT, spaceT} {
		if p := &w.State.Points[i]; p.MeanN >= 3 && float64(p.Mean) != v {
			warm = max(warm, float64(p.Mean))
		}
	}
	return v > warm+8
}

// moves says whether a pressure moves as one does, taken by a factor: a dead transducer makes sense with
// some factor too.
func (w *Watch) moves(i int, f float64) bool {
	p := &w.State.Points[i]
	return float64(p.Max-p.Min)*f >= 2*w.limit(i)
}

// jump returns the factor of units nearest to what lies between implausible readings and the last one that
// made sense, 0 if there is none. Between them the machine may have started or stopped.
func (w *Watch) jump(i int) float64 {
	p := &w.State.Points[i]
	if i > dischargeP || p.Last < 20_000 || p.Doubt.B < 3 { // a rail does not move
		return 0
	}
	ratio := math.Exp(float64(p.BadLog)) / float64(p.Last)
	best, factor := 1.0, 0.0
	for _, f := range pressureFactors {
		if off := math.Abs(math.Log(ratio * f)); off < best {
			best, factor = off, f
		}
	}
	return factor
}
