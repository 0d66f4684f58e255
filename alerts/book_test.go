package alerts

import (
	"testing"
	"time"

	"dewline"
)

const day = dewline.Millis(24 * 3_600_000)

func flooding(onset, cleared dewline.Millis) dewline.Finding {
	return dewline.Finding{
		System: "quay/hall", Key: "machine", Condition: dewline.Flooding, Conditions: []dewline.Condition{dewline.Flooding}, Severity: dewline.Urgent,
		Onset: onset, Detected: onset + 30*60_000, Cleared: cleared,
		Causes: []dewline.Cause{{Fault: dewline.Overfeed, Probability: 0.7}, {Fault: dewline.Overcharge, Probability: 0.3}},
	}
}

func TestOneAlertPerCondition(t *testing.T) {
	b := NewBook()
	first := b.Apply([]dewline.Finding{flooding(day, 0)})
	if len(first) != 1 || first[0].Alert.State != dewline.AlertOpen {
		t.Fatalf("opened %+v, want one open alert", first)
	}
	if err := first[0].Alert.Validate(); err != nil {
		t.Error(err)
	}
	if again := b.Apply([]dewline.Finding{flooding(day, 0)}); len(again) != 0 {
		t.Errorf("the same finding again made %+v, want nothing", again)
	}
	ended := b.Apply([]dewline.Finding{flooding(day, 3*day)})
	if len(ended) != 1 || ended[0].Alert.ID != first[0].Alert.ID || ended[0].Alert.State != dewline.AlertResolved || ended[0].Alert.Cleared != 3*day {
		t.Errorf("ended %+v, want the same alert resolved at day 3", ended)
	}
	if again := b.Apply([]dewline.Finding{flooding(day, 0), flooding(day, 3*day)}); len(again) != 0 {
		t.Errorf("told again after the end made %+v, want nothing", again)
	}
}

func TestReturnFollows(t *testing.T) {
	for _, c := range []struct {
		after   time.Duration
		follows bool
	}{{24 * time.Hour, true}, {30 * 24 * time.Hour, true}, {30*24*time.Hour + time.Millisecond, false}} {
		b := NewBook()
		old := b.Apply([]dewline.Finding{flooding(day, 0), flooding(day, 3*day)})[0].Alert
		next := b.Apply([]dewline.Finding{flooding((3 * day).Add(c.after), 0)})[0].Alert
		if got := next.Follows == old.ID; got != c.follows {
			t.Errorf("return after %s: follows = %v, want %v", c.after, got, c.follows)
		}
	}
}

// TestWhatNothingIsBlamedForMayTurnOutToBeAFault: its alert goes on; and what is another cause has one of its own beside it,
// also of a book that was loaded from a store meanwhile.
func TestWhatNothingIsBlamedForMayTurnOutToBeAFault(t *testing.T) {
	hunting := func(cleared dewline.Millis) dewline.Finding {
		f := flooding(day, cleared)
		f.Key, f.Condition, f.Conditions = dewline.UnblamedKey, dewline.Hunting, []dewline.Condition{dewline.Hunting}
		f.Severity, f.Causes = dewline.Watch, []dewline.Cause{{Fault: dewline.NoFault, Probability: 0.9}, {Fault: dewline.Overfeed, Probability: 0.1}}
		return f
	}
	b := NewBook()
	looked := b.Apply([]dewline.Finding{hunting(0)})[0].Alert
	turned := b.Apply([]dewline.Finding{flooding(day, 0)})
	if len(turned) != 1 || turned[0].Alert.ID != looked.ID || turned[0].Alert.Condition != dewline.Flooding {
		t.Errorf("turned into %+v, want the same alert", turned)
	}
	ended := b.Apply([]dewline.Finding{flooding(day, 3*day)})
	if len(ended) != 1 || ended[0].Alert.ID != looked.ID || len(b.open) != 0 {
		t.Errorf("ended %+v, %d open", ended, len(b.open))
	}

	first := NewBook()
	looked = first.Apply([]dewline.Finding{hunting(0)})[0].Alert
	second := first.Apply([]dewline.Finding{flooding(9*day, 0)})
	if len(second) != 1 || second[0].Alert.ID == looked.ID || len(first.open) != 2 {
		t.Fatalf("beside it %+v, want an alert of its own", second)
	}
	for _, told := range []bool{false, true} { // whether the second has come to blame nothing either
		again := NewBook()
		other := second[0].Alert
		if told {
			other.Causes = looked.Causes
		}
		for _, a := range []dewline.Alert{looked, other} {
			again.keep(again.subjectOf(a), a)
		}
		over := again.Apply([]dewline.Finding{hunting(12 * day), flooding(9*day, 13*day)})
		if len(over) != 2 || over[0].Alert.ID != looked.ID || over[1].Alert.ID != other.ID || len(again.open) != 0 {
			t.Errorf("after loading, the second blames nothing: %v: ended %+v, %d open", told, over, len(again.open))
		}
	}
}

func TestSiteSilenceIsOneAlert(t *testing.T) {
	b := NewBook()
	got := b.Apply([]dewline.Finding{{
		Systems: []dewline.SystemID{"quay/hall", "quay/store"}, Key: "silent", Condition: dewline.Silent, Conditions: []dewline.Condition{dewline.Silent}, Severity: dewline.Soon,
		Onset: day, Detected: day + 1_800_000, Causes: []dewline.Cause{{Fault: dewline.Communication, Probability: 1}},
	}})
	if len(got) != 1 || got[0].Alert.System != "" || got[0].Alert.Site != "quay" || len(got[0].Alert.Systems) != 2 {
		t.Errorf("got %+v, want one alert of the site with both systems", got)
	}
}
