package robust

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

func TestMedianAndMAD(t *testing.T) {
	for _, c := range []struct {
		x           []float64
		median, mad float64
	}{
		{[]float64{1, 2, 3, 4, 100}, 3, 1.4826}, // deviations 2 1 0 1 97, by hand
		{[]float64{100, 4, 3, 2, 1}, 3, 1.4826},
		{[]float64{1, 2}, 1.5, 0.7413},
		{[]float64{7}, 7, 0},
		{[]float64{math.NaN(), 5, math.Inf(1), 6, 7, math.Inf(-1)}, 6, 1.4826},
		// Stack loss of Brownlee (below): median 15, and MAD 5.9304 as statistics programs print it.
		{brownleeY(), 15, 5.9304},
	} {
		before := slices.Clone(c.x)
		within(t, "median", Median(c.x), c.median, 1e-12)
		within(t, "MAD", MAD(c.x), c.mad, 5e-5)
		for i := range c.x {
			if c.x[i] != before[i] && !math.IsNaN(before[i]) {
				t.Fatalf("the input %v became %v", before, c.x)
			}
		}
	}
	if !math.IsNaN(Median(nil)) || !math.IsNaN(MAD([]float64{math.NaN()})) {
		t.Error("nothing has a median")
	}
}

func TestMADOfNormalValues(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	x := make([]float64, 20000)
	for i := range x {
		x[i] = 3 + 2*rng.NormFloat64()
	}
	within(t, "MAD", MAD(x), 2, 0.05)
	within(t, "median", Median(x), 3, 0.05)
}

func TestTheilSenAgainstTextbooks(t *testing.T) {
	for _, c := range []struct {
		source           string
		t, x             []float64
		confidence       float64
		slope, low, high float64
		tolerance        float64
	}{
		{"by hand: slopes 1 six times, 25, 33, 49, 97; the exact interval of 91.7 % is the 2nd to the 9th",
			[]float64{0, 1, 2, 3, 4}, []float64{0, 1, 2, 3, 100}, 1 - 2*5.0/120, 1, 1, 49, 1e-9},
		{"Hollander and Wolfe, Nonparametric Statistical Methods, example 9.1, cloud seeding (from memory)",
			[]float64{1, 2, 3, 4, 5}, []float64{1.26, 1.27, 1.12, 1.16, 1.03}, 1 - 2*0.0417, -0.056, -0.13, 0.01, 6e-4},
		{"Helsel and Hirsch, Statistical Methods in Water Resources, section 10.1 (from memory): 4th and 18th of 21",
			[]float64{1, 2, 3, 4, 5, 6, 7}, []float64{1, 2, 3, 4, 5, 16, 7}, 1 - 2*0.0151, 1, 1, 3.5, 0.01},
	} {
		tr, ok := TheilSen(c.t, c.x, c.confidence)
		if !ok {
			t.Fatalf("%s: no trend", c.source)
		}
		within(t, c.source+": slope", tr.Slope, c.slope, c.tolerance)
		within(t, c.source+": low", tr.Low, c.low, c.tolerance)
		within(t, c.source+": high", tr.High, c.high, c.tolerance)
	}
}

func TestTheilSenLine(t *testing.T) {
	at := []float64{4, 1, 3, 0, 2} // in no order
	x := []float64{18, 12, 16, 10, 14}
	tr, ok := TheilSen(at, x, 0.8)
	if want := (Trend{Slope: 2, Intercept: 10, Low: 2, High: 2}); !ok || tr != want {
		t.Errorf("a line without noise: %+v, want %+v", tr, want)
	}
	within(t, "at 10", tr.At(10), 30, 1e-12)
	if at[0] != 4 || x[0] != 18 {
		t.Error("the input was changed")
	}
}

func TestKendallExactly(t *testing.T) {
	// Kendall, Rank Correlation Methods, appendix table 1: P(S ≥ 8) for 5 values 0.042, P(S ≥ 15) for 7
	// 0.015, P(S ≥ 23) for 10 0.023 (from memory). With so many orders in the tail, the rank is whole.
	for _, c := range []struct {
		n, s int
		p    float64
	}{{4, 4, 0.167}, {5, 8, 0.042}, {5, 6, 0.117}, {7, 15, 0.015}, {10, 23, 0.023}} {
		pairs := c.n * (c.n - 1) / 2
		want := float64((pairs-c.s)/2 + 1)
		within(t, "rank", exactRank(c.n, c.p), want, 0.05)
	}
	// The two ways meet where one takes over from the other.
	for _, tail := range []float64{0.025, 0.05, 0.1, 0.25} {
		n := 10.0
		z := math.Sqrt2 * math.Erfinv(1-2*tail)
		normal := (n*(n-1)/2 + 1 - z*math.Sqrt(n*(n-1)*(2*n+5)/18)) / 2
		within(t, "normal limit", normal, exactRank(10, tail), 0.45)
	}
}

func TestKendallVarianceWithTies(t *testing.T) {
	// Against the definition: the variance of S over all orders of the values.
	at, x := []float64{1, 1, 2, 3, 4, 4}, []float64{5, 6, 6, 6, 7, 8}
	sum, orders := 0.0, 0.0
	permute(x, 0, func(y []float64) {
		s := 0.0
		for i := range y {
			for j := range i {
				s += sign(at[i]-at[j]) * sign(y[i]-y[j])
			}
		}
		sum += s * s
		orders++
	})
	got, tied := kendallVariance(at, x)
	within(t, "variance", got, sum/orders, 1e-9)
	if !tied {
		t.Error("ties were not seen")
	}
	if v, tied := kendallVariance([]float64{1, 2, 3, 4}, []float64{4, 2, 9, 1}); tied || math.Abs(v-26.0/3) > 1e-12 {
		t.Errorf("no ties: %g, %t", v, tied) // n(n-1)(2n+5)/18
	}
}

func TestTheilSenTies(t *testing.T) {
	days := make([]float64, 40)
	flat, steps := make([]float64, 40), make([]float64, 40)
	for i := range days {
		days[i] = float64(i / 2) // two values a day
		flat[i] = 5
		steps[i] = math.Round(0.2 * days[i]) // a coarse sensor
	}
	tr, ok := TheilSen(days, flat, 0.9)
	if !ok || tr.Slope != 0 || tr.Low != 0 || tr.High != 0 || tr.Intercept != 5 {
		t.Errorf("a flat line: %+v", tr)
	}
	tr, ok = TheilSen(days, steps, 0.9)
	if !ok || math.Abs(tr.Slope-0.2) > 0.01 || tr.Low > 0.2 || tr.High < 0.2 || tr.High-tr.Low > 0.04 {
		t.Errorf("steps of a slope of 0.2: %+v", tr)
	}
}

func TestTheilSenCovers(t *testing.T) {
	// Also with a tenth of the values grossly wrong, on either side.
	rng := rand.New(rand.NewPCG(12, 5))
	for _, n := range []int{7, 10, 12, 30} {
		const runs = 1500
		covered := 0
		at, x := make([]float64, n), make([]float64, n)
		for range runs {
			for i := range at {
				at[i] = float64(i) + rng.Float64()
				x[i] = 0.3*at[i] + rng.NormFloat64()
				if rng.IntN(10) == 0 {
					x[i] += 30 * rng.NormFloat64()
				}
			}
			tr, ok := TheilSen(at, x, 0.8)
			if ok && tr.Low <= 0.3 && 0.3 <= tr.High {
				covered++
			}
		}
		within(t, "coverage", float64(covered)/runs, 0.8, 0.035)
	}
}

func TestTheilSenRefuses(t *testing.T) {
	nan := math.NaN()
	three := []float64{1, 2, 3}
	for _, c := range []struct {
		why        string
		t, x       []float64
		confidence float64
	}{
		{"two values", []float64{1, 2}, []float64{1, 2}, 0.8},
		{"two that are finite", three, []float64{1, nan, 2}, 0.8},
		{"one time", []float64{1, 1, 1}, three, 0.8},
		{"certainty", three, three, 1},
		{"no confidence", three, three, nan},
	} {
		if tr, ok := TheilSen(c.t, c.x, c.confidence); ok {
			t.Errorf("%s: %+v", c.why, tr)
		}
	}
	tr, ok := TheilSen(three, three, 0.9) // six orders cannot say 5 %
	if !ok || !math.IsInf(tr.Low, -1) || !math.IsInf(tr.High, 1) || tr.Slope != 1 {
		t.Errorf("three values: %+v, want an interval without ends", tr)
	}
	long := make([]float64, 100) // more than the buffers hold
	for i := range long {
		long[i] = float64(i)
	}
	if tr, ok := TheilSen(long, long, 0.9); !ok || tr.Slope != 1 || tr.Low != 1 {
		t.Errorf("100 values: %+v", tr)
	}
}

func TestNothingAllocates(t *testing.T) {
	days, x, rows := make([]float64, 60), make([]float64, 60), make([]Row, 400)
	rng := rand.New(rand.NewPCG(1, 1))
	for i := range days {
		days[i], x[i] = float64(i), rng.NormFloat64()
	}
	for i := range rows {
		rows[i] = Row{[6]float64{1, rng.NormFloat64(), rng.NormFloat64()}, rng.NormFloat64()}
	}
	r := Ridge{Terms: 3, SD: [6]float64{1, 1, 1}, Noise: 1, NoiseWeight: 3}
	for what, f := range map[string]func(){
		"median":   func() { Median(x) },
		"MAD":      func() { MAD(x) },
		"TheilSen": func() { TheilSen(days, x, 0.8) },
		"Ridge":    func() { p, _ := r.Fit(rows); p.Predict([6]float64{1, 2, 3}) },
	} {
		if n := testing.AllocsPerRun(20, f); n != 0 {
			t.Errorf("%s: %g allocations", what, n)
		}
	}
}

func permute(x []float64, k int, f func([]float64)) {
	if k == len(x) {
		f(x)
		return
	}
	for i := k; i < len(x); i++ {
		x[k], x[i] = x[i], x[k]
		permute(x, k+1, f)
		x[k], x[i] = x[i], x[k]
	}
}

func sign(v float64) float64 {
	switch {
	case v > 0:
		return 1
	case v < 0:
		return -1
	default:
		return 0
	}
}

func within(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.6g, want %.6g ± %.2g", what, got, want, tolerance)
	}
}
