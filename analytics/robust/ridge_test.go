package robust

import (
	"math"
	"math/rand/v2"
	"testing"
)

var inf = math.Inf(1)

// brownlee is the stack loss of an ammonia plant: air flow, water temperature, acid concentration,
// loss (Brownlee 1965, Statistical Theory and Methodology, page 454; from memory).
var brownlee = [][4]float64{
	{80, 27, 89, 42}, {80, 27, 88, 37}, {75, 25, 90, 37}, {62, 24, 87, 28}, {62, 22, 87, 18}, {62, 23, 87, 18},
	{62, 24, 93, 19}, {62, 24, 93, 20}, {58, 23, 87, 15}, {58, 18, 80, 14}, {58, 18, 89, 14}, {58, 17, 88, 13},
	{58, 18, 82, 11}, {58, 19, 93, 12}, {50, 18, 89, 8}, {50, 18, 86, 7}, {50, 19, 72, 8}, {50, 19, 79, 8},
	{50, 20, 80, 9}, {56, 20, 82, 15}, {70, 20, 91, 15},
}

func brownleeRows() (rows []Row) {
	for _, b := range brownlee {
		rows = append(rows, Row{[6]float64{1, b[0], b[1], b[2]}, b[3]})
	}
	return rows
}

func brownleeY() (y []float64) {
	for _, b := range brownlee {
		y = append(y, b[3])
	}
	return y
}

// unknown is a prior that knows nothing.
func unknown(terms int) Ridge {
	return Ridge{Terms: terms, SD: [6]float64{inf, inf, inf, inf, inf, inf}}
}

// leastSquares is one that knows nothing but a noise so large that no row is an outlier.
func leastSquares(terms int) Ridge {
	r := unknown(terms)
	r.Noise, r.NoiseWeight = 1e3, 1e9
	return r
}

func TestHuberAgainstStackLoss(t *testing.T) {
	// Coefficients and standard errors with Huber's weights, c = 1.345, and the median absolute residual
	// for scale, as the documentation of the statsmodels library prints them for version 0.10.2.
	p, ok := unknown(4).Fit(brownleeRows())
	if !ok {
		t.Fatal("no fit")
	}
	want := []float64{-41.02649835, 0.82938433, 0.92606597, -0.12784672}
	for i, errors := range []float64{9.79189854, 0.11100521, 0.30293016, 0.12864961} {
		within(t, "coefficient", p.Mean[i], want[i], 2e-4*errors)
		// Theirs comes from the influence function, ours is a posterior; on 21 rows they differ.
		within(t, "standard error", math.Sqrt(p.Cov[i][i]), errors, 0.15*errors)
	}
	// The scale is printed as 2.44 (R's MASS, from memory), without a correction for the 4 terms.
	within(t, "noise", p.Noise, 2.44*math.Sqrt(21.0/17), 0.4)
	if p.Rows != 21 || math.Abs(p.Freedom-17) > 1e-9 {
		t.Errorf("%d rows, %g degrees of freedom", p.Rows, p.Freedom)
	}
}

func TestNoPriorIsLeastSquares(t *testing.T) {
	// Brownlee's least squares fit of the same data, printed in many textbooks (from memory).
	p, ok := leastSquares(4).Fit(brownleeRows())
	if !ok {
		t.Fatal("no fit")
	}
	for i, want := range []float64{-39.9197, 0.7156, 1.2953, -0.1521} {
		within(t, "stack loss", p.Mean[i], want, 6e-5)
	}
	// Anscombe (1973), The American Statistician 27:17: four sets, one line 3.00 + 0.500 x (from memory).
	x := []float64{10, 8, 13, 9, 11, 14, 6, 4, 12, 7, 5}
	x4 := []float64{8, 8, 8, 8, 8, 8, 8, 19, 8, 8, 8}
	third := []float64{7.46, 6.77, 12.74, 7.11, 7.81, 8.84, 6.08, 5.39, 8.15, 6.42, 5.73}
	for _, set := range []struct{ x, y []float64 }{
		{x, []float64{8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68}},
		{x, []float64{9.14, 8.14, 8.74, 8.77, 9.26, 8.10, 6.13, 3.10, 9.13, 7.26, 4.74}},
		{x, third},
		{x4, []float64{6.58, 5.76, 7.71, 8.84, 8.47, 7.04, 5.25, 12.50, 5.56, 7.91, 6.89}},
	} {
		p, ok := leastSquares(2).Fit(line(set.x, set.y))
		if !ok {
			t.Fatal("no fit")
		}
		within(t, "Anscombe, intercept", p.Mean[0], 3.00, 0.005)
		within(t, "Anscombe, slope", p.Mean[1], 0.500, 0.0005)
	}
	// The third set is a line with one outlier; without it, y = 4.006 + 0.3454 x (by least squares).
	p, ok = unknown(2).Fit(line(x, third))
	if !ok || math.Abs(p.Mean[1]-0.3454) > 0.003 || math.Abs(p.Mean[0]-4.006) > 0.02 {
		t.Errorf("Anscombe's third set: %v, want the line without its outlier", p.Mean[:2])
	}
}

func TestWampler(t *testing.T) {
	// NIST Statistical Reference Datasets, Wampler1: y = 1 + x + x² + x³ + x⁴ + x⁵ at x = 0..20, certified
	// coefficients all 1. It is what normal equations are worst at.
	var rows []Row
	for i := range 21 {
		row := Row{X: [6]float64{1}}
		for k := 1; k < 6; k++ {
			row.X[k] = row.X[k-1] * float64(i)
		}
		for _, v := range row.X {
			row.Y += v
		}
		rows = append(rows, row)
	}
	r := unknown(6)
	r.Noise, r.NoiseWeight = 1, 1
	p, ok := r.Fit(rows)
	if !ok {
		t.Fatal("no fit")
	}
	for k := range 6 {
		within(t, "coefficient", p.Mean[k], 1, 1e-3)
	}
}

func TestNoDataIsThePrior(t *testing.T) {
	r := Ridge{Terms: 3, Mean: [6]float64{1, -2, 3}, SD: [6]float64{0.5, 2, 0}, Noise: 0.7, NoiseWeight: 4}
	for _, rows := range [][]Row{nil, {{Y: math.NaN()}}, {{X: [6]float64{1, inf}, Y: 3}}} {
		p, ok := r.Fit(rows)
		want := Posterior{Terms: 3, Mean: r.Mean, Noise: 0.7, Freedom: 4}
		want.Cov[0][0], want.Cov[1][1] = 0.25, 4
		if !ok || p != want {
			t.Errorf("%+v, want %+v", p, want)
		}
		mean, sd := p.Predict([6]float64{1, 1, 1})
		within(t, "mean", mean, 2, 1e-12)
		within(t, "sd", sd, math.Sqrt(4.25), 1e-12)
	}
}

func TestConjugateMean(t *testing.T) {
	// The mean of normal values with known variance, Gelman et al., Bayesian Data Analysis, section 2.5:
	// precisions add, means weigh by them.
	rows := []Row{{[6]float64{1}, 10}, {[6]float64{1}, 10.3}, {[6]float64{1}, 10.7}, {[6]float64{1}, 11}}
	r := Ridge{Terms: 1, Mean: [6]float64{7}, SD: [6]float64{0.8}, Noise: 2, NoiseWeight: 1e12}
	p, ok := r.Fit(rows)
	prior, data := 1/(0.8*0.8), 4.0/(2*2)
	if !ok {
		t.Fatal("no fit")
	}
	within(t, "mean", p.Mean[0], (7*prior+10.5*data)/(prior+data), 1e-9)
	within(t, "variance", p.Cov[0][0], 1/(prior+data), 1e-9)
	within(t, "noise", p.Noise, 2, 1e-9)
}

func TestFixedCoefficient(t *testing.T) {
	rows := line([]float64{0, 1, 2, 3, 4, 5}, []float64{0, 1.1, 1.9, 3.1, 3.9, 5})
	r := Ridge{Terms: 2, Mean: [6]float64{0, 0.5}, SD: [6]float64{inf, 0}, Noise: 1, NoiseWeight: 1}
	p, ok := r.Fit(rows)
	if !ok || p.Mean[1] != 0.5 || p.Cov[1][1] != 0 || math.Abs(p.Mean[0]-1.25) > 0.01 {
		t.Errorf("slope fixed at 0.5: %+v", p)
	}
}

func TestOutliersLoseTheirHold(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 9))
	var rows []Row
	for i := range 100 {
		x := rng.NormFloat64()
		y := 8 + 1.5*x + 0.5*rng.NormFloat64()
		if i%7 == 0 {
			y = 60 // a sensor that was off its pipe for a seventh of the time
		}
		rows = append(rows, Row{[6]float64{1, x}, y})
	}
	rows = append(rows, Row{[6]float64{1, 0}, math.NaN()}, Row{[6]float64{math.NaN(), 0}, 4})
	r := Ridge{Terms: 2, Mean: [6]float64{6, 1}, SD: [6]float64{4, 1}, Noise: 1, NoiseWeight: 4}
	p, ok := r.Fit(rows)
	if !ok || p.Rows != 100 {
		t.Fatalf("%+v", p)
	}
	within(t, "constant", p.Mean[0], 8, 0.3)
	within(t, "slope", p.Mean[1], 1.5, 0.2)
	if p.Noise > 1.2 {
		t.Errorf("noise %.2f, want it near 0.5 in spite of the outliers", p.Noise)
	}
}

// TestPosteriorIsHonest draws coefficients from the prior and data from them: the standard deviations
// must then be what the errors have.
func TestPosteriorIsHonest(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 15))
	const runs = 1500
	var z, noise, covered float64
	for range runs {
		truth := [6]float64{5 + 2*rng.NormFloat64(), 0.3 * rng.NormFloat64(), 0.3 * rng.NormFloat64()}
		var rows []Row
		for range 15 {
			row := Row{X: [6]float64{1, rng.NormFloat64(), rng.NormFloat64()}}
			row.Y = truth[0] + truth[1]*row.X[1] + truth[2]*row.X[2] + 0.8*rng.NormFloat64()
			rows = append(rows, row)
		}
		r := Ridge{Terms: 3, Mean: [6]float64{5}, SD: [6]float64{2, 0.3, 0.3}, Noise: 1, NoiseWeight: 3}
		p, ok := r.Fit(rows)
		if !ok {
			t.Fatal("no fit")
		}
		x := [6]float64{1, 1, -1}
		mean, sd := p.Predict(x)
		e := (mean - truth[0] - truth[1] + truth[2]) / sd
		z += e * e
		if math.Abs(e) < 1.2816 {
			covered++
		}
		noise += p.Noise / runs
	}
	within(t, "sd of the standardised errors", math.Sqrt(z/runs), 1, 0.08)
	within(t, "coverage of 80 %", covered/runs, 0.8, 0.035)
	within(t, "noise", noise, 0.8, 0.06)
}

func TestRidgeRefuses(t *testing.T) {
	two := line([]float64{1, 2}, []float64{1, 2})
	good := Ridge{Terms: 2, SD: [6]float64{1, 1}, Noise: 1, NoiseWeight: 1}
	if _, ok := good.Fit(two); !ok {
		t.Fatal("a good prior was refused")
	}
	for why, change := range map[string]func(r *Ridge){
		"no terms":                func(r *Ridge) { r.Terms = 0 },
		"too many":                func(r *Ridge) { r.Terms = 7 },
		"a negative sd":           func(r *Ridge) { r.SD[1] = -1 },
		"an sd that is none":      func(r *Ridge) { r.SD[1] = math.NaN() },
		"a mean that is none":     func(r *Ridge) { r.Mean[0] = math.NaN() },
		"no noise":                func(r *Ridge) { r.Noise = 0 },
		"nothing tells the noise": func(r *Ridge) { r.SD, r.NoiseWeight = [6]float64{inf, inf}, 0 },
		"no rows for a coefficient": func(r *Ridge) {
			r.Terms, r.SD = 3, [6]float64{1, 1, inf} // the third regressor is always 0
		},
	} {
		r := good
		change(&r)
		if p, ok := r.Fit(two); ok {
			t.Errorf("%s: %+v", why, p)
		}
	}
	// One value, over and over, as a stuck sensor gives: a fit, with the prior's noise behind it.
	stuck := make([]Row, 50)
	for i := range stuck {
		stuck[i] = Row{[6]float64{1, float64(i)}, 4}
	}
	if p, ok := good.Fit(stuck); !ok || math.Abs(p.Mean[0]-4) > 0.1 || !finite(p.Noise) || p.Noise > 0.2 {
		t.Errorf("stuck: %+v", p)
	}
	if p, ok := unknown(2).Fit(stuck); !ok || math.Abs(p.Mean[0]-4) > 1e-6 || p.Noise > 1e-6 || !finite(p.Cov[1][1]) {
		t.Errorf("stuck, no prior: %+v", p)
	}
}

func line(x, y []float64) (rows []Row) {
	for i := range x {
		rows = append(rows, Row{[6]float64{1, x[i]}, y[i]})
	}
	return rows
}
