package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"dewline"
)

// benchLive is a fleet that sends its readings as they are taken: every system each Interval of real
// time, at a moment of its own. With Reconnect all gateways come at once with a backlog, which they
// send oldest first, one pack at a time, while live readings go on between.
type benchLive struct {
	benchSettings
	Duration        time.Duration `default:"2m" help:"How long to measure (default ${default}); with --reconnect at least until the backlog is in."`
	Systems         int           `default:"20000" help:"Systems, of ten points each (default ${default})."`
	Clients         int           `default:"500" help:"Gateway connections (default ${default})."`
	Interval        time.Duration `default:"30s" help:"Time between two readings of a system (default ${default})."`
	CBOR            bool          `name:"cbor" help:"Send packs in CBOR instead of JSON."`
	Reconnect       bool          `help:"All gateways connect at once after an outage, with a backlog."`
	Backlog         time.Duration `default:"24h" help:"How long the outage was (default ${default})."`
	BacklogInterval time.Duration `name:"backlog-interval" default:"30s" help:"Time between two readings of a system in the backlog (default ${default})."`
	Stats           bool          `help:"Print how it goes every ten seconds."`
}

// backlogRecords is how many readings a pack of the backlog has.
const backlogRecords = 1000

// Run measures.
func (c *benchLive) Run(ctx context.Context, std *streams) (err error) {
	r, err := c.begin(std)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.end()) }()
	fleet, err := newBenchFleet(c.Clients, c.Systems, c.Seed)
	if err != nil {
		return err
	}
	b := liveRun{benchLive: c, benchRun: r, fleet: fleet}
	if b.service, err = r.child(ctx, fleet, "", true); err != nil {
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

// liveRun is one run of it.
type liveRun struct {
	*benchLive
	*benchRun
	fleet   *benchFleet
	service *benchChild
	senders *benchSenders

	live, old atomic.Int64 // messages published
	oldDone   atomic.Int64 // readings of the backlog that are acknowledged
	backlog   sync.WaitGroup
}

func (b *liveRun) measure(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var err error
	if b.senders, err = connectSenders(ctx, b.fleet, b.service.mqtt, b.service.passwords, 64, b.CBOR); err != nil {
		return err
	}
	outage := dewline.MillisOf(time.Now().Add(-b.Backlog))
	if b.Reconnect {
		// The last readings before the outage.
		if err := b.sendOnce(ctx, outage-1000); err != nil {
			return err
		}
		b.say("%d gateways send a backlog of %v", b.Clients, b.Backlog)
	}
	problems := make(chan error, 2*b.Clients+2)
	sending, stopSending := context.WithCancel(ctx)
	defer stopSending()
	var work sync.WaitGroup
	begun := dewline.MillisOf(time.Now())
	for g := range b.Clients {
		work.Go(func() { b.sendLive(sending, g) })
		if b.Reconnect {
			b.backlog.Go(func() {
				if err := b.sendBacklog(sending, g, outage, begun); err != nil {
					problems <- err
				}
			})
		}
	}
	if !b.Reconnect { // the first round makes everything for the first time
		if err := pause(ctx, b.Interval, problems); err != nil {
			return err
		}
	}

	probing, stopProbing := context.WithCancel(ctx)
	defer stopProbing()
	var stored latencies
	work.Go(func() {
		now := func() dewline.Millis { return dewline.MillisOf(time.Now()) }
		if err := b.senders.probes(probing, b.service, now, &stored); err != nil {
			problems <- err
		}
	})
	var rss []float64
	work.Go(func() { watched(probing, b.service, func(u usage) { rss = append(rss, float64(u.rss)) }) })
	if b.Stats {
		go b.tell(probing)
	}
	before, err := b.state()
	if err != nil {
		return err
	}
	b.senders.count(true)
	var parts, functions []share
	work.Go(func() {
		if pause(probing, b.Duration/4, nil) == nil {
			var err error
			if parts, functions, err = b.service.processor(ctx, min(30*time.Second, b.Duration/2), b.benchRun.Profile); err != nil {
				problems <- err
			}
		}
	})
	if err := pause(ctx, b.Duration, problems); err != nil {
		return err
	}
	var took time.Duration
	if b.Reconnect {
		if took, err = b.backlogIn(ctx, begun, problems); err != nil {
			return err
		}
	}
	b.senders.count(false)
	after, err := b.state()
	if err != nil {
		return err
	}
	stopProbing()
	stopSending()
	work.Wait()
	wait, done := context.WithTimeout(ctx, 2*time.Minute)
	defer done()
	if err := b.senders.drain(wait); err != nil {
		return err
	}
	m, missing, err := b.senders.settled(wait, b.service)
	if err != nil {
		return err
	}
	b.print(before, after, took, stored, rss, parts, functions)
	b.printAge(m)
	b.entry("readings acknowledged, not stored", "%d of %d", missing, b.senders.total())
	if missing != 0 {
		return fmt.Errorf("%d readings were acknowledged and are not stored", missing)
	}
	if err := b.memoryParts(ctx, b.service); err != nil {
		return err
	}
	return b.restart(ctx)
}

// restart kills the service and says how long it takes to be ready again.
func (b *liveRun) restart(ctx context.Context) error {
	b.service.kill()
	began := time.Now()
	if err := b.service.start(); err != nil {
		return err
	}
	wait, cancel := context.WithTimeout(ctx, 5*time.Minute)
	defer cancel()
	if err := b.service.ready(wait); err != nil {
		return err
	}
	b.entry("ready again after SIGKILL", "in %.1f s, with all that above in its log", time.Since(began).Seconds())
	return nil
}

// sendOnce sends one reading of every system and waits until all are acknowledged.
func (b *liveRun) sendOnce(ctx context.Context, at dewline.Millis) error {
	var work sync.WaitGroup
	for g, machines := range b.fleet.sites {
		work.Go(func() {
			for _, m := range machines {
				samples := m.readings(at, nil)
				if b.senders.gateways[g].publish(ctx, m.topic, b.senders.encode(samples), -len(samples)) != nil {
					return
				}
				b.old.Add(1)
			}
		})
	}
	work.Wait()
	return b.senders.drain(ctx)
}

// sendLive sends the readings of one gateway's systems when they are due.
func (b *liveRun) sendLive(ctx context.Context, gateway int) {
	g, machines := b.senders.gateways[gateway], b.fleet.sites[gateway]
	type turn struct {
		m  *benchMachine
		at time.Time
	}
	// Gateways are not in step, nor are their systems.
	begin := time.Now()
	turns := make([]turn, len(machines))
	for i, m := range machines {
		share := float64((i*len(b.fleet.sites)+gateway*7919)%b.Systems) / float64(b.Systems)
		turns[i] = turn{m, begin.Add(time.Duration(share * float64(b.Interval)))}
	}
	slices.SortFunc(turns, func(a, b turn) int { return a.at.Compare(b.at) })
	var samples []dewline.Sample
	for ctx.Err() == nil {
		for i := range turns {
			t := &turns[i]
			if pause(ctx, time.Until(t.at), nil) != nil {
				return
			}
			samples = t.m.readings(dewline.MillisOf(time.Now()), samples[:0])
			t.at = t.at.Add(b.Interval)
			if g.publish(ctx, t.m.topic, b.senders.encode(samples), len(samples)) != nil {
				return
			}
			b.live.Add(1)
			g.flush()
		}
	}
}

// sendBacklog sends what one gateway has kept since the outage began, oldest first: a pack, its
// acknowledgement, the next. A gateway that pushes its whole backlog into the connection delays its
// own live readings, which have to go through behind it.
func (b *liveRun) sendBacklog(ctx context.Context, gateway int, from, to dewline.Millis) error {
	g := b.senders.gateways[gateway]
	step := dewline.Millis(b.BacklogInterval.Milliseconds())
	span := step * backlogRecords / dewline.Millis(len(benchPoints))
	kept := make([]*benchMachine, len(b.fleet.sites[gateway])) // of their own: the live ones go on beside
	for i, m := range b.fleet.sites[gateway] {
		kept[i] = newBenchMachine(m.id, b.benchRun.Seed+1, gateway*1000+i)
	}
	var samples []dewline.Sample
	for begin := from; begin < to; begin += span {
		for i, m := range b.fleet.sites[gateway] {
			samples = samples[:0]
			for at := begin; at < min(begin+span, to); at += step {
				samples = kept[i].readings(at, samples)
			}
			done := make(chan struct{})
			if g.publishThen(ctx, m.topic, b.senders.encode(samples), -len(samples), func() { close(done) }) != nil {
				return nil
			}
			b.old.Add(1)
			g.flush()
			select {
			case <-done:
				b.oldDone.Add(int64(len(samples)))
			case <-ctx.Done():
				return nil
			}
		}
	}
	return nil
}

// backlogIn waits until the backlog is sent and stored, and says how long that took.
func (b *liveRun) backlogIn(ctx context.Context, begun dewline.Millis, problems <-chan error) (time.Duration, error) {
	sent := make(chan struct{})
	go func() { b.backlog.Wait(); close(sent) }()
	select {
	case <-sent:
	case <-ctx.Done():
		return 0, ctx.Err()
	case err := <-problems:
		return 0, err
	}
	for {
		m, err := b.service.metrics()
		if err != nil {
			return 0, err
		}
		if m[metricQueue] < 100 { // the rest is live
			return time.Since(begun.Time()), nil
		}
		if err := pause(ctx, 500*time.Millisecond, problems); err != nil {
			return 0, err
		}
	}
}

// tell says every ten seconds how it goes.
func (b *liveRun) tell(ctx context.Context) {
	for pause(ctx, 10*time.Second, nil) == nil {
		m, err := b.service.metrics()
		u, err2 := b.service.usage()
		if cmp.Or(err, err2) != nil {
			return
		}
		b.say("stored %.0f, backlog acknowledged %d, queue %.0f messages %s, resident %s, CPU %.0f s, analytics: analysed %.0f, late %.0f", m[metricStored], b.oldDone.Load(),
			m[metricQueue], mib(m[metricQueueBytes]), mib(float64(u.rss)), u.cpu.Seconds(), m[metricAnalysed], m[metricLate])
	}
}

// liveState is the state of a run at one time.
type liveState struct {
	at      time.Time
	metrics metrics
	usage   usage
}

func (b *liveRun) state() (liveState, error) {
	m, err := b.service.metrics()
	if err != nil {
		return liveState{}, err
	}
	u, err := b.service.usage()
	return liveState{time.Now(), m, u}, err
}

func (b *liveRun) print(before, after liveState, took time.Duration, stored latencies, rss []float64, parts, functions []share) {
	seconds := after.at.Sub(before.at).Seconds()
	readings := after.metrics[metricStored] - before.metrics[metricStored]
	cpu := (after.usage.cpu - before.usage.cpu).Seconds()
	b.entry("fleet", "%d systems of %d points every %v, %d gateway connections", b.Systems, len(benchPoints), b.Interval, b.Clients)
	b.entry("readings stored and analysed", "%.0f readings/s for %.0f s", readings/seconds, seconds)
	if b.Reconnect {
		old := b.oldDone.Load()
		b.entry("backlog", "%v of readings every %v: %d readings, in after %.0f s (%.0f readings/s)", b.Backlog, b.BacklogInterval, old, took.Seconds(), float64(old)/took.Seconds())
		b.entry("late for analytics", "%s readings, %s quarter hours summed up", orNone(after.metrics[metricLate]), orNone(after.metrics[metricRollUps]))
	}
	b.entry("the service", "%.2f cores, %.2f CPU s per million readings", cpu/seconds, cpu/(readings/1e6))
	b.entry("live: publish to PUBACK", "%s (every message)", b.senders.puback.summary())
	b.entry("live: publish to readable by API", "%s (a probe every %v)", stored.summary(), probeEvery)
	b.entry("resident memory of the service", "%s (at the quarters)", memoryText(rss))
	b.line("cores by part, by a profile of the processor")
	whole := total(parts)
	b.splitShares(parts, func(v float64) string { return fmt.Sprintf("%.3f", v/whole*cpu/seconds) })
	if b.benchRun.Top {
		b.line("and by function")
		b.splitShares(functions, func(v float64) string { return fmt.Sprintf("%.3f", v/whole*cpu/seconds) })
	}
}

// printAge says how old live readings were when they had been stored, all of them. Those of the
// backlog are old whatever the service does.
func (b *liveRun) printAge(m metrics) {
	if b.Reconnect {
		const limit = 32.768 // s, a bound of the histogram
		late, _ := m.above(metricAge, limit)
		b.entry("live readings older than 32.8 s", "%s when stored (all messages)", orNone(max(0, late-float64(b.old.Load()))))
		return
	}
	_, within := m.above(metricAge, 0)
	b.entry("oldest reading when stored", "within %s s of its being taken (all messages, by the service's histogram)", within)
}
