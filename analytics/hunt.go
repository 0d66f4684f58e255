package analytics

import (
	"slices"
	"time"

	"dewline"
	"dewline/analytics/cycle"
)

const (
	// swingSpan is the time over which swings are counted: a hunting valve swings every 2 to 10 minutes
	// (common practice).
	swingSpan = 40 * time.Minute
	// swingCount within it, of at least this size in superheat and in the suction's dew temperature,
	// make hunting. A noisy clamp moves superheat alone.
	swingCount    = 6
	swingHeat     = 4.0             // K
	swingDew      = 0.6             // K
	turnHeat      = 1.5             // K, by which superheat must turn back to count as a swing
	turnDew       = 0.3             // K
	huntIntervals = 2 * time.Minute // slower sampling cannot show it
)

// swings follows the turning points of one quantity.
type swings struct {
	Dir     int8
	Extreme float32
	Last    float32 // the extreme before
	At      [12]dewline.Millis
	Size    [12]float32
	N       int32

	// Running moments, for the correlation of a value with the two before it: noise has none.
	Mean, Var       float32
	Before, Earlier float32 // the last deviation, and the one before
	Cov, CovEarlier float32
}

// smooth is the weight of a new value in the moments.
const smooth = 0.05

// regular says whether values follow each other as those of a swing do: each is near the one before; or, where
// a swing has but four to six samples, nearer to it than to the earlier one, which lies across the swing.
func (s *swings) regular() bool { return s.Cov > 0.4*s.Var || s.Cov-s.CovEarlier > 0.6*s.Var }

func (s *swings) step(at dewline.Millis, v, turn float32) {
	d := v - s.Mean
	s.Mean += smooth * d
	s.Var += smooth * (d*d - s.Var)
	s.Cov += smooth * (d*s.Before - s.Cov)
	s.CovEarlier += smooth * (d*s.Earlier - s.CovEarlier)
	s.Before, s.Earlier = d, s.Before
	switch {
	case s.Dir == 0:
		s.Mean, s.Before, s.Earlier = v, 0, 0
		s.Dir, s.Extreme, s.Last = 1, v, v
	case float32(s.Dir)*(v-s.Extreme) > 0:
		s.Extreme = v
	case float32(s.Dir)*(s.Extreme-v) > turn:
		i := int(s.N) % len(s.At)
		s.At[i], s.Size[i] = at, abs32(s.Extreme-s.Last)
		s.N++
		s.Last, s.Extreme, s.Dir = s.Extreme, v, -s.Dir
	}
}

// within returns how many swings there were lately, their median size, and the mean time of a whole
// swing there and back.
func (s *swings) within(at dewline.Millis) (n int, size float32, period time.Duration) {
	var sizes [12]float32
	first := at
	for i := range min(int(s.N), len(s.At)) {
		if at-s.At[i] <= dewline.Millis(swingSpan.Milliseconds()) {
			sizes[n] = s.Size[i]
			first = min(first, s.At[i])
			n++
		}
	}
	if n == 0 {
		return 0, 0, 0
	}
	slices.Sort(sizes[:n])
	if n > 1 {
		period = 2 * at.Sub(first) / time.Duration(n)
	}
	return n, sizes[n/2], period
}

func abs32(v float32) float32 { return max(v, -v) }

// hunting is what is known of a machine's swings in the run that goes on.
type hunting struct{ Heat, Dew swings }

// hunts follows the swings over a frame of settled running and says whether the valve hunts.
func (y *system) hunts(f *cycle.Features) (so bool, size float32, period time.Duration) {
	if y.means || y.interval() > huntIntervals || !f.OK(cycle.Superheat) {
		return false, 0, 0
	}
	h := &y.Hunting
	at := y.Frame.At
	h.Heat.step(at, float32(f.Value[cycle.Superheat]), turnHeat)
	h.Dew.step(at, float32(f.Value[cycle.SuctionDewTemp]), turnDew)
	n, size, period := h.Heat.within(at)
	if n < swingCount || size < swingHeat || !h.Heat.regular() || !h.Dew.regular() {
		return false, 0, 0
	}
	if m, dew, _ := h.Dew.within(at); m < swingCount-2 || dew < swingDew {
		return false, 0, 0
	}
	return true, size, period
}
