package helmholtz

import "math"

// Ideal is the ideal-gas part of one fluid's equation of state,
//
//	alpha0 = ln(delta) + a1 + a2 tau + a_log ln(tau) + sum n tau^t + sum n ln(1 - exp(-theta tau)).
//
// a1 and a2 carry whatever reference state the source used, so enthalpies and entropies of
// different fluids are comparable only after a common reference state has been set.
type Ideal struct {
	A1             float64      `json:"a1"`
	A2             float64      `json:"a2"`
	ALog           float64      `json:"a_log"`
	Power          [][2]float64 `json:"power"`           // n, t
	PlanckEinstein [][2]float64 `json:"planck_einstein"` // n, theta
}

// Eval returns the ideal part and its derivatives at tau, delta > 0.
func (i *Ideal) Eval(tau, lnTau, lnDelta float64) Derivs {
	d := Derivs{
		A:   lnDelta + i.A1 + i.A2*tau + i.ALog*lnTau,
		DT:  i.A2*tau + i.ALog,
		DTT: i.A2 * tau,
		DD:  1,
	}
	for _, c := range i.Power {
		v := c[0] * math.Exp(c[1]*lnTau)
		d.A += v
		d.DT += v * c[1]
		d.DTT += v * c[1] * c[1]
	}
	for _, c := range i.PlanckEinstein {
		n, x := c[0], c[1]*tau
		if x > 500 { // exp(-x) is below the smallest relative step of a float64
			continue
		}
		ex := math.Expm1(x)
		d.A += n * math.Log(-math.Expm1(-x))
		d.DT += n * x / ex
		d.DTT += n * x * (ex - x*(ex+1)) / (ex * ex)
	}
	return d
}
