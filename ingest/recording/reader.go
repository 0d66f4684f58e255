package recording

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"dewline"
	"dewline/ingest/senml"
)

// Options bounds a Reader. The zero Options is what a person wants.
type Options struct {
	MaxFileBytes int64  // of one file when decompressed; 0 means 64 GiB
	RunReadings  int    // sorted in memory at once, at 24 bytes each; 0 means a million
	TempDir      string // for what does not fit; "" means the system's
	// Progress is called now and then while Open reads, with bytes as they are stored.
	Progress func(read, total int64)
}

const (
	defaultFileBytes   = 64 << 30
	defaultRunReadings = 1 << 20

	batchReadings   = 4096     // that Next aims at
	maxSystems      = 1 << 20  // in one recording
	maxEventBytes   = 64 << 20 // that events may take, which are all kept in memory
	maxRefusals     = 1000     // that are kept with their place
	eventBytes      = 64       // of an event beside its note
	foreignLineHint = "not a SenML pack: each line begins with ["
)

// Refusal is something in a recording that could not be used, with its place.
type Refusal struct {
	File string
	Line int
	dewline.Refusal
}

// String returns r as "file:line: reason: what".
func (r Refusal) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s:%d: %s", r.File, r.Line, r.Reason)
	if r.Record > 0 {
		fmt.Fprintf(&b, ": record %d", r.Record)
	}
	if r.Name != "" {
		fmt.Fprintf(&b, " (%s)", r.Name)
	}
	if r.Detail != "" {
		b.WriteString(": " + r.Detail)
	}
	return b.String()
}

// Summary is what is in a recording.
type Summary struct {
	Files       int
	Readings    int64 // that were decoded, repeated ones included
	Events      int
	Systems     []dewline.SystemID // in the order of their names
	First, Last dewline.Millis     // of readings; 0 if there are none
	Refused     map[dewline.Reason]int64
	Refusals    []Refusal // the first of them, with their places

	// These two are complete when Next has returned io.EOF.
	Repeated  int64 // the same reading again
	Conflicts int64 // another value than the one that stands
}

// Batch is the readings and events of a span of time. No later batch has one at a time within it.
type Batch struct {
	Samples []dewline.Sample // by time, system, point
	Events  []dewline.Event  // by time, system, kind, note
}

// Reader gives a recording in the order of time.
type Reader struct {
	options Options
	summary Summary

	decoder senml.Decoder
	pack    senml.Pack
	numbers map[dewline.SystemID]uint32
	systems []dewline.SystemID // by number
	ranked  order

	runs       runs
	merged     *merger
	ahead      reading // the next one, taken from merged
	err        error   // that ended merged
	events     []dewline.Event
	eventBytes int
}

// Open reads the recordings that paths name, files or folders. It returns when everything is read
// and sorted; the error names the file and line that could not be read.
func Open(ctx context.Context, o Options, paths ...string) (*Reader, error) {
	sources, err := find(paths)
	if err != nil {
		return nil, err
	}
	return open(ctx, o, sources)
}

func open(ctx context.Context, o Options, sources []source) (*Reader, error) {
	o.MaxFileBytes = cmp.Or(o.MaxFileBytes, defaultFileBytes)
	o.RunReadings = cmp.Or(o.RunReadings, defaultRunReadings)
	r := &Reader{options: o, numbers: map[dewline.SystemID]uint32{}, runs: runs{size: o.RunReadings, dir: o.TempDir}}
	r.summary.Files = len(sources)
	r.summary.Refused = map[dewline.Reason]int64{}
	if err := r.load(ctx, sources); err != nil {
		r.Close()
		return nil, err
	}
	return r, nil
}

func (r *Reader) load(ctx context.Context, sources []source) error {
	var total, before int64
	for _, s := range sources {
		total += s.size
	}
	report := func(int64) {}
	if r.options.Progress != nil {
		report = func(stored int64) { r.options.Progress(before+stored, total) }
	}
	for _, s := range sources {
		err := s.eachLine(ctx, r.options, report, func(line []byte, number int) error { return r.take(s.name, line, number) })
		if err != nil {
			return err
		}
		before += s.size
		report(0)
	}
	return r.arrange()
}

// take decodes one line.
func (r *Reader) take(file string, line []byte, number int) error {
	r.pack.Reset()
	if line[0] == '[' { // CBOR has no lines
		r.decoder.Decode(&r.pack, line, senml.Context{})
	} else {
		r.pack.Refused = append(r.pack.Refused, dewline.Refusal{Reason: dewline.ReasonMalformed, Detail: foreignLineHint})
	}
	for _, refused := range r.pack.Refused {
		r.summary.Refused[refused.Reason]++
		if len(r.summary.Refusals) < maxRefusals {
			r.summary.Refusals = append(r.summary.Refusals, Refusal{file, number, refused})
		}
	}
	for _, s := range r.pack.Samples {
		system, err := r.number(s.System)
		if err != nil {
			return err
		}
		if r.runs.full() {
			if err := r.runs.spill(r.order()); err != nil {
				return err
			}
		}
		r.runs.add(reading{at: s.At, value: s.Value, system: system, point: s.Point})
		r.summary.count(s.At)
	}
	for _, e := range r.pack.Events {
		if _, err := r.number(e.System); err != nil {
			return err
		}
		if r.eventBytes += eventBytes + len(e.Note); r.eventBytes > maxEventBytes {
			return fmt.Errorf("more than %d MiB of events; they are meant to be rare", maxEventBytes>>20)
		}
		r.events = append(r.events, e)
	}
	return nil
}

func (s *Summary) count(at dewline.Millis) {
	if s.Readings == 0 || at < s.First {
		s.First = at
	}
	if s.Readings == 0 || at > s.Last {
		s.Last = at
	}
	s.Readings++
}

// number returns the number that stands for a system.
func (r *Reader) number(id dewline.SystemID) (uint32, error) {
	if n, ok := r.numbers[id]; ok {
		return n, nil
	}
	if len(r.systems) == maxSystems {
		return 0, fmt.Errorf("more than %d systems in one recording", maxSystems)
	}
	n := uint32(len(r.systems))
	r.numbers[id] = n
	r.systems = append(r.systems, id)
	return n, nil
}

// order ranks the systems that are known by their names. A run is sorted by it before all systems
// are known; that is well, since the names of those that come later move none of these past another.
func (r *Reader) order() order {
	if len(r.ranked.rank) != len(r.systems) {
		r.ranked.rank = make([]uint32, len(r.systems))
		for rank, id := range slices.Sorted(maps.Keys(r.numbers)) {
			r.ranked.rank[r.numbers[id]] = uint32(rank)
		}
	}
	return r.ranked
}

// arrange ends the reading: everything is known now.
func (r *Reader) arrange() error {
	slices.SortFunc(r.events, compareEvents)
	r.events = slices.Compact(r.events)
	r.summary.Events = len(r.events)
	r.summary.Systems = slices.Sorted(maps.Keys(r.numbers))
	var err error
	if r.merged, err = r.runs.merge(r.order()); err != nil {
		return err
	}
	r.ahead, r.err = r.merged.next()
	return nil
}

func compareEvents(a, b dewline.Event) int {
	return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.System, b.System), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Note, b.Note))
}

// Summary says what is in the recording.
func (r *Reader) Summary() Summary { return r.summary }

// Next replaces what is in b by the next readings and events, some thousands. At the end it returns
// io.EOF.
func (r *Reader) Next(b *Batch) error {
	clear(b.Events)
	b.Samples, b.Events = b.Samples[:0], b.Events[:0]
	for r.err == nil && (len(b.Samples) < batchReadings || b.Samples[len(b.Samples)-1].At == r.ahead.at) {
		first := r.ahead
		b.Samples = append(b.Samples, dewline.Sample{System: r.systems[first.system], Point: first.point, At: first.at, Value: first.value})
		r.skip(first)
	}
	if r.err != nil && r.err != io.EOF {
		return r.err
	}
	n := len(r.events)
	if r.err == nil { // more readings follow
		until := b.Samples[len(b.Samples)-1].At
		n, _ = slices.BinarySearchFunc(r.events, until+1, func(e dewline.Event, at dewline.Millis) int { return cmp.Compare(e.At, at) })
	}
	b.Events = append(b.Events, r.events[:n]...)
	r.events = r.events[n:]
	if len(b.Samples)+len(b.Events) == 0 {
		return io.EOF
	}
	return nil
}

// skip moves past what has the system, point and time of first, which is the smallest of them.
func (r *Reader) skip(first reading) {
	for {
		r.ahead, r.err = r.merged.next()
		switch {
		case r.err != nil || !same(r.ahead, first):
			return
		case r.ahead.value == first.value:
			r.summary.Repeated++
		default:
			r.summary.Conflicts++
		}
	}
}

// Close removes the temporary file.
func (r *Reader) Close() error {
	r.err = io.EOF
	r.events = nil
	return r.runs.close()
}
