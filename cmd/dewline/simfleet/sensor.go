package simfleet

import (
	"math"
	"math/rand/v2"

	"dewline"
	"dewline/thermo/plant"
)

// SensorFault is what is wrong with one sensor from a time on.
type SensorFault struct {
	Point dewline.Point
	Kind  SensorFaultKind
	Size  float64 // K or Pa; per day for a drift; the share of the air's temperature for a clamp
	From  dewline.Millis
	Until dewline.Millis // 0: it stays
}

// SensorFaultKind is how a sensor is wrong.
type SensorFaultKind string

// The faults of sensors.
const (
	SensorOffset  SensorFaultKind = "offset"
	SensorDrift   SensorFaultKind = "drift"
	SensorStuck   SensorFaultKind = "stuck"
	SensorNoise   SensorFaultKind = "noise"
	ClampOff      SensorFaultKind = "clamp_off"
	ClampsSwapped SensorFaultKind = "clamps_swapped" // suction and liquid
	OpenCircuit   SensorFaultKind = "open_circuit"   // it sends nothing
	ZeroShift     SensorFaultKind = "zero_shift"     // an offset of a pressure transducer
	UnitFactor    SensorFaultKind = "unit_factor"    // the gateway's: the value is sent as another unit's; Size is the factor
)

// sensor turns the truth into a reading: an error of its own that stays, noise, and steps.
type sensor struct {
	point  dewline.Point
	offset float64
	gain   float64
	noise  float64
	step   float64
	gauge  bool
	air    float64 // share of the surrounding air's temperature that a clamp reads
	faults []sensorFault
}

// sensorFault is a fault of the sensor with what it has been stuck at.
type sensorFault struct {
	SensorFault
	held    float64
	holding bool
}

// wrong returns the fault that a sensor has at a time, nil if none.
func (s *sensor) wrong(at dewline.Millis) *sensorFault {
	for i := range s.faults {
		if f := &s.faults[i]; at >= f.From && (f.Until == 0 || at < f.Until) {
			return f
		}
	}
	return nil
}

// newSensor draws a sensor within its accuracy, of which sigma is the share that is one standard deviation.
func newSensor(f dewline.PointFitting, rng *rand.Rand, noisy, sigma float64) sensor {
	accuracy, _ := f.Accuracy()
	s := sensor{point: f.Point, offset: sigma * accuracy * max(min(rng.NormFloat64(), 2.2), -2.2), gain: 1}
	switch f.Point.Dimension() {
	case dewline.Pressure:
		s.noise, s.step, s.gauge = 0.12*accuracy, 500, f.Reference != dewline.Absolute
	case dewline.Temperature:
		s.noise, s.step = 0.06, 0.1
	case dewline.Humidity:
		s.noise, s.step = 0.4, 0.5
	case dewline.Power:
		s.offset, s.gain, s.noise, s.step = 0, 1+0.01*rng.NormFloat64(), 6, 1
	case dewline.Current:
		s.offset, s.noise, s.step = 0, 0.04, 0.1
	case dewline.Percent:
		s.offset, s.step = 0, 1
	}
	if f.Point == dewline.SuctionTemp || f.Point == dewline.LiquidTemp || f.Point == dewline.DischargeTemp {
		s.air = 0.015 + 0.01*rng.Float64() // even a good clamp under insulation
	}
	s.noise *= noisy
	return s
}

// read returns what the sensor sends, and false where it sends nothing.
func (s *sensor) read(n *plant.Now, at dewline.Millis, rng *rand.Rand) (float64, bool) {
	point, air := s.point, s.air
	f := s.wrong(at)
	if f != nil {
		switch f.Kind {
		case OpenCircuit:
			return 0, false
		case ClampsSwapped:
			if point == dewline.SuctionTemp {
				point = dewline.LiquidTemp
			} else {
				point = dewline.SuctionTemp
			}
		case ClampOff:
			air = f.Size
		}
	}
	v, ok := truth(n, point)
	if !ok {
		return 0, false
	}
	if air > 0 {
		around := n.OutdoorC
		if point == dewline.SuctionTemp {
			around = n.LineC
		}
		v += air * (around - v)
	}
	if s.gauge {
		v -= n.AmbientPa
	}
	v = v*s.gain + s.offset
	noise := s.noise
	if f != nil {
		days := float64(at-f.From) / 86.4e6
		switch f.Kind {
		case SensorOffset, ZeroShift:
			v += f.Size
		case SensorDrift:
			v += f.Size * days
		case SensorNoise:
			noise += f.Size
		case SensorStuck:
			if !f.holding {
				f.held, f.holding = v, true
			}
			v, noise = f.held, 0
		}
	}
	if noise > 0 {
		v += noise * rng.NormFloat64()
	}
	if s.step > 0 {
		v = math.Round(v/s.step) * s.step
	}
	if s.point.Dimension() == dewline.Humidity {
		v = min(max(v, 0), 100)
	}
	if s.point.Dimension() == dewline.Temperature { // a step of 0.1 leaves digits that no sensor sends
		v = math.Round(v*1000) / 1000
	}
	if f != nil && f.Kind == UnitFactor {
		v *= f.Size
	}
	return v, true
}

// truth returns the true value of a point in its canonical unit.
func truth(n *plant.Now, p dewline.Point) (float64, bool) {
	switch p {
	case dewline.SuctionPressure:
		return n.SuctionPa, true
	case dewline.LiquidPressure:
		return n.LiquidPa, true
	case dewline.DischargePressure:
		return n.DischargePa, true
	case dewline.SuctionTemp:
		return n.SuctionC, true
	case dewline.LiquidTemp:
		return n.LiquidC, true
	case dewline.DischargeTemp:
		return n.DischargeC, true
	case dewline.OutdoorAirTemp:
		return n.OutdoorC, true
	case dewline.ReturnAirTemp:
		return n.ReturnC, true
	case dewline.ReturnAirRH:
		return n.ReturnRH, true
	case dewline.SupplyAirTemp:
		return n.SupplyC, true
	case dewline.SupplyAirRH:
		return n.SupplyRH, true
	case dewline.SpaceTemp:
		return n.SpaceC, true
	case dewline.CompressorPower:
		return n.PowerW, true
	case dewline.CompressorCurrent:
		return n.PowerW / (230 * 0.9), true
	case dewline.CompressorSpeed:
		return 100 * n.Speed, true
	case dewline.CompressorStage:
		if !n.On {
			return 0, true
		}
		return 1 + boolean(n.Speed > 0.9), true
	case dewline.CompressorOn:
		return boolean(n.On), true
	case dewline.IndoorFanOn:
		return boolean(n.FanOn), true
	case dewline.OutdoorFanOn:
		return boolean(n.OutdoorFanOn), true
	case dewline.DoorOpen:
		return boolean(n.DoorOpen), true
	case dewline.SafetyTrip:
		return boolean(n.Tripped), true
	case dewline.OperatingMode:
		return float64(modes[n.Mode]), true
	}
	return 0, false
}

var modes = [...]dewline.Mode{plant.Off: dewline.ModeOff, plant.Cooling: dewline.ModeCooling, plant.Heating: dewline.ModeHeating,
	plant.Defrosting: dewline.ModeDefrost}

func boolean(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
