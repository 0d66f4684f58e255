package main

import (
	"bufio"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"

	"dewline"
	"dewline/alerts"
	"dewline/analytics"
	"dewline/ingest/recording"
)

// replayCommand runs recordings through the engine of the service, without broker and store.
type replayCommand struct {
	Fleet      string   `required:"" placeholder:"FLEET.yaml" help:"The fleet file."`
	Diary      string   `placeholder:"FILE" help:"Write what was believed of each system on each day, and why, as a line of JSON each."`
	Recordings []string `arg:"" name:"recording" help:"Recordings (.ndjson, .ndjson.gz, .ndjson.zst) or folders of them."`
}

// Run writes the alerts of the recordings to standard output, as the API lists them.
func (c *replayCommand) Run(ctx context.Context, std *streams) (err error) {
	fleet, err := readFleet(c.Fleet)
	if err != nil {
		return err
	}
	r := replay{fleet: fleet, progress: std.err}
	if c.Diary != "" {
		f, failed := os.Create(c.Diary)
		if failed != nil {
			return failed
		}
		buffered := bufio.NewWriter(f)
		r.diary = json.NewEncoder(buffered)
		defer func() { err = errors.Join(err, buffered.Flush(), f.Close()) }()
	}
	list, err := r.run(ctx, c.Recordings)
	if err != nil {
		return err
	}
	return writeAlerts(std.out, list)
}

// writeAlerts writes alerts as the API lists them, one a line so that two lists can be compared.
func writeAlerts(w io.Writer, list []dewline.Alert) error {
	out := bufio.NewWriter(w)
	fmt.Fprint(out, `{"alerts":[`)
	for i, a := range list {
		line, err := json.Marshal(a)
		if err != nil {
			return err
		}
		if i > 0 {
			out.WriteByte(',')
		}
		out.WriteByte('\n')
		out.Write(line)
	}
	fmt.Fprintln(out, "\n]}")
	return out.Flush()
}

// replay is one run of recordings through the engine.
type replay struct {
	fleet    *dewline.Fleet
	progress io.Writer
	diary    *json.Encoder // nil: none is kept
}

// run returns the alerts of the recordings in the order of the contract.
func (r *replay) run(ctx context.Context, paths []string) ([]dewline.Alert, error) {
	engine := analytics.NewEngine(analytics.DefaultOptions())
	if err := engine.SetFleet(r.fleet); err != nil {
		return nil, err
	}
	meter := newMeter(r.progress, "reading")
	reader, err := recording.Open(ctx, recording.Options{Progress: meter.bytes}, paths...)
	if err != nil {
		return nil, err
	}
	defer reader.Close()
	meter.end()
	sum := reader.Summary()
	for _, refused := range sum.Refusals {
		fmt.Fprintln(r.progress, refused)
	}
	for _, id := range sum.Systems {
		if _, ok := r.fleet.System(id); !ok {
			fmt.Fprintf(r.progress, "%s is not in the fleet file: its readings are passed over\n", id)
		}
	}
	book := alerts.NewBook()
	book.Fleet = r.fleet
	kept := map[string]dewline.Alert{}
	take := func() error {
		var out analytics.Output
		engine.Drain(&out)
		if r.diary != nil {
			for _, n := range diaryOf(&out) {
				if err := r.diary.Encode(n); err != nil {
					return err
				}
			}
		}
		for _, c := range book.Apply(out.Findings) {
			kept[c.Alert.ID] = c.Alert
		}
		return nil
	}
	meter = newMeter(r.progress, "analysing")
	var batch recording.Batch
	var done int64
	for ctx.Err() == nil {
		err := reader.Next(&batch)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		engine.Offer(batch.Samples, batch.Events...)
		done += int64(len(batch.Samples))
		meter.readings(done, sum.Readings)
		if err := take(); err != nil {
			return nil, err
		}
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	engine.Finish()
	meter.end()
	if err := take(); err != nil {
		return nil, err
	}
	sum = reader.Summary()
	fmt.Fprintf(r.progress, "%d readings of %d systems in %d files, %d repeated, %d conflicts, %d alerts\n",
		sum.Readings, len(sum.Systems), sum.Files, sum.Repeated, sum.Conflicts, len(kept))
	list := make([]dewline.Alert, 0, len(kept))
	for _, a := range kept {
		list = append(list, a)
	}
	alerts.Sort(list)
	return list, nil
}

// diaryOf returns what the engine noted of days, in the order of days and systems.
func diaryOf(out *analytics.Output) []dewline.DayNote {
	slices.SortStableFunc(out.Diary, func(a, b dewline.DayNote) int {
		return cmp.Or(cmp.Compare(a.Day, b.Day), cmp.Compare(a.System, b.System))
	})
	return out.Diary
}
