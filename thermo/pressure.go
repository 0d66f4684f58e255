package thermo

import (
	"fmt"
	"math"

	"dewline/thermo/moistair"
	"dewline/thermo/si"
)

// PressureReference is what a pressure sensor counts from.
type PressureReference uint8

// The references of pressure sensors.
const (
	Gauge       PressureReference = iota // vented: from the air around the sensor
	SealedGauge                          // from 101,325 Pa sealed in at the factory
	Absolute                             // from vacuum
)

// String returns the reference in the words of the fleet file.
func (p PressureReference) String() string {
	switch p {
	case Gauge:
		return "gauge"
	case SealedGauge:
		return "sealed_gauge"
	case Absolute:
		return "absolute"
	}
	return "unknown reference"
}

// AmbientPressure returns what a sensor of the reference counts from at a site's altitude: the
// standard atmosphere of ISO 2533 (ICAO) for a vented gauge.
func AmbientPressure(ref PressureReference, altitude si.Metre) (si.Pascal, error) {
	switch ref {
	case Gauge:
		return moistair.StandardPressure(altitude)
	case SealedGauge:
		return atmosphere, nil
	case Absolute:
		return 0, nil
	}
	return 0, fmt.Errorf("unknown pressure reference %d", ref)
}

// AbsolutePressure makes a sensor's reading absolute. A reading below vacuum is refused.
func AbsolutePressure(reading si.Pascal, ref PressureReference, altitude si.Metre) (si.Pascal, error) {
	ambient, err := AmbientPressure(ref, altitude)
	if err != nil {
		return 0, err
	}
	abs := reading + ambient
	if !(abs > 0) || math.IsInf(float64(abs), 0) {
		return 0, fmt.Errorf("%w: %s pressure %s is below vacuum: expected more than %s", ErrOutOfRange, ref, kPa(reading), kPa(-ambient))
	}
	return abs, nil
}

// weather is by how much the air pressure at a place commonly departs from the standard atmosphere
// of its altitude, read as the limits of a rectangular distribution (common practice).
const weather si.Pascal = 2000
