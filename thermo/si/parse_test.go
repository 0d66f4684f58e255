package si

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"
)

// number turns each parser into one that returns a plain number, so that one table holds them.
func number[T ~float64](parse func(string) (T, error)) func(string) (float64, error) {
	return func(text string) (float64, error) {
		v, err := parse(text)
		return float64(v), err
	}
}

var (
	temperature = number(ParseTemperature)
	difference  = number(ParseDifference)
	pressure    = number(ParsePressure)
	length      = number(ParseLength)
	mass        = number(ParseMass)
	power       = number(ParsePower)
	share       = number(ParsePercent)
	seconds     = func(text string) (float64, error) {
		d, err := ParseDuration(text)
		return d.Seconds(), err
	}
)

// TestParse reads what the contract lists in section 2 and what people type besides. The
// wanted values are written as their definitions, not with the package's own constants.
func TestParse(t *testing.T) {
	const psiPa = 4.4482216152605 / 0.00064516 // lbf in N over in² in m²
	const btuW = 1055.05585262 / 3600
	for _, c := range []struct {
		parse func(string) (float64, error)
		text  string
		want  float64
	}{
		{length, "12 m", 12},
		{length, "40 ft", 40 * 0.3048},
		{length, "1.65 mm", 0.00165},
		{length, "0.065 in", 0.065 * 0.0254},
		{length, ".065in", 0.065 * 0.0254},
		{length, `0.065"`, 0.065 * 0.0254},
		{length, "-3 m", -3},
		{length, "−3 m", -3},
		{length, "40 FT", 40 * 0.3048},
		{length, "1.2e3 m", 1200},
		{length, "1600\u00a0m", 1600}, // no-break space, as pasted from a page
		{mass, "3.1 kg", 3.1},
		{mass, "6.8 lb", 6.8 * 0.45359237},
		{mass, "8 oz", 8 * 0.45359237 / 16},
		{mass, "450 g", 0.45},
		{power, "10.5 kW", 10500},
		{power, "3 ton", 3 * 12000 * btuW},
		{power, "36000 Btu/h", 36000 * btuW},
		{power, "36 MBH", 36000 * btuW},
		{power, "36000 BTU/hr", 36000 * btuW},
		{power, "820 W", 820},
		{difference, "5.6 K", 5.6},
		{difference, "10 degF", 10 * 5.0 / 9},
		{difference, "10 °F", 10 * 5.0 / 9},
		{difference, "5 degC", 5},
		{difference, "-2.5 K", -2.5},
		{temperature, "5 degC", 278.15},
		{temperature, "55 degF", (55-32)*5.0/9 + 273.15},
		{temperature, "55 °F", (55-32)*5.0/9 + 273.15},
		{temperature, "55F", (55-32)*5.0/9 + 273.15},
		{temperature, "55 [degF]", (55-32)*5.0/9 + 273.15},
		{temperature, "-18 C", 255.15},
		{temperature, "−18 °C", 255.15},
		{temperature, "-18 Cel", 255.15},
		{temperature, "280 K", 280},
		{temperature, "5.6 K", 5.6},
		{temperature, "0 K", 0},
		{pressure, "118 psi", 118 * psiPa},
		{pressure, "118psi", 118 * psiPa},
		{pressure, " 118  PSI ", 118 * psiPa},
		{pressure, "118 [psi]", 118 * psiPa},
		{pressure, "8 kPa", 8000},
		{pressure, "1013.25 hPa", 101325},
		{pressure, "1013.25 mbar", 101325},
		{pressure, "2.5 MPa", 2.5e6},
		{pressure, "8.1 bar", 8.1e5},
		{pressure, "101325 Pa", 101325},
		{pressure, "29.92 inHg", 29.92 * 0.0254 * 13595.1 * 9.80665},
		{pressure, "29.92 in Hg", 29.92 * 0.0254 * 13595.1 * 9.80665},
		{pressure, "760 torr", 101325},
		{pressure, "500 micron", 0.5 * 101325 / 760},
		{pressure, "760000 microns", 101325}, // one atmosphere (common practice)
		{pressure, "-5 psi", -5 * psiPa},
		{share, "3 %", 3},
		{share, "51.1%", 51.1},
		{share, "51.1 %RH", 51.1},
		{seconds, "900 s", 900},
		{seconds, "15 min", 900},
		{seconds, "24 h", 86400},
		{seconds, "7 d", 7 * 86400},
		{seconds, "250 ms", 0.25},
	} {
		got, err := c.parse(c.text)
		if err != nil {
			t.Errorf("%q: %v", c.text, err)
		} else if math.Abs(got-c.want) > 1e-14*math.Abs(c.want) {
			t.Errorf("%q is %v, want %v", c.text, got, c.want)
		}
	}
}

// TestParseErrors checks that each refusal names the text and says what to do.
func TestParseErrors(t *testing.T) {
	long := strings.Repeat("9", 65) + " m"
	for _, c := range []struct {
		parse func(string) (float64, error)
		text  string
		says  []string
	}{
		{pressure, "118", []string{`"118"`, "unit is missing", "kPa", "psi"}},
		{pressure, "12,5 kPa", []string{`"12,5 kPa"`, "decimal sign as a point"}},
		{length, "1,600 m", []string{"thousands without a separator"}},
		{length, "1 600 m", []string{"one plain decimal number"}},
		{length, "3/8 in", []string{"one plain decimal number", "0.375"}},
		{length, "1_600 m", []string{"plain digits"}},
		{length, "1.2.3 m", []string{"one decimal point"}},
		{length, "0x10 m", []string{"plain decimal"}},
		{length, "0x1p4 m", []string{"plain decimal"}},
		{length, "NaN m", []string{"does not begin with a number"}},
		{length, "Inf m", []string{"does not begin with a number"}},
		{length, "-Inf m", []string{"does not begin with a number"}},
		{length, ". m", []string{"does not begin with a number"}},
		{length, "-", []string{"does not begin with a number"}},
		{length, "m", []string{"does not begin with a number"}},
		{length, "", []string{`""`, "empty", "m, mm"}},
		{length, "   ", []string{"empty"}},
		{length, "1e999 m", []string{"too large"}},
		{length, long, []string{"too long", "…"}},
		{length, "12 kg", []string{`"kg" is a unit of mass`, "expected a number and m, mm"}},
		{length, "12 M", []string{"did you mean m?"}},
		{pressure, "8 kpa", []string{"did you mean kPa?"}},
		{pressure, "8 KPA", []string{"did you mean kPa?"}},
		{pressure, "2 mPa", []string{"did you mean MPa?"}}, // a factor of 10^9 must not be guessed
		{pressure, "118 pis", []string{"unknown unit", "psi"}},
		{pressure, "118 psu", []string{"did you mean psi?"}},
		{pressure, "118 psig", []string{`"psig" says gauge`, "write psi"}},
		{pressure, "8 bara", []string{`"bara" says absolute`, "write bar"}},
		{pressure, "1e306 MPa", []string{"too large"}},
		{pressure, "55 degF", []string{"is a unit of temperature"}},
		{power, "3 hp", []string{`unknown unit "hp"`, "Btu/h"}},
		{power, "10.5 kw", []string{"did you mean kW?"}},
		{power, "3 tonn", []string{"did you mean ton?"}},
		{difference, "10", []string{"unit is missing", "K, degF or degC"}},
		{temperature, "-1 K", []string{"below absolute zero"}},
		{temperature, "-500 degF", []string{"below absolute zero"}},
		{temperature, "-273.16 degC", []string{"below absolute zero"}},
		{temperature, "280 k", []string{"did you mean K?"}},
		{seconds, "15m", []string{`"m" is a unit of length`, "min"}},
		{seconds, "1h30m", []string{`unknown unit "h30m"`}},
		{seconds, "400000 d", []string{"292 years"}},
		{share, "50", []string{"unit is missing", "and %"}},
	} {
		v, err := c.parse(c.text)
		if err == nil {
			t.Errorf("%q was read as %v", c.text, v)
			continue
		}
		if v != 0 {
			t.Errorf("%q: refused, but with the value %v", c.text, v)
		}
		var parseErr *ParseError
		if !errors.As(err, &parseErr) || parseErr.Text != c.text {
			t.Errorf("%q: the error %#v does not carry the text", c.text, err)
		}
		for _, part := range c.says {
			if !strings.Contains(err.Error(), part) {
				t.Errorf("%q: %v\n\tdoes not say %q", c.text, err, part)
			}
		}
	}
}

func TestParseReading(t *testing.T) {
	const psiPa = 4.4482216152605 / 0.00064516
	for _, c := range []struct {
		text  string
		want  Pascal
		datum Datum
	}{
		{"118 psi", 118 * psiPa, Unstated},
		{"118 psig", 118 * psiPa, Gauge},
		{"118 PSIG", 118 * psiPa, Gauge},
		{"132.7 psia", 132.7 * psiPa, Absolute},
		{"8.1 bara", 8.1e5, Absolute},
		{"7.1 bar(g)", 7.1e5, Gauge},
		{"300 kPa gauge", 3e5, Gauge},
		{"300 kPa absolute", 3e5, Absolute},
		{"300 kPaa", 3e5, Absolute},
		{"300 kPa", 3e5, Unstated},
		{"300 Pa", 300, Unstated},
		{"29.92 inHg", 29.92 * 0.0254 * 13595.1 * 9.80665, Unstated},
		{"10 inHg abs", 10 * 0.0254 * 13595.1 * 9.80665, Absolute},
	} {
		got, datum, err := ParseReading(c.text)
		if err != nil || datum != c.datum || math.Abs(float64(got-c.want)) > 1e-14*float64(c.want) {
			t.Errorf("%q is %v %v (%v), want %v %v", c.text, got, datum, err, c.want, c.datum)
		}
	}
	for _, text := range []string{"118", "118 g", "118 kpag", "118 gauge", "118 psigg", "12,5 psig", "1e306 MPa gauge"} {
		if got, datum, err := ParseReading(text); err == nil {
			t.Errorf("%q was read as %v %v", text, got, datum)
		}
	}
	if Unstated.String() == Gauge.String() || Gauge.String() == Absolute.String() {
		t.Error("the datums read alike")
	}
}

func TestParseDurationIsExact(t *testing.T) {
	for text, want := range map[string]time.Duration{
		"900 s": 900 * time.Second, "15 min": 15 * time.Minute, "24 h": 24 * time.Hour,
		"0.1 s": 100 * time.Millisecond, "1.5 h": 90 * time.Minute, "31 days": 31 * 24 * time.Hour,
	} {
		if got, err := ParseDuration(text); err != nil || got != want {
			t.Errorf("%q is %v (%v), want %v", text, got, err, want)
		}
	}
}

// TestSpellingsAreUnambiguous: within a dimension no spelling stands for two units, not even
// in another case where the case is free.
func TestSpellingsAreUnambiguous(t *testing.T) {
	for d := range numDimensions {
		for _, s := range spellings[d] {
			if s.unit.dim != d {
				t.Errorf("%v lists %v, a unit of %v", d, s.unit, s.unit.dim)
			}
			for _, name := range append([]string{s.unit.name}, s.names...) {
				if got, ok := spelled(d, name); !ok || got != s.unit {
					t.Errorf("%v: %q is read as %v, want %v", d, name, got, s.unit)
				}
				for _, other := range spellings[d] {
					if other.anyCase && other.unit != s.unit && spellsInAnyCase(other, name) {
						t.Errorf("%v: %q is also %v", d, name, other.unit)
					}
				}
			}
		}
	}
}

func spellsInAnyCase(s spelling, name string) bool {
	for _, n := range s.names {
		if strings.EqualFold(n, name) {
			return true
		}
	}
	return false
}
