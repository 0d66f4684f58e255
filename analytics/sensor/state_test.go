package sensor_test

import (
	"bytes"
	"encoding/gob"
	"reflect"
	"testing"
	"unsafe"

	"dewline"
	"dewline/analytics/cycle"
	"dewline/analytics/sensor"
)

func TestStateIsSmall(t *testing.T) {
	if n := unsafe.Sizeof(sensor.Watch{}); n > 3<<10 {
		t.Errorf("a watch takes %d bytes, want at most 3072", n)
	}
}

// TestSavedAndRestored: a watch that is saved and restored at odd moments says the same for ever
// after, of a machine with a fault and nights of rest.
func TestSavedAndRestored(t *testing.T) {
	s := comfortSplit
	s.days, s.every = 12, 300
	s.use.LoadShare = 0.4
	s.change = faulty(dewline.Millis(s.from*1000)+6*day, toAir(dewline.SuctionTemp, 0.6))
	var said [2][]sensor.Doubt
	for round := range said {
		var w sensor.Watch
		s.watch = &w
		n := 0
		s.events = func(dewline.Millis, *sensor.Watch) {
			if n++; round == 0 || n%137 != 0 {
				return
			}
			var b bytes.Buffer
			if err := gob.NewEncoder(&b).Encode(&w); err != nil {
				t.Fatal(err)
			}
			w = sensor.Watch{}
			if err := gob.NewDecoder(&b).Decode(&w); err != nil {
				t.Fatal(err)
			}
		}
		s.see = func(at dewline.Millis, w *sensor.Watch) {
			said[round] = w.Doubts(said[round])
			if v, u, ok := w.Offset(dewline.LiquidPressure); ok && n%50 == 0 {
				said[round] = append(said[round], sensor.Doubt{Point: dewline.LiquidPressure, Size: v, SizeU: u})
			}
		}
		s.run(t)
	}
	if len(said[0]) < 100 {
		t.Fatalf("the watch has said too little to compare: %d", len(said[0]))
	}
	if !reflect.DeepEqual(said[0], said[1]) {
		t.Error("a restored watch says something else")
	}
}

// frames records the frames that a machine gives over some days.
func frames(t testing.TB, s site, keep int) (m *cycle.Machine, frs []cycle.Frame, fs []cycle.Features, sits []sensor.Situation) {
	c, _ := s.system(t)
	d := driver{w: &sensor.Watch{}, m: c}
	r := s.recorder(t)
	for len(frs) < keep {
		at, v := r()
		d.take(at, &v)
		frs, fs = append(frs, d.fr), append(fs, d.f)
		sits = append(sits, sensor.Situation{Running: d.running, Known: true, Since: d.since, Steady: d.running && at-d.since > 12*60_000, Mode: d.mode, Interval: 60e9})
	}
	return c, frs, fs, sits
}

func TestFrameDoesNotAllocate(t *testing.T) {
	m, frs, fs, sits := frames(t, comfortSplit, 3*1440)
	var w sensor.Watch
	i := 0
	n := testing.AllocsPerRun(len(frs)-2, func() {
		w.Frame(m, &frs[i], &fs[i], sits[i])
		i++
	})
	if n != 0 {
		t.Errorf("%v allocations per frame", n)
	}
	if n := testing.AllocsPerRun(100, func() { w.Implausible(dewline.SuctionTemp, frs[len(frs)-1].At, -127) }); n != 0 {
		t.Errorf("%v allocations per implausible reading", n)
	}
	if n := testing.AllocsPerRun(100, func() {
		for p := dewline.Point(1); p <= dewline.SensorReplaced; p++ {
			sensor.Plausible(m, p, 1e6)
		}
	}); n != 0 {
		t.Errorf("%v allocations to tell whether a reading is plausible", n)
	}
}

// BenchmarkFrame is the cost of a frame of thirteen points each minute, spells and nights included.
func BenchmarkFrame(b *testing.B) {
	m, frs, fs, sits := frames(b, comfortSplit, 4*60)
	span := frs[len(frs)-1].At - frs[0].At + 60_000
	var w sensor.Watch
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		fr := &frs[i]
		w.Frame(m, fr, &fs[i], sits[i])
		fr.At += span // for the next round
		for p := range fr.Taken {
			if fr.Taken[p] != 0 {
				fr.Taken[p] += span
			}
		}
		sits[i].Since += span
		if i++; i == len(frs) {
			i = 0
		}
	}
}

func BenchmarkPlausible(b *testing.B) {
	m, _, _, _ := frames(b, comfortSplit, 1)
	for b.Loop() {
		if !sensor.Plausible(m, dewline.LiquidPressure, 2.4e6) {
			b.Fatal("refused")
		}
	}
}
