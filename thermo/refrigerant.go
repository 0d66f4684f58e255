package thermo

import (
	"fmt"
	"strings"
	"sync"

	"dewline/thermo/fluid"
	"dewline/thermo/mixture"
	"dewline/thermo/si"
	"dewline/thermo/vle"
)

// Refrigerant is a refrigerant ready for use. It is read-only and safe for concurrent use.
type Refrigerant struct {
	name       string
	blend      *fluid.Blend // nil for a pure fluid
	fluids     []*fluid.Fluid
	z          [vle.MaxN]float64 // mole fractions
	molarMass  float64           // kg/mol
	model      *mixture.Model
	solver     *vle.Solver
	saturation saturator
	envelope   *vle.Envelope // nil for a one-fluid equation
	critical   CriticalPoint
	low, high  si.Pascal // where saturation is solved
	minTemp    si.Kelvin // of the equations of state
	maxTemp    si.Kelvin
	maxPres    si.Pascal
	shift      reference
	curve      *Curve
}

// CriticalPoint is where bubble and dew point merge. For a blend it is that of the mixture model.
// All fields are zero where the model has none to show.
type CriticalPoint struct {
	Temperature si.Kelvin
	Pressure    si.Pascal
	Density     si.KilogramPerCubicMetre
}

// reference is what is subtracted from raw enthalpy and entropy to reach the IIR reference state.
type reference struct {
	enthalpy float64 // J/mol
	entropy  float64 // J/(mol K)
	note     string
}

var (
	cacheMu sync.Mutex
	cache   = map[string]func() (*Refrigerant, error){}
)

// Lookup returns the refrigerant that name stands for (see Designation). The first call for a
// refrigerant prepares it, in a few milliseconds; later calls return the same one.
func Lookup(name string) (*Refrigerant, error) {
	designation, err := Designation(name)
	if err != nil {
		return nil, err
	}
	cacheMu.Lock()
	prepared, ok := cache[designation]
	if !ok {
		prepared = sync.OnceValues(func() (*Refrigerant, error) { return prepare(designation) })
		cache[designation] = prepared
	}
	cacheMu.Unlock()
	return prepared()
}

// lowestTemp is how far down a saturation line is followed at least, where the equation allows:
// below every evaporating temperature of common machines.
const lowestTemp = 213.15 // K, -60 °C

func prepare(designation string) (*Refrigerant, error) {
	r := &Refrigerant{name: designation}
	if base, ok := strings.CutSuffix(designation, oneFluidSuffix); ok {
		return r, r.prepareOneFluid(base)
	}
	if err := r.compose(); err != nil {
		return nil, fmt.Errorf("%s: %w", designation, err)
	}
	var err error
	if r.model, err = mixture.New(r.fluids...); err != nil {
		return nil, fmt.Errorf("%s: %w", designation, err)
	}
	r.solver = vle.NewSolver(r.model, r.z)
	var meanCritical float64
	for i, f := range r.fluids {
		meanCritical += r.z[i] * f.CriticalTemp
	}
	// Refrigerants for very low temperatures are followed further down, to half their critical
	// temperature.
	from := max(float64(r.minTemp), min(lowestTemp, meanCritical/2))
	if r.envelope, err = vle.Trace(r.solver, from); err != nil {
		return nil, fmt.Errorf("%s: %w", designation, err)
	}
	e := r.envelope
	r.saturation = e
	r.critical = CriticalPoint{si.Kelvin(e.CritTemp), si.Pascal(e.CritPres), si.KilogramPerCubicMetre(e.CritRho * r.molarMass)}
	if r.blend == nil {
		f := r.fluids[0]
		r.critical.Temperature = si.Kelvin(f.CriticalTemp)
		r.critical.Pressure = max(r.critical.Pressure, si.Pascal(f.CriticalPres))
	}
	low, high := e.PresRange()
	r.low, r.high = si.Pascal(low), si.Pascal(high)
	if err := r.setReference(); err != nil {
		return nil, err
	}
	r.curve, err = newCurve(r)
	return r, err
}

// compose fills in fluids, mole fractions and the limits of the equations.
func (r *Refrigerant) compose() error {
	if f, ok := fluid.Get(r.name); ok {
		r.fluids = []*fluid.Fluid{f}
		r.z[0] = 1
	} else if b, ok := fluid.GetBlend(r.name); ok {
		r.blend = b
		var moles float64
		for i, c := range b.Components {
			f, ok := fluid.Get(c.Fluid)
			if !ok {
				return fmt.Errorf("no equation of state for its component %s", c.Fluid)
			}
			r.fluids = append(r.fluids, f)
			r.z[i] = c.MassFraction / f.MolarMass
			moles += r.z[i]
		}
		for i := range r.fluids {
			r.z[i] /= moles
		}
	} else {
		return ErrUnknown
	}
	r.maxTemp, r.maxPres = si.Kelvin(r.fluids[0].MaxTemp), si.Pascal(r.fluids[0].MaxPres)
	for i, f := range r.fluids {
		r.molarMass += r.z[i] * f.MolarMass
		// A blend freezes below its components; for want of published freezing points the limit
		// of its liquid is the molar mean of theirs.
		r.minTemp += si.Kelvin(r.z[i] * f.LowestTemp())
		r.maxTemp, r.maxPres = min(r.maxTemp, si.Kelvin(f.MaxTemp)), min(r.maxPres, si.Pascal(f.MaxPres))
	}
	return nil
}

// setReference applies the IIR reference state: the bubble-point liquid at 0 °C has 200 kJ/kg and
// 1 kJ/(kg K). A fluid without liquid at 0 °C counts from its normal boiling point instead.
func (r *Refrigerant) setReference() error {
	const iir = 273.15 // K
	enthalpy, entropy := 200e3, 1e3
	sol, err := r.saturation.AtTemp(iir, false)
	r.shift.note = "IIR: the bubble-point liquid at 0 °C has 200 kJ/kg and 1 kJ/(kg K)"
	if err != nil {
		enthalpy, entropy = 0, 0
		r.shift.note = "the bubble-point liquid at 101.325 kPa has 0 kJ/kg and 0 kJ/(kg K), because there is no liquid at 0 °C for the IIR reference state"
		if sol, err = r.saturation.AtPres(float64(atmosphere), false); err != nil {
			return fmt.Errorf("%s: reference state: %w", r.name, err)
		}
	}
	p := point{r, &sol}
	c := r.model.Caloric(sol.Temp(), p.rho(false), &r.z)
	r.shift.enthalpy = c.Enthalpy - enthalpy*r.molarMass
	r.shift.entropy = c.Entropy - entropy*r.molarMass
	return nil
}

// Name returns the designation.
func (r *Refrigerant) Name() string { return r.name }

// Curve returns the table of bubble and dew temperatures, for use with every reading.
func (r *Refrigerant) Curve() *Curve { return r.curve }

// Critical returns the critical point.
func (r *Refrigerant) Critical() CriticalPoint { return r.critical }

// PressureRange returns the absolute pressures between which saturation is known.
func (r *Refrigerant) PressureRange() (low, high si.Pascal) { return r.low, r.high }
