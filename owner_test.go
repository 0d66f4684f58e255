package dewline

import (
	"testing"
	"time"
	_ "time/tzdata"
)

func TestMonth(t *testing.T) {
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	// Summer time begins on the last Sunday of March: the month has an hour less.
	from, to := Month("2031-03").Span(lisbon)
	if got := to.Sub(from); got != 31*24*time.Hour-time.Hour {
		t.Errorf("March lasts %s", got)
	}
	if m := MonthOf(to-1, lisbon); m != "2031-03" || m.Add(10) != "2032-01" || m.Add(-3) != "2030-12" || m.Words() != "March 2031" {
		t.Errorf("%s, %s, %s, %s", m, m.Add(10), m.Add(-3), m.Words())
	}
	if m := MonthOf(to, lisbon); m != "2031-04" {
		t.Errorf("the end belongs to the next month: %s", m)
	}
	for _, bad := range []Month{"", "2031-13", "2031-6", "../etc", "2031-06-01"} {
		if bad.Valid() {
			t.Errorf("%q is taken for a month", bad)
		}
	}
}

func TestOwnersHaveWordsForAll(t *testing.T) {
	for _, c := range []Condition{Flooding, HotDischarge, HighHead, NotRunning, SpaceWarm, Freezing, Starving, ShortCycling, Hunting,
		CapacityLoss, EfficiencyLoss, ChargeDrift, SensorDoubt, Silent} {
		if _, ok := conditionsForOwner[c]; !ok {
			t.Errorf("condition %s", c)
		}
	}
	for _, f := range Faults() {
		if _, ok := faultsForOwner[f]; !ok {
			t.Errorf("fault %s", f)
		}
	}
	if got := Condition("new_word").ForOwner(); got != "new word" {
		t.Error(got)
	}
}
