package dewline

import (
	"context"
	"time"
)

// Millis is an instant as Unix milliseconds in UTC: the event time of a reading, given by the
// device that took it. The contract keeps times to the millisecond.
type Millis int64

// MillisOf returns t to the millisecond, rounded down.
func MillisOf(t time.Time) Millis { return Millis(t.UnixMilli()) }

// Time returns m as a time in UTC.
func (m Millis) Time() time.Time { return time.UnixMilli(int64(m)).UTC() }

// Add returns m moved by d, to the millisecond.
func (m Millis) Add(d time.Duration) Millis { return m + Millis(d.Milliseconds()) }

// Sub returns the duration from o to m.
func (m Millis) Sub(o Millis) time.Duration { return time.Duration(m-o) * time.Millisecond }

// Sample is one reading: a value of one point of one system at one event time.
// The value is in the point's canonical unit (see Point.Unit); pressures are as the sensor sends
// them, so a gauge pressure stays a gauge pressure. Booleans are 0 or 1, the mode is a Mode.
type Sample struct {
	System SystemID
	Point  Point
	At     Millis
	Value  float64
}

// Value is one stored reading of a series whose system and point are known from the context.
type Value struct {
	At    Millis
	Value float64
}

// Event is something that happened to a machine rather than a measurement of it.
type Event struct {
	System SystemID `json:"system"`
	Kind   Point    `json:"-"` // Serviced or SensorReplaced
	At     Millis   `json:"at"`
	Note   string   `json:"note"` // free text, or the replaced sensor's point
}

// Outcome says what became of one sample that was offered to a store.
type Outcome uint8

// The outcomes of Readings.Append.
const (
	Stored   Outcome = iota // new, and durable
	Repeated                // the same value stood there already
	Conflict                // another value stood there already, and stands
	TooOld                  // older than the store takes
)

// Readings is a time-series store. The first value of a (system, point, time) stands for ever.
// It is safe for concurrent use.
type Readings interface {
	// Append stores batch and returns only when it is durable against the death of the process.
	// It appends one Outcome per sample to dst. An error means that nothing may be acknowledged;
	// the whole batch may be offered again.
	Append(ctx context.Context, batch []Sample, dst []Outcome) ([]Outcome, error)
	// Read appends the values of one point in [from, to) to dst, oldest first.
	Read(ctx context.Context, id SystemID, p Point, from, to Millis, dst []Value) ([]Value, error)
	// Newest returns the newest sample of each point of a system, in the order of points.
	Newest(ctx context.Context, id SystemID) ([]Sample, error)
	// Close writes what is pending and releases the store.
	Close() error
}

// Events keeps what happened to machines. Recording the same event again changes nothing.
type Events interface {
	RecordEvents(ctx context.Context, events []Event) error
	// EventsOf returns the events of a system in [from, to), oldest first.
	EventsOf(ctx context.Context, id SystemID, from, to Millis) ([]Event, error)
}

// RollUp sums up one quantity of one system over the 15 minutes that begin at Start.
// Late data replace it. Quantity is a point's name or a derived value's ("superheat").
type RollUp struct {
	System         SystemID
	Quantity       string
	Start          Millis
	Mean, Min, Max float64
	Count          int
}

// RollUpSpan is the length of one RollUp.
const RollUpSpan = 15 * time.Minute

// RollUps keeps the rows that make a year readable in one query.
type RollUps interface {
	PutRollUps(ctx context.Context, rows []RollUp) error
	// ReadRollUps returns, for each of some quantities of a system, the rows with Start in [from, to), oldest first.
	ReadRollUps(ctx context.Context, id SystemID, quantities []string, from, to Millis) ([][]RollUp, error)
}
