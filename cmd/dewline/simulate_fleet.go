package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
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
	Out      string  `placeholder:"DIR" help:"Write fleet.yaml, recording.ndjson.zst and truth.json there."`
	Publish  string  `placeholder:"HOST:PORT" help:"Publish to the MQTT broker there instead, then go on live, a reading a minute."`
	User     string  `help:"User name at the broker."`
	Password string  `env:"DEWLINE_SIMULATE_PASSWORD" help:"Password at the broker; better in the variable."`
	Speed    float64 `default:"1000" placeholder:"TIMES" help:"How many times faster than life to publish the past, 1 to 10000; the present is always at 1 (${default})."`
	Seed     uint64  `default:"7" help:"Another seed makes other weather and other sensors (${default})."`
	Days     int     `default:"45" help:"Days of readings (${default})."`
	Present  string  `placeholder:"TIME" help:"The moment that the readings of --out lead up to, RFC 3339; else now."`
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
	f, err := simfleet.New(simfleet.Options{Seed: c.Seed, Start: present.AddDate(0, 0, -c.Days), Present: present})
	if err != nil {
		return err
	}
	if c.Publish != "" {
		return c.publish(ctx, std, f, present)
	}
	return c.write(ctx, std, f, present)
}

// write writes the three files.
func (c *simulateFleetCommand) write(ctx context.Context, std *streams, f *simfleet.Fleet, present time.Time) error {
	if err := os.MkdirAll(c.Out, 0o755); err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(c.Out, "fleet.yaml"), f.File(), 0o644); err != nil {
		return err
	}
	if err := writeTruth(filepath.Join(c.Out, "truth.json"), f.Truth()); err != nil {
		return err
	}
	samples, err := record(ctx, filepath.Join(c.Out, "recording.ndjson.zst"), f, present)
	if err != nil {
		return err
	}
	fmt.Fprintf(std.out, "%s: %s, %d readings over %s, %s that are wrong\n", c.Out, counted(len(f.Config().Systems()), "system"), samples,
		counted(c.Days, "day"), counted(len(f.Truth()), "thing"))
	return nil
}

func writeTruth(path string, truth []simfleet.Truth) error {
	text, err := json.MarshalIndent(truth, "", "  ")
	if err != nil {
		return err
	}
	return os.WriteFile(path, append(text, '\n'), 0o644)
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
