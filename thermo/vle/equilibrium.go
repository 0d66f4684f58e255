package vle

import (
	"errors"
	"math"

	"dewline/thermo/mixture"
)

// MaxN is the largest number of components.
const MaxN = mixture.MaxN

// Equilibrium is a liquid and a vapour of a mixture in equilibrium. Logarithms are natural and of
// values in SI and molar units.
type Equilibrium struct {
	LnK    [MaxN]float64 // of y_i/x_i
	LnRhoL float64       // liquid density
	LnRhoV float64       // vapour density
	LnT    float64
	LnP    float64
	Beta   float64 // molar vapour fraction: 0 at the bubble point, 1 at the dew point
}

// Temp returns the temperature in K.
func (e *Equilibrium) Temp() float64 { return math.Exp(e.LnT) }

// Pres returns the pressure in Pa.
func (e *Equilibrium) Pres() float64 { return math.Exp(e.LnP) }

// Phases returns the mole fractions of liquid and vapour of a mixture of mole fractions z.
func (e *Equilibrium) Phases(n int, z *[MaxN]float64) (x, y [MaxN]float64) {
	for i := range n {
		k := math.Exp(e.LnK[i])
		x[i] = z[i] / (1 + e.Beta*(k-1))
		y[i] = k * x[i]
	}
	return x, y
}

// gap is ln(rho'/rho”), zero at a critical point.
func (e *Equilibrium) gap() float64 { return e.LnRhoL - e.LnRhoV }

// The rows of the unknowns after the n of ln K.
const (
	rowRhoL = iota
	rowRhoV
	rowT
	rowP
	rowBeta
	rows
)

// dim is the largest number of unknowns.
const dim = MaxN + rows

// spec fixes one combination of the unknowns to a value.
type spec struct {
	kind  specKind
	value float64
}

type specKind uint8

const (
	fixTemp specKind = iota // ln T
	fixPres                 // ln p
	fixBeta
	fixGap // ln rho' - ln rho''
)

// Errors of the solvers. They say what went wrong; the façade adds fluid, value and range.
var (
	ErrNoConvergence = errors.New("the phase equilibrium did not converge")
	ErrTrivial       = errors.New("the two phases became one")
)

const (
	maxIterations = 60
	stepTolerance = 1e-10 // of the largest relative change of an unknown
)

// Solver solves equilibria of one mixture of fixed overall composition. It is read-only and safe
// for concurrent use.
type Solver struct {
	model *mixture.Model
	n     int
	z     [MaxN]float64
}

// NewSolver returns a solver for the mole fractions z, which sum to 1.
func NewSolver(m *mixture.Model, z [MaxN]float64) *Solver {
	return &Solver{model: m, n: m.N(), z: z}
}

// system is the linearised system: one row per equation, the last two columns are the right-hand
// sides of the Newton step and of the tangent along the first specification.
type system [dim][dim + 2]float64

// refine runs Newton's method from start until the step vanishes. tangent is the derivative of
// every unknown by the value of the first specification, the second held.
func (s *Solver) refine(start Equilibrium, first, second spec) (e, tangent Equilibrium, err error) {
	e = start
	for range maxIterations {
		var sys system
		worst, ok := s.linearise(&e, first, second, &sys)
		if !ok {
			return e, tangent, ErrNoConvergence
		}
		if !sys.solve(s.n + rows) {
			return e, tangent, ErrNoConvergence
		}
		step := s.apply(&e, &sys)
		if step < stepTolerance || (step < 1e-7 && worst < 1e-13) {
			if math.Abs(e.gap()) < 1e-7 {
				return e, tangent, ErrTrivial
			}
			return e, s.unknowns(&sys, dim+1), nil
		}
	}
	return e, tangent, ErrNoConvergence
}

// linearise fills sys with the equations and their derivatives at e. It reports the largest
// residual, and false when a phase is mechanically impossible to evaluate.
func (s *Solver) linearise(e *Equilibrium, first, second spec, sys *system) (worst float64, ok bool) {
	n := s.n
	size := n + rows
	temp, pres := math.Exp(e.LnT), math.Exp(e.LnP)
	rhoL, rhoV := math.Exp(e.LnRhoL), math.Exp(e.LnRhoV)
	var liquid, vapour mixture.Phase
	var concL, concV [MaxN]float64
	var byK, byBeta, x, y [MaxN]float64 // of ln x_i by ln K_i and by beta
	for i := range n {
		k := math.Exp(e.LnK[i])
		d := 1 + e.Beta*(k-1)
		if !(d > 0) {
			return 0, false
		}
		x[i] = s.z[i] / d
		y[i] = k * x[i]
		concL[i], concV[i] = rhoL*x[i], rhoV*y[i]
		byK[i], byBeta[i] = -e.Beta*k/d, -(k-1)/d
	}
	s.model.Eval(temp, &concL, &liquid)
	s.model.Eval(temp, &concV, &vapour)

	rhs := dim
	cRhoL, cRhoV, cT, cP, cB := n+rowRhoL, n+rowRhoV, n+rowT, n+rowP, n+rowBeta
	for i := range n { // equal fugacities
		r := &sys[i]
		var sumL, sumV float64
		for j := range n {
			l, v := liquid.LnFugC[i][j], vapour.LnFugC[i][j]
			sumL += l
			sumV += v
			r[j] = l*byK[j] - v*(1+byK[j])
			r[cB] += (l - v) * byBeta[j]
		}
		r[cRhoL], r[cRhoV] = sumL, -sumV
		r[cT] = liquid.LnFugT[i] - vapour.LnFugT[i]
		r[rhs] = -(liquid.LnFug[i] - vapour.LnFug[i])
	}
	rt := s.model.GasConstant() * temp
	pressureRow := func(r *[dim + 2]float64, ph *mixture.Phase, colRho int, vapourPhase float64) {
		scale := 1 / (ph.Rho * rt)
		for j := range n {
			c := ph.PresC[j] * scale
			r[j] = c * (vapourPhase + byK[j])
			r[cB] += c * byBeta[j]
		}
		r[colRho] = ph.PresRho * scale
		r[cT] = ph.PresT * scale
		r[cP] = -pres * scale
		r[rhs] = -(ph.Pres - pres) * scale
	}
	pressureRow(&sys[n], &liquid, cRhoL, 0)
	pressureRow(&sys[n+1], &vapour, cRhoV, 1)
	r := &sys[n+2] // sum y = sum x
	for j := range n {
		r[j] = y[j]*(1+byK[j]) - x[j]*byK[j]
		r[cB] += (y[j] - x[j]) * byBeta[j]
		r[rhs] -= y[j] - x[j]
	}
	if n == 1 {
		// A pure fluid has no composition: the vapour fraction is whatever is specified.
		r[cB] = 0
	}
	s.specRow(&sys[n+3], e, first)
	s.specRow(&sys[n+4], e, second)
	sys[n+3][dim+1] = 1
	for i := range size {
		v := math.Abs(sys[i][rhs])
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return 0, false
		}
		worst = max(worst, v)
	}
	return worst, true
}

func (s *Solver) specRow(r *[dim + 2]float64, e *Equilibrium, sp spec) {
	n, rhs := s.n, dim
	switch sp.kind {
	case fixTemp:
		r[n+rowT], r[rhs] = 1, sp.value-e.LnT
	case fixPres:
		r[n+rowP], r[rhs] = 1, sp.value-e.LnP
	case fixBeta:
		r[n+rowBeta], r[rhs] = 1, sp.value-e.Beta
	case fixGap:
		r[n+rowRhoL], r[n+rowRhoV], r[rhs] = 1, -1, sp.value-e.gap()
	}
}

// solve eliminates with partial pivoting; the solutions replace the right-hand sides.
func (sys *system) solve(size int) bool {
	for c := range size {
		p := c
		for r := c + 1; r < size; r++ {
			if math.Abs(sys[r][c]) > math.Abs(sys[p][c]) {
				p = r
			}
		}
		if sys[p][c] == 0 {
			return false
		}
		if p != c {
			sys[p], sys[c] = sys[c], sys[p]
		}
		row := &sys[c]
		inv := 1 / row[c]
		for r := c + 1; r < size; r++ {
			f := sys[r][c] * inv
			if f == 0 {
				continue
			}
			to := &sys[r]
			for k := c + 1; k < size; k++ {
				to[k] -= f * row[k]
			}
			to[dim] -= f * row[dim]
			to[dim+1] -= f * row[dim+1]
		}
	}
	for r := size - 1; r >= 0; r-- {
		row := &sys[r]
		a, b := row[dim], row[dim+1]
		for k := r + 1; k < size; k++ {
			a -= row[k] * sys[k][dim]
			b -= row[k] * sys[k][dim+1]
		}
		row[dim], row[dim+1] = a/row[r], b/row[r]
	}
	return true
}

// unknowns reads a solution column as the unknowns that it belongs to.
func (s *Solver) unknowns(sys *system, column int) Equilibrium {
	var e Equilibrium
	for i := range s.n {
		e.LnK[i] = sys[i][column]
	}
	e.LnRhoL, e.LnRhoV = sys[s.n+rowRhoL][column], sys[s.n+rowRhoV][column]
	e.LnT, e.LnP, e.Beta = sys[s.n+rowT][column], sys[s.n+rowP][column], sys[s.n+rowBeta][column]
	return e
}

// apply adds the Newton step to e, shortened so that no unknown leaves the region where the
// linearisation means anything, and returns the size of the full step.
func (s *Solver) apply(e *Equilibrium, sys *system) float64 {
	d := s.unknowns(sys, dim)
	scale, size := 1.0, 0.0
	limit := func(step, most float64) {
		a := math.Abs(step)
		size = max(size, a)
		if a*scale > most {
			scale = most / a
		}
	}
	for i := range s.n {
		limit(d.LnK[i], 1)
	}
	limit(d.LnRhoL, 0.1)
	limit(d.LnRhoV, 1)
	limit(d.LnT, 0.05)
	limit(d.LnP, 1)
	limit(d.Beta, 0.3)
	e.axpy(s.n, scale, &d)
	return size
}

// axpy adds f times d to e.
func (e *Equilibrium) axpy(n int, f float64, d *Equilibrium) {
	for i := range n {
		e.LnK[i] += f * d.LnK[i]
	}
	e.LnRhoL += f * d.LnRhoL
	e.LnRhoV += f * d.LnRhoV
	e.LnT += f * d.LnT
	e.LnP += f * d.LnP
	e.Beta += f * d.Beta
}

// scaled returns f times e.
func (e *Equilibrium) scaled(n int, f float64) Equilibrium {
	var out Equilibrium
	out.axpy(n, f, e)
	return out
}
