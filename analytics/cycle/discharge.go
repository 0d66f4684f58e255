package cycle

import (
	"errors"
	"fmt"
	"math"
	"sync"

	"dewline/thermo"
	"dewline/thermo/si"
)

// The compressor that discharge superheat is predicted for. Overall isentropic efficiencies of small
// machines lie around 0.60 to 0.72 in the middle of their range, and some 5 to 15 % of the power leaves
// through the shell (common practice).
const (
	usualIsentropic = 0.68
	usualShellLoss  = 0.08
)

// Where a prediction is made. Below the least lift there is hardly a compression to speak of; above the
// greatest there is no machine of one stage.
const (
	dewLowC, dewHighC               = -45, 18
	condensingLowC, condensingHighC = 15, 68
	superheatHighK                  = 50
	leastLiftK, mostLiftK           = 8, 100
)

// DischargeSuperheatAt returns the discharge superheat, against dew at the discharge pressure, that a
// compressor of usual efficiency would give when it draws gas of that dew temperature and superheat and
// condenses at condensingC, the mean of bubble and dew. What is measured above it speaks for a worn or
// leaking compressor, what is measured below for liquid coming back; the pressures and the superheat that
// other faults move are allowed for.
//
// ok is false outside suction dew -45 to 18 °C, condensing 15 to 68 °C (less where the critical point is
// near), superheat to 50 K and a lift of 8 to 100 K. Superheat below zero is a sensor's error or liquid,
// and is taken as zero.
func (m *Machine) DischargeSuperheatAt(suctionDewC, condensingC, superheatK float64) (K float64, ok bool) {
	f := m.discharge
	f.once.Do(f.make)
	lift := condensingC - suctionDewC
	if !(suctionDewC >= dewLowC && suctionDewC <= dewHighC && condensingC >= condensingLowC && condensingC <= f.topC &&
		superheatK <= superheatHighK && lift >= leastLiftK && lift <= mostLiftK) {
		return 0, false
	}
	return f.at(suctionDewC, condensingC, max(superheatK, 0)), true
}

// The degrees of the polynomial in suction dew, condensing temperature and superheat.
const (
	degDew, degCond, degHeat = 3, 4, 2
	numTerms                 = (degDew + 1) * (degCond + 1) * (degHeat + 1)
)

// dischargeFit is a polynomial in three variables that is made once per refrigerant from the full
// equations: a prediction is wanted with every reading, and the equations would cost ten thousand times
// as much.
type dischargeFit struct {
	once sync.Once
	refr *thermo.Refrigerant
	topC float64 // highest condensing temperature; below condensingLowC where there is no fit
	c    [degDew + 1][degCond + 1][degHeat + 1]float64
}

var dischargeFits sync.Map // refrigerant's name to *dischargeFit

// dischargeOf returns the fit of a refrigerant, which is made when it is first asked.
func dischargeOf(r *thermo.Refrigerant) *dischargeFit {
	f, _ := dischargeFits.LoadOrStore(r.Name(), &dischargeFit{refr: r})
	return f.(*dischargeFit)
}

// at evaluates the polynomial. The variables run from -1 to 1.
func (f *dischargeFit) at(dewC, condC, heatK float64) float64 {
	x, y, z := scaled(dewC, dewLowC, dewHighC), scaled(condC, condensingLowC, f.topC), scaled(heatK, 0, superheatHighK)
	sum := 0.0
	for i := degDew; i >= 0; i-- {
		row := 0.0
		for j := degCond; j >= 0; j-- {
			c := &f.c[i][j]
			row = row*y + (c[0] + z*(c[1]+z*c[2]))
		}
		sum = sum*x + row
	}
	return sum
}

func scaled(v, low, high float64) float64 { return (2*v - low - high) / (high - low) }

// make fits the polynomial. A refrigerant that does not condense in the range (carbon dioxide) or whose
// equations fail gets none.
func (f *dischargeFit) make() {
	if err := f.fit(); err != nil {
		f.topC = math.Inf(-1)
	}
}

// nodes are Chebyshev's points between low and high, which keep a polynomial from swinging at the ends.
func nodes(n int, low, high float64) []float64 {
	v := make([]float64, n)
	for i := range v {
		v[i] = (low+high)/2 - (high-low)/2*math.Cos(math.Pi*(float64(i)+0.5)/float64(n))/math.Cos(math.Pi/2/float64(n))
	}
	return v
}

func (f *dischargeFit) fit() error {
	curve := f.refr.Curve()
	_, highest := curve.Range()
	f.topC = condensingHighC
	if t := condensingOf(curve, 0.96*float64(highest)); t < f.topC {
		f.topC = t
	}
	if f.topC < condensingLowC+leastLiftK {
		return errors.New("it does not condense in the range")
	}
	type drawn struct{ dewC, heatK, h, s float64 }
	var gas []drawn
	for _, dewC := range nodes(6, dewLowC, dewHighC) {
		d, err := f.refr.DewAt(si.FromCelsius(dewC))
		if err != nil {
			continue // colder than the equation of state goes
		}
		for _, heat := range nodes(4, 0, superheatHighK) {
			s := d
			if heat > 0.01 {
				if s, err = f.refr.AtPT(d.Pressure, d.Temperature+si.Kelvin(heat)); err != nil {
					return fmt.Errorf("gas of %g °C with %g K of superheat: %w", dewC, heat, err)
				}
			}
			gas = append(gas, drawn{dewC, heat, float64(s.Enthalpy), float64(s.Entropy)})
		}
	}
	var lsq leastSquares
	for _, condC := range nodes(8, condensingLowC, f.topC) {
		line, err := newIsobar(f.refr, pressureCondensing(curve, condC))
		if err != nil {
			return fmt.Errorf("gas that condenses at %g °C: %w", condC, err)
		}
		for _, g := range gas {
			if lift := condC - g.dewC; lift < leastLiftK/2 || lift > mostLiftK+10 {
				continue
			}
			ideal, ok := line.enthalpyAt(g.s)
			if !ok {
				continue
			}
			work := (ideal - g.h) / usualIsentropic
			out, ok := line.where(isobarEnthalpy, g.h+work*(1-usualShellLoss))
			if !ok {
				continue // hotter than the equation of state goes
			}
			lsq.add(scaled(g.dewC, dewLowC, dewHighC), scaled(condC, condensingLowC, f.topC), scaled(g.heatK, 0, superheatHighK), line.superheat(out))
		}
	}
	return lsq.solve(&f.c)
}

// condensingOf returns the mean of bubble and dew in Cel at a pressure.
func condensingOf(c *thermo.Curve, pa float64) float64 {
	b, _, _ := c.Bubble(si.Pascal(pa))
	d, _, _ := c.Dew(si.Pascal(pa))
	return (b.Celsius() + d.Celsius()) / 2
}

// pressureCondensing returns the pressure with that mean of bubble and dew.
func pressureCondensing(c *thermo.Curve, condC float64) float64 {
	low, high := c.Range()
	a, b := math.Log(float64(low)), math.Log(float64(high))
	for range 50 {
		mid := (a + b) / 2
		if condensingOf(c, math.Exp(mid)) < condC {
			a = mid
		} else {
			b = mid
		}
	}
	return math.Exp((a + b) / 2)
}

// isobar is enthalpy and entropy of gas at one pressure as polynomials in u, -1 at the dew point and 1 at
// the hottest. u follows the logarithm of the superheat, since the heat capacity changes most near the
// dew point.
type isobar struct {
	dewK float64
	topK float64 // of superheat
	c    [2][isobarTerms]float64
}

const (
	isobarTerms    = 8
	isobarEnthalpy = 0
	isobarEntropy  = 1
	isobarUnitK    = 12
)

func (l *isobar) superheat(u float64) float64 {
	return isobarUnitK * math.Expm1((u+1)/2*math.Log1p(l.topK/isobarUnitK))
}

func newIsobar(r *thermo.Refrigerant, pa float64) (*isobar, error) {
	dew, err := r.Dew(si.Pascal(pa))
	if err != nil {
		return nil, err
	}
	l := &isobar{dewK: float64(dew.Temperature), topK: 170}
	for ; l.topK > 20; l.topK -= 15 { // equations of state end at different temperatures
		if _, err = r.AtPT(dew.Pressure, dew.Temperature+si.Kelvin(l.topK)); err == nil {
			break
		}
	}
	u := nodes(isobarTerms, -1, 1)
	var v [2][isobarTerms]float64
	for i := range u {
		s := dew
		if i > 0 {
			if s, err = r.AtPT(dew.Pressure, dew.Temperature+si.Kelvin(l.superheat(u[i]))); err != nil {
				return nil, err
			}
		}
		v[isobarEnthalpy][i], v[isobarEntropy][i] = float64(s.Enthalpy), float64(s.Entropy)
	}
	for k := range v {
		l.c[k] = newton(u, v[k])
	}
	return l, nil
}

// newton returns the coefficients in powers of u of the polynomial through the points, by Newton's
// divided differences.
func newton(u []float64, v [isobarTerms]float64) (c [isobarTerms]float64) {
	for k := 1; k < isobarTerms; k++ {
		for i := isobarTerms - 1; i >= k; i-- {
			v[i] = (v[i] - v[i-1]) / (u[i] - u[i-k])
		}
	}
	for k := isobarTerms - 1; k >= 0; k-- { // c = c*(u - u[k]) + v[k]
		for i := isobarTerms - 1; i > 0; i-- {
			c[i] = c[i-1] - u[k]*c[i]
		}
		c[0] = v[k] - u[k]*c[0]
	}
	return c
}

func (l *isobar) value(k int, u float64) float64 {
	s := 0.0
	for i := isobarTerms - 1; i >= 0; i-- {
		s = s*u + l.c[k][i]
	}
	return s
}

// enthalpyAt returns the enthalpy at an entropy. Some refrigerants (R-1234yf) are wet after an isentropic
// compression from dry saturated gas; there enthalpy follows entropy by the temperature.
func (l *isobar) enthalpyAt(entropy float64) (h float64, ok bool) {
	if below := entropy - l.value(isobarEntropy, -1); below < 0 {
		return l.value(isobarEnthalpy, -1) + below*l.dewK, true
	}
	u, ok := l.where(isobarEntropy, entropy)
	return l.value(isobarEnthalpy, u), ok
}

// where returns u at which a property, which rises with it, has the value; gas that is wet is at the dew
// point's.
func (l *isobar) where(k int, value float64) (u float64, ok bool) {
	a, b := -1.0, 1.0
	if value > l.value(k, b) {
		return 0, false
	}
	if value < l.value(k, a) {
		return a, true
	}
	for range 40 {
		if u = (a + b) / 2; l.value(k, u) < value {
			a = u
		} else {
			b = u
		}
	}
	return u, true
}

// leastSquares gathers the normal equations of the polynomial. In variables from -1 to 1 and with these
// degrees they lose some six of sixteen digits.
type leastSquares struct {
	a [numTerms][numTerms + 1]float64
	n int
}

func (l *leastSquares) add(x, y, z, value float64) {
	var row [numTerms + 1]float64
	k := 0
	for i, px := 0, 1.0; i <= degDew; i, px = i+1, px*x {
		for j, py := 0, px; j <= degCond; j, py = j+1, py*y {
			for h, pz := 0, py; h <= degHeat; h, pz = h+1, pz*z {
				row[k] = pz
				k++
			}
		}
	}
	row[numTerms] = value
	for i := range numTerms {
		for j := i; j <= numTerms; j++ {
			l.a[i][j] += row[i] * row[j]
		}
	}
	l.n++
}

// solve finds the coefficients by Cholesky's method.
func (l *leastSquares) solve(c *[degDew + 1][degCond + 1][degHeat + 1]float64) error {
	if l.n < numTerms {
		return fmt.Errorf("only %d states exist in the range", l.n)
	}
	a := &l.a
	for i := range numTerms {
		a[i][i] += 1e-10 * float64(l.n) // holds what too few states determine
		for k := range i {
			for j := i; j <= numTerms; j++ {
				a[i][j] -= a[k][i] * a[k][j]
			}
		}
		if !(a[i][i] > 0) {
			return errors.New("the states in the range do not determine the fit")
		}
		root := math.Sqrt(a[i][i])
		for j := i; j <= numTerms; j++ {
			a[i][j] /= root
		}
	}
	for i := numTerms - 1; i >= 0; i-- {
		v := a[i][numTerms]
		for j := i + 1; j < numTerms; j++ {
			v -= a[i][j] * a[j][numTerms]
		}
		a[i][numTerms] = v / a[i][i]
		c[i/((degCond+1)*(degHeat+1))][i/(degHeat+1)%(degCond+1)][i%(degHeat+1)] = a[i][numTerms]
	}
	return nil
}
