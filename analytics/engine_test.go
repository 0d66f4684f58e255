package analytics

import (
	"context"
	"encoding/json"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"dewline"
)

func findingsOf(out Output, c dewline.Condition) []dewline.Finding {
	var list []dewline.Finding
	for _, f := range out.Findings {
		if f.Condition == c {
			list = append(list, f)
		}
	}
	return list
}

func TestFloodingIsFoundAfterHalfAnHourOfSteadyRunning(t *testing.T) {
	fleet := testFleet(t)
	all := story(t, fleet, 180, 1, func(id dewline.SystemID, min int) (moment, bool) {
		m := quiet
		if id == "quay/office" {
			m.sh = 0
		}
		return m, true
	})
	found := findingsOf(analyse(t, fleet, all), dewline.Flooding)
	if len(found) == 0 || found[0].System != "quay/office" || found[0].Severity != dewline.Urgent {
		t.Fatalf("found %s, want an urgent flooding of quay/office", told(found))
	}
	f := found[0]
	if after := f.Onset.Sub(epoch).Minutes(); after < 10 || after > 12 {
		t.Errorf("onset %v min after the start, want when the run guard of 10 min is over", after)
	}
	if held := f.Detected.Sub(f.Onset).Minutes(); held != 30 {
		t.Errorf("detected %v min after the onset, want 30", held)
	}
}

func TestLimitsStandBeyondTheUncertainty(t *testing.T) {
	// With the accuracies of the fixture the expanded uncertainty of superheat is near 0.8 K.
	for _, c := range []struct {
		id    dewline.SystemID
		sh    float64
		want  dewline.Condition
		found bool
	}{
		{"quay/office", 1.5, dewline.Flooding, true},
		{"quay/office", 2.6, dewline.Flooding, false}, // below the limit, but not beyond doubt
		{"quay/hall", 2.6, dewline.Flooding, false},
		{"quay/office", 13, dewline.Starving, false}, // two hours of one symptom alone
		{"quay/hall", 13, dewline.Starving, false},   // an orifice has no constant target
		{"quay/cellar", 20, dewline.Starving, false}, // common at a cold store's compressor
	} {
		fleet := testFleet(t)
		all := story(t, fleet, 120, 1, func(id dewline.SystemID, min int) (moment, bool) {
			m := quiet
			if id == c.id {
				m.sh = c.sh
			}
			return m, true
		})
		got := findingsOf(analyse(t, fleet, all), c.want)
		if (len(got) > 0) != c.found {
			t.Errorf("%s at superheat %.1f K: found %q, want found = %v", c.id, c.sh, told(got), c.found)
		}
	}
}

// TestWhatAnOrificeMayDoIsNoMoreThanLookedAt: hot weather takes its superheat, and a table that is ±12 K unsure of the weather
// says little of 20 K. Of a machine that nobody knows yet either is worth a watch, and none is what it most likely is.
func TestWhatAnOrificeMayDoIsNoMoreThanLookedAt(t *testing.T) {
	for _, sh := range []float64{1.5, 20} {
		fleet := testFleet(t)
		all := story(t, fleet, 120, 1, func(id dewline.SystemID, min int) (moment, bool) {
			m := quiet
			m.sh = sh
			return m, id == "quay/hall"
		})
		found := onMachine(analyse(t, fleet, all))
		if len(found) == 0 {
			t.Errorf("superheat %.1f K: found nothing", sh)
		}
		for _, f := range found {
			if f.Severity != dewline.Watch || placeOf(f.Causes, dewline.NoFault) != 1 {
				t.Errorf("superheat %.1f K: found\n%s\nwant a watch that is most likely nothing", sh, told(found))
			}
		}
	}
}

func TestNothingIsFoundWhileNotRunningOrNotSteady(t *testing.T) {
	fleet := testFleet(t)
	all := story(t, fleet, 240, 1, func(id dewline.SystemID, min int) (moment, bool) {
		m := quiet
		m.sh = -2
		switch id {
		case "quay/hall":
			m.running = false
		case "quay/cellar":
			m.evap = -20 + 0.3*float64(min%100) // pulled up all the time
		default:
			return m, false
		}
		return m, true
	})
	if got := findingsOf(analyse(t, fleet, all), dewline.Flooding); len(got) != 0 {
		t.Errorf("found %s, want nothing", told(got))
	}
}

func TestClearedAfterThreeFreeWindowsOnTwoDays(t *testing.T) {
	fleet := testFleet(t)
	all := story(t, fleet, 3*24*60, 5, func(id dewline.SystemID, min int) (moment, bool) {
		m := quiet
		if id == "quay/office" && min < 600 {
			m.sh = 0
		}
		return m, id == "quay/office"
	})
	found := findingsOf(analyse(t, fleet, all), dewline.Flooding)
	if len(found) < 2 || found[len(found)-2].Cleared != 0 {
		t.Fatalf("found %s, want an opening and an end", told(found))
	}
	// Free windows of half an hour end at 10:25, 10:55 and so on. It was so last at 09:55, and under
	// like conditions is a day later at the earliest; what the windows say of its cause may last longer.
	if got := clock(found[len(found)-1].Cleared); got < "03T09:55" || got > "03T23:59" {
		t.Errorf("cleared at %s, want between 03T09:55 and the end of that day", got)
	}
}

func TestSilence(t *testing.T) {
	fleet := testFleet(t)
	// The cellar stops at 10:00 and comes back at 12:00; the kiosk goes on all the time.
	all := story(t, fleet, 24*60, 5, func(id dewline.SystemID, min int) (moment, bool) {
		return quiet, id != "quay/cellar" || min < 600 || min >= 720
	})
	got := told(findingsOf(analyse(t, fleet, all), dewline.Silent))
	want := "quay/cellar [] silent soon onset 02T09:55 detected 02T10:25 cleared - causes [{communication  1}] \n" +
		"quay/cellar [] silent soon onset 02T09:55 detected 02T10:25 cleared 02T13:00 causes [{communication  1}] \n"
	if got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
}

func TestSilenceOfAWholeSiteIsOneFinding(t *testing.T) {
	fleet := testFleet(t)
	all := story(t, fleet, 24*60, 5, func(id dewline.SystemID, min int) (moment, bool) {
		back := map[dewline.SystemID]int{"quay/hall": 720, "quay/office": 725, "quay/cellar": 1000}
		return quiet, id.Site() == "mole" || min < 600 || min >= back[id]
	})
	got := told(findingsOf(analyse(t, fleet, all), dewline.Silent))
	want := "quay [quay/cellar quay/hall quay/office] silent soon onset 02T09:55 detected 02T10:25 cleared - causes [{communication  1}] \n" +
		"quay [quay/cellar quay/hall quay/office] silent soon onset 02T09:55 detected 02T10:25 cleared 02T13:00 causes [{communication  1}] \n" +
		"quay/cellar [] silent soon onset 02T09:55 detected 02T13:00 cleared - causes [{communication  1}] \n" +
		"quay/cellar [] silent soon onset 02T09:55 detected 02T13:00 cleared 02T17:40 causes [{communication  1}] \n"
	if got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
}

// TestSilencesThatAreJudgedAtOnce: after a crash, or with a backlog, several silences of a site are
// there when silence is judged for the first time. They come out as if it had been judged all along.
func TestSilencesThatAreJudgedAtOnce(t *testing.T) {
	fleet := testFleet(t)
	const hour, day = 60, 24 * 60
	all := story(t, fleet, 4*day, 5, func(id dewline.SystemID, min int) (moment, bool) {
		again := min % day
		switch {
		case id.Site() == "quay" && min < 3*day && again >= 10*hour && again < 12*hour:
			return quiet, false
		case id == "quay/office" && again >= 12*hour && again < 12*hour+35: // the last to come back
			return quiet, false
		case id == "quay/cellar" && again >= 15*hour && again < 17*hour:
			return quiet, false
		}
		return quiet, true
	})
	step := newTestEngine(t, fleet)
	var out Output
	var found []dewline.Finding
	for batch := range slices.Chunk(all, 20) {
		step.Offer(batch)
		step.Drain(&out)
		found = append(found, out.Findings...)
	}
	step.Finish()
	step.Drain(&out)
	want := told(append(found, out.Findings...))
	if n := strings.Count(want, "\n"); n < 16 {
		t.Fatalf("the story has only %d findings:\n%s", n, want)
	}
	if got := told(analyse(t, fleet, all).Findings); got != want {
		t.Errorf("offered at once: got\n%swant\n%s", got, want)
	}
	e := newTestEngine(t, fleet)
	if err := e.Resume(context.Background(), newMemoryStore(all), nil, nil, nil); err != nil {
		t.Fatal(err)
	}
	e.Finish()
	e.Drain(&out)
	if got := told(out.Findings); got != want {
		t.Errorf("read from the store: got\n%swant\n%s", got, want)
	}
}

func TestSilenceWaitsForFiveSamplingIntervals(t *testing.T) {
	fleet := testFleet(t)
	all := story(t, fleet, 12*60, 15, func(id dewline.SystemID, min int) (moment, bool) {
		return quiet, id != "quay/cellar" || min < 300 || min >= 345 // an hour is four intervals of 15 min
	})
	if got := findingsOf(analyse(t, fleet, all), dewline.Silent); len(got) != 0 {
		t.Errorf("found %s, want nothing: an hour is not five intervals", told(got))
	}
}

// TestOrderDoesNotMatter: other batches, repeated readings and any order within the allowance give
// the same findings, roll-ups included.
func TestOrderDoesNotMatter(t *testing.T) {
	fleet := testFleet(t)
	all := restless(t, fleet, 7, 11)
	plain := analyse(t, fleet, all)
	want := told(plain.Findings)
	if n := strings.Count(want, "\n"); n < 7 {
		t.Fatalf("the story has only %d findings:\n%s", n, want)
	}
	for seed := range uint64(8) {
		rng := rand.New(rand.NewPCG(seed, 2))
		mixed := slices.Clone(all)
		// Each reading is late by up to 14 minutes.
		type arrival struct {
			s  dewline.Sample
			at dewline.Millis
		}
		var queue []arrival
		for _, s := range mixed {
			queue = append(queue, arrival{s, s.At + dewline.Millis(rng.Int64N(14*int64(minute)))})
			if rng.IntN(50) == 0 {
				queue = append(queue, queue[len(queue)-1])
			}
		}
		slices.SortStableFunc(queue, func(a, b arrival) int { return int(a.at - b.at) })
		e := newTestEngine(t, fleet)
		var out Output
		var found []dewline.Finding
		rows := 0
		for len(queue) > 0 {
			n := min(1+rng.IntN(400), len(queue))
			var batch []dewline.Sample
			for _, a := range queue[:n] {
				batch = append(batch, a.s)
			}
			queue = queue[n:]
			e.Offer(batch)
			e.Drain(&out)
			found = append(found, out.Findings...)
			rows += len(out.RollUps)
			if out.LateReadings != 0 {
				t.Fatalf("seed %d: %d readings were called late within the allowance", seed, out.LateReadings)
			}
		}
		e.Finish()
		e.Drain(&out)
		found = append(found, out.Findings...)
		rows += len(out.RollUps)
		if got := told(found); got != want {
			t.Fatalf("seed %d: got\n%swant\n%s", seed, got, want)
		}
		if rows != len(plain.RollUps) {
			t.Errorf("seed %d: %d roll-ups, want %d", seed, rows, len(plain.RollUps))
		}
	}
}

// TestResume: an engine that is saved, lost and resumed from the store goes on as if nothing had been.
func TestResume(t *testing.T) {
	fleet := testFleet(t)
	all := restless(t, fleet, 7, 12)
	want := told(analyse(t, fleet, all).Findings)
	rng := rand.New(rand.NewPCG(3, 4))
	for round := range 6 {
		saveAt, dieAt := rng.IntN(len(all)), 0
		dieAt = saveAt + rng.IntN(len(all)-saveAt)
		store := newMemoryStore(all[:dieAt])
		var out Output
		e := newTestEngine(t, fleet)
		e.Offer(all[:saveAt])
		var ids []dewline.SystemID
		for _, s := range fleet.Systems() {
			ids = append(ids, s.ID)
		}
		states, err := e.Checkpoint(&out, ids)
		if err != nil {
			t.Fatal(err)
		}
		found := out.Findings
		e = newTestEngine(t, fleet)
		if err := e.Resume(context.Background(), store, nil, states, nil); err != nil {
			t.Fatal(err)
		}
		e.Offer(all[dieAt:])
		e.Finish()
		e.Drain(&out)
		found = append(found, out.Findings...)
		if got := told(found); got != want {
			t.Fatalf("round %d, saved at %d, died at %d: got\n%swant\n%s", round, saveAt, dieAt, got, want)
		}
	}
}

func TestLateReadingsAreNotAnalysedButTold(t *testing.T) {
	fleet := testFleet(t)
	all := story(t, fleet, 120, 1, func(id dewline.SystemID, min int) (moment, bool) { return quiet, id == "quay/hall" })
	e := newTestEngine(t, fleet)
	e.Offer(all)
	late := all[30] // five minutes after the start
	late.At += 1
	e.Offer([]dewline.Sample{late})
	var out Output
	e.Drain(&out)
	if out.LateReadings != 1 || len(out.Late) != 1 {
		t.Fatalf("late %d in %v, want one", out.LateReadings, out.Late)
	}
	if _, ok := out.Late[Quarter{"quay/hall", epoch}]; !ok {
		t.Errorf("late in %v, want the first quarter hour", out.Late)
	}
}

func TestOfferDoesNotAllocatePerReading(t *testing.T) {
	fleet := testFleet(t)
	all := story(t, fleet, 600, 1, func(id dewline.SystemID, min int) (moment, bool) { return quiet, true })
	e := newTestEngine(t, fleet)
	e.Offer(all[:12_000])
	rest := all[12_000:]
	var out Output
	k := 0
	allocs := testing.AllocsPerRun(50, func() {
		e.Offer(rest[k : k+24])
		k += 24
		e.Drain(&out)
	})
	// A quarter hour closes now and then; nothing else may allocate.
	if perReading := allocs / 24; perReading > 0.1 {
		t.Errorf("%.2f allocations a reading", perReading)
	}
}

// BenchmarkOffer is the whole engine, from samples to findings. Beside it stands what it costs to decode the same
// readings from packs of the contract's SenML by encoding/json, in the same run: the share "of-decode" means
// the same on any machine. (The decoder of ingest, which analytics does not see, is several times as fast.)
func BenchmarkOffer(b *testing.B) {
	fleet := testFleet(b)
	all := story(b, fleet, 3*24*60, 1, func(id dewline.SystemID, min int) (moment, bool) {
		m := quiet
		m.running = min%60 < 40
		return m, true
	})
	packs := senmlOf(b, all)
	decode := 0.0 // s for a reading
	b.Run("decode", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			n := 0
			for _, pack := range packs {
				n += decodePlainly(b, pack)
			}
			if n != len(all) {
				b.Fatalf("%d readings were decoded of %d", n, len(all))
			}
		}
		decode = b.Elapsed().Seconds() / float64(b.N*len(all))
		b.ReportMetric(1/decode, "readings/s")
	})
	b.Run("engine", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			e := newTestEngine(b, fleet)
			var out Output
			for batch := range slices.Chunk(all, 240) {
				e.Offer(batch)
				e.Drain(&out)
			}
		}
		reading := b.Elapsed().Seconds() / float64(b.N*len(all))
		b.ReportMetric(1/reading, "readings/s")
		if decode > 0 {
			b.ReportMetric(reading/decode, "of-decode")
		}
	})
}

// record is a SenML record (RFC 8428) as a gateway sends it.
type record struct {
	BaseName string  `json:"bn,omitempty"`
	BaseTime float64 `json:"bt,omitempty"`
	Name     string  `json:"n"`
	Unit     string  `json:"u,omitempty"`
	Value    float64 `json:"v"`
}

// senmlOf makes a pack of the readings of each system and time.
func senmlOf(b *testing.B, all []dewline.Sample) (packs [][]byte) {
	for i := 0; i < len(all); {
		first := all[i]
		pack := []record{}
		for ; i < len(all) && all[i].System == first.System && all[i].At == first.At; i++ {
			r := record{Name: all[i].Point.String(), Unit: "Cel", Value: all[i].Value}
			if len(pack) == 0 {
				r.BaseName, r.BaseTime = string(first.System)+"/", float64(first.At)/1000
			}
			pack = append(pack, r)
		}
		text, err := json.Marshal(pack)
		if err != nil {
			b.Fatal(err)
		}
		packs = append(packs, text)
	}
	return packs
}

// decodePlainly decodes a pack into samples and returns how many there were.
func decodePlainly(b *testing.B, pack []byte) int {
	var records []record
	if err := json.Unmarshal(pack, &records); err != nil {
		b.Fatal(err)
	}
	n := 0
	var base record
	for _, r := range records {
		if r.BaseName != "" {
			base = r
		}
		p, ok := dewline.PointNamed(r.Name)
		s := dewline.Sample{System: dewline.SystemID(strings.TrimSuffix(base.BaseName, "/")), Point: p, At: dewline.Millis(1000 * base.BaseTime), Value: r.Value}
		if ok && s.At > 0 {
			n++
		}
	}
	return n
}

// TestBacklogIsNotSilence: a gateway that still delivers its backlog is heard, however old its
// readings are beside those of the others.
func TestBacklogIsNotSilence(t *testing.T) {
	fleet := testFleet(t)
	live := story(t, fleet, 24*60, 5, func(id dewline.SystemID, _ int) (moment, bool) { return quiet, id == "mole/kiosk" })
	backlog := story(t, fleet, 12*60, 5, func(id dewline.SystemID, _ int) (moment, bool) { return quiet, id == "quay/hall" })
	e := newTestEngine(t, fleet)
	e.Offer(live[:len(live)/2])
	half := live[len(live)/2:]
	for len(half) > 0 { // while an hour passes at the kiosk, six of the hall's backlog come in
		n, m := min(12, len(half)), min(72*6/12, len(backlog))
		e.Offer(half[:n])
		e.Offer(backlog[:m])
		half, backlog = half[n:], backlog[m:]
		if len(backlog) == 0 {
			break
		}
	}
	var out Output
	e.Drain(&out)
	if got := findingsOf(out, dewline.Silent); len(got) != 0 {
		t.Errorf("found %s, want nothing while the backlog comes in", told(got))
	}
}
