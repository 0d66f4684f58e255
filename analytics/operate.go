package analytics

import (
	"slices"
	"time"

	"dewline"
	"dewline/analytics/cycle"
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
	Told      dewline.Millis // when the pressures said last whether it runs
	Pulled    pulled
}

// pulled is what a compressor that nothing tells of does to the pressures: it pulls them apart. A shut valve keeps them
// apart while it stands, and its condenser may stay warmer than the air; but then they only run toward one another.
type pulled struct {
	Rest    float64        // Cel, the lowest that the condensing temperature fell to since it stands
	Met     bool           // the pressures have met since: then their being apart tells of a start
	Unseen  bool           // the readings begin with it running, or standing
	From    dewline.Millis // of the newer of two stretches, and of each its highest condensing and lowest evaporating temperature
	Highest [2]float64     // Cel
	Lowest  [2]float64     // Cel
}

const (
	// metRatio is the ratio of pressures that have met, or nearly.
	metRatio = 1.3
	// lifted is by how much a start lifts the head at least, K.
	lifted = 3
	// closer is by how much the two temperatures run toward one another when a compressor stops, and each of them at least:
	// a fan that holds the head moves the one, a valve that hunts both by less (common practice).
	closer, either = 9, 3 // K
	// stretch is how long that is looked at, and settling how long a start is passed over.
	stretch, settling = hour, 5 * hour / 60
	// unseenFor is how long a machine that always seems to run is not believed to: no cold room stands so long.
	unseenFor = 3 * hour
)

// byPressures says whether a machine runs of which only the pressures tell. on is what they say at the moment, by which one
// is judged of which a temperature is missing. One that unloads lets them run toward one another while it runs.
func (o *operation) byPressures(at dewline.Millis, on, known bool, f *cycle.Features, comfort, unloads bool, longest dewline.Millis) (bool, bool) {
	p := &o.Pulled
	if known {
		o.Told = at
	} else if at-o.Told <= longest { // a pressure that is late does not end a run
		return o.On, o.Known
	}
	head, coil := f.Value[cycle.CondensingTemp], f.Value[cycle.SuctionDewTemp]
	if !known || !f.OK(cycle.CondensingTemp) || !f.OK(cycle.SuctionDewTemp) {
		return on, known
	}
	ratio := f.Value[cycle.PressureRatio]
	if comfort { // its pressures meet when it stands, so that its condenser may be as cool as that of a starved machine
		on = ratio > cycle.ApartRatio && !(f.OK(cycle.CondensingOverAir) && f.Value[cycle.CondensingOverAir] < leastOver)
	}
	was := o.On
	if o.Prev == 0 || at-o.Prev > longest {
		*p = pulled{Rest: head, Unseen: true}
		o.Since, was = at, false
	}
	if on && was {
		if at-o.Since < settling { // a coil is drawn down for a moment when it starts
			p.Highest, p.Lowest = [2]float64{head, head}, [2]float64{coil, coil}
		}
		if at-p.From >= stretch {
			p.From = at
			p.Highest, p.Lowest = [2]float64{head, p.Highest[0]}, [2]float64{coil, p.Lowest[0]}
		}
		p.Highest[0], p.Lowest[0] = max(p.Highest[0], head), min(p.Lowest[0], coil)
		fallen, risen := max(p.Highest[0], p.Highest[1])-head, coil-min(p.Lowest[0], p.Lowest[1])
		on = unloads || fallen < either || risen < either || fallen+risen < closer
	} else if on {
		on = p.Met || head >= p.Rest+lifted || p.Unseen && at-o.Since >= unseenFor
	}
	switch {
	case on && !was:
		*p = pulled{From: at, Highest: [2]float64{head, head}, Lowest: [2]float64{coil, coil}}
	case !on && was:
		*p = pulled{Rest: head}
	case !on:
		p.Rest = min(p.Rest, head)
	}
	p.Met = !on && (p.Met || ratio < metRatio)
	return on, true
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
