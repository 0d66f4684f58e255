package main

import (
	"bytes"
	"encoding/csv"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dewline"
	"dewline/thermo/si"
)

// TestRecordsOfAVisit follows refrigerant from the technician's scale to the owner's papers, through the
// running service.
func TestRecordsOfAVisit(t *testing.T) {
	t.Parallel()
	text := strings.Replace(repairFleet, "charge: 3.1 kg", "charge: 20 lb", 1) // large enough for the rule
	fleet, err := dewline.ReadFleet("records.yaml", []byte(text), refrigerants{})
	if err != nil {
		t.Fatal(err)
	}
	// The visit takes hours, and what is counted in days must not see it on two.
	now := time.Now().UTC().Add(-time.Hour).Truncate(time.Second)
	if now.Hour() < 3 {
		now = now.Truncate(24 * time.Hour).Add(-time.Hour)
	}
	r := &repair{T: t, s: startTestService(t, serviceOptions{Fleet: fleet}), now: now}
	onset := dewline.MillisOf(r.now.AddDate(0, 0, -2))
	alert := dewline.Alert{ID: "alert1", Site: "quay", System: "quay/hall", Systems: []dewline.SystemID{"quay/hall"}, Condition: dewline.Flooding, Conditions: []dewline.Condition{dewline.Flooding},
		Severity: dewline.Urgent, State: dewline.AlertOpen, Onset: onset, Detected: onset, Causes: []dewline.Cause{{Fault: dewline.Overfeed, Probability: 1}}}
	if err := r.s.relational.PutAlerts(t.Context(), []dewline.AlertChange{{Change: dewline.Change{By: dewline.ByDewline, At: onset}, Alert: alert}}); err != nil {
		t.Fatal(err)
	}
	// An addition of 180 days before is known from paper: 0.5 lb.
	entry := map[string]any{"id": "paper-0001", "system": "quay/hall", "kind": "weighing", "at": r.now.AddDate(0, 0, -180).Format(time.RFC3339), "by": "D. Rowan",
		"refrigerant": "R-410A", "charged_kg": float64(si.FromPounds(0.5)), "note": "=1+1"}
	if code := r.does("POST", "/refrigerant/entries", entry, nil); code != http.StatusBadRequest {
		t.Errorf("a weight that nobody read off a scale: %d", code)
	}
	entry["by_scale"] = true
	r.must("POST", "/refrigerant/entries", entry, nil)
	r.must("POST", "/refrigerant/entries", entry, nil) // the answer was lost

	var call callAnswer
	r.must("POST", "/service-calls", map[string]any{"alerts": []string{"alert1"}, "by": "D. Rowan"}, &call)
	for _, act := range []map[string]any{
		{"do": "assign", "technician": "T. Alder"}, {"do": "schedule", "from": r.now.Add(24 * time.Hour).Format(time.RFC3339), "to": r.now.Add(26 * time.Hour).Format(time.RFC3339)}} {
		act["by"] = "D. Rowan"
		r.must("POST", "/service-calls/"+call.Call.ID+"/actions", act, &call)
	}
	r.followsCalendar(call.Call.ID)
	r.must("POST", "/service-calls/"+call.Call.ID+"/actions", map[string]any{"do": "on_site", "by": "T. Alder"}, &call)

	// 20 lb out, 22 lb in: 2 of 20 lb in 180 days are 20.3 % a year, 12.5 % with the half pound of before.
	visit := r.visit("visit-0001", call.Call.ID, 0.00165)
	visit["certification"], visit["refrigerant"] = "U-4711", []any{
		map[string]any{"at": r.now.Add(-time.Hour).Format(time.RFC3339), "refrigerant": "R-410A", "recovered_kg": float64(si.FromPounds(20))},
		map[string]any{"at": r.now.Add(-10 * time.Minute).Format(time.RFC3339), "refrigerant": "R-410A", "charged_kg": float64(si.FromPounds(22)), "as_liquid": true}}
	r.must("PUT", "/visits/visit-0001", visit, nil)
	var account dewline.RefrigerantAccount
	r.must("GET", "/systems/quay/hall/refrigerant", nil, &account)
	if len(account.Additions) != 1 {
		t.Errorf("a visit that is not closed is in the ledger: %+v", account.Additions)
	}
	r.must("POST", "/visits/visit-0001/close", map[string]any{"by": "T. Alder"}, &call)
	r.must("GET", "/systems/quay/hall/refrigerant", nil, &account)
	r.judges(account)
	var dues struct{ Dues []dewline.Due }
	r.must("GET", "/sites/quay/refrigerant-dues", nil, &dues)
	if len(dues.Dues) == 0 || dues.Dues[0].Kind != dewline.DueRepair || dues.Dues[0].By != dewline.DayOf(dewline.MillisOf(r.now), time.UTC).Add(30) {
		t.Errorf("what is due: %+v", dues.Dues)
	}

	_, body := fetch(t, r.s, "/api/v1/systems/quay/hall/refrigerant.csv")
	rows, err := csv.NewReader(bytes.NewReader(body)).ReadAll()
	if err != nil || len(rows) != 1+3+2+1 || !bytes.Contains(body, []byte(`"'=1+1"`)) { // header, weighings, rates, notice
		t.Errorf("%v: %s", err, body)
	}
	for _, path := range []string{"/service-calls/" + call.Call.ID + "/closing-pack.pdf", "/systems/quay/hall/commissioning.pdf?units=us",
		"/owners/" + fleet.Owners[0].ID + "/reports/" + string(dewline.MonthOf(dewline.MillisOf(time.Now()), time.UTC))} {
		if code, body := fetch(t, r.s, "/api/v1"+path); code != http.StatusOK || !bytes.HasPrefix(body, []byte("%PDF-")) || !bytes.HasSuffix(bytes.TrimSpace(body), []byte("%%EOF")) {
			t.Errorf("%s: %d, %d bytes", path, code, len(body))
		}
	}
	for _, path := range []string{"/exports/service-calls.csv", "/exports/service-calls.json?system=quay/hall"} {
		if code, body := fetch(t, r.s, "/api/v1"+path); code != http.StatusOK || !bytes.Contains(body, []byte(call.Call.ID)) {
			t.Errorf("%s: %d %s", path, code, body)
		}
	}
}

func readTestSettings(t *testing.T, text string) settings {
	t.Helper()
	path := filepath.Join(t.TempDir(), "settings.yaml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := readSettings(path)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func (r *repair) judges(a dewline.RefrigerantAccount) {
	r.Helper()
	if len(a.Rates) != 2 {
		r.Fatalf("leak rates: %+v", a.Rates)
	}
	last := a.Rates[1]
	if p := last.Annualizing.Percent; p == nil || *p < 20.27 || *p > 20.28 || last.Annualizing.Days != 180 {
		r.Errorf("annualizing: %+v", last.Annualizing)
	}
	if p := last.Rolling.Percent; p == nil || *p < 12.499 || *p > 12.501 {
		r.Errorf("rolling average: %+v", last.Rolling)
	}
	if len(last.Over) != 1 || last.Over[0] != "40 CFR 84.106" || !strings.Contains(a.Notice, "not legal advice") {
		r.Errorf("over %v, notice %q", last.Over, a.Notice)
	}
}

// followsCalendar has a technician's calendar show the call, until its link is revoked.
func (r *repair) followsCalendar(call string) {
	r.Helper()
	var link struct{ ID, Token, Path string }
	r.must("POST", "/calendar-links", map[string]any{"by": "D. Rowan", "technician": "T. Alder"}, &link)
	code, feed := fetch(r.T, r.s, link.Path)
	if code != http.StatusOK || !bytes.Contains(feed, []byte("BEGIN:VEVENT")) || !bytes.Contains(feed, []byte(call)) {
		r.Errorf("the calendar: %d %s", code, feed)
	}
	r.must("POST", "/calendar-links/"+link.ID+"/revocation", map[string]any{"by": "D. Rowan"}, nil)
	if code, feed := fetch(r.T, r.s, link.Path); code != http.StatusNotFound || bytes.Contains(feed, []byte(call)) {
		r.Errorf("a calendar that was revoked: %d %s", code, feed)
	}
}

// TestRefrigerantSettings: a settings file says only what differs from the rules.
func TestRefrigerantSettings(t *testing.T) {
	s := readTestSettings(t, "refrigerant:\n  method: rolling_average\n  hfc_rule: {repair_days: 14, triggers: {other: 5}}\n")
	set := s.Refrigerant.orDefault()
	if set.Method != dewline.Rolling || set.HFCRule.RepairDays != 14 || set.HFCRule.FollowUpDays != 10 || set.HFCRule.Triggers[dewline.OtherAppliance] != 5 ||
		set.HFCRule.Triggers[dewline.ComfortCooling] != 10 || set.OzoneRule.RepairDays != 30 || len(set.Ozone) == 0 || set.Validate() != nil {
		t.Errorf("got %+v", set)
	}
	path := filepath.Join(t.TempDir(), "settings.yaml")
	if err := os.WriteFile(path, []byte("refrigerant: {hfc_rule: {repair_dayz: 14}}"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := readSettings(path); err == nil || !strings.Contains(err.Error(), "repair_dayz") {
		t.Errorf("a misspelt setting: %v", err)
	}
	if none := (refrigerantSettings{}).orDefault(); none.Validate() != nil || none.Method != dewline.Annualizing {
		t.Errorf("without settings: %+v", none)
	}
}
