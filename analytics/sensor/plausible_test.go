package sensor_test

import (
	"math"
	"testing"

	"dewline"
	"dewline/analytics/cycle"
	"dewline/analytics/sensor"
)

// TestPlausible: what machines do reach is plausible (pressure switches open at 4.2 MPa with R-410A and
// 14 MPa with carbon dioxide, common practice), what only a broken wire or another unit gives is not.
func TestPlausible(t *testing.T) {
	for _, c := range []struct {
		refrigerant string
		kind        dewline.Kind
		p           dewline.Point
		value       float64
		want        bool
	}{
		{"R-410A", dewline.SplitAC, dewline.LiquidPressure, 4.3e6, true},
		{"R-410A", dewline.SplitAC, dewline.LiquidPressure, 2.5e6 * 6.894757, false}, // kPa taken for psi
		{"R-410A", dewline.SplitAC, dewline.LiquidPressure, 2.5e6 * 10, false},
		{"R-410A", dewline.SplitAC, dewline.SuctionPressure, 0.8e6 * 14.50377, false},
		{"R-410A", dewline.SplitAC, dewline.SuctionPressure, 0.8e6 * 100, false},
		{"R-410A", dewline.SplitAC, dewline.SuctionPressure, -101_000, true}, // evacuated
		{"R-410A", dewline.SplitAC, dewline.SuctionPressure, -800_000, false},
		{"R-134a", dewline.WalkInCooler, dewline.SuctionPressure, -40_000, true},
		{"R-134a", dewline.WalkInCooler, dewline.LiquidPressure, 2.4e6, true},
		{"R-134a", dewline.WalkInCooler, dewline.LiquidPressure, 1e6 * 6.894757, false},
		{"R-744", dewline.DisplayCase, dewline.DischargePressure, 13.5e6, true},
		{"R-744", dewline.DisplayCase, dewline.DischargePressure, 9e6 * 6.894757, false},
		{"R-410A", dewline.SplitAC, dewline.SuctionTemp, -127, false},
		{"R-410A", dewline.SplitAC, dewline.SuctionTemp, -40, false},
		{"R-410A", dewline.SplitAC, dewline.SuctionTemp, 283, false}, // kelvin
		{"R-449A", dewline.WalkInFreezer, dewline.SuctionTemp, -41, true},
		{"R-410A", dewline.SplitAC, dewline.LiquidTemp, 85, false},
		{"R-410A", dewline.SplitAC, dewline.DischargeTemp, 135, true},
		{"R-410A", dewline.SplitAC, dewline.OutdoorAirTemp, 48, true},
		{"R-410A", dewline.SplitAC, dewline.OutdoorAirTemp, 86, false}, // degrees Fahrenheit
		{"R-410A", dewline.SplitAC, dewline.ReturnAirTemp, 75, false},
		{"R-410A", dewline.SplitAC, dewline.ReturnAirRH, 103, true},
		{"R-410A", dewline.SplitAC, dewline.ReturnAirRH, 130, false},
		{"R-410A", dewline.SplitAC, dewline.CompressorPower, 3000, true},
		{"R-410A", dewline.SplitAC, dewline.LiquidTemp, math.NaN(), false},
		{"R-410A", dewline.SplitAC, dewline.CompressorOn, 1, true},
	} {
		sys := &dewline.System{ID: "quay/hall", Refrigerant: c.refrigerant, Kind: c.kind}
		m, err := cycle.NewMachine(sys, &dewline.Site{ID: "quay"})
		if err != nil {
			t.Fatal(err)
		}
		if got := sensor.Plausible(m, c.p, c.value); got != c.want {
			t.Errorf("%s, %s %g: %v, want %v", c.refrigerant, c.p, c.value, got, c.want)
		}
	}
}
