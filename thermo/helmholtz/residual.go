package helmholtz

import "math"

// Residual is the residual part of one fluid's equation of state, or one departure function: a sum
// over terms of the forms found in the literature. The zero Residual is zero everywhere.
//
// Each list holds the coefficients of its terms in the order that the comment of the list gives;
// this is also how they stand in the data files.
type Residual struct {
	Power             [][4]float64 `json:"power"`              // n, t, d, l: n tau^t delta^d exp(-delta^l), no exponential for l = 0
	Exponential       [][5]float64 `json:"exponential"`        // n, t, d, l, g: n tau^t delta^d exp(-g delta^l)
	DoubleExponential [][5]float64 `json:"double_exponential"` // n, t, d, l, m: n tau^t delta^d exp(-delta^l) exp(-tau^m), a factor is absent for l or m = 0
	Gaussian          [][7]float64 `json:"gaussian"`           // n, t, d, eta, epsilon, beta, gamma: n tau^t delta^d exp(-eta (delta-epsilon)^2 - beta (tau-gamma)^2)
	Damped            [][7]float64 `json:"damped"`             // n, t, d, eta, epsilon, beta, gamma: n tau^t delta^d exp(-eta (delta-epsilon)^2 - beta (delta-gamma)), Kunz and Wagner (2012)
	Reciprocal        [][8]float64 `json:"reciprocal"`         // n, t, d, eta, epsilon, beta, gamma, b: n tau^t delta^d exp(eta (delta-epsilon)^2 + 1/(b + beta (tau-gamma)^2)), Gao et al. (2020)
	NonAnalytic       [][8]float64 `json:"nonanalytic"`        // n, a, b, beta, A, B, C, D: critical-region terms of Span and Wagner (1996)

	exps []expTerm // Power, Exponential and DoubleExponential, prepared
	maxL int
}

// expTerm is n tau^t delta^d exp(-g delta^l - h tau^m), prepared for one exponential per term.
type expTerm struct {
	lnN, sign, t, d, g float64
	l                  int
	h, m               float64
}

// Prepare must be called once after the coefficients are set and before Eval.
func (r *Residual) Prepare() {
	r.exps, r.maxL = nil, 0
	add := func(n, t, d, l, g, m float64) {
		if n == 0 {
			return
		}
		e := expTerm{lnN: math.Log(math.Abs(n)), sign: math.Copysign(1, n), t: t, d: d}
		if l != 0 {
			e.g, e.l = g, int(l)
			r.maxL = max(r.maxL, e.l)
		}
		if m != 0 {
			e.h, e.m = 1, m
		}
		r.exps = append(r.exps, e)
	}
	for _, c := range r.Power {
		add(c[0], c[1], c[2], c[3], 1, 0)
	}
	for _, c := range r.Exponential {
		add(c[0], c[1], c[2], c[3], c[4], 0)
	}
	for _, c := range r.DoubleExponential {
		add(c[0], c[1], c[2], c[3], 1, c[4])
	}
}

// maxPower bounds the exponent l of delta inside an exponential; published equations stay below it.
const maxPower = 32

// Eval adds the residual part and its derivatives at tau, delta > 0 to out.
// lnTau and lnDelta are their logarithms, which callers have at hand.
func (r *Residual) Eval(tau, delta, lnTau, lnDelta float64, out *Derivs) {
	var pow [maxPower + 1]float64
	pow[0] = 1
	for l := 1; l <= r.maxL; l++ {
		pow[l] = pow[l-1] * delta
	}
	var sum Derivs
	for i := range r.exps {
		e := &r.exps[i]
		x := e.lnN + e.t*lnTau + e.d*lnDelta
		t1, d1, t2, d2 := e.t, e.d, 0.0, 0.0
		if e.l != 0 {
			l := float64(e.l)
			q := e.g * pow[e.l]
			x -= q
			d1 -= l * q
			d2 = -l * l * q
		}
		if e.h != 0 {
			q := math.Exp(e.m * lnTau)
			x -= q
			t1 -= e.m * q
			t2 = -e.m * e.m * q
		}
		sum.add(e.sign*math.Exp(x), t1, d1, t2, 0, d2)
	}
	for i := range r.Gaussian {
		c := &r.Gaussian[i]
		n, t, d, eta, eps, beta, gam := c[0], c[1], c[2], c[3], c[4], c[5], c[6]
		v := n * math.Exp(t*lnTau+d*lnDelta-eta*(delta-eps)*(delta-eps)-beta*(tau-gam)*(tau-gam))
		sum.add(v,
			t-2*beta*tau*(tau-gam), d-2*eta*delta*(delta-eps),
			-2*beta*tau*(2*tau-gam), 0, -2*eta*delta*(2*delta-eps))
	}
	for i := range r.Damped {
		c := &r.Damped[i]
		n, t, d, eta, eps, beta, gam := c[0], c[1], c[2], c[3], c[4], c[5], c[6]
		v := n * math.Exp(t*lnTau+d*lnDelta-eta*(delta-eps)*(delta-eps)-beta*(delta-gam))
		sum.add(v,
			t, d-2*eta*delta*(delta-eps)-beta*delta,
			0, 0, -2*eta*delta*(2*delta-eps)-beta*delta)
	}
	for i := range r.Reciprocal {
		evalReciprocal(&r.Reciprocal[i], tau, delta, lnTau, lnDelta, &sum)
	}
	for i := range r.NonAnalytic {
		evalNonAnalytic(&r.NonAnalytic[i], tau, delta, lnDelta, &sum)
	}
	out.AddScaled(1, &sum)
}

func evalReciprocal(c *[8]float64, tau, delta, lnTau, lnDelta float64, sum *Derivs) {
	n, t, d, eta, eps, beta, gam, b := c[0], c[1], c[2], c[3], c[4], c[5], c[6], c[7]
	u := tau - gam
	q := b + beta*u*u
	v := n * math.Exp(t*lnTau+d*lnDelta+eta*(delta-eps)*(delta-eps)+1/q)
	t1 := t - 2*beta*tau*u/(q*q)
	t2 := -2 * beta * (tau*(2*tau-gam)/(q*q) - 4*beta*tau*tau*u*u/(q*q*q))
	sum.add(v, t1, d+2*eta*delta*(delta-eps), t2, 0, 2*eta*delta*(2*delta-eps))
}

// evalNonAnalytic adds n Delta^b delta psi with psi = exp(-C (delta-1)^2 - D (tau-1)^2),
// Delta = theta^2 + B ((delta-1)^2)^a and theta = (1-tau) + A ((delta-1)^2)^(1/(2 beta));
// Span and Wagner, J. Phys. Chem. Ref. Data 25, 1509 (1996), table 32. The derivatives do not exist
// at the critical point itself, where the term is zero.
func evalNonAnalytic(c *[8]float64, tau, delta, lnDelta float64, sum *Derivs) {
	n, a, b, beta, bigA, bigB, bigC, bigD := c[0], c[1], c[2], c[3], c[4], c[5], c[6], c[7]
	e := delta - 1
	y := e * e
	r := 1 / (2 * beta)
	var yr1, ya1 float64 // y^(r-1), y^(a-1)
	if y > 0 {
		lnY := math.Log(y)
		yr1, ya1 = math.Exp((r-1)*lnY), math.Exp((a-1)*lnY)
	}
	theta := (1 - tau) + bigA*yr1*y
	thetaD := 2 * bigA * r * yr1 * e
	thetaDD := 2 * bigA * r * (2*r - 1) * yr1
	w := theta*theta + bigB*ya1*y
	if w == 0 {
		return
	}
	// Derivatives of w by delta and tau, then by their logarithms, relative to w.
	wD := 2*theta*thetaD + 2*bigB*a*ya1*e
	wDD := 2*thetaD*thetaD + 2*theta*thetaDD + 2*bigB*a*(2*a-1)*ya1
	wT := -2 * theta
	p1 := delta * wD / w
	p2 := (delta*wD+delta*delta*wDD)/w - p1*p1
	q1 := tau * wT / w
	q2 := (tau*wT+2*tau*tau)/w - q1*q1
	pq := -2*delta*tau*thetaD/w - p1*q1
	v := n * math.Exp(b*math.Log(w)+lnDelta-bigC*y-bigD*(tau-1)*(tau-1))
	sum.add(v,
		b*q1-2*bigD*tau*(tau-1), b*p1+1-2*bigC*delta*e,
		b*q2-2*bigD*tau*(2*tau-1), b*pq, b*p2-2*bigC*delta*(2*delta-1))
}
