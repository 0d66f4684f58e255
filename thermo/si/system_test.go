package si

import (
	"math"
	"math/rand/v2"
	"testing"
)

func TestPrint(t *testing.T) {
	for _, c := range []struct{ got, want string }{
		{US.Pressure(FromPSI(118), 1), "118.0 psi"},
		{SI.Pressure(FromPSI(118), 1), "813.6 kPa"}, // 118 x 6.894757 (SP 811)
		{SI.Temperature(FromFahrenheit(55), 1), "12.8 °C"},
		{US.Temperature(FromFahrenheit(55), 0), "55 °F"},
		{SI.Difference(5.6, 1), "5.6 K"},
		{US.Difference(5, 1), "9.0 °F"},
		{SI.Length(12, 0), "12 m"},
		{US.Length(FromFeet(40), 0), "40 ft"},
		{SI.Diameter(0.00165, 2), "1.65 mm"},
		{US.Diameter(FromInches(0.065), 3), "0.065 in"},
		{SI.Mass(3.1, 1), "3.1 kg"},
		{US.Mass(FromPounds(6.8), 1), "6.8 lb"},
		{SI.Capacity(10500, 1), "10.5 kW"},
		{US.Capacity(FromBtuPerHour(36000), 2), "3.00 ton"},
		{US.Power(820, 2), "0.82 kW"},
		{SI.Vacuum(FromMicron(500), 1), "66.7 Pa"},
		{US.Vacuum(FromMicron(500), 0), "500 micron"},
		{SI.Percent(51.13, 1), "51.1 %"},
		{SI.Enthalpy(250e3, 1), "250.0 kJ/kg"},
		{US.Enthalpy(232600, 1), "100.0 Btu/lb"},
		{SI.Entropy(1000, 3), "1.000 kJ/(kg·K)"},
		{US.Entropy(4186.8, 4), "1.0000 Btu/(lb·°F)"},
		{SI.Density(1.2, 3), "1.200 kg/m³"},
		{US.Density(1.2, 4), "0.0749 lb/ft³"}, // 1.2 / 16.01846 (SP 811)
		{US.SpecificVolume(1/1.2, 2), "13.35 ft³/lb"},
		{SI.SpecificVolume(0.85, 3), "0.850 m³/kg"},
		{SI.HumidityRatio(0.0112, 1), "11.2 g/kg"},
		{US.HumidityRatio(0.01, 0), "70 gr/lb"},
		{SI.Speed(170, 0), "170 m/s"},
		{US.Speed(3.048, 1), "10.0 ft/s"},
		{SI.MassFlow(0.05, 3), "0.050 kg/s"},
		{US.MassFlow(0.45359237/3600*400, 0), "400 lb/h"},
		{SI.Temperature(FromCelsius(-0.04), 1), "0.0 °C"}, // no minus before zero
		{SI.Temperature(FromCelsius(-0.06), 1), "-0.1 °C"},
		{SI.Pressure(101325, -1), "101.325 kPa"},
		{SI.Length(0.5, 400), "0.50000000000000000 m"},
		{FromCelsius(5).String(), "278.15 K"},
		{DeltaK(5.6).String(), "5.6 K"},
		{Pascal(101325).String(), "101325 Pa"},
		{Pascal(2.5e12).String(), "2.5e+12 Pa"},
		{Metre(12).String(), "12 m"},
		{Kilogram(3.1).String(), "3.1 kg"},
		{Watt(820).String(), "820 W"},
		{Percent(51.1).String(), "51.1 %"},
		{KilogramPerSecond(0.05).String(), "0.05 kg/s"},
		{JoulePerKilogram(2326).String(), "2326 J/kg"},
		{JoulePerKilogramKelvin(1006).String(), "1006 J/(kg·K)"},
		{KilogramPerCubicMetre(1.2).String(), "1.2 kg/m³"},
		{CubicMetrePerKilogram(0.85).String(), "0.85 m³/kg"},
		{KilogramPerKilogram(0.01).String(), "0.01 kg/kg"},
		{MetrePerSecond(170).String(), "170 m/s"},
		{SI.String() + US.String(), "SIUS"},
		{US.Unit(Pressure).String(), "psi"},
		{SI.Unit(200).String() + Dimension(200).Unit().String(), ""},
		{Dimension(200).String(), "other quantity"},
	} {
		if c.got != c.want {
			t.Errorf("got %q, want %q", c.got, c.want)
		}
	}
}

func TestParseSystem(t *testing.T) {
	for text, want := range map[string]System{"SI": SI, "si": SI, "US": US, " us ": US} {
		if got, err := ParseSystem(text); err != nil || got != want {
			t.Errorf("%q is %v (%v)", text, got, err)
		}
	}
	if _, err := ParseSystem("metric"); err == nil {
		t.Error(`"metric" was read`)
	}
}

// printers pairs what prints a quantity with what reads it.
func printers(s System, v float64, decimals int) []struct {
	text  string
	parse func(string) (float64, error)
} {
	return []struct {
		text  string
		parse func(string) (float64, error)
	}{
		{s.Temperature(Kelvin(v), decimals), temperature},
		{s.Difference(DeltaK(v), decimals), difference},
		{s.Pressure(Pascal(v), decimals), pressure},
		{s.Vacuum(Pascal(v), decimals), pressure},
		{s.Length(Metre(v), decimals), length},
		{s.Diameter(Metre(v), decimals), length},
		{s.Mass(Kilogram(v), decimals), mass},
		{s.Power(Watt(v), decimals), power},
		{s.Capacity(Watt(v), decimals), power},
		{s.Percent(Percent(v), decimals), share},
		{Kelvin(v).String(), temperature},
		{DeltaK(v).String(), difference},
		{Pascal(v).String(), pressure},
		{Metre(v).String(), length},
		{Kilogram(v).String(), mass},
		{Watt(v).String(), power},
		{Percent(v).String(), share},
	}
}

// checkRoundTrip prints v in every way with all digits, and reads it back. The conversions
// round a few times; the offset of a temperature scale sets the absolute size of that.
func checkRoundTrip(t *testing.T, v float64) {
	t.Helper()
	for _, s := range []System{SI, US} {
		for _, p := range printers(s, v, -1) {
			got, err := p.parse(p.text)
			if err != nil {
				t.Errorf("%v: printed %q: %v", v, p.text, err)
			} else if math.Abs(got-v) > 1e-15*v+3e-13 {
				t.Errorf("%v: printed %q, read back as %v", v, p.text, got)
			}
		}
	}
}

func TestPrintParse(t *testing.T) {
	const seed = 7
	r := rand.New(rand.NewPCG(seed, seed))
	for range 2000 {
		checkRoundTrip(t, math.Exp(r.Float64()*60-30))
	}
	if t.Failed() {
		t.Logf("seed %d", seed)
	}
}

// TestPrintRounds: a number cut to its decimals reads back within half of the last one.
func TestPrintRounds(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		p := Pascal(r.Float64() * 5e6)
		back, err := ParsePressure(US.Pressure(p, 1))
		if err != nil || math.Abs(back.PSI()-p.PSI()) > 0.05000001 {
			t.Fatalf("%v printed as %s, read as %v (%v)", p, US.Pressure(p, 1), back, err)
		}
	}
}
