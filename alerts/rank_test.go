package alerts

import (
	"strings"
	"testing"

	"dewline"
)

// TestRank holds ranks against the priority classes of the trade (P1 to P4, common practice): raised a
// class where much hangs on the machine, lowered only for what can wait and may be nothing.
func TestRank(t *testing.T) {
	alert := func(s dewline.Severity, innocent float64, conditions ...dewline.Condition) dewline.Alert {
		return dewline.Alert{Severity: s, Condition: conditions[0], Conditions: conditions,
			Causes: []dewline.Cause{{Fault: dewline.Overfeed, Probability: 1 - innocent}, {Fault: dewline.SensorFault, Probability: innocent}}}
	}
	within := func(a dewline.Alert, p10, p50 float64) dewline.Alert {
		a.Forecast = &dewline.Forecast{Limit: "superheat below 2.8 K", DaysP10: p10, DaysP50: p50, DaysP90: p50 + 30}
		return a
	}
	detector := dewline.Alert{Severity: dewline.Soon, Conditions: []dewline.Condition{dewline.ChargeDrift}, Causes: []dewline.Cause{{Fault: dewline.Undercharge, Detail: "refrigerant_detector", Probability: 1}}}
	room := &dewline.System{Kind: dewline.SplitAC}
	high := &dewline.System{Kind: dewline.SplitAC, Importance: dewline.High}
	vaccines := &dewline.System{Kind: dewline.WalkInCooler, Importance: dewline.Critical}
	for name, c := range map[string]struct {
		a        dewline.Alert
		s        *dewline.System
		severity dewline.Severity
		priority dewline.Priority
		reason   string
	}{
		"flooding":                        {alert(dewline.Urgent, 0.1, dewline.Flooding), room, "urgent", "p2", "washes out its oil"},
		"flooding, perhaps the sensor":    {alert(dewline.Urgent, 0.9, dewline.Flooding), room, "urgent", "p2", ""},
		"flooding of vaccines":            {alert(dewline.Urgent, 0.1, dewline.Flooding), vaccines, "urgent", "p1", "critical"},
		"drift":                           {alert(dewline.Watch, 0.1, dewline.ChargeDrift), room, "watch", "p3", ""},
		"drift, perhaps nothing":          {alert(dewline.Watch, 0.6, dewline.ChargeDrift), room, "watch", "p4", "60 %"},
		"drift of something important":    {alert(dewline.Watch, 0.1, dewline.ChargeDrift), high, "watch", "p2", "high importance"},
		"drift of vaccines":               {alert(dewline.Watch, 0.1, dewline.ChargeDrift), vaccines, "soon", "p2", ""},
		"drift, this week":                {within(alert(dewline.Watch, 0.1, dewline.ChargeDrift), 3, 9), room, "soon", "p3", "this week"},
		"drift of vaccines, perhaps not":  {alert(dewline.Watch, 0.45, dewline.ChargeDrift), vaccines, "watch", "p2", "not sure enough"},
		"drift, this week, perhaps not":   {within(alert(dewline.Watch, 0.45, dewline.ChargeDrift), 3, 9), room, "watch", "p3", "if it is a fault"},
		"reached, perhaps not":            {within(alert(dewline.Watch, 0.45, dewline.ChargeDrift), 0, 0), room, "soon", "p3", "is reached"},
		"drift, this year":                {within(alert(dewline.Watch, 0.1, dewline.ChargeDrift), 40, 90), room, "watch", "p3", "40 to 120 days"},
		"warm room":                       {alert(dewline.Soon, 0, dewline.SpaceWarm), room, "soon", "p3", "room"},
		"warm goods":                      {alert(dewline.Urgent, 0, dewline.SpaceWarm), &dewline.System{Kind: dewline.DisplayCase}, "urgent", "p1", "goods"},
		"detector":                        {detector, room, "urgent", "p1", "safety"},
		"sensor of vaccines":              {alert(dewline.Watch, 1, dewline.SensorDoubt), vaccines, "watch", "p4", ""},
		"silent vaccines":                 {alert(dewline.Soon, 0, dewline.Silent), vaccines, "urgent", "p2", ""},
		"a whole site":                    {alert(dewline.Soon, 0, dewline.Silent), nil, "soon", "p3", "nobody is watching"},
		"the gravest of several decides":  {alert(dewline.Soon, 0, dewline.HighHead, dewline.EfficiencyLoss), room, "soon", "p2", "more energy"},
		"an unknown condition is no harm": {alert(dewline.Watch, 0, "purring"), room, "watch", "p4", ""},
	} {
		got := Rank(c.a, c.s)
		if got.Severity != c.severity || got.Priority != c.priority || !strings.Contains(strings.Join(got.Reasons, "\n"), c.reason) {
			t.Errorf("%s: %+v, want %s %s %q", name, got, c.severity, c.priority, c.reason)
		}
		if levelOf(got.Severity) < levelOf(c.a.Severity) {
			t.Errorf("%s: the finding's severity %s fell to %s", name, c.a.Severity, got.Severity)
		}
	}
}

// TestSeverityOnlyRises: an alert on a critical machine is a class higher, and stays at its highest.
func TestSeverityOnlyRises(t *testing.T) {
	b := NewBook()
	b.Fleet = dewline.NewFleet(nil, []dewline.Site{{ID: "quay", Systems: []dewline.System{{ID: "quay/hall", Importance: dewline.Critical}}}})
	f := flooding(day, 0)
	f.Condition, f.Conditions, f.Severity = dewline.ChargeDrift, []dewline.Condition{dewline.ChargeDrift}, dewline.Watch
	severity := func(f dewline.Finding, want dewline.Severity) {
		t.Helper()
		for _, c := range b.Apply([]dewline.Finding{f}) {
			if c.Alert.Severity != want {
				t.Errorf("severity %s, want %s", c.Alert.Severity, want)
			}
		}
	}
	severity(f, dewline.Soon)
	f.Severity, f.At = dewline.Soon, day+1
	severity(f, dewline.Urgent)
	f.Severity, f.At, f.Evidence = dewline.Watch, day+2, []string{"milder"}
	f.Causes = []dewline.Cause{{Fault: dewline.Undercharge, Probability: 1}}
	severity(f, dewline.Urgent)
}
