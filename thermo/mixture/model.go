package mixture

import (
	"fmt"
	"math"

	"dewline/thermo/fluid"
	"dewline/thermo/helmholtz"
)

// MaxN is the largest number of components of a mixture; no designated blend has more.
const MaxN = 6

// Model is a mixture of up to MaxN fluids. It is read-only and safe for concurrent use.
type Model struct {
	n      int
	fluids [MaxN]*fluid.Fluid
	gasR   float64
	pairs  []binary
}

// binary is one pair of the model, prepared: the two reducing functions and the departure.
type binary struct {
	i, j      int
	cT, bT2   float64 // 2 betaT gammaT sqrt(Ti Tj), betaT^2
	cV, bV2   float64 // the same for the reducing volume
	f         float64
	departure *helmholtz.Residual
}

// New returns the model of the given fluids. It fails when a pair has no parameters.
func New(fluids ...*fluid.Fluid) (*Model, error) {
	if len(fluids) == 0 || len(fluids) > MaxN {
		return nil, fmt.Errorf("a mixture has 1 to %d components, not %d", MaxN, len(fluids))
	}
	m := &Model{n: len(fluids), gasR: fluids[0].GasConstant}
	copy(m.fluids[:], fluids)
	if m.n == 1 {
		return m, nil
	}
	lib := loadPairs()
	m.gasR = lib.gasConstant
	for i := range m.n {
		for j := i + 1; j < m.n; j++ {
			a, b := fluids[i], fluids[j]
			p, ok := FindPair(a.Designation, b.Designation)
			if !ok {
				return nil, fmt.Errorf("no mixing parameters for %s with %s", a.Designation, b.Designation)
			}
			cube := math.Cbrt(1/a.ReducingDensity) + math.Cbrt(1/b.ReducingDensity)
			q := binary{
				i: i, j: j,
				cT:  2 * p.BetaT * p.GammaT * math.Sqrt(a.ReducingTemp*b.ReducingTemp),
				bT2: p.BetaT * p.BetaT,
				cV:  2 * p.BetaV * p.GammaV * cube * cube * cube / 8,
				bV2: p.BetaV * p.BetaV,
			}
			if p.F != 0 && p.Departure != "" {
				q.f, q.departure = p.F, lib.departures[p.Departure]
				if q.departure == nil {
					return nil, fmt.Errorf("no departure function %q", p.Departure)
				}
			}
			m.pairs = append(m.pairs, q)
		}
	}
	return m, nil
}

// N returns the number of components.
func (m *Model) N() int { return m.n }

// GasConstant returns R in J/(mol K): the fluid's own for a pure fluid, CODATA's for a mixture.
func (m *Model) GasConstant() float64 { return m.gasR }

// CriticalTemp returns the critical temperature of component i in K.
func (m *Model) CriticalTemp(i int) float64 { return m.fluids[i].CriticalTemp }

// Guess returns saturation pressure (Pa) and liquid density (mol/m3) of component i at tempK from
// its ancillaries, good to about a percent, for starting a solver.
func (m *Model) Guess(i int, tempK float64) (presPa, rhoLiquid float64) {
	f := m.fluids[i]
	p, l := f.Ancillaries[fluid.SaturationPressure], f.Ancillaries[fluid.LiquidDensity]
	if tempK >= f.CriticalTemp {
		// Wilson's extrapolation beyond the critical point, with the slope that the ancillary has
		// just below it.
		t0 := 0.9 * f.CriticalTemp
		slope := math.Log(f.CriticalPres/p.At(t0)) / (1 - 1/0.9)
		return f.CriticalPres * math.Exp(slope*(f.CriticalTemp/tempK-1)), f.CriticalDensity
	}
	return p.At(tempK), l.At(tempK)
}

// reducing is ln X of one reducing function X(x) with its first and second derivatives by
// concentration, in the scaled form rho dlnX/dc_i and rho d(rho dlnX/dc_i)/dc_j.
type reducing struct {
	value float64
	d     [MaxN]float64
	dd    [MaxN][MaxN]float64
}

// eval computes X = sum x_i^2 X_i + sum c x_i x_j (x_i+x_j)/(b2 x_i+x_j), where pure gives X_i.
func (r *reducing) eval(m *Model, x *[MaxN]float64, temp bool) {
	n := m.n
	var first [MaxN]float64
	var second [MaxN][MaxN]float64
	var sum float64
	for i := range n {
		pure := m.fluids[i].ReducingTemp
		if !temp {
			pure = 1 / m.fluids[i].ReducingDensity
		}
		sum += x[i] * x[i] * pure
		first[i] = 2 * x[i] * pure
		second[i][i] = 2 * pure
	}
	for k := range m.pairs {
		p := &m.pairs[k]
		c, b2 := p.cT, p.bT2
		if !temp {
			c, b2 = p.cV, p.bV2
		}
		xi, xj := x[p.i], x[p.j]
		s, q := xi+xj, b2*xi+xj
		if q == 0 {
			continue
		}
		sq, pq, q2 := s/q, xi*xj/q, q*q
		sum += c * pq * s
		first[p.i] += c * (xj*sq + pq - pq*sq*b2)
		first[p.j] += c * (xi*sq + pq - pq*sq)
		second[p.i][p.i] += c * 2 * (xj/q - b2*xj*s/q2 - b2*pq/q + b2*b2*pq*s/q2)
		second[p.j][p.j] += c * 2 * (xi/q - xi*s/q2 - pq/q + pq*s/q2)
		mixed := c * (sq + xj/q - xj*s/q2 + xi/q - pq/q - b2*(xi*s/q2+pq/q-2*pq*s/q2))
		second[p.i][p.j] += mixed
		second[p.j][p.i] += mixed
	}
	// Derivatives of the logarithm, then projected: x depends on the concentrations through their sum.
	r.value = sum
	for i := range n {
		first[i] /= sum
	}
	for i := range n {
		for j := range n {
			second[i][j] = second[i][j]/sum - first[i]*first[j]
		}
	}
	project(n, x, &first, &second, &r.d, &r.dd)
}

// project turns the derivatives f_i, f_ij of a function of mole fractions into the scaled
// derivatives by concentration: d_i = rho df/dc_i and dd_ij = rho dd_i/dc_j.
func project(n int, x *[MaxN]float64, first *[MaxN]float64, second *[MaxN][MaxN]float64, d *[MaxN]float64, dd *[MaxN][MaxN]float64) {
	var s, ss float64
	var row [MaxN]float64
	for i := range n {
		s += x[i] * first[i]
		for k := range n {
			row[i] += x[k] * second[i][k]
		}
		ss += x[i] * row[i]
	}
	for i := range n {
		d[i] = first[i] - s
		for j := range n {
			dd[i][j] = second[i][j] - row[i] - first[j] - row[j] + s + ss
		}
	}
}
