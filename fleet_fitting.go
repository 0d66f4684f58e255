package dewline

import "time"

// PointFitting is what is fitted to measure one point.
type PointFitting struct {
	Point     Point
	Reference PressureReference // of a pressure; "" for everything else

	// StatedAccuracy is the limit of error as the file states it, in the point's canonical unit (K
	// for a temperature); 0 where it states none. Accuracy is what to compute with.
	StatedAccuracy float64

	Sampling Sampling
}

// PressureReference is what a pressure sensor counts from.
type PressureReference string

// The references of the contract; Gauge where none is stated.
const (
	Gauge       PressureReference = "gauge"        // vented: the air around it, which altitude and weather move
	SealedGauge PressureReference = "sealed_gauge" // always 101,325 Pa
	Absolute    PressureReference = "absolute"     // vacuum
)

// Sampling is how a point's readings are taken, as far as it is known.
type Sampling struct {
	Kind     SamplingKind  // "" where nobody has stated it
	Interval time.Duration // between readings; 0 where nobody has stated it
	Stamp    SamplingStamp // which end of its interval a mean is dated by; "" where nobody has stated it
}

// SamplingKind says whether a reading is a value at an instant or a mean over the interval.
type SamplingKind string

// The kinds of sampling of the contract.
const (
	SampledInstant SamplingKind = "instant"
	SampledMean    SamplingKind = "mean"
)

// SamplingStamp says which end of its interval a mean is dated by.
type SamplingStamp string

// The ends of an interval.
const (
	StampStart SamplingStamp = "start"
	StampEnd   SamplingStamp = "end"
)

// requiredPoints are those without which neither superheat nor subcooling exists; highSidePoints
// are those of which one is required besides.
var (
	requiredPoints = []Point{SuctionPressure, SuctionTemp, LiquidTemp}
	highSidePoints = []Point{LiquidPressure, DischargePressure}
)

// Fitted says whether the fleet file lists p for the system.
func (s *System) Fitted(p Point) bool {
	for i := range s.Points {
		if s.Points[i].Point == p {
			return true
		}
	}
	return false
}

// Fitting returns what is fitted for p. Readings of a point that the file does not list are kept
// all the same; for such a point it returns the contract's defaults.
func (s *System) Fitting(p Point) PointFitting {
	for _, f := range s.Points {
		if f.Point == p {
			return f
		}
	}
	return defaultFitting(p)
}

func defaultFitting(p Point) PointFitting {
	f := PointFitting{Point: p}
	if p.Dimension() == Pressure {
		f.Reference = Gauge
	}
	return f
}

// HighSide returns the pressure that condensing is read from: liquid pressure where it is fitted,
// or else discharge pressure, from which CoilDrop is taken.
func (s *System) HighSide() Point {
	if s.Fitted(LiquidPressure) {
		return LiquidPressure
	}
	return DischargePressure
}

// Accuracy returns the limit of error of the fitting's readings in the point's canonical unit (K
// for a temperature), to be read as a rectangular distribution, and whether the fleet file states
// it. Where it does not, the contract has a default for pressures, temperatures and humidities; for
// the rest nothing is known and the limit is 0.
func (f PointFitting) Accuracy() (limit float64, stated bool) {
	if f.StatedAccuracy > 0 {
		return f.StatedAccuracy, true
	}
	return defaultAccuracy(f.Point), false
}

// defaultAccuracy is the contract's: what common sensors and clamps hold, taken wide.
func defaultAccuracy(p Point) float64 {
	switch p {
	case LiquidPressure, DischargePressure:
		return 55_000 // Pa
	case SuctionPressure:
		return 20_000 // Pa
	case SuctionTemp, LiquidTemp, DischargeTemp:
		return 1.0 // K, a clamp on a line
	case OutdoorAirTemp, ReturnAirTemp, SupplyAirTemp, SpaceTemp:
		return 0.5 // K, a sensor in air
	case ReturnAirRH, SupplyAirRH:
		return 3 // %RH
	}
	return 0
}
