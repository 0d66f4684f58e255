package thermo

import (
	"math"

	"dewline/thermo/si"
)

// StandardUncertainty returns the standard uncertainty (k = 1) that belongs to stated accuracy
// limits +-a, read as a rectangular distribution: a/sqrt(3), JCGM 100:2008 (GUM) 4.3.7. Of limits
// that are not a number nothing is known: the uncertainty is infinite.
func StandardUncertainty[T ~float64](limits T) T {
	if math.IsNaN(float64(limits)) {
		return T(math.Inf(1))
	}
	return T(math.Abs(float64(limits)) / math.Sqrt(3))
}

// PressureReading is what a pressure sensor says and how well.
type PressureReading struct {
	Reading   si.Pascal // as the sensor sends it
	Reference PressureReference
	Altitude  si.Metre  // of the site
	Accuracy  si.Pascal // limits of error, +-
}

// Absolute returns the absolute pressure and its standard uncertainty. The weather adds to the
// uncertainty of a vented gauge.
func (m PressureReading) Absolute() (p, u si.Pascal, err error) {
	p, err = AbsolutePressure(m.Reading, m.Reference, m.Altitude)
	if err != nil {
		return 0, 0, err
	}
	u = m.Uncertainty()
	if math.IsNaN(float64(u)) || math.IsInf(float64(u), 0) {
		return 0, 0, errAccuracy("pressure", float64(m.Accuracy))
	}
	return p, u, nil
}

// Uncertainty returns the standard uncertainty of the absolute pressure.
func (m PressureReading) Uncertainty() si.Pascal {
	u := StandardUncertainty(m.Accuracy)
	if m.Reference == Gauge {
		u = si.Pascal(math.Hypot(float64(u), float64(StandardUncertainty(weather))))
	}
	return u
}

// TemperatureReading is what a temperature sensor says and how well.
type TemperatureReading struct {
	Reading  si.Kelvin
	Accuracy si.DeltaK // limits of error, +-
}

// Measured is a superheat or subcooling with its standard uncertainty and the steps to it.
type Measured struct {
	Value       si.DeltaK
	Uncertainty si.DeltaK // standard, k = 1
	Absolute    si.Pascal // absolute pressure
	AbsoluteU   si.Pascal // its standard uncertainty
	Saturation  si.Kelvin // dew for superheat, bubble for subcooling
	Slope       float64   // of the saturation line, K/Pa
}

// MeasureSuperheat returns superheat and its standard uncertainty by first-order propagation
// (GUM 5.1.2): the pressure's uncertainty times dT/dp of the dew line, and the temperature's.
func MeasureSuperheat(r *Refrigerant, suction PressureReading, gas TemperatureReading) (Measured, error) {
	return r.measure(suction, gas, true)
}

// MeasureSubcooling is MeasureSuperheat for the liquid line and the bubble line.
func MeasureSubcooling(r *Refrigerant, pressure PressureReading, liquid TemperatureReading) (Measured, error) {
	return r.measure(pressure, liquid, false)
}

func (r *Refrigerant) measure(pressure PressureReading, line TemperatureReading, superheat bool) (Measured, error) {
	p, u, err := pressure.Absolute()
	if err != nil {
		return Measured{}, err
	}
	m := Measured{Absolute: p, AbsoluteU: u}
	if superheat {
		m.Value, err = Superheat(r, p, line.Reading)
		m.Saturation, m.Slope, _ = r.curve.Dew(p)
	} else {
		m.Value, err = Subcooling(r, p, line.Reading)
		m.Saturation, m.Slope, _ = r.curve.Bubble(p)
	}
	if err != nil {
		return Measured{}, err
	}
	m.Uncertainty = si.DeltaK(math.Hypot(m.Slope*float64(u), float64(StandardUncertainty(line.Accuracy))))
	if math.IsNaN(float64(m.Uncertainty)) || math.IsInf(float64(m.Uncertainty), 0) {
		return Measured{}, errAccuracy("temperature", float64(line.Accuracy))
	}
	return m, nil
}
