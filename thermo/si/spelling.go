package si

import (
	"slices"
	"strings"
)

// spelling is a unit as people write it. The first name is the one that errors show.
type spelling struct {
	unit    Unit
	anyCase bool // only where no metric prefix could change its meaning
	names   []string
}

var (
	celsiusNames    = []string{"degC", "°C", "C", "Cel", "deg C", "° C", "ºC", "℃"}
	fahrenheitNames = []string{"degF", "°F", "F", "[degF]", "deg F", "° F", "ºF", "℉"}
)

// spellings lists, for each dimension, the units that people may write.
var spellings = [numDimensions][]spelling{
	Temperature: {
		{celsius, true, celsiusNames},
		{fahrenheit, true, fahrenheitNames},
		{kelvin, false, []string{"K", "\u212a"}}, // the Kelvin sign is its own character
	},
	Difference: {
		{deltaKelvin, false, []string{"K", "\u212a"}},
		{deltaFahrenheit, true, fahrenheitNames},
		{deltaCelsius, true, celsiusNames},
	},
	Pressure: {
		{kilopascal, false, []string{"kPa"}},
		{pascal, false, []string{"Pa"}},
		{hectopascal, false, []string{"hPa"}},
		{megapascal, false, []string{"MPa"}},
		{bar, true, []string{"bar"}},
		{millibar, false, []string{"mbar"}},
		{psiUnit, true, []string{"psi", "[psi]", "lbf/in²", "lbf/in2"}},
		{inHg, true, []string{"inHg", "in Hg", "[in_i'Hg]", "in. Hg"}},
		{mmHg, false, []string{"mmHg", "mm Hg"}},
		{torrUnit, true, []string{"torr"}},
		{micronUnit, true, []string{"micron", "microns"}},
	},
	Length: {
		{metre, false, []string{"m"}},
		{millimetre, false, []string{"mm"}},
		{centimetre, false, []string{"cm"}},
		{kilometre, false, []string{"km"}},
		{footUnit, true, []string{"ft", "feet", "foot", "'", "′"}},
		{inchUnit, true, []string{"in", "inch", "inches", "in.", `"`, "″"}},
	},
	Mass: {
		{kilogram, false, []string{"kg"}},
		{gram, false, []string{"g"}},
		{poundUnit, true, []string{"lb", "lbs"}},
		{ounceUnit, true, []string{"oz"}},
	},
	Power: {
		{kilowatt, false, []string{"kW"}},
		{watt, false, []string{"W"}},
		{btuPerHourUnit, true, []string{"Btu/h", "Btu/hr", "Btuh"}},
		{mbh, false, []string{"MBH"}},
		{tonUnit, true, []string{"ton", "tons"}},
	},
	Time: {
		{second, false, []string{"s", "sec", "second", "seconds"}},
		{minute, false, []string{"min", "minute", "minutes"}},
		{hour, false, []string{"h", "hr", "hour", "hours"}},
		{day, false, []string{"d", "day", "days"}},
		{millisecond, false, []string{"ms"}},
	},
	Ratio: {
		{percent, true, []string{"%", "%RH", "% RH", "percent"}},
	},
}

// spelled returns the unit of dimension d that name stands for.
func spelled(d Dimension, name string) (Unit, bool) {
	for _, s := range spellings[d] {
		if slices.Contains(s.names, name) {
			return s.unit, true
		}
	}
	for _, s := range spellings[d] {
		if s.anyCase && slices.ContainsFunc(s.names, sameLetters(name)) {
			return s.unit, true
		}
	}
	return Unit{}, false
}

func sameLetters(name string) func(string) bool {
	return func(other string) bool { return strings.EqualFold(name, other) }
}

// expected lists the units of dimension d for an error.
func expected(d Dimension) string {
	var names []string
	for _, s := range spellings[d] {
		names = append(names, s.names[0])
	}
	if last := len(names) - 1; last > 0 {
		return strings.Join(names[:last], ", ") + " or " + names[last]
	}
	return names[0]
}

// unknownUnit says what is wrong with a unit that dimension d does not have, and names the
// unit that was probably meant.
func unknownUnit(d Dimension, name string) string {
	if near := inOtherCase(d, name); near != "" {
		return "unknown unit " + quote(name) + ", did you mean " + near + "?"
	}
	for other := range numDimensions {
		if _, ok := spelled(other, name); ok && other != d {
			return quote(name) + " is a unit of " + other.String()
		}
	}
	if near := nearest(d, name); near != "" {
		return "unknown unit " + quote(name) + ", did you mean " + near + "?"
	}
	return "unknown unit " + quote(name)
}

// inOtherCase returns the spelling of dimension d that differs from name in case only. It is
// offered and not taken: mPa may be a slip for MPa, or a thousand-millionth of it.
func inOtherCase(d Dimension, name string) string {
	for _, s := range spellings[d] {
		if i := slices.IndexFunc(s.names, sameLetters(name)); i >= 0 {
			return s.names[i]
		}
	}
	return ""
}

// nearest returns a spelling of dimension d that is one letter away from name, empty if there
// is none. Among units of one letter everything is near everything, so those are left out.
func nearest(d Dimension, name string) string {
	for _, s := range spellings[d] {
		for _, candidate := range s.names {
			if len(candidate) > 1 && editDistance(name, candidate) == 1 {
				return candidate
			}
		}
	}
	return ""
}

// editDistance is the Levenshtein distance of two words, without regard to case.
func editDistance(a, b string) int {
	x, y := []rune(strings.ToLower(a)), []rune(strings.ToLower(b))
	row := make([]int, len(y)+1)
	for j := range row {
		row[j] = j
	}
	for i := range x {
		diagonal := row[0]
		row[0] = i + 1
		for j := range y {
			substitute := diagonal
			if x[i] != y[j] {
				substitute++
			}
			diagonal = row[j+1]
			row[j+1] = min(substitute, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(y)]
}
