package sqlstore

import (
	"bytes"
	"math"
	"math/rand/v2"
	"testing"
)

// randomDay makes a day with some of its slots, whose values have so many decimals.
func randomDay(rng *rand.Rand, decimals int) *day {
	d := &day{}
	scale := math.Pow10(decimals)
	for i := range d.have {
		if rng.IntN(4) == 0 {
			continue
		}
		round := func(v float64) float64 {
			if decimals > maxDecimals {
				return v
			}
			return math.Round(v*scale) / scale
		}
		mean := rng.NormFloat64() * 20
		d.have[i] = true
		d.cell[i] = cell{round(mean), round(mean - rng.ExpFloat64()), round(mean + rng.ExpFloat64()), int64(rng.IntN(900))}
	}
	return d
}

func TestDayRoundTrip(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for decimals := range maxDecimals + 2 {
		for range 50 {
			d := randomDay(rng, decimals)
			back, err := unpackDay(d.appendPacked(nil))
			if err != nil {
				t.Fatal(err)
			}
			if *back != *d {
				t.Fatalf("%d decimals: got %v, want %v", decimals, back, d)
			}
		}
	}
}

func TestDayOfAwkwardNumbers(t *testing.T) {
	d := &day{}
	for i, v := range []float64{0, math.Copysign(0, -1), math.MaxFloat64, -math.MaxFloat64, math.SmallestNonzeroFloat64, 1 << 53, 1<<53 - 1,
		1e300, 0.1, 1. / 3, 101325, 3.2e6, -40, 1e-7, 123456789.123456} {
		single := &day{}
		single.have[i], single.cell[i] = true, cell{v, v, v, math.MaxInt64}
		d.have[i], d.cell[i] = true, single.cell[i]
		for _, d := range []*day{single, d} {
			back, err := unpackDay(d.appendPacked(nil))
			if err != nil {
				t.Fatal(err)
			}
			for slot, c := range back.cells() {
				want := d.cell[slot]
				if math.Float64bits(c.mean) != math.Float64bits(want.mean) || c != want {
					t.Errorf("got %v, want %v", c, want)
				}
			}
			if *back != *d {
				t.Errorf("%v: something else is there", v)
			}
		}
	}
}

// A year of a fleet has to fit on a disk: a roll-up that is rounded to a thousandth takes 7 bytes
// or so, against 38 as a row.
func TestDaySize(t *testing.T) {
	d := &day{}
	for i := range d.have {
		mean := math.Round((6+3*math.Sin(float64(i)/15)+0.3*math.Sin(float64(i*i)))*1000) / 1000
		d.have[i], d.cell[i] = true, cell{mean, math.Round((mean-1.237)*1000) / 1000, math.Round((mean+0.871)*1000) / 1000, 15}
	}
	if size := len(d.appendPacked(nil)); size > 8*slotsADay {
		t.Errorf("a day takes %d bytes", size)
	}
}

func FuzzDay(f *testing.F) {
	rng := rand.New(rand.NewPCG(3, 4))
	for decimals := range maxDecimals + 2 {
		packed := randomDay(rng, decimals).appendPacked(nil)
		f.Add(packed)
		f.Add(packed[:len(packed)/2])
	}
	f.Add((&day{}).appendPacked(nil))
	f.Add([]byte{})
	f.Add(append(bytes.Repeat([]byte{1}, dayHeader), bytes.Repeat([]byte{0xff}, 100)...))
	f.Fuzz(func(t *testing.T, packed []byte) {
		d, err := unpackDay(packed)
		if err != nil {
			return
		}
		// What can be read can be written and read again, to the last bit.
		again := d.appendPacked(nil)
		back, err := unpackDay(again)
		if err != nil {
			t.Fatalf("%x was read, but not %x", packed, again)
		}
		if second := back.appendPacked(nil); !bytes.Equal(again, second) {
			t.Fatalf("%x became %x", again, second)
		}
	})
}
