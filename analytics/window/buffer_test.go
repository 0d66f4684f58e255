package window

import (
	"math/rand/v2"
	"slices"
	"testing"

	"dewline"
)

const minute = dewline.Millis(60_000)

func handedOn(b *Buffer, to dewline.Millis) []Reading {
	var out []Reading
	b.Pass(to, func(r Reading) { out = append(out, r) })
	return out
}

func TestReadingsLeaveInOrder(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	var want []Reading
	for at := range dewline.Millis(200) {
		for p := dewline.Point(1); p < 6; p++ {
			want = append(want, Reading{At: 1 + at*minute, Point: p, Value: float64(at)})
		}
	}
	type arrival struct {
		Reading
		arrived dewline.Millis
	}
	var mixed []arrival
	for _, r := range want {
		mixed = append(mixed, arrival{r, r.At + dewline.Millis(rng.Int64N(int64(30*minute)))})
	}
	slices.SortStableFunc(mixed, func(a, b arrival) int { return int(a.arrived - b.arrived) })
	b := Buffer{Lateness: 30 * minute}
	var got []Reading
	for _, r := range mixed {
		if b.Add(r.Reading) != Kept {
			t.Fatalf("%v was not kept", r)
		}
		got = append(got, handedOn(&b, b.Watermark())...)
	}
	got = append(got, handedOn(&b, b.Newest())...)
	if !slices.Equal(got, want) {
		t.Errorf("%d readings left in another order than by time and point", len(got))
	}
}

func TestTheFirstValueStands(t *testing.T) {
	b := Buffer{Lateness: 10 * minute}
	for _, c := range []struct {
		r    Reading
		want Added
	}{
		{Reading{minute, 1, 5}, Kept},
		{Reading{minute, 1, 6}, Again},
		{Reading{minute, 2, 6}, Kept},
		{Reading{20 * minute, 1, 7}, Kept},
		{Reading{10 * minute, 1, 8}, Kept},     // just within the allowance
		{Reading{10*minute - 1, 1, 8}, Behind}, // just beyond
	} {
		if got := b.Add(c.r); got != c.want {
			t.Errorf("Add(%v) = %v, want %v", c.r, got, c.want)
		}
	}
	if got := handedOn(&b, b.Newest()); len(got) != 4 || got[0].Value != 5 {
		t.Errorf("handed on %v, want four with 5 first", got)
	}
	if got := b.Add(Reading{20 * minute, 3, 1}); got != Behind {
		t.Errorf("a reading of a time that was passed is %v, want behind", got)
	}
}

func TestResumeGoesOnAfterWhatWasPassed(t *testing.T) {
	var b Buffer
	b.Lateness = 15 * minute
	b.Resume(100*minute, 115*minute)
	if b.Add(Reading{100 * minute, 1, 1}) != Behind || b.Add(Reading{101 * minute, 1, 1}) != Kept {
		t.Error("only what is newer than what was passed is taken")
	}
}

func TestALargeBacklogGivesItsMemoryBack(t *testing.T) {
	b := Buffer{Lateness: 15 * minute}
	for i := range dewline.Millis(100_000) {
		b.Add(Reading{At: 1 + i, Point: 1})
	}
	b.Pass(b.Newest(), func(Reading) {})
	b.Add(Reading{At: 200_000, Point: 1})
	b.Pass(1, func(Reading) {})
	if c := cap(b.pending); c > 1000 {
		t.Errorf("room for %d readings is kept for one", c)
	}
}

// TestAnEventDoesNotHurry: an event is offered ahead of the readings of its pack; they are not late for it.
func TestAnEventDoesNotHurry(t *testing.T) {
	b := Buffer{Lateness: 15 * minute}
	b.Add(Reading{At: 100 * minute, Point: dewline.SuctionTemp})
	if got := b.Add(Reading{At: 147 * minute, Point: dewline.Serviced}); got != Kept {
		t.Fatalf("the event is %v, want it kept", got)
	}
	b.Pass(b.Watermark(), func(Reading) {})
	for at := dewline.Millis(105); at <= 150; at += 5 {
		if got := b.Add(Reading{At: at * minute, Point: dewline.SuctionTemp}); got != Kept {
			t.Errorf("the reading of minute %d is %v, want it kept", at, got)
		}
	}
	var seen []dewline.Point
	b.Pass(150*minute, func(r Reading) { seen = append(seen, r.Point) })
	if len(seen) != 12 || seen[10] != dewline.Serviced {
		t.Errorf("passed on in the order %v, want the event before the last reading", seen)
	}
}
