package analytics

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline"
	"dewline/analytics/diagnose"
)

// TestAHealthyMachineIsQuiet: nothing is found in three weeks, it is learned, and the diary says so each day.
func TestAHealthyMachineIsQuiet(t *testing.T) {
	for _, c := range []struct {
		name string
		rig  *rig
	}{
		{"valve", newRig("R-32", dewline.TXV, 21)},
		{"orifice", newRig("R-410A", dewline.FixedOrifice, 21)},
		{"five points", newRig("R-32", dewline.EEV, 21).without(dewline.ReturnAirTemp, dewline.ReturnAirRH, dewline.SupplyAirTemp, dewline.CompressorPower, dewline.CompressorOn)},
		{"means", newRig("R-32", dewline.TXV, 21).means()},
	} {
		out, y := c.rig.run(t)
		if len(out.Findings) != 0 {
			t.Errorf("%s: found\n%s", c.name, told(out.Findings))
		}
		if len(out.Diary) < 21 {
			t.Fatalf("%s: %d lines of diary for 21 days", c.name, len(out.Diary))
		}
		if h := y.health(); h != dewline.HealthWell {
			t.Errorf("%s: health %s after three weeks, %d windows on %d days", c.name, h, len(y.Track.Model.Windows), len(y.Track.Model.Days))
		}
		if d := out.Diary[20]; d.Frame != dewline.FrameLearned || d.NoFault < 0.9 || d.Runs == 0 || d.SteadyHours < 1 {
			t.Errorf("%s: the last day reads %+v", c.name, d)
		}
	}
}

// TestBadInputRaisesNoMachineAlert: what goes wrong between a healthy machine and the engine is not blamed on the
// machine, in twenty days, the trouble from the thirteenth on.
func TestBadInputRaisesNoMachineAlert(t *testing.T) {
	begin := dayAt(13)
	type filter = func(s *dewline.Sample, since dewline.Millis) bool
	where := func(f filter) func([]dewline.Sample) []dewline.Sample {
		return func(all []dewline.Sample) []dewline.Sample {
			var out []dewline.Sample
			for _, s := range all {
				if f(&s, s.At-begin) {
					out = append(out, s)
				}
			}
			return out
		}
	}
	during := func(hours dewline.Millis, p dewline.Point, value func(v float64) float64) func([]dewline.Sample) []dewline.Sample {
		return where(func(s *dewline.Sample, since dewline.Millis) bool {
			if s.Point == p && since >= 0 && since < hours*hour {
				s.Value = value(s.Value)
			}
			return true
		})
	}
	type trouble struct {
		name   string
		change func([]dewline.Sample) []dewline.Sample
	}
	troubles := []trouble{
		{"gaps of every length", where(func(_ *dewline.Sample, since dewline.Millis) bool {
			n := since / (30 * minute)
			return since < 0 || n%7 != 3 && n%5 != 1
		})},
		{"a gap of two days", where(func(_ *dewline.Sample, since dewline.Millis) bool { return since < 0 || since > 48*hour })},
		{"a clock that steps ahead an hour and back", where(func(s *dewline.Sample, since dewline.Millis) bool {
			if since >= 0 && since < 5*hour {
				s.At += hour
			}
			return true
		})},
		{"a clock that steps back an hour and ahead", where(func(s *dewline.Sample, since dewline.Millis) bool {
			if since >= 0 && since < 5*hour {
				s.At -= hour
			}
			return true
		})},
		{"everything twice", func(all []dewline.Sample) []dewline.Sample {
			var out []dewline.Sample
			for _, s := range all {
				out = append(out, s, s)
			}
			return out
		}},
	}
	for _, p := range []dewline.Point{dewline.SuctionPressure, dewline.LiquidPressure} {
		troubles = append(troubles,
			trouble{p.String() + " times 1000", during(6, p, func(v float64) float64 { return 1000 * v })},
			trouble{p.String() + " in psi called kPa", during(6, p, func(v float64) float64 { return v / 6.894757 })},
			trouble{p.String() + " in kPa called psi", during(6, p, func(v float64) float64 { return v * 6.894757 })},
			trouble{p.String() + " in psi called kPa for two days", during(48, p, func(v float64) float64 { return v / 6.894757 })})
	}
	for _, p := range []dewline.Point{dewline.SuctionTemp, dewline.LiquidTemp, dewline.OutdoorAirTemp, dewline.ReturnAirTemp, dewline.SupplyAirTemp} {
		troubles = append(troubles, trouble{p.String() + " in °F called °C", during(6, p, func(v float64) float64 { return 1.8*v + 32 })},
			trouble{p.String() + " times 1000", during(6, p, func(v float64) float64 { return 1000 * v })})
	}
	for _, p := range []dewline.Point{dewline.SuctionPressure, dewline.LiquidPressure, dewline.SuctionTemp, dewline.LiquidTemp, dewline.OutdoorAirTemp, dewline.ReturnAirTemp, dewline.SupplyAirTemp, dewline.CompressorPower} {
		frozen := func(from dewline.Millis) func([]dewline.Sample) []dewline.Sample {
			return func(all []dewline.Sample) []dewline.Sample {
				last := 0.0
				return where(func(s *dewline.Sample, since dewline.Millis) bool {
					if s.Point == p && since >= from && since < from+24*hour {
						s.Value = last
					} else if s.Point == p {
						last = s.Value
					}
					return true
				})(all)
			}
		}
		troubles = append(troubles,
			trouble{p.String() + " frozen for a day while it stood", frozen(100 * minute)},
			trouble{p.String() + " frozen for a day while it ran", frozen(50 * minute)},
			trouble{p.String() + " vanishes", where(func(s *dewline.Sample, since dewline.Millis) bool { return s.Point != p || since < 0 })})
	}
	for _, metering := range []dewline.Metering{dewline.TXV, dewline.FixedOrifice} {
		r := newRig("R-32", metering, 20)
		r.every = 15
		all := r.story(t)
		split := slices.IndexFunc(all, func(s dewline.Sample) bool { return s.At >= begin })
		// The healthy days before are the same for all.
		e := newTestEngine(t, r.fleet())
		e.Offer(all[:split])
		var out Output
		states, err := e.Checkpoint(&out, []dewline.SystemID{rigID})
		if err != nil {
			t.Fatal(err)
		}
		if len(out.Findings) != 0 {
			t.Fatalf("%s: found before any trouble\n%s", metering, told(out.Findings))
		}
		for _, c := range troubles {
			if metering == dewline.FixedOrifice && !strings.Contains(c.name, "suction") {
				continue // what superheat does to an orifice is what differs
			}
			e := newTestEngine(t, r.fleet())
			if err := e.Resume(t.Context(), newMemoryStore(nil), nil, states, nil); err != nil {
				t.Fatal(err)
			}
			e.Offer(c.change(slices.Clone(all[split:])))
			e.Finish()
			e.Drain(&out)
			if found := onMachine(out); len(found) != 0 {
				t.Errorf("%s, %s: found\n%s", metering, c.name, told(found))
			}
		}
	}
}

// TestAPointThatAppearsLate: enrolled from the first day, and heard from the fourteenth on.
func TestAPointThatAppearsLate(t *testing.T) {
	for _, p := range []dewline.Point{dewline.SuctionPressure, dewline.LiquidTemp, dewline.OutdoorAirTemp, dewline.ReturnAirTemp, dewline.CompressorOn} {
		r := newRig("R-32", dewline.TXV, 20)
		r.every = 10
		r.change = func(all []dewline.Sample) []dewline.Sample {
			return slices.DeleteFunc(all, func(s dewline.Sample) bool { return s.Point == p && s.At < dayAt(13) })
		}
		out, _ := r.run(t)
		if found := onMachine(out); len(found) != 0 {
			t.Errorf("%s: found\n%s", p, told(found))
		}
	}
}

// TestASlowLeakIsNamed: subcooling falls by 0.3 K a day from the sixteenth day on, with the little of condensing
// temperature that goes with it (a published valve machine loses 1.3 K of it at 20 % of charge). It is found while
// the valve still makes up for it.
func TestASlowLeakIsNamed(t *testing.T) {
	r := newRig("R-32", dewline.TXV, 36)
	r.off = func(day float64) (v diagnose.Vector) {
		lost := max(0, day-15) * 0.3
		v[diagnose.Subcooling], v[diagnose.OverAmbient], v[diagnose.LogPower] = -lost, -0.22*lost, -0.005*lost
		return v
	}
	out, _ := r.run(t)
	found := onMachine(out)
	if len(found) == 0 {
		t.Fatalf("found\n%s\nwant a machine that leaks", told(out.Findings))
	}
	f := found[0]
	if after := f.Detected.Sub(dayAt(15)).Hours() / 24; after < 0 || after > 14 {
		t.Errorf("found %.1f days after it began", after)
	}
	if at := placeOf(f.Causes, dewline.Undercharge); at != 1 && at != 2 {
		t.Errorf("causes %v, want undercharge first or second", f.Causes)
	}
	for _, f := range found {
		if p := f.Forecast; p != nil && (p.DaysP10 > p.DaysP50 || p.DaysP50 > p.DaysP90 || p.DaysP10 < 0 || p.Limit == "" || p.At == 0) {
			t.Errorf("forecast %+v", *p)
		}
	}
	if !slices.ContainsFunc(f.Evidence, func(s string) bool {
		return strings.Contains(s, "subcooling") && strings.Contains(s, "as a low charge makes it")
	}) {
		t.Errorf("evidence %q, want the subcooling to speak for it", f.Evidence)
	}
}

// TestALeakToTheSuctionHasAForecast: once the valve is open superheat rises day by day, toward a limit that hurts.
func TestALeakToTheSuctionHasAForecast(t *testing.T) {
	r := newRig("R-32", dewline.TXV, 32)
	r.off = func(day float64) (v diagnose.Vector) {
		lost := min(max(0, day-15)*0.7, 5.4)
		v[diagnose.Subcooling], v[diagnose.OverAmbient] = -lost, -0.3*lost
		if open := day - 20; open > 0 {
			v[diagnose.Superheat], v[diagnose.SuctionDew], v[diagnose.AirSplit] = 0.5*open, -0.15*open, -0.12*open
		}
		return v
	}
	out, _ := r.run(t)
	var last *dewline.Forecast
	for i := range out.Diary {
		if f := out.Diary[i].Forecast; f != nil {
			last = f
		}
	}
	for _, f := range onMachine(out) {
		if f.Forecast != nil {
			last = f.Forecast
		}
	}
	if last == nil {
		t.Fatalf("no forecast; found\n%s", told(out.Findings))
	}
	// 8 K over what it should be is reached on day 36.
	left := dayAt(36).Sub(last.At).Hours() / 24
	if last.DaysP10 > left || last.DaysP90 < left {
		t.Errorf("%s in %.1f to %.1f days at %s, want %.1f within", last.Limit, last.DaysP10, last.DaysP90, clock(last.At), left)
	}
}

// TestWhatIsThereHasNoDay: superheat that falls toward the limit has a day; where liquid comes back already there is none to name.
func TestWhatIsThereHasNoDay(t *testing.T) {
	r := newRig("R-32", dewline.TXV, 26)
	r.off = func(day float64) diagnose.Vector {
		return diagnose.Vector{diagnose.Superheat: -0.45 * max(0, day-16)}
	}
	_, y := r.run(t)
	y.Acute.Flood.Open = false
	if f := y.forecast(dewline.Flooding); f == nil || f.DaysP50 <= 0 {
		t.Errorf("forecast %+v of superheat that falls, want a day", f)
	}
	y.Acute.Flood.Open = true
	if f := y.forecast(dewline.Flooding); f != nil {
		t.Errorf("forecast %+v while liquid comes back", *f)
	}
}

// TestAMaskedBoreIsFoundInTwoDays: a bore that is too small, and charge added until superheat was right: subcooling
// 12 K and condensing 9 K above what they should be from the first day.
func TestAMaskedBoreIsFoundInTwoDays(t *testing.T) {
	for _, full := range []bool{true, false} {
		r := newRig("R-410A", dewline.FixedOrifice, 5)
		if !full {
			r.without(dewline.ReturnAirTemp, dewline.ReturnAirRH, dewline.SupplyAirTemp, dewline.CompressorPower)
		}
		r.off = func(float64) diagnose.Vector {
			return diagnose.Vector{diagnose.Subcooling: 12, diagnose.OverAmbient: 9, diagnose.LogPower: 0.18}
		}
		out, _ := r.run(t)
		found := onMachine(out)
		if len(found) == 0 {
			t.Errorf("full set %v: nothing was found in five days", full)
			continue
		}
		f := found[0]
		if f.Detected > dayAt(2) {
			t.Errorf("full set %v: found at %s, want within two days", full, clock(f.Detected))
		}
		bore := slices.IndexFunc(f.Causes, func(c dewline.Cause) bool {
			return c.Fault == dewline.Restriction && c.Detail == "orifice_too_small"
		})
		if bore < 0 || bore > 1 {
			t.Errorf("full set %v: causes %v, want the bore in the first two", full, f.Causes)
		}
	}
}

// TestChargeIsNotJudgedInHeating: whatever subcooling and head do while a heat pump heats.
func TestChargeIsNotJudgedInHeating(t *testing.T) {
	r := newRig("R-32", dewline.TXV, 10)
	r.sys.Kind = dewline.HeatPump
	r.sys.Points = append(r.sys.Points, dewline.PointFitting{Point: dewline.OperatingMode})
	r.off = func(float64) diagnose.Vector {
		return diagnose.Vector{diagnose.Subcooling: -5.6, diagnose.Superheat: 9, diagnose.OverAmbient: 9}
	}
	for _, mode := range []dewline.Mode{dewline.ModeHeating, dewline.ModeDefrost, dewline.ModeCooling} {
		r.change = inMode(mode)
		out, y := r.run(t)
		found := onMachine(out)
		if cooling := mode == dewline.ModeCooling; (len(found) > 0) != cooling {
			t.Errorf("mode %v: found\n%s", mode, told(found))
		}
		if mode != dewline.ModeCooling && (y.Track.Evals != 0 || len(y.Track.Recent) != 0) {
			t.Errorf("mode %v: %d windows were judged", mode, y.Track.Evals)
		}
	}
	// One that does not say its mode is judged where its readings give away that it cools.
	r.change = nil
	for _, c := range []struct {
		without []dewline.Point
		judged  bool
	}{{nil, true}, {[]dewline.Point{dewline.SupplyAirTemp}, true}, {[]dewline.Point{dewline.OutdoorAirTemp}, false}} {
		if out, y := r.without(c.without...).run(t); (len(onMachine(out)) > 0) != c.judged || (y.Track.Evals > 0) != c.judged {
			t.Errorf("without a mode and %v: %d windows were judged, found\n%s", c.without, y.Track.Evals, told(onMachine(out)))
		}
	}
}

// TestLiquidComesBackInAnyMode: what a valve lets through to the compressor is a fault in heating, and where nobody
// knows the mode.
func TestLiquidComesBackInAnyMode(t *testing.T) {
	for _, metering := range []dewline.Metering{dewline.TXV, dewline.FixedOrifice} {
		for _, known := range []bool{true, false} {
			r := newRig("R-32", metering, 3)
			r.sys.Kind = dewline.HeatPump
			r.off = func(float64) diagnose.Vector { return diagnose.Vector{diagnose.Superheat: -20} }
			if known {
				r.sys.Points = append(r.sys.Points, dewline.PointFitting{Point: dewline.OperatingMode})
				r.change = inMode(dewline.ModeHeating)
			} else {
				r.without(dewline.OutdoorAirTemp, dewline.SupplyAirTemp)
			}
			out, _ := r.run(t)
			found := findingsOf(out, dewline.Flooding)
			if holds := metering.HoldsSuperheat(); (len(found) > 0) != holds {
				t.Errorf("%s, mode known %v: found\n%s", metering, known, told(onMachine(out)))
			} else if holds && (found[0].Severity != dewline.Urgent || placeOf(found[0].Causes, dewline.Overfeed) != 1) {
				t.Errorf("%s, mode known %v: %s, %v", metering, known, found[0].Severity, found[0].Causes)
			}
		}
	}
}

// TestAFixedBoreFloodsInHeatingWhereTheDischargeLineSaysSo: nothing is known of the superheat that it should give then.
func TestAFixedBoreFloodsInHeatingWhereTheDischargeLineSaysSo(t *testing.T) {
	for _, left := range []float64{4, 30} { // K of superheat at the discharge
		r := newRig("R-32", dewline.FixedOrifice, 3)
		r.sys.Kind = dewline.HeatPump
		r.sys.Points = append(r.sys.Points, dewline.PointFitting{Point: dewline.OperatingMode}, dewline.PointFitting{Point: dewline.DischargeTemp})
		r.off = func(float64) diagnose.Vector { return diagnose.Vector{diagnose.Superheat: -20} }
		r.change = func(all []dewline.Sample) []dewline.Sample {
			for _, s := range all {
				if s.Point == dewline.OutdoorAirTemp { // the rig condenses 11.2 K above it
					s.Point, s.Value = dewline.DischargeTemp, s.Value+11.2+left
					all = append(all, s)
				}
			}
			slices.SortStableFunc(all, func(a, b dewline.Sample) int { return cmp.Compare(a.At, b.At) })
			return inMode(dewline.ModeHeating)(all)
		}
		out, _ := r.run(t)
		found := findingsOf(out, dewline.Flooding)
		if wet := left < 11; (len(found) > 0) != wet || wet && found[0].Severity != dewline.Soon {
			t.Errorf("%.0f K left at the discharge: found\n%s", left, told(onMachine(out)))
		}
	}
}

// TestABoreThatFloodsFromDayOne: liquid at the compressor of a fixed orifice wherever the makers' table has superheat.
func TestABoreThatFloodsFromDayOne(t *testing.T) {
	r := newRig("R-410A", dewline.FixedOrifice, 6)
	r.off = func(float64) diagnose.Vector {
		return diagnose.Vector{diagnose.Superheat: -12, diagnose.Subcooling: -1, diagnose.SuctionDew: 0.7}
	}
	out, y := r.run(t)
	found := onMachine(out)
	if len(found) == 0 || found[0].Detected > dayAt(3) {
		t.Fatalf("found\n%s\nwant it within three days", told(found))
	}
	if last := found[len(found)-1]; last.Severity == dewline.Watch || !slices.Contains(last.Conditions, dewline.Flooding) {
		t.Errorf("found\n%s\nwant flooding that is to be acted on", told(found))
	}
	if y.Track.Model.Learned() {
		t.Error("it was learned as healthy")
	}
}

// TestLiquidForHoursIsWatchedWhateverTheWeather: where nobody measures the air inside, the makers' table may have no
// superheat for it. Liquid that comes back for most of a day's running is looked at all the same, and on that day; an hour of
// it on a hot afternoon is not told.
func TestLiquidForHoursIsWatchedWhateverTheWeather(t *testing.T) {
	for _, c := range []struct {
		name  string
		wet   func(hour float64) bool
		until float64 // day by which it is told, 0 for never
	}{
		{"all day", func(float64) bool { return true }, 0.2},
		{"every afternoon", func(hour float64) bool { return hour > 11 && hour < 17 }, 1},
		{"an hour at noon", func(hour float64) bool { return hour >= 12 && hour < 13 }, 0},
	} {
		r := newRig("R-410A", dewline.FixedOrifice, 3).without(dewline.ReturnAirTemp, dewline.ReturnAirRH, dewline.SupplyAirTemp)
		r.off = func(day float64) (v diagnose.Vector) {
			v[diagnose.Superheat] = 3
			if c.wet(24 * (day - math.Floor(day))) {
				v[diagnose.Superheat] = -20
			}
			return v
		}
		out, _ := r.run(t)
		switch found := findingsOf(out, dewline.Flooding); {
		case c.until == 0 && len(found) > 0:
			t.Errorf("%s: found\n%s", c.name, told(found))
		case c.until > 0 && (len(found) == 0 || found[0].Detected > dayAt(c.until)):
			t.Errorf("%s: found\n%s\nwant it by day %v", c.name, told(onMachine(out)), c.until)
		}
	}
}

// TestMoistWeeks: where nobody measures the moisture of the air, a dry week is no fault of the evaporator's air: it
// moves superheat, suction and split as the makers' tables and NISTIR 7350 have it.
func TestMoistWeeks(t *testing.T) {
	for _, dry := range []float64{-2.5, 2.5} { // K of wet bulb
		r := newRig("R-410A", dewline.FixedOrifice, 26).without(dewline.ReturnAirRH)
		r.off = func(day float64) (v diagnose.Vector) {
			if day > 16 {
				v[diagnose.Superheat], v[diagnose.SuctionDew], v[diagnose.AirSplit] = 1.8*dry, 0.4*dry, -0.46*dry
			}
			return v
		}
		out, _ := r.run(t)
		for _, f := range onMachine(out) {
			if f.Severity != dewline.Watch {
				t.Errorf("wet bulb %+.1f K: found\n%s", dry, told([]dewline.Finding{f}))
			}
		}
	}
}

// TestExchangedClampsAreNoFaultOfTheMachine: from one day on the suction clamp is on the liquid line and the other way
// round. Superheat and subcooling are both far too high, which looks like a blocked circuit with too much charge,
// hours before the sensors themselves are sure of it.
func TestExchangedClampsAreNoFaultOfTheMachine(t *testing.T) {
	for _, metering := range []dewline.Metering{dewline.TXV, dewline.FixedOrifice} {
		for _, days := range []float64{0, 8} {
			r := newRig("R410A", metering, 12)
			r.change = func(all []dewline.Sample) []dewline.Sample {
				for i := range all {
					s := &all[i]
					switch {
					case s.At < epoch+dewline.Millis(days*24)*hour:
					case s.Point == dewline.SuctionTemp:
						s.Point = dewline.LiquidTemp
					case s.Point == dewline.LiquidTemp:
						s.Point = dewline.SuctionTemp
					}
				}
				return all
			}
			out, _ := r.run(t)
			if found := onMachine(out); len(found) > 0 {
				t.Errorf("%s, exchanged from day %v, the machine is blamed:\n%s", metering, days, told(found))
			}
			if doubts := findingsOf(out, dewline.SensorDoubt); len(doubts) == 0 {
				t.Errorf("%s, exchanged from day %v: no sensor is in doubt", metering, days)
			}
		}
	}
}

// TestAWatchLeavesRoomForNone: and hides no second cause of weight.
func TestAWatchLeavesRoomForNone(t *testing.T) {
	list := []dewline.Cause{{Fault: dewline.Overcharge, Probability: 0.62}, {Fault: dewline.Restriction, Probability: 0.38}}
	for _, tt := range []struct {
		severity dewline.Severity
		key      string
		none     bool
	}{{dewline.Watch, machineKey, true}, {dewline.Soon, machineKey, false}, {dewline.Watch, "space", false}} {
		got := asTold(&episode{Key: tt.key, Severity: tt.severity, Causes: list}, 0.1)
		sum := 0.0
		for _, c := range got {
			sum += c.Probability
		}
		if math.Abs(sum-1) > 1e-9 || got[0].Fault != dewline.Overcharge || got[1].Fault != dewline.Restriction || (len(got) == 3) != tt.none {
			t.Errorf("%s %s: %v", tt.severity, tt.key, got)
		}
	}
	if list[0].Probability != 0.62 {
		t.Error("what is believed was changed by telling it")
	}
	few := asTold(&episode{Key: machineKey, Severity: dewline.Watch, Causes: []dewline.Cause{{Fault: dewline.Undercharge, Probability: 0.9}, {Fault: dewline.Restriction, Probability: 0.1}}}, 0.1)
	if few[0].Fault != dewline.Undercharge || few[1].Fault != dewline.NoFault {
		t.Errorf("a second cause of no weight: %v", few)
	}
	// What is far out leaves less room.
	air := episode{Key: machineKey, Severity: dewline.Watch, Causes: []dewline.Cause{{Fault: dewline.CondenserAirflow, Probability: 0.9}, {Fault: dewline.NonCondensables, Probability: 0.1}}}
	if slight, far := asTold(&air, 0.1), asTold(&air, 1e-4); slight[0].Fault != dewline.CondenserAirflow || far[0].Probability < slight[0].Probability+0.15 {
		t.Errorf("slightly out %v, far out %v", slight, far)
	}
	air.Severity, air.Causes = dewline.Soon, []dewline.Cause{{Fault: dewline.CondenserAirflow, Probability: 0.6}, {Fault: dewline.NoFault, Probability: 0.4}}
	if acting := asTold(&air, 0.1); acting[0].Fault != dewline.CondenserAirflow || acting[0].Probability < 0.75 {
		t.Errorf("to be acted on: %v", acting)
	}
	// What has lasted and is far out is surer than a moment says, unless another cause is as near.
	air.Causes = []dewline.Cause{{Fault: dewline.CondenserAirflow, Probability: 0.7}, {Fault: dewline.NonCondensables, Probability: 0.3}}
	if acting := asTold(&air, 0.01); math.Abs(acting[0].Probability-0.83) > 0.011 {
		t.Errorf("to be acted on, and lasting: %v", acting)
	}
	air.Causes = []dewline.Cause{{Fault: dewline.EvaporatorAirflow, Probability: 0.4}, {Fault: dewline.DefrostFault, Probability: 0.4}, {Fault: dewline.Overcharge, Probability: 0.2}}
	if acting := asTold(&air, 0.01); acting[0].Probability != 0.4 || acting[1].Probability != 0.4 {
		t.Errorf("two that are as near: %v", acting)
	}
}

// TestBlend: a limit that is passed has its usual reasons, and those of them that the windows speak for count more.
func TestBlend(t *testing.T) {
	usual := usualCauses(dewline.Flooding, dewline.TXV)
	got := blend([]dewline.Cause{{Fault: dewline.NoFault, Probability: 0.7}, {Fault: dewline.EvaporatorAirflow, Probability: 0.2}, {Fault: dewline.Undercharge, Probability: 0.1}}, usual)
	if got[0].Fault != dewline.EvaporatorAirflow || placeOf(got, dewline.Undercharge) != 0 || placeOf(got, dewline.Overfeed) != 2 {
		t.Errorf("%v, want the evaporator's air first and no low charge, which floods nothing", got)
	}
	if again := usualCauses(dewline.Flooding, dewline.TXV); !slices.Equal(again, usual) {
		t.Errorf("the usual causes were changed: %v", again)
	}
	if c := usualCauses(dewline.Flooding, dewline.Capillary); c[0].Fault != dewline.Overcharge {
		t.Errorf("of a capillary: %v, want too much charge first", c)
	}
}

// inMode has a machine say that it works in a mode while it runs.
func inMode(mode dewline.Mode) func([]dewline.Sample) []dewline.Sample {
	return func(all []dewline.Sample) []dewline.Sample {
		var out []dewline.Sample
		for _, s := range all {
			out = append(out, s)
			if s.Point == dewline.CompressorOn {
				m := float64(dewline.ModeOff)
				if s.Value != 0 {
					m = float64(mode)
				}
				out = append(out, dewline.Sample{System: s.System, Point: dewline.OperatingMode, At: s.At, Value: m})
			}
		}
		return out
	}
}

// TestWhatWasSaidStandsAfterTheRepair: the windows after it show a good machine, and say nothing of what it had.
func TestWhatWasSaidStandsAfterTheRepair(t *testing.T) {
	r := newRig("R-410A", dewline.TXV, 14)
	const fault, repair = 8, 10.03
	r.off = func(day float64) (v diagnose.Vector) {
		if day > fault && day < repair+0.003 { // the last liquid comes back while the visit is closed
			v[diagnose.Superheat], v[diagnose.Subcooling], v[diagnose.SuctionDew] = -9, -3, 0.8
		}
		return v
	}
	r.events = []dewline.Event{{System: rigID, Kind: dewline.Serviced, At: dayAt(repair)}}
	out, _ := r.run(t)
	found := findingsOf(out, dewline.Flooding)
	if len(found) == 0 {
		t.Fatal("nothing was found")
	}
	for _, f := range found {
		if f.Detected != found[0].Detected || f.Causes[0].Fault != dewline.Overfeed {
			t.Errorf("found\n%s", told(found))
		}
	}
	if found[len(found)-1].Cleared == 0 {
		t.Errorf("it is not over four days after the repair:\n%s", told(found))
	}
}

// TestAGatewayThatIsStillAsking: a pressure of now and a clamp of a minute ago make no superheat; what is read at one time,
// or by sensors that each have a time of their own, is judged.
func TestAGatewayThatIsStillAsking(t *testing.T) {
	circuit := []dewline.Point{dewline.SuctionPressure, dewline.LiquidPressure, dewline.SuctionTemp, dewline.LiquidTemp}
	for _, c := range []struct {
		name         string
		apart        dewline.Millis
		judged, more int // of forty frames, from and to
	}{{"at one time", 0, 10, 10}, {"in turn", 3_000, 10, 10}, {"spread", 15_000, 6, 40}} {
		y := newSystem(Options{})
		y.stated = time.Minute
		judged := 0
		for cycle := range dewline.Millis(20) {
			for i, p := range circuit {
				at := epoch + cycle*minute + dewline.Millis(i)*c.apart
				y.Frame.Set(p, at, 1)
				if c.apart == 0 && i < len(circuit)-1 {
					continue
				}
				if !y.asking(at) {
					y.Judged = at
					if cycle >= 10 {
						judged++
						if c.apart == 3_000 && p != dewline.LiquidTemp {
							t.Errorf("%s: judged when %v had answered", c.name, p)
						}
					}
				}
			}
		}
		if judged < c.judged || judged > c.more {
			t.Errorf("%s: %d frames of ten cycles were judged, want %d to %d", c.name, judged, c.judged, c.more)
		}
	}
}

// TestAGrossErrorIsASensor: no machine is that far out on one side alone. What the windows speak for is not over
// because the sensor does not give itself away.
func TestAGrossErrorIsASensor(t *testing.T) {
	r := newRig("R-410A", dewline.TXV, 12).without(dewline.CompressorPower)
	r.change = func(all []dewline.Sample) []dewline.Sample {
		for i := range all {
			if s := &all[i]; s.Point == dewline.LiquidPressure && s.At >= dayAt(8) {
				s.Value += 1_500_000
			}
		}
		return all
	}
	out, _ := r.run(t)
	found := findingsOf(out, dewline.SensorDoubt)
	if len(found) == 0 || found[0].Causes[0].Detail != "liquid_pressure" || found[len(found)-1].Cleared != 0 || len(onMachine(out)) > 0 {
		t.Errorf("found\n%s", told(out.Findings))
	}
}

// TestSensorsThatAreAskedOneAfterAnother: a gateway may give each reading its own time. The times between frames are then
// no sampling interval, and readings of five minutes ago stand for now.
func TestSensorsThatAreAskedOneAfterAnother(t *testing.T) {
	for _, stated := range []bool{true, false} {
		at := func(apart dewline.Millis) (Output, *system) {
			r := newRig("R-410A", dewline.TXV, 12)
			r.off = func(day float64) (v diagnose.Vector) {
				if day > 8 {
					v[diagnose.Superheat], v[diagnose.Subcooling] = -7, -1
				}
				return v
			}
			for i := range r.sys.Points {
				if stated {
					r.sys.Points[i].Sampling = dewline.Sampling{Kind: dewline.SampledInstant, Interval: 5 * time.Minute}
				}
			}
			r.change = func(all []dewline.Sample) []dewline.Sample {
				for i := range all {
					all[i].At += apart * dewline.Millis(all[i].Point)
				}
				slices.SortStableFunc(all, func(a, b dewline.Sample) int { return int(a.At - b.At) })
				return all
			}
			return r.run(t)
		}
		_, together := at(0)
		out, apart := at(3_000)
		if a, b := together.Track.Evals, apart.Track.Evals; b < a*9/10 || b > a*11/10 {
			t.Errorf("stated %v: %d windows were judged of readings 3 s apart, %d of those at one time", stated, b, a)
		}
		if d := apart.interval(); d != 5*time.Minute {
			t.Errorf("stated %v: the interval is %v", stated, d)
		}
		if found := findingsOf(out, dewline.Flooding); len(found) == 0 || found[0].Detected > dayAt(9) {
			t.Errorf("stated %v: found\n%s", stated, told(onMachine(out)))
		}
	}
}

// TestAPressureThatStandsStillIsNoRunningMachine: where only the pressures tell whether it runs, one that is stuck makes a machine
// run for ever, with the superheat of standing gas.
func TestAPressureThatStandsStillIsNoRunningMachine(t *testing.T) {
	r := newRig("R-410A", dewline.TXV, 18).without(dewline.CompressorOn, dewline.CompressorPower, dewline.SupplyAirTemp)
	stuck := 0.0
	r.change = func(all []dewline.Sample) []dewline.Sample {
		for i := range all {
			if s := &all[i]; s.Point == dewline.LiquidPressure && s.At > dayAt(14.5) {
				if stuck == 0 && s.Value > 2e6 { // while it runs
					stuck = s.Value
				}
				if stuck != 0 {
					s.Value = stuck
				}
			}
		}
		return all
	}
	out, _ := r.run(t)
	if found := onMachine(out); len(found) > 0 {
		t.Errorf("found\n%s\nwant nothing of the machine", told(found))
	}
	if found := findingsOf(out, dewline.SensorDoubt); len(found) == 0 || found[0].Causes[0].Detail != dewline.LiquidPressure.String() {
		t.Errorf("found\n%s\nwant the liquid pressure", told(found))
	}
}

// TestCurrentStandsForPower: where a clamp-on current is all that is measured of the motor, it tells too much charge, which makes
// the machine work harder, from a liquid pressure that reads high, and the evidence says what was measured.
func TestCurrentStandsForPower(t *testing.T) {
	for _, over := range []bool{true, false} {
		r := newRig("R-410A", dewline.TXV, 26).without(dewline.CompressorPower)
		r.sys.Points = append(r.sys.Points, dewline.PointFitting{Point: dewline.CompressorCurrent, StatedAccuracy: 0.3})
		slices.SortFunc(r.sys.Points, func(a, b dewline.PointFitting) int { return int(a.Point) - int(b.Point) })
		const off, perK = 4.5, 63_000 // K; Pa/K at the middle of what it condenses at
		r.off = func(day float64) (v diagnose.Vector) {
			if over && day > 18 {
				v[diagnose.Subcooling], v[diagnose.OverAmbient], v[diagnose.LogPower] = off, off, 0.12
			}
			return v
		}
		r.change = func(all []dewline.Sample) []dewline.Sample {
			for i := range all {
				if s := &all[i]; !over && s.Point == dewline.LiquidPressure && s.At > dayAt(18) {
					s.Value += off * perK
				}
			}
			return all
		}
		_, y := r.run(t)
		cause := y.Track.Causes[0]
		switch said := strings.Join(diagnose.Evidence(y.Track.frame(), &y.Track.Top, true), "; "); {
		case over && (cause.Fault != dewline.Overcharge && cause.Fault != dewline.NonCondensables || !strings.Contains(said, "compressor current")):
			t.Errorf("too much charge: %v, %s", y.Track.Causes, said)
		case !over && (cause.Fault != dewline.SensorFault || cause.Detail != dewline.LiquidPressure.String() || cause.Probability < 0.8):
			t.Errorf("a liquid pressure: %v, %s", y.Track.Causes, said)
		}
	}
}

// TestAGrossErrorOfAPressureMovesTheDischarge: the discharge superheat that goes with wrong pressures is that of the machine for them,
// also far from where they are right.
func TestAGrossErrorOfAPressureMovesTheDischarge(t *testing.T) {
	for _, c := range []struct {
		refrigerant string
		kPa         float64
	}{{"R-410A", -700}, {"R-410A", 500}, {"R-134a", -250}, {"R-134a", 300}} {
		_, y := newRig(c.refrigerant, dewline.TXV, 1).run(t)
		m := y.machine
		right := y.Track.Recent[0]
		for _, s := range []diagnose.Symptom{diagnose.Superheat, diagnose.Subcooling, diagnose.SuctionDew, diagnose.OverAmbient} {
			right.Y[s], right.Has[s] = float32(y.expected(s, &right)), true
		}
		dew, condensing, ok := m.Saturations(float64(right.Suction), float64(right.High))
		highDew, _, _ := m.Saturations(float64(right.High), float64(right.High))
		usual, ok2 := m.DischargeSuperheatAt(dew, condensing, float64(right.Y[diagnose.Superheat]))
		if !ok || !ok2 {
			t.Fatal("a usual machine has no discharge superheat")
		}
		for _, p := range []dewline.Point{dewline.LiquidPressure, dewline.SuctionPressure} {
			wrong := right
			var moved, excess float64 // what the error does, K
			if p == dewline.LiquidPressure {
				wrong.High += float32(1000 * c.kPa)
				_, k, _ := m.Saturations(float64(right.Suction), float64(wrong.High))
				nowDew, _, _ := m.Saturations(float64(wrong.High), float64(wrong.High))
				moved = k - condensing
				wrong.Y[diagnose.OverAmbient] += float32(moved)
				now, _ := m.DischargeSuperheatAt(dew, k, float64(right.Y[diagnose.Superheat]))
				excess = highDew - nowDew - (now - usual)
			} else {
				wrong.Suction += float32(300 * c.kPa)
				k, _, _ := m.Saturations(float64(wrong.Suction), float64(right.High))
				moved = k - dew
				wrong.Y[diagnose.SuctionDew] += float32(moved)
				wrong.Y[diagnose.Superheat] -= float32(moved)
				now, _ := m.DischargeSuperheatAt(k, condensing, float64(wrong.Y[diagnose.Superheat]))
				excess = usual - now
			}
			for _, s := range y.sensors(&wrong) {
				along := s.Direction[diagnose.OverAmbient]
				if p == dewline.SuctionPressure {
					along = s.Direction[diagnose.SuctionDew]
				}
				if s.Point != p {
					continue
				}
				if got := s.Direction[diagnose.DischargeExcess] * moved / along; math.Abs(got-excess) > 0.8 {
					t.Errorf("%s, %s wrong by %.1f K: its direction has %.1f K of discharge excess, and the machine %.1f", c.refrigerant, p, moved, got, excess)
				}
			}
		}
	}
}

// TestAHumiditySensorThatDrifts: the superheat that a fixed bore should have goes by the humidity, so that a sensor of it that
// reads too much makes a good machine look as if it had too little air, which does the same to all that is measured.
func TestAHumiditySensorThatDrifts(t *testing.T) {
	r := newRig("R-410A", dewline.FixedOrifice, 26)
	r.change = func(all []dewline.Sample) []dewline.Sample {
		for i := range all {
			if s := &all[i]; s.Point == dewline.ReturnAirRH && s.At > dayAt(18) {
				s.Value += 22
			}
		}
		return all
	}
	_, y := r.run(t)
	if c := y.Track.Causes; len(c) < 2 || c[0].Detail != dewline.ReturnAirRH.String() && c[1].Detail != dewline.ReturnAirRH.String() {
		t.Errorf("causes %v, want the sensor of the humidity among the first two", c)
	}
}

// TestWhatIsPlainNeedsNoThirdWindow: a coil that is all but closed at once is told with the second window that shows it.
func TestWhatIsPlainNeedsNoThirdWindow(t *testing.T) {
	r := newRig("R-410A", dewline.TXV, 19)
	r.off = func(day float64) (v diagnose.Vector) {
		if day >= 18 {
			v = diagnose.Vector{diagnose.Superheat: -2, diagnose.SuctionDew: -9, diagnose.OverAmbient: -1.8, diagnose.AirSplit: 12, diagnose.LogPower: -0.065}
		}
		return v
	}
	out, _ := r.run(t)
	found := onMachine(out)
	if len(found) == 0 || found[0].Detected < dayAt(18) || found[0].Detected > dayAt(18)+80*minute || placeOf(found[0].Causes, dewline.EvaporatorAirflow) != 1 {
		t.Errorf("found\n%s\nwant too little air by 01:20 of the nineteenth day", told(found))
	}
}

// TestAPullDownIsNoFault: warm goods take a cold room as far out, for as long as it takes to cool them.
func TestAPullDownIsNoFault(t *testing.T) {
	r := coldRoom(19).withSignals(func(float64) (float64, bool, bool, bool) { return 3, false, false, false })
	r.off = func(day float64) (v diagnose.Vector) {
		if day >= 18 && day < 18.055 {
			v[diagnose.Superheat], v[diagnose.SuctionDew], v[diagnose.Subcooling] = 14, -14, -5
		}
		return v
	}
	out, _ := r.run(t)
	if found := onMachine(out); len(found) != 0 {
		t.Errorf("found\n%s", told(found))
	}
}

// TestAMachineIsBlamedAfterThreeWindows: of which each speaks for the machine; one between many that speak for a wrong sensor
// is wind or sun on the condenser.
func TestAMachineIsBlamedAfterThreeWindows(t *testing.T) {
	r := newRig("R-410A", dewline.FixedOrifice, 2)
	_, y := r.run(t)
	e := newTestEngine(t, r.fleet())
	at := dayAt(2)
	window := func(sensor bool) int {
		at += 30 * minute
		tr := &y.Track
		tr.Sensor, tr.NoFault = sensor, 0.1
		tr.Causes = []dewline.Cause{{Fault: dewline.Undercharge, Probability: 0.9}, {Fault: dewline.NoFault, Probability: 0.1}}
		tr.Top = diagnose.Weighed{Cause: diagnose.Cause{Fault: dewline.Undercharge}, Probability: 0.9, Start: 1}
		if sensor {
			tr.Causes[0] = dewline.Cause{Fault: dewline.SensorFault, Detail: dewline.LiquidTemp.String(), Probability: 0.9}
			tr.Top.Cause = diagnose.Cause{Fault: dewline.SensorFault, Detail: dewline.LiquidTemp.String(), Point: dewline.LiquidTemp}
		}
		y.smooth(at, 2.2)
		y.belief(e, at)
		return len(y.Episodes)
	}
	for i, sensor := range []bool{true, true, true, true, false, true, true, false, false} {
		if n := window(sensor); n != 0 {
			t.Fatalf("window %d: %d episodes", i+1, n)
		}
	}
	if n := window(false); n != 1 || y.Episodes[0].Key != machineKey {
		t.Errorf("after the third in a row: %d episodes", n)
	}
}

// TestWhatMayBeASensorWaits: where a wrong sensor is not much less likely than a fault that hurts nobody yet, time tells; five
// days of it are enough.
func TestWhatMayBeASensorWaits(t *testing.T) {
	r := newRig("R-410A", dewline.FixedOrifice, 16)
	_, y := r.run(t)
	e := newTestEngine(t, r.fleet())
	begin := dayAt(16)
	for at := begin; at < begin+6*24*hour; at += 30 * minute {
		tr := &y.Track
		tr.Either, tr.NoFault = true, 0.1
		tr.Causes = []dewline.Cause{{Fault: dewline.Undercharge, Probability: 0.6}, {Fault: dewline.SensorFault, Detail: dewline.LiquidTemp.String(), Probability: 0.3}, {Fault: dewline.NoFault, Probability: 0.1}}
		tr.Top = diagnose.Weighed{Cause: diagnose.Cause{Fault: dewline.Undercharge}, Probability: 0.6, Start: 1}
		y.smooth(at, 2.2)
		y.belief(e, at)
		if told, waited := len(y.Episodes) > 0, at-begin; told != (waited >= 5*24*hour) {
			t.Fatalf("after %v: told %v", waited, told)
		}
	}
}

// TestASensorThatIsToldOfIsLookedAtFirst: while an alert is open about a sensor that may be the cause, the machine is not blamed for
// what may be the same, until many windows in a row have done so; or for ten days, where the sensor is not much less likely.
func TestASensorThatIsToldOfIsLookedAtFirst(t *testing.T) {
	for _, either := range []bool{false, true} {
		looksAtTheSensorFirst(t, either)
	}
}

func looksAtTheSensorFirst(t *testing.T, either bool) {
	t.Helper()
	r := newRig("R-410A", dewline.FixedOrifice, 16)
	_, y := r.run(t)
	e := newTestEngine(t, r.fleet())
	at := dayAt(16)
	clamp := dewline.LiquidTemp.String()
	y.raise(e, sensorPrefix+clamp, dewline.SensorDoubt, dewline.Watch, at, at, "")
	windows, every := 36, 30*minute
	if either {
		windows, every = 41, 6*hour
	}
	for n := 1; n <= windows+4; n++ {
		at += every
		tr := &y.Track
		tr.Either, tr.NoFault = either, 0.0001 // beyond doubt
		tr.Causes = []dewline.Cause{{Fault: dewline.Undercharge, Probability: 0.85}, {Fault: dewline.SensorFault, Detail: clamp, Probability: 0.15}}
		tr.Top = diagnose.Weighed{Cause: diagnose.Cause{Fault: dewline.Undercharge}, Probability: 0.85, Start: 1}
		y.smooth(at, 7)
		y.belief(e, at)
		if blamed := y.open(machineKey) != nil; blamed != (n >= windows) {
			t.Fatalf("after %d windows: blamed %v", n, blamed)
		}
	}
}

// TestWhatBefallsAMachineThatIsLookedAt: a valve that hunts for weeks is not learned away from, and what comes about after a while of
// it is another cause with an alert of its own; what comes about with it may be what made it hunt. A limit that was passed a day before may be
// the first sign of it.
func TestWhatBefallsAMachineThatIsLookedAt(t *testing.T) {
	for _, c := range []struct {
		first dewline.Condition
		after dewline.Millis
		own   bool
	}{{dewline.Hunting, hour / 2, false}, {dewline.Hunting, 24 * hour, true}, {dewline.HotDischarge, 24 * hour, false}, {dewline.HotDischarge, 7 * 24 * hour, true}} {
		name := fmt.Sprintf("%s, %v later", c.first, time.Duration(c.after)*time.Millisecond)
		r := newRig("R-410A", dewline.TXV, 16)
		_, y := r.run(t)
		e := newTestEngine(t, r.fleet())
		begin := dayAt(16)
		y.Track.Causes = []dewline.Cause{{Fault: dewline.NoFault, Probability: 1}}
		y.pass(e, c.first, dewline.Watch, begin, begin, "told")
		if len(y.Episodes) != 1 || y.Episodes[0].Key != unblamedKey || !y.healthy() {
			t.Fatalf("%s: %+v, learned from: %v", name, y.Episodes, y.healthy())
		}
		at := begin + c.after
		for range 6 {
			tr := &y.Track
			tr.HasLearn, tr.NoFault = true, 0.01
			tr.Causes = []dewline.Cause{{Fault: dewline.CompressorLeakage, Probability: 0.99}, {Fault: dewline.NoFault, Probability: 0.01}}
			tr.Top = diagnose.Weighed{Cause: diagnose.Cause{Fault: dewline.CompressorLeakage}, Probability: 0.99}
			tr.Charts[diagnose.SuctionDew].FastSignal = 1
			y.smooth(at, 5)
			y.belief(e, at)
			at += 30 * minute
		}
		ep, looked := y.open(machineKey), y.open(unblamedKey)
		switch {
		case ep == nil || len(ep.Causes) == 0 || ep.Causes[0].Fault != dewline.CompressorLeakage:
			t.Errorf("%s: %+v, want the compressor's alert", name, ep)
		case c.own && (looked == nil || ep.Onset < begin+c.after || slices.Contains(ep.Conditions, c.first)):
			t.Errorf("%s: of what was first %+v, of the compressor %+v; want an alert of each", name, looked, ep)
		case !c.own && (looked != nil || ep.Onset != begin || !slices.Contains(ep.Conditions, c.first)):
			t.Errorf("%s: of what was first %+v, of the compressor %+v; want one alert", name, looked, ep)
		}
		if c.own {
			y.lower(e, machineKey, ep.Conditions[0], at)
			y.Track.Sensor = true
			y.Track.Top = diagnose.Weighed{Cause: diagnose.Cause{Fault: dewline.SensorFault, Detail: dewline.SuctionPressure.String(), Point: dewline.SuctionPressure}, Probability: 0.9}
			y.suspectSensor(e, at+48*hour)
			if y.open(sensorKey(dewline.SuctionPressure)) == nil {
				t.Errorf("a sensor is not told of %s: %+v", name, y.Episodes)
			}
			continue
		}
		y.respect(e, c.first, at)
		if looked = y.open(unblamedKey); looked != nil || y.open(machineKey) == nil {
			t.Errorf("%s: after that %+v", name, y.Episodes)
		}
	}
}

// TestAMachineThatFloodsAndThenStarves: nothing is learned of it while liquid comes back, though it may be a good one in hot weather;
// and what dries its coil has not made it flood.
func TestAMachineThatFloodsAndThenStarves(t *testing.T) {
	r := newRig("R-410A", dewline.FixedOrifice, 16)
	_, y := r.run(t)
	e := newTestEngine(t, r.fleet())
	at := dayAt(16)
	if !y.healthy() {
		t.Fatal("a good machine is not learned from")
	}
	y.Acute.Flood.Open, y.Acute.Flood.Told = true, true
	y.pass(e, dewline.Flooding, dewline.Watch, at, at, "superheat 1 K")
	if len(y.Episodes) != 1 || y.Episodes[0].Key != unblamedKey || y.healthy() {
		t.Fatalf("%+v, learned from: %v", y.Episodes, y.healthy())
	}
	for range 4 {
		tr := &y.Track
		tr.NoFault = 0.01
		tr.Causes = []dewline.Cause{{Fault: dewline.Restriction, Probability: 0.99}, {Fault: dewline.NoFault, Probability: 0.01}}
		tr.Top = diagnose.Weighed{Cause: diagnose.Cause{Fault: dewline.Restriction}, Probability: 0.99, Start: 1}
		tr.Absolute.Has[diagnose.Superheat], tr.Absolute.Mean[diagnose.Superheat], tr.Absolute.Cov[diagnose.Superheat][diagnose.Superheat] = true, 9, 4
		y.smooth(at, 5)
		y.belief(e, at)
		at += 10 * minute
	}
	if ep := y.open(machineKey); y.open(unblamedKey) == nil || ep == nil || slices.Contains(ep.Conditions, dewline.Flooding) || !slices.Contains(ep.Conditions, dewline.Starving) {
		t.Errorf("%+v, want an alert of each", y.Episodes)
	}
}

// TestOneStrangeWindowDoesNotTurnAnAlert: its causes are those of several windows, each fault with its likeliest detail.
func TestOneStrangeWindowDoesNotTurnAnAlert(t *testing.T) {
	const drier, plugged = "drier", "plugged"
	ep := episode{Weighed: []dewline.Cause{{Fault: dewline.Restriction, Detail: drier, Probability: 0.9}, {Fault: dewline.NoFault, Probability: 0.1}}}
	strange := []dewline.Cause{{Fault: dewline.Undercharge, Probability: 0.95}, {Fault: dewline.Restriction, Detail: plugged, Probability: 0.05}}
	for n := 1; n <= 6; n++ {
		ep.weigh(strange)
		list := ep.likeliest()
		total := 0.0
		for _, c := range list {
			total += c.Probability
		}
		if math.Abs(total-1) > 1e-9 {
			t.Errorf("%v sum to %v", list, total)
		}
		if turned := list[0].Fault == dewline.Undercharge; turned != (n >= 4) {
			t.Errorf("after %d windows: %v", n, list)
		}
		if i := placeOf(list, dewline.Restriction) - 1; i < 0 || list[i].Detail != drier {
			t.Errorf("after %d windows: %v, want the drier among them", n, list)
		}
	}
}

// TestAnAlertKeepsUpWithItsMachine: what was told of a leak in its first days is told anew while it grows, and that its limit is
// reached when it is.
func TestAnAlertKeepsUpWithItsMachine(t *testing.T) {
	r := newRig("R-410A", dewline.FixedOrifice, 32)
	r.off = func(day float64) (v diagnose.Vector) {
		if by := day - 16; by > 0 {
			v[diagnose.Superheat], v[diagnose.Subcooling], v[diagnose.SuctionDew], v[diagnose.OverAmbient] = min(1.1*by, 16), max(-0.35*by, -5), -0.45*by, -0.25*by
		}
		return v
	}
	out, _ := r.run(t)
	found := onMachine(out)
	if len(found) == 0 {
		t.Fatal("nothing found")
	}
	last := found[len(found)-1]
	if last.At < dayAt(25) || last.Forecast == nil || last.Forecast.DaysP50 != 0 {
		t.Errorf("told last on %s with forecast %+v, want that the limit is reached\n%s", clock(last.At), last.Forecast, told(found))
	}
	if len(found) > 16 {
		t.Errorf("told %d times in as many days", len(found))
	}
}

// TestAnAlertOfTheMachineTurnsToItsSensor: where the windows speak for a wrong sensor from some time on, and it reads otherwise at
// rest too, the open alert says so, and does not blame the machine for ever. The windows alone take far longer to overturn it.
func TestAnAlertOfTheMachineTurnsToItsSensor(t *testing.T) {
	for _, shows := range []bool{true, false} {
		turnsToItsSensor(t, shows)
	}
}

func turnsToItsSensor(t *testing.T, shows bool) {
	t.Helper()
	r := newRig("R-410A", dewline.FixedOrifice, 2)
	_, y := r.run(t)
	e := newTestEngine(t, r.fleet())
	at := dayAt(2)
	window := func(c dewline.Cause, p dewline.Point) {
		at += 30 * minute
		tr := &y.Track
		tr.Sensor, tr.NoFault = p != 0, 0.1
		tr.Causes = []dewline.Cause{c, {Fault: dewline.NoFault, Probability: 0.1}}
		tr.Top = diagnose.Weighed{Cause: diagnose.Cause{Fault: c.Fault, Detail: c.Detail, Point: p}, Probability: 0.9, Start: 1}
		y.smooth(at, 2.2)
		y.belief(e, at)
	}
	for range 3 {
		window(dewline.Cause{Fault: dewline.Undercharge, Probability: 0.9}, 0)
	}
	if len(y.Episodes) != 1 || y.Episodes[0].Causes[0].Fault != dewline.Undercharge {
		t.Fatalf("%d episodes, want one of a low charge", len(y.Episodes))
	}
	clamp := dewline.Cause{Fault: dewline.SensorFault, Detail: dewline.LiquidTemp.String(), Probability: 0.9}
	y.directions = []diagnose.Sensor{{Point: dewline.LiquidTemp}}
	takes := 6
	if shows {
		y.directions[0].Moved, y.directions[0].MovedU = 4, 0.9
	} else {
		for range 30 {
			window(clamp, dewline.LiquidTemp)
		}
		if len(y.Episodes) != 1 || y.Episodes[0].Causes[0].Fault != dewline.Undercharge {
			t.Errorf("by 30 windows alone the alert says %v", y.Episodes[0].Causes)
		}
		takes = 12
	}
	for range takes {
		window(clamp, dewline.LiquidTemp)
	}
	if len(y.Episodes) != 1 || y.Episodes[0].Key != machineKey || y.Episodes[0].Causes[0].Fault != dewline.SensorFault {
		t.Errorf("after the windows that speak for a sensor, which shows itself: %v, the alert says %v", shows, y.Episodes[0].Causes)
	}
}

// TestDischargeIsComparedWithNoLessThanNoSuperheat: so a clamp that reads lower still makes the discharge look no hotter.
func TestDischargeIsComparedWithNoLessThanNoSuperheat(t *testing.T) {
	r := newRig("R-410A", dewline.TXV, 12)
	_, y := r.run(t)
	w := y.Track.Recent[len(y.Track.Recent)-1]
	usual := y.superheat(&w)
	hotter := func(superheat float64) float64 {
		w.Y[diagnose.Superheat] = float32(superheat)
		for _, s := range y.sensors(&w) {
			if s.Point == dewline.SuctionTemp {
				return -(superheat - usual) * -s.Direction[diagnose.DischargeExcess]
			}
		}
		return math.NaN()
	}
	if one, none, below := hotter(1), hotter(0), hotter(-5); !(one > 3 && none > one) || math.Abs(below-none) > 0.01 {
		t.Errorf("a clamp that shows 1, 0 and -5 K makes the discharge look %.1f, %.1f and %.1f K hotter", one, none, below)
	}
}

// TestAMachineWhosePressureFallsSilentDoesNotRunForEver: where only the pressures tell that it runs, and one is no longer heard,
// nobody knows; what it reads while it stands is no liquid at the compressor.
func TestAMachineWhosePressureFallsSilentDoesNotRunForEver(t *testing.T) {
	r := newRig("R-410A", dewline.FixedOrifice, 20).without(dewline.CompressorOn, dewline.CompressorPower, dewline.ReturnAirTemp, dewline.ReturnAirRH, dewline.SupplyAirTemp)
	r.change = func(all []dewline.Sample) []dewline.Sample {
		return slices.DeleteFunc(all, func(s dewline.Sample) bool { return s.Point == dewline.LiquidPressure && s.At > dayAt(14.2) })
	}
	out, y := r.run(t)
	if y.Operate.On || y.Operate.Known {
		t.Errorf("it is said to run: %v, known: %v", y.Operate.On, y.Operate.Known)
	}
	if found := onMachine(out); len(found) != 0 {
		t.Errorf("found\n%s", told(found))
	}
}
