package analytics

import (
	"fmt"

	"dewline"
	"dewline/analytics/cycle"
	"dewline/analytics/diagnose"
)

// cutOut follows runs that end soon at a head that no good machine has: its high-pressure switch stops it before anything
// is steady, as often as it closes again.
type cutOut struct {
	Hold hold
	Peak float64 // Cel, the highest condensing temperature of the run that goes on, 0 before there is one
	Over float64 // K, the furthest over the air outdoors, 0 where that is not known
}

const (
	// Switches of air-cooled machines open at 62 to 70 °C condensing (from memory); the last reading may be an interval before. Such a
	// head is one of hot weather too, but then not so far over the air, for which 17 K are much (see mostOver).
	cutOutHead, cutOutOver, cutOutAnyway = 55.0, 25.0, 62.0 // Cel, K, Cel where the air is not known
	// cutOutRun is how long a machine runs at most until then.
	cutOutRun = 15 * minute
	// cutOutLasts is for how long its runs must end so, with cutOutApart between two at most.
	cutOutLasts, cutOutApart = 3 * hour / 2, 3 * hour
)

// cutsOut takes a frame, and judges the run that it ends.
func (y *system) cutsOut(e *Engine, f *cycle.Features, began, stopped bool) {
	c, o := &y.Acute.CutOut, &y.Operate
	if began {
		c.Peak, c.Over = 0, 0
	}
	if o.On {
		if o.cools() && !y.means && f.OK(cycle.CondensingTemp) && !y.Watch.hides(diagnose.OverAmbient) && !y.Watch.misreads(diagnose.OverAmbient) {
			c.Peak = max(c.Peak, f.Value[cycle.CondensingTemp])
			if f.OK(cycle.CondensingOverAir) {
				c.Over = max(c.Over, f.Value[cycle.CondensingOverAir])
			}
		}
		return
	}
	if !stopped || c.Peak == 0 || o.NRuns == 0 {
		return
	}
	at, ran := y.Frame.At, o.Runs[int(o.NRuns-1)%len(o.Runs)]
	high := c.Peak > cutOutHead && c.Over > cutOutOver || c.Over == 0 && c.Peak > cutOutAnyway
	switch c.Hold.step(at, high && ran <= cutOutRun, 0, cutOutApart, cutOutLasts) {
	case opened:
		y.pass(e, dewline.HighHead, dewline.Urgent, c.Hold.Onset, at,
			fmt.Sprintf("run after run ends within %d min, the last one at %.0f °C condensing: its high-pressure switch may open", cutOutRun/minute, c.Peak))
	case ended:
		y.respect(e, dewline.HighHead, at)
	}
}
