package cycle

import "dewline"

// NumPoints is one more than the largest point.
const NumPoints = int(dewline.SensorReplaced) + 1

// Frame is the newest reading of each point of a system at an event time.
type Frame struct {
	At    dewline.Millis
	Taken [NumPoints]dewline.Millis // when each value was read, 0 for never
	Every [NumPoints]dewline.Millis // about how often it is read, 0 while it was read once
	Value [NumPoints]float64        // in the point's canonical unit
}

// rarest bounds how rarely a point may be read and still stand for itself in between.
const rarest dewline.Millis = 20 * 60_000

// Set takes a reading. Readings come in order of time.
func (f *Frame) Set(p dewline.Point, at dewline.Millis, v float64) {
	f.At = max(f.At, at)
	if before := f.Taken[p]; before != 0 && at > before {
		every := &f.Every[p]
		gap := min(at-before, rarest)
		switch { // an outage is no habit; but a gateway that sends what has changed is silent while nothing does
		case *every == 0:
			*every = gap
		case gap > *every:
			*every += (min(gap, 3**every) - *every) / 2
		default:
			*every += (gap - *every) / 16
		}
	}
	f.Taken[p], f.Value[p] = at, v
}

// Get returns the value of p if it was read within the last hold milliseconds, or two and a half of the times in which
// it is usually read: gateways that ask one sensor after another give each its own time.
func (f *Frame) Get(p dewline.Point, hold dewline.Millis) (float64, bool) {
	t := f.Taken[p]
	return f.Value[p], t != 0 && f.At-t <= max(hold, f.Every[p]*5/2)
}
