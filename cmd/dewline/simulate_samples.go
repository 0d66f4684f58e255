package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"dewline/cmd/dewline/simfleet"
)

// simulateSamplesCommand regenerates testdata/recordings, which the tests of several packages read.
type simulateSamplesCommand struct {
	Out string `default:"testdata/recordings" placeholder:"DIR" help:"Where they go (${default})."`
}

// samplesPresent is the moment that the small recordings lead up to.
var samplesPresent = time.Date(2031, 8, 20, 9, 30, 0, 0, time.UTC)

const samplesDays = 14

// Run writes the fleet file, the truth and a recording of each system.
func (c *simulateSamplesCommand) Run(ctx context.Context, std *streams) error {
	if err := os.MkdirAll(c.Out, 0o755); err != nil {
		return err
	}
	f, err := samplesFleet()
	if err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(c.Out, "fleet.yaml"), f.File(), 0o644); err != nil {
		return err
	}
	if err := writeTruth(filepath.Join(c.Out, "truth.ndjson"), f.Truth()); err != nil {
		return err
	}
	n, err := record(ctx, filepath.Join(c.Out, "town.ndjson.zst"), f, samplesPresent)
	if err != nil {
		return err
	}
	fmt.Fprintf(std.out, "%s: %d readings\n", c.Out, n)
	return nil
}

// samplesFleet is the town over its last two weeks, with a reading every five minutes.
func samplesFleet() (*simfleet.Fleet, error) {
	return simfleet.New(simfleet.Options{Seed: 11, Start: samplesPresent.AddDate(0, 0, -samplesDays), Present: samplesPresent, FineFor: time.Minute})
}
