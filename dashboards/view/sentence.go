package view

import (
	"math"
	"strings"
	"time"

	"dewline"
)

// AlertLine is one alert as a row of a list: one sentence with its number, its deadline and its
// doubt.
type AlertLine struct {
	ID       string
	Health   dewline.Health // the mark, and the colour, that the row carries
	Severity string         // "urgent"
	Deadline string         // "today"
	State    string         // "acknowledged", "" while nobody has taken it
	Title    string         // "Reading hall split"
	Place    string         // "Quay Library"
	Href     string
	Call     string // the address of the service call that it is part of, "" without one
	What     string // "Flooding: liquid is reaching the compressor."
	Number   string // "Superheat 0.4 ± 1.1 K, expected above 2.8."
	How      string // "Since 14:10, 52 min."
	Likely   string // "Likely: the metering device passes too much (72 %)."
	Limit    string // "Limit reached already."
	Say      string // condition, how long and number in one sentence: "Flooding for 26 h: superheat 0.4 ± 1.1 K, expected 6.3."

	Importance string // "critical", "" where ordinary
	Bring      []string
	Work       bool   // a person can choose it and work on it
	Glyph      *Glyph // nil where the store was too slow
	Ended      bool
	InHand     bool // the repair is under way or being proved
}

// AlertLineOf puts an alert into words. The system is nil where the alert concerns a whole site or
// a system that is no longer enrolled.
func AlertLineOf(a *dewline.Alert, site *dewline.Site, sys *dewline.System, state dewline.SystemState, r Reader) AlertLine {
	r.Zone = time.UTC
	line := AlertLine{
		ID: a.ID, Health: lineHealth(a), Severity: wordOr(r.Idiom, severityWords, a.Severity), Deadline: wordOr(r.Idiom, severityDeadlines, a.Severity),
		Title: string(a.System), Place: a.Site, Ended: a.State.Ended(),
		InHand: InHand(a),
	}
	if a.State != dewline.AlertOpen {
		line.State = r.StateWordOf(a)
	}
	line.Importance = importanceWord(sys, r.Idiom)
	if !line.Ended {
		line.Bring = Bring(a, sys, r.Idiom)
	}
	if site != nil {
		line.Place, r.Zone = site.Name, site.Timezone
	}
	switch {
	case sys != nil:
		line.Title, line.Href = sys.Name, SystemHref(sys.ID)
	case a.System == "":
		line.Title = r.SayN(len(a.Systems), "The whole site, 1 machine", "The whole site, {1} machines", Count(int64(len(a.Systems))))
		if site == nil {
			line.Place = a.Site
		}
	}
	line.What = conditionSays(a.Condition, r.Idiom)
	if others := otherConditions(a, r.Idiom); others != "" {
		line.What += " " + r.Say("Also: {1}.", others)
	}
	if sys != nil && !line.Ended { // the number of now says nothing of what is over
		line.Number = numberFor(a, sys, state, r.Idiom)
	}
	line.How = howLong(a, r)
	line.Likely = likelySays(a, r.Idiom)
	line.Limit = limitOf(a.Forecast, r.Idiom)
	line.Say = sayShortly(a, line.Number, r)
	return line
}

// lineHealth is the health whose mark a line carries: what is over is nothing to look at.
func lineHealth(a *dewline.Alert) dewline.Health {
	if a.State.Ended() {
		return dewline.HealthWell
	}
	return a.Health()
}

// conditionSays is a condition and what is physically going on.
func conditionSays(c dewline.Condition, u Idiom) string {
	return sentenceCase(u.Say("{1}: {2}", u.ConditionWord(c), wordOr(u, conditionMeanings, c)))
}

func otherConditions(a *dewline.Alert, u Idiom) string {
	var words []string
	for _, c := range a.Conditions {
		if c != a.Condition {
			words = append(words, u.ConditionWord(c))
		}
	}
	return strings.Join(words, ", ")
}

// numberFor says the number that the condition is about, as it is now.
func numberFor(a *dewline.Alert, sys *dewline.System, state dewline.SystemState, u Idiom) string {
	var d dewline.Derived
	var name dewline.Phrase
	var band Band
	switch a.Condition {
	case dewline.Flooding, dewline.Starving, dewline.Hunting:
		d, name, band = dewline.Superheat, dewline.Phrase("superheat"), ExpectedSuperheat(sys)
	case dewline.ChargeDrift:
		d, name, band = dewline.Subcooling, dewline.Phrase("subcooling"), ExpectedSubcooling(sys)
	case dewline.HighHead:
		d, name, band = dewline.CondensingOverAir, dewline.Phrase("condensing over ambient"), open("")
	case dewline.HotDischarge:
		d, name, band = dewline.DischargeSuperheat, dewline.Phrase("discharge superheat"), open("")
	default:
		return ""
	}
	m := reading(state, d, u)
	if !m.OK() {
		return ""
	}
	text := name.Said(u) + " " + m.String()
	if m.Past {
		text += " (" + u.Say("mean of the last day's steady running") + ")"
	}
	if e, ok := state.Expected[d]; ok && e.OK() { // what the conditions of the moment make right, where analytics knows
		text = u.Say("{1}, expected {2}", text, Decimal(shownAs(d.Unit(), u).value(e.Value), 1))
	} else if band.Outside(valueOf(state, d)) != 0 { // inside it is the conditions that are out of the ordinary, and the band would only puzzle
		text = u.Say("{1}, expected {2}", text, band.In(u))
	}
	return sentenceCase(text)
}

func howLong(a *dewline.Alert, r Reader) string {
	onset := r.Clock(a.Onset)
	if a.Cleared != 0 {
		return r.Say("From {1} for {2}, over since {3}.", onset, r.Span(a.Cleared.Sub(a.Onset)), r.Clock(a.Cleared))
	}
	return r.Say("Since {1}, {2}.", onset, r.Span(r.Now.Sub(a.Onset.Time())))
}

// sayShortly is an alert that has not ended in one sentence with its number.
func sayShortly(a *dewline.Alert, number string, r Reader) string {
	what, lasts := r.ConditionWord(a.Condition), r.Span(r.Now.Sub(a.Onset.Time()))
	if others := otherConditions(a, r.Idiom); others != "" {
		what = r.Say("{1} and {2}", what, others)
	}
	if number == "" {
		return sentenceCase(r.Say("{1} for {2}", what, lasts))
	}
	return sentenceCase(r.Say("{1} for {2}: {3}", what, lasts, r.within(number)))
}

// within writes a sentence that begins with a quantity as a part of another one.
func (u Idiom) within(sentence string) string {
	for _, name := range []dewline.Phrase{"superheat", "subcooling", "condensing over ambient", "discharge superheat"} {
		said := name.Said(u)
		if rest, ok := strings.CutPrefix(sentence, sentenceWord(said)); ok {
			return said + rest
		}
	}
	return sentence
}

func limitOf(f *dewline.Forecast, u Idiom) string {
	switch {
	case f == nil:
		return ""
	case f.DaysP50 <= 0:
		return u.Say("Limit reached already.")
	}
	return sentenceCase(u.Say("{1} in about {2}, {3} to {4}", InUnits(f.Limit, u), dayCount(f.DaysP50, u), days(f.DaysP10), days(f.DaysP90)))
}

// dayCount is days with their word.
func dayCount(d float64, u Idiom) string {
	if text := days(d); text != "1" {
		return u.Say("{1} days", text)
	}
	return u.Say("1 day")
}

// days rounds a forecast to what it can know.
func days(d float64) string {
	if d < 3 {
		return Decimal(d, 1)
	}
	return Decimal(math.Round(d), 0)
}

// SystemHref is the address of a system's page.
func SystemHref(id dewline.SystemID) string { return "/systems/" + string(id) }

// valueOf is the number behind reading.
func valueOf(s dewline.SystemState, d dewline.Derived) float64 {
	if s.Running || s.At == 0 {
		return s.Values[d].Value
	}
	return s.Rolling24H[d].Mean
}

// reading returns a derived value as it is now or, of a machine that stands still, as it was over
// the steady running of the last day: at standstill both sides equalise and superheat means nothing.
func reading(s dewline.SystemState, d dewline.Derived, u Idiom) Measured {
	word := shownAs(d.Unit(), u).Word
	if s.At == 0 {
		return Measured{Value: NoValue, Unit: word, Why: u.Say("no reading has been analysed yet")}
	}
	if s.Running {
		e, ok := s.Values[d]
		if !ok {
			e.Missing = u.Say("it is not computed for this machine")
		}
		return shown(e, d.Unit(), u)
	}
	sum := s.Rolling24H[d]
	if sum.Count == 0 {
		return Measured{Value: NoValue, Unit: word, Why: u.Say("it stands still, and has not run steadily in the last 24 hours of data")}
	}
	return Measured{Value: Decimal(shownAs(d.Unit(), u).value(sum.Mean), 1), Unit: word, Past: true}
}

// Sentence says in one line how a system does, by its numbers.
func Sentence(sys *dewline.System, state dewline.SystemState, a Assessment, u Idiom) string {
	switch {
	case a.Alert != nil:
		return a.Reason(u)
	case a.Health == dewline.HealthLearning || a.Health == dewline.HealthDoubtful:
		return a.Reason(u)
	}
	var parts []string
	if text := place(state, superheatWords, ExpectedSuperheat(sys), u); text != "" {
		parts = append(parts, text)
	}
	if text := place(state, subcoolingWords, ExpectedSubcooling(sys), u); text != "" {
		parts = append(parts, text)
	}
	if len(parts) == 0 {
		return u.Say("No alert is open.")
	}
	text := sentenceCase(strings.Join(parts, ", "))
	if len(parts) == 2 && parts[0] == u.Say("superheat as expected") && parts[1] == u.Say("subcooling as expected") {
		text = u.Say("Superheat and subcooling as expected.")
	}
	if !state.Running {
		text += " " + u.Say("Standing still; these are means of its last day's steady running.")
	}
	return text
}

// place says whether a quantity is where it is expected: "superheat holds", "subcooling 1.2 K below
// its target". Inside its uncertainty it holds.
func place(s dewline.SystemState, q quantity, band Band, u Idiom) string {
	d := q.of
	m := reading(s, d, u)
	if !m.OK() {
		return u.Say("{1} unknown: {2}", q.name.Said(u), m.Why)
	}
	if !band.Stated() {
		return ""
	}
	value, expanded := valueOf(s, d), Coverage*s.Values[d].Uncertainty
	if m.Past {
		expanded = 0
	}
	off := band.Outside(value)
	if math.Abs(off) <= expanded || off == 0 {
		return q.holds.Said(u)
	}
	if off < 0 {
		return u.Say("{1} {2} below what is expected", q.name.Said(u), kelvins(-off, u))
	}
	return u.Say("{1} {2} above what is expected", q.name.Said(u), kelvins(off, u))
}

// quantity is a value with its words.
type quantity struct {
	of          dewline.Derived
	name, holds dewline.Phrase
}

var (
	superheatWords  = quantity{dewline.Superheat, dewline.Phrase("superheat"), dewline.Phrase("superheat as expected")}
	subcoolingWords = quantity{dewline.Subcooling, dewline.Phrase("subcooling"), dewline.Phrase("subcooling as expected")}
)

// lately is for how long it is worth saying on top of a page that a repair was proved.
const lately = 14 * 24 * time.Hour

// ProvedLately says that readings have proved the end of an alert within the last days, "" where they
// have not.
func ProvedLately(a *dewline.Alert, r Reader) string {
	if a.State != dewline.AlertResolved || a.Cleared == 0 || r.Now.Sub(a.Cleared.Time()) > lately {
		return ""
	}
	ago, what := r.Age(a.Cleared).Text, r.ConditionWord(a.Condition)
	if a.Condition == dewline.Silent || a.Condition == dewline.SensorDoubt {
		return r.Say("Proved {1}: {2} is over, by good data.", ago, what)
	}
	return r.Say("Proved {1}: {2} is over, by three steady windows on two days or more.", ago, what)
}
