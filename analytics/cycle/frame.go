package cycle

import "dewline"

// NumPoints is one more than the largest point.
const NumPoints = int(dewline.SensorReplaced) + 1

// Frame is the newest reading of each point of a system at an event time.
type Frame struct {
	At    dewline.Millis
	Taken [NumPoints]dewline.Millis // when each value was read, 0 for never
	Value [NumPoints]float64        // in the point's canonical unit
}

// Set takes a reading. Readings come in order of time.
func (f *Frame) Set(p dewline.Point, at dewline.Millis, v float64) {
	f.At = max(f.At, at)
	f.Taken[p], f.Value[p] = at, v
}

// Get returns the value of p if it was read within the last hold milliseconds.
func (f *Frame) Get(p dewline.Point, hold dewline.Millis) (float64, bool) {
	t := f.Taken[p]
	return f.Value[p], t != 0 && f.At-t <= hold
}
