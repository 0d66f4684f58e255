package simfleet

import (
	"fmt"
	"iter"
	"math/rand/v2"
	"runtime"
	"slices"
	"sync"
	"time"

	"dewline"
	"dewline/thermo"
	"dewline/thermo/plant"
)

// Options say which fleet and which stretch of time.
type Options struct {
	Seed    uint64
	Start   time.Time // of the readings
	Present time.Time // faults are laid out by this moment; readings may go on beyond it

	// Of the harbour town.
	Coarse  time.Duration // between readings, at first; 5 minutes if zero
	Fine    time.Duration // between readings, in the last FineFor before Present and from then on; 1 minute if zero
	FineFor time.Duration // 72 hours if zero

	// Of a fleet that is drawn.
	Systems  int              // how many; 0 means the harbour town
	Points   Points           // what is fitted; Mixed if empty
	Sampling dewline.Sampling // of every system; where its Kind is empty it differs from one to the next
}

// Points is what a drawn fleet has fitted.
type Points string

// The sets of points.
const (
	Mixed Points = "mixed" // from the full set down to the least, as systems come
	Full  Points = "full"  // everything that is of use to the kind of system
	Least Points = "least" // two pressures, two line temperatures and the outdoor air; the mode, too, of a heat pump
)

// Fleet is the invented fleet and where its time stands.
type Fleet struct {
	o       Options
	file    []byte
	config  *dewline.Fleet
	systems []*system
	truth   []Truth
	at      int64 // Unix s of the next step
}

// Pack is what a gateway sends at once: readings of one system, oldest first.
type Pack struct {
	System  dewline.SystemID
	Gateway string
	Sent    dewline.Millis // when the gateway sends it; later than its readings after an outage
	Samples []dewline.Sample
	Events  []dewline.Event
}

// system is a machine with its sensors and its link.
type system struct {
	id      dewline.SystemID
	gateway string
	run     *plant.Run
	away    *away
	sensors []sensor
	sampler *sampler // nil in the town, whose gateways all sample alike
	rng     *rand.Rand
	link    link
	events  []dewline.Event // still to come, oldest first

	pack    Pack
	rows    int
	backlog []Pack
}

// link is what can go wrong between gateway and broker.
type link struct {
	outages    [][2]dewline.Millis
	duplicates bool           // now and then a pack is sent twice
	apart      dewline.Millis // between two sensors that are asked one after another
	clockOff   time.Duration
	clockFrom  dewline.Millis
	clockUntil dewline.Millis
}

// New builds the fleet of the harbour town, or draws one.
func New(o Options) (*Fleet, error) {
	if o.Coarse == 0 {
		o.Coarse = 5 * time.Minute
	}
	if o.Fine == 0 {
		o.Fine = time.Minute
	}
	if o.FineFor == 0 {
		o.FineFor = 72 * time.Hour
	}
	o.Start, o.Present = o.Start.Truncate(time.Minute), o.Present.Truncate(time.Minute)
	if !o.Start.Before(o.Present) {
		return nil, fmt.Errorf("the fleet's readings must start before the present: %v is not before %v", o.Start, o.Present)
	}
	t := newTown
	if o.Systems > 0 {
		t = newRegion
	}
	return newFleetOf(t(o))
}

func newFleetOf(t *layout) (*Fleet, error) {
	o := t.o
	f := &Fleet{o: o, at: o.Start.Unix()}
	if err := t.each(func(_ int, e *entry) error { return e.prepare(t) }); err != nil {
		return nil, err
	}
	config, err := t.config()
	if err != nil {
		return nil, err
	}
	if f.file, err = config.Marshal(); err != nil {
		return nil, err
	}
	if f.config, err = dewline.ReadFleet("fleet.yaml", f.file, designations{}); err != nil {
		return nil, err
	}
	f.systems = make([]*system, len(t.entries))
	truths := make([][]Truth, len(t.entries))
	if err := t.each(func(i int, e *entry) (err error) {
		f.systems[i], err = e.build(t, f.config, uint64(i))
		truths[i] = e.truths(t)
		return err
	}); err != nil {
		return nil, err
	}
	f.truth = slices.Concat(truths...)
	return f, nil
}

// each calls do for every entry, on all processors, and returns the first entry's error.
func (t *layout) each(do func(int, *entry) error) error {
	errs := make([]error, len(t.entries))
	parallel(len(t.entries), func(i int) { errs[i] = do(i, t.entries[i]) })
	for i, err := range errs {
		if err != nil {
			return fmt.Errorf("%s: %w", t.entries[i].systemID(), err)
		}
	}
	return nil
}

// designations answers the fleet file's question for a refrigerant's name.
type designations struct{}

func (designations) Designation(name string) (string, error) { return thermo.Designation(name) }

// File returns the fleet file.
func (f *Fleet) File() []byte { return f.file }

// Config returns the fleet as its file says it.
func (f *Fleet) Config() *dewline.Fleet { return f.config }

// Truth returns what is wrong with the fleet, in the order of systems and onsets.
func (f *Fleet) Truth() []Truth { return f.truth }

// chunk is how far all systems go before their packs are put in order: it bounds the memory.
const chunk = 6 * 3600

// Packs goes on from where the last call ended and gives every pack that is sent up to and including
// until, in the order of the times they are sent at. Breaking off loses the rest of the packs that are
// made already.
func (f *Fleet) Packs(until time.Time) iter.Seq[Pack] {
	return func(yield func(Pack) bool) {
		for end := until.Unix(); f.at <= end; {
			to := min(f.at-f.at%chunk+chunk-60, end-end%60)
			made := make([][]Pack, len(f.systems))
			parallel(len(f.systems), func(i int) { made[i] = f.advance(f.systems[i], f.at, to) })
			f.at = to + 60
			all := slices.Concat(made...)
			slices.SortStableFunc(all, func(a, b Pack) int { return int(a.Sent - b.Sent) })
			for _, p := range all {
				if !yield(p) {
					return
				}
			}
			if to >= end-end%60 {
				return
			}
		}
	}
}

// parallel calls do for 0 to n-1 on all processors.
func parallel(n int, do func(int)) {
	var wg sync.WaitGroup
	next := make(chan int)
	for range min(runtime.GOMAXPROCS(0), n) {
		wg.Go(func() {
			for i := range next {
				do(i)
			}
		})
	}
	for i := range n {
		next <- i
	}
	close(next)
	wg.Wait()
}

// advance moves one system by minutes from one Unix time to another, both included, and returns the
// packs that it sends.
func (f *Fleet) advance(s *system, from, to int64) []Pack {
	var sent []Pack
	fineFrom := f.o.Present.Add(-f.o.FineFor).Unix()
	for t := from; t <= to; t += 60 {
		now := s.step(float64(t))
		every := int64(f.o.Coarse / time.Second)
		rows := 4
		if t >= fineFrom {
			every, rows = int64(f.o.Fine/time.Second), 15
		}
		if s.sampler != nil {
			every, rows = s.sampler.everyS, s.sampler.rows
			s.sampler.add(s, now, dewline.Millis(t*1000))
		}
		if t >= f.o.Present.Unix() {
			rows = 1
		}
		for len(s.events) > 0 && s.events[0].At <= dewline.Millis(t*1000) {
			s.pack.Events = append(s.pack.Events, s.events[0])
			s.events = s.events[1:]
		}
		if t%every != 0 {
			continue
		}
		at := dewline.Millis(t * 1000)
		if s.pack.Samples == nil {
			s.pack.Samples = make([]dewline.Sample, 0, rows*len(s.sensors))
		}
		stamp := at
		if at >= s.link.clockFrom && at < s.link.clockUntil {
			stamp = at.Add(s.link.clockOff)
		}
		if s.sampler != nil && s.sampler.mean {
			s.sampler.take(s, stamp)
		} else {
			for i := range s.sensors {
				if v, ok := s.sensors[i].read(now, at, s.rng); ok {
					s.pack.Samples = append(s.pack.Samples, dewline.Sample{System: s.id, Point: s.sensors[i].point, At: stamp + dewline.Millis(i)*s.link.apart, Value: v})
				}
			}
		}
		if s.rows++; s.rows >= rows {
			sent = s.flush(sent, at)
		}
	}
	return sent
}

// flush hands over the pack that is being filled, or keeps it while the link is down.
func (s *system) flush(sent []Pack, at dewline.Millis) []Pack {
	p := s.pack
	s.pack, s.rows = Pack{}, 0
	p.System, p.Gateway, p.Sent = s.id, s.gateway, at
	for _, o := range s.link.outages {
		if at >= o[0] && at < o[1] {
			s.backlog = append(s.backlog, p)
			return sent
		}
	}
	for _, b := range s.backlog {
		b.Sent = at
		sent = append(sent, b)
	}
	s.backlog = nil
	sent = append(sent, p)
	if s.link.duplicates && s.rng.Float64() < 0.05 {
		sent = append(sent, p)
	}
	return sent
}
