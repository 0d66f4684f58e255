package sensor

import (
	"time"

	"dewline"
)

// Kind is what is wrong with a sensor.
type Kind uint8

// The kinds.
const (
	Open             Kind = iota + 1 // values that are not possible: open circuit, short, rail
	Stuck                            // the same value all the time
	Noisy                            // white noise far above what such a sensor has
	Absent                           // it has fallen silent, the others have not
	UnitFactor                       // the value of another unit
	Swapped                          // suction and liquid clamp exchanged
	FallenOff                        // a clamp that feels the air
	CrossedPressures                 // suction and high side exchanged, or one of them on both channels
	Contradiction                    // it and a neighbour cannot both be right
	Offset                           // a constant error
	FrozenGateway                    // all points stand still; Point is 0
)

var kindWords = [...]string{
	Open: "open", Stuck: "stuck", Noisy: "noisy", Absent: "absent", UnitFactor: "unit_factor", Swapped: "swapped", FallenOff: "fallen_off",
	CrossedPressures: "crossed_pressures", Contradiction: "contradiction", Offset: "offset", FrozenGateway: "frozen_gateway",
}

// String returns the kind's word.
func (k Kind) String() string {
	if int(k) >= len(kindWords) || k == 0 {
		return "unknown"
	}
	return kindWords[k]
}

// Doubt is a sensor that may be wrong.
type Doubt struct {
	Point       dewline.Point // 0: the gateway
	Kind        Kind
	Since       dewline.Millis // the first evidence
	Sure        dewline.Millis // since when the evidence is enough to believe it, 0: a suspicion yet
	Size        float64        // what must be added to the reading to be right, in the point's unit (K for a temperature); 0 if not known
	SizeU       float64        // standard uncertainty of Size; of a noisy sensor the standard deviation of its noise
	Probability float64        // that the sensor, and not the machine, is what is seen
	Evidence    string
}

// Situation is what the caller knows of the machine at a frame.
type Situation struct {
	Running, Known bool
	Since          dewline.Millis // of the run or stop; a change of mode begins a run anew
	Steady         bool
	Mode           dewline.Mode  // ModeOff while running: not known
	Interval       time.Duration // between readings
	Mean           bool          // readings are means over the interval
	Suspicious     bool          // something may be wrong with machine or sensors: nothing is compared with such days
}
