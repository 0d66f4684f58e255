package sensor

import (
	"fmt"
	"math"

	"dewline"
)

// suspectFrom is how many spells of evidence make a suspicion that is worth telling.
const suspectFrom = 2

// Doubts appends the current doubts to dst, ordered by point, at most one of each.
func (w *Watch) Doubts(dst []Doubt) []Doubt {
	st := &w.State
	if c := &st.Gateway; c.Sure != 0 {
		dst = append(dst, w.doubt(0, c))
	}
	for i := range numPoints {
		var best Doubt
		consider := func(d Doubt) {
			if d.Sure != 0 && best.Sure == 0 || (d.Sure != 0) == (best.Sure != 0) && d.Probability > best.Probability {
				best = d
			}
		}
		p := dewline.Point(i + 1)
		if c := &st.Points[i].Doubt; c.Sure != 0 || c.Spells >= suspectFrom {
			consider(w.doubt(p, c))
		}
		if i < numRelated {
			if c := &st.Related[i]; c.Sure != 0 || c.Spells >= suspectFrom {
				consider(w.doubt(p, c))
			}
		}
		if k := restOf(p); k >= 0 && (st.Rest.Found[k].Sure != 0 || st.Rest.Found[k].Probability >= 0.3) {
			consider(w.restDoubt(p, &st.Rest.Found[k]))
		}
		if best.Kind != 0 {
			dst = append(dst, best)
		}
	}
	return dst
}

// believed is how probable the sensor is once a kind is believed (judgement: what else looks like it).
var believed = [...]float64{
	Open: 0.97, Stuck: 0.97, Noisy: 0.9, Absent: 0.95, UnitFactor: 0.9, Swapped: 0.95, FallenOff: 0.8, CrossedPressures: 0.9,
	Contradiction: 0.45, Offset: 0.8, FrozenGateway: 0.97,
}

func (w *Watch) doubt(p dewline.Point, c *suspicion) Doubt {
	d := Doubt{Point: p, Kind: c.Kind, Since: c.Since, Sure: c.Sure, Size: float64(c.Size), SizeU: float64(c.SizeU), Probability: believed[c.Kind]}
	if c.Sure == 0 {
		d.Probability *= 0.5
	}
	if c.Kind == Open {
		if f := d.SizeU; f != 0 { // of this kind, the factor of units that explains it
			d.Kind, d.SizeU, d.Probability = UnitFactor, 0, believed[UnitFactor]
			d.Evidence = fmt.Sprintf("%s sends values that are not possible, the last %s; multiplied by about %.4g they fit what it sent before: its unit is wrong",
				p, quantity(p, float64(c.A)), f)
			return d
		}
	}
	d.Evidence = w.words(p, c)
	return d
}

func (w *Watch) words(p dewline.Point, c *suspicion) string {
	a, b := float64(c.A), float64(c.B)
	switch c.Kind {
	case Open:
		return fmt.Sprintf("%s sends values that are not possible, the last %s: look for an open or shorted circuit", p, quantity(p, a))
	case Stuck:
		return fmt.Sprintf("%s has been exactly %s over %d starts and stops and %.1f h of running while other sensors moved", p, quantity(p, a), c.Turns, float64(c.Ran)/60)
	case Noisy:
		return fmt.Sprintf("%s scatters by %s from reading to reading (standard deviation), such a sensor by %s at most, and no other sensor follows it", p, difference(p, float64(c.SizeU)), difference(p, a))
	case Absent:
		return fmt.Sprintf("%s has fallen silent while the other points went on, over %.1f h of running", p, float64(c.Ran)/60)
	case UnitFactor:
		if p.Dimension() == dewline.Temperature {
			return fmt.Sprintf("%s makes sense only when taken for degrees Fahrenheit", p)
		}
		return fmt.Sprintf("%s contradicts its neighbours as it is and fits them when multiplied by %.4g: its unit is wrong", p, a)
	case Swapped:
		return fmt.Sprintf("superheat is %.0f K and subcooling %.0f K, with suction and liquid clamp exchanged both are usual", a, b)
	case FallenOff:
		switch {
		case p == dewline.DischargeTemp && a != 0 && c.Size == 0:
			return fmt.Sprintf("%s is %.1f °C while the gas condenses at %.1f °C: the clamp is off its pipe", p, a, b)
		case a != 0:
			return fmt.Sprintf("%s has moved by %+.1f K toward the air at once while pressures and the other lines stayed: the clamp is loose", p, a)
		}
		return fmt.Sprintf("%s shows warm gas, but the discharge gas is %.0f K colder than such gas would leave: the clamp feels the air", p, -b)
	case Offset:
		return fmt.Sprintf("%s has moved by %+.1f K at once, at rest too, while pressures and the other lines stayed", p, a)
	case CrossedPressures:
		if b > 0.5 {
			return "suction and high side read the same while heat is moved: both may be the same channel"
		}
		return "suction reads above the high side: the two may be exchanged"
	case Contradiction:
		if b > 0.5 {
			return fmt.Sprintf("superheat is %.1f K: gas in the suction line cannot be that much colder than it boils, clamp or suction pressure is wrong", a)
		}
		return fmt.Sprintf("subcooling is %.1f K: the liquid line cannot be that much hotter than it condenses, clamp or high pressure is wrong", a)
	case FrozenGateway:
		return fmt.Sprintf("all %.0f points have stood still to the last digit: the gateway repeats old values", a)
	}
	return c.Kind.String()
}

func (w *Watch) restDoubt(p dewline.Point, o *offset) Doubt {
	d := Doubt{Point: p, Kind: Offset, Since: o.Since, Sure: o.Sure, Size: -float64(o.Wrong), SizeU: float64(o.WrongU), Probability: float64(o.Probability)}
	if d.Since == 0 {
		d.Since = w.State.Rest.oldest()
	}
	against := "the air around it"
	switch {
	case p.Dimension() == dewline.Pressure:
		against = "the other pressure and saturation at the coldest air"
	case p == dewline.OutdoorAirTemp:
		against = "the liquid line and the saturation temperature of the refrigerant"
	}
	word := "above"
	if o.Wrong < 0 {
		word = "below"
	}
	d.Evidence = fmt.Sprintf("%s reads %s (±%s) %s %s, in %d nights at rest", p, difference(p, math.Abs(float64(o.Wrong))), difference(p, float64(o.WrongU)), word, against, o.Nights)
	if p.Dimension() == dewline.Pressure && d.Probability < 0.6 {
		d.Evidence += "; it may as well be the other one, or air in the circuit"
	}
	return d
}

// quantity writes a reading as it was sent.
func quantity(p dewline.Point, v float64) string {
	switch p.Dimension() {
	case dewline.Pressure:
		return fmt.Sprintf("%.0f kPa", v/1000)
	case dewline.Temperature:
		return fmt.Sprintf("%.1f °C", v)
	}
	return fmt.Sprintf("%.4g %s", v, p.Unit())
}

// difference writes a difference of readings.
func difference(p dewline.Point, v float64) string {
	if p.Dimension() == dewline.Temperature {
		return fmt.Sprintf("%.1f K", v)
	}
	return quantity(p, v)
}
