package expect

import (
	"math"

	"dewline/thermo/moistair"
	"dewline/thermo/si"
)

// The relative humidity of return air that nobody measures, in per cent.
const (
	assumedRH   = 50
	assumedRHSD = 10
)

// WetBulb returns the thermodynamic wet bulb in °C of air at a dry bulb in °C, a relative humidity in
// per cent and an absolute pressure in Pa; false where there is no such air.
func WetBulb(dryC, rh, pressurePa float64) (float64, bool) {
	if !known(dryC, rh, pressurePa) {
		return 0, false
	}
	air, err := moistair.FromRelativeHumidity(si.FromCelsius(dryC), si.Percent(rh), si.Pascal(pressurePa))
	if err != nil {
		return 0, false
	}
	return air.WetBulb().Celsius(), true
}

// normalNodes are the points and weights that integrate over a normal distribution (Gauss and
// Hermite, five points; Abramowitz and Stegun, table 25.10, scaled to a standard deviation of one).
var normalNodes = [...]struct{ at, weight float64 }{
	{0, 8.0 / 15},
	{-1.355626179974266, 0.222075922005613},
	{1.355626179974266, 0.222075922005613},
	{-2.856970013872806, 0.011257411327721},
	{2.856970013872806, 0.011257411327721},
}

// overHumidity mixes the targets of all wet bulbs that the return air may have. The mixture is valid
// when the published table holds for the middle one and for those about a deviation away; targets
// under the floor are for the caller to judge in the mean.
func overHumidity(returnC, rh, rhSD, pressurePa float64, target func(wetBulbC float64) Target) Target {
	var weight, mean, square float64
	mixed := Target{Valid: true}
	for i, node := range normalNodes {
		wetBulb, ok := WetBulb(returnC, max(0, min(rh+node.at*rhSD, 100)), pressurePa)
		t := unknown(whyCannot)
		if ok {
			t = target(wetBulb)
		}
		if math.IsInf(t.SD, 1) {
			if i == 0 {
				return t
			}
			continue
		}
		if i < 3 && !t.Valid && !t.Low && mixed.Valid {
			mixed.Valid, mixed.Why = false, t.Why
		}
		weight += node.weight
		mean += node.weight * t.Value
		square += node.weight * (t.SD*t.SD + t.Value*t.Value)
	}
	mean /= weight
	mixed.Value, mixed.SD = mean, math.Sqrt(max(square/weight-mean*mean, 0))
	return mixed
}
