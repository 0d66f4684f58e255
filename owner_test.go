package dewline

import (
	"slices"
	"strings"
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

func TestSummary(t *testing.T) {
	cost, low, high := 60.0, 0.5, 3.25
	machine := func(s Standing) OwnerMachine { return OwnerMachine{Standing: s} }
	m := OwnerMonth{
		Sites: []OwnerSite{{Machines: []OwnerMachine{machine(NeedsToday), machine(StandWell), machine(NeedsToday), machine(StandProved)}}},
		Works: []OwnerWork{{Verdict: Verified}, {Verdict: NotVerified}, {}},
		Total: OwnerTotal{Machines: 4, KWh: 240.4, Measured: 3, Faulty: 2, Unknown: 1, LowKWh: 2, HighKWh: 13, PerKWh: 0.25, Currency: "EUR", Cost: &cost, ExcessLow: &low, ExcessTop: &high},
	}
	want := []string{
		"4 machines: 2 need a visit today, 1 proved, 1 well.",
		"3 visits were finished, of which readings prove 1 and do not bear out 1.",
		"Compressors took 240 kWh, 60.00 EUR at 0.25 EUR per kWh. That is of 3 of 4 machines; of the others it is not known.",
		"Of that, faults cost 2 to 13 kWh, 0.50 to 3.25 EUR; of 1 machine with a fault it is not known.",
	}
	if got := m.Summary(English); !slices.Equal(got, want) {
		t.Errorf("it says\n%s", strings.Join(got, "\n"))
	}
	m.Works = m.Works[2:]
	m.Total = OwnerTotal{Machines: 4, Faulty: 1, Unknown: 1}
	if got := m.Summary(English); len(got) != 4 || got[1] != "1 visit was finished; readings have not proved or refuted any yet." || !strings.Contains(got[2], "not known") || !strings.Contains(got[3], "not known") {
		t.Errorf("of nothing it says\n%s", strings.Join(got, "\n"))
	}
}

// TestReasonsOnce: what three machines lack is said once, what one lacks beside it.
func TestReasonsOnce(t *testing.T) {
	m := OwnerMonth{Sites: []OwnerSite{{}, {}}}
	s := &m.Sites[1]
	for _, id := range []SystemID{"a/1", "a/2", "a/3"} {
		s.Machines = append(s.Machines, OwnerMachine{System: id, Energy: OwnerEnergy{Missing: "no power is measured"}})
	}
	s.Machines[1].Use = OwnerUse{SpanHours: 10, HeardHours: 4}
	s.Machines[2].Use.Missing, s.Machines[2].Excess.Missing = "no power is measured", "no power is measured"
	of, shared := m.Why(English)
	if len(shared) != 0 || of["a/1"] != "Energy: no power is measured." || of["a/2"] != "Run hours: of 6 h nothing was heard. Energy: no power is measured." ||
		of["a/3"] != "Run hours: no power is measured." { // the same reason thrice on one machine is said once
		t.Errorf("%q, %q", of, shared)
	}
	s.Machines[2] = s.Machines[0]
	if of, shared = m.Why(English); len(shared) != 1 || shared[0] != "Energy: no power is measured, at 3 machines." || of["a/2"] != "Run hours: of 6 h nothing was heard." {
		t.Errorf("%q, %q", of, shared)
	}
}
