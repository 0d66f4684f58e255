package mixture

import (
	"math"

	"dewline/thermo/helmholtz"
)

type derivs = helmholtz.Derivs

// helmholtzSum is alphar of the mixture at given tau, delta with the derivatives by composition
// at constant tau and delta.
type helmholtzSum struct {
	all derivs
	x   [MaxN]float64 // by x_i
	xT  [MaxN]float64 // by x_i and ln tau
	xD  [MaxN]float64 // by x_i and ln delta
	xx  [MaxN][MaxN]float64
}

func (a *helmholtzSum) eval(m *Model, x *[MaxN]float64, tau, delta, lnTau, lnDelta float64) {
	for i := range m.n {
		var d derivs
		m.fluids[i].Residual.Eval(tau, delta, lnTau, lnDelta, &d)
		a.all.AddScaled(x[i], &d)
		a.x[i], a.xT[i], a.xD[i] = d.A, d.DT, d.DD
	}
	for k := range m.pairs {
		p := &m.pairs[k]
		if p.departure == nil {
			continue
		}
		var d derivs
		p.departure.Eval(tau, delta, lnTau, lnDelta, &d)
		xi, xj := x[p.i], x[p.j]
		a.all.AddScaled(p.f*xi*xj, &d)
		a.x[p.i] += p.f * xj * d.A
		a.x[p.j] += p.f * xi * d.A
		a.xT[p.i] += p.f * xj * d.DT
		a.xT[p.j] += p.f * xi * d.DT
		a.xD[p.i] += p.f * xj * d.DD
		a.xD[p.j] += p.f * xi * d.DD
		a.xx[p.i][p.j] += p.f * d.A
		a.xx[p.j][p.i] += p.f * d.A
	}
}

// Caloric are the properties of one phase that need the ideal part, molar and in the raw reference
// state of the coefficients.
type Caloric struct {
	Pres       float64 // Pa
	Enthalpy   float64 // J/mol
	Entropy    float64 // J/(mol K)
	IsobaricCp float64 // J/(mol K)
	SoundSq    float64 // (dp/drho)_s in J/mol; divided by the molar mass it is the speed of sound squared
}

// Caloric returns the properties of a phase of mole fractions x at tempK and rho in mol/m3.
func (m *Model) Caloric(tempK, rho float64, x *[MaxN]float64) Caloric {
	r := m.residual(tempK, rho, x)
	i := m.ideal(tempK, rho, x)
	rt := m.gasR * tempK
	cv := -(i.DTT - i.DT + r.DTT - r.DT) // in R
	slope := 1 + r.DD + r.DDD            // (dp/drho)_T in RT
	mixed := 1 + r.DD - r.DTD
	return Caloric{
		Pres:       rt * rho * (1 + r.DD),
		Enthalpy:   rt * (1 + i.DT + r.DT + r.DD),
		Entropy:    m.gasR * (i.DT + r.DT - i.A - r.A),
		IsobaricCp: m.gasR * (cv + mixed*mixed/slope),
		SoundSq:    rt * (slope + mixed*mixed/cv),
	}
}

// Density slopes of a phase at fixed composition.
type Slope struct {
	Pres    float64 // Pa
	PresRho float64 // dp/dln rho, Pa
}

// Pressure returns pressure and its slope by ln rho: what a density solver needs, and no more.
func (m *Model) Pressure(tempK, rho float64, x *[MaxN]float64) Slope {
	r := m.residual(tempK, rho, x)
	rt := m.gasR * tempK * rho
	return Slope{rt * (1 + r.DD), rt * (1 + r.DD + r.DDD)}
}

func (m *Model) residual(tempK, rho float64, x *[MaxN]float64) derivs {
	tempR, volR := m.reduce(x)
	tau, delta := tempR/tempK, rho*volR
	lnTau, lnDelta := math.Log(tau), math.Log(delta)
	var sum derivs
	for i := range m.n {
		var d derivs
		m.fluids[i].Residual.Eval(tau, delta, lnTau, lnDelta, &d)
		sum.AddScaled(x[i], &d)
	}
	for k := range m.pairs {
		if p := &m.pairs[k]; p.departure != nil {
			var d derivs
			p.departure.Eval(tau, delta, lnTau, lnDelta, &d)
			sum.AddScaled(p.f*x[p.i]*x[p.j], &d)
		}
	}
	return sum
}

// reduce returns the reducing temperature (K) and volume (m3/mol).
func (m *Model) reduce(x *[MaxN]float64) (tempR, volR float64) {
	for i := range m.n {
		tempR += x[i] * x[i] * m.fluids[i].ReducingTemp
		volR += x[i] * x[i] / m.fluids[i].ReducingDensity
	}
	for k := range m.pairs {
		p := &m.pairs[k]
		xi, xj := x[p.i], x[p.j]
		if xi == 0 && xj == 0 {
			continue
		}
		tempR += p.cT * xi * xj * (xi + xj) / (p.bT2*xi + xj)
		volR += p.cV * xi * xj * (xi + xj) / (p.bV2*xi + xj)
	}
	return tempR, volR
}

// ideal returns the ideal part of the mixture; derivatives by ln(tau) are by -ln(T), the same for
// every component although each has its own tau. A component's own gas constant belongs to its
// dependence on temperature alone (Kunz and Wagner 2012, equation 12): density and composition
// enter with the mixture's, or entropy and pressure would not fit together.
func (m *Model) ideal(tempK, rho float64, x *[MaxN]float64) derivs {
	var sum derivs
	for i := range m.n {
		if x[i] == 0 {
			continue
		}
		f := m.fluids[i]
		tau := f.ReducingTemp / tempK
		d := f.Ideal.Eval(tau, math.Log(tau), 0)
		d.DD = 0
		sum.AddScaled(x[i]*f.GasConstant/m.gasR, &d)
		sum.A += x[i] * math.Log(x[i]*rho/f.ReducingDensity)
	}
	sum.DD = 1
	return sum
}
