package simfleet

import (
	"crypto/sha256"
	"fmt"
	"runtime"
	"testing"
	"time"

	"dewline"
)

var present = time.Date(2031, 8, 20, 9, 30, 0, 0, time.UTC)

func newFleet(t testing.TB, past time.Duration) *Fleet {
	t.Helper()
	f, err := New(Options{Seed: 7, Start: present.Add(-past), Present: present})
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// digest is a fingerprint of all packs up to a time.
func digest(f *Fleet, untils ...time.Time) string {
	h := sha256.New()
	for _, until := range untils {
		for p := range f.Packs(until) {
			fmt.Fprintln(h, p.System, p.Sent, p.Samples, p.Events)
		}
	}
	return fmt.Sprintf("%x", h.Sum(nil))
}

func TestEqualOptionsGiveEqualReadings(t *testing.T) {
	one := digest(newFleet(t, 8*time.Hour), present)
	before := runtime.GOMAXPROCS(1)
	two := digest(newFleet(t, 8*time.Hour), present)
	runtime.GOMAXPROCS(before)
	if one != two {
		t.Error("the readings depend on the number of processors")
	}
	if other, err := New(Options{Seed: 8, Start: present.Add(-8 * time.Hour), Present: present}); err != nil || digest(other, present) == one {
		t.Errorf("another seed gives the same readings (%v)", err)
	}
}

func TestPacksGoOnWhereTheyEnded(t *testing.T) {
	later := present.Add(10 * time.Minute)
	whole := digest(newFleet(t, 9*time.Hour), later)
	f := newFleet(t, 9*time.Hour)
	untils := []time.Time{present.Add(-7 * time.Hour), present}
	for at := present; at.Before(later); {
		at = at.Add(time.Minute)
		untils = append(untils, at)
	}
	if digest(f, untils...) != whole {
		t.Error("going on minute by minute gives other readings than going there at once")
	}
}

func TestPacksAreInOrder(t *testing.T) {
	f := newFleet(t, 12*time.Hour)
	var sent dewline.Millis
	newest := map[dewline.SystemID]dewline.Millis{}
	seen := map[dewline.SystemID]int{}
	for p := range f.Packs(present) {
		if p.Sent < sent {
			t.Fatalf("%s: a pack sent at %v comes after one of %v", p.System, p.Sent.Time(), sent.Time())
		}
		sent = p.Sent
		for _, s := range p.Samples {
			if s.At > p.Sent {
				t.Fatalf("%s: a reading of %v is sent at %v", p.System, s.At.Time(), p.Sent.Time())
			}
			if s.System != p.System {
				t.Fatalf("%s: a pack with a reading of %s", p.System, s.System)
			}
			seen[p.System]++
		}
		newest[p.System] = max(newest[p.System], p.Samples[len(p.Samples)-1].At)
	}
	for _, s := range f.Config().Systems() {
		if seen[s.ID] == 0 {
			t.Errorf("%s sends nothing", s.ID)
		}
		if gap := dewline.MillisOf(present).Sub(newest[s.ID]); gap > 20*time.Minute {
			t.Errorf("%s: silent for %v at the end", s.ID, gap)
		}
	}
}

func TestHalfOfTheFleetIsHealthy(t *testing.T) {
	f := newFleet(t, 45*24*time.Hour)
	faulty := map[dewline.SystemID]bool{}
	for _, x := range f.Truth() {
		if x.Detectable != 0 { // a filter changed in time, say, is no fault
			faulty[x.System] = true
		}
		if x.Harmful != 0 && x.Harmful < x.Detectable {
			t.Errorf("%s: %s is harmful before it can be seen", x.System, x.Fault)
		}
	}
	if n, all := len(faulty), len(f.Config().Systems()); all < 20 || n < all/3 || n > all/2+1 {
		t.Errorf("%d of %d systems are faulty, want about half", n, all)
	}
}
