package analytics

import (
	"slices"
	"time"

	"dewline"
)

// operation follows starts and stops of one machine.
type operation struct {
	Known, On bool
	Mode      dewline.Mode   // ModeOff where it is not known
	Since     dewline.Millis // of the run, or of the stop; a change of mode begins a run anew
	Starts    [24]dewline.Millis
	NStarts   int32
	Runs      [8]dewline.Millis // the lengths of the last runs
	NRuns     int32
	RunToday  dewline.Millis
	Prev      dewline.Millis // the frame before
}

// step takes what is known at a time and says whether a run began or ended. longest is the longest
// time between two frames over which a run is taken to go on.
func (o *operation) step(at dewline.Millis, on, known bool, mode dewline.Mode, longest dewline.Millis) (began, ended bool) {
	gap := o.Prev != 0 && at-o.Prev > longest
	was := o.On
	if was && on && !gap {
		o.RunToday += at - o.Prev
	}
	defer func() { o.Prev, o.Known, o.On, o.Mode = at, known, on, mode }()
	switch {
	case on && (!was || gap || mode != o.Mode):
		if !was && o.Prev != 0 && !gap {
			o.Starts[int(o.NStarts)%len(o.Starts)] = at
			o.NStarts++
		}
		o.Since = at
		return true, was
	case !on && was:
		if !gap {
			o.Runs[int(o.NRuns)%len(o.Runs)] = at - o.Since
			o.NRuns++
		}
		o.Since = at
		return false, true
	case gap:
		o.Since = at
	}
	return false, false
}

// cools says whether the machine is in the mode in which charge may be judged.
func (o *operation) cools() bool { return o.Mode == dewline.ModeCooling }

// goingOn returns the mode of a run that goes on: what gave it away need not do so all the time.
func (o *operation) goingOn(at, longest dewline.Millis) dewline.Mode {
	if o.On && at-o.Prev <= longest {
		return o.Mode
	}
	return dewline.ModeOff
}

// startsWithin counts the starts of the last span.
func (o *operation) startsWithin(at dewline.Millis, span time.Duration) int {
	n := 0
	for i := range min(int(o.NStarts), len(o.Starts)) {
		if at-o.Starts[i] < dewline.Millis(span.Milliseconds()) {
			n++
		}
	}
	return n
}

// usualRun returns the median length of the last runs, 0 before there are enough.
func (o *operation) usualRun() time.Duration {
	n := min(int(o.NRuns), len(o.Runs))
	if n < 5 {
		return 0
	}
	sorted := o.Runs
	slices.Sort(sorted[:n])
	return time.Duration(sorted[n/2]) * time.Millisecond
}
