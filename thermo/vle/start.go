package vle

import (
	"math"

	"dewline/thermo/mixture"
)

// start estimates the bubble or dew point (beta 0 or 1) at tempK, where pressure is low: the
// liquid's fugacities come from the equation of state, the vapour is an ideal gas.
func (s *Solver) start(tempK, beta float64) Equilibrium {
	rt := s.model.GasConstant() * tempK
	x := s.z
	var pSat, rhoPure [MaxN]float64
	var sum float64
	for i := range s.n {
		pSat[i], rhoPure[i] = s.model.Guess(i, tempK)
		if beta > 0 { // Raoult's law for the composition of the first drop
			x[i] = s.z[i] / pSat[i]
		}
		sum += x[i]
	}
	for i := range s.n {
		x[i] /= sum
	}
	var rho, pres float64
	var volatility [MaxN]float64 // f_i/x_i, Pa
	for range 30 {
		var volume float64
		for i := range s.n {
			volume += x[i] / rhoPure[i]
		}
		rho = s.LiquidRoot(tempK, &x, 1/volume)
		lnFug := s.LnFugacity(tempK, rho, &x)
		var bubble, dew float64
		for i := range s.n {
			volatility[i] = math.Exp(lnFug[i]) * rt / x[i]
			bubble += s.z[i] * volatility[i]
			dew += s.z[i] / volatility[i]
		}
		if beta == 0 {
			pres = bubble
			break
		}
		pres = 1 / dew
		var change float64
		for i := range s.n { // half a step: a full one swings when the liquid is far from ideal
			next := s.z[i] * pres / volatility[i]
			change = max(change, math.Abs(next-x[i]))
			x[i] = (x[i] + next) / 2
		}
		if change < 1e-3 {
			break
		}
	}
	e := Equilibrium{LnT: math.Log(tempK), LnP: math.Log(pres), Beta: beta, LnRhoL: math.Log(rho), LnRhoV: math.Log(pres / rt)}
	for i := range s.n {
		e.LnK[i] = math.Log(volatility[i] / pres)
	}
	return e
}

// LiquidRoot returns the density in mol/m3 of a liquid of mole fractions x at negligible pressure;
// guess is within some percent of it. Newton's method comes from
// the dense side, where the isotherm is steep and convex, and so ends at the true liquid and not
// at one of the false roots that such equations have between the phases.
func (s *Solver) LiquidRoot(tempK float64, x *[MaxN]float64, guess float64) float64 {
	lnRho := math.Log(1.08 * guess)
	for range 30 {
		p := s.model.Pressure(tempK, math.Exp(lnRho), x)
		if !(p.PresRho > 0) {
			break
		}
		step := min(max(-p.Pres/p.PresRho, -0.05), 0.1)
		lnRho += step
		if math.Abs(step) < 1e-6 {
			break
		}
	}
	return math.Exp(lnRho)
}

// LnFugacity returns ln(f_i/(R T)) of each component of a phase, f_i in Pa.
func (s *Solver) LnFugacity(tempK, rho float64, x *[MaxN]float64) [MaxN]float64 {
	var conc [MaxN]float64
	for i := range s.n {
		conc[i] = rho * x[i]
	}
	var ph mixture.Phase
	s.model.Eval(tempK, &conc, &ph)
	return ph.LnFug
}
