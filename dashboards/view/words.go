package view

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"dewline"
)

// healths are the words of the API in the order in which a page lists them, the gravest first, each
// with the word that people read.
var healths = []struct {
	health dewline.Health
	word   dewline.Phrase
}{
	{dewline.HealthUrgent, dewline.Phrase("urgent")},
	{dewline.HealthSilent, dewline.Phrase("silent")},
	{dewline.HealthSoon, dewline.Phrase("soon")},
	{dewline.HealthDoubtful, dewline.Phrase("doubtful")},
	{dewline.HealthUnderRepair, dewline.Phrase("under repair")},
	{dewline.HealthDrifting, dewline.Phrase("drifting")},
	{dewline.HealthLearning, dewline.Phrase("learning")},
	{dewline.HealthWell, dewline.Phrase("well")},
}

// Healths returns every health, gravest first.
func Healths() []dewline.Health {
	all := make([]dewline.Health, len(healths))
	for i, h := range healths {
		all[i] = h.health
	}
	return all
}

// HealthWord returns the word that people read for h.
func (u Idiom) HealthWord(h dewline.Health) string {
	for _, known := range healths {
		if known.health == h {
			return known.word.Said(u)
		}
	}
	return string(h)
}

// rank is the place of h in the list of healths, the gravest first.
func rank(h dewline.Health) int {
	for i, known := range healths {
		if known.health == h {
			return i
		}
	}
	return len(healths)
}

var conditionWords = map[dewline.Condition]dewline.Phrase{
	dewline.Flooding:       "flooding",
	dewline.Starving:       "starving",
	dewline.ChargeDrift:    "charge drifting",
	dewline.HighHead:       "high head pressure",
	dewline.Freezing:       "coil freezing",
	dewline.HotDischarge:   "hot discharge",
	dewline.Hunting:        "hunting",
	dewline.ShortCycling:   "short cycling",
	dewline.CapacityLoss:   "losing capacity",
	dewline.EfficiencyLoss: "losing efficiency",
	dewline.SpaceWarm:      "space too warm",
	dewline.NotRunning:     "not running",
	dewline.SensorDoubt:    "sensor doubtful",
	dewline.Silent:         "silent",
}

// ConditionWord returns the trade's words for a condition.
func (u Idiom) ConditionWord(c dewline.Condition) string { return wordOr(u, conditionWords, c) }

// conditionMeanings say what is physically going on.
var conditionMeanings = map[dewline.Condition]dewline.Phrase{
	dewline.Flooding:       "liquid is reaching the compressor, or superheat drifts to it",
	dewline.Starving:       "the evaporator is starved: superheat beyond what the conditions explain",
	dewline.ChargeDrift:    "subcooling leaves its expectation while superheat still holds",
	dewline.HighHead:       "the condensing pressure is higher than the outdoor air explains",
	dewline.Freezing:       "the coil works cold enough to collect ice",
	dewline.HotDischarge:   "the discharge line is hotter than the compressor's oil can bear for long",
	dewline.Hunting:        "the valve swings without settling",
	dewline.ShortCycling:   "the compressor starts too often",
	dewline.CapacityLoss:   "it runs and moves less heat than it should",
	dewline.EfficiencyLoss: "it runs and takes more power than it should",
	dewline.SpaceWarm:      "the space is above its limit",
	dewline.NotRunning:     "it is asked to run and does not start",
	dewline.SensorDoubt:    "a sensor cannot be believed",
	dewline.Silent:         "no reading arrives",
}

// faultsNear are the words for a fault of which the detail is known and follows.
var faultsNear = map[dewline.Fault]dewline.Phrase{dewline.Restriction: "a restriction"}

var faultWords = map[dewline.Fault]dewline.Phrase{
	dewline.Undercharge:       "too little charge",
	dewline.Overcharge:        "too much charge",
	dewline.Restriction:       "a restriction in the liquid line, drier or metering device",
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

// FaultWord returns the trade's words for a fault.
func (u Idiom) FaultWord(f dewline.Fault) string { return wordOr(u, faultWords, f) }

var severityWords = map[dewline.Severity]dewline.Phrase{
	dewline.Urgent: "urgent", dewline.Soon: "soon", dewline.Watch: "watch",
}

var severityDeadlines = map[dewline.Severity]dewline.Phrase{
	dewline.Urgent: "today", dewline.Soon: "this week", dewline.Watch: "keep an eye on it",
}

var stateWords = map[dewline.AlertState]dewline.Phrase{
	dewline.AlertOpen:         "open",
	dewline.AlertAcknowledged: "acknowledged",
	dewline.AlertDispatched:   "under repair",
	dewline.AlertVerifying:    "being proved",
	dewline.AlertResolved:     "proved",
	dewline.AlertDismissed:    "closed",
}

// StateWordOf returns the word that people read for where an alert stands. What readings ended is
// proved; what people ended is closed.
func (u Idiom) StateWordOf(a *dewline.Alert) string {
	if a.State == dewline.AlertResolved && a.Cleared == 0 {
		return u.StateWord(dewline.AlertDismissed)
	}
	return u.StateWord(a.State)
}

// StateWord returns the word that people read for a state of alerts.
func (u Idiom) StateWord(s dewline.AlertState) string { return wordOr(u, stateWords, s) }

var kindWords = map[dewline.Kind]dewline.Phrase{
	dewline.SplitAC: "split air conditioner", dewline.HeatPump: "heat pump", dewline.Packaged: "packaged machine",
	dewline.WalkInCooler: "walk-in cooler", dewline.WalkInFreezer: "walk-in freezer", dewline.DisplayCase: "display case",
}

// KindWord returns the trade's words for a kind of machine.
func (u Idiom) KindWord(k dewline.Kind) string { return wordOr(u, kindWords, k) }

var meteringWords = map[dewline.Metering]dewline.Phrase{
	dewline.FixedOrifice: "fixed orifice", dewline.Capillary: "capillary", dewline.TXV: "TXV", dewline.EEV: "EEV",
}

// MeteringWord returns the trade's words for a metering device.
func (u Idiom) MeteringWord(m dewline.Metering) string { return wordOr(u, meteringWords, m) }

// wordOr falls back on the contract's name: a word of a later version must still read.
func wordOr[T ~string](u Idiom, words map[T]dewline.Phrase, key T) string {
	if w, ok := words[key]; ok {
		return w.Said(u)
	}
	return u.Name(string(key))
}

// Name returns the words for a name of the contract, such as suction_pressure.
func (u Idiom) Name(name string) string { return u.Say(underscores(name)) }

func underscores(text string) string { return strings.ReplaceAll(text, "_", " ") }

// sentenceCase gives a text a capital at its beginning and a stop at its end.
func sentenceCase(text string) string {
	if text == "" {
		return ""
	}
	if first, size := utf8.DecodeRuneInString(text); unicode.IsLower(first) {
		text = string(unicode.ToUpper(first)) + text[size:]
	}
	if strings.HasSuffix(text, ".") {
		return text
	}
	return text + "."
}
