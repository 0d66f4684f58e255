package analytics

import (
	"testing"
	"time"

	"dewline"
	"dewline/analytics/cycle"
)

func TestStartsAndStops(t *testing.T) {
	const longest = 10 * minute
	var o operation
	at := func(min int) dewline.Millis { return epoch + dewline.Millis(min)*minute }
	run := func(from, to int, on bool) (began, ended int) {
		for m := from; m < to; m += 5 {
			b, e := o.step(at(m), on, true, dewline.ModeCooling, longest)
			if b {
				began++
			}
			if e {
				ended++
			}
		}
		return began, ended
	}
	if b, _ := run(0, 20, false); b != 0 || o.On {
		t.Errorf("it stands: %d starts, on %v", b, o.On)
	}
	for k := range 5 { // five runs of 20 minutes, 20 apart
		if b, _ := run(20+40*k, 40+40*k, true); b != 1 || !o.On || o.Since != at(20+40*k) {
			t.Errorf("run %d: %d starts, on %v since %s", k, b, o.On, clock(o.Since))
		}
		if _, e := run(40+40*k, 60+40*k, false); e != 1 || o.On {
			t.Errorf("run %d: %d ends, on %v", k, e, o.On)
		}
	}
	if n := o.startsWithin(at(215), time.Hour); n != 1 {
		t.Errorf("%d starts in the last hour, want 1 (at 03:00)", n)
	}
	if n := o.startsWithin(at(215), 24*time.Hour); n != 5 {
		t.Errorf("%d starts today, want 5", n)
	}
	if d := o.usualRun(); d != 20*time.Minute {
		t.Errorf("a run usually lasts %v, want 20m", d)
	}
	if o.RunToday != 5*15*minute { // what lies between two frames of the same run
		t.Errorf("it ran for %d min, want 75", o.RunToday/minute)
	}
}

func TestARunIsNotSeenThroughAGap(t *testing.T) {
	const longest = 10 * minute
	var o operation
	for m := range 31 {
		o.step(epoch+dewline.Millis(m)*minute, true, true, dewline.ModeCooling, longest)
	}
	back := epoch + 90*minute
	began, ended := o.step(back, true, true, dewline.ModeCooling, longest)
	if !began || !ended || o.Since != back {
		t.Errorf("after an hour without readings: began %v, ended %v, since %s", began, ended, clock(o.Since))
	}
	if n := o.startsWithin(back, 24*time.Hour); n != 0 {
		t.Errorf("%d starts were counted: none was seen", n)
	}
	if o.RunToday != 30*minute || o.NRuns != 0 {
		t.Errorf("%d min and %d runs were counted of what was not seen", o.RunToday/minute, o.NRuns)
	}
}

func TestAChangeOfModeBeginsARunAnew(t *testing.T) {
	var o operation
	o.step(epoch, true, true, dewline.ModeHeating, hour)
	o.step(epoch+30*minute, true, true, dewline.ModeHeating, hour)
	began, ended := o.step(epoch+40*minute, true, true, dewline.ModeDefrost, hour)
	if !began || !ended || o.Since != epoch+40*minute {
		t.Errorf("defrost: began %v, ended %v, since %s", began, ended, clock(o.Since))
	}
	if o.startsWithin(epoch+40*minute, time.Hour) != 0 {
		t.Error("a defrost was counted as a start")
	}
}

// TestRunningIsTheSameWithAndWithoutItsStatus: from the compressor's own signal, from its power, or from the
// pressures alone.
func TestRunningIsTheSameWithAndWithoutItsStatus(t *testing.T) {
	var runs, hours []float64
	for _, points := range [][]dewline.Point{{}, {dewline.CompressorOn}, {dewline.CompressorOn, dewline.CompressorPower}} {
		r := newRig("R-32", dewline.TXV, 2).without(points...)
		out, _ := r.run(t)
		runs, hours = append(runs, float64(out.Diary[1].Runs)), append(hours, out.Diary[1].RunHours)
	}
	for i := range runs {
		if runs[i] != 12 || hours[i] < 14.5 || hours[i] > 16 { // every two hours for 80 minutes
			t.Errorf("points taken away %d: %.0f runs and %.1f h, want 12 and 15", i, runs[i], hours[i])
		}
	}
}

// TestAPumpedDownMachineStands: a closed valve keeps the pressures apart; the condenser comes down to its air.
func TestAPumpedDownMachineStands(t *testing.T) {
	r := newRig("R-134a", dewline.TXV, 1).without(dewline.CompressorOn, dewline.CompressorPower)
	r.sys.Kind, r.sys.PumpDown = dewline.WalkInCooler, true
	r.change = func(all []dewline.Sample) []dewline.Sample {
		for i := range all {
			if s := &all[i]; s.At.Sub(epoch)%(2*time.Hour) >= 80*time.Minute { // it stands
				switch s.Point {
				case dewline.SuctionPressure:
					s.Value = 30_000
				case dewline.LiquidPressure:
					s.Value = pressureAt(t, "R-134a", 27, false) - 101_325
				case dewline.OutdoorAirTemp:
					s.Value = 26
				}
			}
		}
		return all
	}
	out, _ := r.run(t)
	if d := out.Diary[0]; d.Runs < 11 || d.Runs > 12 || d.RunHours > 16 {
		t.Errorf("%d runs and %.1f h, want 12 and 15", d.Runs, d.RunHours)
	}
}

func TestNotKnownIsNotRunning(t *testing.T) {
	r := newRig("R-32", dewline.TXV, 1).without(dewline.CompressorOn, dewline.CompressorPower, dewline.LiquidPressure)
	out, y := r.run(t)
	if y.Operate.On || y.Operate.Known || out.Diary[0].Runs != 0 {
		t.Errorf("on %v, known %v, %d runs with a suction pressure alone", y.Operate.On, y.Operate.Known, out.Diary[0].Runs)
	}
}

// TestAShutValveKeepsThePressuresApart: a cold room without any signal of its compressor, whose pressures stay far apart
// and whose condenser stays warmer than the air while it stands (common practice with pump-down and tight valves).
func TestAShutValveKeepsThePressuresApart(t *testing.T) {
	const longest = 10 * minute
	var o operation
	at := epoch
	// over takes minutes in which both temperatures go from one pair to another, and says in how many it ran.
	over := func(minutes int, head0, coil0, head1, coil1 float64) (ran int) {
		for m := range minutes {
			x := float64(m) / float64(minutes)
			var f cycle.Features
			f.Value[cycle.CondensingTemp] = head0 + x*(head1-head0)
			f.Value[cycle.SuctionDewTemp] = coil0 + x*(coil1-coil0)
			f.Value[cycle.PressureRatio], f.Missing[cycle.CondensingOverAir] = 4, cycle.NoReading
			on, known := o.byPressures(at, true, true, &f, false, false, longest)
			o.step(at, on, known, dewline.ModeCooling, longest)
			if on {
				ran++
			}
			at += minute
		}
		return ran
	}
	if n := over(40, 25, -16, 24, -12); n != 0 {
		t.Errorf("the readings begin while it stands: %d min of running", n)
	}
	if n := over(5, 24, -12, 36, -8); n < 2 {
		t.Errorf("it starts: %d min of running", n)
	}
	for range 4 { // its head is held by a fan, its valve hunts
		if n := over(10, 36, -8, 29, -6) + over(10, 29, -6, 36, -8); n != 20 {
			t.Errorf("it runs: %d min of 20", n)
		}
	}
	over(2, 36, -8, 36, -19) // it pumps its low side down
	over(12, 36, -19, 31, -15)
	if n := over(90, 31, -15, 27, -10); n != 0 {
		t.Errorf("it stands: %d min of running", n)
	}
	if n := over(3, 27, -10, 34, -8); n < 1 {
		t.Errorf("it starts again: %d min of running", n)
	}
	if on, known := o.byPressures(at+5*minute, false, false, &cycle.Features{}, false, false, longest); !on || !known {
		t.Errorf("a late pressure: on %v, known %v", on, known)
	}
	at += 12 * hour
	if n := over(240, 36, -8, 36, -8); n != 60 {
		t.Errorf("it runs on after a day without readings: %d min of running, want those after three hours", n)
	}
}

// TestAStarvedMachineRunsThoughItsCondenserIsCool: on a mild day it is hardly warmer than the air, and no warmer than at rest.
func TestAStarvedMachineRunsThoughItsCondenserIsCool(t *testing.T) {
	var o operation
	at, ran := epoch, 0
	see := func(ratio, over float64) {
		var f cycle.Features
		f.Value[cycle.PressureRatio], f.Value[cycle.CondensingOverAir] = ratio, over
		f.Value[cycle.CondensingTemp], f.Value[cycle.SuctionDewTemp] = 19+over, 5
		on, known := o.byPressures(at, ratio > 1.5 && over > 4, true, &f, true, false, 10*minute)
		if o.step(at, on, known, dewline.ModeCooling, 10*minute); on {
			ran++
		}
		at += minute
	}
	for range 30 {
		see(1, 2)
	}
	for i := range 60 {
		see(1.9, 4+0.4*float64(i%3-1))
	}
	if ran != 60 {
		t.Errorf("%d min of 60", ran)
	}
}
