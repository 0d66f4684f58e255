package moistair

import (
	"fmt"
	"math"

	"dewline/thermo/si"
)

// Air is moist air in one state. Make it with a From function; the zero Air is no air.
//
// Humidity is kept as vapour pressure and not as humidity ratio, which has no bound as the
// vapour comes to be all there is.
type Air struct {
	tempK   float64 // dry bulb
	totalPa float64
	vapPa   float64 // 0 ≤ vapPa < totalPa, and at most the saturation pressure
}

// massRatio is that of the molar masses of water and dry air, equation (20).
const massRatio = 0.621945

// FromRelativeHumidity returns the air of a dry bulb of -100 to 200 °C, a relative humidity of
// 0 to 100 %, and a total pressure of 10 to 200 kPa absolute. The relative humidity is that to
// ice where the dry bulb is below 0 °C.
func FromRelativeHumidity(dryBulb si.Kelvin, rh si.Percent, total si.Pascal) (Air, error) {
	if err := checkBoth(dryBulb, total); err != nil {
		return Air{}, err
	}
	if !(rh >= 0 && rh <= 100) {
		return Air{}, fmt.Errorf("%w: relative humidity %v, valid from 0 %% to 100 %%", ErrOutOfRange, rh)
	}
	satPa, _ := saturation(float64(dryBulb))
	return withVapour(dryBulb, float64(rh)/100*satPa, total) // equation (22)
}

// FromHumidityRatio returns the air of a dry bulb, a mass of vapour per mass of dry air, and a
// total pressure. More vapour than saturates the air is refused.
func FromHumidityRatio(dryBulb si.Kelvin, ratio si.KilogramPerKilogram, total si.Pascal) (Air, error) {
	if err := checkBoth(dryBulb, total); err != nil {
		return Air{}, err
	}
	if !(ratio >= 0 && !math.IsInf(float64(ratio), 1)) {
		return Air{}, fmt.Errorf("%w: humidity ratio %v, valid from 0 kg/kg to saturation", ErrOutOfRange, ratio)
	}
	return saturatedAtMost(dryBulb, vapourPressure(float64(ratio), float64(total)), total)
}

// FromDewPoint returns the air of a dry bulb, a dew point at or below it (a frost point below
// 0 °C), and a total pressure.
func FromDewPoint(dryBulb, dewPoint si.Kelvin, total si.Pascal) (Air, error) {
	if err := checkBoth(dryBulb, total); err != nil {
		return Air{}, err
	}
	if !(dewPoint >= minTemp-rounding && dewPoint <= dryBulb) {
		return Air{}, fmt.Errorf("%w: dew point %s, valid from %s to the dry bulb, %s",
			ErrOutOfRange, celsius(dewPoint), celsius(minTemp), celsius(dryBulb))
	}
	vapPa, _ := saturation(float64(dewPoint))
	return withVapour(dryBulb, vapPa, total)
}

// saturatedAtMost is withVapour for a vapour pressure that may be more than the air can hold.
// A part in 10^9 too much is the rounding of whoever computed it.
func saturatedAtMost(dryBulb si.Kelvin, vapPa float64, total si.Pascal) (Air, error) {
	satPa, _ := saturation(float64(dryBulb))
	if vapPa > satPa*(1+1e-9) {
		return Air{}, fmt.Errorf("%w: vapour pressure %.6g Pa, at %s valid from 0 Pa to saturation at %.6g Pa",
			ErrOutOfRange, vapPa, celsius(dryBulb), satPa)
	}
	return withVapour(dryBulb, min(vapPa, satPa), total)
}

// withVapour makes the air, provided that vapour is not all there is. In hot air it can be:
// at 120 °C saturation is at twice the atmosphere.
func withVapour(dryBulb si.Kelvin, vapPa float64, total si.Pascal) (Air, error) {
	if vapPa >= float64(total) {
		return Air{}, fmt.Errorf("%w: vapour pressure %.6g Pa, valid from 0 Pa to below the total pressure, %v", ErrOutOfRange, vapPa, total)
	}
	return Air{tempK: float64(dryBulb), totalPa: float64(total), vapPa: vapPa}, nil
}

// DryBulb returns the temperature of the air.
func (a Air) DryBulb() si.Kelvin { return si.Kelvin(a.tempK) }

// Pressure returns the total pressure.
func (a Air) Pressure() si.Pascal { return si.Pascal(a.totalPa) }

// VapourPressure returns the partial pressure of the water vapour.
func (a Air) VapourPressure() si.Pascal { return si.Pascal(a.vapPa) }

// RelativeHumidity returns the vapour pressure as a share of that at saturation, equation (22):
// over ice where the dry bulb is below 0 °C.
func (a Air) RelativeHumidity() si.Percent {
	satPa, _ := saturation(a.tempK)
	return si.Percent(min(100*a.vapPa/satPa, 100))
}

// HumidityRatio returns the mass of vapour per mass of dry air, equation (20).
func (a Air) HumidityRatio() si.KilogramPerKilogram {
	return si.KilogramPerKilogram(massRatio * a.vapPa / (a.totalPa - a.vapPa))
}

// vapourPressure is the inverse of HumidityRatio, equation (36).
func vapourPressure(ratio, totalPa float64) float64 { return totalPa * ratio / (massRatio + ratio) }

// Enthalpy returns the enthalpy per kilogram of dry air, equation (30). It is zero for dry air
// and for liquid water at 0 °C.
func (a Air) Enthalpy() si.JoulePerKilogram {
	tempC := a.tempK - icePointK
	return si.JoulePerKilogram(1000 * (cpAir*tempC + float64(a.HumidityRatio())*(evaporation+cpVapour*tempC)))
}

// SpecificVolume returns the volume per kilogram of dry air, equation (26).
func (a Air) SpecificVolume() si.CubicMetrePerKilogram {
	const gasConstant = 287.042 // J/(kg K) of dry air, equation (1)
	return si.CubicMetrePerKilogram(gasConstant * a.tempK / (a.totalPa - a.vapPa))
}
