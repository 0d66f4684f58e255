package plant

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The promise: on 200 random direct solutions superheat within 0.2 K, pressures within 0.5 %.
func TestChartAgainstSolver(t *testing.T) {
	for name, spec := range archetypes {
		m := design(t, spec)
		rng := rand.New(rand.NewPCG(11, 7))
		varies := Faults{Charge: 1}
		if spec.Cold {
			varies.Frost = 1
		}
		ch := m.NewChart(varies, false)
		var worstK, worstShare float64
		solved := 0
		for range 200 {
			c := Conditions{OutdoorC: -10 + 60*rng.Float64(), IndoorC: 15 + 17*rng.Float64()}
			if spec.Cold {
				c.IndoorC = spec.RatedIndoorC - 4 + 9*rng.Float64()
			}
			c.OutdoorRatio = m.air.ratioAt(c.OutdoorC, outdoorRH)
			c.IndoorRatio = m.air.ratioAt(c.IndoorC, 20+60*rng.Float64())
			c.Faults.Charge = -0.3 + 0.45*rng.Float64()
			if spec.Cold {
				c.Faults.Frost = 0.5 * rng.Float64()
			}
			want, err := m.Solve(c)
			got, errChart := ch.At(c)
			if err != nil || errChart != nil {
				continue
			}
			solved++
			worstK = max(worstK, math.Abs(got.SuperheatK-want.SuperheatK))
			for _, p := range [][2]float64{{got.SuctionPa, want.SuctionPa}, {got.LiquidPa, want.LiquidPa}, {got.DischargePa, want.DischargePa}} {
				worstShare = max(worstShare, math.Abs(p[0]/p[1]-1))
			}
		}
		t.Logf("%s: of %d, superheat within %.3f K, pressures within %.3f %%", name, solved, worstK, 100*worstShare)
		if worstK > 0.2 || worstShare > 0.005 || solved < 150 {
			t.Errorf("%s: of %d, superheat within %.3f K (want 0.2), pressures within %.3f %% (want 0.5)", name, solved, worstK, 100*worstShare)
		}
	}
}
