package recording

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"dewline"
	"dewline/ingest/senml"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"
)

// recordsPerLine keeps lines well below the limits of a pack.
const recordsPerLine = 1000

// Writer writes a recording, a pack of one system a line.
type Writer struct {
	w       io.Writer
	closers []func() error // innermost first
	newest  map[dewline.SystemID]dewline.Millis
	groups  map[dewline.SystemID]*group
	order   []dewline.SystemID // of the groups
	line    []byte
}

// group is what one call of Write has of one system.
type group struct {
	samples []dewline.Sample
	events  []dewline.Event
}

// NewWriter returns a Writer of plain lines to w, which is for the caller to flush and close.
func NewWriter(w io.Writer) *Writer {
	return &Writer{w: w, newest: map[dewline.SystemID]dewline.Millis{}, groups: map[dewline.SystemID]*group{}}
}

// Create makes or replaces the file path, compressed as its name says. Close completes it.
func Create(path string) (*Writer, error) {
	if !isRecording(path) {
		return nil, fmt.Errorf("%s: the name of a recording ends in %s", path, strings.Join(suffixes, ", "))
	}
	f, err := os.Create(path)
	if err != nil {
		return nil, err
	}
	buffered := bufio.NewWriterSize(f, 64<<10)
	w := NewWriter(buffered)
	w.closers = []func() error{buffered.Flush, f.Close}
	switch {
	case strings.HasSuffix(path, ".gz"):
		z := gzip.NewWriter(buffered)
		w.w, w.closers = z, append([]func() error{z.Close}, w.closers...)
	case strings.HasSuffix(path, ".zst"):
		z, err := zstd.NewWriter(buffered, zstd.WithEncoderConcurrency(1))
		if err != nil {
			return nil, errors.Join(err, f.Close())
		}
		w.w, w.closers = z, append([]func() error{z.Close}, w.closers...)
	}
	return w, nil
}

// Write adds readings and events of any systems. For each system both lists are in the order of time
// and none is older than what was written before.
func (w *Writer) Write(samples []dewline.Sample, events []dewline.Event) error {
	for _, s := range samples {
		g := w.group(s.System)
		if n := len(g.samples); n > 0 && s.At < g.samples[n-1].At {
			return fmt.Errorf("%s: a recording is in the order of time: %v after %v", s.System, s.At.Time(), g.samples[n-1].At.Time())
		}
		g.samples = append(g.samples, s)
	}
	for _, e := range events {
		g := w.group(e.System)
		if n := len(g.events); n > 0 && e.At < g.events[n-1].At {
			return fmt.Errorf("%s: a recording is in the order of time: %v after %v", e.System, e.At.Time(), g.events[n-1].At.Time())
		}
		g.events = append(g.events, e)
	}
	defer func() {
		for _, g := range w.groups {
			clear(g.events)
			g.samples, g.events = g.samples[:0], g.events[:0]
		}
		w.order = w.order[:0]
	}()
	for _, id := range w.order {
		if err := w.writeGroup(id, w.groups[id]); err != nil {
			return err
		}
	}
	return nil
}

// group returns the group of a system, which has its turn when it is first asked for.
func (w *Writer) group(id dewline.SystemID) *group {
	g := w.groups[id]
	if g == nil {
		g = &group{}
		w.groups[id] = g
	}
	if len(g.samples)+len(g.events) == 0 {
		w.order = append(w.order, id)
	}
	return g
}

func (w *Writer) writeGroup(id dewline.SystemID, g *group) error {
	if !id.Valid() {
		return fmt.Errorf("%q is not a system's id, <site>/<system>", id)
	}
	samples, events := g.samples, g.events
	for len(samples)+len(events) > 0 {
		s, e := cut(samples, events, recordsPerLine)
		if oldest := first(s, e); oldest < w.newest[id] {
			return fmt.Errorf("%s: a recording is in the order of time: %v after %v", id, oldest.Time(), w.newest[id].Time())
		}
		if err := w.writeLine(id, s, e); err != nil {
			return err
		}
		w.newest[id] = last(s, e)
		samples, events = samples[len(s):], events[len(e):]
	}
	return nil
}

// writeLine writes one line, or several where long notes make one too long.
func (w *Writer) writeLine(id dewline.SystemID, samples []dewline.Sample, events []dewline.Event) error {
	w.line = senml.AppendJSON(w.line[:0], string(id)+"/", samples, events)
	n := len(samples) + len(events)
	switch {
	case len(w.line) <= senml.MaxPackBytes:
		_, err := w.w.Write(append(w.line, '\n'))
		return err
	case n == 1:
		return fmt.Errorf("%s: a note of more than %d bytes does not fit a recording; shorten it", id, senml.MaxPackBytes)
	}
	s, e := cut(samples, events, n/2)
	if err := w.writeLine(id, s, e); err != nil {
		return err
	}
	return w.writeLine(id, samples[len(s):], events[len(e):])
}

// cut returns the first n of both lists in the order of time.
func cut(samples []dewline.Sample, events []dewline.Event, n int) ([]dewline.Sample, []dewline.Event) {
	i, j := 0, 0
	for i+j < n && i+j < len(samples)+len(events) {
		if j == len(events) || (i < len(samples) && samples[i].At <= events[j].At) {
			i++
		} else {
			j++
		}
	}
	return samples[:i], events[:j]
}

func first(samples []dewline.Sample, events []dewline.Event) dewline.Millis {
	switch {
	case len(samples) == 0:
		return events[0].At
	case len(events) == 0:
		return samples[0].At
	}
	return min(samples[0].At, events[0].At)
}

func last(samples []dewline.Sample, events []dewline.Event) dewline.Millis {
	var at dewline.Millis
	if n := len(samples); n > 0 {
		at = samples[n-1].At
	}
	if n := len(events); n > 0 {
		at = max(at, events[n-1].At)
	}
	return at
}

// Close completes a file that Create made. For a Writer of NewWriter it does nothing.
func (w *Writer) Close() error {
	var errs []error
	for _, c := range w.closers {
		errs = append(errs, c())
	}
	w.closers = nil
	return errors.Join(errs...)
}
