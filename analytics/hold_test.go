package analytics

import (
	"testing"

	"dewline"
)

// TestHoldOpensAfterItLasted: time that was not seen does not count, and a moment without begins it anew.
func TestHoldOpensAfterItLasted(t *testing.T) {
	const longest, need = 10 * minute, 30 * minute
	var h hold
	for m := range 30 {
		if c := h.step(epoch+at(m), true, 0, longest, need); c != unchanged {
			t.Fatalf("minute %d: %v", m, c)
		}
	}
	if c := h.step(epoch+at(30), true, 0, longest, need); c != opened || h.Onset != epoch {
		t.Errorf("after half an hour: %v, onset %s", c, clock(h.Onset))
	}
	h = hold{}
	h.step(epoch, true, 0, longest, need)
	if c := h.step(epoch+3*hour, true, 0, longest, need); c != unchanged || h.Open {
		t.Errorf("three hours without readings counted: %v", c)
	}
	h = hold{}
	for m := range 100 {
		if c := h.step(epoch+at(m), m%29 != 28, 0, longest, need); c != unchanged {
			t.Fatalf("minute %d: %v though it was interrupted", m, c)
		}
	}
}

func at(min int) dewline.Millis { return dewline.Millis(min) * minute }

// TestHoldEndsByTheContract: three steady windows on two UTC days, a day after it was so last.
func TestHoldEndsByTheContract(t *testing.T) {
	const longest, need = 10 * minute, 30 * minute
	open := func(until int) hold {
		var h hold
		for m := 0; m <= until; m += 5 {
			h.step(epoch+at(m), true, 0, longest, need)
		}
		if !h.Open {
			t.Fatal("it did not open")
		}
		return h
	}
	// free goes on without it over a span of minutes and returns the minute at which it ended, 0 for none.
	free := func(h *hold, from, to int) int {
		for m := from; m < to; m += 5 {
			if h.step(epoch+at(m), false, 0, longest, need) == ended {
				return m
			}
		}
		return 0
	}
	const day = 24 * 60

	h := open(600) // until 10:00
	if m := free(&h, 605, day); m != 0 {
		t.Errorf("ended at minute %d on one UTC day", m)
	}
	if m := free(&h, day, 3*day); m < 600+day || m > 600+day+30 {
		t.Errorf("ended at minute %d, want a day after minute 600, with the window that ends then", m)
	}

	h = open(600) // a window on each of the two next days is two, and the third ends it
	end := 0
	for d := range 3 {
		from := (d+1)*day + 720
		if m := free(&h, from, from+35); m != 0 {
			end = m
		}
	}
	if want := 3*day + 720 + 30; end != want {
		t.Errorf("ended at minute %d, want %d: with the third window", end, want)
	}

	h = open(600) // back before it was over
	free(&h, 605, day+300)
	h.step(epoch+at(day+300), true, 0, longest, need)
	if h.Windows != 0 || h.Free != 0 || !h.Open {
		t.Errorf("after it came back %d windows count", h.Windows)
	}
	if m := free(&h, day+305, 2*day+295); m != 0 {
		t.Errorf("ended at minute %d, less than a day after it came back", m)
	}

	h = open(600) // a moment here and there is no window
	for m := 605; m < 4*day; m += 60 {
		if h.step(epoch+at(m), false, 0, longest, need) == ended {
			t.Fatalf("ended at minute %d by readings an hour apart", m)
		}
	}
}

// TestWhatComesBackTakesLonger: what returns within a week had not gone, and is over only after two free days; a
// visit begins anew.
func TestWhatComesBackTakesLonger(t *testing.T) {
	var h hold
	at := func(m int) dewline.Millis { return epoch + dewline.Millis(m)*minute }
	wet := func(from int) (end int) {
		for m := from; m <= from+30; m += 5 {
			h.step(at(m), true, 0, 10*minute, 30*minute)
		}
		if !h.Open {
			t.Fatalf("not open at minute %d", from+30)
		}
		for m := from + 35; m < from+9*1440; m += 5 {
			if h.step(at(m), false, 0, 10*minute, 30*minute) == ended {
				return m - from - 30
			}
		}
		t.Fatal("it never ended")
		return 0
	}
	for i, days := range []int{1, 2, 3} {
		if took := wet(i * 5 * 1440); took < days*1440 || took > days*1440+35 {
			t.Errorf("the %d. time it took %d min, want %d days", i+1, took, days)
		}
	}
	h.Ended, h.Again = 0, 0 // as a visit does
	if took := wet(15 * 1440); took > 1440+35 {
		t.Errorf("after a visit it took %d min", took)
	}
	if took := wet(40 * 1440); took > 1440+35 {
		t.Errorf("weeks later it took %d min", took)
	}
}

// TestSparseReadings: a frame that no other is near to stands for an interval, so that runs of a few minutes add up.
func TestSparseReadings(t *testing.T) {
	var h hold
	for i := range 8 {
		c := h.step(epoch+dewline.Millis(i*40)*minute, true, 5*minute, 12*minute, 30*minute)
		if want := i == 5; (c == opened) != want {
			t.Errorf("run %d of one frame each five minutes: %d", i+1, c)
		}
	}
}
