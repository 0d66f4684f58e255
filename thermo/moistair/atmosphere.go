package moistair

import (
	"fmt"
	"math"

	"dewline/thermo/si"
)

// StandardPressure returns the pressure of the standard atmosphere at an altitude of -1000 to
// 11 000 m: ISO 2533 = ICAO Doc 7488, also equation (3). The weather is not in it; a real
// barometer moves by some 2 kPa about it.
//
// The standard counts geopotential metres. Taking a surveyed altitude for one is wrong by 1 m, or
// 9 Pa, at 2500 m, and by less below.
func StandardPressure(altitude si.Metre) (si.Pascal, error) {
	const (
		lowest, highest = si.Metre(-1000), si.Metre(11000)

		seaLevelPa    = 101325.0
		seaLevelK     = 288.15
		lapseKPerM    = 0.0065
		gravity       = 9.80665
		gasConstant   = 287.05287                            // J/(kg K), the standard's own
		lapsePerMetre = lapseKPerM / seaLevelK               // 2.25577e-5
		exponent      = gravity / (gasConstant * lapseKPerM) // 5.25588
	)
	if !(altitude >= lowest && altitude <= highest) {
		return 0, fmt.Errorf("%w: altitude %v, valid from %v to %v", ErrOutOfRange, altitude, lowest, highest)
	}
	return si.Pascal(seaLevelPa * math.Pow(1-lapsePerMetre*float64(altitude), exponent)), nil
}
