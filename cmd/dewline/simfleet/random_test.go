package simfleet

import (
	"bytes"
	"math"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"dewline"
	"dewline/thermo/plant"
)

// region is a drawn fleet with its layout.
type region struct {
	*Fleet
	t *layout
}

// regions are some drawn fleets of 60 days, made once.
var regions = sync.OnceValues(func() (all []region, err error) {
	for seed := range uint64(5) {
		t := newRegion(Options{Seed: seed + 1, Systems: 30, Start: present.AddDate(0, 0, -60), Present: present})
		f, err := newFleetOf(t)
		if err != nil {
			return nil, err
		}
		all = append(all, region{f, t})
	}
	return all, nil
})

func drawnRegions(t *testing.T) []region {
	t.Helper()
	all, err := regions()
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func TestDrawnFleetsAreHalfFaulty(t *testing.T) {
	for _, r := range drawnRegions(t) {
		systems := r.Config().Systems()
		if len(systems) != 30 {
			t.Errorf("seed %d: %d systems, want 30", r.o.Seed, len(systems))
		}
		faults := map[dewline.SystemID]int{}
		for _, x := range r.Truth() {
			if x.Healthy() {
				faults[x.System] += 0
				continue
			}
			faults[x.System]++
		}
		faulty := 0
		for _, s := range systems {
			n, told := faults[s.ID]
			if !told {
				t.Errorf("seed %d: nothing is said of %s", r.o.Seed, s.ID)
			}
			if n > 0 {
				faulty++
			}
		}
		if faulty != 15 {
			t.Errorf("seed %d: %d systems are faulty, want 15", r.o.Seed, faulty)
		}
	}
}

func TestTruthIsWellFormed(t *testing.T) {
	for _, r := range drawnRegions(t) {
		start, end := dewline.MillisOf(r.o.Start), dewline.MillisOf(r.o.Present)
		ids := map[string]Truth{}
		for _, x := range r.Truth() {
			ids[x.ID] = x
		}
		for _, x := range r.Truth() {
			healthy := x.Class[0] == "healthy"
			switch {
			case healthy != x.Healthy():
				t.Errorf("%s is %v with %s", x.System, x.Class, x.Fault)
			case healthy && (x.Detectable != 0 || x.Harmful != 0 || x.ID != ""):
				t.Errorf("%s: the truth of a healthy system is %+v", x.System, x)
			case healthy:
			case x.Onset < start || x.Onset >= end:
				t.Errorf("%s: %s begins outside of the span", x.ID, x.Fault)
			case x.Detectable != 0 && x.Detectable < x.Onset:
				t.Errorf("%s: %s can be seen before it begins", x.ID, x.Fault)
			case x.Harmful != 0 && (x.Detectable == 0 || x.Harmful < x.Detectable):
				t.Errorf("%s: %s does harm before it can be seen", x.ID, x.Fault)
			case x.Fault == "sensor" && x.Harmful != 0:
				t.Errorf("%s: a sensor does no harm", x.ID)
			case x.Repaired != 0 && (x.Repaired <= x.Detectable || x.Repaired > end):
				t.Errorf("%s: %s is mended at a time that cannot be", x.ID, x.Fault)
			case x.Pair != "" && (ids[x.Pair].Pair != x.ID || ids[x.Pair].System != x.System):
				t.Errorf("%s: its pair %s does not name it", x.ID, x.Pair)
			}
		}
		var text bytes.Buffer
		if err := WriteTruth(&text, r.Truth()); err != nil {
			t.Fatal(err)
		}
		back, err := ReadTruth(&text)
		if err != nil || !slices.EqualFunc(back, r.Truth(), func(a, b Truth) bool {
			same := slices.Equal(a.Class, b.Class)
			a.Class, b.Class = nil, nil
			return same && equalTruth(a, b)
		}) {
			t.Errorf("seed %d: the truth does not read back as it was written (%v)", r.o.Seed, err)
		}
	}
}

func equalTruth(a, b Truth) bool {
	return a.System == b.System && a.ID == b.ID && a.Fault == b.Fault && a.Detail == b.Detail && a.Severity == b.Severity && a.Onset == b.Onset &&
		a.Detectable == b.Detectable && a.Harmful == b.Harmful && a.Repaired == b.Repaired && a.Pair == b.Pair && a.Note == b.Note
}

func TestEverythingIsDrawn(t *testing.T) {
	seen := map[string]int{}
	harmful, machine := 0, 0
	for _, r := range drawnRegions(t) {
		for _, x := range r.Truth() {
			seen[x.Fault]++
			seen[x.Detail]++
			for _, w := range x.Class {
				seen[w]++
			}
			if x.Fault == "sensor" {
				seen[x.Note]++
				continue
			}
			if x.Pair != "" {
				seen["pair"]++
			}
			if x.Repaired != 0 {
				seen["repaired"]++
			}
			if !x.Healthy() {
				machine++
				if x.Harmful != 0 {
					harmful++
				}
			}
		}
		for _, s := range r.Config().Systems() {
			seen[string(s.Kind)]++
			seen[string(s.Metering)]++
			seen[s.Refrigerant]++
			seen[string(s.HighSide().String())]++
		}
	}
	for _, want := range []string{
		"undercharge", "overcharge", "restriction", "overfeed", "evaporator_airflow", "condenser_airflow", "noncondensables", "compressor_leakage",
		"reversing_valve", "defrost", "sensor", "none", "leak", "drier", "orifice_too_small", "orifice_too_large", "valve_stuck", "pair", "repaired",
		"split_ac", "packaged", "heat_pump", "walk_in_cooler", "walk_in_freezer", "display_case", "fixed_orifice", "capillary", "txv", "eev",
		"R-410A", "R-32", "R-454B", "R-22", "R-407C", "R-134a", "R-513A", "R-404A", "R-448A", "R-449A", "R-290", "liquid_pressure", "discharge_pressure",
		"oversized", "low_load", "swings", "high_altitude", "noisy", "outages", "duplicates", "frozen", "filter_changed", "variable", "staged",
		"asked_in_turn", "mode_untold",
	} {
		if seen[want] == 0 {
			t.Errorf("no %s in five fleets", want)
		}
	}
	kinds := 0
	for _, k := range []SensorFaultKind{SensorOffset, SensorDrift, SensorStuck, SensorNoise, ClampOff, ClampsSwapped, OpenCircuit, ZeroShift} {
		if seen[string(k)] > 0 {
			kinds++
		}
	}
	if kinds < 6 {
		t.Errorf("%d kinds of sensor faults in five fleets, want most", kinds)
	}
	if 10*harmful < 5*machine || harmful == machine {
		t.Errorf("%d of %d machine faults do harm, want most and not all", harmful, machine)
	}
}

// The look of the pair that a wrong bore invites: head and subcooling far up, superheat at its target or
// under it.
func TestChargeMasksAWrongBore(t *testing.T) {
	checked := 0
	for _, r := range drawnRegions(t) {
		for _, e := range r.t.entries {
			if len(e.courses) != 2 || e.courses[0].Fault != plant.Bore {
				continue
			}
			checked++
			j := e.judge(r.t, seen{})
			c, a := j.conditions[1], j.healthy[1]
			c.Faults = plant.Faults{Bore: e.courses[0].Severity, Charge: e.courses[1].Severity}
			b, err := e.m.Solve(c)
			if err != nil {
				t.Errorf("%s: %v", e.systemID(), err)
				continue
			}
			if b.SubcoolingK < a.SubcoolingK+4 || b.CondensingK < a.CondensingK+1.5 || b.SuperheatK > a.SuperheatK {
				t.Errorf("%s: bore %.2f with charge %+.2f moves subcooling %+.1f K, condensing %+.1f K, superheat %+.1f K", e.systemID(),
					c.Faults.Bore, c.Faults.Charge, b.SubcoolingK-a.SubcoolingK, b.CondensingK-a.CondensingK, b.SuperheatK-a.SuperheatK)
			}
		}
	}
	if checked < 3 {
		t.Errorf("%d such pairs in five fleets", checked)
	}
}

func TestHealthyMachinesWorkAsTheyShould(t *testing.T) {
	for _, r := range drawnRegions(t) {
		for _, e := range r.t.entries {
			if j := e.judge(r.t, seen{}); !j.sound() {
				t.Errorf("%s: not sound when healthy", e.systemID())
			}
		}
	}
}

func small(t *testing.T, o Options) *Fleet {
	t.Helper()
	o.Seed, o.Systems, o.Start, o.Present = 9, 8, present.Add(-5*time.Hour), present
	f, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func TestEqualSeedsDrawEqualFleets(t *testing.T) {
	a := small(t, Options{})
	one := string(a.File()) + digest(a, present)
	before := runtime.GOMAXPROCS(1)
	b := small(t, Options{})
	two := string(b.File()) + digest(b, present)
	runtime.GOMAXPROCS(before)
	if one != two {
		t.Error("the fleet depends on the number of processors")
	}
}

func TestPointsOfADrawnFleet(t *testing.T) {
	for _, s := range small(t, Options{Points: Least}).Config().Systems() {
		want := "suction_pressure liquid_pressure suction_temp liquid_temp outdoor_air_temp"
		if s.Kind == dewline.HeatPump {
			want += " mode"
		}
		var got []string
		for _, p := range s.Points {
			got = append(got, p.Point.String())
		}
		if strings.Join(got, " ") != want {
			t.Errorf("%s has %v, want %s", s.ID, got, want)
		}
	}
	for _, s := range small(t, Options{Points: Full}).Config().Systems() {
		for _, p := range []dewline.Point{dewline.DischargeTemp, dewline.CompressorOn} {
			if !s.Fitted(p) {
				t.Errorf("%s has no %v", s.ID, p)
			}
		}
		if s.Kind.Comfort() && (!s.Fitted(dewline.ReturnAirTemp) || !s.Fitted(dewline.ReturnAirRH) || !s.Fitted(dewline.SupplyAirTemp)) {
			t.Errorf("%s lacks an air sensor", s.ID)
		}
	}
}

// A mean is that of the single values which another gateway would have sent from the same sensors.
func TestMeansAreMeans(t *testing.T) {
	type key struct {
		system dewline.SystemID
		point  dewline.Point
		at     dewline.Millis
	}
	read := func(s dewline.Sampling) map[key]float64 {
		f := small(t, Options{Sampling: s})
		all := map[key]float64{}
		for p := range f.Packs(present) {
			for _, v := range p.Samples {
				if !f.Config().Systems()[0].Fitted(v.Point) && v.System == f.Config().Systems()[0].ID {
					t.Errorf("%v is sent and not fitted", v.Point)
				}
				all[key{v.System, v.Point, v.At - v.At%60_000}] = v.Value // sensors may be asked one after another
			}
		}
		return all
	}
	single := read(dewline.Sampling{Kind: dewline.SampledInstant, Interval: time.Minute})
	const quarter = dewline.Millis(900_000)
	for _, stamp := range []dewline.SamplingStamp{dewline.StampStart, dewline.StampEnd} {
		checked := 0
		for k, v := range read(dewline.Sampling{Kind: dewline.SampledMean, Interval: 15 * time.Minute, Stamp: stamp}) {
			end := k.at
			if stamp == dewline.StampStart {
				end += quarter
			}
			if end%quarter != 0 {
				t.Fatalf("a mean is dated %v", k.at.Time())
			}
			sum, n := 0.0, 0.0
			for m := range dewline.Millis(15) {
				if x, ok := single[key{k.system, k.point, end - m*60_000}]; ok {
					sum, n = sum+x, n+1
				}
			}
			if n < 15 {
				continue // the first of the span
			}
			want := sum / n
			if isState(k.point) {
				want = single[key{k.system, k.point, end}]
			}
			if checked++; math.Abs(v-want) > 0.001 {
				t.Fatalf("%s %v at %v: %g, the mean of its minutes is %g", k.system, k.point, k.at.Time(), v, want)
			}
		}
		if checked < 8*5*15 {
			t.Errorf("%d means compared", checked)
		}
	}
}

func TestSensorsGoWrong(t *testing.T) {
	now := &plant.Now{SuctionC: 12, LiquidC: 36, OutdoorC: 30, LineC: 28, SuctionPa: 1.1e6, AmbientPa: 1e5}
	const day = dewline.Millis(86_400_000)
	for _, x := range []struct {
		point dewline.Point
		fault SensorFault
		want  float64
	}{
		{dewline.SuctionTemp, SensorFault{Kind: SensorOffset, Size: 3}, 15},
		{dewline.SuctionTemp, SensorFault{Kind: SensorDrift, Size: 0.5}, 13}, // two days on
		{dewline.SuctionTemp, SensorFault{Kind: ClampOff, Size: 0.5}, 20},
		{dewline.SuctionTemp, SensorFault{Kind: ClampsSwapped}, 36},
		{dewline.LiquidTemp, SensorFault{Kind: ClampsSwapped}, 12},
		{dewline.SuctionPressure, SensorFault{Kind: ZeroShift, Size: -20e3}, 980e3},
		{dewline.SuctionPressure, SensorFault{Kind: UnitFactor, Size: 1000}, 1e9},
		{dewline.SuctionPressure, SensorFault{Kind: SensorOffset, Size: 5e3, From: 3 * day}, 1e6},
		{dewline.SuctionPressure, SensorFault{Kind: SensorOffset, Size: 5e3, Until: 2 * day}, 1e6},
	} {
		s := sensor{point: x.point, gain: 1, gauge: x.point == dewline.SuctionPressure, faults: []sensorFault{{SensorFault: x.fault}}}
		if got, ok := s.read(now, 2*day, nil); !ok || math.Abs(got-x.want) > 1e-6 {
			t.Errorf("%v, %s: %g (%v), want %g", x.point, x.fault.Kind, got, ok, x.want)
		}
	}
	s := sensor{point: dewline.SuctionTemp, gain: 1, faults: []sensorFault{{SensorFault: SensorFault{Kind: SensorStuck}}}}
	first, _ := s.read(now, day, nil)
	now.SuctionC = 25
	if later, _ := s.read(now, 2*day, nil); later != first {
		t.Errorf("a stuck sensor moves from %g to %g", first, later)
	}
	s.faults[0].Kind = OpenCircuit
	if v, ok := s.read(now, day, nil); ok {
		t.Errorf("an open circuit sends %g", v)
	}
}

// A machine that is switched off for the season starts no more and comes back.
func TestShutdown(t *testing.T) {
	r := newRegion(Options{Seed: 4, Systems: 12, Start: present.AddDate(0, 0, -30), Present: present})
	for _, e := range r.entries {
		if e.kind != dewline.SplitAC {
			continue
		}
		e.drawn.faulty = false
		if err := e.prepare(r); err != nil {
			t.Fatal(err)
		}
		start := float64(r.o.Start.Unix())
		use := e.used()
		s := &system{run: plant.NewRun(e.m, e.weather, use, nil, 1)}
		e.drawn.leaves = [2]float64{start + 86400, start + 3*86400}
		s.away = e.drawn.leave(e, use, 1)
		var ran [5]int
		for minute := range 5 * 1440 {
			if now := s.step(start + float64(minute)*60); now.On {
				ran[minute/1440]++
			}
		}
		if ran[0] == 0 || ran[1] > 600 || ran[2] > 0 || ran[3]+ran[4] == 0 {
			t.Errorf("minutes of running by day: %v, off from the second to the fourth", ran)
		}
		return
	}
	t.Fatal("no split in this region")
}
