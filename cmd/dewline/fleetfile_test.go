package main

import (
	"context"
	"io"
	"os"
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
