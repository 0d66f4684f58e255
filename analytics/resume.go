package analytics

import (
	"bytes"
	"context"
	"encoding/gob"
	"fmt"
	"maps"
	"math"
	"slices"

	"dewline"
	"dewline/analytics/window"
)

// saved is the state of one system as it is kept.
type saved struct {
	Version int
	Passed  dewline.Millis
	Newest  dewline.Millis
	Memory  memory
}

// StateVersion is the version of what Checkpoint returns.
const StateVersion = 3

// Checkpoint moves what the engine has to say into out, as Drain does, and returns the states of
// the systems that it speaks of, together with those of more. Stored in one transaction with what
// was made of out, they let Resume go on from there: nothing is told twice and nothing is lost.
func (e *Engine) Checkpoint(out *Output, more []dewline.SystemID) (map[dewline.SystemID][]byte, error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	*out, e.out = e.out, Output{}
	states := map[dewline.SystemID][]byte{}
	save := func(id dewline.SystemID) error {
		if _, done := states[id]; done {
			return nil
		}
		blob, err := e.save(id)
		if blob != nil {
			states[id] = blob
		}
		return err
	}
	for i := range out.Findings {
		f := &out.Findings[i]
		for _, id := range append(f.Systems, f.System) {
			if err := save(id); err != nil {
				return nil, err
			}
		}
	}
	for _, id := range more {
		if err := save(id); err != nil {
			return nil, err
		}
	}
	return states, nil
}

// save returns the state of a system, nil for one that has analysed nothing.
func (e *Engine) save(id dewline.SystemID) ([]byte, error) {
	y, ok := e.systems[id]
	if !ok {
		return nil, nil
	}
	passed, ok := y.buffer.Passed()
	if !ok {
		return nil, nil
	}
	var b bytes.Buffer
	err := gob.NewEncoder(&b).Encode(saved{StateVersion, passed, y.buffer.Newest(), y.memory})
	if err != nil {
		return nil, fmt.Errorf("save the state of %s: %w", id, err)
	}
	return b.Bytes(), nil
}

// Resume takes back saved states and offers again, from the store, what came after each of them.
// It is called before the first Offer. A state that cannot be read is left out, and the system
// starts anew from the oldest reading of the store.
//
// Silence is judged once at the end: while systems are read one after the other, the newest reading
// of all says nothing of the others.
func (e *Engine) Resume(ctx context.Context, store dewline.Readings, events dewline.Events, states map[dewline.SystemID][]byte, progress func(done, total int)) error {
	e.mu.Lock()
	defer e.mu.Unlock()
	ids := slices.Sorted(maps.Keys(e.systems))
	var readings []window.Reading
	var values []dewline.Value
	for i, id := range ids {
		y := e.systems[id]
		from := dewline.Millis(math.MinInt64)
		if s, ok := decodeState(states[id]); ok {
			y.memory = s.Memory
			y.buffer.Resume(s.Passed, s.Newest)
			y.machine.Evaluate(&y.Frame, &y.last)
			e.newest = max(e.newest, s.Passed)
			from = s.Passed + 1
		}
		readings = readings[:0]
		// One question tells which points have anything newer: a store behind a network answers
		// in milliseconds, and most points of most systems do not exist.
		newest, err := store.Newest(ctx, id)
		if err != nil {
			return fmt.Errorf("resume %s: %w", id, err)
		}
		for _, n := range newest {
			if n.At < from {
				continue
			}
			if values, err = store.Read(ctx, id, n.Point, from, math.MaxInt64, values[:0]); err != nil {
				return fmt.Errorf("resume %s: %w", id, err)
			}
			for _, v := range values {
				readings = append(readings, window.Reading{At: v.At, Point: n.Point, Value: v.Value})
			}
		}
		if events != nil {
			told, err := events.EventsOf(ctx, id, from, math.MaxInt64)
			if err != nil {
				return fmt.Errorf("resume %s: %w", id, err)
			}
			for i := range told {
				readings = append(readings, eventReading(&told[i]))
			}
		}
		slices.SortFunc(readings, window.Compare)
		for k, r := range readings {
			y.buffer.Add(r)
			e.newest = max(e.newest, r.At)
			if k%4096 == 4095 {
				y.advance(e, y.buffer.Watermark())
			}
		}
		y.advance(e, y.buffer.Watermark())
		if progress != nil {
			progress(i+1, len(ids))
		}
	}
	if e.newest != 0 {
		e.sweep(e.newest - dewline.Millis(e.opt.Lateness.Milliseconds()))
	}
	return nil
}

func decodeState(blob []byte) (saved, bool) {
	var s saved
	if len(blob) == 0 {
		return s, false
	}
	err := gob.NewDecoder(bytes.NewReader(blob)).Decode(&s)
	return s, err == nil && s.Version == StateVersion
}
