package main

import (
	"context"
	"io"
	"os"
	"strings"
	"testing"
	"time"

	"dewline"
)

// TestFleetOfPages: what a page changes is enrolled at once, in ingest and analytics too, is there after
// a start, is in a backup, and nobody overwrites what somebody else changed.
func TestFleetOfPages(t *testing.T) {
	data := t.TempDir()
	o := serviceOptions{Fleet: dewline.NewFleet(nil, nil), Data: data, HTTP: "127.0.0.1:0", MQTT: "127.0.0.1:0", OpenMQTT: true}
	s, err := startService(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Stop()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	if err := s.WaitReady(ctx); err != nil {
		t.Fatal(err)
	}
	keeper := &fleetFile{s: s}
	empty, err := keeper.FleetFile(ctx)
	if err != nil || empty.Fixed != "" {
		t.Fatal(empty, err)
	}
	if err := keeper.PutFleetFile(ctx, []byte("sites: [{}]"), empty.Version); dewline.CodeOf(err) != dewline.Invalid {
		t.Errorf("a file that is wrong: %v", err)
	}
	if err := keeper.PutFleetFile(ctx, []byte(repairFleet), empty.Version); err != nil {
		t.Fatal(err)
	}
	if err := keeper.PutFleetFile(ctx, []byte("sites: []"), empty.Version); dewline.CodeOf(err) != dewline.Clash {
		t.Errorf("the second of two people: %v", err)
	}
	id := s.fleet.Load().Systems()[0].ID
	for {
		if _, ok := s.running.Load().analyst.engine.State(id); ok {
			break
		}
		select {
		case <-ctx.Done():
			t.Fatal("analytics does not know of the system that was enrolled")
		case <-time.After(10 * time.Millisecond):
		}
	}
	before, err := os.ReadFile(fleetPath(data) + ".before")
	if err != nil || string(before) != string(empty.Text) {
		t.Errorf("the file before is %q, %v", before, err)
	}
	again, err := (&serveCommand{Data: data}).readFleet()
	if err != nil || len(again.Systems()) == 0 {
		t.Errorf("after a start: %v, %v", again, err)
	}
	archive := t.TempDir() + "/all.tar.zst"
	if err := (&backupCommand{Data: data, File: archive}).Run(ctx, &streams{out: io.Discard, err: io.Discard}); err != nil {
		t.Fatal(err)
	}
	other := t.TempDir()
	if err := (&restoreCommand{Data: other, File: archive}).Run(ctx, &streams{out: io.Discard, err: io.Discard}); err != nil {
		t.Fatal(err)
	}
	if again, err := (&serveCommand{Data: other}).readFleet(); err != nil || len(again.Systems()) == 0 {
		t.Errorf("restored: %v, %v", again, err)
	}
}

// TestFleetOfAFile: a file that --fleet gave is not changed.
func TestFleetOfAFile(t *testing.T) {
	path := t.TempDir() + "/mine.yaml"
	if err := os.WriteFile(path, []byte(repairFleet), 0o600); err != nil {
		t.Fatal(err)
	}
	keeper := &fleetFile{s: &service{o: serviceOptions{FleetFile: path}}}
	file, err := keeper.FleetFile(t.Context())
	if err != nil || file.Fixed == "" || string(file.Text) != repairFleet {
		t.Fatal(file, err)
	}
	if err := keeper.PutFleetFile(t.Context(), []byte("sites: []"), file.Version); dewline.CodeOf(err) != dewline.Forbidden {
		t.Error(err)
	}
}

// TestLeavingTheFleet: what is taken out of the fleet by a page has no open alert any more, and its history
// says why; whatever was found of it before stays.
func TestLeavingTheFleet(t *testing.T) {
	data := t.TempDir()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	fleet, err := dewline.ReadFleet("fleet.yaml", []byte(repairFleet), refrigerants{})
	if err != nil {
		t.Fatal(err)
	}
	start := func() *service {
		t.Helper()
		s, err := startService(ctx, serviceOptions{Fleet: fleet, Data: data, HTTP: "127.0.0.1:0", MQTT: "127.0.0.1:0", OpenMQTT: true})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { s.Stop() })
		if err := s.WaitReady(ctx); err != nil {
			t.Fatal(err)
		}
		return s
	}
	id := fleet.Systems()[0].ID
	at := dewline.MillisOf(time.Now().Add(-time.Hour))
	alert := dewline.Alert{ID: "leaves", Site: id.Site(), System: id, Systems: []dewline.SystemID{id}, Condition: dewline.Flooding, Conditions: []dewline.Condition{dewline.Flooding},
		Severity: dewline.Urgent, State: dewline.AlertDispatched, Onset: at, Detected: at, Causes: []dewline.Cause{{Fault: dewline.Overfeed, Probability: 1}}}
	s := start()
	if err := s.relational.PutAlerts(ctx, []dewline.AlertChange{{Change: dewline.Change{By: dewline.ByDewline, At: at, Why: "found"}, Alert: alert}}); err != nil {
		t.Fatal(err)
	}
	if err := s.Stop(); err != nil {
		t.Fatal(err)
	}
	s = start() // the analyst knows of it now, and the machine is enrolled
	time.Sleep(2 * analystEvery)
	if a, err := s.relational.AlertByID(ctx, alert.ID); err != nil || a.State != dewline.AlertDispatched {
		t.Fatalf("of a machine that is enrolled: %v %s", err, a.State)
	}
	keeper := &fleetFile{s: s}
	file, err := keeper.FleetFile(ctx)
	if err != nil {
		t.Fatal(err)
	}
	text, err := fleet.Without(id).Marshal()
	if err != nil {
		t.Fatal(err)
	}
	if err := keeper.PutFleetFile(ctx, text, file.Version); err != nil {
		t.Fatal(err)
	}
	for {
		a, err := s.relational.AlertByID(ctx, alert.ID)
		if err != nil {
			t.Fatal(err)
		}
		if a.State == dewline.AlertDismissed && a.Cleared != 0 {
			break
		}
		select {
		case <-ctx.Done():
			t.Fatalf("its alert is still %s", a.State)
		case <-time.After(10 * time.Millisecond):
		}
	}
	history, err := s.relational.AlertHistory(ctx, alert.ID)
	if err != nil || len(history) != 2 || history[0].Why != "found" || !strings.Contains(history[1].Why, "taken out of the fleet") {
		t.Errorf("%v %+v", err, history)
	}
}
