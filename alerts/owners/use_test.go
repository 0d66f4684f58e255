package owners

import (
	"math"
	"testing"
	"time"

	"dewline"
)

var june = dewline.MillisOf(time.Date(2031, 6, 1, 0, 0, 0, 0, time.UTC))

func near(t *testing.T, what string, got *float64, want, within float64) {
	t.Helper()
	if got == nil || math.Abs(*got-want) > within {
		t.Errorf("%s: %v, want %v", what, show(got), want)
	}
}

func show(v *float64) any {
	if v == nil {
		return "none"
	}
	return *v
}

// minutes is a series of minute means that f makes; f says false where nothing was read.
func minutes(n int, quantities []string, f func(minute int) ([]float64, bool)) dewline.Series {
	s := dewline.Series{Step: step}
	for _, q := range quantities {
		s.Columns = append(s.Columns, dewline.Column{Quantity: q})
	}
	for i := range n {
		values, ok := f(i)
		s.Times = append(s.Times, june.Add(time.Duration(i)*step))
		for c := range s.Columns {
			v := math.NaN()
			if ok {
				v = values[c]
			}
			s.Columns[c].Values = append(s.Columns[c].Values, v)
		}
	}
	return s
}

func split(points ...dewline.Point) *dewline.System {
	s := &dewline.System{ID: "quay-library/hall-ac", Name: "Reading hall split", Kind: dewline.SplitAC, Refrigerant: "R-410A", Metering: dewline.TXV}
	for _, p := range points {
		s.Points = append(s.Points, dewline.PointFitting{Point: p})
	}
	return s
}

// halfHours stands and runs by turns of half an hour, at 2 kW.
func halfHours(minute int) ([]float64, bool) {
	on := float64(minute / 30 % 2)
	return []float64{on, on * 2000}, true
}

// TestByHand: six hours in turns of half an hour are three of running and six starts; at 2 kW they take
// 6 kWh. Too little charge lasts from the second to the fourth hour: one hour of running, 2 kWh. By
// NIST's correlation a machine with 30 % too little takes 0.964 of the power for 0.798 of the cooling,
// so 0.798/0.964 = 0.8278 of the 2 kWh would have done the same, and 0.3444 kWh are the fault's.
func TestByHand(t *testing.T) {
	sys := split(dewline.CompressorOn, dewline.CompressorPower)
	figure, _ := Published(dewline.Undercharge, sys.Metering)
	hour := func(h int) dewline.Millis { return june.Add(time.Duration(h) * time.Hour) }
	c := newCounter(sys, time.UTC, []trouble{{from: hour(2), to: hour(4), faults: []dewline.Fault{dewline.Undercharge}, figure: figure}})
	s := minutes(360, quantities(sys), halfHours)
	c.add(s, june, hour(3)) // in two stretches, as a month is
	c.add(dewline.Series{Times: s.Times[180:], Columns: []dewline.Column{{Quantity: "compressor_on", Values: s.Columns[0].Values[180:]}, {Quantity: "compressor_power", Values: s.Columns[1].Values[180:]}}}, hour(3), hour(6))
	use, energy, excess := c.use(june, hour(6)), c.taken(), c.excess()
	near(t, "run hours", use.RunHours, 3, 1e-9)
	near(t, "energy", energy.KWh, 6, 1e-9)
	near(t, "least cost", excess.LowKWh, 0, 1e-12)
	near(t, "greatest cost", excess.HighKWh, 0.3444, 5e-5)
	if use.Starts == nil || *use.Starts != 6 || use.HeardHours != 6 || excess.Hours != 1 || energy.By != "measured" || len(excess.Sources) == 0 {
		t.Errorf("%+v %+v %+v", use, energy, excess)
	}
}

// TestSilence: what was not heard is not counted, no start is made of a gap, and a reading stands for a
// quarter hour at most.
func TestSilence(t *testing.T) {
	sys := split(dewline.CompressorOn, dewline.CompressorPower)
	c := newCounter(sys, time.UTC, nil)
	to := june.Add(5 * time.Hour)
	c.add(minutes(300, quantities(sys), func(m int) ([]float64, bool) {
		return []float64{1, 1000}, m < 60 || m >= 180 && m%10 == 0 // every ten minutes after two hours of nothing
	}), june, to)
	use, energy := c.use(june, to), c.taken()
	near(t, "run hours", use.RunHours, 1+14.0/60+2, 1e-9) // the last minute's reading stands for 14 more
	near(t, "energy", energy.KWh, 3.2333, 1e-4)
	if *use.Starts != 0 || math.Abs(use.HeardHours-3.2333) > 1e-4 || use.SpanHours != 5 {
		t.Errorf("%+v, %d starts", use, *use.Starts)
	}
	nothing := newCounter(sys, time.UTC, nil)
	nothing.add(dewline.Series{}, june, to)
	if u, e := nothing.use(june, to), nothing.taken(); u.RunHours != nil || u.Missing == "" || e.KWh != nil || e.Missing == "" {
		t.Errorf("of silence it says %+v %+v", u, e)
	}
}

func TestDaysAreTheSites(t *testing.T) {
	sys := split(dewline.CompressorOn)
	zone := time.FixedZone("east", 5*3600+45*60)
	from, to := dewline.Month("2031-06").Span(zone)
	c := newCounter(sys, zone, nil)
	s := minutes(1440, quantities(sys), func(int) ([]float64, bool) { return []float64{1}, true })
	for i := range s.Times {
		s.Times[i] += from - june
	}
	c.add(s, from, from.Add(24*time.Hour))
	days := c.use(from, to).Days
	if len(days) != 30 || days[0] != (dewline.OwnerDay{Day: "2031-06-01", RunHours: 24}) {
		t.Errorf("%d days, %+v", len(days), days[:2])
	}
}

func TestPowerOfTheMakersMap(t *testing.T) {
	sys := split(dewline.CompressorOn)
	sys.CompressorMap = &dewline.CompressorMap{Power: dewline.MapPolynomial{400, 10, 25}} // W: 400 + 10 S + 25 D
	c := newCounter(sys, time.UTC, nil)
	to := june.Add(2 * time.Hour)
	c.add(minutes(120, quantities(sys), func(int) ([]float64, bool) { return []float64{1, 6, 44}, true }), june, to)
	e := c.taken()
	near(t, "energy", e.KWh, 2*(400+60+1100)/1000.0, 1e-9)
	if e.By != "estimated from the maker's table of its compressor" {
		t.Error(e.By)
	}
	bare := newCounter(split(dewline.CompressorOn), time.UTC, nil)
	bare.add(minutes(60, []string{"compressor_on"}, func(int) ([]float64, bool) { return []float64{1}, true }), june, to)
	if e := bare.taken(); e.KWh != nil || e.Missing != "no power is measured, and no rated power is stated" {
		t.Errorf("%+v", e)
	}
}

// TestCostIsNotInvented: each thing that a cost would need and that is not there says so.
func TestCostIsNotInvented(t *testing.T) {
	figure, _ := Published(dewline.CondenserAirflow, dewline.TXV)
	lasts := trouble{from: june, to: june.Add(time.Hour), faults: []dewline.Fault{dewline.CondenserAirflow}, figure: figure}
	count := func(sys *dewline.System, tr trouble, values ...float64) dewline.OwnerExcess {
		c := newCounter(sys, time.UTC, []trouble{tr})
		c.add(minutes(60, quantities(sys), func(int) ([]float64, bool) { return values, true }), june, june.Add(time.Hour))
		return c.excess()
	}
	pump := split(dewline.CompressorOn, dewline.CompressorPower, dewline.OperatingMode)
	pump.Kind = dewline.HeatPump
	for name, x := range map[string]dewline.OwnerExcess{
		"no energy":     count(split(dewline.CompressorOn), lasts, 1),
		"heating":       count(pump, lasts, 1, float64(dewline.ModeHeating), 2000),
		"not published": count(split(dewline.CompressorOn, dewline.CompressorPower), trouble{from: june, to: lasts.to, missing: "no figure"}, 1, 2000),
	} {
		if x.LowKWh != nil || x.HighKWh != nil || x.Missing == "" || x.Hours != 1 || x.Sources != nil {
			t.Errorf("%s: %+v", name, x)
		}
	}
	cools := count(pump, lasts, 1, float64(dewline.ModeCooling), 2000)
	near(t, "least", cools.LowKWh, 2*(1-1/1.028), 1e-9)
	near(t, "greatest", cools.HighKWh, 2*(1-1/1.276), 1e-9)
}

// TestPublishedFigures recomputes the figures that come from the report's polynomials: FIR = 1 + F (c1 +
// c2 (Twb/273.15+1) + c3 (Tod/273.15+1) + c4 F + c5 F² + c6 COP), of the energy for the same cooling, at
// a wet bulb of 19.4 °C, 35 °C outdoors and a rated COP of 4.2.
func TestPublishedFigures(t *testing.T) {
	fir := func(f float64, c [6]float64) float64 {
		return 1 + f*(c[0]+c[1]*(19.4/273.15+1)+c[2]*(35/273.15+1)+c[3]*f+c[4]*f*f+c[5]*4.2)
	}
	for _, x := range []struct {
		fault     dewline.Fault
		low, high float64
		c         [6]float64
	}{
		{dewline.CondenserAirflow, 0.1, 0.5, [6]float64{-5.9806, 0.9479, 4.3816, -1.0667, 2.9142, 0.090476}},
		{dewline.EvaporatorAirflow, 0.1, 0.5, [6]float64{1.075997, -1.609711, 0.054396, -1.58432, 0.803225, 0.356159}},
		{dewline.NonCondensables, 0.1, 0.5, [6]float64{2.4648, -3.1898, 1.0582, 0.040316, -0.000329, -0.038164}},
		{dewline.Restriction, 0.1, 0, [6]float64{1.4031, 3.7922, -5.343, 3.0229, 1.6979, 0.12159}},
	} {
		got, ok := Published(x.fault, dewline.FixedOrifice)
		if !ok || math.Abs(got.Low-fir(x.low, x.c)) > 0.001 || x.high > 0 && math.Abs(got.High-fir(x.high, x.c)) > 0.001 {
			t.Errorf("%s: %+v, the report gives %.4f and %.4f", x.fault, got, fir(x.low, x.c), fir(x.high, x.c))
		}
	}
	for _, f := range dewline.Faults() {
		for _, m := range []dewline.Metering{dewline.FixedOrifice, dewline.Capillary, dewline.TXV, dewline.EEV} {
			if got, ok := Published(f, m); ok && (got.Low < 1 || got.High <= got.Low || len(got.Sources) == 0) {
				t.Errorf("%s, %s: %+v", f, m, got)
			}
		}
	}
}
