package analytics

import (
	"testing"
	"time"

	"dewline"
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
