package thermo

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"dewline/thermo/si"
)

// TestSuperheatAndSubcooling follows the definitions: zero on the line, a kelvin for a kelvin, dew
// for gas and bubble for liquid.
func TestSuperheatAndSubcooling(t *testing.T) {
	t.Parallel()
	forEach(t, everyName(), func(r *Refrigerant) {
		low, high := r.Curve().Range()
		p := (low + high) / 3
		bubble, _, ok := r.Curve().Bubble(p)
		dew, _, _ := r.Curve().Dew(p)
		if !ok {
			t.Errorf("%s: no bubble point at %s", r.Name(), kPa(p))
			return
		}
		for _, d := range []si.DeltaK{-3, 0, 5, 12} {
			sh, err := Superheat(r, p, dew.Add(d))
			sc, err2 := Subcooling(r, p, bubble.Add(-d))
			dsh, err3 := DischargeSuperheat(r, p, dew.Add(d))
			if err := errors.Join(err, err2, err3); err != nil || math.Abs(float64(sh-d)) > 1e-9 || math.Abs(float64(sc-d)) > 1e-9 || dsh != sh {
				t.Errorf("%s: %v, %v, %v for %v, %v", r.Name(), sh, sc, dsh, d, err)
			}
		}
		condensing, err := CondensingTemperature(r, p)
		if err != nil || math.Abs(float64(condensing-(bubble+dew)/2)) > 1e-12 {
			t.Errorf("%s condenses at %v, %v; bubble %v, dew %v", r.Name(), condensing, err, bubble, dew)
		}
	})
}

// TestGaugePressure: what a sensor counts from, by site.
func TestGaugePressure(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		reading  si.Pascal
		ref      PressureReference
		altitude si.Metre
		want     float64 // kPa
		within   float64
	}{
		{0, Gauge, 0, 101.325, 1e-9},
		{0, Gauge, 1609, 83.4, 0.05},                  // a mile up; ISO 2533 gives 83.43 kPa
		{0, Gauge, 1000, 89.875, 0.001},               // ISO 2533 (ICAO Doc 7488): 898.746 hPa at 1000 m
		{0, Gauge, 5000, 54.02, 0.005},                // 540.199 hPa at 5000 m
		{si.FromPSI(118), Gauge, 0, 914.91, 0.01},     // 813.58 + 101.325
		{si.FromPSI(118), Gauge, 1600, 897.105, 0.01}, // and 83.524 kPa of air
		{si.FromPSI(118), SealedGauge, 1600, 914.91, 0.01},
		{si.FromKPa(900), Absolute, 1600, 900, 1e-9},
		{si.FromKPa(-80), Gauge, 0, 21.325, 1e-9},
	} {
		got, err := AbsolutePressure(c.reading, c.ref, c.altitude)
		if err != nil || math.Abs(got.KPa()-c.want) > c.within {
			t.Errorf("%v %s at %v: %g kPa, %v; expected %g", c.reading, c.ref, c.altitude, got.KPa(), err, c.want)
		}
	}
	for _, c := range []struct {
		reading  si.Pascal
		ref      PressureReference
		altitude si.Metre
	}{
		{si.FromKPa(-101.325), Gauge, 0}, {si.FromKPa(-90), Gauge, 1600}, {si.FromKPa(-101.4), SealedGauge, 1600},
		{-1, Absolute, 0}, {0, Absolute, 0}, {si.Pascal(math.NaN()), Gauge, 0}, {si.Pascal(math.Inf(1)), Gauge, 0},
	} {
		if got, err := AbsolutePressure(c.reading, c.ref, c.altitude); !errors.Is(err, ErrOutOfRange) {
			t.Errorf("%v %s at %v: %v, %v; expected a refusal", c.reading, c.ref, c.altitude, got, err)
		}
	}
	for _, altitude := range []si.Metre{-2000, 50000, si.Metre(math.NaN())} {
		if got, err := AbsolutePressure(1e6, Gauge, altitude); err == nil {
			t.Errorf("at %v: %v", altitude, got)
		}
	}
	if got, err := AmbientPressure(PressureReference(7), 0); err == nil {
		t.Errorf("an unknown reference counts from %v", got)
	}
	for ref, want := range map[PressureReference]string{Gauge: "gauge", SealedGauge: "sealed_gauge", Absolute: "absolute", 9: "unknown reference"} {
		if ref.String() != want {
			t.Errorf("%d is %q", ref, ref.String())
		}
	}
}

// TestStandardUncertainty: limits are read as a rectangular distribution (GUM 4.3.7).
func TestStandardUncertainty(t *testing.T) {
	t.Parallel()
	if got := StandardUncertainty(si.DeltaK(-0.6)); math.Abs(float64(got)-0.34641016) > 1e-8 {
		t.Errorf("%v", got)
	}
}

// TestTradeUncertainty: ±3.5 psi on R-410A near 118 psig is ±1.5 °F of superheat, ±7 psi near
// 340 psig is ±1.5 °F of subcooling (the sensor accuracies that California's protocol demands,
// RA3.2.2.2, worked out in the trade notes of this project).
func TestTradeUncertainty(t *testing.T) {
	t.Parallel()
	r := mustLookup(t, "R-410A")
	for _, c := range []struct {
		name           string
		psig, accuracy float64
		measure        func(*Refrigerant, PressureReading, TemperatureReading) (Measured, error)
	}{{"superheat", 118, 3.5, MeasureSuperheat}, {"subcooling", 340, 7, MeasureSubcooling}} {
		m, err := c.measure(r, PressureReading{si.FromPSI(c.psig), SealedGauge, 0, si.FromPSI(c.accuracy)}, TemperatureReading{si.FromFahrenheit(60), 0})
		if err != nil {
			t.Fatal(err)
		}
		limits := float64(m.Uncertainty) * math.Sqrt(3) * 1.8
		if math.Abs(limits-1.5) > 0.05 {
			t.Errorf("%s: ±%.3f °F, the trade notes have 1.5", c.name, limits)
		}
		if p := si.FromPSI(c.psig) + seaLevel; m.Absolute != p || math.Abs(float64(m.AbsoluteU)*math.Sqrt(3)-float64(si.FromPSI(c.accuracy))) > 1e-6 {
			t.Errorf("%s: %v +- %v", c.name, m.Absolute, m.AbsoluteU)
		}
	}
}

// TestUncertaintyAgainstMonteCarlo draws sensors, weather and their errors, and compares the spread
// with the first-order propagation (JCGM 101: the same by simulation).
func TestUncertaintyAgainstMonteCarlo(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name       string
		pressure   PressureReading
		line       TemperatureReading
		subcooling bool
	}{
		{"R-410A", PressureReading{si.FromPSI(118), Gauge, 0, si.FromPSI(3.5)}, TemperatureReading{si.FromFahrenheit(55), 0.5}, false},
		{"R-410A", PressureReading{si.FromPSI(340), Gauge, 1600, si.FromPSI(7)}, TemperatureReading{si.FromFahrenheit(95), 1}, true},
		{"R-455A", PressureReading{si.FromBar(5), SealedGauge, 0, 20e3}, TemperatureReading{290, 0.3}, false},
		{"R-290", PressureReading{si.FromBar(4), Absolute, 0, 8e3}, TemperatureReading{285, 0.2}, false},
		{"R-134a", PressureReading{si.FromKPa(20), Gauge, 200, 3e3}, TemperatureReading{265, 0.5}, false}, // the weather counts
	} {
		r := mustLookup(t, c.name)
		measure, value := MeasureSuperheat, Superheat
		if c.subcooling {
			measure, value = MeasureSubcooling, Subcooling
		}
		m, err := measure(r, c.pressure, c.line)
		if err != nil {
			t.Fatal(err)
		}
		ambient, err := AmbientPressure(c.pressure.Reference, c.pressure.Altitude)
		if err != nil {
			t.Fatal(err)
		}
		rng := rand.New(rand.NewPCG(100, 2008))
		limits := func(a float64) float64 { return a * (2*rng.Float64() - 1) }
		var sum, squares float64
		const draws = 100_000
		for range draws {
			p := float64(c.pressure.Reading) + float64(ambient) + limits(float64(c.pressure.Accuracy))
			if c.pressure.Reference == Gauge {
				p += limits(2000)
			}
			v, err := value(r, si.Pascal(p), c.line.Reading.Add(si.DeltaK(limits(float64(c.line.Accuracy)))))
			if err != nil {
				t.Fatal(err)
			}
			sum += float64(v)
			squares += float64(v) * float64(v)
		}
		mean := sum / draws
		spread := math.Sqrt(squares/draws - mean*mean)
		t.Logf("%s: %.4f K +- %.4f K, by simulation %.4f K +- %.4f K", c.name, m.Value, m.Uncertainty, mean, spread)
		// The simulation itself is good to 0.3 %; curvature of the line adds a little.
		if math.Abs(float64(m.Uncertainty)/spread-1) > 0.01 || math.Abs(float64(m.Value)-mean) > 0.05*spread {
			t.Errorf("%s: %.5f K +- %.5f K, by simulation %.5f K +- %.5f K", c.name, m.Value, m.Uncertainty, mean, spread)
		}
		if got, _, _ := r.Curve().Dew(m.Absolute); !c.subcooling && got != m.Saturation {
			t.Errorf("%s: saturation %v, dew point %v", c.name, m.Saturation, got)
		}
	}
}
