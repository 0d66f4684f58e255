package analytics

import (
	"testing"

	"dewline"
	"dewline/analytics/cycle"
)

// TestPerformanceFollowsItsMeans: what is kept of a performance is that of the means and of the machine there are now.
func TestPerformanceFollowsItsMeans(t *testing.T) {
	machine := func(refrigerant string) *cycle.Machine {
		m, err := cycle.NewMachine(&dewline.System{ID: "quay/hall", Refrigerant: refrigerant}, &dewline.Site{ID: "quay"})
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	y := newSystem(DefaultOptions())
	var before cycle.Performance
	for _, m := range []*cycle.Machine{machine("R-410A"), machine("R-32")} {
		for _, dischargeC := range []float64{70, 80, 80} {
			y.machine = m
			y.Means = cycle.Means{SuctionPressurePa: cycle.Measured(900e3), HighPressurePa: cycle.Measured(2400e3), SuctionC: cycle.Measured(14), LiquidC: cycle.Measured(32),
				DischargeC: cycle.Measured(dischargeC), PowerW: cycle.Measured(2000)}
			for range 2 {
				if got, want := y.performance(), m.Performance(y.Means); got != want || !got.Flow.OK() {
					t.Errorf("%+v, not %+v", got, want)
				}
			}
		}
		if y.performance() == before {
			t.Error("another machine does the same")
		}
		before = y.performance()
	}
}
