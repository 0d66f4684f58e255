package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"time"

	"dewline"
	"dewline/cmd/dewline/simfleet"
	"dewline/ingest/recording"
)

// scoreCommand holds alerts against the truth: those of a file, or those that the engine makes of
// invented fleets here and now.
type scoreCommand struct {
	Truth      string   `placeholder:"TRUTH.jsonl" help:"Score against this truth; --alerts says what."`
	Alerts     string   `placeholder:"ALERTS.json" help:"The alerts to score, as replay writes them."`
	Fleet      string   `placeholder:"FLEET.yaml" help:"The fleet of the two files: without it only systems that the truth names are known, and healthy ones are not."`
	From       string   `placeholder:"TIME" help:"When the readings began, RFC 3339; else the first time in the recordings, or in the other files."`
	To         string   `placeholder:"TIME" help:"When they ended."`
	Recordings []string `arg:"" optional:"" name:"recording" help:"The recordings that the alerts are of, for running times and for the plain detector."`

	Fleets    int             `placeholder:"N" help:"Invent so many fleets, and score the engine on them."`
	FirstSeed uint64          `default:"1" placeholder:"SEED" help:"The seed of the first; the others follow (${default})."`
	Systems   int             `default:"45" placeholder:"N" help:"Systems of each; 0 is the harbour town (${default})."`
	Days      int             `default:"60" placeholder:"N" help:"Days of readings of each (${default})."`
	Points    simfleet.Points `default:"mixed" enum:"mixed,full,least" placeholder:"mixed|full|least" help:"What is fitted (${default})."`
	Only      string          `placeholder:"SEED/SITE/SYSTEM" help:"Run one system of one invented fleet and print its diary."`

	List   bool   `help:"Say of each fault missed, late or wrongly named, and each false alert, what was said and when."`
	Report string `placeholder:"FILE" help:"Write the report there and the main figures to standard output."`
}

// Help is what --help adds.
func (*scoreCommand) Help() string {
	return `  dewline score --truth truth.jsonl --alerts alerts.json --fleet fleet.yaml recording.ndjson.zst
  dewline score --fleets 20 --first-seed 5001 --systems 45 --days 60 --report SCORE.md
  dewline score --only 5003/site-02/system-07 --systems 45 --days 60

What the figures mean:

` + scoreDefinitions
}

// Run scores.
func (c *scoreCommand) Run(ctx context.Context, std *streams) error {
	switch {
	case c.Only != "" && (c.Truth != "" || c.Alerts != ""):
		return errors.New("--only is for invented fleets, not for --truth and --alerts")
	case (c.Truth == "") != (c.Alerts == ""):
		return errors.New("--truth and --alerts go together: what was wrong, and what was said")
	case (c.Truth == "") == (c.Fleets == 0 && c.Only == ""):
		return errors.New("give --truth and --alerts to score files, or --fleets to score the engine on invented fleets")
	case c.Truth == "" && (c.Fleets < 0 || c.Fleets > 10_000 || c.Days < 1 || c.Days > 1000 || c.Systems < 0 || c.Systems > 5000):
		return errors.New("give up to 10000 --fleets of up to 5000 --systems and 1 to 1000 --days")
	}
	v := &invented{fleets: c.Fleets, systems: c.Systems, days: c.Days, first: c.FirstSeed, points: c.Points}
	if c.Only != "" {
		return c.one(ctx, std, v)
	}
	var subjects []*subject
	var title string
	var err error
	if c.Truth != "" {
		title = fmt.Sprintf("`dewline score --truth %s --alerts %s`", c.Truth, c.Alerts)
		subjects, err = c.files(ctx, std)
	} else {
		title = fmt.Sprintf("`dewline score --fleets %d --first-seed %d --systems %d --days %d --points %s`: fleets that the model makes of the seeds %d to %d",
			c.Fleets, c.FirstSeed, c.Systems, c.Days, c.Points, c.FirstSeed, c.FirstSeed+uint64(c.Fleets)-1)
		subjects, err = v.run(ctx, std.err)
	}
	if err != nil {
		return err
	}
	return c.write(std, newScoreReport(nil, subjects), title)
}

// write writes the report, and the list if it was asked for.
func (c *scoreCommand) write(std *streams, r *scoreReport, title string) error {
	out := bufio.NewWriter(std.out)
	r.w = out
	if c.List {
		r.list()
	}
	if c.Report == "" {
		r.write(title)
		return out.Flush()
	}
	r.summary()
	if err := out.Flush(); err != nil {
		return err
	}
	var text strings.Builder
	r.w = &text
	r.write(title)
	return os.WriteFile(c.Report, []byte(text.String()), 0o644)
}

// files scores the alerts of a file.
func (c *scoreCommand) files(ctx context.Context, std *streams) ([]*subject, error) {
	truths, err := readTruthFile(c.Truth)
	if err != nil {
		return nil, err
	}
	list, err := readAlertFile(c.Alerts)
	if err != nil {
		return nil, err
	}
	fleet := bareFleet(truths)
	if c.Fleet != "" {
		if fleet, err = readFleet(c.Fleet); err != nil {
			return nil, err
		}
	} else if len(c.Recordings) > 0 {
		return nil, errors.New("recordings cannot be read without their --fleet")
	}
	var reader *recording.Reader
	if len(c.Recordings) > 0 {
		if reader, err = recording.Open(ctx, recording.Options{}, c.Recordings...); err != nil {
			return nil, err
		}
		defer reader.Close()
	}
	from, to, err := c.span(truths, list, reader)
	if err != nil {
		return nil, err
	}
	subjects, err := watchedFleet(ctx, fleet, truths, from, to, reader)
	if err != nil {
		return nil, err
	}
	known := map[dewline.SystemID]*subject{}
	for _, s := range subjects {
		known[s.id] = s
	}
	for _, a := range list {
		for _, id := range a.Systems {
			if s := known[id]; s != nil {
				s.said = append(s.said, only(a))
			} else {
				fmt.Fprintf(std.err, "%s: an alert of a system that is not known here is passed over\n", id)
			}
		}
	}
	for _, t := range truths {
		if known[t.System] == nil {
			fmt.Fprintf(std.err, "%s: the truth of a system that is not in the fleet file is passed over\n", t.System)
		}
	}
	return subjects, nil
}

// watchedFleet prepares the systems, and reads recordings where there are some.
func watchedFleet(ctx context.Context, fleet *dewline.Fleet, truths []simfleet.Truth, from, to dewline.Millis, reader *recording.Reader) ([]*subject, error) {
	if reader == nil {
		var all []*subject
		of := map[dewline.SystemID]*subject{}
		for _, sys := range fleet.Systems() {
			s := newSubject(sys, from, to)
			all = append(all, s)
			of[sys.ID] = s
		}
		for _, t := range truths {
			if s := of[t.System]; s != nil {
				s.truthful(t)
			}
		}
		return all, nil
	}
	sc, err := newScorer(fleet, truths, from, to, false)
	if err != nil {
		return nil, err
	}
	if err := sc.recorded(ctx, reader); err != nil {
		return nil, err
	}
	return sc.finish(), nil
}

// bareFleet is the systems that a truth names, of which nothing more is known.
func bareFleet(truths []simfleet.Truth) *dewline.Fleet {
	sites := []dewline.Site{{}}
	seen := map[dewline.SystemID]bool{}
	for _, t := range truths {
		if !seen[t.System] {
			seen[t.System] = true
			sites[0].Systems = append(sites[0].Systems, dewline.System{ID: t.System})
		}
	}
	return dewline.NewFleet(nil, sites)
}

// span returns from when to when there were readings.
func (c *scoreCommand) span(truths []simfleet.Truth, list []dewline.Alert, reader *recording.Reader) (from, to dewline.Millis, err error) {
	from, to = math.MaxInt64, 0
	if reader != nil {
		from, to = reader.Summary().First, reader.Summary().Last
	} else {
		for _, t := range truths {
			if t.Fault != string(dewline.NoFault) {
				from, to = min(from, t.Onset), max(to, t.Onset, t.Repaired)
			}
		}
		for _, a := range list {
			from, to = min(from, a.Onset), max(to, a.Detected, a.Cleared)
		}
	}
	for _, x := range []struct {
		flag, text string
		to         *dewline.Millis
	}{{"--from", c.From, &from}, {"--to", c.To, &to}} {
		if x.text == "" {
			continue
		}
		t, err := time.Parse(time.RFC3339, x.text)
		if err != nil {
			return 0, 0, fmt.Errorf("%s: %w", x.flag, err)
		}
		*x.to = dewline.MillisOf(t)
	}
	if from >= to {
		return 0, 0, errors.New("it is not known from when to when there were readings: give --from and --to")
	}
	return from, to, nil
}

// one runs one system of an invented fleet and prints what was believed of it day by day.
func (c *scoreCommand) one(ctx context.Context, std *streams, v *invented) error {
	seedText, id, ok := strings.Cut(c.Only, "/")
	seed, err := strconv.ParseUint(seedText, 10, 64)
	if !ok || err != nil || !dewline.SystemID(id).Valid() {
		return fmt.Errorf("--only %q: give the seed and the system, as in 5003/site/system", c.Only)
	}
	out := bufio.NewWriter(std.out)
	defer out.Flush()
	meter := newMeter(std.err, "running")
	done := int64(0)
	subjects, err := v.one(ctx, seed, dewline.SystemID(id), func(n *dewline.DayNote) { writeNote(out, n) }, func() {
		done++
		meter.show(done, int64(v.days), fmt.Sprintf("%d of %d days", done, v.days))
	})
	meter.end()
	if err != nil {
		return err
	}
	r := newScoreReport(out, subjects)
	for i := range r.verdicts {
		r.story(&r.verdicts[i])
	}
	return nil
}

// story writes the truth of a system and every alert that it had.
func (r *scoreReport) story(v *verdict) {
	r.line("%s", v.who())
	for i := range v.outcomes {
		r.line("  truth: %s", v.truthText(&v.outcomes[i]))
	}
	for i := range v.said {
		c := &v.said[i]
		at := c.alert.Detected.Add(settling)
		if o := v.about[c]; o != nil {
			at = o.judgedAt(c.alert.Detected)
		}
		r.line("  said: %s", c.text(at))
	}
	for i := range v.plain {
		r.line("  the plain detector: %s", v.plain[i].text(v.plain[i].alert.Detected.Add(settling)))
	}
}

// writeNote writes a day of a diary for people.
func writeNote(out *bufio.Writer, n *dewline.DayNote) {
	fmt.Fprintf(out, "%s %-9s %2d runs %5.1f h, steady %5.1f h, %3d windows %-8s no fault %.2f", n.Day.Time().Format(time.DateOnly), n.Health,
		n.Runs, n.RunHours, n.SteadyHours, n.Windows, n.Frame, n.NoFault)
	for _, c := range n.Causes[:min(3, len(n.Causes))] {
		fmt.Fprintf(out, ", %s %.2f", strings.TrimSuffix(string(c.Fault)+"/"+c.Detail, "/"), c.Probability)
	}
	fmt.Fprintln(out)
	for _, s := range n.Residual {
		fmt.Fprintf(out, "    %-28s %8.2f %s, expected %.2f, u %.2f, z %+.1f\n", s.Name, s.Value, s.Unit, s.Expected, s.Uncertainty, s.Z)
	}
	if f := n.Forecast; f != nil {
		fmt.Fprintf(out, "    %s in %.1f days (%.1f-%.1f)\n", f.Limit, f.DaysP50, f.DaysP10, f.DaysP90)
	}
	for _, text := range n.Text {
		fmt.Fprintf(out, "    %s\n", text)
	}
}
