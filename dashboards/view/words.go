package view

import (
	"strings"

	"dewline"
)

// healths are the words of the API in the order in which a page lists them, the gravest first, each
// with the word that people read.
var healths = []struct {
	health dewline.Health
	word   string
}{
	{dewline.HealthUrgent, "urgent"},
	{dewline.HealthSilent, "silent"},
	{dewline.HealthSoon, "soon"},
	{dewline.HealthDoubtful, "doubtful"},
	{dewline.HealthUnderRepair, "under repair"},
	{dewline.HealthDrifting, "drifting"},
	{dewline.HealthLearning, "learning"},
	{dewline.HealthWell, "well"},
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
func HealthWord(h dewline.Health) string {
	for _, known := range healths {
		if known.health == h {
			return known.word
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

var conditionWords = map[dewline.Condition]string{
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
func ConditionWord(c dewline.Condition) string { return wordOr(conditionWords, c) }

// conditionMeanings say what is physically going on.
var conditionMeanings = map[dewline.Condition]string{
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
var faultsNear = map[dewline.Fault]string{dewline.Restriction: "a restriction"}

var faultWords = map[dewline.Fault]string{
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
func FaultWord(f dewline.Fault) string { return wordOr(faultWords, f) }

var severityWords = map[dewline.Severity]string{
	dewline.Urgent: "urgent", dewline.Soon: "soon", dewline.Watch: "watch",
}

var severityDeadlines = map[dewline.Severity]string{
	dewline.Urgent: "today", dewline.Soon: "this week", dewline.Watch: "keep an eye on it",
}

var stateWords = map[dewline.AlertState]string{
	dewline.AlertOpen:         "open",
	dewline.AlertAcknowledged: "acknowledged",
	dewline.AlertDispatched:   "under repair",
	dewline.AlertVerifying:    "being proved",
	dewline.AlertResolved:     "proved",
	dewline.AlertDismissed:    "closed",
}

// StateWordOf returns the word that people read for where an alert stands. What readings ended is
// proved; what people ended is closed.
func StateWordOf(a *dewline.Alert) string {
	if a.State == dewline.AlertResolved && a.Cleared == 0 {
		return "closed"
	}
	return StateWord(a.State)
}

// StateWord returns the word that people read for a state of alerts.
func StateWord(s dewline.AlertState) string { return wordOr(stateWords, s) }

var kindWords = map[dewline.Kind]string{
	dewline.SplitAC: "split air conditioner", dewline.HeatPump: "heat pump", dewline.Packaged: "packaged machine",
	dewline.WalkInCooler: "walk-in cooler", dewline.WalkInFreezer: "walk-in freezer", dewline.DisplayCase: "display case",
}

// KindWord returns the trade's words for a kind of machine.
func KindWord(k dewline.Kind) string { return wordOr(kindWords, k) }

var meteringWords = map[dewline.Metering]string{
	dewline.FixedOrifice: "fixed orifice", dewline.Capillary: "capillary", dewline.TXV: "TXV", dewline.EEV: "EEV",
}

// MeteringWord returns the trade's words for a metering device.
func MeteringWord(m dewline.Metering) string { return wordOr(meteringWords, m) }

// wordOr falls back on the contract's name: a word of a later version must still read.
func wordOr[T ~string](words map[T]string, key T) string {
	if w, ok := words[key]; ok {
		return w
	}
	return underscores(string(key))
}

func underscores(text string) string { return strings.ReplaceAll(text, "_", " ") }

// sentenceCase gives a text a capital at its beginning and a stop at its end.
func sentenceCase(text string) string {
	if text == "" {
		return ""
	}
	if c := text[0]; c >= 'a' && c <= 'z' {
		text = string(c-'a'+'A') + text[1:]
	}
	if strings.HasSuffix(text, ".") {
		return text
	}
	return text + "."
}
