package moistair

import (
	"fmt"
	"math"

	"dewline/thermo/si"
)

// Heat capacities in kJ/(kg K) and heats in kJ/kg of equations (28), (30), (33) and (35).
const (
	cpAir       = 1.006
	cpVapour    = 1.86
	evaporation = 2501.0 // at 0 °C
	sublimation = 2830.0 // at 0 °C
)

// bulb is what covers the thermometer: water or ice. Its equation says how much vapour the air
// holds whose wet bulb is tw, both written with the heat a+a1·tw that the phase change takes,
// and the sensible heat b1·tw:
//
//	W = [(a + a1 tw) Ws(tw) - 1.006 (t - tw)] / (a + 1.86 t + b1 tw)
type bulb struct {
	a, a1, b1  float64
	saturation func(tempK float64) (presPa, slopePaK float64)
}

var (
	waterBulb = bulb{evaporation, -2.326, -4.186, saturationWater} // equation (33), tw ≥ 0 °C
	iceBulb   = bulb{sublimation, -0.24, -2.1, saturationIce}      // equation (35), tw < 0 °C
)

// FromWetBulb returns the air of a dry bulb, a thermodynamic wet bulb and a total pressure. A
// wet bulb below 0 °C is that of a bulb covered with ice. It cannot be above the dry bulb, nor
// below the wet bulb of dry air.
func FromWetBulb(dryBulb, wetBulb si.Kelvin, total si.Pascal) (Air, error) {
	if err := checkBoth(dryBulb, total); err != nil {
		return Air{}, err
	}
	if !(wetBulb >= minTemp-rounding && wetBulb <= dryBulb) {
		return Air{}, fmt.Errorf("%w: wet bulb %s, valid from %s to the dry bulb, %s",
			ErrOutOfRange, celsius(wetBulb), celsius(minTemp), celsius(dryBulb))
	}
	b := &waterBulb
	if wetBulb < icePointK {
		b = &iceBulb
	}
	satPa, _ := b.saturation(float64(wetBulb))
	if satPa >= float64(total) {
		return Air{}, fmt.Errorf("%w: wet bulb %s, valid below the boiling point at %v", ErrOutOfRange, celsius(wetBulb), total)
	}
	ratio := b.ratio(float64(dryBulb), float64(wetBulb), satPa, float64(total))
	if ratio < -1e-9 { // less is rounding: a millionth of a kelvin in the wet bulb
		driest := Air{tempK: float64(dryBulb), totalPa: float64(total)}.WetBulb()
		return Air{}, fmt.Errorf("%w: wet bulb %s, valid from %s (dry air) to the dry bulb, %s",
			ErrOutOfRange, celsius(wetBulb), celsius(driest), celsius(dryBulb))
	}
	return saturatedAtMost(dryBulb, vapourPressure(max(ratio, 0), float64(total)), total)
}

// ratio returns the humidity ratio by the bulb's equation.
func (b *bulb) ratio(tempK, wetK, satPa, totalPa float64) float64 {
	tempC, wetC := tempK-icePointK, wetK-icePointK
	saturated := massRatio * satPa / (totalPa - satPa)
	return ((b.a+b.a1*wetC)*saturated - cpAir*(tempC-wetC)) / (b.a + cpVapour*tempC + b.b1*wetC)
}

// WetBulb returns the thermodynamic wet-bulb temperature, the root of equation (33), or of
// (35) with an iced bulb below 0 °C.
//
// Near 0 °C both a water bulb above and an ice bulb below can be in balance with the same air;
// which one a thermometer shows depends on its past. Water is taken where it has a root, so
// that the answer rises with humidity throughout; from the ice bulb to it is a jump, of 0.5 K
// at a dry bulb of 8 °C.
func (a Air) WetBulb() si.Kelvin {
	if a.tempK >= icePointK &&
		float64(a.HumidityRatio()) >= waterBulb.ratio(a.tempK, icePointK, icePointPa, a.totalPa) {
		return si.Kelvin(waterBulb.root(a, icePointK, a.tempK))
	}
	const belowAll = float64(minTemp) - 10 // drier than dry air at any dry bulb
	return si.Kelvin(iceBulb.root(a, belowAll, min(a.tempK, icePointK)))
}

// excess returns a function of the wet bulb that rises through zero at the root, and its
// slope. It is the vapour that the bulb's equation wants, less what the air has, multiplied by
// the denominators: nothing is divided by what may vanish as water boils or vapour is all
// there is.
func (b *bulb) excess(a Air, wetK float64) (excess, slope float64) {
	tempC, wetC := a.tempK-icePointK, wetK-icePointK
	satPa, satSlope := b.saturation(wetK)
	dryPa := a.totalPa - a.vapPa
	latent, vapour := b.a+b.a1*wetC, massRatio*a.vapPa
	taken := cpAir*(tempC-wetC)*dryPa + vapour*(b.a+cpVapour*tempC+b.b1*wetC)
	takenSlope := vapour*b.b1 - cpAir*dryPa

	excess = massRatio*latent*satPa*dryPa - taken*(a.totalPa-satPa)
	slope = massRatio*(b.a1*satPa+latent*satSlope)*dryPa - takenSlope*(a.totalPa-satPa) + taken*satSlope
	return excess, slope
}

// root finds the zero of excess between low, where it is negative, and high, where it is not.
// The function is convex, so Newton's steps come down from high without overshooting; the
// bracket is there in case that ever fails.
func (b *bulb) root(a Air, low, high float64) float64 {
	wetK := high
	for range 100 {
		excess, slope := b.excess(a, wetK)
		if excess > 0 {
			high = wetK
		} else {
			low = wetK
		}
		next := wetK - excess/slope
		if !(next >= low && next <= high) {
			next = low + (high-low)/2
		}
		if math.Abs(next-wetK) < 1e-4 { // Newton's error is squared: less than 1e-9 is left
			return next
		}
		wetK = next
	}
	return wetK
}
