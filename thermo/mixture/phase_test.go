package mixture

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"dewline/thermo/fluid"
	"dewline/thermo/helmholtz"
)

// This file evaluates the mixture model a second time, from the formulas as the papers print them
// and in complex numbers: f(x + ih) has the derivative of f at x as its imaginary part over h, with
// no difference of near numbers, so that with h = 1e-30 it is exact (complex-step derivative).

// complexResidual is alphar(tau, delta) of a list of terms, written as in the literature.
func complexResidual(r *helmholtz.Residual, tau, delta complex128) complex128 {
	pow := func(x complex128, y float64) complex128 { return cmplx.Pow(x, complex(y, 0)) }
	re := func(x float64) complex128 { return complex(x, 0) }
	sq := func(x complex128) complex128 { return x * x }
	var sum complex128
	for _, c := range r.Power {
		v := re(c[0]) * pow(tau, c[1]) * pow(delta, c[2])
		if c[3] != 0 {
			v *= cmplx.Exp(-pow(delta, c[3]))
		}
		sum += v
	}
	for _, c := range r.Exponential {
		v := re(c[0]) * pow(tau, c[1]) * pow(delta, c[2])
		if c[3] != 0 {
			v *= cmplx.Exp(-re(c[4]) * pow(delta, c[3]))
		}
		sum += v
	}
	for _, c := range r.DoubleExponential {
		v := re(c[0]) * pow(tau, c[1]) * pow(delta, c[2])
		if c[3] != 0 {
			v *= cmplx.Exp(-pow(delta, c[3]))
		}
		if c[4] != 0 {
			v *= cmplx.Exp(-pow(tau, c[4]))
		}
		sum += v
	}
	for _, c := range r.Gaussian {
		sum += re(c[0]) * pow(tau, c[1]) * pow(delta, c[2]) *
			cmplx.Exp(-re(c[3])*sq(delta-re(c[4]))-re(c[5])*sq(tau-re(c[6])))
	}
	for _, c := range r.Damped {
		sum += re(c[0]) * pow(tau, c[1]) * pow(delta, c[2]) *
			cmplx.Exp(-re(c[3])*sq(delta-re(c[4]))-re(c[5])*(delta-re(c[6])))
	}
	for _, c := range r.Reciprocal {
		sum += re(c[0]) * pow(tau, c[1]) * pow(delta, c[2]) *
			cmplx.Exp(re(c[3])*sq(delta-re(c[4]))+1/(re(c[7])+re(c[5])*sq(tau-re(c[6]))))
	}
	for _, c := range r.NonAnalytic {
		y := sq(delta - 1)
		theta := (1 - tau) + re(c[4])*pow(y, 1/(2*c[3]))
		w := theta*theta + re(c[5])*pow(y, c[1])
		sum += re(c[0]) * pow(w, c[2]) * delta * cmplx.Exp(-re(c[6])*y-re(c[7])*sq(tau-1))
	}
	return sum
}

// complexA is A = rho alphar of concentrations c in mol/m3 at temp, by Kunz and Wagner (2012),
// equations 10 to 17, with nothing of the model but its coefficients.
func complexA(m *Model, temp complex128, c []complex128) complex128 {
	n := len(c)
	var rho, tempR, volR complex128
	for i := range n {
		rho += c[i]
	}
	x := make([]complex128, n)
	for i := range n {
		x[i] = c[i] / rho
		tempR += x[i] * x[i] * complex(m.fluids[i].ReducingTemp, 0)
		volR += x[i] * x[i] / complex(m.fluids[i].ReducingDensity, 0)
	}
	var departure complex128
	type part struct {
		weight complex128
		r      *helmholtz.Residual
	}
	var parts []part
	for i := range n {
		for j := i + 1; j < n; j++ {
			a, b := m.fluids[i], m.fluids[j]
			p, _ := FindPair(a.Designation, b.Designation)
			mean := func(beta, gamma, pure float64) complex128 {
				return 2 * x[i] * x[j] * complex(beta*gamma, 0) * (x[i] + x[j]) / (complex(beta*beta, 0)*x[i] + x[j]) * complex(pure, 0)
			}
			tempR += mean(p.BetaT, p.GammaT, math.Sqrt(a.ReducingTemp*b.ReducingTemp))
			volR += mean(p.BetaV, p.GammaV, math.Pow(math.Pow(a.ReducingDensity, -1.0/3)+math.Pow(b.ReducingDensity, -1.0/3), 3)/8)
			if p.Departure != "" && p.F != 0 {
				parts = append(parts, part{x[i] * x[j] * complex(p.F, 0), loadPairs().departures[p.Departure]})
			}
		}
	}
	tau, delta := tempR/temp, rho*volR
	sum := departure
	for i := range n {
		sum += x[i] * complexResidual(&m.fluids[i].Residual, tau, delta)
	}
	for _, p := range parts {
		sum += p.weight * complexResidual(p.r, tau, delta)
	}
	return rho * sum
}

// blends have every kind of pair and term: fitted and estimated pairs, departure functions of the
// general and of the own kind, R-744 with its nonanalytic terms, two to six components.
var blends = []string{
	"R-410A", "R-407C", "R-448A", "R-454B", "R-455A", "R-513A", "R-438A", "R-466A", "R-508B", "R-436A",
	"R-473A", "R-460B", "R-441A", "R-470A", "R-502", "R-510A", "R-514A", "R-404A",
}

func newBlend(t testing.TB, name string) (m *Model, z []float64) {
	t.Helper()
	b, ok := fluid.GetBlend(name)
	if !ok {
		t.Fatalf("no blend %s", name)
	}
	var fluids []*fluid.Fluid
	var sum float64
	for _, c := range b.Components {
		f, _ := fluid.Get(c.Fluid)
		fluids = append(fluids, f)
		z = append(z, c.MassFraction/f.MolarMass)
		sum += c.MassFraction / f.MolarMass
	}
	for i := range z {
		z[i] /= sum
	}
	m, err := New(fluids...)
	if err != nil {
		t.Fatal(err)
	}
	return m, z
}

// randomStates calls check at random temperatures, densities and compositions of the blends, and
// at those of pure.
func randomStates(t *testing.T, count int, check func(name string, m *Model, temp float64, conc *[MaxN]float64)) {
	t.Helper()
	rng := rand.New(rand.NewPCG(2012, 57))
	each := func(name string, m *Model) {
		for range count {
			var conc [MaxN]float64
			var sum float64
			for i := range m.n {
				conc[i] = rng.ExpFloat64() + 1e-3
				sum += conc[i]
			}
			temp := 210 + 200*rng.Float64()
			var critical float64
			for i := range m.n {
				critical += conc[i] / sum * m.fluids[i].CriticalDensity
			}
			share := math.Exp(math.Log(0.001) + rng.Float64()*(math.Log(2.7)-math.Log(0.001))) // gas to liquid
			if rng.IntN(2) == 0 {
				share = 1.8 + rng.Float64()
			}
			for i := range m.n {
				conc[i] *= share * critical / sum
			}
			check(name, m, temp, &conc)
		}
	}
	for _, name := range blends {
		m, _ := newBlend(t, name)
		each(name, m)
	}
	for _, name := range []string{"R-717", "R-744", "R-125"} {
		f, _ := fluid.Get(name)
		m, err := New(f)
		if err != nil {
			t.Fatal(err)
		}
		each(name, m)
	}
}

// off is the difference of two numbers beside the size of what they are made of.
func off(got, want, scale float64) float64 { return math.Abs(got-want) / max(math.Abs(want), scale) }

// TestFugacityComplexStep holds value, fugacities and pressure against complex-step derivatives of
// the second evaluation.
func TestFugacityComplexStep(t *testing.T) {
	const h = 1e-30
	var value, fugacity, pressure float64
	randomStates(t, 40, func(name string, m *Model, temp float64, conc *[MaxN]float64) {
		n := m.n
		var ph Phase
		m.Eval(temp, conc, &ph)
		c := make([]complex128, n)
		set := func() {
			for i := range n {
				c[i] = complex(conc[i], 0)
			}
		}
		set()
		where := fmt.Sprintf("%s at %.1f K, %.0f mol/m3, %v", name, temp, ph.Rho, ph.X[:n])
		a := real(complexA(m, complex(temp, 0), c))
		res := m.residual(temp, ph.Rho, &ph.X)
		d := off(ph.Rho*res.A, a, ph.Rho)
		value = max(value, d)
		if !(d < 1e-11) {
			t.Errorf("%s: alphar %.15g, formula %.15g", where, res.A, a/ph.Rho)
		}
		var euler float64
		for i := range n {
			set()
			c[i] *= complex(1, h)
			byC := imag(complexA(m, complex(temp, 0), c)) / h / conc[i]
			d := off(ph.LnFug[i]-math.Log(conc[i]), byC, 10)
			fugacity = max(fugacity, d)
			if !(d < 1e-11) {
				t.Errorf("%s: residual of ln f_%d is %.15g, complex step %.15g", where, i, ph.LnFug[i]-math.Log(conc[i]), byC)
			}
			euler += conc[i] * (ph.LnFug[i] - math.Log(conc[i]))
		}
		rt := m.gasR * temp
		// p/(RT) = rho + d(A)/dln(s) - A for concentrations s c, and also by Euler's theorem from the
		// fugacities.
		set()
		for i := range n {
			c[i] *= complex(1, h)
		}
		byScale := ph.Rho + imag(complexA(m, complex(temp, 0), c))/h - a
		scale := 10 * ph.Rho
		d = max(off(ph.Pres/rt, byScale, scale), off(ph.Pres/rt, ph.Rho+euler-a, scale))
		pressure = max(pressure, d)
		if !(d < 1e-11) {
			t.Errorf("%s: p/RT is %.15g, complex step %.15g, from the fugacities %.15g", where, ph.Pres/rt, byScale, ph.Rho+euler-a)
		}
		if p := m.Pressure(temp, ph.Rho, &ph.X); off(p.Pres/rt, ph.Pres/rt, scale) > 1e-11 || off(p.PresRho/rt, ph.PresRho/rt, 10*scale) > 1e-10 {
			t.Errorf("%s: Pressure gives %+v, Eval %g and %g", where, p, ph.Pres, ph.PresRho)
		}
	})
	t.Logf("relative differences: alphar %.1g, fugacities %.1g, pressure %.1g", value, fugacity, pressure)
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

// TestPhaseDerivatives holds the derivatives of fugacities and pressure against numeric ones, and
// against the identities that bind them: the Hessian of A is symmetric, and Gibbs-Duhem.
func TestPhaseDerivatives(t *testing.T) {
	var numeric, identity float64
	randomStates(t, 12, func(name string, m *Model, temp float64, conc *[MaxN]float64) {
		n := m.n
		var ph Phase
		m.Eval(temp, conc, &ph)
		where := fmt.Sprintf("%s at %.1f K, %.0f mol/m3, %v", name, temp, ph.Rho, ph.X[:n])
		rt := m.gasR * temp
		step := 0.01
		for i := range n {
			if len(m.fluids[i].Residual.NonAnalytic) > 0 {
				step = 0.001
			}
		}
		at := func(lnT float64, j int, lnC float64) Phase {
			c := *conc
			if j >= 0 {
				c[j] = math.Exp(lnC)
			}
			var p Phase
			m.Eval(math.Exp(lnT), &c, &p)
			return p
		}
		compare := func(what string, got, want, scale float64) {
			d := off(got, want, scale)
			numeric = max(numeric, d)
			if !(d < 1e-7) {
				t.Errorf("%s: %s is %.12g, numeric %.12g", where, what, got, want)
			}
		}
		lnT := math.Log(temp)
		for i := range n {
			compare(fmt.Sprintf("LnFugT[%d]", i), ph.LnFugT[i],
				derivative(func(x float64) float64 { return at(x, -1, 0).LnFug[i] }, lnT, step), 10)
			for j := range n {
				compare(fmt.Sprintf("LnFugC[%d][%d]", i, j), ph.LnFugC[i][j],
					derivative(func(x float64) float64 { return at(lnT, j, x).LnFug[i] }, math.Log(conc[j]), step), 10)
			}
		}
		compare("PresT", ph.PresT/rt, derivative(func(x float64) float64 { return at(x, -1, 0).Pres }, lnT, step)/rt, 10*ph.Rho)
		var sum float64
		for j := range n {
			compare(fmt.Sprintf("PresC[%d]", j), ph.PresC[j]/rt,
				derivative(func(x float64) float64 { return at(lnT, j, x).Pres }, math.Log(conc[j]), step)/rt, 10*ph.Rho)
			sum += ph.PresC[j]
		}
		hold := func(what string, got, want, scale float64) {
			d := off(got, want, scale)
			identity = max(identity, d)
			if !(d < 1e-10) {
				t.Errorf("%s: %s: %.14g and %.14g", where, what, got, want)
			}
		}
		hold("PresRho is the sum of PresC", ph.PresRho/rt, sum/rt, 10*ph.Rho)
		for i := range n {
			for j := range i {
				hold("symmetry", ph.LnFugC[i][j]/conc[j], ph.LnFugC[j][i]/conc[i], 10/ph.Rho)
			}
		}
		// Gibbs-Duhem: dp = sum c_i dmu_i at constant temperature, and with it the rest of dp/dT.
		var byT float64
		for j := range n {
			var sum float64
			for i := range n {
				sum += conc[i] * ph.LnFugC[i][j]
			}
			hold("Gibbs-Duhem", sum, ph.PresC[j]/rt, 10*ph.Rho)
			byT += conc[j] * ph.LnFugT[j]
		}
		res := m.residual(temp, ph.Rho, &ph.X)
		hold("Gibbs-Duhem with temperature", byT+ph.Rho*res.DT, (ph.PresT-ph.Pres)/rt, 10*ph.Rho)
	})
	t.Logf("relative differences: %.1g from numeric derivatives, %.1g between identities", numeric, identity)
}

// TestCaloric holds enthalpy, entropy, cp and the speed of sound against each other: the
// derivatives of h and s by temperature and density are those that thermodynamics asks for.
func TestCaloric(t *testing.T) {
	var worst float64
	randomStates(t, 8, func(name string, m *Model, temp float64, conc *[MaxN]float64) {
		var rho float64
		var x [MaxN]float64
		for i := range m.n {
			rho += conc[i]
		}
		for i := range m.n {
			x[i] = conc[i] / rho
		}
		c := m.Caloric(temp, rho, &x)
		p := m.Pressure(temp, rho, &x)
		at := func(temp, rho float64) Caloric { return m.Caloric(temp, rho, &x) }
		presT := derivative(func(y float64) float64 { return at(y, rho).Pres }, temp, 0.2)
		hT := derivative(func(y float64) float64 { return at(y, rho).Enthalpy }, temp, 0.2)
		hRho := derivative(func(y float64) float64 { return at(temp, y).Enthalpy }, rho, 1e-3*rho)
		sT := derivative(func(y float64) float64 { return at(y, rho).Entropy }, temp, 0.2)
		sRho := derivative(func(y float64) float64 { return at(temp, y).Entropy }, rho, 1e-3*rho)
		presRho := p.PresRho / rho
		rt := m.gasR * temp
		for _, c := range []struct {
			what             string
			got, want, scale float64
		}{
			{"p of Caloric and Pressure", c.Pres, p.Pres, rt * rho},
			{"Maxwell: ds/drho = -(dp/dT)/rho^2", sRho * rho * rho, -presT, m.gasR * rho},
			{"dh = T ds + v dp by T", hT, temp*sT + presT/rho, 10 * m.gasR},
			{"dh = T ds + v dp by rho", hRho * rho, temp*sRho*rho + presRho, 10 * rt},
			{"cp = (dh/dT) - (dh/drho)(dp/dT)/(dp/drho)", c.IsobaricCp * presRho, hT*presRho - hRho*presT, 10 * m.gasR * rt},
			{"(dp/drho)_s = (dp/drho) + T (dp/dT)^2/(rho^2 cv)", c.SoundSq, presRho + presT*presT/(rho*rho*sT), 10 * rt},
		} {
			d := off(c.got, c.want, c.scale)
			worst = max(worst, d)
			if !(d < 1e-7) {
				t.Errorf("%s at %.1f K, %.0f mol/m3: %s: %.12g and %.12g", name, temp, rho, c.what, c.got, c.want)
			}
		}
	})
	t.Logf("relative differences of at most %.1g", worst)
}

// TestPairOrder: a pair read in the other order has reciprocal beta and the same everything else.
func TestPairOrder(t *testing.T) {
	a, ok := FindPair("R-32", "R-1234yf")
	b, ok2 := FindPair("R-1234yf", "R-32")
	if !ok || !ok2 || a.I != b.J || a.J != b.I || math.Abs(a.BetaT*b.BetaT-1) > 1e-15 || math.Abs(a.BetaV*b.BetaV-1) > 1e-15 ||
		a.GammaT != b.GammaT || a.F != b.F || a.Source != b.Source {
		t.Errorf("%+v and %+v", a, b)
	}
	if _, ok := FindPair("R-32", "no such fluid"); ok {
		t.Error("a pair with nothing was found")
	}
	one, _ := newBlend(t, "R-454B")
	x, y := one.fluids[0], one.fluids[1]
	other, err := New(y, x)
	if err != nil {
		t.Fatal(err)
	}
	conc, swapped := [MaxN]float64{3000, 2000}, [MaxN]float64{2000, 3000}
	var p, q Phase
	one.Eval(300, &conc, &p)
	other.Eval(300, &swapped, &q)
	if math.Abs(p.Pres/q.Pres-1) > 1e-12 || math.Abs(p.LnFug[0]-q.LnFug[1]) > 1e-12 {
		t.Errorf("the order of components matters: %g and %g Pa", p.Pres, q.Pres)
	}
}

// TestPairsComplete: every pair of every blend has parameters, and says where they come from.
func TestPairsComplete(t *testing.T) {
	for _, p := range loadPairs().pairs {
		if (p.Source == "") == (p.Estimate == "") {
			t.Errorf("%s + %s: source %q, estimate %q: expected one of them", p.I, p.J, p.Source, p.Estimate)
		}
		if p.Departure != "" && loadPairs().departures[p.Departure] == nil {
			t.Errorf("%s + %s: no departure function %q", p.I, p.J, p.Departure)
		}
		for _, v := range []float64{p.BetaT, p.GammaT, p.BetaV, p.GammaV} {
			if !(v > 0.7 && v < 1.4) {
				t.Errorf("%s + %s: reducing parameter %g", p.I, p.J, v)
			}
		}
	}
	for _, name := range fluid.Names() {
		if _, ok := fluid.GetBlend(name); ok {
			newBlend(t, name)
		}
	}
}

func TestNewRefuses(t *testing.T) {
	if _, err := New(); err == nil {
		t.Error("a mixture of nothing")
	}
	f, _ := fluid.Get("R-32")
	if _, err := New(f, f, f, f, f, f, f); err == nil {
		t.Error("a mixture of seven")
	}
	stranger := *f
	stranger.Designation = "R-0"
	if _, err := New(f, &stranger); err == nil {
		t.Error("a pair without parameters")
	}
}

// TestGuess is about what a solver may start from: near the ancillaries below the critical point,
// rising on above it.
func TestGuess(t *testing.T) {
	f, _ := fluid.Get("R-744")
	m, err := New(f)
	if err != nil {
		t.Fatal(err)
	}
	// Span and Wagner (1996), table 34: 2.4188 MPa and 998.89 kg/m3 at 260 K.
	p, rho := m.Guess(0, 260)
	if math.Abs(p/2.4188e6-1) > 0.01 || math.Abs(rho*f.MolarMass/998.89-1) > 0.02 {
		t.Errorf("%g Pa, %g kg/m3 at 260 K", p, rho*f.MolarMass)
	}
	below, _ := m.Guess(0, 300)
	above, _ := m.Guess(0, 310)
	beyond, _ := m.Guess(0, 330)
	if !(above > below && beyond > above && above > f.CriticalPres) {
		t.Errorf("%g, %g, %g Pa at 300, 310, 330 K", below, above, beyond)
	}
}

func BenchmarkEval(b *testing.B) {
	for _, name := range []string{"R-454B", "R-448A"} {
		b.Run(name, func(b *testing.B) {
			m, z := newBlend(b, name)
			var conc [MaxN]float64
			for i := range z {
				conc[i] = 14000 * z[i]
			}
			var ph Phase
			for b.Loop() {
				m.Eval(300, &conc, &ph)
			}
		})
	}
}
