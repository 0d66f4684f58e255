package thermo

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"dewline/thermo/si"
)

// curveLimit is how far a Curve may be from the full equations.
const curveLimit = 0.0005 // K

// curveSpan returns the pressures over which the promise of a Curve holds: for a pure fluid from
// the greater of -60 °C and the limit of its equation up to 3 K below its critical temperature, for
// a blend up to 0.94 of the highest pressure of its bubble line.
func curveSpan(r *Refrigerant) (low, high si.Pascal, err error) {
	low, high = r.curve.Range()
	switch {
	case r.envelope == nil: // a one-fluid equation: all that there is
	case r.blend != nil:
		high = si.Pascal(0.94 * r.envelope.MaxBubblePres())
	default:
		top, err := r.BubbleAt(r.critical.Temperature - 3)
		if err != nil {
			return 0, 0, err
		}
		high = top.Pressure
		cold := max(r.minTemp, lowestTemp)
		if cold < top.Temperature {
			bottom, err := r.BubbleAt(cold)
			if err != nil {
				return 0, 0, err
			}
			low = bottom.Pressure
		}
	}
	return low, high, nil
}

// TestCurve compares the table with the full equations in every part of every refrigerant: in the
// middle, where a cubic through both ends errs most, and at random pressures.
func TestCurve(t *testing.T) {
	t.Parallel()
	var err, slope worst
	forEach(t, sample(everyName()), func(r *Refrigerant) {
		low, high, e := curveSpan(r)
		if e != nil {
			t.Errorf("%s: %v", r.Name(), e)
			return
		}
		if from, to := r.curve.Range(); float64(from) > float64(low)*(1+1e-11) || to < high {
			t.Errorf("%s: the table covers %s to %s, not %s to %s", r.Name(), kPa(from), kPa(to), kPa(low), kPa(high))
			return
		}
		rng := rand.New(rand.NewPCG(2003, uint64(len(r.Name()))+uint64(low)))
		first, last := math.Float64bits(float64(low))>>partShift, math.Float64bits(float64(high))>>partShift
		for part := first; part <= last; part++ {
			begin := max(math.Float64frombits(part<<partShift), float64(low))
			end := min(math.Float64frombits((part+1)<<partShift), float64(high))
			for _, share := range []float64{0.5, rng.Float64(), rng.Float64(), rng.Float64()} {
				p := si.Pascal(begin + share*(end-begin))
				for _, dew := range []bool{false, true} {
					where := func() string { return fmt.Sprintf("%s at %s, dew %t", r.Name(), kPa(p), dew) }
					sol, e := r.solveAtPres(p, dew)
					if e != nil {
						t.Errorf("%s: %v", where(), e)
						continue
					}
					at := r.curve.Bubble
					if dew {
						at = r.curve.Dew
					}
					got, byP, ok := at(p)
					d := math.Abs(float64(got) - sol.Temp())
					err.add(d, where)
					slope.add(math.Abs(byP/sol.DTDP-1), where)
					if !ok || !(d <= curveLimit) {
						t.Errorf("%s: %v, ok %t, the equations give %.6f K", where(), got, ok, sol.Temp())
					}
				}
			}
		}
	})
	// The slope feeds the uncertainty, which nobody needs to better than a percent.
	if slope.value > 0.01 {
		t.Errorf("slope differs by %.2g (%s)", slope.value, slope.where)
	}
	t.Logf("%d points: the table differs by at most %.3g mK (%s), its slope by %.2g (%s)",
		err.count, 1000*err.value, err.where, slope.value, slope.where)
}

// TestCurveRises looks for what a table could do wrong at the borders of its parts.
func TestCurveRises(t *testing.T) {
	t.Parallel()
	forEach(t, sample(everyName()), func(r *Refrigerant) {
		low, high := r.curve.Range()
		for part := r.curve.bubble.base; ; part++ {
			p := math.Float64frombits(part << partShift)
			if p >= float64(high) {
				break
			}
			if p <= float64(low) {
				continue
			}
			for name, at := range map[string]func(si.Pascal) (si.Kelvin, float64, bool){"bubble": r.curve.Bubble, "dew": r.curve.Dew} {
				below, _, _ := at(si.Pascal(math.Nextafter(p, 0)))
				above, slope, ok := at(si.Pascal(p))
				if !ok || math.Abs(float64(above-below)) > 1e-9 || !(slope > 0) {
					t.Errorf("%s %s at %s: %v beside %v, slope %g, ok %t", r.Name(), name, kPa(si.Pascal(p)), below, above, slope, ok)
				}
			}
		}
		for _, p := range []si.Pascal{low, high} {
			if _, _, ok := r.curve.Bubble(p); !ok {
				t.Errorf("%s: no bubble point at the end of its range, %s", r.Name(), kPa(p))
			}
			if _, _, ok := r.curve.Dew(p); !ok {
				t.Errorf("%s: no dew point at the end of its range, %s", r.Name(), kPa(p))
			}
		}
	})
}

func TestCurveOutside(t *testing.T) {
	t.Parallel()
	c := mustLookup(t, "R-410A").Curve()
	low, high := c.Range()
	for _, p := range []si.Pascal{
		0, -1, si.Pascal(math.NaN()), si.Pascal(math.Inf(1)), si.Pascal(math.Inf(-1)),
		si.Pascal(math.Nextafter(float64(low), 0)), si.Pascal(math.Nextafter(float64(high), 1e9)),
	} {
		if v, slope, ok := c.Bubble(p); ok || v != 0 || slope != 0 {
			t.Errorf("bubble at %v: %v, %g, %t", p, v, slope, ok)
		}
		if v, slope, ok := c.Dew(p); ok || v != 0 || slope != 0 {
			t.Errorf("dew at %v: %v, %g, %t", p, v, slope, ok)
		}
	}
}

// TestNoAllocations holds the promise that a reading costs no memory.
func TestNoAllocations(t *testing.T) {
	for _, name := range []string{"R-410A", "R-454B", "R-744"} {
		r := mustLookup(t, name)
		c := r.Curve()
		p, gas, liquid := si.FromBar(15), si.FromCelsius(30), si.FromCelsius(10)
		for what, call := range map[string]func(){
			"Bubble":                func() { c.Bubble(p) },
			"Dew":                   func() { c.Dew(p) },
			"Superheat":             func() { _, _ = Superheat(r, p, gas) },
			"Subcooling":            func() { _, _ = Subcooling(r, p, liquid) },
			"DischargeSuperheat":    func() { _, _ = DischargeSuperheat(r, p, gas) },
			"CondensingTemperature": func() { _, _ = CondensingTemperature(r, p) },
			"MeasureSuperheat": func() {
				_, _ = MeasureSuperheat(r, PressureReading{p, Gauge, 100, 8000}, TemperatureReading{gas, 0.5})
			},
		} {
			if n := testing.AllocsPerRun(100, call); n != 0 {
				t.Errorf("%s of %s allocates %g times", what, name, n)
			}
		}
	}
}

// TestPrepareTime prepares every refrigerant from nothing: trace of the envelope, reference state
// and table. The promise is 100 ms; the limit leaves room for a busy machine.
func TestPrepareTime(t *testing.T) {
	const promised = 100 * time.Millisecond
	var slowest worst
	var sum time.Duration
	names := sample(everyName())
	for _, name := range names {
		best := time.Hour
		for try := 0; try < 3 && best > promised; try++ { // a busy machine gets a second chance
			start := time.Now()
			if _, err := prepare(name); err != nil {
				t.Fatal(err)
			}
			best = min(best, time.Since(start))
		}
		sum += best
		slowest.add(best.Seconds(), func() string { return name })
	}
	if slowest.value > 1 {
		t.Errorf("%s takes %.3g s to prepare", slowest.where, slowest.value)
	}
	t.Logf("%d refrigerants: %.2g ms each on average, at most %.2g ms (%s)",
		len(names), sum.Seconds()*1000/float64(len(names)), slowest.value*1000, slowest.where)
}
