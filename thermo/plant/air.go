package plant

import (
	"math"

	"dewline/thermo/moistair"
	"dewline/thermo/si"
)

// airTable is saturated air at one barometric pressure: the wet coil asks for it in every step of a
// solution. It is made from package moistair, over water and, below 0 °C, over ice.
type airTable struct {
	pressurePa float64
	ratio      []float64 // kg/kg at saturation, every airStepK from airLowC
}

const (
	airLowC  = -50.0
	airTopC  = 62.0
	airStepK = 0.5
	cpAir    = 1006.0   // J/kgK dry air
	cpSteam  = 1860.0   // J/kgK
	hSteam   = 2501.0e3 // J/kg of vapour at 0 °C
)

func newAirTable(pressurePa float64) (*airTable, error) {
	a := &airTable{pressurePa: pressurePa}
	for c := airLowC; c <= airTopC; c += airStepK {
		s, err := moistair.FromRelativeHumidity(si.FromCelsius(c), 100, si.Pascal(pressurePa))
		if err != nil {
			return nil, err
		}
		a.ratio = append(a.ratio, float64(s.HumidityRatio()))
	}
	return a, nil
}

// sat returns the humidity ratio of saturated air and its slope.
func (a *airTable) sat(tC float64) (w, dw float64) {
	x := (min(max(tC, airLowC), airTopC-1) - airLowC) / airStepK
	i := min(int(x), len(a.ratio)-2)
	t := x - float64(i)
	d0 := (a.ratio[i+1] - a.ratio[max(i-1, 0)]) / float64(i+1-max(i-1, 0))
	hi := min(i+2, len(a.ratio)-1)
	d1 := (a.ratio[hi] - a.ratio[i]) / float64(hi-i)
	r := a.ratio[i+1] - a.ratio[i]
	t2, t3 := t*t, t*t*t
	w = a.ratio[i] + (3*t2-2*t3)*r + (t3-2*t2+t)*d0 + (t3-t2)*d1
	dw = (6*(t-t2)*r + (3*t2-4*t+1)*d0 + (3*t2-2*t)*d1) / airStepK
	return w, dw
}

// enthalpy returns that of moist air, per kilogram of dry air.
func enthalpy(tC, w float64) float64 { return cpAir*tC + w*(hSteam+cpSteam*tC) }

// satEnthalpy returns the enthalpy of saturated air and its slope in J/kgK.
func (a *airTable) satEnthalpy(tC float64) (h, dh float64) {
	w, dw := a.sat(tC)
	return enthalpy(tC, w), cpAir + w*cpSteam + dw*(hSteam+cpSteam*tC)
}

// satTemperature returns the temperature of saturated air of an enthalpy, which is also very nearly the
// wet bulb of any air of that enthalpy.
func (a *airTable) satTemperature(h float64) float64 {
	t := 10.0
	for range 30 {
		e, d := a.satEnthalpy(t)
		step := min(max((h-e)/d, -15), 15)
		t = min(max(t+step, airLowC), airTopC-1)
		if math.Abs(step) < 1e-9 {
			break
		}
	}
	return t
}

// ratioAt returns the humidity ratio at a relative humidity in %.
func (a *airTable) ratioAt(tC, rh float64) float64 {
	w, _ := a.sat(tC)
	pw := rh / 100 * w * a.pressurePa / (0.621945 + w)
	return 0.621945 * pw / (a.pressurePa - pw)
}

// relative returns the relative humidity in % of air with a humidity ratio.
func (a *airTable) relative(tC, ratio float64) float64 {
	w, _ := a.sat(tC)
	return min(100*ratio/(0.621945+ratio)*(0.621945+w)/w, 100)
}

// densityKgM3 is that of dry air in moist air.
func (a *airTable) densityKgM3(tC, w float64) float64 {
	return a.pressurePa / (287.042 * (tC + 273.15) * (1 + 1.607858*w))
}
