package analytics

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline"
	"dewline/analytics/diagnose"
)

// coldRoom is a cold store with the signals of its safety chain.
func coldRoom(days int) *rig {
	r := newRig("R-134a", dewline.TXV, days).without(dewline.ReturnAirTemp, dewline.ReturnAirRH, dewline.SupplyAirTemp)
	r.sys.Kind, r.sys.SpaceLimit, r.sys.TargetSubcooling = dewline.WalkInCooler, 273.15+5, 0
	for _, p := range []dewline.Point{dewline.SpaceTemp, dewline.SafetyTrip, dewline.RefrigerantDetector, dewline.DoorOpen} {
		r.sys.Points = append(r.sys.Points, dewline.PointFitting{Point: p, StatedAccuracy: map[bool]float64{true: 0.5}[p == dewline.SpaceTemp]})
	}
	return r
}

// withSignals adds signals of the room to each moment.
func (r *rig) withSignals(of func(day float64) (spaceC float64, trip, leak, door bool)) *rig {
	flag := map[bool]float64{true: 1}
	r.change = func(all []dewline.Sample) []dewline.Sample {
		var out []dewline.Sample
		for i, s := range all {
			if i == 0 || s.At != all[i-1].At {
				space, trip, leak, door := of(s.At.Sub(epoch).Hours() / 24)
				for p, v := range map[dewline.Point]float64{dewline.SpaceTemp: space, dewline.SafetyTrip: flag[trip], dewline.RefrigerantDetector: flag[leak], dewline.DoorOpen: flag[door]} {
					out = append(out, dewline.Sample{System: s.System, Point: p, At: s.At, Value: v})
				}
			}
			if s.Point == dewline.SuctionPressure || s.Point == dewline.SuctionTemp { // 10 K lower than a room for people
				if s.Point == dewline.SuctionTemp {
					s.Value -= 10
				} else {
					s.Value *= 0.65
				}
			}
			out = append(out, s)
		}
		slices.SortStableFunc(out, func(a, b dewline.Sample) int { return int((a.At - b.At) / minute) })
		return out
	}
	return r
}

func TestASafetyThatTripsIsToldAtOnce(t *testing.T) {
	for _, c := range []struct {
		name  string
		trip  bool
		key   string
		want  dewline.Condition
		fault dewline.Fault
	}{
		{"safety device", true, "safety", dewline.NotRunning, dewline.CondenserAirflow},
		{"refrigerant detector", false, "leak", dewline.ChargeDrift, dewline.Undercharge},
	} {
		r := coldRoom(4).withSignals(func(day float64) (float64, bool, bool, bool) {
			now := day >= 1.5 && day < 1.6
			return 3, now && c.trip, now && !c.trip, false
		})
		out, _ := r.run(t)
		found := findingsOf(out, c.want)
		if len(found) == 0 {
			t.Fatalf("%s: found\n%s", c.name, told(out.Findings))
		}
		f := found[0]
		if f.Key != c.key || f.Severity != dewline.Urgent || f.Onset != dayAt(1.5) || f.Detected != dayAt(1.5) {
			t.Errorf("%s: key %s, %s, onset %s, detected %s", c.name, f.Key, f.Severity, clock(f.Onset), clock(f.Detected))
		}
		if placeOf(f.Causes, c.fault) != 1 {
			t.Errorf("%s: causes %v", c.name, f.Causes)
		}
		if last := found[len(found)-1]; last.Cleared < dayAt(2.5) || last.Cleared > dayAt(3) {
			t.Errorf("%s: cleared at %s, want a day after the signal went", c.name, clock(last.Cleared))
		}
	}
}

func TestAWarmSpaceIsToldAtOnceAndGrowsGraver(t *testing.T) {
	warm := func(importance dewline.Importance, excess float64, door bool) []dewline.Finding {
		r := coldRoom(3)
		r.sys.Importance = importance
		r.withSignals(func(day float64) (float64, bool, bool, bool) {
			if day >= 1 && day < 1.5 {
				return 5 + excess, false, false, door && day < 1.01
			}
			return 3, false, false, false
		})
		out, _ := r.run(t)
		return findingsOf(out, dewline.SpaceWarm)
	}
	after := func(found []dewline.Finding, s dewline.Severity) time.Duration {
		for _, f := range found {
			if f.Severity == s {
				return f.At.Sub(dayAt(1))
			}
		}
		return -1
	}
	found := warm(dewline.Ordinary, 1.5, false)
	if len(found) == 0 || found[0].Key != "space" || found[0].Onset != dayAt(1) || found[0].Detected > dayAt(1)+5*minute {
		t.Fatalf("found\n%s\nwant it with the second reading above the limit", told(found))
	}
	if !strings.Contains(found[0].Evidence[0], "6.5 °C in the space, its limit is 5.0 °C") {
		t.Errorf("evidence %q", found[0].Evidence)
	}
	if s, u := after(found, dewline.Soon), after(found, dewline.Urgent); s != 4*time.Hour || u != 6*time.Hour {
		t.Errorf("soon after %v, urgent after %v, want 4 h and 6 h", s, u)
	}
	if found := warm(dewline.Critical, 1.5, false); after(found, dewline.Soon) > 5*time.Minute || after(found, dewline.Urgent) > 35*time.Minute {
		t.Errorf("critical: soon after %v, urgent after %v", after(found, dewline.Soon), after(found, dewline.Urgent))
	}
	if found := warm(dewline.Ordinary, 0.1, false); len(found) != 0 {
		t.Errorf("0.1 K above the limit is within the sensor's error: found\n%s", told(found))
	}
}

// TestShortCycling: more starts in an hour than makers allow.
func TestShortCycling(t *testing.T) {
	fleet := testFleet(t)
	for _, c := range []struct {
		every int // minutes
		want  bool
	}{{5, true}, {12, false}} {
		all := story(t, fleet, 8*60, 1, func(id dewline.SystemID, min int) (moment, bool) {
			m := quiet
			m.running = min%c.every < 2
			return m, id == "quay/office"
		})
		found := findingsOf(analyse(t, fleet, all), dewline.ShortCycling)
		if (len(found) > 0) != c.want {
			t.Errorf("a start every %d min: found %q, want it %v", c.every, told(found), c.want)
		}
	}
}

// TestLiquidInShortRuns: a fixed bore that gives liquid in each of a machine's short first runs, in weather in which the
// makers' table has superheat, is told with the third; in hot weather it takes hours of it.
func TestLiquidInShortRuns(t *testing.T) {
	fleet := testFleet(t)
	for _, c := range []struct {
		outdoor float64
		sh      float64 // K
		want    bool
	}{
		{20, 0.3, true},
		{20, 1.9, true},  // below the limit by more than one standard uncertainty
		{20, 2.6, false}, // hardly below it
		{44, 0.3, false}, // there is hardly any in the table
	} {
		all := story(t, fleet, 5*60, 1, func(id dewline.SystemID, min int) (moment, bool) {
			m := quiet
			m.running = min%70 < 17
			m.sh, m.outdoor, m.cond = c.sh, c.outdoor, c.outdoor+12
			return m, id == "quay/hall"
		})
		found := findingsOf(analyse(t, fleet, all), dewline.Flooding)
		if (len(found) > 0) != c.want {
			t.Errorf("%.1f K at %.0f °C outdoors: found %q, want it %v", c.sh, c.outdoor, told(found), c.want)
			continue
		}
		if c.want && (found[0].Severity != dewline.Watch || found[0].Detected > epoch+3*hour) {
			t.Errorf("%.1f K: found %q, want a watch in the third run", c.sh, told(found))
		}
	}
}

// TestAValveThatFloodsInShortRuns: liquid in most of each of many short runs is told on the same day, though a reading of
// every run is not below the limit beyond doubt; where most of the running is not, it is not told.
func TestAValveThatFloodsInShortRuns(t *testing.T) {
	fleet := testFleet(t)
	for _, wet := range []int{4, 2} { // of six readings of a run
		all := story(t, fleet, 12*60, 1, func(id dewline.SystemID, min int) (moment, bool) {
			m := quiet
			m.running = min%35 < 16
			if m.sh = 2.6; min%35-10 < wet {
				m.sh = 0.8
			}
			return m, id == "quay/office"
		})
		found := findingsOf(analyse(t, fleet, all), dewline.Flooding)
		if urgent := len(found) > 0 && found[0].Severity == dewline.Urgent; urgent != (wet == 4) {
			t.Errorf("%d of 6 readings of each run: found %q", wet, told(found))
		}
	}
}

// TestLiquidInSingleReadings: where runs are so short that each has but one steady reading, five minutes apart from the next
// as it would be, what they stand for adds up all the same.
func TestLiquidInSingleReadings(t *testing.T) {
	fleet := testFleet(t)
	for _, run := range []int{15, 20} { // minutes of each hour
		all := story(t, fleet, 9*60, 5, func(id dewline.SystemID, min int) (moment, bool) {
			m := quiet
			m.running = min%60 < run
			m.sh, m.outdoor, m.cond = 0.3, 44, 56
			return m, id == "quay/hall"
		})
		found := findingsOf(analyse(t, fleet, all), dewline.Flooding)
		if len(found) == 0 || found[0].Severity != dewline.Watch {
			t.Errorf("%d min an hour: found %q, want a watch", run, told(found))
		}
	}
}

// TestACapillaryThatFloodsInTheHeat: most that do so for hours, while nothing else speaks for a fault, are good machines; of a
// fault, too much charge comes first (common practice: the charge of a capillary is critical).
func TestACapillaryThatFloodsInTheHeat(t *testing.T) {
	fleet := testFleet(t)
	sys, _ := fleet.System("quay/hall")
	sys.Metering = dewline.Capillary
	all := story(t, fleet, 4*60, 1, func(id dewline.SystemID, min int) (moment, bool) {
		m := quiet
		m.sh, m.outdoor, m.cond = 0.3, 38, 50
		return m, id == "quay/hall"
	})
	found := findingsOf(analyse(t, fleet, all), dewline.Flooding)
	if len(found) == 0 || found[0].Severity != dewline.Watch || placeOf(found[0].Causes, dewline.NoFault) != 1 || placeOf(found[0].Causes, dewline.Overcharge) != 2 {
		t.Errorf("found %q, want a watch, of a good machine first and of too much charge second", told(found))
	}
}

// TestAFixedOrificeThatFloodsWithoutOtherSigns: most are good machines in hot weather, where nothing speaks for anything; a valve is
// there to keep liquid away whatever the weather, and so is an orifice that is to be acted on.
func TestAFixedOrificeThatFloodsWithoutOtherSigns(t *testing.T) {
	for _, c := range []struct {
		metering dewline.Metering
		severity dewline.Severity
		first    dewline.Fault
	}{
		{dewline.FixedOrifice, dewline.Watch, dewline.NoFault}, {dewline.FixedOrifice, dewline.Soon, dewline.Overfeed}, {dewline.TXV, dewline.Watch, dewline.Overfeed},
	} {
		_, y := newRig("R-410A", c.metering, 1).run(t)
		y.Acute.Flood.Open = true
		y.Track.Causes = []dewline.Cause{{Fault: dewline.NoFault, Probability: 1}}
		if got := y.machineCauses(dewline.Flooding, c.severity == dewline.Watch); got[0].Fault != c.first {
			t.Errorf("%s, %s: %v, want %s first", c.metering, c.severity, got, c.first)
		}
	}
}

// TestWhatIsSeenInMeans: means of a quarter hour, as data exports have them: a fault that lasts is named, and liquid
// at the compressor too.
func TestWhatIsSeenInMeans(t *testing.T) {
	r := newRig("R-32", dewline.TXV, 26).means()
	r.off = func(day float64) (v diagnose.Vector) {
		if day >= 18 {
			v[diagnose.OverAmbient], v[diagnose.Subcooling], v[diagnose.LogPower] = 8, 1.2, 0.17
		}
		return v
	}
	out, _ := r.run(t)
	found := onMachine(out)
	if len(found) == 0 || found[0].Detected < dayAt(18) || found[0].Detected > dayAt(21) || placeOf(found[0].Causes, dewline.CondenserAirflow) != 1 {
		t.Errorf("found\n%s\nwant a dirty condenser within three days of the nineteenth", told(found))
	}
	r = newRig("R-32", dewline.TXV, 3).means()
	r.off = func(float64) diagnose.Vector { return diagnose.Vector{diagnose.Superheat: -9} }
	out, _ = r.run(t)
	if found := findingsOf(out, dewline.Flooding); len(found) == 0 || found[0].Severity != dewline.Urgent {
		t.Errorf("found\n%s\nwant flooding", told(out.Findings))
	}
}

// TestRareReadingsAreTakenForMeans: what comes each quarter of an hour is a mean, though nobody has stated it; what comes
// each five minutes is not, nor what a gateway sends when it has changed.
func TestRareReadingsAreTakenForMeans(t *testing.T) {
	for _, c := range []struct {
		name string
		rig  func() *rig
		want bool
	}{
		{"means that nobody has stated", func() *rig {
			r := newRig("R-410A", dewline.TXV, 2).means()
			for i := range r.sys.Points {
				r.sys.Points[i].Sampling = dewline.Sampling{}
			}
			return r
		}, true},
		{"each five minutes", func() *rig { return newRig("R-410A", dewline.TXV, 2) }, false},
		{"when it has changed", func() *rig {
			r := newRig("R-410A", dewline.TXV, 2)
			r.change = func(all []dewline.Sample) []dewline.Sample {
				return slices.DeleteFunc(all, func(s dewline.Sample) bool { return s.At/(5*minute)%7 == 0 || s.At/(5*minute)%5 > 1 })
			}
			return r
		}, false},
		{"instants by their statement", func() *rig {
			r := newRig("R-410A", dewline.TXV, 2).means()
			for i := range r.sys.Points {
				r.sys.Points[i].Sampling.Kind = dewline.SampledInstant
			}
			return r
		}, false},
	} {
		if _, y := c.rig().run(t); y.means != c.want {
			t.Errorf("%s: taken for means %v, interval %v", c.name, y.means, y.interval())
		}
	}
}

// TestAMeanThatHoldsStandingToo: a machine that cycles within each quarter of an hour shows less of everything, and as
// little superheat as a flooded one.
func TestAMeanThatHoldsStandingToo(t *testing.T) {
	r := newRig("R-410A", dewline.TXV, 12).without(dewline.CompressorOn, dewline.CompressorPower, dewline.ReturnAirTemp, dewline.ReturnAirRH, dewline.SupplyAirTemp).means()
	r.off = func(float64) diagnose.Vector {
		return diagnose.Vector{diagnose.Superheat: -6.5, diagnose.Subcooling: -3.5, diagnose.SuctionDew: 6, diagnose.OverAmbient: -4}
	}
	out, _ := r.run(t)
	for _, f := range onMachine(out) {
		if f.Severity != dewline.Watch {
			t.Errorf("found\n%s", told(onMachine(out)))
			break
		}
	}
}

// TestAMeanThatAStopIsInIsNotJudged: a thermostat that lets a machine stand for a part of many a quarter hour makes
// every mean look like a weak compressor.
func TestAMeanThatAStopIsInIsNotJudged(t *testing.T) {
	r := newRig("R-410A", dewline.TXV, 24)
	r.change = func(all []dewline.Sample) []dewline.Sample {
		for i := range all {
			s := &all[i]
			if s.At < dayAt(15) || s.At%(30*minute) != 10*minute {
				continue
			}
			switch s.Point {
			case dewline.SuctionPressure:
				s.Value += 300e3
			case dewline.LiquidPressure:
				s.Value = min(s.Value, 1600e3)
			case dewline.CompressorPower:
				s.Value = 0
			}
		}
		return all
	}
	out, y := r.means().run(t)
	if found := onMachine(out); len(found) != 0 {
		t.Errorf("found\n%s", told(found))
	}
	if n := y.Track.Recent[len(y.Track.Recent)-1].To; n < dayAt(23.5) {
		t.Errorf("nothing was judged after %s", clock(n))
	}
}

// TestStaticPressuresAtStandstillAreNoSteadyRunning: rolling values and windows are of running alone.
func TestSteadyMinutesAreThoseOfRunning(t *testing.T) {
	r := newRig("R-32", dewline.TXV, 1)
	r.every = 1
	all := r.story(t)
	e := newTestEngine(t, r.fleet())
	was := 0.0
	for chunk := range slices.Chunk(all, len(r.sys.Points)) {
		e.Offer(chunk)
		s, _ := e.State(rigID)
		switch since := s.At.Sub(epoch) % (2 * time.Hour); {
		case s.At == 0:
		case since < 10*time.Minute && s.Steady:
			t.Fatalf("%s: steady %v after the start", clock(s.At), since)
		case since > 25*time.Minute && since < 80*time.Minute && !s.Steady:
			t.Fatalf("%s: not steady %v after the start", clock(s.At), since)
		case since > 80*time.Minute && (s.Steady || s.SteadyMinutes != 0):
			t.Fatalf("%s: steady while it stands", clock(s.At))
		case s.Steady && s.SteadyMinutes != 0 && math.Abs(s.SteadyMinutes-was) > 1.01 && was != 0 && s.SteadyMinutes > 1:
			t.Fatalf("%s: %.0f steady minutes after %.0f", clock(s.At), s.SteadyMinutes, was)
		default:
			was = s.SteadyMinutes
		}
	}
}
