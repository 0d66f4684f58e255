package helmholtz_test

import (
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"dewline/thermo/fluid"
	"dewline/thermo/helmholtz"
)

// form is one form of term: the coefficients of one term as published, and the term written out as
// its paper does.
type form struct {
	residual helmholtz.Residual
	value    func(tau, delta float64) float64
}

// forms has every form of term once. The coefficients are those of the fluids that the forms were
// invented for.
var forms = map[string]form{
	"power": {
		helmholtz.Residual{Power: [][4]float64{{1.0046, 1.14, 2, 0}}}, // Tillner-Roth and Yokozeki (1997), R-32
		func(tau, delta float64) float64 { return 1.0046 * math.Pow(tau, 1.14) * math.Pow(delta, 2) },
	},
	"power with exponential": {
		helmholtz.Residual{Power: [][4]float64{{-0.5577, 3.5, 3, 2}}},
		func(tau, delta float64) float64 {
			return -0.5577 * math.Pow(tau, 3.5) * math.Pow(delta, 3) * math.Exp(-math.Pow(delta, 2))
		},
	},
	"power of negative temperature": { // Tillner-Roth and Baehr (1994), R-134a
		helmholtz.Residual{Power: [][4]float64{{0.05586817, -0.5, 2, 0}}},
		func(tau, delta float64) float64 { return 0.05586817 * math.Pow(tau, -0.5) * delta * delta },
	},
	"exponential": { // Younglove and McLinden (1994), R-123
		helmholtz.Residual{Exponential: [][5]float64{{-0.100242647494e2, 3, 0, 2, 1.1}}},
		func(tau, delta float64) float64 {
			return -0.100242647494e2 * tau * tau * tau * math.Exp(-1.1*delta*delta)
		},
	},
	"double exponential": { // Lemmon and Jacobsen (2005), R-125
		helmholtz.Residual{DoubleExponential: [][5]float64{{-0.0165, 2.37, 1, 3, 1.7}}},
		func(tau, delta float64) float64 {
			return -0.0165 * math.Pow(tau, 2.37) * delta * math.Exp(-math.Pow(delta, 3)) * math.Exp(-math.Pow(tau, 1.7))
		},
	},
	"double exponential without the first": {
		helmholtz.Residual{DoubleExponential: [][5]float64{{0.3, 1.5, 2, 0, 1.7}}},
		func(tau, delta float64) float64 {
			return 0.3 * math.Pow(tau, 1.5) * delta * delta * math.Exp(-math.Pow(tau, 1.7))
		},
	},
	"Gaussian": { // Lemmon, McLinden and Wagner (2009), R-290
		helmholtz.Residual{Gaussian: [][7]float64{{0.19, 1.6, 1, 0.963, 0.684, 2.33, 1.283}}},
		func(tau, delta float64) float64 {
			return 0.19 * math.Pow(tau, 1.6) * delta * math.Exp(-0.963*math.Pow(delta-0.684, 2)-2.33*math.Pow(tau-1.283, 2))
		},
	},
	"damped": { // Kunz and Wagner (2012), departure functions
		helmholtz.Residual{Damped: [][7]float64{{-0.0098, 1.85, 1, 1, 0.5, 1, 0.5}}},
		func(tau, delta float64) float64 {
			return -0.0098 * math.Pow(tau, 1.85) * delta * math.Exp(-math.Pow(delta-0.5, 2)-(delta-0.5))
		},
	},
	"reciprocal": { // Gao, Wu, Bell and Lemmon (2020), R-717
		helmholtz.Residual{Reciprocal: [][8]float64{{-1.6909858, 4.3315, 1, -2.8452, 0.4478, 0.3696, 1.108, 1.244}}},
		func(tau, delta float64) float64 {
			return -1.6909858 * math.Pow(tau, 4.3315) * delta *
				math.Exp(-2.8452*math.Pow(delta-0.4478, 2)+1/(1.244+0.3696*math.Pow(tau-1.108, 2)))
		},
	},
	"nonanalytic": { // Span and Wagner (1996), R-744
		helmholtz.Residual{NonAnalytic: [][8]float64{{-0.66642276540751, 3.5, 0.875, 0.3, 0.7, 0.3, 10, 275}}},
		func(tau, delta float64) float64 {
			y := math.Pow(delta-1, 2)
			theta := (1 - tau) + 0.7*math.Pow(y, 1/(2*0.3))
			w := theta*theta + 0.3*math.Pow(y, 3.5)
			return -0.66642276540751 * math.Pow(w, 0.875) * delta * math.Exp(-10*y-275*math.Pow(tau-1, 2))
		},
	},
}

func evalAt(r *helmholtz.Residual, lnTau, lnDelta float64) (d helmholtz.Derivs) {
	r.Eval(math.Exp(lnTau), math.Exp(lnDelta), lnTau, lnDelta, &d)
	return d
}

// derivative is the central difference of f at x, extrapolated to a vanishing step (Richardson).
func derivative(f func(float64) float64, x, h float64) float64 {
	var row [5]float64
	for k := range row {
		step := h / math.Pow(2, float64(k))
		previous := row
		row[0] = (f(x+step) - f(x-step)) / (2 * step)
		factor := 1.0
		for j := 1; j <= k; j++ {
			factor *= 4
			row[j] = row[j-1] + (row[j-1]-previous[j-1])/(factor-1)
		}
	}
	return row[len(row)-1]
}

// checkDerivs compares the derivatives that eval returns with numeric ones of what they are
// derivatives of. step is how far the numeric ones look; scale is the size of the terms whose sum
// the value is.
func checkDerivs(eval func(lnTau, lnDelta float64) helmholtz.Derivs, lnTau, lnDelta, step, scale float64) (worst float64, err error) {
	d := eval(lnTau, lnDelta)
	byTau := func(of func(helmholtz.Derivs) float64) float64 {
		return derivative(func(x float64) float64 { return of(eval(x, lnDelta)) }, lnTau, step)
	}
	byDelta := func(of func(helmholtz.Derivs) float64) float64 {
		return derivative(func(x float64) float64 { return of(eval(lnTau, x)) }, lnDelta, step)
	}
	a := func(d helmholtz.Derivs) float64 { return d.A }
	dt := func(d helmholtz.Derivs) float64 { return d.DT }
	dd := func(d helmholtz.Derivs) float64 { return d.DD }
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"DT", d.DT, byTau(a)}, {"DD", d.DD, byDelta(a)},
		{"DTT", d.DTT, byTau(dt)}, {"DTD", d.DTD, byDelta(dt)}, {"DTD by the other way", d.DTD, byTau(dd)},
		{"DDD", d.DDD, byDelta(dd)},
	} {
		off := math.Abs(c.got-c.want) / max(scale, math.Abs(c.want))
		worst = max(worst, off)
		if !(off < 1e-8) {
			err = fmt.Errorf("%s is %.12g, numeric %.12g", c.name, c.got, c.want)
		}
	}
	return worst, err
}

// TestTerms holds the value of each form of term against the formula as printed, and its
// derivatives against numeric ones.
func TestTerms(t *testing.T) {
	rng := rand.New(rand.NewPCG(1996, 2020))
	for _, name := range slices.Sorted(maps.Keys(forms)) {
		f := forms[name]
		r := f.residual
		r.Prepare()
		var worst float64
		for range 200 {
			lnTau, lnDelta := math.Log(0.5+2.5*rng.Float64()), math.Log(0.01+3*rng.Float64())
			tau, delta := math.Exp(lnTau), math.Exp(lnDelta)
			step := 0.01
			if name == "nonanalytic" {
				// Its derivatives do not exist at the critical point, and its Gaussian is narrow.
				lnTau = 0.2 * (rng.Float64() - 0.5)
				tau = math.Exp(lnTau)
				step = min(0.002, 0.02*math.Abs(delta-1))
				if math.Abs(delta-1) < 0.02 {
					continue
				}
			}
			d := evalAt(&r, lnTau, lnDelta)
			if want := f.value(tau, delta); math.Abs(d.A-want) > 1e-13*math.Abs(want) {
				t.Errorf("%s at tau=%g, delta=%g: %.16g, formula %.16g", name, tau, delta, d.A, want)
			}
			// Beside the value, a derivative can only be as exact as the larger ones.
			scale := math.Abs(d.A) + math.Abs(d.DT) + math.Abs(d.DD)
			off, err := checkDerivs(func(lt, ld float64) helmholtz.Derivs { return evalAt(&r, lt, ld) }, lnTau, lnDelta, step, scale)
			if err != nil && scale > 1e-200 {
				t.Errorf("%s at tau=%g, delta=%g: %v", name, tau, delta, err)
			}
			worst = max(worst, off)
		}
		t.Logf("%s: derivatives within %.1g", name, worst)
	}
}

// TestEval adds to what is there, as sums of terms need it.
func TestEval(t *testing.T) {
	f := forms["Gaussian"]
	f.residual.Prepare()
	one := evalAt(&f.residual, 0.1, 0.2)
	sum := one
	f.residual.Eval(math.Exp(0.1), math.Exp(0.2), 0.1, 0.2, &sum)
	var twice helmholtz.Derivs
	twice.AddScaled(2, &one)
	if sum != twice {
		t.Errorf("%+v, expected %+v", sum, twice)
	}
	var zero helmholtz.Residual
	zero.Prepare()
	if d := evalAt(&zero, 0.1, 0.2); d != (helmholtz.Derivs{}) {
		t.Errorf("the zero residual is %+v", d)
	}
}

// TestCriticalPoint: the nonanalytic terms have no derivatives at the critical point, but every
// number they return there must be finite.
func TestCriticalPoint(t *testing.T) {
	f := forms["nonanalytic"]
	f.residual.Prepare()
	for _, tau := range []float64{1, 1 - 1e-16, 1 + 1e-12, 1.01, 0.9} {
		for _, delta := range []float64{1, 1 - 1e-16, 1 + 1e-15, 1 + 1e-8} {
			var d helmholtz.Derivs
			f.residual.Eval(tau, delta, math.Log(tau), math.Log(delta), &d)
			if sum := d.A + d.DT + d.DD + d.DTT + d.DTD + d.DDD; math.IsNaN(sum) || math.IsInf(sum, 0) {
				t.Errorf("tau=%.17g, delta=%.17g: %+v", tau, delta, d)
			}
		}
	}
}

// TestFluids checks the derivatives of every fluid's whole equation at random states of its range.
func TestFluids(t *testing.T) {
	rng := rand.New(rand.NewPCG(32, 125))
	var equations []*fluid.Fluid
	for _, name := range fluid.Names() {
		if f, ok := fluid.Get(name); ok {
			equations = append(equations, f)
		}
		if f, ok := fluid.GetOneFluid(name); ok {
			equations = append(equations, f)
		}
	}
	var worst float64
	for _, f := range equations {
		for range 10 {
			temp := max(f.MinTemp, 0.5*f.CriticalTemp) + rng.Float64()*(1.3*f.CriticalTemp-max(f.MinTemp, 0.5*f.CriticalTemp))
			lnTau := math.Log(f.ReducingTemp / temp)
			lnDelta := math.Log(0.01 + 2.6*rng.Float64())
			step := 0.01
			if len(f.Residual.NonAnalytic) > 0 {
				step = 0.001
				if math.Abs(lnDelta) < 0.05 && math.Abs(lnTau) < 0.05 {
					lnDelta += 0.2
				}
			}
			off, err := checkDerivs(func(lt, ld float64) helmholtz.Derivs { return evalAt(&f.Residual, lt, ld) }, lnTau, lnDelta, step, 1)
			worst = max(worst, off)
			if err != nil {
				t.Errorf("%s at %.2f K, delta=%.3f: %v", f.Designation, temp, math.Exp(lnDelta), err)
			}
			ideal := func(lt, ld float64) helmholtz.Derivs { return f.Ideal.Eval(math.Exp(lt), lt, ld) }
			if off, err = checkDerivs(ideal, lnTau, lnDelta, 0.01, 10); err != nil {
				t.Errorf("%s, ideal part at %.2f K: %v", f.Designation, temp, err)
			}
			worst = max(worst, off)
		}
	}
	t.Logf("%d equations: derivatives within %.1g", len(equations), worst)
}

// TestIdealCold: far below every vibration's temperature the Planck-Einstein terms vanish.
func TestIdealCold(t *testing.T) {
	i := helmholtz.Ideal{A1: 1, A2: -2, ALog: 3, PlanckEinstein: [][2]float64{{5, 100}}}
	with := i.Eval(6, math.Log(6), 0.3)
	i.PlanckEinstein = nil
	if without := i.Eval(6, math.Log(6), 0.3); with != without {
		t.Errorf("%+v with the term, %+v without", with, without)
	}
}
