package si

import (
	"math"
	"strings"
	"testing"
	"unicode/utf8"
)

// fuzzParser holds one parser to: a finite number, or zero with an error that can be shown.
func fuzzParser(f *testing.F, parse func(string) (float64, error)) {
	for _, text := range []string{
		"118 psi", "118psig", "8.1 bara", "0.065 in", "55 degF", "55 °F", "5.6 K", "3 ton", "36000 Btu/h", "12 m",
		"40 ft", "3.1 kg", "6.8 lb", "10.5 kW", "900 s", "15 min", "24 h", "3 %", "500 micron", "29.92 inHg",
		"12,5 kPa", "1e308 MPa", "-1e308 degF", "1e-400 K", "NaN K", "Inf Pa", "0x1p9 m", "1_0 m", "", " ", "-", "+.",
		"5.e5", "−3 m", "1e", "1e+ m", "3/8 in", "9\xff", "9 \xff\xfe", "7 K", "\u00a07\u00a0m\u00a0",
	} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		v, err := parse(text)
		if math.IsNaN(v) || math.IsInf(v, 0) {
			t.Fatalf("%q is %v", text, v)
		}
		if err == nil {
			return
		}
		if v != 0 {
			t.Errorf("%q: refused, but with the value %v", text, v)
		}
		if said := err.Error(); !utf8.ValidString(said) || !strings.Contains(said, "expected") || len(said) > 1000 {
			t.Errorf("%q: the error cannot be shown: %q", text, said)
		}
	})
}

func FuzzParseTemperature(f *testing.F) {
	fuzzParser(f, func(text string) (float64, error) {
		v, err := ParseTemperature(text)
		if v < 0 {
			return math.NaN(), nil // reported by the caller: there is no such temperature
		}
		return float64(v), err
	})
}
func FuzzParseDifference(f *testing.F) { fuzzParser(f, difference) }
func FuzzParsePressure(f *testing.F)   { fuzzParser(f, pressure) }
func FuzzParseLength(f *testing.F)     { fuzzParser(f, length) }
func FuzzParseMass(f *testing.F)       { fuzzParser(f, mass) }
func FuzzParsePower(f *testing.F)      { fuzzParser(f, power) }
func FuzzParsePercent(f *testing.F)    { fuzzParser(f, share) }
func FuzzParseDuration(f *testing.F)   { fuzzParser(f, seconds) }

// FuzzParseReading also holds the two readers of pressures together: what one reads without a
// datum, the other reads as the same number.
func FuzzParseReading(f *testing.F) {
	fuzzParser(f, func(text string) (float64, error) {
		v, datum, err := ParseReading(text)
		plain, plainErr := ParsePressure(text)
		if err == nil && datum == Unstated && (plainErr != nil || plain != v) {
			return math.NaN(), nil
		}
		if plainErr == nil && err != nil {
			return math.NaN(), nil
		}
		return float64(v), err
	})
}

func FuzzPrintParse(f *testing.F) {
	for _, v := range []float64{0, 1, 273.15, 101325, 1e-30, 1e30, 5e-324} {
		f.Add(v)
	}
	f.Fuzz(func(t *testing.T, v float64) {
		if v = math.Abs(v); v <= 1e300 {
			checkRoundTrip(t, v)
		}
	})
}
