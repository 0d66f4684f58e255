package plant

import "math"

// Course is how one fault goes on through time. Times are Unix seconds; a zero Until means it stays.
type Course struct {
	Fault    FaultKind
	Shape    Shape
	From     float64 // onset
	Full     float64 // when a ramp is at its full severity
	Until    float64 // repair
	Severity float64 // at full
}

// FaultKind names a field of Faults.
type FaultKind uint8

// The faults, in the order of the fields of Faults.
const (
	Charge FaultKind = iota
	LineRestriction
	Plugged
	Bore
	StuckAt
	BulbLoose
	EvaporatorAir
	CondenserAir
	NonCondensables
	CompressorLeak
	ReversingLeak
	Frost
)

// Shape is how a fault comes.
type Shape uint8

// The shapes.
const (
	Step Shape = iota
	Ramp
	Intermittent // comes and goes, some hours at a time
)

// At returns the severity at a time.
func (c *Course) At(unixS float64) float64 {
	if unixS < c.From || (c.Until > 0 && unixS >= c.Until) {
		return 0
	}
	switch c.Shape {
	case Ramp:
		return c.Severity * min(max((unixS-c.From)/max(c.Full-c.From, 1), 0), 1)
	case Intermittent:
		d := unixS - c.From
		if math.Sin(2*math.Pi*d/(13*3600))+0.6*math.Sin(2*math.Pi*d/(4.7*3600)) < 0.1 {
			return 0
		}
	}
	return c.Severity
}

// Add puts the severity at a time onto f.
func (c *Course) Add(f *Faults, unixS float64) { *f.field(int(c.Fault)) += c.At(unixS) }
