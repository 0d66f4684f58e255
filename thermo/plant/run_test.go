package plant

import (
	"math"
	"testing"
)

var town = &Weather{Seed: 5, MeanC: 18, SeasonC: 9, DayC: 5, SwingC: 1.5, WarmestDay: 205, DewGapK: 8, Noon: 12.5}

const july = 1_783_900_800.0 // a July midnight

// trace runs a machine for some days and calls see with each minute.
func trace(r *Run, days int, see func(*Now)) {
	for minute := range days * 1440 {
		see(r.Step(july + float64(minute)*60))
	}
}

func TestThermostatHoldsTheRoom(t *testing.T) {
	m := design(t, archetypes["split AC, fixed orifice"])
	r := NewRun(m, town, Use{LoadShare: 0.7, SetC: 23.5, BandK: 1, CloseH: 24}, nil, 1)
	starts, ran, last := 0, 0, false
	trace(r, 4, func(n *Now) {
		if n.SpaceC > 25 {
			t.Fatalf("the room is at %.1f °C", n.SpaceC)
		}
		if n.On {
			ran++
			if !last {
				starts++
			}
		}
		last = n.On
	})
	if starts < 12 || starts > 4*24*4 || ran < 4*120 {
		t.Errorf("%d starts and %d minutes of running in four days", starts, ran)
	}
}

// After a stop the pressures of an orifice meet near the saturation pressure of a temperature between
// coil and air, which is how a technician checks a gauge and looks for air in the circuit.
func TestPressuresMeetWhenOff(t *testing.T) {
	m := design(t, archetypes["split AC, fixed orifice"])
	r := NewRun(m, town, Use{LoadShare: 0.3, SetC: 23.5, BandK: 1, CloseH: 24}, nil, 1)
	off, checked := 0, 0
	trace(r, 2, func(n *Now) {
		if n.On {
			off = 0
			return
		}
		if off++; off < 20 {
			return
		}
		checked++
		if n.LiquidPa < n.SuctionPa*0.98 || n.LiquidPa > n.SuctionPa*1.05 {
			t.Fatalf("after %d minutes off: %.0f and %.0f kPa", off, n.SuctionPa/1000, n.LiquidPa/1000)
		}
		if c := m.DewC(n.SuctionPa); c < min(n.OutdoorC, n.SpaceC)-12 || c > max(n.OutdoorC, n.SpaceC)+1 {
			t.Fatalf("after %d minutes off: saturation at %.1f °C, air at %.1f and %.1f", off, c, n.OutdoorC, n.SpaceC)
		}
	})
	if checked == 0 {
		t.Error("the machine never stood for 20 minutes")
	}
}

// swingOf is the standard deviation of superheat over steady running.
func swingOf(r *Run) (mean, deviation float64) {
	var sum, sq, n float64
	ran := 0
	trace(r, 2, func(now *Now) {
		if ran++; !now.On {
			ran = 0
		}
		if ran > 20 {
			sh := now.SuctionC - r.m.DewC(now.SuctionPa)
			sum, sq, n = sum+sh, sq+sh*sh, n+1
		}
	})
	return sum / n, math.Sqrt(max(sq/n-sum*sum/n/n, 0))
}

func TestHunting(t *testing.T) {
	m := design(t, archetypes["heat pump, TXV"])
	use := Use{LoadShare: 0.9, SetC: 23.5, BandK: 1, CloseH: 24}
	_, calm := swingOf(NewRun(m, town, use, nil, 1))
	mean, loose := swingOf(NewRun(m, town, use, []Course{{Fault: BulbLoose, Severity: 0.35, From: 1}}, 1))
	if calm > 0.6 {
		t.Errorf("a healthy valve swings by %.2f K", calm)
	}
	if loose < 1 || mean > 5 {
		t.Errorf("a loose bulb swings by %.2f K about %.1f K, want more than 1 about less than the healthy 5.5", loose, mean)
	}
	// The same valve twice as large has twice the gain around the loop.
	large := *m
	large.Cooling.FullM2 *= 2.6
	large.Cooling.StaticK += 3
	if _, over := swingOf(NewRun(&large, town, use, nil, 1)); over < 2*calm || over < 0.5 {
		t.Errorf("a valve far too large swings by %.2f K, a fitting one by %.2f K", over, calm)
	}
}

func TestHeatPumpDefrosts(t *testing.T) {
	m := design(t, archetypes["heat pump, TXV"])
	cold := &Weather{Seed: 3, MeanC: 1, DayC: 3, SwingC: 1, DewGapK: 0.5, Noon: 12.5}
	r := NewRun(m, cold, Use{Duty: HeatsRoom, LoadShare: 0.8, SetC: 24, HeatSetC: 20.5, BandK: 1, CloseH: 24}, nil, 1)
	heating, defrosting, spells, last := 0, 0, 0, Off
	trace(r, 3, func(n *Now) {
		switch n.Mode {
		case Heating:
			heating++
		case Defrosting:
			defrosting++
			if last != Defrosting {
				spells++
			}
		}
		last = n.Mode
	})
	if spells < 3 || defrosting > heating/4 || defrosting < 3*spells {
		t.Errorf("%d minutes of heating, %d of defrost in %d spells", heating, defrosting, spells)
	}
}

// A machine that has lost four tenths of its charge freezes its coil where it has to run without end.
func TestStarvedCoilFreezes(t *testing.T) {
	m := design(t, archetypes["split AC, fixed orifice"])
	use := Use{LoadShare: 1.3, SetC: 20, BandK: 1, CloseH: 24}
	most := func(c []Course) float64 {
		r, most := NewRun(m, town, use, c, 1), 0.0
		trace(r, 2, func(*Now) { most = max(most, r.frost) })
		return most
	}
	if healthy := most(nil); healthy > 0 {
		t.Errorf("a healthy coil is closed by ice to %.0f %%", 100*healthy)
	}
	if starved := most([]Course{{Fault: Charge, Severity: -0.42, From: 1}}); starved < 0.2 {
		t.Errorf("a starved coil is closed by ice to %.0f %% only", 100*starved)
	}
}

func TestPumpDownEmptiesTheLowSide(t *testing.T) {
	m := design(t, archetypes["walk-in cooler, TXV"])
	r := NewRun(m, town, Use{Duty: ColdRoom, LoadShare: 0.6, SetC: 2, BandK: 2, SpaceRH: 85, CloseH: 24, DefrostEachH: 6, DefrostMin: 18, PumpDown: true}, nil, 1)
	off, low := 0, math.Inf(1)
	trace(r, 1, func(n *Now) {
		if off++; n.On {
			off = 0
		}
		if off == 3 {
			low = min(low, n.SuctionPa)
		}
	})
	if saturated := m.f.satAtDew(-4 + zeroC).p; low > 0.9*saturated {
		t.Errorf("the low side is at %.0f kPa after the stop, saturated at the coil %.0f", low/1000, saturated/1000)
	}
}

func TestWeatherIsAFunction(t *testing.T) {
	a, b := town.At(july+12345), town.At(july+12345)
	if a != b {
		t.Error("the same instant has two weathers")
	}
	warm, cold := -99.0, 99.0
	for d := range 365 {
		for h := range 24 {
			w := town.At(july + float64(d)*86400 + float64(h)*3600)
			if w.DewC > w.TempC {
				t.Fatalf("dew point %.1f over %.1f °C", w.DewC, w.TempC)
			}
			warm, cold = max(warm, w.TempC), min(cold, w.TempC)
		}
	}
	if warm < 28 || warm > 42 || cold > 8 || cold < -12 {
		t.Errorf("a year from %.0f to %.0f °C", cold, warm)
	}
}

// Speed is asserted loosely: other work on the machine counts as well.
func BenchmarkRun(b *testing.B) {
	m := design(b, archetypes["split AC, fixed orifice"])
	r := NewRun(m, town, Use{LoadShare: 0.7, SetC: 23.5, BandK: 1, CloseH: 24}, []Course{{Fault: Charge, Shape: Ramp, Severity: -0.3, From: july, Full: july + 30*86400}}, 1)
	minute := 0.0
	for b.Loop() {
		r.Step(july + minute*60)
		minute++
	}
	b.ReportMetric(minute/60/b.Elapsed().Seconds(), "system-h/s")
}
