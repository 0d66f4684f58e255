package moistair

import (
	"errors"
	"fmt"

	"dewline/thermo/si"
)

// ErrOutOfRange is wrapped by every error about an argument that is outside the range where
// the equations hold, or that describes air that cannot exist.
var ErrOutOfRange = errors.New("moist air: out of range")

// ErrDry is returned for the dew point of air without any vapour: cooling never makes it wet.
var ErrDry = errors.New("moist air: dry air has no dew point")

// The total pressures that are accepted: from above the standard atmosphere's tropopause to
// where the perfect gas begins to fail. A barometer reads less than a third of this span; a
// gauge pressure passed by mistake falls out of it.
const (
	minPressure = si.Pascal(10e3)
	maxPressure = si.Pascal(200e3)
)

// rounding forgives what -100 °C loses on its way to Kelvin.
const rounding = 1e-9

// The comparisons in the checks are written so that NaN fails them.

func checkTemp(what string, t si.Kelvin) error {
	if !(t >= minTemp-rounding && t <= maxTemp+rounding) {
		return fmt.Errorf("%w: %s %s, valid from %s to %s", ErrOutOfRange, what, celsius(t), celsius(minTemp), celsius(maxTemp))
	}
	return nil
}

func checkPressure(p si.Pascal) error {
	if !(p >= minPressure && p <= maxPressure) {
		return fmt.Errorf("%w: total pressure %v, valid from %v to %v absolute", ErrOutOfRange, p, minPressure, maxPressure)
	}
	return nil
}

// checkBoth checks what every From function is given.
func checkBoth(dryBulb si.Kelvin, total si.Pascal) error {
	if err := checkTemp("dry bulb", dryBulb); err != nil {
		return err
	}
	return checkPressure(total)
}

func celsius(t si.Kelvin) string { return fmt.Sprintf("%.6g °C", t.Celsius()) }
