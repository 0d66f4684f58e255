package ingest

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"dewline"
	"dewline/ingest/mqtt"
	"dewline/ingest/senml"

	"github.com/prometheus/client_golang/prometheus"
)

// Sink takes the readings that are new and durable, in the order in which they were stored, and the
// events that came with them. See
// the package comment for what it must do after a crash and why a reading may come twice.
type Sink interface {
	// Offer may keep batch's values but not the slice. While it does not return, nothing behind
	// it is acknowledged.
	Offer(batch []dewline.Sample, events ...dewline.Event)
}

// Options say where readings go. Readings, Events, Rejects, Statuses and Sink are required.
type Options struct {
	Readings dewline.Readings
	Events   dewline.Events
	Rejects  dewline.Rejects
	Statuses dewline.GatewayStatuses
	Sink     Sink

	Root   string        // first level of all topics, "dewline" if empty
	MaxAge time.Duration // of a reading that the store takes, senml.DefaultMaxAge if 0

	// InFlight is how many messages wait to be decoded, 512 if 0. The embedded broker sends as
	// many without being asked (broker.Options.InFlight).
	InFlight int
	// BatchSamples is how many readings a batch has at most, but for those of its last message;
	// 10,000 if 0. BatchDelay is how long it waits for more after its first message; 10 ms if 0.
	BatchSamples int
	BatchDelay   time.Duration

	Log        *slog.Logger          // nothing is logged if nil
	Registerer prometheus.Registerer // where the metrics go, nowhere if nil
}

func (o Options) withDefaults() Options {
	o.Root = cmp.Or(o.Root, "dewline")
	o.MaxAge = cmp.Or(o.MaxAge, senml.DefaultMaxAge)
	o.InFlight = cmp.Or(o.InFlight, 512)
	o.BatchSamples = cmp.Or(o.BatchSamples, 10_000)
	o.BatchDelay = cmp.Or(o.BatchDelay, 10*time.Millisecond)
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return o
}

// Validate says what is missing.
func (o Options) Validate() error {
	switch {
	case o.Readings == nil, o.Events == nil, o.Rejects == nil, o.Statuses == nil, o.Sink == nil:
		return errors.New("ingest needs a store for readings, events, rejects and gateway statuses, and a sink")
	case o.Root != "" && !dewline.ValidID(o.Root):
		return fmt.Errorf("the first topic level %q must be made of a-z, 0-9 and -", o.Root)
	case o.InFlight < 0, o.BatchSamples < 0, o.BatchDelay < 0, o.MaxAge < 0:
		return errors.New("ingest: no limit may be negative")
	}
	return nil
}

// batches is how many batches there are: one being decoded, one written, one finished.
const batches = 3

// Pipeline is a running ingest.
type Pipeline struct {
	opts    Options
	log     *slog.Logger
	metrics *metrics
	fleet   atomic.Pointer[dewline.Fleet]

	queue  chan mqtt.Message
	free   chan *batch
	filled chan *batch
	stored chan *batch

	closing chan struct{} // closed by Close: take no more
	once    sync.Once
	ctx     context.Context // ends when Close does not wait any longer
	abandon context.CancelFunc
	work    sync.WaitGroup

	trouble atomic.Pointer[trouble] // with the store, nil when well

	collector collector
	finisher  finisher
}

// trouble is a store that fails.
type trouble struct {
	since time.Time
	err   error
}

// Start starts a pipeline for the systems of fleet. Deliver feeds it and Close stops it.
func Start(opts Options, fleet *dewline.Fleet) (*Pipeline, error) {
	if err := opts.Validate(); err != nil {
		return nil, err
	}
	opts = opts.withDefaults()
	p := &Pipeline{
		opts:    opts,
		log:     opts.Log,
		queue:   make(chan mqtt.Message, opts.InFlight),
		free:    make(chan *batch, batches),
		filled:  make(chan *batch),
		stored:  make(chan *batch),
		closing: make(chan struct{}),
	}
	p.metrics = newMetrics(opts.Registerer, func() float64 { return float64(len(p.queue)) })
	p.fleet.Store(fleet)
	p.ctx, p.abandon = context.WithCancel(context.Background())
	for range batches {
		p.free <- &batch{}
	}
	p.work.Go(p.collect)
	p.work.Go(p.write)
	p.work.Go(p.finish)
	return p, nil
}

// SetFleet makes the pipeline take the systems of f from the next message on.
func (p *Pipeline) SetFleet(f *dewline.Fleet) { p.fleet.Store(f) }

// Deliver takes one message. It blocks while the queue is full, which makes the broker hold the
// rest. After Close it drops the message, which the broker sends again another time.
func (p *Pipeline) Deliver(m mqtt.Message) {
	select {
	case p.queue <- m:
	case <-p.closing:
	}
}

// Health returns nil while readings are being stored, else what is wrong and since when.
func (p *Pipeline) Health() error {
	t := p.trouble.Load()
	if t == nil {
		return nil
	}
	return fmt.Errorf("readings have not been stored since %s, the broker holds them: %w", t.since.UTC().Format(time.RFC3339), t.err)
}

// Close takes no more messages, finishes the batches that were begun, and returns when they are
// acknowledged. When ctx ends before, because the store does not answer, they are left to be sent
// again.
func (p *Pipeline) Close(ctx context.Context) {
	p.once.Do(func() { close(p.closing) })
	stop := context.AfterFunc(ctx, p.abandon)
	defer stop()
	p.work.Wait()
	p.abandon()
}
