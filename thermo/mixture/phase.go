package mixture

import "math"

// Phase is one phase at a temperature and given concentrations, with all first derivatives that a
// phase-equilibrium solver needs. Fill it by Model.Eval; it holds no pointers and may be reused.
type Phase struct {
	Temp  float64       // K
	Rho   float64       // mol/m3, the sum of the concentrations
	X     [MaxN]float64 // mole fractions
	Pres  float64       // Pa
	LnFug [MaxN]float64 // ln(f_i/(R T)), f_i in Pa: ln c_i plus the residual part

	// Derivatives. LnFugT is by ln T at constant concentrations; LnFugC[i][j] is by ln c_j.
	LnFugT [MaxN]float64
	LnFugC [MaxN][MaxN]float64
	// PresT is dp/dlnT and PresC[j] dp/dln c_j, in Pa. PresRho = sum PresC is dp/dln rho.
	PresT   float64
	PresC   [MaxN]float64
	PresRho float64
}

// Eval fills ph for the temperature tempK and the concentrations conc in mol/m3, all positive.
//
// With A = rho alphar(T, c), where alphar depends on the concentrations through tau, delta and x,
// ln f_i/(RT) = ln c_i + dA/dc_i and p/(RT) = rho (1 + delta alphar_delta). The second derivatives
// of A follow by the chain rule in ln(tau) and ln(delta).
func (m *Model) Eval(tempK float64, conc *[MaxN]float64, ph *Phase) {
	n := m.n
	if n == 1 {
		m.evalPure(tempK, conc[0], ph)
		return
	}
	rho := 0.0
	for i := range n {
		rho += conc[i]
	}
	ph.Temp, ph.Rho = tempK, rho
	for i := range n {
		ph.X[i] = conc[i] / rho
	}
	x := &ph.X
	var rt, rv reducing
	rt.eval(m, x, true)
	rv.eval(m, x, false)
	tau, delta := rt.value/tempK, rho*rv.value
	lnTau, lnDelta := math.Log(tau), math.Log(delta)

	// alphar and its derivatives; ax_i = dalphar/dx_i, and likewise of its tau and delta derivatives.
	var a helmholtzSum
	a.eval(m, x, tau, delta, lnTau, lnDelta)
	var expl [MaxN]float64 // explicit dependence on composition, projected
	var explExpl [MaxN][MaxN]float64
	project(n, x, &a.x, &a.xx, &expl, &explExpl)
	var sT, sD float64
	for i := range n {
		sT += x[i] * a.xT[i]
		sD += x[i] * a.xD[i]
	}

	rtk := m.gasR * tempK
	z := 1 + a.all.DD
	ph.Pres = rtk * rho * z
	ph.PresT = rtk * rho * (z - a.all.DTD)
	ph.PresRho = 0
	for i := range n {
		u, v := rt.d[i], 1+rv.d[i]
		xT, xD := a.xT[i]-sT, a.xD[i]-sD
		ai := a.all.DT*u + a.all.DD*v + expl[i]
		ph.LnFug[i] = math.Log(conc[i]) + a.all.A + ai
		ph.LnFugT[i] = -(a.all.DT + a.all.DTT*u + a.all.DTD*v + xT)
		ph.PresC[i] = rtk * conc[i] * (z + a.all.DTD*u + a.all.DDD*v + xD)
		ph.PresRho += ph.PresC[i]
		for j := range n {
			uj, vj := rt.d[j], 1+rv.d[j]
			xTj, xDj := a.xT[j]-sT, a.xD[j]-sD
			aj := a.all.DT*uj + a.all.DD*vj + expl[j]
			h := aj +
				(a.all.DTT*uj+a.all.DTD*vj+xTj)*u + a.all.DT*rt.dd[i][j] +
				(a.all.DTD*uj+a.all.DDD*vj+xDj)*v + a.all.DD*rv.dd[i][j] +
				xT*uj + xD*vj + explExpl[i][j]
			ph.LnFugC[i][j] = x[j] * h
		}
		ph.LnFugC[i][i]++
	}
}

func (m *Model) evalPure(tempK, rho float64, ph *Phase) {
	f := m.fluids[0]
	tau, delta := f.ReducingTemp/tempK, rho/f.ReducingDensity
	var d derivs
	f.Residual.Eval(tau, delta, math.Log(tau), math.Log(delta), &d)
	rtk := m.gasR * tempK
	ph.Temp, ph.Rho = tempK, rho
	ph.X[0] = 1
	ph.Pres = rtk * rho * (1 + d.DD)
	ph.PresT = rtk * rho * (1 + d.DD - d.DTD)
	ph.PresRho = rtk * rho * (1 + d.DD + d.DDD)
	ph.PresC[0] = ph.PresRho
	ph.LnFug[0] = math.Log(rho) + d.A + d.DD
	ph.LnFugT[0] = -(d.DT + d.DTD)
	ph.LnFugC[0][0] = 1 + d.DD + d.DDD
}
