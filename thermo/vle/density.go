package vle

import (
	"errors"
	"math"
)

// ErrNoDensity says that no density between the limits gives the pressure.
var ErrNoDensity = errors.New("no density gives this pressure")

// Density returns the density in mol/m3 at tempK and presPa of the overall composition, between
// low and high, where pressure must rise with density.
//
// It is Newton's method in ln rho, kept inside the bracket by bisection.
func (s *Solver) Density(tempK, presPa, low, high float64) (float64, error) {
	a, b := math.Log(low), math.Log(high)
	lnRho := (a + b) / 2
	if s.model.Pressure(tempK, high, &s.z).Pres < presPa || s.model.Pressure(tempK, low, &s.z).Pres > presPa {
		return 0, ErrNoDensity
	}
	for range 200 {
		rho := math.Exp(lnRho)
		p := s.model.Pressure(tempK, rho, &s.z)
		if p.Pres < presPa {
			a = lnRho
		} else {
			b = lnRho
		}
		next := lnRho - (p.Pres-presPa)/p.PresRho
		if !(p.PresRho > 0) || !(next >= a && next <= b) {
			next = (a + b) / 2
		}
		if math.Abs(next-lnRho) < 4e-15*max(1, math.Abs(lnRho)) || b-a < 1e-15 {
			return math.Exp(next), nil
		}
		lnRho = next
	}
	return math.Exp(lnRho), nil
}

// DenseLimit returns a density above which the isotherm is far beyond presPa, found by doubling
// from the density low upward in small steps.
func (s *Solver) DenseLimit(tempK, presPa, low float64) (float64, error) {
	rho := low
	for range 60 {
		rho *= 1.1
		if p := s.model.Pressure(tempK, rho, &s.z); p.Pres > presPa {
			return rho, nil
		}
	}
	return 0, ErrNoDensity
}
