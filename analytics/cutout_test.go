package analytics

import (
	"testing"

	"dewline"
)

// TestRunsThatEndAtAHighHead: a condenser without its fan takes the head to the switch within minutes, run after run, and
// nothing is ever steady (common practice). Hot weather, long runs and a single one are none of that.
func TestRunsThatEndAtAHighHead(t *testing.T) {
	fleet := testFleet(t)
	for name, c := range map[string]struct {
		runs, each int // min
		outdoor    float64
		until      int // min, from when on the runs end as they should
		want       bool
	}{
		"its fan has failed": {8, 26, 27, 5 * 60, true},
		"in hot weather":     {8, 26, 41, 5 * 60, false},
		"a long run":         {30, 60, 27, 5 * 60, false},
		"two of many":        {8, 26, 27, 50, false},
		"short runs":         {8, 26, 27, 0, false},
	} {
		all := story(t, fleet, 5*60, 2, func(id dewline.SystemID, min int) (moment, bool) {
			m := quiet
			m.outdoor, m.cond = c.outdoor, c.outdoor+12
			into := min % c.each
			if m.running = into < c.runs; m.running && min < c.until {
				m.cond = 46 + 18*float64(into)/float64(c.runs-2)
			}
			return m, id == "quay/office"
		})
		found := findingsOf(analyse(t, fleet, all), dewline.HighHead)
		if (len(found) > 0) != c.want {
			t.Errorf("%s: found %q, want it %v", name, told(found), c.want)
		}
		if c.want && (found[0].Severity != dewline.Urgent || found[0].Detected > epoch+3*hour || found[0].Causes[0].Fault != dewline.CondenserAirflow) {
			t.Errorf("%s: found %q, want it urgent within three hours, of too little air", name, told(found))
		}
	}
}
