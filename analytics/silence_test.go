package analytics

import (
	"context"
	"maps"
	"slices"
	"strings"
	"testing"

	"dewline"
)

// TestPowerCutIsToldFromHowMachinesComeBack: the silence of a site is annotated where every machine stood
// when it was heard again and started soon. A lost connection, one machine that ran all the time, and one
// that does not start leave it at a silence.
func TestPowerCutIsToldFromHowMachinesComeBack(t *testing.T) {
	fleet := testFleet(t)
	const cut = "it looks like a power cut: all 3 machines fell silent together, stood when they were heard again, and started within 10 min of it"
	for _, c := range []struct {
		name   string
		starts map[dewline.SystemID]int // minutes after 12:00; running from its first reading on if before its return
		back   map[dewline.SystemID]int
		want   bool
	}{
		{"power cut", map[dewline.SystemID]int{"quay/hall": 5, "quay/office": 10, "quay/cellar": 5}, nil, true},
		{"connection", map[dewline.SystemID]int{}, nil, false},
		{"one ran on", map[dewline.SystemID]int{"quay/hall": 5, "quay/office": 5}, nil, false},
		{"one stays off", map[dewline.SystemID]int{"quay/hall": 5, "quay/office": 5, "quay/cellar": 10_000}, nil, false},
		{"one starts late", map[dewline.SystemID]int{"quay/hall": 5, "quay/office": 5, "quay/cellar": 20}, nil, false},
		{"one comes late", map[dewline.SystemID]int{"quay/hall": 5, "quay/office": 5, "quay/cellar": 20}, map[dewline.SystemID]int{"quay/cellar": 15}, false},
	} {
		all := story(t, fleet, 24*60, 5, func(id dewline.SystemID, min int) (moment, bool) {
			m := quiet
			m.running = min < 720 || min >= 720+c.starts[id]
			return m, id.Site() == "mole" || min < 600 || min >= 720+c.back[id]
		})
		found := findingsOf(analyse(t, fleet, all), dewline.Silent)
		got := told(found)
		if strings.Contains(got, cut) != c.want {
			t.Errorf("%s:\n%s", c.name, got)
		}
		if !c.want {
			continue
		}
		if len(found) != 3 || found[1].At != epoch+730*minute || found[1].Cleared != 0 || found[2].Cleared != epoch+780*minute ||
			found[1].Causes[0].Detail != dewline.PowerCut || found[1].Causes[0].Probability < 0.95 || found[2].Causes[0] != found[1].Causes[0] {
			t.Errorf("%s: %+v", c.name, found)
		}
		for _, size := range []int{7, 60} {
			e := newTestEngine(t, fleet)
			var out Output
			var parts []dewline.Finding
			for batch := range slices.Chunk(all, size) {
				e.Offer(batch)
				e.Drain(&out)
				parts = append(parts, out.Findings...)
			}
			e.Finish()
			e.Drain(&out)
			if again := told(findingsOf(Output{Findings: append(parts, out.Findings...)}, dewline.Silent)); again != got {
				t.Errorf("%s, in batches of %d: got\n%swant\n%s", c.name, size, again, got)
			}
		}
		e := newTestEngine(t, fleet)
		if err := e.Resume(context.Background(), newMemoryStore(all), nil, nil, nil); err != nil {
			t.Fatal(err)
		}
		e.Finish()
		var out Output
		e.Drain(&out)
		if again := told(findingsOf(out, dewline.Silent)); again != got {
			t.Errorf("%s, read from the store: got\n%swant\n%s", c.name, again, got)
		}
	}
}

// TestSilenceOfASiteDoesNotDependOnWhoArrivesFirst: the readings of one system come later than those of the
// others, as through a gateway with a backlog; the silence of the site is told as if all had come in time.
func TestSilenceOfASiteDoesNotDependOnWhoArrivesFirst(t *testing.T) {
	fleet := testFleet(t)
	of := func(late int) string { // how many minutes the cellar's readings arrive after the others
		arrivals := map[int][]dewline.Sample{}
		for _, s := range story(t, fleet, 20*60, 5, func(id dewline.SystemID, min int) (moment, bool) {
			return quiet, id.Site() == "mole" || min < 600 || min >= 665
		}) {
			at := int((s.At - epoch) / minute)
			if s.System == "quay/cellar" {
				at += late
			}
			arrivals[at] = append(arrivals[at], s)
		}
		e := newTestEngine(t, fleet)
		for _, at := range slices.Sorted(maps.Keys(arrivals)) {
			e.Offer(arrivals[at])
		}
		e.Finish()
		var out Output
		e.Drain(&out)
		return told(findingsOf(out, dewline.Silent))
	}
	want := of(0)
	if strings.Count(want, "[quay/cellar quay/hall quay/office]") != 2 || strings.Count(want, "\n") != 2 {
		t.Fatalf("not one silence of the site:\n%s", want)
	}
	for _, late := range []int{20, 40} {
		if got := of(late); got != want {
			t.Errorf("%d min late: got\n%swant\n%s", late, got, want)
		}
	}
}
