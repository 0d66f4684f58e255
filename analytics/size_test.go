package analytics

import (
	"testing"
	"unsafe"

	"dewline"
	"dewline/analytics/baseline"
)

// TestStateIsSmall: what is kept of one system after two months stays under 24 KiB, in memory and saved.
func TestStateIsSmall(t *testing.T) {
	const limit = 24 << 10
	fleet := testFleet(t)
	all := story(t, fleet, 60*24*60, 5, func(id dewline.SystemID, min int) (moment, bool) {
		m := quiet
		m.running = min%120 < 80
		m.evap += float64(min%1440) / 700
		return m, id == "quay/office"
	})
	e := newTestEngine(t, fleet)
	var out Output
	e.Offer(all)
	states, err := e.Checkpoint(&out, []dewline.SystemID{"quay/office"})
	if err != nil {
		t.Fatal(err)
	}
	y := e.systems["quay/office"]
	if n := len(y.Track.Model.Windows); n < 40 {
		t.Fatalf("only %d windows were learned: the story does not fill the state", n)
	}
	size := int(unsafe.Sizeof(*y)) + cap(y.Track.Recent)*int(unsafe.Sizeof(baseline.Window{})) +
		cap(y.Track.Model.Windows)*int(unsafe.Sizeof(baseline.Window{})) + cap(y.Track.Days)*int(unsafe.Sizeof(dayMean{}))
	t.Logf("%d bytes in memory, %d saved", size, len(states["quay/office"]))
	if size > limit || len(states["quay/office"]) > limit {
		t.Errorf("%d bytes in memory, %d saved, want under %d", size, len(states["quay/office"]), limit)
	}
}
