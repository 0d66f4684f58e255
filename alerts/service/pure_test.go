package service

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline"
	"dewline/thermo/si"
)

// classes are ASHRAE 34's (as tables of refrigerants print them).
type classes map[string]string

func (c classes) SafetyClass(r string) string { return c[r] }

func prepared(t *testing.T, causes []dewline.Cause, systems ...dewline.System) dewline.ServiceCall {
	t.Helper()
	fleet := dewline.NewFleet(nil, []dewline.Site{{ID: "quay", Systems: systems}})
	var call dewline.ServiceCall
	var list []dewline.Alert
	for _, s := range systems {
		list = append(list, dewline.Alert{ID: string(s.ID), Site: "quay", System: s.ID, Systems: []dewline.SystemID{s.ID}, Severity: dewline.Soon,
			Condition: dewline.Flooding, Conditions: []dewline.Condition{dewline.Flooding}, Causes: causes})
	}
	Prepare(&call, list, fleet, classes{"R-410A": "A1", "R-32": "A2L", "R-290": "A3", "R-717": "B2L"})
	return call
}

func item(call dewline.ServiceCall, key string) (dewline.StockItem, bool) {
	i := slices.IndexFunc(call.Bring, func(s dewline.StockItem) bool { return s.Key == key })
	if i < 0 {
		return dewline.StockItem{}, false
	}
	return call.Bring[i], true
}

func TestWhatToBring(t *testing.T) {
	hall := dewline.System{ID: "quay/hall", Kind: dewline.SplitAC, Refrigerant: "R-410A", Metering: dewline.FixedOrifice, Charge: 3.1, Orifice: 0.00165}
	call := prepared(t, []dewline.Cause{{Fault: dewline.Undercharge, Probability: 0.05}, {Fault: dewline.Overfeed, Detail: "orifice_too_large", Probability: 0.72}, {Fault: dewline.Overcharge, Probability: 0.21}}, hall)
	for _, key := range []string{keyGauges, keyRecovery, keyVacuum, keyScale, keyDrier, "orifice:1.65 mm", "recovery_cylinder:R-410A"} {
		if _, ok := item(call, key); !ok {
			t.Errorf("%s is missing", key)
		}
	}
	if r, _ := item(call, "refrigerant:R-410A"); r.Amount != 3.1 || r.Unit != "kg" {
		t.Errorf("refrigerant %+v, want the plate charge", r)
	}
	if _, ok := item(call, keyLeak); ok {
		t.Error("a leak detector for a cause of 5 %")
	}
	if got := call.Briefs[0]; !strings.Contains(got.Settles, "orifice") || len(got.Checks) < 5 || !slices.Contains(got.Limits, "bore called for 1.65 mm") {
		t.Errorf("brief %+v", got)
	}
	if len(call.Skills) != 1 || call.Caution != dewline.Caution || call.Priority != dewline.P2 {
		t.Errorf("%+v", call)
	}

	// Two machines take the charge of each; one without a stated charge takes none by guess.
	attic := hall
	attic.ID, attic.Charge = "quay/attic", 2
	leak := []dewline.Cause{{Fault: dewline.Undercharge, Probability: 1}}
	if r, _ := item(prepared(t, leak, hall, attic), "refrigerant:R-410A"); r.Amount != 5.1 {
		t.Errorf("two machines: %+v", r)
	}
	attic.Charge = 0
	if r, _ := item(prepared(t, leak, attic), "refrigerant:R-410A"); r.Amount != 0 || !strings.Contains(r.Why, "data plate") {
		t.Errorf("no plate charge: %+v", r)
	}
	// What does not open the circuit takes no certificate and no cylinder.
	for _, c := range []dewline.Cause{{Fault: dewline.EvaporatorAirflow, Probability: 1}, {Fault: dewline.Overfeed, Detail: "bulb_loose", Probability: 1}, {Fault: dewline.SensorFault, Detail: "suction_temp", Probability: 1}} {
		call := prepared(t, []dewline.Cause{c}, hall)
		if _, ok := item(call, keyRecovery); ok || len(call.Skills) != 0 {
			t.Errorf("%+v: %v %v", c, call.Skills, call.Bring)
		}
	}
	for refrigerant, want := range map[string]string{"R-32": "flammable", "R-290": "class A3", "R-717": "toxic", "R-999": "not known"} {
		s := hall
		s.Refrigerant = refrigerant
		if got := fmt.Sprint(prepared(t, leak, s).Skills); !strings.Contains(got, want) {
			t.Errorf("%s: %s", refrigerant, got)
		}
	}
}

// TestLacks closes visits that say too little: each cause asks for what its repair leaves behind.
func TestLacks(t *testing.T) {
	full := func(f dewline.Fault, detail string) *dewline.Visit {
		return &dewline.Visit{Technician: "T.", Finished: 5, Found: &dewline.FoundCause{Fault: f, Detail: detail}, Certification: "U-1", Notes: "n",
			AsFound: []dewline.GaugeReading{{Point: "suction_pressure"}}, AsLeft: []dewline.GaugeReading{{Point: "suction_pressure"}, {Point: "liquid_pressure"}},
			Refrigerant: []dewline.Weighing{{Charged: 3, Recovered: 3}}, Parts: []dewline.PartChanged{{Part: "orifice", BoreWas: 0.002, BoreNow: 0.0016}},
			Sensors: []dewline.SensorChange{{Point: "suction_temp"}},
			Evacuation: &dewline.Evacuation{Limits: &dewline.VacuumLimits{Reach: 67, Hold: 60, NotOver: 100}, Isolated: 10,
				Points: []dewline.VacuumPoint{{At: 5, Pressure: 50}, {At: 70_000, Pressure: 60}}}}
	}
	for _, f := range dewline.Faults() {
		if f != dewline.NoFault {
			if lacks := Lacks(full(f, "")); len(lacks) != 0 {
				t.Errorf("%s: a full record lacks %v", f, lacks)
			}
		}
	}
	for _, c := range []struct {
		fault  dewline.Fault
		detail string
		edit   func(v *dewline.Visit)
		lacks  string
	}{
		{dewline.Overfeed, "", func(v *dewline.Visit) { v.Technician = "" }, "technician"},
		{dewline.Overfeed, "", func(v *dewline.Visit) { v.Finished = 0 }, "finished"},
		{dewline.Overfeed, "", func(v *dewline.Visit) { v.Found = nil }, "no trouble found"},
		{dewline.Overfeed, "", func(v *dewline.Visit) { v.Certification = "" }, "certificate"},
		{dewline.Overfeed, "", func(v *dewline.Visit) { v.AsLeft = v.AsLeft[:1] }, "high-side"},
		{dewline.Overfeed, "orifice_too_large", func(v *dewline.Visit) { v.Parts[0].BoreWas = 0 }, "bore"},
		{dewline.Restriction, "drier", func(v *dewline.Visit) { v.Parts, v.Notes = nil, "" }, "parts"},
		{dewline.Undercharge, "", func(v *dewline.Visit) { v.Notes = " " }, "leak"},
		{dewline.Undercharge, "", func(v *dewline.Visit) { v.Refrigerant[0].Charged = 0 }, "weighed in"},
		{dewline.Overcharge, "", func(v *dewline.Visit) { v.Refrigerant[0].Recovered = 0 }, "recovered"},
		{dewline.NonCondensables, "", func(v *dewline.Visit) { v.Evacuation = nil }, "evacuation"},
		{dewline.NonCondensables, "", func(v *dewline.Visit) { v.Evacuation.Limits = nil }, "limits"},
		{dewline.NonCondensables, "", func(v *dewline.Visit) { v.Evacuation.Points[1].Pressure, v.Notes = 500, "" }, "failed"},
		{dewline.SensorFault, "suction_temp", func(v *dewline.Visit) { v.Sensors, v.Notes = nil, "" }, "sensor"},
		{dewline.CondenserAirflow, "", func(v *dewline.Visit) { v.Notes, v.Parts = "", nil }, "what was done"},
		{"", "", func(v *dewline.Visit) { v.Found, v.NoTroubleFound, v.Notes = nil, true, "" }, "what was checked"},
		{"", "", func(v *dewline.Visit) { v.Found, v.NoTroubleFound, v.AsFound = nil, true, nil }, "as_found"},
	} {
		v := full(c.fault, c.detail)
		c.edit(v)
		if got := Lacks(v); len(got) != 1 || !strings.Contains(got[0], c.lacks) {
			t.Errorf("%s: lacks %q, want %q", c.fault, got, c.lacks)
		}
	}
}

// TestEventsOfAVisit: a sensor that was changed is told, and does not reset what is known of the machine.
func TestEventsOfAVisit(t *testing.T) {
	sensors := &dewline.Visit{ID: "visit-1", System: "quay/hall", Finished: 90, Found: &dewline.FoundCause{Fault: dewline.SensorFault},
		Sensors: []dewline.SensorChange{{Point: "suction_temp", At: 50}, {Point: "liquid_temp", At: 50}}, Technician: "T. Alder"}
	got := eventsOf(sensors)
	if len(got) != 2 || got[0].Kind != dewline.SensorReplaced || got[0].Note != "suction_temp" || got[1].At == got[0].At {
		t.Errorf("%+v", got)
	}
	nothing := &dewline.Visit{System: "quay/hall", NoTroubleFound: true, Finished: 90, Notes: "T. Alder looked"}
	if got := eventsOf(nothing); len(got) != 0 {
		t.Errorf("no trouble found made %+v", got)
	}
	repaired := &dewline.Visit{ID: "visit-2", System: "quay/hall", Finished: 90, Technician: "T. Alder", Notes: "T. Alder", Found: &dewline.FoundCause{Fault: dewline.Overfeed}, Parts: []dewline.PartChanged{{Part: "orifice"}}}
	got = eventsOf(repaired)
	if len(got) != 1 || got[0].Kind != dewline.Serviced || got[0].At != 90 || strings.Contains(got[0].Note, "Alder") {
		t.Errorf("%+v", got)
	}
}

func TestVerdicts(t *testing.T) {
	const day = dewline.Millis(24 * 3_600_000)
	low, high := 3.0, 9.0
	proof := func(edit func(p *dewline.Proof)) []dewline.Proof {
		p := dewline.Proof{System: "quay/hall", SteadyHours: 6, Windows: 12, Days: 2, Measures: []dewline.Measure{{Quantity: "superheat", Unit: "K", Mean: 6, Low: &low, High: &high, Within: 1}}}
		edit(&p)
		return []dewline.Proof{p}
	}
	good := func(*dewline.Proof) {}
	slope := func(perDay, u, span float64) func(p *dewline.Proof) {
		return func(p *dewline.Proof) {
			p.Slope = &dewline.MeasureSlope{PerDay: perDay, Uncertainty: u, SpanDays: span}
		}
	}
	over := dewline.Alert{ID: "a", Condition: dewline.Flooding, Conditions: []dewline.Condition{dewline.Flooding}, State: dewline.AlertResolved, Cleared: 3 * day}
	lasts := over
	lasts.State, lasts.Cleared = dewline.AlertVerifying, 0
	leak := []dewline.Visit{{System: "quay/hall", Found: &dewline.FoundCause{Fault: dewline.Undercharge}}}
	fresh := dewline.Alert{System: "quay/hall", Onset: 2 * day, Condition: dewline.Starving, Conditions: []dewline.Condition{dewline.Starving}}
	doubt := fresh
	doubt.Condition = dewline.SensorDoubt
	for name, c := range map[string]struct {
		f    Facts
		want dewline.Verdict
		why  string
	}{
		"proved":                    {Facts{Alerts: []dewline.Alert{over}, After: proof(good)}, dewline.Verified, "6.0 K over 6.0 h"},
		"the condition still lasts": {Facts{Alerts: []dewline.Alert{lasts}, After: proof(good)}, dewline.CannotTell, "not over yet"},
		"dismissed meanwhile":       {Facts{Alerts: []dewline.Alert{{State: dewline.AlertDismissed}}, After: proof(good)}, dewline.Verified, ""},
		"too few hours":             {Facts{Alerts: []dewline.Alert{over}, After: proof(func(p *dewline.Proof) { p.SteadyHours = 2.5 })}, dewline.CannotTell, "2.5 of 3.0 h"},
		"one day":                   {Facts{Alerts: []dewline.Alert{over}, After: proof(func(p *dewline.Proof) { p.Days = 1 })}, dewline.CannotTell, "1 of 2 days"},
		"nothing came":              {Facts{Alerts: []dewline.Alert{over}, After: []dewline.Proof{{System: "quay/hall", Missing: "it has not run"}}}, dewline.CannotTell, "not run"},
		"still floods":              {Facts{Alerts: []dewline.Alert{lasts}, After: proof(func(p *dewline.Proof) { p.Measures[0].Mean, p.Measures[0].Within = 0.4, 0 })}, dewline.NotVerified, "superheat 0.4 K"},
		"well on average only":      {Facts{Alerts: []dewline.Alert{over}, After: proof(func(p *dewline.Proof) { p.Measures[0].Within = 0.5 })}, dewline.NotVerified, "50 %"},
		"no target known":           {Facts{Alerts: []dewline.Alert{over}, After: proof(func(p *dewline.Proof) { p.Measures = nil })}, dewline.Verified, "no target"},
		"something new":             {Facts{Alerts: []dewline.Alert{over}, Since: []dewline.Alert{fresh}, After: proof(good)}, dewline.NotVerified, "starving"},
		"only a sensor":             {Facts{Alerts: []dewline.Alert{over}, Since: []dewline.Alert{doubt}, After: proof(good)}, dewline.Verified, ""},
		"a leak, too early":         {Facts{Alerts: []dewline.Alert{over}, Visits: leak, After: proof(slope(0, 0.01, 5))}, dewline.CannotTell, "5 of 14 days"},
		"a leak, no slope yet":      {Facts{Alerts: []dewline.Alert{over}, Visits: leak, After: proof(good)}, dewline.CannotTell, "0 of 14 days"},
		"a leak that goes on":       {Facts{Alerts: []dewline.Alert{over}, Visits: leak, After: proof(slope(-0.1, 0.02, 20))}, dewline.NotVerified, "falls by 0.10"},
		"a leak that is tight":      {Facts{Alerts: []dewline.Alert{over}, Visits: leak, After: proof(slope(-0.01, 0.02, 20))}, dewline.Verified, "holds over 20 days"},
		"a sensor's own data":       {Facts{Alerts: []dewline.Alert{over}}, dewline.Verified, ""},
		"never proved":              {Facts{Now: 40 * day, Alerts: []dewline.Alert{lasts}, After: proof(good)}, dewline.NotVerified, "within 30 days"},
	} {
		if c.f.Finished = day; c.f.Now == 0 {
			c.f.Now = 5 * day
		}
		v := UsualNeed.Judge(c.f)
		if v.Verdict != c.want || !strings.Contains(strings.Join(v.Why, "; "), c.why) {
			t.Errorf("%s: %s, %q; want %s with %q", name, v.Verdict, v.Why, c.want, c.why)
		}
	}
}

// TestWilson holds the interval against values of the score interval printed for 0 of 10 and 5 of 10,
// and 81 of 263 (R. G. Newcombe, "Two-sided confidence intervals for the single proportion", Statistics in
// Medicine 17 (1998), table I, method 3; from memory).
func TestWilson(t *testing.T) {
	for _, c := range []struct {
		count, of int
		low, high float64
	}{{0, 20, 0, 0.1611}, {1, 29, 0.0061, 0.1718}, {15, 148, 0.0624, 0.1605}, {81, 263, 0.2553, 0.3662}} {
		r := Wilson(c.count, c.of)
		if math.Abs(r.Low-c.low) > 5e-5 || math.Abs(r.High-c.high) > 5e-5 {
			t.Errorf("%d of %d: %.4f to %.4f, want %.4f to %.4f", c.count, c.of, r.Low, r.High, c.low, c.high)
		}
	}
	if r := Wilson(0, 0); r.Low != 0 || r.High != 1 {
		t.Errorf("of nothing: %+v", r)
	}
	if r := Wilson(7, 7); r.High != 1 || r.Low < 0.5 {
		t.Errorf("7 of 7: %+v", r)
	}
}

func TestReportCounts(t *testing.T) {
	r := Summarise([]Outcome{
		{dewline.Overfeed, dewline.Overfeed, dewline.Verified, false},
		{dewline.Overfeed, dewline.Overfeed, dewline.NotVerified, false},
		{dewline.Overfeed, dewline.Undercharge, dewline.Verified, true},
		{dewline.Overfeed, dewline.NoFault, dewline.CannotTell, false},
		{dewline.Undercharge, dewline.Undercharge, dewline.CannotTell, false},
		{dewline.NoFault, dewline.NoFault, dewline.Verified, false},
	})
	if len(r.Faults) != 2 || r.Faults[0].Fault != dewline.Overfeed || r.Faults[0].Precision.Count != 2 || r.Faults[0].Precision.Of != 4 || r.Faults[0].Other != 1 || r.Faults[0].NoTrouble != 1 {
		t.Errorf("faults %+v", r.Faults)
	}
	for name, c := range map[string]struct {
		got       dewline.Rate
		count, of int
	}{"no trouble": {r.NoTroubleFound, 2, 6}, "callbacks": {r.Callbacks, 2, 4}, "verified": {r.Verified, 3, 4}} {
		if c.got.Count != c.count || c.got.Of != c.of {
			t.Errorf("%s: %+v", name, c.got)
		}
	}
}

// TestCallback: a return within 30 days makes the new call follow the old one, which counts as a callback.
func TestCallback(t *testing.T) {
	w := newWorld(t, 1)
	raise := func() string {
		f := w.finding(0, w.now-1000)
		if err := w.store.tell(w.book.Apply([]dewline.Finding{f})); err != nil {
			t.Fatal(err)
		}
		return dewline.AlertID(f.System, dewline.Overfeed, f.Onset)
	}
	first := raise()
	one, err := w.service.MakeCall(t.Context(), dewline.CallRequest{Alerts: []string{first}, By: "D."})
	if err != nil {
		t.Fatal(err)
	}
	v := dewline.Visit{ID: "visit-0001", Call: one.Call.ID, System: "quay/a", Revision: 1, Started: dewline.Stamp(w.now), Finished: dewline.Stamp(w.now), Technician: "T.", Notes: "n", Found: &dewline.FoundCause{Fault: dewline.Overfeed}}
	if _, err := w.service.PutVisit(t.Context(), v); err != nil {
		t.Fatal(err)
	}
	if _, err := w.service.CloseVisit(t.Context(), v.ID, dewline.Closing{By: "T."}); err != nil {
		t.Fatal(err)
	}
	w.now = w.now.Add(48 * time.Hour)
	end := w.finding(0, 0)
	end.Cleared = w.now
	if err := w.store.tell(w.book.Apply([]dewline.Finding{end})); err != nil {
		t.Fatal(err)
	}
	w.now = w.now.Add(10 * 24 * time.Hour)
	two, err := w.service.MakeCall(t.Context(), dewline.CallRequest{Alerts: []string{raise()}, By: "D."})
	if err != nil || two.Call.Follows != one.Call.ID {
		t.Fatalf("the second call follows %q, want %q (%v)", two.Call.Follows, one.Call.ID, err)
	}
	r, err := w.service.Report(t.Context(), 0, w.now)
	if err != nil || r.Visits != 1 || r.Callbacks.Count != 1 || r.Faults[0].Precision.Count != 1 {
		t.Errorf("%+v, %v", r, err)
	}
}

// TestVanStock shows what is missing in the van of who goes.
func TestVanStock(t *testing.T) {
	w := newWorld(t, 1)
	f := w.finding(0, w.now-1000)
	if err := w.store.tell(w.book.Apply([]dewline.Finding{f})); err != nil {
		t.Fatal(err)
	}
	c, err := w.service.MakeCall(t.Context(), dewline.CallRequest{Alerts: []string{dewline.AlertID(f.System, dewline.Overfeed, f.Onset)}, By: "D."})
	if err != nil {
		t.Fatal(err)
	}
	if c, err = w.service.ActOnCall(t.Context(), c.Call.ID, dewline.CallAct{Do: dewline.Assign, By: "D.", Technician: "T."}); err != nil || c.Call.Bring[0].InVan != nil {
		t.Fatalf("a van whose stock is not kept: %+v, %v", c.Call.Bring, err)
	}
	if err := w.service.PutStock(t.Context(), "T.", []dewline.StockItem{{Key: "refrigerant:R-410A", Amount: 1.5, Unit: "kg"}}); err != nil {
		t.Fatal(err)
	}
	if c, err = w.service.CallCase(t.Context(), c.Call.ID); err != nil {
		t.Fatal(err)
	}
	if r, _ := item(c.Call, "refrigerant:R-410A"); r.InVan == nil || *r.InVan != 1.5 || si.Kilogram(r.Amount) != 3.1 {
		t.Errorf("refrigerant %+v", r)
	}
	if r, _ := item(c.Call, keyScale); r.InVan == nil || *r.InVan != 0 {
		t.Errorf("scale %+v", r)
	}
}

// TestActSentAgain: an act that was kept on a phone is taken once, however often it is sent, and at the time
// at which it was done as far as that can be.
func TestActSentAgain(t *testing.T) {
	w := newWorld(t, 1)
	f := w.finding(0, w.now-1000)
	if err := w.store.tell(w.book.Apply([]dewline.Finding{f})); err != nil {
		t.Fatal(err)
	}
	c, err := w.service.MakeCall(t.Context(), dewline.CallRequest{Alerts: []string{dewline.AlertID(f.System, dewline.Overfeed, f.Onset)}, By: "D."})
	if err != nil {
		t.Fatal(err)
	}
	act := func(a dewline.CallAct) dewline.CallCase {
		t.Helper()
		c, err := w.service.ActOnCall(t.Context(), c.Call.ID, a)
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	act(dewline.CallAct{Do: dewline.Assign, By: "D.", Technician: "T."})
	assigned := w.now
	w.now = w.now.Add(2 * time.Hour)
	left := dewline.CallAct{ID: "left", At: dewline.Stamp(assigned.Add(time.Hour)), Do: dewline.OnTheWay, By: "T."}
	act(left)
	act(left)
	arrived := dewline.CallAct{ID: "arrived", At: dewline.Stamp(assigned), Do: dewline.OnSite, By: "T."} // by a clock that is wrong
	act(arrived)
	act(left)
	c = act(arrived)
	if c.Call.State != dewline.CallOnSite || len(c.History) != 4 || c.History[2].At != assigned.Add(time.Hour) || c.History[3].At != c.History[2].At {
		t.Errorf("%s, %+v", c.Call.State, c.History)
	}
	if _, err := w.service.ActOnCall(t.Context(), c.Call.ID, dewline.CallAct{ID: "another", Do: dewline.OnSite, By: "T."}); dewline.CodeOf(err) != dewline.Clash {
		t.Errorf("another act of the same kind: %v", err)
	}
	if _, err := w.service.ActOnCall(t.Context(), c.Call.ID, dewline.CallAct{ID: strings.Repeat("x", 65), Do: dewline.OnSite, By: "T."}); dewline.CodeOf(err) != dewline.Invalid {
		t.Errorf("an id without end: %v", err)
	}
}
