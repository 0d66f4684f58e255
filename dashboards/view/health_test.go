package view_test

import (
	"strings"
	"testing"

	"dewline"
	"dewline/dashboards/view"
)

// running is a machine that runs steadily, with a day of it behind.
func running() dewline.SystemState {
	return dewline.SystemState{
		System: "quay-library/hall-ac", At: 1000, Received: 1000, Running: true, Steady: true, SteadyMinutes: 52,
		Values: map[dewline.Derived]dewline.Estimate{
			dewline.Superheat:  {Value: 6.3, Uncertainty: 0.55},
			dewline.Subcooling: {Value: 5.4, Uncertainty: 0.62},
		},
		Rolling24H: map[dewline.Derived]dewline.Summary{dewline.Superheat: {Mean: 6.1, Count: 900}, dewline.Subcooling: {Mean: 5.2, Count: 900}},
	}
}

func alert(c dewline.Condition, sev dewline.Severity, state dewline.AlertState) dewline.Alert {
	return dewline.Alert{ID: string(c), Site: "quay-library", System: "quay-library/hall-ac", Condition: c, Conditions: []dewline.Condition{c},
		Severity: sev, State: state, Causes: []dewline.Cause{{Fault: dewline.NoFault, Probability: 0.2}, {Fault: dewline.Overfeed, Detail: "orifice_too_large", Probability: 0.8}}}
}

func TestAssess(t *testing.T) {
	still := running()
	still.Running = false
	still.Values = map[dewline.Derived]dewline.Estimate{dewline.Superheat: {Missing: "the compressor stands still"}}
	blind := running()
	blind.Values = map[dewline.Derived]dewline.Estimate{dewline.Superheat: {Missing: "the suction sensor reads outside its range"}}
	fresh := running()
	fresh.Rolling24H = nil
	waiting := dewline.SystemState{Received: 1000}
	flooding := alert(dewline.Flooding, dewline.Urgent, dewline.AlertOpen)
	possible := alert(dewline.ChargeDrift, dewline.Watch, dewline.AlertOpen)
	possible.Causes = []dewline.Cause{{Fault: dewline.NoFault, Probability: 0.6}, {Fault: dewline.Undercharge, Probability: 0.4}}
	for _, c := range []struct {
		name   string
		state  dewline.SystemState
		known  bool
		alerts []dewline.Alert
		want   dewline.Health
		says   string
	}{
		{"nothing has arrived", dewline.SystemState{}, false, nil, dewline.HealthLearning, "No reading has arrived"},
		{"not analysed yet", waiting, true, nil, dewline.HealthLearning, "late ones"},
		{"no day behind it", fresh, true, nil, dewline.HealthLearning, "nothing to judge by"},
		{"runs well", running(), true, nil, dewline.HealthWell, "No alert"},
		{"stands still and was well", still, true, nil, dewline.HealthWell, "No alert"},
		{"runs and is blind", blind, true, nil, dewline.HealthDoubtful, "outside its range"},
		{"urgent", running(), true, []dewline.Alert{flooding}, dewline.HealthUrgent, "Likely: the metering device passes too much: orifice too large (80\u00a0%)"},
		{"acknowledged is still urgent", running(), true, []dewline.Alert{alert(dewline.Flooding, dewline.Urgent, dewline.AlertAcknowledged)}, dewline.HealthUrgent, "Acknowledged"},
		{"soon", running(), true, []dewline.Alert{alert(dewline.Starving, dewline.Soon, dewline.AlertOpen)}, dewline.HealthSoon, "starved"},
		{"watch drifts", running(), true, []dewline.Alert{alert(dewline.ChargeDrift, dewline.Watch, dewline.AlertOpen)}, dewline.HealthDrifting, "subcooling leaves"},
		{"watch that is most likely nothing", running(), true, []dewline.Alert{possible}, dewline.HealthDrifting, "Most likely no fault (60\u00a0%), otherwise "},
		{"an alert of while it learns", fresh, true, []dewline.Alert{alert(dewline.ChargeDrift, dewline.Watch, dewline.AlertOpen)}, dewline.HealthDrifting, ""},
		{"sensor doubt, however severe", running(), true, []dewline.Alert{alert(dewline.SensorDoubt, dewline.Urgent, dewline.AlertOpen)}, dewline.HealthDoubtful, "cannot be believed"},
		{"silent, however severe", running(), true, []dewline.Alert{alert(dewline.Silent, dewline.Watch, dewline.AlertOpen)}, dewline.HealthSilent, "no reading arrives"},
		{"dispatched", running(), true, []dewline.Alert{alert(dewline.Flooding, dewline.Urgent, dewline.AlertDispatched)}, dewline.HealthUnderRepair, "Under repair"},
		{"being proved", running(), true, []dewline.Alert{alert(dewline.Flooding, dewline.Urgent, dewline.AlertVerifying)}, dewline.HealthUnderRepair, "Being proved"},
		{"one under repair, another urgent", running(), true,
			[]dewline.Alert{alert(dewline.Starving, dewline.Soon, dewline.AlertDispatched), flooding}, dewline.HealthUrgent, "liquid"},
		{"urgent and silent", running(), true, []dewline.Alert{alert(dewline.Silent, dewline.Soon, dewline.AlertOpen), flooding}, dewline.HealthUrgent, "liquid"},
		{"ended alerts say nothing", running(), true, []dewline.Alert{alert(dewline.Flooding, dewline.Urgent, dewline.AlertResolved),
			alert(dewline.Flooding, dewline.Urgent, dewline.AlertDismissed)}, dewline.HealthWell, "No alert"},
	} {
		got := view.Assess(c.state, c.known, c.alerts)
		if got.Health != c.want || !strings.Contains(got.Reason(view.Idiom{}), c.says) {
			t.Errorf("%s: %s because %q, want %s with %q", c.name, got.Health, got.Reason(view.Idiom{}), c.want, c.says)
		}
	}
}

// TestAssessOrder: the order in which alerts come must not change what is said.
func TestAssessOrder(t *testing.T) {
	all := []dewline.Alert{alert(dewline.ChargeDrift, dewline.Watch, dewline.AlertOpen), alert(dewline.SensorDoubt, dewline.Soon, dewline.AlertOpen),
		alert(dewline.Starving, dewline.Soon, dewline.AlertOpen), alert(dewline.Silent, dewline.Soon, dewline.AlertOpen)}
	for range len(all) {
		all = append(all[1:], all[0])
		if got := view.Assess(running(), true, all).Health; got != dewline.HealthSilent {
			t.Errorf("%v first: %s", all[0].Condition, got)
		}
	}
}

func TestBands(t *testing.T) {
	for _, c := range []struct {
		name    string
		system  dewline.System
		sh, sub string
	}{
		{"fixed orifice has no constant target", dewline.System{Kind: dewline.SplitAC, Metering: dewline.FixedOrifice, TargetSubcooling: 5.6}, "above 2.8", "3.9 to 7.3"},
		{"valve on a comfort machine", dewline.System{Kind: dewline.HeatPump, Metering: dewline.TXV}, "2.8 to 11.0", ""},
		{"valve on a cold store", dewline.System{Kind: dewline.WalkInCooler, Metering: dewline.TXV}, "above 2.8", ""},
		// 12 °F at the compressor, within 5 °F: 7 to 17 °F.
		{"target at the compressor", dewline.System{Kind: dewline.Packaged, Metering: dewline.TXV, TargetSuperheat: 12 * 5.0 / 9, TargetSuperheatAt: dewline.AtCompressor}, "3.9 to 9.4", ""},
		{"target at the coil holds there", dewline.System{Kind: dewline.WalkInFreezer, Metering: dewline.EEV, TargetSuperheat: 7, TargetSuperheatAt: dewline.AtCoil}, "above 2.8", ""},
		// California 2008 RA3.2.2: within 3 °F of a target of 10 °F is 7 to 13 °F.
		{"subcooling within 3 °F", dewline.System{Metering: dewline.TXV, TargetSubcooling: 10 * 5.0 / 9}, "above 2.8", "3.9 to 7.2"},
		{"a small target never asks for negative subcooling", dewline.System{Metering: dewline.TXV, TargetSubcooling: 1}, "above 2.8", "0.0 to 2.7"},
	} {
		if got := view.ExpectedSuperheat(&c.system).Words(view.Idiom{}); got != c.sh {
			t.Errorf("%s: superheat %q, want %q", c.name, got, c.sh)
		}
		if got := view.ExpectedSubcooling(&c.system).Words(view.Idiom{}); got != c.sub {
			t.Errorf("%s: subcooling %q, want %q", c.name, got, c.sub)
		}
	}
}
