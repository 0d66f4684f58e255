package simfleet

import (
	"math"
	"time"

	"dewline"
	"dewline/thermo/plant"
)

// sampler is how a gateway makes readings of what it sees each minute: single values, or means over
// the interval, of which states (on or off, the mode, the stage) give the last.
type sampler struct {
	everyS int64
	rows   int // in a pack
	mean   bool
	stamp  time.Duration // of a mean, from the end of its interval
	sums   []float64
	counts []float64
}

func newSampler(s dewline.Sampling) *sampler {
	every := int64(max(s.Interval.Round(time.Minute), time.Minute) / time.Second)
	x := &sampler{everyS: every, rows: int(max(900/every, 1)), mean: s.Kind == dewline.SampledMean}
	if x.mean && s.Stamp == dewline.StampStart {
		x.stamp = -time.Duration(every) * time.Second
	}
	return x
}

// add takes the readings of a minute into the means.
func (x *sampler) add(s *system, now *plant.Now, at dewline.Millis) {
	if !x.mean {
		return
	}
	if x.sums == nil {
		x.sums, x.counts = make([]float64, len(s.sensors)), make([]float64, len(s.sensors))
	}
	for i := range s.sensors {
		v, ok := s.sensors[i].read(now, at, s.rng)
		switch {
		case !ok:
		case isState(s.sensors[i].point):
			x.sums[i], x.counts[i] = v, 1
		default:
			x.sums[i] += v
			x.counts[i]++
		}
	}
}

// take puts the means of an interval that ends at a time into the pack and begins the next.
func (x *sampler) take(s *system, end dewline.Millis) {
	at := end.Add(x.stamp)
	for i := range s.sensors {
		if x.counts[i] > 0 {
			v := math.Round(x.sums[i]/x.counts[i]*1000) / 1000 // as many digits as a gateway sends
			s.pack.Samples = append(s.pack.Samples, dewline.Sample{System: s.id, Point: s.sensors[i].point, At: at + dewline.Millis(i)*s.link.apart, Value: v})
		}
	}
	clear(x.sums)
	clear(x.counts)
}

// isState says whether a point has states, which have no mean.
func isState(p dewline.Point) bool {
	switch p.Dimension() {
	case dewline.Boolean, dewline.ModeValue, dewline.Count:
		return true
	}
	return false
}

// away is a seasonal shutdown: for its time another run takes over, of the same machine with its
// thermostat turned off, so that pressures and temperatures go to rest.
type away struct {
	run         *plant.Run
	from, until float64 // Unix s
	active      bool
}

// step moves the machine to a minute.
func (s *system) step(unixS float64) *plant.Now {
	if a := s.away; a != nil && unixS >= a.from && unixS < a.until {
		if !a.active {
			if now := s.run.Step(unixS); now.On {
				return now // it is switched off at the end of a run
			}
			a.active = true
		}
		return a.run.Step(unixS)
	}
	return s.run.Step(unixS)
}
