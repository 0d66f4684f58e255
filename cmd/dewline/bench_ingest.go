package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"dewline"
)

// benchIngest is a fleet whose gateways send what they have as fast as the service takes it, or at a
// rate. Every machine has a reading of ten sensors every Interval of event time; event time begins
// days ago and runs as fast as the readings do, so that analytics has as much to do for each reading
// as with a live fleet, and late readings are waited for as long.
type benchIngest struct {
	benchSettings
	Duration time.Duration `default:"60s" help:"How long to measure (default ${default})."`
	WarmUp   time.Duration `name:"warm-up" default:"15s" help:"How long to run before that (default ${default})."`
	Clients  int           `default:"50" help:"Gateway connections (default ${default})."`
	Systems  int           `default:"2000" help:"Systems, of ten points each (default ${default})."`
	Interval time.Duration `default:"30s" help:"Event time between two readings of a system (default ${default})."`
	Rate     float64       `help:"Readings a second to send; as many as are taken if 0."`
	Window   int           `default:"10" help:"Messages that a gateway has on their way at once (default ${default})."`
	CBOR     bool          `name:"cbor" help:"Send packs in CBOR instead of JSON."`
	Broker   string        `placeholder:"URL" help:"Use this MQTT broker instead of the embedded one; the word mosquitto starts one."`
	Store    string        `placeholder:"URL" help:"Use this InfluxDB 1.8 server instead of the embedded store; the word influxd starts one."`
}

// Run measures.
func (c *benchIngest) Run(ctx context.Context, std *streams) (err error) {
	r, err := c.begin(std)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.end()) }()
	fleet, err := newBenchFleet(c.Clients, c.Systems, c.Seed)
	if err != nil {
		return err
	}
	b := ingestRun{benchIngest: c, benchRun: r, fleet: fleet}
	defer func() { b.mosquitto.stop(); b.influx.stop() }()
	settings, err := b.externals(ctx)
	if err != nil {
		return err
	}
	if b.service, err = r.child(ctx, fleet, settings, c.Broker == ""); err != nil {
		return err
	}
	defer func() {
		if err != nil {
			b.service.kill()
		}
	}()
	if err := b.measure(ctx); err != nil {
		return err
	}
	return b.service.stop()
}

// ingestRun is one run of it.
type ingestRun struct {
	*benchIngest
	*benchRun
	fleet             *benchFleet
	service           *benchChild
	mosquitto, influx *external

	senders *benchSenders
	step    *inStep
	start   dewline.Millis
}

// externals starts or finds the broker and the database that are not embedded, and returns the
// settings that name them.
func (b *ingestRun) externals(ctx context.Context) (settings string, err error) {
	if b.Broker != "" {
		if b.mosquitto, err = b.startMosquitto(ctx, b.Broker); err != nil {
			return "", err
		}
		settings += "broker: {url: " + b.mosquitto.address + "}\n"
	}
	if b.Store != "" {
		if b.influx, err = b.startInflux(ctx, b.Store); err != nil {
			return "", err
		}
		settings += "store: {kind: influx, url: " + b.influx.address + ", bucket: " + benchDatabase + "/autogen}\n"
	}
	return settings, nil
}

// brokerAddr is where gateways connect.
func (b *ingestRun) brokerAddr() string {
	if b.mosquitto == nil {
		return b.service.mqtt
	}
	_, addr, _ := strings.Cut(b.mosquitto.address, "://")
	return addr
}

// age is how far back event time begins: the store takes 31 days.
const benchAge = 25 * 24 * time.Hour

func (b *ingestRun) measure(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	b.start = dewline.MillisOf(time.Now().Add(-benchAge).Truncate(time.Hour))
	b.step = newInStep(b.Clients, 6)
	var err error
	if b.senders, err = connectSenders(ctx, b.fleet, b.brokerAddr(), b.service.passwords, b.Window, b.CBOR); err != nil {
		return err
	}
	sending, stopSending := context.WithCancel(ctx)
	defer stopSending()
	var work sync.WaitGroup
	problems := make(chan error, b.Clients+1)
	for g := range b.Clients {
		work.Go(func() {
			if err := b.send(sending, g); err != nil {
				problems <- err
			}
		})
	}
	b.say("warming up for %v, then measuring for %v", b.WarmUp, b.Duration)
	if err := pause(ctx, b.WarmUp, problems); err != nil {
		return err
	}

	var stored latencies
	probing, stopProbing := context.WithCancel(ctx)
	work.Go(func() {
		if err := b.senders.probes(probing, b.service, b.now, &stored); err != nil {
			problems <- err
		}
	})
	defer stopProbing()
	var rss []float64
	work.Go(func() { watched(probing, b.service, func(u usage) { rss = append(rss, float64(u.rss)) }) })
	var parts, functions []share
	work.Go(func() {
		if pause(probing, b.Duration/4, nil) == nil {
			var err error
			if parts, functions, err = b.service.processor(ctx, min(30*time.Second, b.Duration/2), b.benchRun.Profile); err != nil {
				problems <- err
			}
		}
	})
	before, err := b.count()
	if err != nil {
		return err
	}
	b.senders.count(true)
	if err := pause(ctx, b.Duration, problems); err != nil {
		return err
	}
	b.senders.count(false)
	after, err := b.count()
	if err != nil {
		return err
	}
	stopProbing()
	stopSending()
	work.Wait()

	wait, done := context.WithTimeout(ctx, time.Minute)
	defer done()
	if err := b.senders.drain(wait); err != nil {
		return err
	}
	m, missing, err := b.senders.settled(wait, b.service)
	if err != nil {
		return err
	}
	b.print(before, after, stored, rss, parts, functions)
	b.entry("readings acknowledged, not stored", "%d of %d, %s of them late for analytics", missing, b.senders.total(), orNone(m[metricLate]))
	if missing != 0 {
		return fmt.Errorf("%d readings were acknowledged and are not stored", missing)
	}
	return b.memoryParts(ctx, b.service)
}

// pause waits for d, unless ctx ends or a problem comes.
func pause(ctx context.Context, d time.Duration, problems <-chan error) error {
	select {
	case <-time.After(d):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	case err := <-problems:
		return err
	}
}

// now is the event time up to which everybody has sent.
func (b *ingestRun) now() dewline.Millis {
	return b.start + dewline.Millis(b.step.slowest())*dewline.Millis(b.Interval.Milliseconds())
}

// send publishes the readings of one gateway's systems, round by round.
func (b *ingestRun) send(ctx context.Context, gateway int) error {
	g, machines := b.senders.gateways[gateway], b.fleet.sites[gateway]
	var samples []dewline.Sample
	pace := newPace(b.Rate/float64(len(benchPoints)), b.Systems, len(machines))
	for round := 0; ctx.Err() == nil; round++ {
		if b.step.wait(ctx, round) != nil {
			return nil
		}
		at := b.start + dewline.Millis(round)*dewline.Millis(b.Interval.Milliseconds())
		if at > dewline.MillisOf(time.Now()) {
			return errors.New("event time has come to the present: give more --systems or a shorter --interval")
		}
		for _, m := range machines {
			samples = m.readings(at, samples[:0])
			if pace.wait(ctx, g) != nil || g.publish(ctx, m.topic, b.senders.encode(samples), len(samples)) != nil {
				return nil
			}
		}
		g.flush()
		b.step.finished(gateway, round)
	}
	return nil
}

// benchPace spreads the messages of one gateway over time.
type benchPace struct {
	every time.Duration // 0: no pace
	next  time.Time
}

// newPace gives a gateway of so many of all systems its part of a rate in messages a second.
func newPace(rate float64, systems, of int) *benchPace {
	if rate <= 0 {
		return &benchPace{}
	}
	return &benchPace{every: time.Duration(float64(time.Second) * float64(systems) / float64(of) / rate), next: time.Now()}
}

// wait waits for the turn of the next message, and sends what was written before.
func (p *benchPace) wait(ctx context.Context, g *benchGateway) error {
	if p.every == 0 {
		return nil
	}
	now := time.Now()
	p.next = p.next.Add(p.every)
	if p.next.Before(now.Add(-time.Second)) {
		p.next = now // the service does not keep up: that is what is to be seen
	}
	if ahead := p.next.Sub(now); ahead > time.Millisecond {
		g.flush()
		return pause(ctx, ahead, nil)
	}
	return nil
}

// ingestCount is the state of a run at one time.
type ingestCount struct {
	at                                    time.Time
	stored                                float64
	service, mosquitto, influx, publisher usage
}

func (b *ingestRun) count() (ingestCount, error) {
	c := ingestCount{}
	m, err := b.service.metrics()
	if err != nil {
		return c, err
	}
	c.at, c.stored = time.Now(), m[metricStored]
	for _, p := range []struct {
		e  *external
		to *usage
	}{{b.mosquitto, &c.mosquitto}, {b.influx, &c.influx}} {
		if p.e != nil && p.e.command != nil {
			if *p.to, err = usageOf(p.e.command.Process.Pid); err != nil {
				return c, err
			}
		}
	}
	if c.publisher, err = usageOf(os.Getpid()); err != nil {
		return c, err
	}
	c.service, err = b.service.usage()
	return c, err
}

func (b *ingestRun) print(before, after ingestCount, stored latencies, rss []float64, parts, functions []share) {
	seconds := after.at.Sub(before.at).Seconds()
	readings := after.stored - before.stored
	million := readings / 1e6
	format := "JSON"
	if b.CBOR {
		format = "CBOR"
	}
	b.entry("sent", "packs of %d readings in %s, QoS 1, by %d gateways for %d systems", len(benchPoints), format, b.Clients, b.Systems)
	b.entry("broker, store", "%s, %s", embeddedOr(b.mosquitto), embeddedOr(b.influx))
	if b.Rate > 0 {
		b.entry("rate asked for", "%.0f readings/s", b.Rate)
	}
	b.entry("readings stored and analysed", "%.0f readings/s for %.0f s, %s of event time a second", readings/seconds, seconds, b.eventSpeed(seconds, readings))
	cpu := (after.service.cpu - before.service.cpu).Seconds()
	b.entry("the service", "%.2f CPU s per million readings, %.2f cores", cpu/million, cpu/seconds)
	for _, p := range []struct {
		name   string
		before usage
		after  usage
	}{{"the broker", before.mosquitto, after.mosquitto}, {"the database", before.influx, after.influx}, {"the publisher", before.publisher, after.publisher}} {
		if d := (p.after.cpu - p.before.cpu).Seconds(); d > 0 {
			b.entry(p.name, "%.2f CPU s per million readings, %.2f cores", d/million, d/seconds)
		}
	}
	b.entry("publish to PUBACK", "%s (every message)", b.senders.puback.summary())
	b.entry("publish to readable by the API", "%s (a probe every %v)", stored.summary(), probeEvery)
	b.entry("resident memory of the service", "%s (at the quarters)", memoryText(rss))
	b.line("CPU s per million readings by part, by a profile of the processor")
	whole := total(parts)
	b.splitShares(parts, func(v float64) string { return fmt.Sprintf("%.2f", v/whole*cpu/million) })
	if b.benchRun.Top {
		b.line("and by function")
		b.splitShares(functions, func(v float64) string { return fmt.Sprintf("%.2f", v/whole*cpu/million) })
	}
}

func (b *ingestRun) eventSpeed(seconds, readings float64) time.Duration {
	rounds := readings / float64(b.Systems*len(benchPoints))
	return time.Duration(rounds * float64(b.Interval) / seconds).Round(time.Second)
}

func embeddedOr(e *external) string {
	if e == nil {
		return "embedded"
	}
	if e.command == nil {
		return e.address
	}
	return filepath.Base(e.command.Path)
}

// orNone writes a number that may be zero in words.
func orNone(n float64) string {
	if n == 0 {
		return "none"
	}
	return fmt.Sprintf("%.0f", n)
}
