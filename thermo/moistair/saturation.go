package moistair

import (
	"math"

	"dewline/thermo/si"
)

// The range of Hyland and Wexler's equations.
const (
	minTemp = si.Kelvin(173.15) // -100 °C
	maxTemp = si.Kelvin(473.15) // 200 °C
)

const icePointK = 273.15

// SaturationPressure returns the pressure of water vapour in equilibrium with water, or below
// 0 °C with ice, from -100 to 200 °C.
func SaturationPressure(t si.Kelvin) (si.Pascal, error) {
	if err := checkTemp("temperature", t); err != nil {
		return 0, err
	}
	presPa, _ := saturation(float64(t))
	return si.Pascal(presPa), nil
}

// saturation returns the saturation pressure and its slope: over water from 0 °C on, below it
// over ice. The two differ by 0.06 Pa at 0 °C.
func saturation(tempK float64) (presPa, slopePaK float64) {
	if tempK >= icePointK {
		return saturationWater(tempK)
	}
	return saturationIce(tempK)
}

func saturationWater(tempK float64) (presPa, slopePaK float64) {
	ln, slope := lnWater(tempK)
	presPa = math.Exp(ln)
	return presPa, presPa * slope
}

func saturationIce(tempK float64) (presPa, slopePaK float64) {
	ln, slope := lnIce(tempK)
	presPa = math.Exp(ln)
	return presPa, presPa * slope
}

// lnWater returns the logarithm of the saturation pressure in Pa over water, and its
// derivative: Hyland and Wexler 1983, equation (6), 0 to 200 °C.
func lnWater(tempK float64) (ln, slope float64) {
	const (
		c8  = -5.8002206e3
		c9  = 1.3914993
		c10 = -4.8640239e-2
		c11 = 4.1764768e-5
		c12 = -1.4452093e-8
		c13 = 6.5459673
	)
	inv := 1 / tempK
	ln = c8*inv + c9 + tempK*(c10+tempK*(c11+tempK*c12)) + c13*math.Log(tempK)
	slope = (c13-c8*inv)*inv + c10 + tempK*(2*c11+tempK*3*c12)
	return ln, slope
}

// lnIce is lnWater over ice: equation (5), -100 to 0 °C.
func lnIce(tempK float64) (ln, slope float64) {
	const (
		c1 = -5.6745359e3
		c2 = 6.3925247
		c3 = -9.677843e-3
		c4 = 6.2215701e-7
		c5 = 2.0747825e-9
		c6 = -9.484024e-13
		c7 = 4.1635019
	)
	inv := 1 / tempK
	ln = c1*inv + c2 + tempK*(c3+tempK*(c4+tempK*(c5+tempK*c6))) + c7*math.Log(tempK)
	slope = (c7-c1*inv)*inv + c3 + tempK*(2*c4+tempK*(3*c5+tempK*4*c6))
	return ln, slope
}
