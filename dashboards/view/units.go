package view

import (
	"regexp"
	"strconv"
	"strings"
	"time"

	"dewline"
	"dewline/dashboards/words"
	"dewline/thermo/si"
)

// Idiom is how somebody reads: quantities in which units, and words in which language. Everything that
// comes in is in the units of the API; only what goes out is in the reader's.
type Idiom struct {
	si.System
	*words.Language // nil: English
}

// Reader is for whom something is put into words: when, in the time of which place, and how.
type Reader struct {
	Now  time.Time
	Zone *time.Location // of the site; nil: UTC
	Idiom
}

// UnitsOf returns the system of units by the word that a reader has chosen.
func UnitsOf(u dewline.Units) si.System {
	if u == dewline.USUnits {
		return si.US
	}
	return si.SI
}

// scaleTo is how a unit of the API is read: its word, and the number as factor·v + offset.
type scaleTo struct {
	Word           string
	Factor, Offset float64
}

func (s scaleTo) value(v float64) float64 { return s.Factor*v + s.Offset }
func (s scaleTo) delta(v float64) float64 { return s.Factor * v }

// apiUnits are the units of the API with what they measure. K is one of differences there.
var apiUnits = map[string]si.Dimension{"K": si.Difference, "Cel": si.Temperature, "Pa": si.Pressure, "W": si.Power, "kg": si.Mass, "kg/s": si.MassFlow}

// shownAs returns how a unit of the API is read by people.
func shownAs(unit string, u Idiom) scaleTo {
	dimension, known := apiUnits[unit]
	if !known {
		switch unit {
		case "/":
			return scaleTo{"", 1, 0}
		case "%RH":
			return scaleTo{"% RH", 1, 0}
		}
		return scaleTo{unit, 1, 0}
	}
	from := dimension.Unit()
	if unit == "Cel" {
		from, _ = si.UnitByCode("Cel")
	}
	to := u.Unit(dimension)
	at0, _ := si.Convert(0, from, to)
	at1, _ := si.Convert(1, from, to)
	return scaleTo{to.String(), at1 - at0, at0}
}

// kelvins writes a difference with its unit.
func kelvins(d float64, u Idiom) string {
	s := shownAs("K", u)
	return Decimal(s.delta(d), 1) + "\u00a0" + s.Word
}

// KelvinWord returns the unit in which a reader reads differences.
func KelvinWord(u Idiom) string { return shownAs("K", u).Word }

// kelvinNumber writes a difference without its unit.
func kelvinNumber(d float64, u Idiom) string { return Decimal(shownAs("K", u).delta(d), 1) }

// In says where the quantity is expected, in the units of a reader and without naming them.
func (b Band) In(u Idiom) string {
	s := shownAs("K", u)
	b.Low, b.High = s.delta(b.Low), s.delta(b.High)
	return b.Words(u)
}

// Sentences that come from analytics carry their numbers in SI. numberInText finds those that have
// a unit, uncertainAfter the uncertainty in brackets that follows one and shares its unit.
var (
	numberInText   = regexp.MustCompile(`([+\x{2212}-]?)(\d+(?:\.\d+)?)([ \x{00a0}])(K|°C|kPa|Pa|kg|kW|mm|%)([^\pL\pN]|$)`)
	uncertainAfter = regexp.MustCompile(`\(±(\d+(?:\.\d+)?)\)`)
)

var textUnits = map[string]struct {
	unit  string
	times float64 // to the unit of the API
}{"K": {"K", 1}, "°C": {"Cel", 1}, "kPa": {"Pa", 1000}, "Pa": {"Pa", 1}, "kg": {"kg", 1}, "kW": {"W", 1000}}

// InUnits rewrites the quantities of a sentence for a reader. In SI it stays as it is.
func InUnits(text string, u Idiom) string {
	if u.System == si.SI {
		return text
	}
	var out strings.Builder
	last := scaleTo{Factor: 1}
	for text != "" {
		number, bracket := numberInText.FindStringSubmatchIndex(text), uncertainAfter.FindStringSubmatchIndex(text)
		switch {
		case number != nil && (bracket == nil || number[0] < bracket[0]):
			out.WriteString(text[:number[0]])
			unit := text[number[8]:number[9]]
			if unit == "%" { // stays as it is, and so does the uncertainty that follows it
				out.WriteString(text[number[0]:number[9]])
				last, text = scaleTo{Factor: 1}, text[number[9]:]
				continue
			}
			v, _ := strconv.ParseFloat(text[number[4]:number[5]], 64)
			sign := text[number[2]:number[3]]
			if sign == "-" || sign == "\u2212" {
				v = -v
			}
			written, s := inUnit(v, unit, u)
			if sign == "+" {
				written = "+" + written
			}
			out.WriteString(written + text[number[6]:number[7]] + s.Word)
			last, text = s, text[number[9]:]
		case bracket != nil:
			v, _ := strconv.ParseFloat(text[bracket[2]:bracket[3]], 64)
			out.WriteString(text[:bracket[0]] + "(±" + Decimal(last.delta(v), 1) + ")")
			text = text[bracket[1]:]
		default:
			out.WriteString(text)
			text = ""
		}
	}
	return out.String()
}

func inUnit(v float64, unit string, u Idiom) (string, scaleTo) {
	if unit == "mm" {
		inches := si.FromMillimetres(v).Inches()
		return Decimal(inches, 3), scaleTo{"in", si.FromMillimetres(1).Inches(), 0}
	}
	known := textUnits[unit]
	s := shownAs(known.unit, u)
	s.Factor *= known.times
	decimals := 1
	if known.unit == "Pa" && u.System == si.SI {
		decimals = 0
	}
	return Decimal(s.value(v), decimals), s
}
