package diagnose

import (
	"math"

	"dewline"
)

// Cause is one hypothesis: a fault of the machine, a pair of them, a wrong sensor, or none.
type Cause struct {
	Fault  dewline.Fault
	Detail string
	Also   dewline.Fault // the other fault of a pair, "" for a single one
	Point  dewline.Point // of a wrong sensor, 0 otherwise
}

// odds are the prior probabilities of a cause, by when it began. They follow field surveys where
// there are any (charge: more than a third of several thousand home systems were short of it, more
// than a quarter over; Home Energy, May/June 2002) scaled to faults large enough to matter; the rest
// is common practice. What needs a person with a wrench hardly ever comes by itself.
type odds struct {
	start   float64 // it was there from the first day
	later   float64 // it came by itself
	visited float64 // it came with a visit
}

func priorOf(fault dewline.Fault, detail string, also dewline.Fault) odds {
	if also != "" {
		if also == dewline.Overcharge { // the pair that a wrong bore invites
			return odds{0.03, 0.0001, 0.010}
		}
		return odds{0.004, 0.003, 0.003}
	}
	switch fault {
	case dewline.Undercharge:
		return odds{0.14, 0.070, 0.040}
	case dewline.Overcharge:
		return odds{0.09, 0.002, 0.050}
	case dewline.Restriction:
		switch detail {
		case "orifice_too_small":
			return odds{0.03, 0.0003, 0.020}
		case valveStuck:
			return odds{0.01, 0.012, 0.006}
		}
		return odds{0.012, 0.018, 0.010}
	case dewline.Overfeed:
		switch detail {
		case "orifice_too_large":
			return odds{0.03, 0.0003, 0.020}
		case "bulb_loose":
			return odds{0.008, 0.012, 0.015}
		}
		return odds{0.006, 0.010, 0.008}
	case dewline.EvaporatorAirflow:
		return odds{0.03, 0.060, 0.010}
	case dewline.CondenserAirflow:
		return odds{0.03, 0.060, 0.010}
	case dewline.NonCondensables:
		return odds{0.02, 0.003, 0.025}
	case dewline.CompressorLeakage:
		return odds{0.02, 0.020, 0.006}
	case dewline.ReversingValve:
		return odds{0.004, 0.008, 0.004}
	}
	return odds{0.002, 0.003, 0.003}
}

// sensorOdds is the prior of one sensor being wrong.
var sensorOdds = odds{0.004, 0.010, 0.004}

// Sensor is how one sensor's error moves the symptoms.
type Sensor struct {
	Point     dewline.Point
	Direction Vector  // per unit of error
	Spread    float64 // how large an error may be: standard deviation, in the same unit
	Suspected bool    // the sensor itself gives reason to doubt it
	Moved     float64 // by how much it reads otherwise than before while the machine stands, in the same unit
	MovedU    float64 // its standard uncertainty, 0 where that is not known
}

const (
	// mostMoved bounds what the standing machine says of a sensor (from memory): lines and air come to rest in more ways than are
	// known.
	mostMoved = 50
	// comesOff is how much of what goes wrong with a clamp is that it comes off its pipe (from memory).
	comesOff = 0.5
)

// atRest returns how much likelier what a sensor reads at rest is with an error of a size, of some variance, than without one.
func (s *Sensor) atRest(size, variance float64) float64 {
	if s.MovedU == 0 {
		return 1
	}
	ratio := likelier(s.Moved, s.MovedU, size, math.Sqrt(variance), mostMoved)
	if s.towardAir(size) { // a clamp that is off reads the air, and so does a pipe at rest
		return comesOff + (1-comesOff)*ratio
	}
	return ratio
}

// towardAir says whether an error is that of a clamp which feels the air: the suction line is colder than it, the others are
// warmer.
func (s *Sensor) towardAir(size float64) bool {
	switch s.Point {
	case dewline.SuctionTemp:
		return size > 0
	case dewline.LiquidTemp, dewline.DischargeTemp:
		return size < 0
	}
	return false
}

// Group names the kind of machine that the signatures of a system are taken from.
func Group(s *dewline.System) string {
	valve := s.Metering.HoldsSuperheat()
	switch {
	case s.Kind.Comfort() && valve:
		return "valve"
	case s.Kind.Comfort() && s.Metering == dewline.Capillary:
		return "capillary"
	case s.Kind.Comfort():
		return "orifice"
	case valve && s.Receiver:
		return "cold_valve_receiver"
	case valve:
		return "cold_valve"
	default:
		return "cold_capillary"
	}
}
