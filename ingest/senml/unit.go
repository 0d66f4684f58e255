package senml

import (
	"dewline"
	"dewline/thermo/si"
)

// unit is what a u or bu says. The zero unit says nothing.
type unit struct {
	state unitState
	si    si.Unit
}

type unitState uint8

const (
	unitAbsent    unitState = iota
	unitUnknown             // a code in no registry
	unitCount               // SenML's "count", which is a number of things as "/" is
	unitCanonical           // one that points are stored in, so that there is nothing to convert
	unitOther
)

// maxCode is longer than any code there is; a longer one needs no look-up.
const maxCode = 16

// unitOf returns the unit with that SenML, RFC 8798 or UCUM code.
func unitOf(code []byte) unit {
	switch {
	case len(code) == 0:
		return unit{}
	case len(code) > maxCode:
		return unit{state: unitUnknown}
	case string(code) == "count":
		return unit{state: unitCount}
	}
	u, ok := si.UnitByCode(string(code))
	if !ok {
		return unit{state: unitUnknown}
	}
	if canonicalUnits[dimensionOf(u)] == u {
		return unit{state: unitCanonical, si: u}
	}
	return unit{state: unitOther, si: u}
}

// canonicalUnits is the unit that each dimension is stored in, as Point.Unit writes it.
var canonicalUnits = func() (units [dewline.EventText + 1]si.Unit) {
	for _, p := range dewline.Points() {
		if u, ok := si.UnitByCode(p.Unit()); ok {
			units[p.Dimension()] = u
		}
	}
	return units
}()

var one = canonicalUnits[dewline.Count]

// dimensionOf returns the dimension of points that u is made for, 0 if there is none. A ratio is
// made for percent; that it serves other dimensions too is for convert to know.
func dimensionOf(u si.Unit) dewline.Dimension {
	switch u.Dimension() {
	case si.Pressure:
		return dewline.Pressure
	case si.Temperature:
		return dewline.Temperature
	case si.Humidity:
		return dewline.Humidity
	case si.Current:
		return dewline.Current
	case si.Power:
		return dewline.Power
	case si.Ratio:
		return dewline.Percent
	}
	return 0
}

// convert returns v in the canonical unit of dimension to.
func (u unit) convert(v float64, to dewline.Dimension) (float64, dewline.Reason) {
	switch u.state {
	case unitAbsent:
		return v, dewline.ReasonNoUnit
	case unitUnknown:
		return v, dewline.ReasonUnknownUnit
	}
	from := dimensionOf(u.si)
	switch {
	case to == dewline.Count && (u.state == unitCount || u.si == one):
		return v, ""
	case to == dewline.Count || u.state == unitCount:
		return v, dewline.ReasonWrongUnit
	case from == to && u.state == unitCanonical:
		return v, ""
	case from == to || from == dewline.Percent && to == dewline.Humidity: // "/" counts as 100 %RH
		v, _ = si.Convert(v, u.si, canonicalUnits[to])
		return v, ""
	}
	return v, dewline.ReasonWrongUnit
}
