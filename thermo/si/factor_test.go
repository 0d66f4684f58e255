package si

import (
	"math"
	"testing"
)

// TestFactorsAgainstSP811 holds every factor to the seven digits that NIST SP 811 (2008)
// prints in its appendix B.8 and B.9.
func TestFactorsAgainstSP811(t *testing.T) {
	for _, c := range []struct {
		entry     string
		got, want float64
	}{
		{"inch (in)", inch, 2.54e-2},
		{"foot (ft)", foot, 3.048e-1},
		{"pound (avoirdupois)", pound, 4.535924e-1},
		{"ounce (avoirdupois)", ounce, 2.834952e-2},
		{"grain (gr)", grain, 6.479891e-5},
		{"British thermal unit IT", btu, 1.055056e3},
		{"Btu IT per hour", btuPerHour, 2.930711e-1},
		{"ton of refrigeration", tonOfRefr, 3.516853e3},
		{"pound-force per square inch", psi, 6.894757e3},
		{"inch of mercury, conventional", inchMercury, 3.386389e3},
		{"millimetre of mercury, conventional", mercuryColumn / 1000, 1.333224e2},
		{"torr", torr, 1.333224e2},
		{"Btu IT per pound", btuPerPound, 2.326e3},
		{"Btu IT per pound degree Fahrenheit", btuPerPoundDegF, 4.1868e3},
		{"pound per cubic foot", poundPerCubicFoot, 1.601846e1},
	} {
		if math.Abs(c.got/c.want-1) > 5e-7 { // half of the last of seven digits
			t.Errorf("%s: %.10g, SP 811 prints %.7g", c.entry, c.got, c.want)
		}
	}
}

// TestUCUMFactors compares the codes the contract takes from UCUM with UCUM's own table
// (ucum-essence: [psi] = [lbf_av]/[sin_i], m[Hg] = 133.3220 kPa, [degF] = degf(5 K/9)).
func TestUCUMFactors(t *testing.T) {
	for _, c := range []struct {
		code    string
		in      float64
		to      string
		want    float64
		within  float64
		because string
	}{
		{"[psi]", 1, "Pa", 0.45359237 * 9.80665 / (0.0254 * 0.0254), 1e-14, "definition"},
		{"[in_i'Hg]", 1, "Pa", 133322.0 * 0.0254, 4e-6, "UCUM rounds the metre of mercury to 7 digits"},
		{"[degF]", 212, "Cel", 100, 1e-14, "boiling point of the scale"},
		{"[degF]", -40, "Cel", -40, 1e-14, "where the scales cross"},
		{"kPa", 101.325, "Pa", 101325, 1e-14, "definition"},
		{"MPa", 1, "bar", 10, 1e-14, "definition"},
		{"hPa", 1013.25, "kPa", 101.325, 1e-14, "definition"},
		{"/", 0.511, "%RH", 51.1, 1e-14, "contract section 1: / counts as x100"},
		{"ppm", 10000, "%", 1, 1e-14, "definition"},
		{"/1000", 5, "/100", 0.5, 1e-14, "definition"},
		{"mA", 1500, "A", 1.5, 1e-14, "definition"},
		{"km/h", 36, "m/s", 10, 1e-14, "definition"},
		{"min", 15, "s", 900, 1e-14, "definition"},
	} {
		from, ok1 := UnitByCode(c.code)
		to, ok2 := UnitByCode(c.to)
		if !ok1 || !ok2 {
			t.Fatalf("code %s or %s is not known", c.code, c.to)
		}
		got, ok := Convert(c.in, from, to)
		if !ok || math.Abs(got/c.want-1) > c.within {
			t.Errorf("%v %s = %v %s (%v), want %v (%s)", c.in, c.code, got, c.to, ok, c.want, c.because)
		}
	}
}

func TestConvertKeepsAValueOfTheSameUnit(t *testing.T) {
	cel, _ := UnitByCode("Cel")
	for _, v := range []float64{12.3, -18.2, 1e-300, 0} {
		if got, ok := Convert(v, cel, cel); !ok || got != v {
			t.Errorf("%v Cel became %v (%v): the same unit must not cost a digit", v, got, ok)
		}
	}
}

func TestConvertRefusesOtherDimensions(t *testing.T) {
	cel, _ := UnitByCode("Cel")
	pa, _ := UnitByCode("Pa")
	volt, ok := UnitByCode("V")
	if !ok || volt.Dimension() != Other {
		t.Fatal("the volt is a registered unit that Dewline does not measure")
	}
	millivolt, _ := UnitByCode("mV")
	rh, _ := UnitByCode("%RH")
	for _, c := range [][2]Unit{{cel, pa}, {volt, millivolt}, {volt, pa}, {cel, deltaKelvin}, {rh, cel}, {Unit{}, pa}, {pa, Unit{}}, {}} {
		if v, ok := Convert(1, c[0], c[1]); ok {
			t.Errorf("1 %v became %v %v", c[0], v, c[1])
		}
	}
	for _, code := range []string{"", "pa", "PSI", "psi", "°C", "degF", "[PSI]", "Kpa"} {
		if u, ok := UnitByCode(code); ok {
			t.Errorf("code %q is not registered, but was taken as %v", code, u)
		}
	}
	if coulomb, _ := UnitByCode("C"); coulomb.Dimension() != Other {
		t.Error("in SenML, C is the coulomb")
	}
}

// TestUnitsInvert checks every unit there is: in and out again is the same number.
func TestUnitsInvert(t *testing.T) {
	all := map[string]Unit{}
	for d := range numDimensions {
		for _, s := range spellings[d] {
			all[d.String()+" "+s.unit.name] = s.unit
		}
		for _, u := range []Unit{d.Unit(), SI.Unit(d), US.Unit(d)} {
			if d != Other && (u.dim != d || u.name == "") {
				t.Errorf("%v has the unit %+v", d, u)
			}
			all[d.String()+" "+u.name] = u
		}
	}
	delete(all, Other.String()+" ")
	for name, u := range all {
		for _, v := range []float64{1, -17.3, 55, 118, 3e5, 1e-9} {
			if back := u.fromOwn(u.toOwn(v)); math.Abs(back-v) > 4e-16*(math.Abs(v)+math.Abs(u.toOwn(v))) {
				t.Errorf("%s: %v came back as %v", name, v, back)
			}
		}
		if own := u.dim.Unit(); u.dim != Other {
			if got, ok := Convert(2, u, own); !ok || math.Abs(got-u.toOwn(2)) > 1e-15*math.Abs(got) {
				t.Errorf("%s: Convert gives %v, the unit itself %v", name, got, u.toOwn(2))
			}
		}
	}
}

func TestConversionsAgreeWithTheUnits(t *testing.T) {
	for _, c := range []struct {
		name            string
		from, to, where float64 // typed way in, way out again, and what the table of units says
	}{
		{"Celsius", float64(FromCelsius(7)), FromCelsius(7).Celsius(), celsius.toOwn(7)},
		{"Fahrenheit", float64(FromFahrenheit(7)), FromFahrenheit(7).Fahrenheit(), fahrenheit.toOwn(7)},
		{"DeltaF", float64(FromDeltaF(7)), FromDeltaF(7).DeltaF(), deltaFahrenheit.toOwn(7)},
		{"kPa", float64(FromKPa(7)), FromKPa(7).KPa(), kilopascal.toOwn(7)},
		{"bar", float64(FromBar(7)), FromBar(7).Bar(), bar.toOwn(7)},
		{"psi", float64(FromPSI(7)), FromPSI(7).PSI(), psiUnit.toOwn(7)},
		{"inHg", float64(FromInHg(7)), FromInHg(7).InHg(), inHg.toOwn(7)},
		{"micron", float64(FromMicron(7)), FromMicron(7).Micron(), micronUnit.toOwn(7)},
		{"feet", float64(FromFeet(7)), FromFeet(7).Feet(), footUnit.toOwn(7)},
		{"inches", float64(FromInches(7)), FromInches(7).Inches(), inchUnit.toOwn(7)},
		{"mm", float64(FromMillimetres(7)), FromMillimetres(7).Millimetres(), millimetre.toOwn(7)},
		{"pounds", float64(FromPounds(7)), FromPounds(7).Pounds(), poundUnit.toOwn(7)},
		{"tons", float64(FromTons(7)), FromTons(7).Tons(), tonUnit.toOwn(7)},
		{"Btu/h", float64(FromBtuPerHour(7)), FromBtuPerHour(7).BtuPerHour(), btuPerHourUnit.toOwn(7)},
	} {
		if c.from != c.where {
			t.Errorf("%s: 7 became %v, the table of units says %v", c.name, c.from, c.where)
		}
		if math.Abs(c.to-7) > 1e-13 {
			t.Errorf("%s: 7 came back as %v", c.name, c.to)
		}
	}
}

func TestTemperatureAndDifference(t *testing.T) {
	// SI Brochure 2.3.1: 0 °C is 273.15 K; the Fahrenheit scale has 180 degrees between ice
	// and boiling point and crosses Celsius at -40.
	if got := FromFahrenheit(32); got != 273.15 {
		t.Errorf("32 °F is %v", got)
	}
	if got := FromFahrenheit(212).Celsius(); math.Abs(got-100) > 1e-13 {
		t.Errorf("212 °F is %v °C", got)
	}
	if got := FromFahrenheit(-459.67); math.Abs(float64(got)) > 1e-13 {
		t.Errorf("-459.67 °F is %v", got)
	}
	suction, dew := FromFahrenheit(55), FromFahrenheit(40)
	if got := suction.Sub(dew); math.Abs(got.DeltaF()-15) > 1e-12 || math.Abs(float64(got)-25.0/3) > 1e-12 {
		t.Errorf("55 °F - 40 °F is %v", got)
	}
	if got := dew.Add(FromDeltaF(15)); math.Abs(float64(got-suction)) > 1e-12 {
		t.Errorf("40 °F + 15 °F is %v, want %v", got, suction)
	}
}

func TestConversionsDoNotAllocate(t *testing.T) {
	var sink float64
	psiCode, _ := UnitByCode("[psi]")
	paCode, _ := UnitByCode("Pa")
	payload := []byte("[in_i'Hg]")
	allocs := testing.AllocsPerRun(100, func() {
		sink += float64(FromFahrenheit(55).Sub(FromCelsius(4))) + FromPSI(118).KPa() + FromFeet(40).Millimetres()
		sink += FromPounds(6.8).Pounds() + FromTons(3).BtuPerHour() + FromMicron(500).InHg()
		v, _ := Convert(118, psiCode, paCode)
		u, _ := UnitByCode(string(payload))
		sink += v + float64(u.Dimension())
	})
	if allocs != 0 {
		t.Errorf("conversions allocate %v times", allocs)
	}
}

func BenchmarkConvert(b *testing.B) {
	from, _ := UnitByCode("[psi]")
	to, _ := UnitByCode("Pa")
	b.ReportAllocs()
	for b.Loop() {
		Convert(118, from, to)
	}
}
