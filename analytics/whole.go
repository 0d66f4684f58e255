package analytics

import (
	"math"

	"dewline"
	"dewline/analytics/cycle"
)

// full follows how much a machine shows when it runs all the time. Readings that are means over a quarter of an hour
// show less of everything where it stood for a part of it, which looks like a weak compressor.
type full struct {
	Power  highest // logarithm of W (or A) at a common outdoor temperature
	Head   highest // K over the outdoor air
	Before float64 // the power of the mean before
}

// highest is the most that was seen lately.
type highest struct {
	Seen bool
	Most float64
}

// lacks takes a value and says by how much it stays below the most that was seen; what was seen falls by a little each
// time, so that a change of the machine is followed in days.
func (s *highest) lacks(v, fall float64) float64 {
	if !s.Seen {
		s.Seen, s.Most = true, v
	}
	s.Most = max(v, s.Most-fall)
	return s.Most - v
}

const (
	// leastOver is what any condenser of a machine that runs is warmer than the air (common practice: 8 K and more).
	leastOver = 2.5 // K
	// The most that a mean may lack of what was seen, and by how much that falls with each.
	lackingPower, fallPower = 0.16, 0.001 // as a logarithm
	lackingHead, fallHead   = 5, 0.125    // K
	// rough is by how much the powers of two means differ that are not of running alone, as a logarithm: between two that are,
	// the weather hardly changes.
	rough = 0.06
	// powerPerKelvin is how the power rises with the outdoor air (the fits of NISTIR 7350 have 2 to 3 %).
	powerPerKelvin = 0.02
)

// coarse says whether readings are means over so long that a machine may have stood for a part of one.
func (y *system) coarse() bool { return y.means && y.interval() >= sparse }

// verified says whether a power or current tells of a mean that it is of running alone.
func (y *system) verified() bool {
	s := y.machine.System
	return !s.CompressorSpeed.Changes() && (s.Fitted(dewline.CompressorPower) || s.Fitted(dewline.CompressorCurrent))
}

// whole says whether a mean is of running alone.
func (y *system) whole(f *cycle.Features) bool {
	over, hasOver := f.Value[cycle.CondensingOverAir], f.OK(cycle.CondensingOverAir)
	if hasOver && over < leastOver {
		return false
	}
	s := y.machine.System
	if s.CompressorSpeed.Changes() {
		return true
	}
	hold := y.machine.Hold()
	out, hasOut := y.Frame.Get(dewline.OutdoorAirTemp, hold)
	for _, p := range [...]dewline.Point{dewline.CompressorPower, dewline.CompressorCurrent} {
		if v, ok := y.Frame.Get(p, hold); ok && v > 0 && hasOut {
			power := math.Log(v) - powerPerKelvin*out
			even := math.Abs(power-y.Full.Before) <= rough
			y.Full.Before = power
			lacks := y.Full.Power.lacks(power, fallPower)
			return lacks <= rough || even && lacks <= lackingPower
		}
	}
	if hasOver && !s.HeadControl {
		return y.Full.Head.lacks(over, fallHead) <= lackingHead
	}
	return true
}
