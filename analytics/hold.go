package analytics

import (
	"time"

	"dewline"
)

// hold follows whether something lasts: it opens when it has been so for long enough, and ends by the
// contract's rule, when three steady windows on two UTC days have been free of it, under conditions
// like those in which it was: a day later at the earliest.
type hold struct {
	Open    bool
	Onset   dewline.Millis // of what is open, or of what is building up
	Prev    dewline.Millis // the frame before, 0 for none
	Held    dewline.Millis // for which it was so
	Free    dewline.Millis // for which it was not, of the window that is counted
	Last    dewline.Millis // when it was so last
	Told    bool           // somebody has been told
	Ended   dewline.Millis // when it ended last, 0 for never
	Again   int32          // how often it came back soon after its end
	Windows int32
	Days    [clearDays]int64 // days of free windows, 0 for none; a day is counted from 1
}

const (
	// clearSpan, clearWindows, clearDays: a condition is over when this many windows of this length,
	// on this many UTC days, have been free of it.
	clearSpan    = 30 * time.Minute
	clearWindows = 3
	clearDays    = 2
	// soonAgain: what returns so soon after its end had not gone; it then takes longer to be over, up to
	// mostAgain days.
	soonAgain = 7 * 24 * time.Hour
	mostAgain = 6
)

// change is what a step of a hold did.
type change int8

const (
	unchanged change = iota
	opened
	ended
)

// step moves a hold on by a frame in which it was so or not. longest is the longest time between two
// frames that counts; a frame that no other is near to stands for each.
func (c *hold) step(at dewline.Millis, so bool, each, longest, need dewline.Millis) change {
	ran := each
	if c.Prev != 0 && at-c.Prev <= longest {
		ran = at - c.Prev
	}
	c.Prev = at
	if so {
		c.Last = at
	}
	if !c.Open {
		if !so {
			c.Held, c.Onset = 0, 0
			return unchanged
		}
		if c.Onset == 0 {
			c.Onset = at
			ran = each
		}
		c.Held += ran
		if c.Held < need {
			return unchanged
		}
		c.begin(c.Onset, at)
		return opened
	}
	if so {
		c.back(at)
		return unchanged
	}
	if c.Free += ran; c.Free < dewline.Millis(clearSpan.Milliseconds()) {
		return unchanged
	}
	c.Free = 0
	return c.window(at)
}

// begin opens it.
func (c *hold) begin(onset, at dewline.Millis) {
	again := int32(0)
	if c.Ended != 0 && at-c.Ended < dewline.Millis(soonAgain.Milliseconds()) {
		again = min(c.Again+1, mostAgain)
	}
	*c = hold{Open: true, Onset: onset, Prev: c.Prev, Held: c.Held, Last: c.Last, Again: again}
}

// back says that it is still so.
func (c *hold) back(at dewline.Millis) {
	c.Last, c.Free, c.Windows, c.Days = at, 0, 0, [clearDays]int64{}
}

// window counts a window that was free of it.
func (c *hold) window(at dewline.Millis) change {
	c.Windows++
	day := int64(at)/86_400_000 + 1
	for i := range c.Days {
		if c.Days[i] == day {
			break
		}
		if c.Days[i] == 0 {
			c.Days[i] = day
			break
		}
	}
	// What comes back every hot afternoon is not over in the night: a whole day must have been free of it, and
	// a day more for each time that it came back soon.
	if c.Windows >= clearWindows && c.Days[clearDays-1] != 0 && at-c.Last >= 24*hour*dewline.Millis(1+c.Again) {
		*c = hold{Prev: at, Ended: at, Again: c.Again}
		return ended
	}
	return unchanged
}
