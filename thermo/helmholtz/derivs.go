package helmholtz

// Derivs is a contribution to the reduced Helmholtz energy and its derivatives by T = ln(tau) and
// D = ln(delta): DT is the first derivative by ln(tau), DTD the mixed second derivative, and so on.
//
// In the usual notation DT = tau a_tau, DD = delta a_delta, DTD = tau delta a_taudelta,
// DTT = tau^2 a_tautau + tau a_tau and DDD = delta^2 a_deltadelta + delta a_delta.
type Derivs struct {
	A, DT, DD, DTT, DTD, DDD float64
}

// AddScaled adds f times o to d.
func (d *Derivs) AddScaled(f float64, o *Derivs) {
	d.A += f * o.A
	d.DT += f * o.DT
	d.DD += f * o.DD
	d.DTT += f * o.DTT
	d.DTD += f * o.DTD
	d.DDD += f * o.DDD
}

// add adds a term of value v whose logarithm has the first derivatives t1, d1 and the second
// derivatives t2, td, d2.
func (d *Derivs) add(v, t1, d1, t2, td, d2 float64) {
	d.A += v
	d.DT += v * t1
	d.DD += v * d1
	d.DTT += v * (t1*t1 + t2)
	d.DTD += v * (t1*d1 + td)
	d.DDD += v * (d1*d1 + d2)
}
