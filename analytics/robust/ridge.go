package robust

import (
	"math"
	"slices"
)

// MaxTerms is the largest number of regressors, the constant included.
const MaxTerms = 6

// Row is an observation: the regressors, of which the first Terms count, and what was observed.
type Row struct {
	X [MaxTerms]float64
	Y float64
}

// Ridge is what is known before the data: each coefficient is normal about its Mean with its SD,
// independent of the others; the noise of a row has the standard deviation Noise, known as if from
// NoiseWeight earlier rows (a scaled inverse chi-squared prior; Gelman et al., Bayesian Data
// Analysis, section 2.6). An SD of +Inf says that nothing is known, 0 that the coefficient is fixed;
// a NoiseWeight of 0 leaves the noise to the data.
type Ridge struct {
	Terms       int // regressors in use, 1 to MaxTerms
	Mean, SD    [MaxTerms]float64
	Noise       float64
	NoiseWeight float64
}

// Posterior is what is known after the data.
type Posterior struct {
	Terms   int
	Mean    [MaxTerms]float64
	Cov     [MaxTerms][MaxTerms]float64
	Noise   float64 // standard deviation of a row about its mean, outliers held down
	Freedom float64 // degrees of freedom behind Noise, the prior's included
	Rows    int     // rows used
}

// Huber's constant: 95 % as efficient as least squares on normal noise, and what that noise leaves
// of its variance when clipped there, E[min(z², c²)].
const (
	huber        = 1.345
	huberClipped = 0.7102
)

const maxRounds = 20

// Fit returns the posterior by least squares reweighted with Huber's weights (Huber 1981, Robust
// Statistics, section 7.8), where the prior counts as observations that are never doubted. Wrong
// values of Y lose their hold; a wrong X keeps it, so check those before.
//
// It answers false when the prior is not one, when rows and prior together leave a coefficient
// undetermined, and when nothing tells the noise. Up to 512 rows cost no memory.
func (r Ridge) Fit(rows []Row) (Posterior, bool) {
	if !r.valid() {
		return Posterior{}, false
	}
	f := fitter{Ridge: r, rows: rows, sigma: 1, clip: math.Inf(1)}
	f.measure()
	if r.NoiseWeight > 0 || f.n == 0 {
		f.sigma = r.Noise
	}
	for range maxRounds {
		before, noise := f.beta, f.sigma
		if !f.solve() {
			return Posterior{}, false
		}
		f.rescale()
		if f.freedom <= 1e-6 && f.n > 0 {
			return Posterior{}, false
		}
		if f.settled(before, noise) {
			break
		}
	}
	p := Posterior{Terms: r.Terms, Mean: f.beta, Noise: f.sigma, Freedom: f.freedom, Rows: f.n}
	for i := range r.Terms {
		for j := range r.Terms {
			p.Cov[i][j] = f.scale[i] * f.inverse[i][j] * f.scale[j]
		}
	}
	return p, true
}

// Predict returns the mean at x and the standard deviation of that mean. A row scatters about it
// with Noise besides.
func (p Posterior) Predict(x [MaxTerms]float64) (mean, sdOfMean float64) {
	variance := 0.0
	for i := range p.Terms {
		mean += x[i] * p.Mean[i]
		for j := range p.Terms {
			variance += x[i] * p.Cov[i][j] * x[j]
		}
	}
	return mean, math.Sqrt(max(variance, 0))
}

func (r Ridge) valid() bool {
	if r.Terms < 1 || r.Terms > MaxTerms || !(r.NoiseWeight >= 0) || !finite(r.NoiseWeight) || !finite(r.Noise) {
		return false
	}
	if r.Noise < 0 || r.NoiseWeight > 0 && r.Noise == 0 {
		return false
	}
	for i := range r.Terms {
		if !(r.SD[i] >= 0) || !finite(r.Mean[i]) {
			return false
		}
	}
	return true
}

// fitter is one fit in progress. It works on coefficients in units of their prior SD about their
// prior mean, where a prior is the number 1 on the diagonal, none is 0, and a fixed coefficient needs
// no rule of its own.
type fitter struct {
	Ridge
	rows    []Row
	n       int               // rows that are finite
	scale   [MaxTerms]float64 // one unit of each coefficient
	known   [MaxTerms]float64 // 1 where there is a prior, else 0
	least   float64           // no noise is smaller: rounding of Y
	beta    [MaxTerms]float64
	sigma   float64 // noise
	clip    float64 // residuals beyond are outliers
	inverse [MaxTerms][MaxTerms]float64
	freedom float64
}

// measure counts the rows and chooses the units. Where there is no prior the unit comes from the size
// of the regressor, or the matrix would be ill-conditioned for nothing but units.
func (f *fitter) measure() {
	var squares [MaxTerms]float64
	largest := 0.0
	for i := range f.rows {
		row := &f.rows[i]
		if !f.usable(row) {
			continue
		}
		f.n++
		largest = max(largest, math.Abs(row.Y))
		for k := range f.Terms {
			squares[k] += row.X[k] * row.X[k]
		}
	}
	f.least = 1e-9 * max(largest, 1e-3)
	f.beta = f.Mean
	for k := range f.Terms {
		f.scale[k], f.known[k] = f.SD[k], 1
		if math.IsInf(f.SD[k], 1) {
			f.scale[k], f.known[k] = 1/math.Sqrt(max(squares[k], math.SmallestNonzeroFloat64)), 0
			if squares[k] == 0 {
				f.scale[k] = 1
			}
		}
	}
}

func (f *fitter) usable(row *Row) bool {
	for k := range f.Terms {
		if !finite(row.X[k]) {
			return false
		}
	}
	return finite(row.Y)
}

func (f *fitter) residual(row *Row, beta *[MaxTerms]float64) float64 {
	e := row.Y
	for k := range f.Terms {
		e -= row.X[k] * beta[k]
	}
	return e
}

// solve finds the coefficients for the present weights and noise.
func (f *fitter) solve() bool {
	var a [MaxTerms][MaxTerms]float64
	var b [MaxTerms]float64
	for i := range f.rows {
		row := &f.rows[i]
		if !f.usable(row) {
			continue
		}
		w := 1 / (f.sigma * f.sigma)
		if e := math.Abs(f.residual(row, &f.beta)); e > f.clip {
			w *= f.clip / e
		}
		e := f.residual(row, &f.Mean)
		for j := range f.Terms {
			wx := w * row.X[j] * f.scale[j]
			b[j] += wx * e
			for k := range j + 1 {
				a[j][k] += wx * row.X[k] * f.scale[k]
			}
		}
	}
	for k := range f.Terms {
		a[k][k] += f.known[k]
	}
	if !invert(&a, f.Terms) {
		return false
	}
	f.inverse = a
	for j := range f.Terms {
		u := 0.0
		for k := range f.Terms {
			u += a[j][k] * b[k]
		}
		f.beta[j] = f.Mean[j] + f.scale[j]*u
	}
	return true
}

// rescale estimates the noise about the present coefficients. Where to clip comes from the median
// absolute residual, which outliers hardly move; the noise itself from the clipped squares, which
// waste less of the data (Huber's proposal 2, one step). The prior's rows count in both.
func (f *fitter) rescale() {
	data := float64(f.n)
	for k := range f.Terms {
		data -= 1 - f.known[k]*f.inverse[k][k] // what the data, not the prior, decided of a coefficient
	}
	data = max(data, 0)
	f.freedom = f.NoiseWeight + data
	if f.n == 0 {
		return
	}
	var buf [512]float64
	s := buf[:0]
	for i := range f.rows {
		if row := &f.rows[i]; f.usable(row) {
			s = append(s, math.Abs(f.residual(row, &f.beta)))
		}
	}
	slices.Sort(s)
	mad := madToSD * middle(s)
	if f.NoiseWeight > 0 {
		mad = math.Sqrt(f.pooled(data * mad * mad))
	}
	f.clip = huber * max(mad, f.least)
	sum := 0.0
	for _, e := range s {
		e = min(e, f.clip)
		sum += e * e
	}
	if f.freedom > 0 {
		f.sigma = max(math.Sqrt(f.pooled(sum/huberClipped)), f.least)
	}
}

// pooled returns the variance of the noise from the prior's rows and the data's sum of squares.
func (f *fitter) pooled(sum float64) float64 {
	return (f.NoiseWeight*f.Noise*f.Noise + sum) / f.freedom
}

// settled says whether a round changed nothing that matters: less than 1e-5 of what is uncertain.
func (f *fitter) settled(before [MaxTerms]float64, noise float64) bool {
	for k := range f.Terms {
		sd := f.scale[k] * math.Sqrt(f.inverse[k][k])
		if math.Abs(f.beta[k]-before[k]) > 1e-5*sd {
			return false
		}
	}
	return math.Abs(f.sigma-noise) <= 1e-5*f.sigma
}

// invert replaces the lower triangle of a symmetric matrix by its whole inverse, by Cholesky's
// factors; false if it is not positive definite.
func invert(a *[MaxTerms][MaxTerms]float64, n int) bool {
	for j := range n {
		diagonal := a[j][j]
		for k := range j {
			a[j][j] -= a[j][k] * a[j][k]
		}
		if !(a[j][j] > 1e-13*diagonal) { // lost to rounding
			return false
		}
		a[j][j] = math.Sqrt(a[j][j])
		for i := j + 1; i < n; i++ {
			for k := range j {
				a[i][j] -= a[i][k] * a[j][k]
			}
			a[i][j] /= a[j][j]
		}
	}
	for j := range n { // the inverse of the triangle, in place
		a[j][j] = 1 / a[j][j]
		for i := j + 1; i < n; i++ {
			sum := 0.0
			for k := j; k < i; k++ {
				sum -= a[i][k] * a[k][j]
			}
			a[i][j] = sum / a[i][i]
		}
	}
	var inverse [MaxTerms][MaxTerms]float64
	for i := range n {
		for j := range i + 1 {
			for k := i; k < n; k++ {
				inverse[i][j] += a[k][i] * a[k][j]
			}
			inverse[j][i] = inverse[i][j]
		}
	}
	*a = inverse
	return true
}
