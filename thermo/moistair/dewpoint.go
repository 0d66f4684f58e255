package moistair

import (
	"fmt"
	"math"

	"dewline/thermo/si"
)

var (
	lowestPa, _   = saturationIce(float64(minTemp))
	icePointPa, _ = saturationWater(icePointK)
	lnIcePoint, _ = lnWater(icePointK)
)

// DewPoint returns the temperature at which the air, cooled at constant pressure, becomes
// saturated: the dew point, or below 0 °C the frost point. Dry air has none (ErrDry), and of
// air drier than a frost point of -100 °C it is out of range.
func (a Air) DewPoint() (si.Kelvin, error) {
	if a.vapPa == 0 {
		return 0, ErrDry
	}
	if a.vapPa < lowestPa {
		return 0, fmt.Errorf("%w: vapour pressure %.3g Pa, a dew point is valid from %.3g Pa (%s)",
			ErrOutOfRange, a.vapPa, lowestPa, celsius(minTemp))
	}
	return si.Kelvin(min(saturationTemp(a.vapPa), a.tempK)), nil // rounding must not lift it above the dry bulb
}

// saturationTemp inverts saturation. ASHRAE's equations (37) and (38) for the dew point are fits
// of their own, which would not lead back to the same vapour pressure. A few Newton steps on
// its logarithm, a smooth and slightly bent curve, give the exact inverse at the same price.
func saturationTemp(vapPa float64) float64 {
	ln := math.Log(vapPa)
	if ln >= lnIcePoint {
		return invert(lnWater, ln, magnus(ln, 17.62, 243.12))
	}
	// Between saturation over ice and over water at 0 °C lie 0.06 Pa that neither covers.
	return min(invert(lnIce, ln, magnus(ln, 22.46, 272.62)), icePointK)
}

// magnus estimates where ln p is reached by the Magnus form, with its factor and temperature
// in °C as in WMO-No. 8, annex 4.B (from memory). It is within 0.5 K from -40 to 60 °C and
// good enough to start from everywhere.
func magnus(ln, factor, offsetC float64) float64 {
	x := ln - 6.4156 // ln 611.2
	return icePointK + offsetC*x/(factor-x)
}

func invert(lnPres func(float64) (ln, slope float64), ln, tempK float64) float64 {
	for range 10 { // four are enough; the bound is for those who change the estimate
		at, slope := lnPres(tempK)
		step := (ln - at) / slope
		tempK += step
		if math.Abs(step) < 1e-4 { // Newton's error is squared: less than 1e-9 is left
			break
		}
	}
	return tempK
}
