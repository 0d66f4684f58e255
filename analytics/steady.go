package analytics

import (
	"math"
	"time"

	"dewline"
	"dewline/analytics/cycle"
)

const (
	// runGuard is how long a machine must have run before its readings say anything: it takes that
	// long for charge and temperatures to settle (common practice: 10 to 15 minutes).
	runGuard = 10 * time.Minute
	// settle is the window over which the trend of both saturation temperatures is taken.
	settle = 10 * time.Minute
	// maxTrend is the trend up to which the machine counts as steady. It is a trend and not a
	// spread: a hunting valve or a swinging head is a fault to be seen, not a start to be waited for.
	maxTrend = 0.15 // K/min
	// maxSwing is how far the coil's temperature may swing all the same: it is more than a hunting valve does
	// (common practice), and less than a machine that has pumped its low side down and stands.
	maxSwing = 6 // K
)

// steadiness watches the two saturation temperatures over a window of event time.
type steadiness struct {
	Ring   [steadyRing]steadyPoint
	N      int32 // points ever taken since the reset
	Steady bool
	From   dewline.Millis // since when it has been steady
}

const steadyRing = 32

type steadyPoint struct {
	At           dewline.Millis
	Dew, Cond    float32 // Cel
	HasDew, HasC bool
}

func (s *steadiness) reset() { s.N, s.Steady = 0, false }

// add takes the features at a time and says whether the machine is steady.
func (s *steadiness) add(at, runningSince dewline.Millis, f *cycle.Features, interval, guard time.Duration, means bool) bool {
	span := max(min(settle, guard), 2*interval)
	if means && at.Sub(runningSince) < guard {
		return false // it has the start in it, and says nothing of a trend
	}
	// Fast sampling is thinned, so that the ring spans the window.
	least := dewline.Millis(span.Milliseconds() / (steadyRing - 2))
	if n := s.N; n == 0 || at-s.Ring[(n-1)%steadyRing].At >= least {
		s.Ring[n%steadyRing] = steadyPoint{
			at, float32(f.Value[cycle.SuctionDewTemp]), float32(f.Value[cycle.CondensingTemp]),
			f.OK(cycle.SuctionDewTemp), f.OK(cycle.CondensingTemp),
		}
		s.N++
		if s.N >= 1<<20 {
			s.N = steadyRing + s.N%steadyRing
		}
	}
	was := s.Steady
	s.Steady = at.Sub(runningSince) >= max(guard, interval) && s.trendless(at, dewline.Millis(span.Milliseconds()), means && interval >= settle)
	if s.Steady && !was {
		s.From = at
	}
	return s.Steady
}

// trendless says whether neither saturation temperature has a trend over the window. A mean over as long as a
// trend is taken is a window by itself: alone says that it may stand alone.
func (s *steadiness) trendless(at, span dewline.Millis, alone bool) bool {
	var dew, cond slope
	lowest, highest := math.Inf(1), math.Inf(-1)
	for k := range min(s.N, steadyRing) {
		p := &s.Ring[k]
		if at-p.At > span {
			continue
		}
		minutes := p.At.Sub(at).Minutes()
		if p.HasDew {
			dew.add(minutes, float64(p.Dew))
			lowest, highest = min(lowest, float64(p.Dew)), max(highest, float64(p.Dew))
		}
		if p.HasC {
			cond.add(minutes, float64(p.Cond))
		}
	}
	if dew.n < 2 {
		return alone && dew.n == 1
	}
	return highest-lowest <= maxSwing && math.Abs(dew.value()) <= maxTrend && (cond.n < 2 || math.Abs(cond.value()) <= maxTrend)
}

// slope is a straight line by least squares.
type slope struct{ n, x, y, xx, xy float64 }

func (s *slope) add(x, y float64) {
	s.n++
	s.x += x
	s.y += y
	s.xx += x * x
	s.xy += x * y
}

func (s *slope) value() float64 {
	d := s.n*s.xx - s.x*s.x
	if d <= 0 {
		return 0
	}
	return (s.n*s.xy - s.x*s.y) / d
}
