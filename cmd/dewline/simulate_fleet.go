package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"dewline"
	"dewline/cmd/dewline/simfleet"
	"dewline/ingest/recording"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// simulateFleetCommand makes the invented fleet: into files, or to a broker.
type simulateFleetCommand struct {
	Out      string  `placeholder:"DIR" help:"Write fleet.yaml, recording.ndjson.zst and truth.ndjson there."`
	Publish  string  `placeholder:"HOST:PORT" help:"Publish to the MQTT broker there instead, then go on live, a reading a minute."`
	User     string  `help:"User name at the broker."`
	Password string  `env:"DEWLINE_SIMULATE_PASSWORD" help:"Password at the broker; better in the variable."`
	Speed    float64 `default:"1000" placeholder:"TIMES" help:"How many times faster than life to publish the past, 1 to 10000; the present is always at 1 (${default})."`
	Seed     uint64  `default:"7" help:"Another seed makes other weather and other sensors (${default})."`
	Days     int     `default:"45" help:"Days of readings (${default})."`
	Systems  int     `placeholder:"N" help:"Draw a fleet of so many systems instead of the harbour town, half of them healthy but awkward."`
	Points   string  `default:"mixed" placeholder:"SET" help:"Of a drawn fleet: full, least (four points and the outdoor air) or mixed (${default})."`
	Sampling string  `default:"mixed" placeholder:"HOW" help:"Of a drawn fleet: 1m or 5m (single values), 15m-mean, or mixed (${default})."`
	Present  string  `placeholder:"TIME" help:"The moment that the readings of --out lead up to, RFC 3339; else now."`
}

// Help is what --help adds.
func (*simulateFleetCommand) Help() string {
	return `  dewline simulate fleet --out town
  dewline simulate fleet --out drawn --systems 60 --days 75 --seed 3 --points least

Equal flags, --present among them, give equal files. truth.ndjson has a line for everything that is wrong, and one for each
system of a drawn fleet with which nothing is:
  system            site/system
  id                of this fault (drawn fleets)
  class             "healthy" or "faulty", then what is awkward: oversized, low_load, swings, defrosts,
                    door_open, high_altitude, variable, staged, noisy, outages, duplicates, clock_wrong,
                    units_wrong, frozen, point_vanishes, point_appears, shutdown, filter_changed, asked_in_turn,
                    mode_untold
  fault, detail     in the words of an alert's causes; "none" where nothing is wrong; "sensor" has the
                    point as its detail and the kind of its fault as its note
  severity          at its fullest, of what "dewline simulate --help" says; of a sensor K, Pa or %, per day of
                    a drift, the share of the air of a clamp that has come off
  onset_ms          Unix milliseconds, as all times
  detectable_ms     from then on it moves what the fitted points show by more than twice the standard
                    uncertainty of good sensors and a learned model; a sensor: by more than three times its
                    accuracy. Missing: never
  harmful_ms        from then on liquid reaches the compressor, over 15 % of capacity is gone, the head is 8 K
                    up, the discharge line over 115 °C or a comfort coil below freezing, in cool, usual or
                    warm weather of the span, where the healthy machine's is not; both times may lie up to 30 days beyond
                    the last reading. Missing: never
  repaired_ms       missing: not within the readings
  pair              the id of the other fault, where two are at once
  note              in plain words`
}

// Run makes the fleet.
func (c *simulateFleetCommand) Run(ctx context.Context, std *streams) error {
	present := time.Now()
	switch {
	case (c.Out == "") == (c.Publish == ""):
		return errors.New("give --out DIR to write files, or --publish HOST:PORT to send to a broker")
	case c.Days < 1 || c.Days > 1000:
		return fmt.Errorf("--days %d: give 1 to 1000", c.Days)
	case c.Speed < 1 || c.Speed > 10_000:
		return fmt.Errorf("--speed %g: give 1 to 10000", c.Speed)
	case c.Present != "" && c.Publish != "":
		return errors.New("--present is for --out: what is published leads up to now, since a broker's readers refuse times ahead of theirs")
	case c.Present != "":
		var err error
		if present, err = time.Parse(time.RFC3339, c.Present); err != nil {
			return fmt.Errorf("--present: %w", err)
		}
	}
	o := simfleet.Options{Seed: c.Seed, Start: present.AddDate(0, 0, -c.Days), Present: present}
	if err := c.drawn(&o); err != nil {
		return err
	}
	f, err := simfleet.New(o)
	if err != nil {
		return err
	}
	if c.Publish != "" {
		return c.publish(ctx, std, f, present)
	}
	return c.write(ctx, std, f, present)
}

// samplings are the words of --sampling.
var samplings = map[string]dewline.Sampling{
	"mixed":    {},
	"1m":       {Kind: dewline.SampledInstant, Interval: time.Minute},
	"5m":       {Kind: dewline.SampledInstant, Interval: 5 * time.Minute},
	"15m-mean": {Kind: dewline.SampledMean, Interval: 15 * time.Minute, Stamp: dewline.StampEnd},
}

// drawn reads the flags of a drawn fleet.
func (c *simulateFleetCommand) drawn(o *simfleet.Options) error {
	sampling, known := samplings[c.Sampling]
	points := simfleet.Points(c.Points)
	switch {
	case !known:
		return fmt.Errorf("--sampling %s: give %s", c.Sampling, strings.Join(slices.Sorted(maps.Keys(samplings)), ", "))
	case points != simfleet.Mixed && points != simfleet.Full && points != simfleet.Least:
		return fmt.Errorf("--points %s: give full, least or mixed", c.Points)
	case c.Systems < 0 || c.Systems > 20_000:
		return fmt.Errorf("--systems %d: give 1 to 20000, or leave it out for the harbour town", c.Systems)
	case c.Systems == 0 && (c.Points != "mixed" || c.Sampling != "mixed"):
		return errors.New("--points and --sampling are for a drawn fleet: give --systems, too")
	}
	o.Systems, o.Points, o.Sampling = c.Systems, points, sampling
	return nil
}

// write writes the three files.
func (c *simulateFleetCommand) write(ctx context.Context, std *streams, f *simfleet.Fleet, present time.Time) error {
	if err := os.MkdirAll(c.Out, 0o755); err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(c.Out, "fleet.yaml"), f.File(), 0o644); err != nil {
		return err
	}
	if err := writeTruth(filepath.Join(c.Out, "truth.ndjson"), f.Truth()); err != nil {
		return err
	}
	samples, err := record(ctx, filepath.Join(c.Out, "recording.ndjson.zst"), f, present)
	if err != nil {
		return err
	}
	fmt.Fprintf(std.out, "%s: %s, %d readings over %s, %s that are wrong\n", c.Out, counted(len(f.Config().Systems()), "system"), samples,
		counted(c.Days, "day"), counted(wrong(f.Truth()), "thing"))
	return nil
}

// wrong counts what is wrong.
func wrong(truth []simfleet.Truth) (n int) {
	for i := range truth {
		if !truth[i].Healthy() {
			n++
		}
	}
	return n
}

func writeTruth(path string, truth []simfleet.Truth) error {
	var text bytes.Buffer
	if err := simfleet.WriteTruth(&text, truth); err != nil {
		return err
	}
	return os.WriteFile(path, text.Bytes(), 0o644)
}

// record writes all packs up to a time as a recording and returns how many readings it has.
func record(ctx context.Context, path string, f *simfleet.Fleet, until time.Time) (samples int, err error) {
	w, err := recording.Create(path)
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, w.Close()) }()
	order := sorter{of: map[dewline.SystemID]*held{}}
	for p := range f.Packs(until) {
		if err := ctx.Err(); err != nil {
			return samples, err
		}
		s, e := order.add(p)
		if err := w.Write(s, e); err != nil {
			return samples, err
		}
		samples += len(s)
	}
	for _, id := range f.Config().Systems() {
		s, e := order.rest(id.ID)
		if err := w.Write(s, e); err != nil {
			return samples, err
		}
		samples += len(s)
	}
	return samples, nil
}

// sorter holds readings back for two hours: a recording is in the order of time for each system, and
// a gateway whose clock was wrong or that sent twice is not.
type sorter struct{ of map[dewline.SystemID]*held }

type held struct {
	samples []dewline.Sample
	events  []dewline.Event
}

const holdBack = dewline.Millis(2 * 3600_000)

// add takes a pack in and returns what is old enough to be written.
func (o *sorter) add(p simfleet.Pack) ([]dewline.Sample, []dewline.Event) {
	h := o.of[p.System]
	if h == nil {
		h = &held{}
		o.of[p.System] = h
	}
	h.samples = append(h.samples, p.Samples...)
	h.events = append(h.events, p.Events...)
	slices.SortStableFunc(h.samples, func(a, b dewline.Sample) int {
		if a.At != b.At {
			return int(a.At - b.At)
		}
		return int(a.Point) - int(b.Point)
	})
	h.samples = slices.CompactFunc(h.samples, func(a, b dewline.Sample) bool { return a.At == b.At && a.Point == b.Point }) // the first stands
	newest := p.Sent
	i, _ := slices.BinarySearchFunc(h.samples, newest-holdBack, func(s dewline.Sample, t dewline.Millis) int { return int(s.At - t) })
	j := 0
	for j < len(h.events) && h.events[j].At < newest-holdBack {
		j++
	}
	s, e := h.samples[:i], h.events[:j]
	h.samples, h.events = slices.Clone(h.samples[i:]), slices.Clone(h.events[j:])
	return s, e
}

// rest returns what is still held of a system.
func (o *sorter) rest(id dewline.SystemID) ([]dewline.Sample, []dewline.Event) {
	h := o.of[id]
	if h == nil {
		return nil, nil
	}
	return h.samples, h.events
}

// publish sends the past at the speed asked for and goes on with the present.
func (c *simulateFleetCommand) publish(ctx context.Context, std *streams, f *simfleet.Fleet, present time.Time) error {
	o := paho.NewClientOptions().AddBroker("tcp://" + strings.TrimPrefix(c.Publish, "mqtt://")).SetProtocolVersion(4).SetClientID("dewline-simulate").
		SetUsername(c.User).SetPassword(c.Password).SetAutoReconnect(true).SetMessageChannelDepth(1000)
	client := paho.NewClient(o)
	token := client.Connect()
	if !token.WaitTimeout(10 * time.Second) {
		return fmt.Errorf("no answer from the broker at %s within 10 s", c.Publish)
	}
	if err := token.Error(); err != nil {
		return fmt.Errorf("connect to the broker at %s: %w", c.Publish, err)
	}
	g := &gateways{clients: map[dewline.GatewayID]paho.Client{}}
	defer client.Disconnect(250)
	for _, s := range f.Config().Systems() {
		if name, ok := f.Config().Gateway(s); ok {
			g.clients[dewline.NewGatewayID(s.ID.Site(), name)] = client
		}
	}
	fmt.Fprintf(std.out, "Publishing %s of %s to %s, the past at %g times life (Ctrl-C ends it)\n", counted(c.Days, "day"), counted(len(f.Config().Systems()), "system"), c.Publish, c.Speed)
	var sent atomic.Int64
	start, begin := present.AddDate(0, 0, -c.Days), time.Now()
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for {
		now := time.Now()
		until := start.Add(time.Duration(float64(now.Sub(begin)) * c.Speed))
		if until.After(now) {
			until = now
		}
		for p := range f.Packs(until) {
			if err := g.send(ctx, p, &sent); err != nil {
				return ignoreEnd(ctx, err)
			}
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}
