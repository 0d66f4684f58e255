package sensor_test

import (
	"math"
	"testing"

	"dewline"
	"dewline/analytics/sensor"
	"dewline/thermo/plant"
)

// TestASensorThatMovedIsWrongAtRestToo: what a sensor of the plant's machine is put off by from the ninth day on is read off its
// nights within what is said of its uncertainty, and nothing of a sensor that is right.
func TestASensorThatMovedIsWrongAtRestToo(t *testing.T) {
	for p, by := range map[dewline.Point]float64{
		dewline.SuctionTemp: -3.5, dewline.LiquidTemp: 3, dewline.DischargeTemp: 6, dewline.OutdoorAirTemp: 4, dewline.ReturnAirTemp: 3, dewline.SupplyAirTemp: -3,
		dewline.SuctionPressure: -120_000,
	} {
		t.Run(p.String(), func(t *testing.T) {
			s := comfortSplit
			s.days = 11
			onset := dewline.Millis(s.from*1000) + 8*day
			s.change = faulty(onset, func(_ dewline.Millis, v *readings) { v[p] += by })
			s.suspicious = func(at dewline.Millis) bool { return at >= onset }
			w := s.run(t)
			got, u, ok := w.Moved(p, onset)
			if !ok || math.Abs(got-by) > 2*u || math.Abs(by) < 2*u {
				t.Errorf("moved by %.3g ±%.2g, %v, want %.3g beyond doubt", got, 2*u, ok, by)
			}
			for q := range dewline.CompressorCurrent {
				// The air that others are compared with moves what it is compared with, and the other way round.
				air := p == dewline.OutdoorAirTemp || p == dewline.ReturnAirTemp || q == dewline.OutdoorAirTemp || q == dewline.ReturnAirTemp
				if got, u, ok := w.Moved(q, onset); ok && q != p && !air && math.Abs(got) > 2*u {
					t.Errorf("%s, which is right, moved by %.3g ±%.2g", q, got, 2*u)
				}
			}
			if _, _, ok := w.Moved(p, dewline.Millis(s.from*1000)+12*day); ok {
				t.Error("something is said of a time that no night has come after")
			}
			w.Replaced(p, onset+3*day)
			if _, _, ok := w.Moved(p, onset); ok {
				t.Error("something is said of a sensor that was changed since")
			}
		})
	}
}

// TestHealthyMachinesDoNotMove: by no more than twice the uncertainty in more than a twentieth of the days (what two standard
// uncertainties are, JCGM 100:2008), in rooms, in winter and in the cold.
func TestHealthyMachinesDoNotMove(t *testing.T) {
	for name, s := range map[string]site{"comfort split": comfortSplit, "heat pump": heatPump, "walk-in": walkIn} {
		beyond, all := 0, 0
		last := dewline.Millis(0)
		s.see = func(at dewline.Millis, w *sensor.Watch) {
			if at-last < day/2 {
				return
			}
			last = at
			for p := range dewline.CompressorCurrent {
				if by, u, ok := w.Moved(p, at-day); ok {
					if all++; math.Abs(by) > 2*u {
						beyond++
					}
				}
			}
		}
		s.run(t)
		t.Logf("%s: %d of %d", name, beyond, all)
		if all < 30 || 20*beyond > all {
			t.Errorf("%s: %d of %d are beyond two standard uncertainties", name, beyond, all)
		}
	}
}

// TestWhatHasNotComeToRestImplicatesNobody: short rests leave lines and a receiver as warm as the machine ran, so that one which
// condenses hotter is no sensor.
func TestWhatHasNotComeToRestImplicatesNobody(t *testing.T) {
	for fault, c := range map[plant.FaultKind]float64{plant.NonCondensables: 1.2, plant.CondenserAir: 0.4} {
		s := walkIn
		s.days = 12
		onset := dewline.Millis(s.from*1000) + 8*day
		s.courses = []plant.Course{{Fault: fault, Severity: c, From: s.from + 8*86400}}
		s.suspicious = func(at dewline.Millis) bool { return at >= onset }
		told := 0
		s.see = func(at dewline.Millis, w *sensor.Watch) {
			if at < onset || at%day != 0 {
				return
			}
			for p := range dewline.CompressorCurrent {
				if by, u, ok := w.Moved(p, onset); ok && p != dewline.SuctionPressure {
					if told++; math.Abs(by) > 2.5*u {
						t.Errorf("%v, %s: %s moved by %.2g ±%.2g", fault, at.Time(), p, by, 2*u)
					}
				}
			}
		}
		s.run(t)
		if told < 6 {
			t.Errorf("%v: %d rests told something", fault, told)
		}
	}
}
