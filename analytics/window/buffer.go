package window

import (
	"cmp"

	"dewline"
)

// Reading is one value of one point.
type Reading struct {
	At    dewline.Millis
	Point dewline.Point
	Value float64
}

// Buffer holds the readings of one system until no earlier ones are awaited.
type Buffer struct {
	// Lateness is how much older than the newest reading another one may come. It is compared with
	// the newest reading and not with what has been handed on, so that the split of readings into
	// batches decides nothing.
	Lateness dewline.Millis

	pending []Reading // in order of time and point, behind those that have been handed on
	handed  int       // how many of pending have been handed on
	passed  dewline.Millis
	newest  dewline.Millis
	open    bool // passed means something
}

// Added says what became of an offered reading.
type Added uint8

// The outcomes of Add.
const (
	Kept   Added = iota
	Again        // a value of this point and time is held already; the first one stands
	Behind       // the window has passed its time: too late to be analysed
)

// Add offers a reading.
func (b *Buffer) Add(r Reading) Added {
	if (b.open && r.At <= b.passed) || (b.newest != 0 && r.At < b.newest-b.Lateness) {
		return Behind
	}
	if r.Point.Dimension() != dewline.EventText {
		// An event comes ahead of the readings of its pack, which must not be late for it.
		b.newest = max(b.newest, r.At)
	}
	// Nearly always a reading belongs at the end.
	i := len(b.pending)
	for i > b.handed && before(r, b.pending[i-1]) {
		i--
	}
	if i > b.handed && b.pending[i-1].At == r.At && b.pending[i-1].Point == r.Point {
		return Again
	}
	b.pending = append(b.pending, Reading{})
	copy(b.pending[i+1:], b.pending[i:])
	b.pending[i] = r
	return Kept
}

func before(a, b Reading) bool { return Compare(a, b) < 0 }

// Compare orders readings by time, then by point.
func Compare(a, b Reading) int {
	return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.Point, b.Point))
}

// Newest returns the time of the newest reading ever added, 0 before the first.
func (b *Buffer) Newest() dewline.Millis { return b.newest }

// Passed returns the time up to which readings have been handed on, and false before the first.
func (b *Buffer) Passed() (dewline.Millis, bool) { return b.passed, b.open }

// Resume makes an empty buffer start after a time, as one that had passed it.
func (b *Buffer) Resume(passed, newest dewline.Millis) {
	b.passed, b.newest, b.open = passed, newest, true
}

// Watermark returns the time up to which no more readings are awaited.
func (b *Buffer) Watermark() dewline.Millis { return b.newest - b.Lateness - 1 }

// Pass hands on, in order, every reading up to the time to.
func (b *Buffer) Pass(to dewline.Millis, each func(Reading)) {
	from := b.handed
	for b.handed < len(b.pending) && b.pending[b.handed].At <= to {
		each(b.pending[b.handed])
		b.handed++
	}
	if b.handed > from || b.open {
		b.passed = max(b.passed, to)
		b.open = true
	}
	b.tidy()
}

// tidy takes out what has been handed on, and gives back memory that only a backlog needed. It moves
// the rest for every few readings that went rather than for each: with thousands of systems that
// costs more than all else that is done for a reading here.
func (b *Buffer) tidy() {
	held := b.Len()
	if b.handed > 32+held/4 {
		b.pending = b.pending[:copy(b.pending, b.pending[b.handed:])]
		b.handed = 0
	}
	if cap(b.pending) > 256 && held < cap(b.pending)/4 {
		b.pending = append(make([]Reading, 0, 2*held), b.pending[b.handed:]...)
		b.handed = 0
	}
}

// Len returns the number of readings held.
func (b *Buffer) Len() int { return len(b.pending) - b.handed }
