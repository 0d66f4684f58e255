package thermo

import (
	"math"

	"dewline/thermo/si"
)

// Curve is a table of the bubble and dew temperatures of one refrigerant against absolute
// pressure, made once from the full equations and evaluated without allocation, for use with every
// reading of every sensor. It stays within 0.5 mK of the full equations.
//
// The table divides each doubling of pressure into equal parts, so that the part of a pressure is
// read off the bits of its floating-point form and no logarithm is needed. In each part a cubic
// takes over the value and the slope of the solved line at both ends.
type Curve struct {
	bubble, dew line
}

const (
	octaveBits = 5 // parts per doubling of pressure: 2^octaveBits
	partShift  = 52 - octaveBits
)

// line is one saturation line: a cubic in p-p0 for each part, where p0 is the part's lower end.
type line struct {
	low, high float64 // Pa
	base      uint64  // number of the first part
	cubics    [][4]float64
}

// at returns temperature in K and slope in K/Pa; ok is false outside the table.
func (l *line) at(p float64) (temp, slope float64, ok bool) {
	if !(p >= l.low && p <= l.high) {
		return 0, 0, false
	}
	bits := math.Float64bits(p)
	c := &l.cubics[bits>>partShift-l.base]
	d := p - math.Float64frombits(bits>>partShift<<partShift)
	return c[0] + d*(c[1]+d*(c[2]+d*c[3])), c[1] + d*(2*c[2]+d*3*c[3]), true
}

// Bubble returns the bubble temperature at the absolute pressure p and its slope in K/Pa.
// ok is false outside Range.
func (c *Curve) Bubble(p si.Pascal) (t si.Kelvin, slope float64, ok bool) {
	temp, slope, ok := c.bubble.at(float64(p))
	return si.Kelvin(temp), slope, ok
}

// Dew returns the dew temperature at the absolute pressure p and its slope in K/Pa.
// ok is false outside Range.
func (c *Curve) Dew(p si.Pascal) (t si.Kelvin, slope float64, ok bool) {
	temp, slope, ok := c.dew.at(float64(p))
	return si.Kelvin(temp), slope, ok
}

// Range returns the absolute pressures that the table covers.
func (c *Curve) Range() (low, high si.Pascal) {
	return si.Pascal(c.bubble.low), si.Pascal(c.bubble.high)
}

// blendTop is the share of a blend's highest bubble pressure up to which its table goes. Above it
// the lines turn steeply into each other, and neither superheat nor subcooling means anything.
const blendTop = 0.97

func newCurve(r *Refrigerant) (*Curve, error) {
	low, high := float64(r.low), float64(r.high)
	if r.blend != nil && r.envelope != nil {
		high = min(high, blendTop*r.envelope.MaxBubblePres())
	}
	c := &Curve{}
	var err error
	if c.bubble, err = newLine(r, low, high, false); err != nil {
		return nil, err
	}
	c.dew, err = newLine(r, low, high, true)
	return c, err
}

func newLine(r *Refrigerant, low, high float64, dew bool) (line, error) {
	l := line{low: low, high: high, base: math.Float64bits(low) >> partShift}
	last := math.Float64bits(high) >> partShift
	type knot struct{ p, temp, slope float64 }
	solve := func(p float64) (knot, error) {
		sol, err := r.solveAtPres(si.Pascal(p), dew)
		return knot{p, sol.Temp(), sol.DTDP}, err
	}
	from, err := solve(low)
	if err != nil {
		return l, err
	}
	for part := l.base; part <= last; part++ {
		origin := math.Float64frombits(part << partShift)
		end := min(math.Float64frombits((part+1)<<partShift), high)
		to, err := solve(end)
		if err != nil {
			return l, err
		}
		// The cubic through both knots about from.p, then moved to the origin of the part.
		h := to.p - from.p
		c0, c1 := from.temp, from.slope
		var c2, c3 float64
		if h > 0 {
			mean := (to.temp - from.temp) / h
			c2 = (3*mean - 2*from.slope - to.slope) / h
			c3 = (from.slope + to.slope - 2*mean) / (h * h)
		}
		s := origin - from.p
		l.cubics = append(l.cubics, [4]float64{
			c0 + s*(c1+s*(c2+s*c3)), c1 + s*(2*c2+s*3*c3), c2 + 3*s*c3, c3,
		})
		from = to
	}
	return l, nil
}
