package si

import (
	"math"
	"strconv"
	"strings"
	"time"
)

// ParseError says why a text is not the quantity that was expected.
type ParseError struct {
	Text    string    // the text that was read
	Want    Dimension // what it should have been
	Problem string    // what is wrong with it, in words
}

// Error names the text, what is wrong with it and what was expected.
func (e *ParseError) Error() string {
	return "cannot read " + quote(e.Text) + " as a " + e.Want.String() + ": " + e.Problem +
		" (expected a number and " + expected(e.Want) + ")"
}

// ParseTemperature reads a temperature, such as "55 degF", "-18 °C" or "280 K". Below 0 K
// there is none.
func ParseTemperature(text string) (Kelvin, error) {
	v, err := parse(Temperature, text)
	if err == nil && v < 0 {
		return 0, &ParseError{text, Temperature, "it is below absolute zero"}
	}
	return Kelvin(v), err
}

// ParseDifference reads a difference of temperatures, such as "5.6 K" or "10 degF". It
// converts without offset: 10 degF is 5.56 K.
func ParseDifference(text string) (DeltaK, error) {
	v, err := parse(Difference, text)
	return DeltaK(v), err
}

// ParsePressure reads a pressure, such as "118 psi", "8 kPa" or "500 micron". It refuses psig
// and the like, because their meaning would be lost; see [ParseReading].
func ParsePressure(text string) (Pascal, error) {
	v, err := parse(Pressure, text)
	return Pascal(v), err
}

// ParseLength reads a length, such as "12 m", "40 ft" or "0.065 in".
func ParseLength(text string) (Metre, error) {
	v, err := parse(Length, text)
	return Metre(v), err
}

// ParseMass reads a mass, such as "3.1 kg" or "6.8 lb".
func ParseMass(text string) (Kilogram, error) {
	v, err := parse(Mass, text)
	return Kilogram(v), err
}

// ParsePower reads a power or a capacity, such as "10.5 kW", "36000 Btu/h" or "3 ton" (of
// refrigeration).
func ParsePower(text string) (Watt, error) {
	v, err := parse(Power, text)
	return Watt(v), err
}

// ParsePercent reads a share, such as "3 %".
func ParsePercent(text string) (Percent, error) {
	v, err := parse(Ratio, text)
	return Percent(v), err
}

// ParseDuration reads a span of time in one unit, such as "900 s", "15 min" or "24 h". The
// "15m" of package time is refused: here m is the metre.
func ParseDuration(text string) (time.Duration, error) {
	seconds, err := parse(Time, text)
	if err != nil {
		return 0, err
	}
	ns := math.Round(seconds * 1e9)
	if math.Abs(ns) >= math.MaxInt64 {
		return 0, &ParseError{text, Time, "it is longer than 292 years"}
	}
	return time.Duration(ns), nil
}

// Datum is what a pressure is counted from.
type Datum uint8

// A text may leave the datum open; then the place where it stands decides.
const (
	Unstated Datum = iota
	Gauge
	Absolute
)

// String returns the datum in words.
func (d Datum) String() string {
	switch d {
	case Gauge:
		return "gauge"
	case Absolute:
		return "absolute"
	}
	return "unstated"
}

// ParseReading reads a pressure together with what it is counted from, where the text says
// so: "118 psig", "8.1 bara", "300 kPa gauge", "118 psi absolute".
func ParseReading(text string) (Pascal, Datum, error) {
	v, name, problem := splitNumber(text)
	if problem != "" {
		return 0, Unstated, &ParseError{text, Pressure, problem}
	}
	unit, datum, ok := spelledReading(name)
	if !ok {
		return 0, Unstated, &ParseError{text, Pressure, unitProblem(Pressure, name)}
	}
	v, err := inOwnUnit(text, v, unit)
	return Pascal(v), datum, err
}

var datumEndings = []struct {
	ending string
	datum  Datum
}{
	{" gauge", Gauge}, {" absolute", Absolute}, {" abs", Absolute},
	{"(g)", Gauge}, {"(a)", Absolute}, {"g", Gauge}, {"a", Absolute},
}

func spelledReading(name string) (Unit, Datum, bool) {
	if unit, ok := spelled(Pressure, name); ok {
		return unit, Unstated, true
	}
	for _, e := range datumEndings {
		base, ok := cutSuffixFold(name, e.ending)
		if !ok {
			continue
		}
		if unit, ok := spelled(Pressure, strings.TrimSpace(base)); ok {
			return unit, e.datum, true
		}
	}
	return Unit{}, Unstated, false
}

func cutSuffixFold(s, suffix string) (string, bool) {
	cut := len(s) - len(suffix)
	if cut < 0 || !strings.EqualFold(s[cut:], suffix) {
		return s, false
	}
	return s[:cut], true
}

// parse reads a number and a unit of dimension d and returns it in d's own unit.
func parse(d Dimension, text string) (float64, error) {
	v, name, problem := splitNumber(text)
	if problem != "" {
		return 0, &ParseError{text, d, problem}
	}
	unit, ok := spelled(d, name)
	if !ok {
		return 0, &ParseError{text, d, unitProblem(d, name)}
	}
	return inOwnUnit(text, v, unit)
}

func inOwnUnit(text string, v float64, unit Unit) (float64, error) {
	v = unit.toOwn(v)
	if math.IsInf(v, 0) {
		return 0, &ParseError{text, unit.dim, "the number is too large"}
	}
	return v, nil
}

// unitProblem says why name is not a unit of dimension d.
func unitProblem(d Dimension, name string) string {
	if name == "" {
		return "the unit is missing"
	}
	if d == Pressure {
		if unit, datum, ok := spelledReading(name); ok {
			return quote(name) + " says " + datum.String() + ", which is not stated here; write " + unit.name
		}
	}
	return unknownUnit(d, name)
}

// quote quotes a text for an error, shortened where it is longer than a quantity can be.
func quote(text string) string {
	if len(text) > maxText {
		text = strings.ToValidUTF8(text[:maxText], "") + "…"
	}
	return strconv.Quote(text)
}
