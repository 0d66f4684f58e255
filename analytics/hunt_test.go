package analytics

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"dewline"
)

// swinging is a machine that runs for some hours while superheat and the suction's dew temperature move as told.
func swinging(t *testing.T, every int, move func(min int) (heat, dew float64)) Output {
	t.Helper()
	fleet := testFleet(t)
	return analyse(t, fleet, story(t, fleet, 5*60, every, func(id dewline.SystemID, min int) (moment, bool) {
		m := quiet
		heat, dew := move(min)
		m.sh, m.evap = 9+heat, 5+dew
		return m, id == "quay/office"
	}))
}

// TestHuntingIsFound: a swing of 6 K in superheat, with the suction following, sampled each minute. Valves hunt
// every 2 to 10 minutes (common practice); of a swing that is faster than four samples its regularity is not seen.
func TestHuntingIsFound(t *testing.T) {
	for _, period := range []float64{5, 6, 8, 10} {
		for seed := range uint64(3) {
			rng := rand.New(rand.NewPCG(seed, uint64(period)))
			phase := rng.Float64()
			out := swinging(t, 1, func(min int) (heat, dew float64) {
				w := 2*math.Pi*float64(min)/period + phase
				return 3*math.Sin(w) + 0.15*rng.NormFloat64(), 0.8*math.Sin(w+0.6) + 0.1*rng.NormFloat64()
			})
			found := findingsOf(out, dewline.Hunting)
			if len(found) == 0 {
				t.Errorf("period %.0f min, seed %d: not found", period, seed)
				continue
			}
			f := found[0]
			if took := f.Detected.Sub(epoch); took > 100*time.Minute {
				t.Errorf("period %.0f min: found after %v", period, took)
			}
			if f.Severity != dewline.Watch || placeOf(f.Causes, dewline.Overfeed) != 2 {
				t.Errorf("period %.0f min: %s, %v", period, f.Severity, f.Causes)
			}
			var size, every float64
			if _, err := fmt.Sscanf(f.Evidence[0], "superheat swings by %f K every %f min", &size, &every); err != nil || math.Abs(size-6) > 1.2 || math.Abs(every-period) > 0.25*period+0.5 {
				t.Errorf("period %.0f min: told as %q", period, f.Evidence[0])
			}
		}
	}
}

// TestHuntingThatReachesLiquidIsGraver: where its troughs are all but wet, somebody has to act; a valve that swings well above that
// is worth a watch.
func TestHuntingThatReachesLiquidIsGraver(t *testing.T) {
	for _, c := range []struct {
		below float64 // K, of a mean of 9
		want  dewline.Severity
	}{{3.6, dewline.Watch}, {5.5, dewline.Soon}} {
		rng := rand.New(rand.NewPCG(5, 6))
		out := swinging(t, 1, func(min int) (heat, dew float64) {
			w := 2 * math.Pi * float64(min) / 6
			return -c.below + 2.6*math.Sin(w) + 0.15*rng.NormFloat64(), 0.8*math.Sin(w+0.6) + 0.1*rng.NormFloat64()
		})
		if found := findingsOf(out, dewline.Hunting); len(found) == 0 || found[0].Severity != c.want {
			t.Errorf("about %.1f K: found\n%s\nwant %s", 9-c.below, told(found), c.want)
		}
	}
}

// TestNoiseIsNotHunting: white noise of the same size in the clamp, in the pressure (which is in both), or in each.
func TestNoiseIsNotHunting(t *testing.T) {
	sd := 3 / math.Sqrt2 // of the swing of 6 K above
	for seed := range uint64(6) {
		rng := rand.New(rand.NewPCG(seed, 99))
		for name, move := range map[string]func(int) (float64, float64){
			"clamp":    func(int) (float64, float64) { return sd * rng.NormFloat64(), 0.1 * rng.NormFloat64() },
			"pressure": func(int) (float64, float64) { d := sd * rng.NormFloat64(); return -d, d },
			"both":     func(int) (float64, float64) { return sd * rng.NormFloat64(), 0.6 * rng.NormFloat64() },
		} {
			if found := findingsOf(swinging(t, 1, move), dewline.Hunting); len(found) != 0 {
				t.Errorf("seed %d, noise in %s: found\n%s", seed, name, told(found))
			}
		}
	}
}

// TestASlowDriftIsNotHunting, nor is a thermostat's cycle.
func TestASlowDriftIsNotHunting(t *testing.T) {
	out := swinging(t, 1, func(min int) (float64, float64) {
		return 3 * math.Sin(2*math.Pi*float64(min)/60), 0.8 * math.Sin(2*math.Pi*float64(min)/60)
	})
	if found := findingsOf(out, dewline.Hunting); len(found) != 0 {
		t.Errorf("a swing of an hour: found\n%s", told(found))
	}
}

// TestCoarseSamplingCannotShowHunting: at 5 minutes, or as means of 15, a swing of 5 minutes is anything.
func TestCoarseSamplingCannotShowHunting(t *testing.T) {
	move := func(min int) (heat, dew float64) {
		w := 2 * math.Pi * float64(min) / 12
		return 3 * math.Sin(w), 0.8 * math.Sin(w)
	}
	if found := findingsOf(swinging(t, 5, move), dewline.Hunting); len(found) != 0 {
		t.Errorf("at five minutes: found\n%s", told(found))
	}
	r := newRig("R-32", dewline.TXV, 1).means()
	if out, _ := r.run(t); len(findingsOf(out, dewline.Hunting)) != 0 {
		t.Errorf("means: found\n%s", told(out.Findings))
	}
}
