package baseline

import (
	"math"
	"math/rand/v2"
	"testing"

	"dewline"
	"dewline/analytics/diagnose"
)

// TestBlind: without the outdoor air, less is known by as much as the weather moves a symptom; and such windows are
// not mixed with others.
func TestBlind(t *testing.T) {
	p := NewPrior(machine(t, dewline.SplitAC, dewline.TXV, nil, full...))
	seen := at(p, comfortOutdoor, 24, 16.5)
	unseen := *seen
	unseen.HasOutdoor = false
	_, a := p.Expected(diagnose.LogPower, seen)
	_, b := p.Expected(diagnose.LogPower, &unseen)
	if want := math.Hypot(a, 0.025*weather); math.Abs(b-want) > 0.01 { // its slope, of NIST's machine
		t.Errorf("power ±%.3f without the outdoor air, want %.3f", b, want)
	}
	s := newSynthetic(p, rand.New(rand.NewPCG(27, 28)))
	var m Model
	s.learn(&m, 3, summer)
	if m.Blind() {
		t.Error("blind with windows that have the outdoor air")
	}
	if m.Add(p, &unseen) {
		t.Error("it took a window without the outdoor air among others")
	}
	var blind Model
	if blind.Add(p, &unseen); !blind.Blind() {
		t.Error("not blind with a window that has no outdoor air")
	}
}
