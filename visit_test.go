package dewline_test

import (
	"encoding/json"
	"strings"
	"testing"

	"dewline"
	"dewline/thermo/si"
)

// TestEvacuationIsJudgedByTheLimitsEntered draws the same vacuum under several makers' limits. A
// micron of mercury is 0.133322 Pa (NIST SP 811, appendix B, from memory).
func TestEvacuationIsJudgedByTheLimitsEntered(t *testing.T) {
	const micron = 0.133322
	limits := func(reach, notOver, hold float64) *dewline.VacuumLimits {
		return &dewline.VacuumLimits{Reach: si.Pascal(reach * micron), NotOver: si.Pascal(notOver * micron), Hold: hold}
	}
	drawn := []dewline.VacuumPoint{{At: 1000, Pressure: 2000 * micron}, {At: 600_000, Pressure: 350 * micron}, {At: 900_000, Pressure: 420 * micron}, {At: 1_205_000, Pressure: 480 * micron}}
	for _, c := range []struct {
		name     string
		limits   *dewline.VacuumLimits
		points   []dewline.VacuumPoint
		isolated dewline.Stamp
		want     dewline.VacuumVerdict
		why      string
	}{
		{"held", limits(500, 500, 600), drawn, 600_000, dewline.VacuumHeld, ""},
		{"a stricter maker", limits(300, 500, 600), drawn, 600_000, dewline.VacuumFailed, "reached"},
		{"rose", limits(500, 450, 600), drawn, 600_000, dewline.VacuumFailed, "rose"},
		{"a shorter test ends before it rose", limits(500, 450, 300), drawn, 600_000, dewline.VacuumHeld, ""},
		{"not watched for long enough", limits(500, 500, 1200), drawn, 600_000, dewline.VacuumUnknown, "watched for 10.1 min of 20 min"},
		{"not isolated", limits(500, 500, 600), drawn, 0, dewline.VacuumUnknown, "valved off"},
		{"no limits", nil, drawn, 600_000, dewline.VacuumUnknown, "maker"},
		{"limits of zero", limits(0, 500, 600), drawn, 600_000, dewline.VacuumUnknown, "maker"},
		{"nothing before", limits(500, 500, 600), drawn[2:], 600_000, dewline.VacuumUnknown, "before"},
	} {
		e := dewline.Evacuation{Limits: c.limits, Points: c.points, Isolated: c.isolated}
		if got, why := e.Judge(); got != c.want || !strings.Contains(why, c.why) {
			t.Errorf("%s: %s, %q; want %s", c.name, got, why, c.want)
		}
	}
}

func TestStampsAreWrittenInUTC(t *testing.T) {
	var s dewline.Stamp
	if err := json.Unmarshal([]byte(`"2031-07-02T16:10:00.5+02:00"`), &s); err != nil {
		t.Fatal(err)
	}
	if text, err := json.Marshal(s); err != nil || string(text) != `"2031-07-02T14:10:00.5Z"` {
		t.Errorf("wrote %s, %v", text, err)
	}
	if err := json.Unmarshal([]byte(`1`), &s); err == nil {
		t.Error("a number was taken for a time")
	}
}

// TestHolds: a hold covers what it names, while it lasts, and never a refrigerant detector unless
// somebody shelved that very alert.
func TestHolds(t *testing.T) {
	machine := dewline.Alert{ID: "m", Site: "quay", System: "quay/hall", Systems: []dewline.SystemID{"quay/hall"}, Conditions: []dewline.Condition{dewline.Flooding}}
	leak := machine
	leak.ID, leak.Conditions, leak.Causes = "l", []dewline.Condition{dewline.ChargeDrift}, []dewline.Cause{{Fault: dewline.Undercharge, Detail: "refrigerant_detector", Probability: 1}}
	site := dewline.Alert{ID: "s", Site: "quay", Systems: []dewline.SystemID{"quay/hall", "quay/attic"}, Conditions: []dewline.Condition{dewline.Silent}}
	hold := dewline.Hold{Site: "quay", From: 10, Until: 20}
	of := func(edit func(*dewline.Hold)) dewline.Hold { h := hold; edit(&h); return h }
	for name, c := range map[string]struct {
		h    dewline.Hold
		a    dewline.Alert
		at   dewline.Millis
		want bool
	}{
		"whole site":              {of(func(h *dewline.Hold) { h.Kind = dewline.HoldMaintenance }), machine, 10, true},
		"before":                  {hold, machine, 9, false},
		"after":                   {hold, machine, 20, false},
		"its system":              {of(func(h *dewline.Hold) { h.System = "quay/hall" }), machine, 15, true},
		"another system":          {of(func(h *dewline.Hold) { h.System = "quay/attic" }), machine, 15, false},
		"another site":            {of(func(h *dewline.Hold) { h.Site = "mole" }), machine, 15, false},
		"a system of several":     {of(func(h *dewline.Hold) { h.System = "quay/hall" }), site, 15, false},
		"shelved":                 {of(func(h *dewline.Hold) { h.Alert = "m" }), machine, 15, true},
		"another one is shelved":  {of(func(h *dewline.Hold) { h.Alert = "l" }), machine, 15, false},
		"detector in maintenance": {of(func(h *dewline.Hold) { h.Kind = dewline.HoldMaintenance }), leak, 15, false},
		"detector shelved":        {of(func(h *dewline.Hold) { h.Alert = "l" }), leak, 15, true},
		"silent site, a machine":  {of(func(h *dewline.Hold) { h.Kind = dewline.HoldSilentSite }), machine, 15, true},
		"power cut, found out":    {of(func(h *dewline.Hold) { h.Kind, h.By = dewline.HoldPowerCut, dewline.ByDewline }), machine, 15, true},
		"power cut, itself":       {of(func(h *dewline.Hold) { h.Kind, h.By = dewline.HoldPowerCut, dewline.ByDewline }), site, 15, false},
		"power cut, entered":      {of(func(h *dewline.Hold) { h.Kind, h.By = dewline.HoldPowerCut, "J." }), site, 15, true},
		"silent site, itself":     {of(func(h *dewline.Hold) { h.Kind = dewline.HoldSilentSite }), site, 15, false},
	} {
		if got := c.h.Holds(c.a, c.at); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}

func TestVisitsThatMakeNoSense(t *testing.T) {
	good := dewline.Visit{ID: "visit-0001", System: "quay/hall", Revision: 1, Started: 1000}
	if err := good.Validate(); err != nil {
		t.Fatal(err)
	}
	for name, edit := range map[string]func(v *dewline.Visit){
		"id":         func(v *dewline.Visit) { v.ID = "../../etc" },
		"system":     func(v *dewline.Visit) { v.System = "hall" },
		"revision":   func(v *dewline.Visit) { v.Revision = 0 },
		"start":      func(v *dewline.Visit) { v.Started = 0 },
		"order":      func(v *dewline.Visit) { v.Finished = 1 },
		"both":       func(v *dewline.Visit) { v.Found, v.NoTroubleFound = &dewline.FoundCause{Fault: dewline.Overfeed}, true },
		"fault":      func(v *dewline.Visit) { v.Found = &dewline.FoundCause{Fault: "gremlins"} },
		"name":       func(v *dewline.Visit) { v.Technician = "a\r\nBcc: b" },
		"our name":   func(v *dewline.Visit) { v.SignedBy = "Dewline" },
		"gauge":      func(v *dewline.Visit) { v.AsFound = []dewline.GaugeReading{{Point: "oil", At: 1}} },
		"weighing":   func(v *dewline.Visit) { v.Refrigerant = []dewline.Weighing{{Refrigerant: "R-32"}} },
		"negative":   func(v *dewline.Visit) { v.Refrigerant = []dewline.Weighing{{Refrigerant: "R-32", Charged: -1}} },
		"bore in mm": func(v *dewline.Visit) { v.Parts = []dewline.PartChanged{{Part: "orifice", BoreNow: 1.65}} },
		"sensor":     func(v *dewline.Visit) { v.Sensors = []dewline.SensorChange{{Point: "serviced", At: 1}} },
		"gauge vacuum": func(v *dewline.Visit) {
			v.Evacuation = &dewline.Evacuation{Points: []dewline.VacuumPoint{{At: 1, Pressure: -101_000}}}
		},
		"too long": func(v *dewline.Visit) { v.Notes = strings.Repeat("a", 300<<10) },
	} {
		v := good
		edit(&v)
		if err := v.Validate(); dewline.CodeOf(err) != dewline.Invalid {
			t.Errorf("%s: %v", name, err)
		}
	}
}
