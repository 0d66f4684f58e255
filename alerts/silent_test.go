package alerts

import (
	"strings"
	"testing"

	"dewline"
)

// TestSiteTellsItsPowerCut: what is told of a silent site is what is known: first that nothing comes, and
// when its machines start together, that it looks like a power cut. It is one alert, for which all others
// of the site are held.
func TestSiteTellsItsPowerCut(t *testing.T) {
	silent := dewline.Finding{
		Systems: []dewline.SystemID{"quay/hall", "quay/store"}, Key: "silent", Condition: dewline.Silent, Conditions: []dewline.Condition{dewline.Silent}, Severity: dewline.Soon,
		Onset: day, Detected: day + 1_800_000, At: day + 1_800_000, Causes: []dewline.Cause{{Fault: dewline.Communication, Probability: 1}},
	}
	b := NewBook()
	opened := b.Apply([]dewline.Finding{silent})
	cut := silent
	cut.At, cut.Evidence = day+4_000_000, []string{"it looks like a power cut"}
	cut.Causes = []dewline.Cause{{Fault: dewline.Communication, Detail: dewline.PowerCut, Probability: 0.9}, {Fault: dewline.Communication, Probability: 0.1}}
	changed := b.Apply([]dewline.Finding{cut})
	over := cut
	over.Cleared, over.At = day+8_000_000, day+8_000_000
	ended := b.Apply([]dewline.Finding{over})
	if len(opened) != 1 || len(changed) != 1 || len(ended) != 1 {
		t.Fatalf("%+v, then %+v, then %+v", opened, changed, ended)
	}
	id := opened[0].Alert.ID
	if !strings.Contains(opened[0].Why, "look the same") || changed[0].Why != "it looks like a power cut" || changed[0].Alert.ID != id || ended[0].Alert.ID != id || ended[0].Alert.Causes[0].Detail != dewline.PowerCut {
		t.Errorf("%+v, then %+v, then %+v", opened, changed, ended)
	}
	starting := dewline.Alert{ID: "s", Site: "quay", System: "quay/hall", Conditions: []dewline.Condition{dewline.ShortCycling}}
	for i, c := range []struct {
		kind dewline.HoldKind
		says string
	}{{dewline.HoldSilentSite, "for want of power or of a connection"}, {dewline.HoldPowerCut, "as after a power cut"}} {
		site := [][]dewline.AlertChange{opened, changed}[i][0].Alert
		holds := silentSite([]dewline.Alert{site, starting}, day+5_000_000)
		held := dewline.HoldsOn(starting, holds, day+5_000_000)
		if len(held) != 1 || held[0].Kind != c.kind || !strings.Contains(held[0].Why, c.says) || !strings.Contains(held[0].Why, id) {
			t.Errorf("%s: %+v", c.kind, held)
		}
		if held := dewline.HoldsOn(site, holds, day+5_000_000); len(held) != 0 {
			t.Errorf("the alert that stands for all is held itself: %+v", held)
		}
	}
}
