package thermo

import (
	"fmt"
	"math"

	"dewline/thermo/si"
	"dewline/thermo/vle"
)

// Phase names what a refrigerant is at a state.
type Phase string

// The phases.
const (
	Liquid        Phase = "liquid"
	Vapour        Phase = "vapour"
	TwoPhase      Phase = "two_phase"
	Supercritical Phase = "supercritical"
	Saturated     Phase = "saturated" // on the bubble or the dew line
)

// State is a thermodynamic state. Enthalpy and entropy are in the IIR reference state of the
// refrigerant (see Refrigerant.ReferenceState).
type State struct {
	Phase       Phase
	Pressure    si.Pascal // absolute
	Temperature si.Kelvin
	Density     si.KilogramPerCubicMetre
	Enthalpy    si.JoulePerKilogram
	Entropy     si.JoulePerKilogramKelvin
	// Quality is the vapour's share of the mass, 0 to 1, where two phases are present or on a
	// saturation line; elsewhere it is 0 and means nothing.
	Quality float64
	// HeatCapacity (at constant pressure) and SoundSpeed are of one phase; 0 where there are two.
	HeatCapacity si.JoulePerKilogramKelvin
	SoundSpeed   si.MetrePerSecond
}

// ReferenceState says what enthalpy and entropy are counted from.
func (r *Refrigerant) ReferenceState() string { return r.shift.note }

// single returns the state of one phase of the refrigerant's composition at a molar density.
func (r *Refrigerant) single(tempK, rho float64) State {
	c := r.model.Caloric(tempK, rho, &r.z)
	return State{
		Pressure:     si.Pascal(c.Pres),
		Temperature:  si.Kelvin(tempK),
		Density:      si.KilogramPerCubicMetre(rho * r.molarMass),
		Enthalpy:     si.JoulePerKilogram((c.Enthalpy - r.shift.enthalpy) / r.molarMass),
		Entropy:      si.JoulePerKilogramKelvin((c.Entropy - r.shift.entropy) / r.molarMass),
		HeatCapacity: si.JoulePerKilogramKelvin(c.IsobaricCp / r.molarMass),
		SoundSpeed:   si.MetrePerSecond(math.Sqrt(max(c.SoundSq/r.molarMass, 0))),
	}
}

// twoPhase returns the state of a liquid and a vapour in equilibrium.
func (r *Refrigerant) twoPhase(e *vle.Equilibrium) State {
	x, y := e.Phases(len(r.fluids), &r.z)
	rhoL, rhoV := math.Exp(e.LnRhoL), math.Exp(e.LnRhoV)
	liquid, vapour := r.model.Caloric(e.Temp(), rhoL, &x), r.model.Caloric(e.Temp(), rhoV, &y)
	mix := func(l, v float64) float64 { return (1-e.Beta)*l + e.Beta*v }
	massL, massV := 0.0, 0.0
	for i, f := range r.fluids {
		massL += x[i] * f.MolarMass
		massV += y[i] * f.MolarMass
	}
	return State{
		Phase:       TwoPhase,
		Pressure:    si.Pascal(e.Pres()),
		Temperature: si.Kelvin(e.Temp()),
		Density:     si.KilogramPerCubicMetre(r.molarMass / mix(1/rhoL, 1/rhoV)),
		Enthalpy:    si.JoulePerKilogram((mix(liquid.Enthalpy, vapour.Enthalpy) - r.shift.enthalpy) / r.molarMass),
		Entropy:     si.JoulePerKilogramKelvin((mix(liquid.Entropy, vapour.Entropy) - r.shift.entropy) / r.molarMass),
		Quality:     e.Beta * massV / mix(massL, massV),
	}
}

// thinnest is the lowest pressure of a state. Far thinner gas is none of a refrigerant's business,
// and in the end its density is no longer a number.
const thinnest si.Pascal = 0.001

// checkLimits refuses what the equations of state do not cover.
func (r *Refrigerant) checkLimits(p si.Pascal, t si.Kelvin) error {
	if !(p >= thinnest && p <= r.maxPres) {
		return &RangeError{r.name, "absolute pressure", kPa(p), kPa(thinnest), kPa(r.maxPres), ErrOutOfRange, "the limit of the equation of state"}
	}
	if !(t >= r.minTemp && t <= r.maxTemp) {
		return r.temperatureError(t, r.minTemp, r.maxTemp)
	}
	return nil
}

// AtPT returns the state at absolute pressure and temperature. For a pure fluid exactly on its
// saturation line the state is not determined by the two, and the answer is an error.
func (r *Refrigerant) AtPT(p si.Pascal, t si.Kelvin) (State, error) {
	if err := r.checkLimits(p, t); err != nil {
		return State{}, err
	}
	region, bub, dew, err := r.locate(p, t)
	if err != nil {
		return State{}, err
	}
	if region == TwoPhase {
		return r.flash(p, t, bub, dew)
	}
	return r.atRegion(p, t, region, dew)
}

// onLine is how close to a pure fluid's saturation temperature a state is taken to be on the line.
const onLine = 1e-9 // K

// locate says on which side of the saturation lines a state lies. Where p has saturation, the
// bubble and dew points are returned.
func (r *Refrigerant) locate(p si.Pascal, t si.Kelvin) (region Phase, bub, dew *vle.Solution, err error) {
	switch {
	case p < r.low:
		// Below the traced lines: vapour for sure where it is vapour at a higher pressure.
		_, dewLow := r.lowestDew()
		if float64(t) < dewLow {
			return "", nil, nil, r.pressureError(p, r.low, r.high)
		}
		return Vapour, nil, nil, nil
	case p > r.high:
		critT, critP := r.critical.Temperature, r.critical.Pressure
		switch {
		case critP == 0:
			return "", nil, nil, r.pressureError(p, r.low, r.high)
		case t < critT:
			return Liquid, nil, nil, nil
		case p < critP:
			return Vapour, nil, nil, nil
		}
		return Supercritical, nil, nil, nil
	}
	b, err := r.solveAtPres(p, false)
	if err != nil {
		return "", nil, nil, err
	}
	d, err := r.solveAtPres(p, true)
	if err != nil {
		return "", nil, nil, err
	}
	switch {
	case r.blend == nil && r.envelope != nil && math.Abs(float64(t)-b.Temp()) < onLine:
		return "", nil, nil, fmt.Errorf("%s: %s is the saturation temperature at %s: give pressure and quality, or a temperature off the line", r.name, celsius(t), kPa(p))
	case float64(t) < b.Temp():
		return Liquid, &b, &d, nil
	case float64(t) > d.Temp():
		return Vapour, &b, &d, nil
	}
	return TwoPhase, &b, &d, nil
}

// lowestDew returns pressure and temperature of the lower end of the dew line.
func (r *Refrigerant) lowestDew() (presPa, tempK float64) {
	low, _ := r.saturation.TempRange(true)
	sol, err := r.saturation.AtPres(float64(r.low), true)
	if err != nil {
		return float64(r.low), low
	}
	return float64(r.low), sol.Temp()
}

// atRegion returns the single-phase state at p, t in a region found by locate.
func (r *Refrigerant) atRegion(p si.Pascal, t si.Kelvin, region Phase, dew *vle.Solution) (State, error) {
	pres, temp := float64(p), float64(t)
	ideal := pres / (r.model.GasConstant() * temp)
	var low, high float64
	switch {
	case region == Liquid:
		low = r.leastLiquid(temp)
	case region == Vapour && dew != nil:
		low, high = ideal/10, math.Exp(dew.LnRhoV) // hotter vapour at the same pressure is thinner
	case region == Vapour && p < r.low:
		low, high = ideal/2, ideal*2
	default: // near or above the critical point, where pressure rises steadily with density
		low = ideal / 10
	}
	if high == 0 {
		var err error
		from := max(low, float64(r.critical.Density)/r.molarMass)
		if high, err = r.solver.DenseLimit(temp, pres, from); err != nil {
			return State{}, fmt.Errorf("%s at %s, %s: %w", r.name, kPa(p), celsius(t), err)
		}
	}
	rho, err := r.solver.Density(temp, pres, low, high)
	if err != nil {
		return State{}, fmt.Errorf("%s at %s, %s: %w", r.name, kPa(p), celsius(t), err)
	}
	s := r.single(temp, rho)
	s.Pressure, s.Phase = p, region
	return s, nil
}

// leastLiquid returns a density in mol/m3 below which there is no liquid at tempK: that of the
// bubble point. Below it the isotherm of an equation of state wanders, and has false roots.
func (r *Refrigerant) leastLiquid(tempK float64) float64 {
	const inside = 1e-9 // relative, against rounding
	cold, _ := r.saturation.TempRange(false)
	sol, err := r.saturation.AtTemp(max(tempK, cold*(1+inside)), false)
	if err != nil { // between the end of the line and the critical point
		return float64(r.critical.Density) / r.molarMass
	}
	rho := math.Exp(sol.LnRhoL)
	if tempK < cold { // liquids shrink by about 0.2 % per kelvin there
		rho = r.solver.LiquidRoot(tempK, &r.z, rho*(1+0.002*(cold-tempK)))
	}
	return rho * (1 - inside)
}

// flash returns the two-phase state of a blend at p and a temperature within its glide.
func (r *Refrigerant) flash(p si.Pascal, t si.Kelvin, bub, dew *vle.Solution) (State, error) {
	if r.envelope == nil {
		return State{}, errOneFluid(r.name)
	}
	e, err := r.envelope.AtTempBetween(float64(t), &bub.Equilibrium, &dew.Equilibrium)
	if err != nil {
		return State{}, fmt.Errorf("%s at %s, %s: %w", r.name, kPa(p), celsius(t), err)
	}
	return r.twoPhase(&e), nil
}

// AtPQ returns the state at absolute pressure and quality, the vapour's share of the mass: 0 is
// the bubble point, 1 the dew point.
func (r *Refrigerant) AtPQ(p si.Pascal, quality float64) (State, error) {
	if !(quality >= 0 && quality <= 1) {
		return State{}, &RangeError{r.name, "quality", fmt.Sprint(quality), "0", "1", ErrOutOfRange, ""}
	}
	return r.inGlide(p, quality, func(s *State) float64 { return s.Quality })
}

// AtPH returns the state at absolute pressure and enthalpy.
func (r *Refrigerant) AtPH(p si.Pascal, h si.JoulePerKilogram) (State, error) {
	return r.atCaloric(p, float64(h), "enthalpy", "J/kg", func(s *State) (value, byTemp float64) {
		return float64(s.Enthalpy), float64(s.HeatCapacity)
	})
}

// AtPS returns the state at absolute pressure and entropy.
func (r *Refrigerant) AtPS(p si.Pascal, entropy si.JoulePerKilogramKelvin) (State, error) {
	return r.atCaloric(p, float64(entropy), "entropy", "J/(kg K)", func(s *State) (value, byTemp float64) {
		return float64(s.Entropy), float64(s.HeatCapacity) / float64(s.Temperature)
	})
}

// atCaloric finds the state at p where a property that rises with temperature has the target.
func (r *Refrigerant) atCaloric(p si.Pascal, target float64, quantity, unit string, of func(*State) (value, byTemp float64)) (State, error) {
	if err := r.checkLimits(p, r.maxTemp); err != nil {
		return State{}, err
	}
	low, high := r.minTemp, r.maxTemp
	if p >= r.low && p <= r.high {
		bub, err := r.Bubble(p)
		if err != nil {
			return State{}, err
		}
		dew, err := r.Dew(p)
		if err != nil {
			return State{}, err
		}
		vb, _ := of(&bub)
		vd, _ := of(&dew)
		switch {
		case target == vb:
			return bub, nil
		case target == vd:
			return dew, nil
		case target < vb:
			high = bub.Temperature
		case target > vd:
			low = dew.Temperature
		case target > vb && target < vd:
			return r.inGlide(p, target, func(s *State) float64 { v, _ := of(s); return v })
		}
	} else if p < r.low {
		_, t := r.lowestDew()
		low = si.Kelvin(t)
	}
	return r.solveTemp(p, target, low, high, quantity, unit, of)
}

// solveTemp finds the single-phase state between two temperatures by Newton's method inside a bracket.
func (r *Refrigerant) solveTemp(p si.Pascal, target float64, low, high si.Kelvin, quantity, unit string, of func(*State) (value, byTemp float64)) (State, error) {
	// The ends may be saturation temperatures, where a pure fluid's state is not determined.
	from, to := low+4*onLine, high-4*onLine
	inside := func(t si.Kelvin) (State, error) { return r.AtPT(p, min(max(t, from), to)) }
	// Far below the saturation lines some equations are no longer sound, so the way there is only
	// taken when the target lies there.
	if cold, _ := r.saturation.TempRange(false); low < si.Kelvin(cold) && si.Kelvin(cold) < high {
		if s, err := inside(si.Kelvin(cold)); err == nil {
			if v, _ := of(&s); v <= target {
				low = si.Kelvin(cold)
			} else {
				high = si.Kelvin(cold)
			}
		}
	}
	first, err := inside(low)
	if err != nil {
		return State{}, err
	}
	last, err := inside(high)
	if err != nil {
		return State{}, err
	}
	a, _ := of(&first)
	b, _ := of(&last)
	if !(target >= a && target <= b) {
		// Within a whisker of a saturation line is on it.
		if math.Abs(target-a) < 1e-6*(1+math.Abs(a)) {
			return first, nil
		}
		if math.Abs(target-b) < 1e-6*(1+math.Abs(b)) {
			return last, nil
		}
		return State{}, &RangeError{r.name, quantity, fmt.Sprintf("%.6g %s at %s", target, unit, kPa(p)),
			fmt.Sprintf("%.6g %s", a, unit), fmt.Sprintf("%.6g %s", b, unit), ErrOutOfRange, "the limits of the equation of state"}
	}
	t := low + (high-low)*si.Kelvin((target-a)/(b-a))
	before := math.Inf(1)
	for range 100 {
		s, err := inside(t)
		if err != nil {
			return State{}, err
		}
		v, slope := of(&s)
		off := math.Abs(v - target)
		if off <= 1e-13*(b-a) {
			return s, nil
		}
		if v < target {
			low = t
		} else {
			high = t
		}
		next := t + si.Kelvin((target-v)/slope)
		// Above the critical pressure the property rises steeply in the middle and Newton's method
		// would jump from one side to the other for ever.
		if !(next > low && next < high) || off > before/2 {
			next = (low + high) / 2
		} else {
			before = off
		}
		if math.Abs(float64(next-t)) < 1e-10 || high-low < 1e-10 {
			return s, nil
		}
		t = next
	}
	return State{}, fmt.Errorf("%s at %s: %w", r.name, kPa(p), vle.ErrNoConvergence)
}

// inGlide finds the two-phase state at p where a property that rises with the vapour fraction has
// the target.
func (r *Refrigerant) inGlide(p si.Pascal, target float64, of func(*State) float64) (State, error) {
	bubSol, err := r.solveAtPres(p, false)
	if err != nil {
		return State{}, err
	}
	dewSol, err := r.solveAtPres(p, true)
	if err != nil {
		return State{}, err
	}
	if r.envelope == nil {
		return State{}, errOneFluid(r.name)
	}
	bub, dew := r.saturatedState(&bubSol, false), r.saturatedState(&dewSol, true)
	bub.Pressure, dew.Pressure = p, p
	a, b := of(&bub), of(&dew)
	switch target {
	case a:
		return bub, nil
	case b:
		return dew, nil
	}
	lo, hi, fLo, fHi := 0.0, 1.0, a-target, b-target
	for range 100 { // regula falsi with halving of a stale end (Illinois)
		beta := (lo*fHi - hi*fLo) / (fHi - fLo)
		e, err := r.envelope.AtFraction(beta, &bubSol.Equilibrium, &dewSol.Equilibrium)
		if err != nil {
			return State{}, fmt.Errorf("%s at %s: %w", r.name, kPa(p), err)
		}
		s := r.twoPhase(&e)
		f := of(&s) - target
		if math.Abs(f) <= 1e-11*(math.Abs(a)+math.Abs(b)) || hi-lo < 1e-14 {
			return s, nil
		}
		if f < 0 {
			lo, fLo = beta, f
			fHi /= 2
		} else {
			hi, fHi = beta, f
			fLo /= 2
		}
	}
	return State{}, fmt.Errorf("%s at %s: %w", r.name, kPa(p), vle.ErrNoConvergence)
}
