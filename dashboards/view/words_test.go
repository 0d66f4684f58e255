package view_test

import (
	"math"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"dewline"
	"dewline/dashboards/view"
)

func reader(now time.Time) view.Reader { return view.Reader{Now: now, Zone: time.UTC} }

func TestNumbers(t *testing.T) {
	f := func(v float64, decimals int, want string) {
		t.Helper()
		if got := view.Decimal(v, decimals); got != want {
			t.Errorf("Decimal(%v, %d) = %q, want %q", v, decimals, got, want)
		}
	}
	f(6.25, 1, "6.2")
	f(-1.26, 1, "\u22121.3")
	f(-0.04, 1, "0.0") // no sign on what is zero as shown
	f(math.NaN(), 1, view.NoValue)
	f(math.Inf(1), 1, view.NoValue)
	for n, want := range map[int64]string{0: "0", 999: "999", 1000: "1\u202f000", 1234567: "1\u202f234\u202f567", -4012: "\u22124\u202f012"} {
		if got := view.Count(n); got != want {
			t.Errorf("Count(%d) = %q, want %q", n, got, want)
		}
	}
}

func TestMeasured(t *testing.T) {
	f := func(e dewline.Estimate, unit, want string) {
		t.Helper()
		if got := view.MeasuredOf(e, unit).String(); got != want {
			t.Errorf("%+v is written %q, want %q", e, got, want)
		}
	}
	// ± is expanded, k = 2 (JCGM 100:2008, 6.2.1), and rounds the value with it (7.2.6).
	f(dewline.Estimate{Value: 6.34, Uncertainty: 0.55}, "K", "6.3 ± 1.1\u00a0K")
	f(dewline.Estimate{Value: 2618.4, Uncertainty: 32}, "kPa", "2618 ± 64\u00a0kPa")
	f(dewline.Estimate{Value: 3.1}, "", "3.1")
	f(dewline.Estimate{Missing: "no sensor"}, "K", "–")
}

func TestSpans(t *testing.T) {
	for d, want := range map[time.Duration]string{
		-time.Second: "0 s", 40 * time.Second: "40 s", 52 * time.Minute: "52 min", 89*time.Minute + 31*time.Second: "90 min",
		3 * time.Hour: "3 h", 35 * time.Hour: "35 h", 36 * time.Hour: "2 days", 9*24*time.Hour + 5*time.Hour: "9 days",
	} {
		if got := (view.Idiom{}).Span(d); got != want {
			t.Errorf("%s is %q, want %q", d, got, want)
		}
	}
}

func TestAges(t *testing.T) {
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2031, 7, 3, 16, 12, 20, 0, time.UTC)
	f := func(ago time.Duration, text, site string) {
		t.Helper()
		got := (view.Reader{Now: now, Zone: lisbon}).Age(dewline.MillisOf(now.Add(-ago)))
		if got.Text != text || got.Site != site {
			t.Errorf("%s: %q %q, want %q %q", ago, got.Text, got.Site, text, site)
		}
	}
	f(40*time.Second, "40 s ago", "17:11") // Lisbon is an hour ahead of UTC in summer
	f(0, "now", "17:12")
	f(-time.Minute, "now", "17:13") // a device's clock ahead of ours
	f(30*time.Hour, "30 h ago", "2 Jul 11:12")
	f(400*24*time.Hour, "400 days ago", "29 May 2030")
	if got := (view.Reader{Now: now, Zone: lisbon}).Age(0); got.Text != "" {
		t.Errorf("never is %+v", got)
	}
}

func TestAlertLine(t *testing.T) {
	now := time.Date(2031, 7, 2, 15, 2, 0, 0, time.UTC)
	sys := &dewline.System{ID: "quay-library/hall-ac", Name: "Reading hall split", Kind: dewline.SplitAC, Metering: dewline.FixedOrifice}
	site := &dewline.Site{ID: "quay-library", Name: "Quay Library", Timezone: time.UTC}
	state := running()
	state.Values[dewline.Superheat] = dewline.Estimate{Value: 0.4, Uncertainty: 0.55}
	a := alert(dewline.Flooding, dewline.Urgent, dewline.AlertAcknowledged)
	a.Conditions = append(a.Conditions, dewline.HighHead)
	a.Onset = dewline.MillisOf(now.Add(-52 * time.Minute))
	a.Forecast = &dewline.Forecast{Limit: "superheat below 2.8 K"}
	l := view.AlertLineOf(&a, site, sys, state, reader(now))
	got := strings.Join([]string{l.Severity, l.Deadline, l.State, l.Title, l.Place, l.Href, l.What, l.Number, l.How, l.Likely, l.Limit}, "|")
	want := "urgent|today|acknowledged|Reading hall split|Quay Library|/systems/quay-library/hall-ac|" +
		"Flooding: liquid is reaching the compressor, or superheat drifts to it. Also: high head pressure.|" +
		"Superheat 0.4 ± 1.1\u00a0K, expected above 2.8.|Since 14:10, 52 min.|" +
		"Likely: the metering device passes too much: orifice too large (80\u00a0%).|Limit reached already."
	if got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}

	a.Forecast = &dewline.Forecast{Limit: "subcooling below 1.0 K", DaysP10: 1.5, DaysP50: 11.4, DaysP90: 20}
	if l := view.AlertLineOf(&a, site, sys, state, reader(now)); l.Limit != "Subcooling below 1.0 K in about 11 days, 1.5 to 20." {
		t.Errorf("forecast: %s", l.Limit)
	}
	a.State, a.Cleared = dewline.AlertResolved, a.Onset.Add(30*time.Minute)
	if l := view.AlertLineOf(&a, site, sys, state, reader(now)); !l.Ended || l.Number != "" || l.How != "From 14:10 for 30 min, over since 14:40." || l.Health != dewline.HealthWell {
		t.Errorf("ended: %+v", l)
	}
	whole := dewline.Alert{Site: "quay-library", Systems: []dewline.SystemID{"quay-library/a", "quay-library/b"}, Condition: dewline.Silent, Severity: dewline.Soon, State: dewline.AlertOpen}
	if l := view.AlertLineOf(&whole, site, nil, dewline.SystemState{}, reader(now)); l.Title != "The whole site, 2 machines" || l.Href != "" {
		t.Errorf("whole site: %+v", l)
	}
	if l := view.AlertLineOf(&a, nil, nil, dewline.SystemState{}, reader(now)); l.Title != "quay-library/hall-ac" {
		t.Errorf("no longer enrolled: %+v", l)
	}
}

// TestEveryWord: whatever the vocabulary grows by, no page shows a raw name with underscores, and
// every state of an alert reads as the trade says it.
func TestEveryWord(t *testing.T) {
	for _, c := range []dewline.Condition{dewline.Flooding, dewline.HotDischarge, dewline.HighHead, dewline.NotRunning, dewline.SpaceWarm, dewline.Freezing,
		dewline.Starving, dewline.ShortCycling, dewline.Hunting, dewline.CapacityLoss, dewline.EfficiencyLoss, dewline.ChargeDrift, dewline.SensorDoubt, dewline.Silent} {
		if w := (view.Idiom{}).ConditionWord(c); w == "" || strings.Contains(w, "_") {
			t.Errorf("condition %s reads %q", c, w)
		}
	}
	for _, f := range []dewline.Fault{dewline.Undercharge, dewline.Overcharge, dewline.Restriction, dewline.Overfeed, dewline.EvaporatorAirflow, dewline.CondenserAirflow,
		dewline.NonCondensables, dewline.CompressorLeakage, dewline.ReversingValve, dewline.DefrostFault, dewline.SensorFault, dewline.Communication} {
		if w := (view.Idiom{}).FaultWord(f); strings.Contains(w, "_") {
			t.Errorf("fault %s reads %q", f, w)
		}
	}
	if got := (view.Idiom{}).ConditionWord("oil_return"); got != "oil return" {
		t.Errorf("a later word reads %q", got)
	}
}

func TestHeadline(t *testing.T) {
	f := func(counts map[dewline.Health]int, want string) {
		t.Helper()
		total := 0
		for _, n := range counts {
			total += n
		}
		if got := (view.Idiom{}).Headline(counts, total); got != want {
			t.Errorf("%v: %q, want %q", counts, got, want)
		}
	}
	f(map[dewline.Health]int{dewline.HealthWell: 1}, "Nothing needs you. The one machine is well.")
	f(map[dewline.Health]int{dewline.HealthWell: 12}, "Nothing needs you. All 12 machines are well.")
	f(map[dewline.Health]int{dewline.HealthWell: 3, dewline.HealthLearning: 1}, "Nothing needs you. 3 machines are well, 1 is learning.")
	f(map[dewline.Health]int{dewline.HealthLearning: 2}, "2 machines are learning what is normal.")
	f(map[dewline.Health]int{dewline.HealthUrgent: 2, dewline.HealthSoon: 1, dewline.HealthWell: 19}, "2 machines need someone today, 1 this week. Nothing is asked of the other 19.")
	f(map[dewline.Health]int{dewline.HealthSilent: 1}, "1 is silent.")
}
