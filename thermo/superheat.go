package thermo

import "dewline/thermo/si"

// Superheat returns how far the suction gas is above its dew point at the same place.
//
// It takes absolute pressure (see AbsolutePressure for gauge readings). It uses the dew point
// because a blend boils over a range: the bubble point would overstate the result by the glide. A
// negative result is returned as it is: it means wet gas or a wrong sensor, and which of the two
// is for the caller to judge.
//
// The error names the refrigerant, the value and the valid range.
func Superheat(r *Refrigerant, suction si.Pascal, gas si.Kelvin) (si.DeltaK, error) {
	dew, _, ok := r.curve.Dew(suction)
	if !ok {
		return 0, r.curveError(suction)
	}
	if err := r.checkTemp(gas); err != nil {
		return 0, err
	}
	return gas.Sub(dew), nil
}

// Subcooling returns how far the liquid is below its bubble point at the same place. A negative
// result means flash gas or a wrong sensor.
//
// Above the critical pressure there is no bubble point: the error is ErrTranscritical.
func Subcooling(r *Refrigerant, pressure si.Pascal, liquid si.Kelvin) (si.DeltaK, error) {
	bubble, _, ok := r.curve.Bubble(pressure)
	if !ok {
		return 0, r.curveError(pressure)
	}
	if err := r.checkTemp(liquid); err != nil {
		return 0, err
	}
	return bubble.Sub(liquid), nil
}

// DischargeSuperheat returns how far the discharge gas is above its dew point at the discharge
// pressure. A low value tells of liquid reaching the compressor. Above the critical pressure the
// error is ErrTranscritical.
func DischargeSuperheat(r *Refrigerant, discharge si.Pascal, gas si.Kelvin) (si.DeltaK, error) {
	return Superheat(r, discharge, gas)
}

// CondensingTemperature returns the mean of bubble and dew temperature at the high-side pressure.
// Above the critical pressure the error is ErrTranscritical.
func CondensingTemperature(r *Refrigerant, pressure si.Pascal) (si.Kelvin, error) {
	bubble, _, ok := r.curve.Bubble(pressure)
	dew, _, okDew := r.curve.Dew(pressure)
	if !ok || !okDew {
		return 0, r.curveError(pressure)
	}
	return (bubble + dew) / 2, nil
}

func (r *Refrigerant) curveError(p si.Pascal) error {
	low, high := r.curve.Range()
	return r.pressureError(p, low, high)
}

// checkTemp refuses line temperatures that no working sensor reports, so that a wild number does
// not become a wild superheat. The limits are those of the instruments, not of the equations.
func (r *Refrigerant) checkTemp(t si.Kelvin) error {
	const low, high si.Kelvin = 73.15, 773.15
	if !(t >= low && t <= high) {
		return r.temperatureError(t, low, high)
	}
	return nil
}
