package notify

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"unicode"

	"dewline"
)

// conditionWords say what is happening, for people of the trade.
var conditionWords = map[dewline.Condition]string{
	dewline.Flooding:       "liquid is reaching the compressor, or superheat drifts to it",
	dewline.HotDischarge:   "the discharge line is hotter than the compressor's oil can bear for long",
	dewline.HighHead:       "head pressure is higher than the outdoor air explains",
	dewline.NotRunning:     "it is asked to run and does not start",
	dewline.SpaceWarm:      "the space is above its limit",
	dewline.Freezing:       "the coil collects ice",
	dewline.Starving:       "the evaporator is starved: superheat beyond what the conditions explain",
	dewline.ShortCycling:   "the compressor starts too often",
	dewline.Hunting:        "the valve swings without settling",
	dewline.CapacityLoss:   "it runs and moves less heat than it should",
	dewline.EfficiencyLoss: "it runs and takes more power than it should",
	dewline.ChargeDrift:    "subcooling leaves its expectation while superheat still holds",
	dewline.SensorDoubt:    "a sensor cannot be believed",
	dewline.Silent:         "no reading arrives",
}

func conditionWord(c dewline.Condition, owner bool) string {
	if owner {
		return c.ForOwner()
	}
	if word, known := conditionWords[c]; known {
		return word
	}
	return strings.ReplaceAll(string(c), "_", " ")
}

var faultWords = map[dewline.Fault]string{
	dewline.Undercharge:       "too little charge",
	dewline.Overcharge:        "too much charge",
	dewline.Restriction:       "a restriction in liquid line, drier or metering device",
	dewline.Overfeed:          "the metering device passes too much",
	dewline.EvaporatorAirflow: "too little air over the evaporator",
	dewline.CondenserAirflow:  "too little air over the condenser",
	dewline.NonCondensables:   "non-condensables in the circuit",
	dewline.CompressorLeakage: "the compressor leaks inside",
	dewline.ReversingValve:    "the reversing valve leaks or sticks",
	dewline.DefrostFault:      "defrost",
	dewline.SensorFault:       "a sensor",
	dewline.Communication:     "the gateway or its connection",
	dewline.NoFault:           "no fault",
}

func faultWord(c dewline.Cause) string {
	word, known := faultWords[c.Fault]
	if !known {
		word = strings.ReplaceAll(string(c.Fault), "_", " ")
	}
	if c.Detail != "" {
		word += ", " + strings.ReplaceAll(c.Detail, "_", " ")
	}
	return fmt.Sprintf("%s (%.0f %%)", word, 100*c.Probability)
}

var severityWords = map[dewline.Severity]string{
	dewline.Urgent: "Urgent, today", dewline.Soon: "Soon, this week", dewline.Watch: "Watch",
}

// line makes one line of any text, so that a name can begin no header of its own.
func line(text string) string {
	text = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == '\u2028' || r == '\u2029' {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(text, "\uFFFD"))
	return strings.Join(strings.Fields(text), " ")
}

// short cuts a text to so many characters, at most.
func short(text string, most int) string {
	runes := []rune(text)
	if len(runes) <= most {
		return text
	}
	return strings.TrimSpace(string(runes[:most-1])) + "…"
}

func capital(text string) string {
	runes := []rune(text)
	if len(runes) == 0 {
		return text
	}
	runes[0] = unicode.ToUpper(runes[0])
	return string(runes)
}

// quantity finds a number, or a number ± another, with a unit that US readers have another for. K in
// evidence and limits is always a difference; a temperature is written in °C.
var quantity = regexp.MustCompile(`(-?\d+(?:\.\d+)?)( ?± ?)?(\d+(?:\.\d+)?)?[ \x{a0}](K|°C|kPa|kg)\b`)

// usUnit says how a unit is read in the United States. Factors: NIST Special Publication 811, 2008,
// appendix B: 1 psi = 6.894757 kPa, 1 lb = 0.45359237 kg.
var usUnits = map[string]struct {
	word          string
	factor, shift float64
	decimals      int // to add, so that the number says as much as before
}{
	"K": {"°F", 1.8, 0, 0}, "°C": {"°F", 1.8, 32, 0}, "kPa": {"psi", 1 / 6.894757, 0, 1}, "kg": {"lb", 1 / 0.45359237, 0, 0},
}

// inUnits writes the quantities of a text in the reader's units.
func inUnits(text string, units dewline.Units) string {
	if units != dewline.USUnits {
		return text
	}
	return quantity.ReplaceAllStringFunc(text, func(found string) string {
		m := quantity.FindStringSubmatch(found)
		unit := usUnits[m[4]]
		out := converted(m[1], unit.factor, unit.shift, unit.decimals)
		if m[3] != "" {
			out += m[2] + converted(m[3], unit.factor, 0, unit.decimals) // an uncertainty is a difference
		}
		return out + " " + unit.word
	})
}

func converted(number string, factor, shift float64, more int) string {
	_, fraction, _ := strings.Cut(number, ".")
	v, err := strconv.ParseFloat(number, 64)
	if err != nil {
		return number
	}
	v = v*factor + shift
	decimals := len(fraction) + more
	if scale := math.Pow10(decimals); math.Round(v*scale) == 0 {
		v = 0 // not -0
	}
	return strconv.FormatFloat(v, 'f', decimals, 64)
}

// days writes a forecast's span as people say it.
func days(f *dewline.Forecast) string {
	if f.DaysP50 <= 0 {
		return "reached already"
	}
	return fmt.Sprintf("in about %s days (%s to %s)", round(f.DaysP50), round(f.DaysP10), round(f.DaysP90))
}

func round(days float64) string {
	if days < 10 {
		return strconv.FormatFloat(days, 'f', 1, 64)
	}
	return strconv.FormatFloat(days, 'f', 0, 64)
}
