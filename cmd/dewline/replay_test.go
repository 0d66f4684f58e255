package main

import (
	"bytes"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"dewline"
	"dewline/analytics"
	"dewline/cmd/dewline/simfleet"
)

func TestDiaryIsInOrder(t *testing.T) {
	got := diaryOf(&analytics.Output{Diary: []dewline.DayNote{{System: "quay/b", Day: 2}, {System: "quay/b", Day: 1}, {System: "quay/a", Day: 2}}})
	if len(got) != 3 || got[0].Day != 1 || got[1].System != "quay/a" || got[2].System != "quay/b" {
		t.Errorf("%+v", got)
	}
}

// TestReplayWritesTheDiary: one line of JSON for each system and UTC day, the same each time.
func TestReplayWritesTheDiary(t *testing.T) {
	const systems, days = 2, 2
	begin := time.Date(2031, 7, 1, 0, 0, 0, 0, time.UTC)
	end := begin.AddDate(0, 0, days).Add(-time.Hour)
	f, err := simfleet.New(simfleet.Options{Seed: 3, Start: begin, Present: end, Systems: systems,
		Sampling: dewline.Sampling{Kind: dewline.SampledInstant, Interval: 5 * time.Minute}})
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	fleet, readings := filepath.Join(dir, "fleet.yaml"), filepath.Join(dir, "readings.ndjson")
	if err := os.WriteFile(fleet, f.File(), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := record(t.Context(), readings, f, end); err != nil {
		t.Fatal(err)
	}
	replayed := func(name string) []byte {
		path := filepath.Join(dir, name)
		c := replayCommand{Fleet: fleet, Diary: path, Recordings: []string{readings}}
		if err := c.Run(t.Context(), &streams{nil, io.Discard, io.Discard}); err != nil {
			t.Fatal(err)
		}
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		return text
	}
	one := replayed("one")
	if !bytes.Equal(one, replayed("two")) {
		t.Error("two replays write two diaries")
	}
	type line struct {
		system dewline.SystemID
		day    dewline.Millis
	}
	seen := map[line]bool{}
	for text := range bytes.Lines(one) {
		var n dewline.DayNote
		d := json.NewDecoder(bytes.NewReader(text))
		d.DisallowUnknownFields()
		if err := d.Decode(&n); err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		if _, ok := f.Config().System(n.System); !ok || n.Day < dewline.MillisOf(begin) || n.Day%(24*3600_000) != 0 || n.Health == "" {
			t.Errorf("%s", text)
		}
		seen[line{n.System, n.Day}] = true
	}
	if want := systems * days; len(seen) != want || bytes.Count(one, []byte("\n")) != want {
		t.Errorf("%d days of systems in %d lines, want %d", len(seen), bytes.Count(one, []byte("\n")), want)
	}
}
