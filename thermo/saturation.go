package thermo

import (
	"errors"
	"fmt"
	"math"

	"dewline/thermo/si"
	"dewline/thermo/vle"
)

// atmosphere is the standard atmosphere.
const atmosphere si.Pascal = 101325

// saturator solves points of the saturation lines: the envelope of a mixture model, or the
// ancillaries of a one-fluid equation.
type saturator interface {
	AtPres(presPa float64, dew bool) (vle.Solution, error)
	AtTemp(tempK float64, dew bool) (vle.Solution, error)
	TempRange(dew bool) (low, high float64)
}

// point is a saturation point of a refrigerant.
type point struct {
	r   *Refrigerant
	sol *vle.Solution
}

// rho returns the density in mol/m3 of the phase that has the refrigerant's own composition.
func (p point) rho(dew bool) float64 {
	if dew {
		return math.Exp(p.sol.LnRhoV)
	}
	return math.Exp(p.sol.LnRhoL)
}

// Bubble returns the bubble point at the absolute pressure p: the first bubble rises from liquid
// of the refrigerant's composition. It solves the full equations.
func (r *Refrigerant) Bubble(p si.Pascal) (State, error) { return r.saturated(p, false) }

// Dew returns the dew point at the absolute pressure p: the first drop falls from vapour of the
// refrigerant's composition. It solves the full equations.
func (r *Refrigerant) Dew(p si.Pascal) (State, error) { return r.saturated(p, true) }

func (r *Refrigerant) saturated(p si.Pascal, dew bool) (State, error) {
	sol, err := r.solveAtPres(p, dew)
	if err != nil {
		return State{}, err
	}
	s := r.saturatedState(&sol, dew)
	s.Pressure = p // exactly
	return s, nil
}

func (r *Refrigerant) solveAtPres(p si.Pascal, dew bool) (vle.Solution, error) {
	if !(p >= r.low && p <= r.high) {
		return vle.Solution{}, r.pressureError(p, r.low, r.high)
	}
	sol, err := r.saturation.AtPres(float64(p), dew)
	if err != nil {
		return sol, fmt.Errorf("%s at %s: %w", r.name, kPa(p), err)
	}
	return sol, nil
}

// BubbleAt returns the bubble point at the temperature t.
func (r *Refrigerant) BubbleAt(t si.Kelvin) (State, error) { return r.saturatedAt(t, false) }

// DewAt returns the dew point at the temperature t.
func (r *Refrigerant) DewAt(t si.Kelvin) (State, error) { return r.saturatedAt(t, true) }

func (r *Refrigerant) saturatedAt(t si.Kelvin, dew bool) (State, error) {
	low, high := r.saturation.TempRange(dew)
	if !(float64(t) >= low && float64(t) <= high) {
		return State{}, r.temperatureError(t, si.Kelvin(low), si.Kelvin(high))
	}
	sol, err := r.saturation.AtTemp(float64(t), dew)
	if err != nil {
		return State{}, fmt.Errorf("%s at %s: %w", r.name, celsius(t), err)
	}
	return r.saturatedState(&sol, dew), nil
}

func (r *Refrigerant) saturatedState(sol *vle.Solution, dew bool) State {
	s := r.single(sol.Temp(), point{r, sol}.rho(dew))
	s.Pressure = si.Pascal(sol.Pres())
	s.Phase, s.Quality = Saturated, 0
	if dew {
		s.Quality = 1
	}
	return s
}

// Glide returns the difference of dew and bubble temperature at the absolute pressure p.
func (r *Refrigerant) Glide(p si.Pascal) (si.DeltaK, error) {
	bubble, err := r.solveAtPres(p, false)
	if err != nil {
		return 0, err
	}
	dew, err := r.solveAtPres(p, true)
	if err != nil {
		return 0, err
	}
	return si.DeltaK(dew.Temp() - bubble.Temp()), nil
}

// Equilibrium is the two phases of a saturation point, to show that they are in equilibrium.
type Equilibrium struct {
	Temperature    si.Kelvin
	Pressure       si.Pascal
	Fluids         []string
	Liquid, Vapour []float64 // mole fractions
	// LnFugacity of each component in liquid and vapour, of Pa.
	LnFugacityLiquid, LnFugacityVapour []float64
}

// Phases solves the bubble or dew point at p and returns both phases. One-fluid equations have none.
func (r *Refrigerant) Phases(p si.Pascal, dew bool) (Equilibrium, error) {
	if r.envelope == nil {
		return Equilibrium{}, errOneFluid(r.name)
	}
	sol, err := r.solveAtPres(p, dew)
	if err != nil {
		return Equilibrium{}, err
	}
	n := len(r.fluids)
	x, y := sol.Phases(n, &r.z)
	fl := r.solver.LnFugacity(sol.Temp(), math.Exp(sol.LnRhoL), &x)
	fv := r.solver.LnFugacity(sol.Temp(), math.Exp(sol.LnRhoV), &y)
	e := Equilibrium{
		Temperature: si.Kelvin(sol.Temp()), Pressure: p,
		Liquid: x[:n], Vapour: y[:n], LnFugacityLiquid: fl[:n], LnFugacityVapour: fv[:n],
	}
	for _, f := range r.fluids {
		e.Fluids = append(e.Fluids, f.Designation)
	}
	return e, nil
}

func errOneFluid(name string) error {
	return fmt.Errorf("%s: %w: a one-fluid equation has no phase compositions", name, errors.ErrUnsupported)
}
