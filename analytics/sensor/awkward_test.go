package sensor_test

import (
	"math"
	"testing"
	"time"

	"dewline"
	"dewline/analytics/sensor"
	"dewline/thermo/plant"
)

// coarse rounds readings to the steps of cheap gateways.
func coarse(v *readings, kelvin, pascal float64) {
	for p := range v {
		switch dewline.Point(p).Dimension() {
		case dewline.Temperature:
			v[p] = math.Round(v[p]/kelvin) * kelvin
		case dewline.Pressure:
			v[p] = math.Round(v[p]/pascal) * pascal
		}
	}
}

// TestAwkwardHealthGivesNoDoubt: what is odd about a site, and no sensor's fault.
func TestAwkwardHealthGivesNoDoubt(t *testing.T) {
	with := func(s site, f func(s *site)) site { f(&s); return s }
	for name, s := range map[string]site{
		"means over 15 minutes":                  with(comfortSplit, func(s *site) { s.every, s.mean = 900, true }),
		"single values each 15 minutes, walk-in": with(walkIn, func(s *site) { s.every = 900 }),
		"far too large, short runs":              with(comfortSplit, func(s *site) { s.use.LoadShare, s.use.BandK = 0.25, 0.6 }),
		"the least points, heat pump":            with(heatPump, func(s *site) { s.bare, s.every = true, 300 }),
		"sun on the outdoor sensor": with(comfortSplit, func(s *site) {
			s.every = 300
			s.change = func(at dewline.Millis, v *readings) {
				h := math.Mod(float64(at)/3.6e6, 24)
				v[dewline.OutdoorAirTemp] = math.Round(10*(v[dewline.OutdoorAirTemp]+8*max(0, math.Sin((h-7)/12*math.Pi)))) / 10
			}
		}),
		"coarse steps": with(comfortSplit, func(s *site) {
			s.change = func(_ dewline.Millis, v *readings) { coarse(v, 1, 10_000) }
		}),
		"off for the season": with(comfortSplit, func(s *site) {
			s.from, s.every, s.days = january, 300, 20
			s.change = func(_ dewline.Millis, v *readings) { coarse(v, 0.5, 6895) }
		}),
		"variable speed": with(comfortSplit, func(s *site) {
			s.spec.Metering, s.spec.Compressor, s.spec.Refrigerant = plant.ElectronicValve, plant.Rotary, "R-32"
			s.use.Variable, s.every = true, 300
		}),
		"noise of cheap sensors": with(comfortSplit, func(s *site) { s.noisy = 4 }),
		"valve that hunts": with(heatPump, func(s *site) {
			s.from, s.weather = july, town
			s.courses = []plant.Course{{Fault: plant.BulbLoose, Severity: 0.35, From: 1}}
		}),
		"freezer, each 5 minutes": with(walkIn, func(s *site) {
			s.every, s.kind = 300, dewline.WalkInFreezer
			s.spec = plant.Spec{Refrigerant: "R-449A", Metering: plant.ThermostaticValve, Compressor: plant.Reciprocating, CapacityW: 5000, Cold: true,
				RatedIndoorC: -20, RatedIndoorRH: 80, Receiver: true, HeadControlC: 27, MaxEvapC: -12}
			s.use.Duty, s.use.SetC, s.use.PumpDown, s.use.SpaceRH = plant.FreezeRoom, -20, false, 80
		}),
	} {
		t.Run(name, func(t *testing.T) {
			s.see = func(at dewline.Millis, w *sensor.Watch) {
				if d := believed(w); len(d) > 0 {
					t.Fatalf("%s: %+v", at.Time(), d)
				}
			}
			s.run(t)
		})
	}
}

// TestARoomThatNobodyMeasures: where a valve keeps the pressures apart, the low side of a freezer at rest stands at the
// temperature of its room, which no air that is measured has.
func TestARoomThatNobodyMeasures(t *testing.T) {
	s := walkIn
	s.kind, s.bare, s.spec.Refrigerant, s.use.PumpDown = dewline.WalkInFreezer, true, "R-449A", false
	m, _ := s.system(t)
	d := driver{w: &sensor.Watch{}, m: m, interval: 5 * time.Minute}
	for i := range dewline.Millis(4 * 288) {
		at := dewline.Millis(s.from*1000) + i*5*60_000
		var v readings
		for p := range v {
			v[p] = math.NaN()
		}
		wave := math.Sin(float64(i) / 5)
		v[dewline.OutdoorAirTemp] = 22 + wave
		if on := i%36 < 18; on {
			v[dewline.SuctionPressure], v[dewline.LiquidPressure] = 70_000+2000*wave, 1_450_000+9000*wave
			v[dewline.SuctionTemp], v[dewline.LiquidTemp] = -18+wave, 30+wave
		} else {
			v[dewline.SuctionPressure], v[dewline.LiquidPressure] = 150_000+2000*wave, 1_000_000+9000*wave
			v[dewline.SuctionTemp], v[dewline.LiquidTemp] = 5+wave, 22+wave
		}
		d.take(at, &v)
		if b := believed(d.w); len(b) > 0 {
			t.Fatalf("%s: %+v", at.Time(), b)
		}
	}
}

// TestShortTroubleGivesNoDoubt: a day with an hour of rubbish, a gap of two days, a clock that jumps.
func TestShortTroubleGivesNoDoubt(t *testing.T) {
	s := comfortSplit
	s.every, s.days = 60, 8
	start := dewline.Millis(s.from * 1000)
	var held readings
	s.change = func(at dewline.Millis, v *readings) {
		switch h := (at - start) / 3_600_000; {
		case h >= 60 && h < 61: // all frozen
			if held[dewline.OutdoorAirTemp] == 0 {
				held = *v
			}
			*v = held
		case h >= 84 && h < 132: // silence
			for p := range v {
				v[p] = math.NaN()
			}
		case h == 150 && at/60_000%20 == 0: // a loose contact, a reading in twenty
			v[dewline.SuctionTemp] = 150
		case h >= 160 && h < 161:
			v[dewline.LiquidPressure] *= 0.145
		}
	}
	s.see = func(at dewline.Millis, w *sensor.Watch) {
		if d := believed(w); len(d) > 0 {
			t.Fatalf("%s: %+v", at.Time(), d)
		}
	}
	s.run(t)
}

// TestDoubtsGoAway: a sensor that is right again is believed after a day of good data and a little.
func TestDoubtsGoAway(t *testing.T) {
	for name, c := range map[string]struct {
		change func(dewline.Millis, *readings)
		kind   sensor.Kind
	}{
		"open":    {func(_ dewline.Millis, v *readings) { v[dewline.SuctionTemp] = 300 }, sensor.Open},
		"swapped": {exchange(dewline.SuctionTemp, dewline.LiquidTemp), sensor.Swapped},
		"fallen":  {toAir(dewline.SuctionTemp, 0.7), sensor.FallenOff},
	} {
		t.Run(name, func(t *testing.T) {
			s := comfortSplit
			s.every, s.days = 300, 12
			from := dewline.Millis(s.from*1000) + 3*day
			until := from + 3*day
			s.change = func(at dewline.Millis, v *readings) {
				if at >= from && at < until {
					c.change(at, v)
				}
			}
			seen, gone := false, dewline.Millis(0)
			s.see = func(at dewline.Millis, w *sensor.Watch) {
				d := believed(w)
				if len(d) > 0 && d[0].Kind == c.kind {
					seen = true
				}
				switch {
				case seen && len(d) == 0 && gone == 0:
					gone = at
				case len(d) > 0 && gone != 0:
					t.Fatalf("%s: back: %+v", at.Time(), d)
				}
			}
			s.run(t)
			if !seen || gone < until+day || gone > until+3*day {
				t.Errorf("seen %v, gone %v after the sensor was right again", seen, gone.Sub(until))
			}
		})
	}
}
