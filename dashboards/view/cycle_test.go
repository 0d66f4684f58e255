package view

import (
	"math"
	"strings"
	"testing"
	"time"

	"dewline"
	"dewline/thermo"
	"dewline/thermo/si"
)

func refrigerant(t *testing.T, name string) *thermo.Refrigerant {
	t.Helper()
	r, err := thermo.Lookup(name)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// TestCornersOfR134a holds the corners on the dome to the saturation table of R-134a in ASHRAE
// Handbook Fundamentals 2009, chapter 30 (from memory): 0 °C, 292.80 kPa, vapour 398.60 kJ/kg;
// 40 °C, 1016.6 kPa, liquid 256.41 kJ/kg.
func TestCornersOfR134a(t *testing.T) {
	corners, err := cycleOf(refrigerant(t, "R-134a"), Operating{Suction: 292_800, High: 1_016_600, SuctionTemp: nan, LiquidTemp: nan, Discharge: nan})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []struct{ temp, h float64 }{{0, 398.60}, {nan, nan}, {40, 256.41}, {0, 256.41}} {
		c := corners[i]
		if isNumber(want.h) && (math.Abs(c.Temp-want.temp) > 0.05 || math.Abs(c.Enthalpy/1000-want.h) > 0.2) {
			t.Errorf("%s: %.2f °C, %.2f kJ/kg, want %.0f °C, %.2f", c.Name, c.Temp, c.Enthalpy/1000, want.temp, want.h)
		}
		if c.Open == "" {
			t.Errorf("%s is not measured and yet closed", c.Name)
		}
	}
	// Compression without loss keeps the entropy, and a real one needs more work.
	r := refrigerant(t, "R-134a")
	in, err1 := r.AtPH(si.Pascal(corners[0].Pressure), si.JoulePerKilogram(corners[0].Enthalpy))
	out, err2 := r.AtPH(si.Pascal(corners[1].Pressure), si.JoulePerKilogram(corners[1].Enthalpy))
	if err1 != nil || err2 != nil || math.Abs(float64(in.Entropy-out.Entropy)) > 0.5 {
		t.Errorf("entropies %v and %v", in.Entropy, out.Entropy)
	}
}

func TestOpenCorners(t *testing.T) {
	r410a := refrigerant(t, "R-410A")
	dew, err := r410a.Dew(900_000)
	if err != nil {
		t.Fatal(err)
	}
	bubble, err := r410a.Bubble(2_500_000)
	if err != nil {
		t.Fatal(err)
	}
	suction, liquid := dew.Temperature.Celsius(), bubble.Temperature.Celsius()
	for _, c := range []struct {
		name string
		o    Operating
		open [4]string
	}{
		{"all measured", Operating{Suction: 900_000, High: 2_500_000, SuctionTemp: suction + 6, LiquidTemp: liquid - 5, Discharge: liquid + 30}, [4]string{}},
		{"no discharge sensor", Operating{Suction: 900_000, High: 2_500_000, SuctionTemp: suction + 6, LiquidTemp: liquid - 5, Discharge: nan}, [4]string{1: "not measured"}},
		{"wet", Operating{Suction: 900_000, High: 2_500_000, SuctionTemp: suction - 1, LiquidTemp: liquid - 5, Discharge: liquid + 30}, [4]string{0: "wet gas"}},
		{"flash gas", Operating{Suction: 900_000, High: 2_500_000, SuctionTemp: suction + 6, LiquidTemp: liquid + 1, Discharge: liquid + 30}, [4]string{2: "flash gas", 3: "flash gas"}},
		// What cannot be the discharge gas is not drawn as if it were.
		{"discharge sensor off the pipe", Operating{Suction: 900_000, High: 2_500_000, SuctionTemp: suction + 6, LiquidTemp: liquid - 5, Discharge: 20}, [4]string{1: "not measured"}},
	} {
		corners, err := cycleOf(r410a, c.o)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		for i, want := range c.open {
			if got := string(corners[i].Open); (want == "") != (got == "") || !strings.Contains(got, want) {
				t.Errorf("%s: %s is open because %q, want %q", c.name, corners[i].Name, got, want)
			}
		}
		whole, open := cyclePaths(corners, func(h, p float64) (float64, float64) { return h / 1000, p / 1000 })
		if sides := strings.Count(whole, "L") + strings.Count(open, "L"); sides != 4 {
			t.Errorf("%s: %d sides", c.name, sides)
		}
	}
	if _, err := cycleOf(refrigerant(t, "R-744"), Operating{Suction: 1.4e6, High: 9e6, SuctionTemp: -24, LiquidTemp: nan, Discharge: nan}); err == nil {
		t.Error("above the critical point without the gas cooler's temperature")
	}
	corners, err := cycleOf(refrigerant(t, "R-744"), Operating{Suction: 1.4e6, High: 9e6, SuctionTemp: -24, LiquidTemp: 32, Discharge: 110})
	if err != nil || corners[2].Open != "" || corners[2].Name != "gas cooler's outlet" {
		t.Errorf("transcritical: %+v %v", corners, err)
	}
}

// TestCondensingPressure: the pressure that is found has the mean of bubble and dew that was asked for.
func TestCondensingPressure(t *testing.T) {
	for _, name := range []string{"R-32", "R-410A", "R-454B"} {
		r := refrigerant(t, name)
		p, err := condensingPressure(r, si.FromCelsius(43))
		if err != nil {
			t.Fatal(err)
		}
		if at, err := thermo.CondensingTemperature(r, p); err != nil || math.Abs(at.Celsius()-43) > 0.01 {
			t.Errorf("%s: %v at %v, %v", name, at, p, err)
		}
	}
}

func TestOperatingOf(t *testing.T) {
	sys := &dewline.System{Refrigerant: "R-32", Points: []dewline.PointFitting{{Point: dewline.LiquidPressure}, {Point: dewline.CompressorOn}}}
	series := dewline.Series{Step: CycleStep, Columns: []dewline.Column{
		{Quantity: "suction_pressure_abs", Values: []float64{9e5, 9e5, 1e6, 1.1e6, 1.4e6}},
		{Quantity: "liquid_pressure_abs", Values: []float64{2e6, 2e6, 2.4e6, 2.6e6, 1.5e6}},
		{Quantity: "suction_temp", Values: []float64{9, 9, 10, 12, 20}},
		{Quantity: "compressor_on", Values: []float64{1, 0.4, 1, 1, 0}},
	}}
	for i := range 5 {
		series.Times = append(series.Times, dewline.Millis(i)*dewline.Millis(CycleStep.Milliseconds()))
	}
	o, err := OperatingOf(sys, series, dewline.SystemState{})
	if err != nil || o.Rows != 2 || o.Suction != 1.05e6 || o.SuctionTemp != 11 || !math.IsNaN(o.LiquidTemp) || o.Until.Time() != time.UnixMilli(0).Add(4*CycleStep).UTC() {
		t.Errorf("the last stretch of running: %+v %v", o, err)
	}
	series.Columns[3].Values = []float64{0, 0, 0, 0, 0}
	if _, err := OperatingOf(sys, series, dewline.SystemState{}); err == nil {
		t.Error("a cycle of a machine that stands still")
	}
}

func TestCycleInWords(t *testing.T) {
	c := NewCycle(&dewline.System{Refrigerant: "R-0"}, dewline.Series{}, dewline.SystemState{}, Reader{})
	if !strings.Contains(c.Missing, "R-0") {
		t.Errorf("an unknown refrigerant: %q", c.Missing)
	}
	c = NewCycle(&dewline.System{Refrigerant: "R-32"}, dewline.Series{}, dewline.SystemState{}, Reader{})
	if !strings.Contains(c.Missing, "without a signal") {
		t.Errorf("nothing to draw from: %q", c.Missing)
	}
}
