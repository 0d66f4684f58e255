package chart

import (
	"bytes"
	"encoding/gob"
	"math"
	"math/rand/v2"
	"testing"
)

func TestCUSUMAgainstMontgomery(t *testing.T) {
	// Montgomery, Introduction to Statistical Quality Control, table 9.3 in recent editions (from
	// memory): k = 0.5, two-sided.
	shifts := []float64{0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4}
	for _, row := range []struct {
		h         float64
		published []float64
		computed  []float64 // a Markov chain by someone else's program, two more digits
	}{
		{4, []float64{168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71},
			[]float64{167.68, 74.22, 26.63, 13.29, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71}},
		{5, []float64{465, 139, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01},
			[]float64{465.41, 139.49, 38.00, 17.05, 10.38, 5.75, 4.01, 3.11, 2.57, 2.01}},
	} {
		for i, shift := range shifts {
			got := CUSUM{0.5, row.h}.ARL(shift)
			within(t, "published", got, row.published[i], halfUnit(row.published[i]))
			within(t, "computed", got, row.computed[i], 0.0055+2e-4*row.computed[i])
			within(t, "mirrored", CUSUM{0.5, row.h}.ARL(-shift), got, 1e-9*got)
		}
	}
}

func TestCUSUMAgainstHawkins(t *testing.T) {
	// Hawkins (1993), pairs of k and h for a two-sided ARL of 370 without a shift (from memory), as
	// printed in Montgomery; the limits are rounded to two digits, hence not 370 exactly.
	for _, c := range []struct{ k, h, computed float64 }{
		{0.25, 8.01, 370.3}, {0.5, 4.77, 368.5}, {0.75, 3.34, 370.6},
		{1, 2.52, 372.8}, {1.25, 1.99, 373.5}, {1.5, 1.61, 376.3},
	} {
		got := CUSUM{c.k, c.h}.ARL(0)
		within(t, "Hawkins", got, 370, 7)
		within(t, "computed", got, c.computed, 0.2)
		within(t, "design", DesignCUSUM(c.k, 370).H, c.h, 0.0151)
	}
}

func TestCUSUMAgainstSiegmund(t *testing.T) {
	// Siegmund's approximation (1985), with the worked values of Montgomery (from memory) for k = 0.5,
	// h = 5: 938.2 one-sided without a shift, 469.1 two-sided, 10.34 for a shift of 1.
	siegmund := func(d CUSUM, shift float64) float64 {
		delta, b := shift-d.K, d.H+1.166
		if delta == 0 {
			return b * b
		}
		return (math.Exp(-2*delta*b) + 2*delta*b - 1) / (2 * delta * delta)
	}
	d := CUSUM{0.5, 5}
	within(t, "the approximation as printed", siegmund(d, 0), 938.2, 0.05)
	within(t, "the approximation as printed", siegmund(d, 1), 10.34, 0.005)
	within(t, "one-sided", d.OneSidedARL(0), 930.9, 0.2)
	within(t, "two-sided", d.ARL(0), 469.1, 0.01*469.1)
	for _, d := range []CUSUM{{0.25, 8}, {0.5, 4}, {0.5, 5}, {0.5, 8}, {1, 2.5}} {
		for _, shift := range []float64{0, 0.25, 0.5, 1, 1.5} {
			want := siegmund(d, shift)
			within(t, "Siegmund", d.OneSidedARL(shift), want, 0.07*want) // it is a rough formula for a large k
		}
	}
}

func TestCUSUMHeadStart(t *testing.T) {
	// Lucas and Crosier (1982), two-sided, k = 0.5, h = 5, head start 2.5 (from memory).
	for _, c := range []struct{ shift, want float64 }{{0, 430}, {0.5, 28.7}, {0.75, 11.2}, {1, 6.35}, {2, 2.36}, {3, 1.54}} {
		within(t, "Lucas and Crosier", CUSUM{0.5, 5}.HeadStartARL(c.shift), c.want, max(halfUnit(c.want), 0.002*c.want))
	}
	d := DesignCUSUM(0.5, 500)
	if s := d.HeadStart(); s.Up != d.H/2 || s.Down != d.H/2 || s.UpSince != 0 {
		t.Errorf("head start %+v", s)
	}
}

func TestEWMAAgainstLucasSaccucci(t *testing.T) {
	// Lucas and Saccucci (1990), Technometrics 32:1, table 3 (from memory), designs for an ARL of 500;
	// computed: a Markov chain by someone else's program.
	shifts := []float64{0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4}
	for _, column := range []struct {
		d         EWMA
		published []float64
		computed  []float64
	}{
		{EWMA{0.40, 3.054}, []float64{500, 224, 71.2, 28.4, 14.3, 5.9, 3.5, 2.5, 2.0, 1.4},
			[]float64{499.91, 223.72, 71.20, 28.42, 14.26, 5.87, 3.52, 2.54, 2.02, 1.44}},
		{EWMA{0.25, 2.998}, []float64{500, 170, 48.2, 20.1, 11.1, 5.5, 3.6, 2.7, 2.3, 1.7},
			[]float64{499.75, 170.28, 48.29, 20.11, 11.14, 5.46, 3.61, 2.74, 2.26, 1.73}},
		{EWMA{0.20, 2.962}, []float64{500, 150, 41.8, 18.2, 10.5, 5.5, 3.7, 2.9, 2.4, 1.9},
			[]float64{499.63, 150.20, 41.76, 18.15, 10.54, 5.50, 3.74, 2.88, 2.38, 1.86}},
		{EWMA{0.10, 2.814}, []float64{500, 106, 31.3, 15.9, 10.3, 6.1, 4.4, 3.4, 2.9, 2.2},
			[]float64{499.39, 106.31, 31.30, 15.85, 10.33, 6.08, 4.36, 3.44, 2.87, 2.19}},
		{EWMA{0.05, 2.615}, []float64{500, 84.1, 28.8, 16.4, 11.4, 7.1, 5.2, 4.2, 3.5, 2.7},
			[]float64{499.62, 84.00, 28.76, 16.37, 11.38, 7.11, 5.22, 4.17, 3.50, 2.69}},
	} {
		for i, shift := range shifts {
			got := column.d.ARL(shift)
			want := column.published[i]
			digit := 0.055 // half the last that is printed, and a little: 15.9 is 15.85 in either program
			if want >= 100 {
				digit = 0.5
			}
			within(t, "published", got, want, max(digit, 0.002*want))
			within(t, "computed", got, column.computed[i], 0.0055+6e-4*column.computed[i]) // theirs has finite states
			within(t, "mirrored", column.d.ARL(-shift), got, 1e-9*got)
		}
		within(t, "design", DesignEWMA(column.d.Lambda, 500).L, column.d.L, 0.0016)
	}
}

func TestShewhartAsLimit(t *testing.T) {
	// Both charts with no memory are the 3 sigma chart of individuals, ARL 370.4 (1 in 0.0027).
	within(t, "EWMA of lambda 1", EWMA{1, 3}.ARL(0), 370.4, 0.05)
	within(t, "CUSUM of slack 3", CUSUM{3, 1e-9}.ARL(0), 370.4, 0.05)
}

func TestDesignsAreMet(t *testing.T) {
	for _, arl0 := range []float64{50, 370, 5000, 50000} {
		for _, k := range []float64{0.25, 0.5, 1} {
			within(t, "CUSUM", DesignCUSUM(k, arl0).ARL(0), arl0, 1e-6*arl0)
		}
	}
	within(t, "EWMA", DesignEWMA(0.1, 20000).ARL(0), 20000, 0.02)
	if d := DesignCUSUM(0.5, 0.1); d.H != 0 {
		t.Errorf("an average run length that no chart has gave the limit %g, want the lowest, 0", d.H)
	}
}

// TestStepsAgainstRunLengths runs the charts as they are used and holds their mean run length to the
// computed one, within four standard errors; a run length is spread like its mean.
func TestStepsAgainstRunLengths(t *testing.T) {
	const runs = 4000
	rng := rand.New(rand.NewPCG(5, 1954))
	mean := func(run func(z func() float64) bool, shift float64, start func()) float64 {
		total := 0
		for range runs {
			start()
			for {
				total++
				if run(func() float64 { return rng.NormFloat64() + shift }) {
					break
				}
			}
		}
		return float64(total) / runs
	}
	c := CUSUM{0.5, 4}
	var cs CUSUMState
	cusum := func(z func() float64) bool { up, down := c.Step(&cs, z()); return up || down }
	e := EWMA{0.1, 2.814}
	var es EWMAState
	ewma := func(z func() float64) bool { return e.Step(&es, z()) != 0 }
	for _, shift := range []float64{0, -0.5, 1, 2} {
		want := c.ARL(shift)
		within(t, "CUSUM", mean(cusum, shift, func() { cs = CUSUMState{} }), want, 4*want/math.Sqrt(runs))
		want = c.HeadStartARL(shift)
		within(t, "CUSUM with head start", mean(cusum, shift, func() { cs = c.HeadStart() }), want, 4*want/math.Sqrt(runs))
		want = e.ARL(shift)
		within(t, "EWMA, settled limits", mean(ewma, shift, func() { es = EWMAState{N: 1 << 20} }), want, 4*want/math.Sqrt(runs))
	}
	early := mean(ewma, 1, func() { es = EWMAState{} })
	if settled := e.ARL(1); early > 0.9*settled {
		t.Errorf("exact early limits find a shift of 1 after %.2f values, settled ones after %.2f: want it found sooner", early, settled)
	}
}

func TestEWMAExactLimits(t *testing.T) {
	// The first average is lambda times one value, so its limit is L sigma lambda.
	d := EWMA{0.1, 2.7}
	within(t, "first limit", d.limit(1), 2.7*0.1, 1e-12)
	// Montgomery, EWMA example (lambda 0.1, L 2.7, sigma 1, from memory): limits 10 ± 0.27 at the first
	// value, ± 0.36 at the second, ± 0.62 settled.
	within(t, "second limit", d.limit(2), 0.36, 0.005)
	within(t, "settled limit", d.limit(1000), 0.62, 0.005)
}

func TestChangesAreDated(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	for _, sign := range []float64{1, -1} {
		d := DesignCUSUM(0.5, 5000)
		var s CUSUMState
		const change = 100
		for i := 1; ; i++ {
			z := rng.NormFloat64() * 0.9
			if i > change {
				z += 1.5 * sign
			}
			up, down := d.Step(&s, z)
			if !up && !down {
				if i > change+40 {
					t.Fatalf("a shift of %+.1f was not found in 40 values", 1.5*sign)
				}
				continue
			}
			if i <= change || up != (sign > 0) || down != (sign < 0) {
				t.Fatalf("shift of %+.1f after value %d: signalled up %t, down %t at %d", 1.5*sign, change, up, down, i)
			}
			since := s.DownSince
			if up {
				since = s.UpSince
			}
			if onset := i - int(since); onset < change-12 || onset > change+4 {
				t.Errorf("onset after value %d, want about %d", onset, change)
			}
			break
		}
	}
}

func TestSinceCountsFromZero(t *testing.T) {
	d := CUSUM{0.5, 5}
	var s CUSUMState
	for i, step := range []struct {
		z    float64
		want CUSUMState
	}{
		{1.5, CUSUMState{Up: 1, UpSince: 1}},
		{1.5, CUSUMState{Up: 2, UpSince: 2}},
		{-2, CUSUMState{Down: 1.5, DownSince: 1}},
		{-0.5, CUSUMState{Down: 1.5, DownSince: 2}},
		{0.5, CUSUMState{Down: 0.5, DownSince: 3}},
		{0, CUSUMState{}},
	} {
		d.Step(&s, step.z)
		if s != step.want {
			t.Errorf("value %d: state %+v, want %+v", i, s, step.want)
		}
	}
}

func TestNothingButNumbersEnters(t *testing.T) {
	d, e := CUSUM{0.5, 4}, EWMA{0.2, 2.962}
	s, a := CUSUMState{Up: 5, UpSince: 3}, EWMAState{Z: 2, N: 9}
	for _, z := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		if up, down := d.Step(&s, z); !up || down || s != (CUSUMState{Up: 5, UpSince: 3}) {
			t.Errorf("%g: CUSUM up %t down %t, state %+v", z, up, down, s)
		}
		if signal := e.Step(&a, z); signal != 1 || a != (EWMAState{Z: 2, N: 9}) {
			t.Errorf("%g: EWMA %d, state %+v", z, signal, a)
		}
	}
	if signal := e.Step(&EWMAState{}, math.NaN()); signal != 0 {
		t.Error("a new chart signals without a value")
	}
	full := EWMAState{N: math.MaxInt32}
	e.Step(&full, 0)
	s = CUSUMState{Up: 1, UpSince: math.MaxInt32}
	d.Step(&s, 1)
	if full.N != math.MaxInt32 || s.UpSince != math.MaxInt32 {
		t.Error("a full counter ran over")
	}
}

func TestStatesAreSavedExactly(t *testing.T) {
	type states struct {
		C CUSUMState
		E EWMAState
	}
	want := states{CUSUMState{Up: 0.1, Down: 1.0 / 3, UpSince: 4, DownSince: 5}, EWMAState{Z: -math.Pi, N: 77}}
	var b bytes.Buffer
	if err := gob.NewEncoder(&b).Encode(want); err != nil {
		t.Fatal(err)
	}
	var got states
	if err := gob.NewDecoder(&b).Decode(&got); err != nil || got != want {
		t.Errorf("read back %+v, %v; want %+v", got, err, want)
	}
}

func TestStepsDoNotAllocate(t *testing.T) {
	d, e := CUSUM{0.5, 4}, EWMA{0.2, 2.962}
	var s CUSUMState
	var a EWMAState
	if n := testing.AllocsPerRun(100, func() { d.Step(&s, 0.3); e.Step(&a, 0.3) }); n != 0 {
		t.Errorf("%g allocations per step", n)
	}
}

// halfUnit is half the last of three printed digits.
func halfUnit(v float64) float64 {
	switch {
	case v >= 100:
		return 0.5001
	case v >= 10:
		return 0.0501
	default:
		return 0.0051
	}
}

func within(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.6g, want %.6g ± %.2g", what, got, want, tolerance)
	}
}
