package thermo

import (
	"math"

	"dewline/thermo/fluid"
	"dewline/thermo/mixture"
	"dewline/thermo/si"
	"dewline/thermo/vle"
)

// oneFluid gives the saturation lines of a blend that is described as one fluid: E. W. Lemmon,
// Int. J. Thermophys. 24, 991 (2003). Bubble and dew pressure are explicit functions of temperature.
type oneFluid struct {
	r    *Refrigerant
	f    *fluid.Fluid
	low  float64 // K
	high float64
}

func (r *Refrigerant) prepareOneFluid(designation string) error {
	f, _ := fluid.GetOneFluid(designation)
	r.fluids = []*fluid.Fluid{f}
	r.z[0] = 1
	r.molarMass = f.MolarMass
	r.minTemp, r.maxTemp, r.maxPres = si.Kelvin(f.MinTemp), si.Kelvin(f.MaxTemp), si.Pascal(f.MaxPres)
	var err error
	if r.model, err = mixture.New(f); err != nil {
		return err
	}
	r.blend, _ = fluid.GetBlend(designation)
	r.solver = vle.NewSolver(r.model, r.z)
	o := &oneFluid{r: r, f: f, low: f.MinTemp, high: 0.98 * f.CriticalTemp}
	r.saturation = o
	r.critical = CriticalPoint{si.Kelvin(f.CriticalTemp), si.Pascal(f.CriticalPres), si.KilogramPerCubicMetre(f.CriticalDensity * f.MolarMass)}
	bubble, dew := f.Ancillaries[fluid.BubblePressure], f.Ancillaries[fluid.DewPressure]
	r.low, r.high = si.Pascal(bubble.At(o.low)), si.Pascal(dew.At(o.high))
	if err := r.setReference(); err != nil {
		return err
	}
	r.curve, err = newCurve(r)
	return err
}

func (o *oneFluid) line(dew bool) fluid.Ancillary {
	if dew {
		return o.f.Ancillaries[fluid.DewPressure]
	}
	return o.f.Ancillaries[fluid.BubblePressure]
}

// TempRange returns the temperatures over which the saturation lines are used.
func (o *oneFluid) TempRange(bool) (low, high float64) { return o.low, o.high }

// AtTemp returns the point of a line at tempK.
func (o *oneFluid) AtTemp(tempK float64, dew bool) (vle.Solution, error) {
	line := o.line(dew)
	if !(tempK >= o.low && tempK <= o.high) {
		return vle.Solution{}, vle.ErrOutside
	}
	return o.at(line.At(tempK), tempK, dew)
}

// AtPres inverts the pressure of a line by Newton's method on ln p against 1/T, which is nearly
// straight.
func (o *oneFluid) AtPres(presPa float64, dew bool) (vle.Solution, error) {
	line := o.line(dew)
	target := math.Log(presPa)
	inv := (1/o.low + 1/o.high) / 2
	for range 50 {
		const h = 1e-7
		v := math.Log(line.At(1 / inv))
		slope := (math.Log(line.At(1/(inv*(1+h)))) - math.Log(line.At(1/(inv*(1-h))))) / (2 * h * inv)
		step := (target - v) / slope
		inv = min(max(inv+step, 1/(o.high*1.01)), 1/(o.low*0.9))
		if math.Abs(step) < 1e-13*inv {
			break
		}
	}
	return o.at(presPa, 1/inv, dew)
}

func (o *oneFluid) at(presPa, tempK float64, dew bool) (vle.Solution, error) {
	line := o.line(dew)
	const h = 1e-4 // K
	slope := (line.At(tempK+h) - line.At(tempK-h)) / (2 * h)
	sol := vle.Solution{DTDP: 1 / slope}
	sol.LnT, sol.LnP = math.Log(tempK), math.Log(presPa)
	// Only the density of the phase that has the blend's composition is defined; the other one is
	// given the same value so that no caller meets an undefined number.
	var rho float64
	var err error
	if dew {
		anc := o.f.Ancillaries[fluid.VapourDensity]
		guess := anc.At(tempK)
		sol.Beta = 1
		rho, err = o.r.solver.Density(tempK, presPa, guess/2, guess*1.1)
	} else {
		anc := o.f.Ancillaries[fluid.LiquidDensity]
		guess := anc.At(tempK)
		rho, err = o.r.solver.Density(tempK, presPa, guess*0.85, guess*1.3)
	}
	if err != nil {
		return sol, err
	}
	sol.LnRhoL, sol.LnRhoV = math.Log(rho), math.Log(rho)
	return sol, nil
}
