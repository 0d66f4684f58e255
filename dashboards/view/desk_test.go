package view

import (
	"strings"
	"testing"

	"dewline"
	"dewline/thermo/si"
)

func TestSortForDesk(t *testing.T) {
	fleet := dewline.NewFleet(nil, []dewline.Site{{ID: "a", Systems: []dewline.System{{ID: "a/one"}, {ID: "a/two", Importance: dewline.Critical}}}, {ID: "b", Systems: []dewline.System{{ID: "b/one"}}}})
	alert := func(id string, system dewline.SystemID, sev dewline.Severity, onset dewline.Millis, days float64) *dewline.Alert {
		a := &dewline.Alert{ID: id, Site: system.Site(), System: system, Systems: []dewline.SystemID{system}, Severity: sev, Onset: onset}
		if days >= 0 {
			a.Forecast = &dewline.Forecast{DaysP50: days}
		}
		return a
	}
	alerts := []*dewline.Alert{
		alert("watch", "a/one", dewline.Watch, 1, 0), alert("later", "b/one", dewline.Soon, 1, 9), alert("none", "a/one", dewline.Soon, 1, -1),
		alert("weighty", "a/two", dewline.Soon, 5, -1), alert("sooner", "a/one", dewline.Soon, 1, 3), alert("urgent", "b/one", dewline.Urgent, 9, -1),
	}
	SortForDesk(alerts, fleet)
	var order []string
	for _, a := range alerts {
		order = append(order, a.ID)
	}
	if got := strings.Join(order, " "); got != "urgent sooner later weighty none watch" {
		t.Errorf("order %s", got)
	}
	groups := GroupBySite(alerts)
	if len(groups) != 2 || groups[0][0].Site != "b" || len(groups[0]) != 2 || len(groups[1]) != 4 {
		t.Errorf("groups %v", groups)
	}
}

func TestAlertQuery(t *testing.T) {
	q := AlertQuery{Severity: dewline.Soon, Site: "a&b", Cause: dewline.Restriction, State: "open", Page: 2}
	if got := q.Href(); got != "/?severity=soon&site=a%26b&cause=restriction&state=open&page=2" {
		t.Error(got)
	}
	a := &dewline.Alert{Site: "a", Severity: dewline.Soon, State: dewline.AlertOpen,
		Causes: []dewline.Cause{{Fault: dewline.NoFault, Probability: 0.6}, {Fault: dewline.Restriction, Probability: 0.4}}}
	for _, c := range []struct {
		q       AlertQuery
		shelved bool
		want    bool
	}{
		{AlertQuery{}, false, true}, {AlertQuery{}, true, false}, {AlertQuery{State: StateShelved}, true, true}, {AlertQuery{State: StateShelved}, false, false},
		{AlertQuery{Severity: dewline.Urgent}, false, false}, {AlertQuery{Cause: dewline.Restriction}, false, true}, {AlertQuery{Cause: dewline.NoFault}, false, false},
		{AlertQuery{Owner: "o"}, false, true}, {AlertQuery{Owner: "p"}, false, false}, {AlertQuery{Site: "b"}, false, false}, {AlertQuery{State: "acknowledged"}, false, false},
	} {
		if got := c.q.Matches(a, "o", c.shelved); got != c.want {
			t.Errorf("%+v, shelved %v: %v", c.q, c.shelved, got)
		}
	}
}

// TestEvidence takes apart what analytics joins with semicolons, some sentences of which hold one.
func TestEvidence(t *testing.T) {
	e := evidenceIn("superheat stayed below 2.8 K; superheat 5.9 K below what is usual (±1.6), as a low charge makes it; "+
		"subcooling 0.8 K above what is usual (±0.6); a low charge would move it the other way: against; "+
		"suction dew 2.0 K above what is usual (±1.1); a low charge does not explain it; power 3.0 % below what is usual (±2.0), as a low charge makes it; "+
		"suction dew 0.8 K below what is usual (±1.0), not beyond doubt, as a low charge makes it", Idiom{System: si.SI})
	if len(e.Seen) != 1 || len(e.For) != 3 || len(e.Against) != 2 || e.Against[0] != "Subcooling 0.8 K above what is usual (±0.6); a low charge would move it the other way: against." {
		t.Errorf("%q", e)
	}
	history := []dewline.AlertChange{
		{Change: dewline.Change{By: dewline.ByDewline, Why: "liquid_pressure stands still"}},
		{Change: dewline.Change{By: "Ana", Why: "x; y"}},
	}
	if e := EvidenceOf(history, Idiom{System: si.SI}); len(e.Seen) != 1 || e.Seen[0] != "Liquid pressure stands still." {
		t.Errorf("%q", e)
	}
}

// TestInUnits: 9/5 of a kelvin's number for a difference, with offset for a temperature; 1 psi is
// 6.894757 kPa and 1 in is 25.4 mm (NIST SP 811, appendix B.8).
func TestInUnits(t *testing.T) {
	for text, want := range map[string]string{
		"superheat 5.0 K below (±1.0), by +2.5 K":      "superheat 9.0 °F below (±1.8), by +4.5 °F",
		"at 20.0 °C and 689.5 kPa for 3 days":          "at 68.0 °F and 100.0 psi for 3 days",
		"a bore of 1.65 mm, 40 K/h? 3 Kings":           "a bore of 0.065 in, 72.0 °F/h? 3 Kings",
		"below \u22122.0 K":                            "below \u22123.6 °F",
		"superheat 5.0 K up; power 3.0 % below (±2.0)": "superheat 9.0 °F up; power 3.0 % below (±2.0)",
		"power 3.0 % below (±2.0)":                     "power 3.0 % below (±2.0)",
		"nothing to convert":                           "nothing to convert",
		"within 2.8 K":                                 "within 5.0 °F",
	} {
		if got := InUnits(text, Idiom{System: si.US}); got != want {
			t.Errorf("%q reads %q, want %q", text, got, want)
		}
		if got := InUnits(text, Idiom{System: si.SI}); got != text {
			t.Errorf("in SI %q reads %q", text, got)
		}
	}
}

func TestBring(t *testing.T) {
	orifice := &dewline.System{Metering: dewline.FixedOrifice, Orifice: si.FromMillimetres(1.65), Refrigerant: "R-410A", Charge: 3.1}
	f := func(sys *dewline.System, want string, causes ...dewline.Cause) {
		t.Helper()
		if got := strings.Join(Bring(&dewline.Alert{Causes: causes}, sys, Idiom{System: si.SI}), ", "); got != want {
			t.Errorf("%v: bring %q, want %q", causes, got, want)
		}
	}
	const opening = "3.1\u00a0kg R-410A (plate charge), recovery and vacuum equipment, scale, drier"
	f(orifice, "orifice of 1.65\u00a0mm, "+opening, dewline.Cause{Fault: dewline.Overfeed, Probability: 0.7}, dewline.Cause{Fault: dewline.EvaporatorAirflow, Probability: 0.1})
	f(orifice, "air filter, coil cleaner", dewline.Cause{Fault: dewline.EvaporatorAirflow, Probability: 0.8}) // nothing is opened, so nothing is charged
	valve := &dewline.System{Metering: dewline.TXV, Refrigerant: "R-32"}
	f(valve, "bulb strap and insulation", dewline.Cause{Fault: dewline.Overfeed, Detail: "bulb_loose", Probability: 0.9})
	f(nil, "", dewline.Cause{Fault: dewline.Overfeed, Probability: 0.9})
}

func TestStateWords(t *testing.T) {
	for _, c := range []struct {
		a    dewline.Alert
		want string
	}{
		{dewline.Alert{State: dewline.AlertDispatched}, "under repair"}, {dewline.Alert{State: dewline.AlertVerifying}, "being proved"},
		{dewline.Alert{State: dewline.AlertResolved, Cleared: 1}, "proved"}, {dewline.Alert{State: dewline.AlertResolved}, "closed"},
		{dewline.Alert{State: dewline.AlertDismissed}, "closed"},
	} {
		if got := (Idiom{}).StateWordOf(&c.a); got != c.want {
			t.Errorf("%s reads %q, want %q", c.a.State, got, c.want)
		}
	}
}
