package papers

import (
	"fmt"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"dewline"
	"dewline/thermo/si"
)

// reader writes quantities as who reads the paper thinks of them.
type reader struct{ si.System }

func readerOf(u dewline.Units) reader {
	if u == dewline.USUnits {
		return reader{si.US}
	}
	return reader{si.SI}
}

// value writes a value of a unit of the contract.
func (r reader) value(v float64, unit string) string {
	return strings.Replace(r.written(v, unit), "-", "\u2212", 1)
}

func (r reader) written(v float64, unit string) string {
	switch unit {
	case "Pa":
		return r.Pressure(si.Pascal(v), r.fine(0, 1))
	case "Cel":
		return r.Temperature(si.FromCelsius(v), 1)
	case "K":
		return r.Difference(si.DeltaK(v), 1)
	case "W":
		return r.Power(si.Watt(v), 2)
	case "/", "":
		return strconv.FormatFloat(v, 'f', 2, 64)
	}
	return strconv.FormatFloat(v, 'f', 1, 64) + " " + unit
}

// change writes the difference of two values of a unit, with its sign.
func (r reader) change(v float64, unit string) string {
	text := ""
	if unit == "Cel" { // a difference of temperatures has no offset
		text = r.Difference(si.DeltaK(v), 1)
	} else {
		text = r.written(v, unit)
	}
	if !strings.HasPrefix(text, "-") {
		text = "+" + text
	}
	return strings.Replace(text, "-", "\u2212", 1)
}

// fine is how many decimals a reader's unit deserves.
func (r reader) fine(metric, us int) int {
	if r.System == si.US {
		return us
	}
	return metric
}

func (r reader) mass(m si.Kilogram) string {
	if m == 0 {
		return ""
	}
	return r.Mass(m, 2)
}

func (r reader) bore(m si.Metre) string {
	if m == 0 {
		return ""
	}
	return r.Diameter(m, r.fine(2, 3))
}

// band writes where a measure should be.
func (r reader) band(m dewline.Measure) string {
	switch {
	case m.Low != nil && m.High != nil:
		return r.value(*m.Low, m.Unit) + " to " + r.value(*m.High, m.Unit)
	case m.Low != nil:
		return "at least " + r.value(*m.Low, m.Unit)
	case m.High != nil:
		return "at most " + r.value(*m.High, m.Unit)
	case m.Why != "":
		return "not known: " + m.Why
	}
	return "not known"
}

// measured writes a measure: the mean, and from where to where it went.
func (r reader) measured(m dewline.Measure) string {
	return fmt.Sprintf("%s (%s to %s)", r.value(m.Mean, m.Unit), r.value(m.Min, m.Unit), r.value(m.Max, m.Unit))
}

func words[T ~string](name T) string { return strings.ReplaceAll(string(name), "_", " ") }

// sentence gives a text a capital letter and an end.
func sentence(text string) string {
	text = strings.TrimSpace(text)
	if text == "" {
		return ""
	}
	first, size := utf8.DecodeRuneInString(text)
	text = string(unicode.ToUpper(first)) + text[size:]
	if !strings.ContainsAny(text[len(text)-1:], ".!?") {
		text += "."
	}
	return text
}

func fault(f dewline.Fault, detail string) string {
	text := words(f)
	if f == dewline.NoFault {
		text = "no fault"
	}
	if detail != "" {
		text += ", " + words(detail)
	}
	return text
}

// trade are names whose capitals matter.
var trade = map[string]string{
	"txv": "thermostatic expansion valve", "eev": "electronic expansion valve", "fixed_orifice": "fixed orifice", "capillary": "capillary tube", "split_ac": "split air conditioner",
}

func named[T ~string](name T) string {
	if text, ok := trade[string(name)]; ok {
		return text
	}
	return words(name)
}

// pointOf writes what a gauge was at, with what a pressure counts from.
func pointOf(g dewline.GaugeReading) string {
	text := words(g.Point)
	if p, ok := dewline.PointNamed(g.Point); ok && p.Dimension() == dewline.Pressure {
		reference := g.Reference
		if reference == "" {
			reference = dewline.Gauge
		}
		text += " (" + words(string(reference)) + ")"
	}
	return text
}
