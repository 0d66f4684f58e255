package refrigerant_test

import (
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline"
	"dewline/alerts/refrigerant"
	"dewline/thermo/si"
)

const store dewline.SystemID = "fish-market/cold-room"

// gwps are 100-year values of IPCC AR5 (2013), Table 8.A.1.
type gwps map[string]float64

func (g gwps) GWP(r string) (float64, bool) { v, ok := g[r]; return v, ok }

var known = gwps{"R-448A": 1273, "R-290": 3, "R-22": 1760}

func at(day string, hour int) dewline.Stamp {
	t, err := time.Parse(time.DateOnly, day)
	if err != nil {
		panic(err)
	}
	return dewline.StampOf(t.Add(time.Duration(hour) * time.Hour))
}

var serial int

func entry(kind dewline.LedgerKind, day string) dewline.LedgerEntry {
	serial++
	return dewline.LedgerEntry{ID: fmt.Sprintf("entry-%06d", serial), System: store, Kind: kind, At: at(day, 12), By: "A. Pinto"}
}

func added(day string, amount si.Kilogram) dewline.LedgerEntry {
	e := entry(dewline.LedgerWeighing, day)
	e.Refrigerant, e.Charged, e.Scale = "R-448A", amount, true
	return e
}

func pounds(day string, lb float64) dewline.LedgerEntry { return added(day, si.FromPounds(lb)) }

func appliance(charge si.Kilogram, kind dewline.Kind) refrigerant.Appliance {
	return refrigerant.Appliance{ID: string(store), Zone: time.UTC,
		Systems: []*dewline.System{{ID: store, Kind: kind, Refrigerant: "R-448A", Charge: charge}}}
}

func reckon(a refrigerant.Appliance, now string, entries ...dewline.LedgerEntry) dewline.RefrigerantAccount {
	return refrigerant.Reckon(a, refrigerant.Records{Entries: entries}, refrigerant.DefaultSettings(), known, dewline.Millis(at(now, 18)))
}

func latest(t *testing.T, a dewline.RefrigerantAccount) dewline.LeakRate {
	t.Helper()
	if len(a.Rates) == 0 {
		t.Fatalf("no leak rate in %+v", a)
	}
	return a.Rates[len(a.Rates)-1]
}

func near(t *testing.T, what string, f dewline.LeakFigure, want float64) {
	t.Helper()
	if f.Percent == nil {
		t.Errorf("%s cannot be computed: %s", what, f.Missing)
	} else if math.Abs(*f.Percent-want) > 0.05 {
		t.Errorf("%s: %.3f %%, want %.1f", what, *f.Percent, want)
	}
}

// TestCheckExamples are the computed examples of the project's notes on rules and records (formulas of
// 40 CFR 82.152 and 84.102, annualizing method; worked out by hand, none is printed in the rule).
func TestCheckExamples(t *testing.T) {
	for _, x := range []struct {
		added, charge, percent float64
		days                   int
		over10, over20         bool
	}{
		{5, 60, 16.9, 180, true, false},
		{5, 60, 8.3, 400, false, false},
		{12, 200, 6.0, 365, false, false},
		{30, 150, 80.2, 91, true, true},
	} {
		last := dewline.Day("2031-06-01")
		first := string(last.Add(-x.days))
		for _, kind := range []dewline.Kind{dewline.Packaged, dewline.WalkInCooler} {
			r := latest(t, reckon(appliance(si.FromPounds(x.charge), kind), "2031-06-02", pounds(first, 1), pounds(string(last), x.added)))
			near(t, fmt.Sprintf("%g lb of %g after %d days", x.added, x.charge, x.days), r.Annualizing, x.percent)
			want := x.over10
			if kind == dewline.WalkInCooler { // commercial refrigeration: 20 %
				want = x.over20
			}
			if over := len(r.Over) > 0; over != want {
				t.Errorf("%g of %g lb, %s: over %v, want %v", x.added, x.charge, kind, over, want)
			}
		}
	}
}

// TestRollingExample is the rolling example of the same notes: 4 and 5 lb in 365 days on 60 lb.
func TestRollingExample(t *testing.T) {
	a := appliance(si.FromPounds(60), dewline.Packaged)
	r := latest(t, reckon(a, "2031-06-02", pounds("2029-01-01", 7), pounds("2030-09-01", 4), pounds("2031-06-01", 5)))
	near(t, "rolling", r.Rolling, 15)
	test := entry(dewline.LedgerFollowUp, "2031-01-10")
	test.Passed, test.AllRepaired = true, true
	r = latest(t, reckon(a, "2031-06-02", pounds("2030-09-01", 4), test, pounds("2031-06-01", 5)))
	near(t, "rolling since a successful follow-up test", r.Rolling, 100*5./60)
	if r.Rolling.Since != "2031-01-10" {
		t.Errorf("since %s", r.Rolling.Since)
	}
	test.AllRepaired = false // some leaks are not repaired: the year counts
	r = latest(t, reckon(a, "2031-06-02", pounds("2030-09-01", 4), test, pounds("2031-06-01", 5)))
	near(t, "rolling with leaks left", r.Rolling, 15)
}

// TestRetrofitOfAnOrificeIsNoLeak is the ledger practice of the same notes: 3.1 kg out and 3.1 kg in.
func TestRetrofitOfAnOrificeIsNoLeak(t *testing.T) {
	visit := dewline.Visit{ID: "visit-0001", Call: "call-1", System: store, Started: at("2031-06-01", 8), Finished: at("2031-06-01", 12), Closed: at("2031-06-01", 13),
		Technician: "A. Pinto", Certification: "U-1", Refrigerant: []dewline.Weighing{
			{At: at("2031-06-01", 9), Refrigerant: "R-448A", Recovered: 3.1},
			{At: at("2031-06-01", 11), Refrigerant: "R-448A", Charged: 2}, {At: at("2031-06-01", 11) + 1, Refrigerant: "R-448A", Charged: 1.1}}}
	records := refrigerant.Records{Visits: []dewline.Visit{visit}}
	a := refrigerant.Reckon(appliance(30, dewline.WalkInCooler), records, refrigerant.DefaultSettings(), known, dewline.Millis(at("2031-06-02", 0)))
	if len(a.Additions) != 1 || a.Additions[0].Net != 0 || len(a.Rates) != 0 || len(a.Entries) != 3 {
		t.Errorf("got %+v", a)
	}
}

func TestCannotBeComputed(t *testing.T) {
	a := appliance(30, dewline.WalkInCooler)
	r := latest(t, reckon(a, "2031-06-02", added("2031-06-01", 2)))
	if r.Annualizing.Percent != nil || !strings.Contains(r.Annualizing.Missing, "no earlier addition") {
		t.Errorf("first addition: %+v", r.Annualizing)
	}
	near(t, "rolling of a first addition", r.Rolling, 100*2./30)
	one, two := added("2031-06-01", 2), added("2031-06-01", 3)
	one.Visit, two.Visit, two.At = "morning", "evening", two.At+1
	r = latest(t, reckon(a, "2031-06-02", one, two))
	if r.Annualizing.Percent != nil || !strings.Contains(r.Annualizing.Missing, "same day") {
		t.Errorf("zero days: %+v", r.Annualizing)
	}
	r = latest(t, reckon(appliance(0, dewline.WalkInCooler), "2031-06-02", added("2031-01-01", 2), added("2031-06-01", 2)))
	if r.Annualizing.Percent != nil || r.Rolling.Percent != nil || !strings.Contains(r.Rolling.Missing, "full charge") {
		t.Errorf("no full charge: %+v", r)
	}
}

func TestWhichRule(t *testing.T) {
	for _, x := range []struct {
		refrigerant string
		kind        dewline.Kind
		pounds      float64
		rule        string
		applies     bool
		trigger     float64
	}{ // thresholds: 40 CFR 82.157(a)-(c), and 84.106 from memory
		{"R-22", dewline.Packaged, 50, "40 CFR 82.157", true, 10},
		{"R-22", dewline.Packaged, 49.9, "40 CFR 82.157", false, 0},
		{"R-448A", dewline.WalkInFreezer, 15, "40 CFR 84.106", true, 20},
		{"R-448A", dewline.WalkInFreezer, 14.9, "40 CFR 84.106", false, 0},
		{"R-290", dewline.DisplayCase, 100, "40 CFR 84.106", false, 0}, // GWP 3
		{"R-999Z", dewline.DisplayCase, 100, "40 CFR 84.106", true, 20},
	} {
		a := appliance(si.FromPounds(x.pounds), x.kind)
		a.Systems[0].Refrigerant = x.refrigerant
		s := reckon(a, "2031-06-02").Rules[0]
		if s.Rule != x.rule || s.Applies != x.applies || s.Why == "" || x.applies && *s.Trigger != x.trigger {
			t.Errorf("%s, %g lb: %+v", x.refrigerant, x.pounds, s)
		}
	}
	category := entry(dewline.LedgerCategory, "2031-01-01")
	category.Category = dewline.ResidentialLightCommercial
	if a := reckon(appliance(30, dewline.SplitAC), "2031-06-02", category); a.Rules[0].Applies {
		t.Errorf("residential and light commercial comfort cooling is left out of 84.106: %+v", a.Rules)
	}
	category.Category = dewline.IndustrialProcess
	if a := reckon(appliance(30, dewline.SplitAC), "2031-06-02", category); *a.Rules[0].Trigger != 30 {
		t.Errorf("industrial process refrigeration: %+v", a.Rules)
	}
}

func dues(a dewline.RefrigerantAccount) string {
	var b strings.Builder
	for _, d := range a.Dues {
		fmt.Fprintf(&b, "%s %s %s%s\n", d.Kind, d.By, d.State, strings.TrimSuffix(" "+string(d.Done), " "))
	}
	return b.String()
}

// TestDueDates follows a leak from its finding to the last inspection, by the days of 40 CFR 84.106
// (30 to repair, 10 to follow up, a year of inspections; from memory and a public summary).
func TestDueDates(t *testing.T) {
	a := appliance(si.FromPounds(60), dewline.Packaged)
	entries := []dewline.LedgerEntry{pounds("2030-12-03", 1), pounds("2031-06-01", 5)} // 180 days: 16.9 %
	want := func(now, list string, more ...dewline.LedgerEntry) {
		t.Helper()
		entries = append(entries, more...)
		if got := dues(reckon(a, now, entries...)); got != strings.ReplaceAll(list, "\t", "") {
			t.Errorf("on %s:\n%swant:\n%s", now, got, list)
		}
	}
	want("2031-06-02", "repair 2031-07-01 open\ninitial_verification 2031-07-01 open\ninspection 2032-06-01 open\n")
	want("2031-07-01", "repair 2031-07-01 open\ninitial_verification 2031-07-01 open\ninspection 2032-06-01 open\n")
	want("2031-07-02", "repair 2031-07-01 overdue\ninitial_verification 2031-07-01 overdue\ninspection 2032-06-01 open\nretrofit_or_retire 2032-06-30 open\n")
	extension := entry(dewline.LedgerExtension, "2031-06-20") // 120 days where a process has to be shut down
	extension.Due, extension.Until, extension.Note = dewline.DueRepair, "2031-09-29", "shutdown needed"
	want("2031-07-02", "repair 2031-09-29 open\ninitial_verification 2031-09-29 open\ninspection 2032-06-01 open\n", extension)
	initial := entry(dewline.LedgerInitial, "2031-08-10")
	initial.Passed = true
	want("2031-08-11", "follow_up_verification 2031-08-20 open\nrepair 2031-09-29 done 2031-08-10\ninitial_verification 2031-09-29 done 2031-08-10\ninspection 2032-06-01 open\n", initial)
	followUp := entry(dewline.LedgerFollowUp, "2031-08-21")
	want("2031-08-22", "follow_up_verification 2031-08-20 overdue\nrepair 2031-09-29 done 2031-08-10\ninitial_verification 2031-09-29 done 2031-08-10\n"+
		"inspection 2032-06-01 open\nretrofit_or_retire 2032-08-20 open\n", followUp) // it failed
	again := entry(dewline.LedgerFollowUp, "2031-08-25")
	again.Passed, again.AllRepaired = true, true
	want("2032-06-02", "follow_up_verification 2031-08-20 done 2031-08-25\nrepair 2031-09-29 done 2031-08-10\ninitial_verification 2031-09-29 done 2031-08-10\n"+
		"inspection 2032-06-01 overdue\n", again)
}

func TestQuarterlyInspectionsAndChronicLeaker(t *testing.T) {
	a := appliance(si.FromPounds(500), dewline.WalkInFreezer)
	first := entry(dewline.LedgerInspection, "2031-08-20")
	got := dues(reckon(a, "2031-09-02", pounds("2031-01-01", 330), pounds("2031-06-01", 300), first))
	for _, line := range []string{"inspection 2031-09-01 done 2031-08-20\n", "inspection 2031-12-01 open\n", "inspection 2032-03-01 open\n", "inspection 2032-06-01 open\n",
		"report 2032-03-01 open\n"} { // 630 of 500 lb in 2031: 126 %
		if !strings.Contains(got, line) {
			t.Errorf("no %q in\n%s", line, got)
		}
	}
	if got := dues(reckon(a, "2031-09-02", pounds("2031-01-01", 320), pounds("2031-06-01", 300))); strings.Contains(got, "report") { // 124 %
		t.Errorf("a report is due for 124 %%:\n%s", got)
	}
}

// TestAtTheTrigger: a rate that is the trigger does not exceed it (82.157 asks for repair above it).
func TestAtTheTrigger(t *testing.T) {
	for lb, over := range map[float64]bool{6: false, 6.01: true} { // of 60 lb after a year: 10 %
		r := latest(t, reckon(appliance(si.FromPounds(60), dewline.Packaged), "2031-06-02", pounds("2030-06-01", 1), pounds("2031-06-01", lb)))
		if got := len(r.Over) > 0; got != over {
			t.Errorf("%g of 60 lb: over %v, %+v", lb, got, r.Annualizing)
		}
	}
}

func TestExclusionsAndVoids(t *testing.T) {
	a := appliance(30, dewline.WalkInCooler)
	first, second, third := added("2031-01-01", 20), added("2031-03-01", 5), added("2031-06-01", 3)
	installed, wrong := entry(dewline.LedgerExclusion, "2031-01-02"), entry(dewline.LedgerVoid, "2031-03-02")
	installed.Of, installed.Reason, installed.Note = first.ID, dewline.ExcludedInstallation, "commissioned"
	wrong.Of, wrong.Note = second.ID, "another machine's"
	got := reckon(a, "2031-06-02", first, second, third, installed, wrong)
	if len(got.Rates) != 1 || len(got.Additions) != 2 || got.Additions[0].Excluded != dewline.ExcludedInstallation || len(got.Entries) != 5 {
		t.Fatalf("got %+v", got)
	}
	near(t, "annualizing since the installation", got.Rates[0].Annualizing, 100*3./30*365/151)
	near(t, "rolling without the installation", got.Rates[0].Rolling, 10)
}

// history draws additions and recoveries over three years.
func history(r *rand.Rand) []dewline.LedgerEntry {
	var list []dewline.LedgerEntry
	day := dewline.Day("2028-06-01")
	for range 2 + r.IntN(8) {
		day = day.Add(r.IntN(200))
		e := added(string(day), si.Kilogram(0.1+float64(r.IntN(100))/10))
		e.Visit = fmt.Sprintf("visit %d", len(list))
		if r.IntN(4) == 0 {
			e.Charged, e.Recovered = 0, e.Charged
		}
		e.At += dewline.Stamp(len(list)) // two visits of one day have an order
		list = append(list, e)
	}
	return list
}

func figures(a dewline.RefrigerantAccount) (list []dewline.LeakRate) {
	for _, r := range a.Rates {
		r.At = 0
		list = append(list, r)
	}
	return list
}

// TestProperties holds for any history.
func TestProperties(t *testing.T) {
	for seed := range uint64(2000) {
		r := rand.New(rand.NewPCG(seed, 6))
		a := appliance(si.Kilogram(10+r.IntN(300)), dewline.Kind([]dewline.Kind{dewline.Packaged, dewline.WalkInCooler}[r.IntN(2)]))
		list := history(r)
		now := "2034-01-01"
		plain := reckon(a, now, list...)
		want := figures(plain)
		check := func(what string, got []dewline.LeakRate) {
			t.Helper()
			if !reflect.DeepEqual(got, want) {
				t.Fatalf("seed %d: %s changes leak rates:\n%+v\n%+v", seed, what, got, want)
			}
		}
		shuffled := slices.Clone(list)
		r.Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
		check("order", figures(reckon(a, now, shuffled...)))

		split := slices.Clone(list) // several additions of one visit are one
		i := r.IntN(len(split))
		half := split[i]
		half.ID, half.Charged, half.Recovered = half.ID+"-b", half.Charged/2, half.Recovered/2
		split[i].Charged, split[i].Recovered = split[i].Charged-half.Charged, split[i].Recovered-half.Recovered
		check("splitting a weighing", figures(reckon(a, now, append(split, half)...)))

		out, in := list[i], list[i] // out and in again in one visit
		out.ID, out.Charged, out.Recovered = out.ID+"-o", 0, 3.1
		in.ID, in.Charged, in.Recovered = in.ID+"-i", 3.1, 0
		check("out and in again", figures(reckon(a, now, append(slices.Clone(list), out, in)...)))

		void := entry(dewline.LedgerVoid, "2033-01-01")
		mistake := added("2030-05-05", 7)
		void.Of = mistake.ID
		check("a mistake that was taken back", figures(reckon(a, now, append(slices.Clone(list), mistake, void)...)))

		for _, rate := range plain.Rates {
			share := refrigerant.RollingPercent(rate.Added, rate.FullCharge)
			if p := rate.Annualizing.Percent; p != nil && *p < share-1e-9 {
				t.Fatalf("seed %d: annualized %g is below the share %g that was added", seed, *p, share)
			}
			if p := rate.Rolling.Percent; p == nil || *p < share-1e-3 {
				t.Fatalf("seed %d: the rolling average %v leaves out its own addition, %g", seed, p, share)
			}
		}
		for _, e := range list {
			if e.Recovered > 0 && slices.ContainsFunc(plain.Rates, func(l dewline.LeakRate) bool { return l.Visit == e.Visit }) {
				t.Fatalf("seed %d: a recovery has a leak rate", seed)
			}
		}
	}
}

// TestEstimatesNeverEnter is the rule that only scale weights count.
func TestEstimatesNeverEnter(t *testing.T) {
	e := added("2031-06-01", 2)
	e.Scale = false
	if err := e.Validate(); err == nil || !strings.Contains(err.Error(), "estimate") {
		t.Errorf("an estimate is taken: %v", err)
	}
	if a := reckon(appliance(30, dewline.WalkInCooler), "2031-06-02", e); len(a.Rates)+len(a.Additions) != 0 {
		t.Errorf("an estimate counts: %+v", a)
	}
}

func TestCSVOfAnAccount(t *testing.T) {
	first, second := pounds("2030-12-03", 1), pounds("2031-06-01", 5)
	second.Note, second.Technician = `=HYPERLINK("http://x.invalid")`, "-2+3"
	text := refrigerant.CSV(reckon(appliance(si.FromPounds(60), dewline.Packaged), "2031-06-02", first, second))
	rows, err := csv.NewReader(strings.NewReader(string(text))).ReadAll() // it also checks that all rows are as long
	if err != nil {
		t.Fatal(err)
	}
	column := func(row []string, name string) string { return row[slices.Index(rows[0], name)] }
	if len(rows) != 6 {
		t.Fatalf("%d rows: %q", len(rows), rows)
	}
	for name, want := range map[string]string{"record": "entry", "charged_kg": "2.268", "note": `'=HYPERLINK("http://x.invalid")`, "technician": "'-2+3"} {
		if got := column(rows[2], name); got != want {
			t.Errorf("%s of an entry: %q, want %q", name, got, want)
		}
	}
	for name, want := range map[string]string{"record": "leak_rate", "annualizing_percent": "16.9", "annualizing_days": "180", "rolling_average_percent": "10.0",
		"rolling_average_since": "2030-06-01", "over_trigger_of": "40 CFR 84.106"} {
		if got := column(rows[4], name); got != want {
			t.Errorf("%s of a leak rate: %q, want %q", name, got, want)
		}
	}
	if !strings.Contains(strings.Join(rows[5], " "), "not legal advice") {
		t.Errorf("no notice: %q", rows[5])
	}
}

func TestSettings(t *testing.T) {
	if err := refrigerant.DefaultSettings().Validate(); err != nil {
		t.Error(err)
	}
	for name, spoil := range map[string]func(*refrigerant.Settings){
		"method":   func(s *refrigerant.Settings) { s.Method = "guess" },
		"sites":    func(s *refrigerant.Settings) { s.Sites = map[string]dewline.LeakMethod{"quay": "x"} },
		"triggers": func(s *refrigerant.Settings) { s.HFCRule.Triggers = map[dewline.ApplianceCategory]float64{"boat": 3} },
		"from":     func(s *refrigerant.Settings) { s.HFCRule.From = "soon" },
		"repair":   func(s *refrigerant.Settings) { s.OzoneRule.RepairDays = 0 },
	} {
		s := refrigerant.DefaultSettings()
		spoil(&s)
		if err := s.Validate(); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v", name, err)
		}
	}
	s := refrigerant.DefaultSettings()
	s.Sites = map[string]dewline.LeakMethod{"fish-market": dewline.Rolling}
	a := refrigerant.Reckon(appliance(si.FromPounds(60), dewline.Packaged), refrigerant.Records{Entries: []dewline.LedgerEntry{pounds("2030-12-03", 1), pounds("2031-06-01", 4.9)}},
		s, known, dewline.Millis(at("2031-06-02", 0)))
	if a.Method != dewline.Rolling || len(a.Rates[1].Over) != 0 { // 5.9 of 60 lb is under, annualized it would be over
		t.Errorf("a facility's own method: %+v", a)
	}
}
