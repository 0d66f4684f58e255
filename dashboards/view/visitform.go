package view

import (
	"net/url"
	"slices"
	"strings"

	"dewline"
	"dewline/thermo"
)

// VisitForm is a visit as it is typed.
type VisitForm struct {
	Values    url.Values // of what stands once
	Readings  []ReadingRow
	Others    []Choice // points that have no row yet
	Weighings []VisitRow
	Vacuums   []VisitRow
	Parts     []VisitRow
	Sensors   []VisitRow
	Photos    []VisitRow
	Found     []CauseChoices
	Points    []Choice // sensors that may have been changed
	Words     struct{ Pressure, Mass, Bore, Vacuum string }
	Vacuum    string // what the limits say of the evacuation, "" without one
	Zone      string
}

// ReadingRow is the reading of one point, as found and as left.
type ReadingRow struct {
	VisitRow
	Name, Unit string
}

// CauseChoices is a group of causes that may have been found.
type CauseChoices struct {
	Label   string
	Choices []Choice
}

// Get returns what stands once.
func (f VisitForm) Get(name string) string { return f.Values.Get(name) }

// NewVisitForm lays out the fields of a visit at a machine, with rows to go on in. The causes that were
// predicted come first.
func NewVisitForm(values url.Values, sys *dewline.System, predicted []dewline.Cause, p Paper) VisitForm {
	f := VisitForm{Values: values, Found: foundChoices(values.Get("found"), sys, predicted, p.Idiom), Zone: p.zone().String()}
	f.Words.Pressure, f.Words.Mass, f.Words.Bore, f.Words.Vacuum = p.unit("Pa").word, p.unit("kg").word, p.bore().word, p.vacuum().word
	f.readings(values, sys, p)
	phase := "gas"
	if r, err := thermo.Lookup(sys.Refrigerant); err != nil || len(r.Facts().Composition) > 1 {
		phase = "liquid"
	}
	f.Weighings = append(rows(values, "weigh"), blankRow("weigh", VisitRow{"refrigerant": sys.Refrigerant, "phase": phase}))
	f.Vacuums = append(rows(values, "vacuum"), blankRow("vacuum", nil))
	f.Parts = append(rows(values, "part"), blankRow("part", nil))
	f.Sensors = append(rows(values, "sensor"), blankRow("sensor", nil))
	f.Photos = rows(values, "photo")
	for _, photo := range f.Photos {
		photo["href"] = PhotoHref(values.Get("id"), photo["digest"])
	}
	for _, fit := range sys.Points {
		f.Points = append(f.Points, Choice{Value: fit.Point.String(), Word: p.Name(fit.Point.String())})
	}
	return f
}

// BlankPhoto is the row of a photo that is still to come.
func (f VisitForm) BlankPhoto() VisitRow { return blankRow("photo", nil) }

func blankRow(list string, given VisitRow) VisitRow {
	row := VisitRow{}
	for _, field := range visitLists[list] {
		row[field] = given[field]
	}
	return row
}

// formPoints are the points that every visit may want to read, as far as a machine can have them.
func formPoints(sys *dewline.System) []dewline.Point {
	all := []dewline.Point{dewline.SuctionPressure, sys.HighSide(), dewline.SuctionTemp, dewline.LiquidTemp, dewline.OutdoorAirTemp}
	if sys.Kind.Comfort() {
		all = append(all, dewline.ReturnAirTemp, dewline.SupplyAirTemp)
	} else {
		all = append(all, dewline.SpaceTemp)
	}
	return append(all, dewline.DischargeTemp, dewline.CompressorCurrent)
}

func (f *VisitForm) readings(values url.Values, sys *dewline.System, p Paper) {
	typed := rows(values, "reading")
	row := func(r VisitRow) {
		point, _ := dewline.PointNamed(r["point"])
		reading := ReadingRow{VisitRow: r, Name: p.Name(r["point"]), Unit: p.unit(point.Unit()).word}
		if point.Dimension() == dewline.Pressure {
			reading.Unit += " " + p.Name(string(gaugeOr(dewline.PressureReference(r["reference"]))))
		}
		f.Readings = append(f.Readings, reading)
	}
	for _, point := range formPoints(sys) {
		has := false
		for _, r := range typed {
			if r["point"] == point.String() {
				row(r)
				has = true
			}
		}
		if !has {
			row(blankRow("reading", VisitRow{"point": point.String()}))
		}
	}
	for _, r := range typed {
		point, known := dewline.PointNamed(r["point"])
		if known && !slices.Contains(formPoints(sys), point) {
			row(r)
		}
	}
}

func gaugeOr(r dewline.PressureReference) dewline.PressureReference {
	if r == "" {
		return dewline.Gauge
	}
	return r
}

// foundChoices are the causes that a technician chooses from: those that were predicted, then every other
// that such a machine can have.
func foundChoices(chosen string, sys *dewline.System, predicted []dewline.Cause, u Idiom) []CauseChoices {
	choice := func(c dewline.Cause) Choice {
		value := strings.TrimSpace(string(c.Fault) + " " + c.Detail)
		return Choice{Value: value, Word: sentenceWord(u.causeWords(c)), Current: value == chosen}
	}
	first, rest := CauseChoices{Label: u.Say("Predicted")}, CauseChoices{Label: u.Say("Another cause")}
	add := func(to *CauseChoices, c Choice) {
		for _, group := range []CauseChoices{first, rest} {
			if slices.ContainsFunc(group.Choices, func(has Choice) bool { return has.Value == c.Value }) {
				return
			}
		}
		to.Choices = append(to.Choices, c)
	}
	for _, c := range predicted {
		if c.Fault != dewline.NoFault {
			add(&first, choice(c))
		}
	}
	for _, fault := range dewline.Faults() {
		if fault == dewline.NoFault {
			continue
		}
		for _, detail := range foundDetails(fault, sys) {
			add(&rest, choice(dewline.Cause{Fault: fault, Detail: detail}))
		}
		add(&rest, choice(dewline.Cause{Fault: fault}))
	}
	if chosen != "" && chosen != foundNothing { // a cause that this page does not offer is still what was found
		fault, detail, _ := strings.Cut(chosen, " ")
		add(&rest, choice(dewline.Cause{Fault: dewline.Fault(fault), Detail: detail}))
	}
	groups := []CauseChoices{first, rest, {Label: u.Say("Nothing"), Choices: []Choice{{Value: foundNothing, Word: u.Say("No trouble found"), Current: chosen == foundNothing}}}}
	return slices.DeleteFunc(groups, func(g CauseChoices) bool { return len(g.Choices) == 0 })
}

// foundDetails are the contract's details that can be seen at a machine with this metering device.
func foundDetails(f dewline.Fault, sys *dewline.System) (details []string) {
	valve := sys.Metering.HoldsSuperheat()
	switch {
	case f == dewline.Overfeed && valve:
		return []string{"bulb_loose", "valve_stuck"}
	case f == dewline.Overfeed && sys.Metering == dewline.FixedOrifice:
		return []string{"orifice_too_large"}
	case f == dewline.Restriction && valve:
		return []string{"drier", "valve_stuck"}
	case f == dewline.Restriction && sys.Metering == dewline.FixedOrifice:
		return []string{"drier", "orifice_too_small"}
	case f == dewline.Restriction:
		return []string{"drier"}
	case f == dewline.SensorFault:
		for _, p := range sys.Points {
			details = append(details, p.Point.String())
		}
	}
	return details
}

// sentenceWord gives a choice its capital.
func sentenceWord(text string) string { return strings.TrimSuffix(sentenceCase(text), ".") }

var vacuumWords = map[dewline.VacuumVerdict]dewline.Phrase{
	dewline.VacuumHeld: "The vacuum held: {1}.", dewline.VacuumFailed: "The vacuum failed: {1}.", dewline.VacuumUnknown: "Whether the vacuum holds is not known yet: {1}.",
}

// VacuumSentence says what the limits that were entered say of an evacuation.
func VacuumSentence(e *dewline.Evacuation, u Idiom) string {
	if e == nil {
		return ""
	}
	verdict, why := e.JudgeIn(vacuumWord(u), u)
	return u.Say(string(vacuumWords[verdict]), strings.TrimSuffix(why, "."))
}

// Lack is what a visit lacks to be closed, and where on the page it is typed.
type Lack struct{ Text, Anchor string }

type lackPlace struct {
	name   dewline.Phrase
	anchor string
}

var lackPlaces = map[string]lackPlace{ // by the field that is named: its words, its place
	"technician": {dewline.Phrase("Technician"), "who"}, "certification": {dewline.Phrase("Certificate"), "who"}, "finished": {dewline.Phrase("Finished"), "who"}, "found": {dewline.Phrase("Cause"), "found"},
	"as_found": {dewline.Phrase("Readings as found"), "readings"}, "as_left": {dewline.Phrase("Readings as left"), "readings"}, "notes": {dewline.Phrase("Notes"), "notes"}, "refrigerant": {dewline.Phrase("Refrigerant"), "refrigerant"},
	"evacuation": {dewline.Phrase("Evacuation"), "evacuation"}, "parts": {dewline.Phrase("Parts"), "parts"}, "sensors": {dewline.Phrase("Sensors"), "sensors"}, "photos": {dewline.Phrase("Photos"), "photos"},
}

// lackWords are what a visit may lack, in the words of the service that closes it.
var lackWords = []dewline.Phrase{
	"who did the work", "when the work was finished", "the cause as seen on the machine, or no trouble found, which is an honest finding",
	"the number of the certificate, as refrigerant was moved", "suction pressure after refrigerant was moved", "high-side pressure after refrigerant was moved",
	"what was checked before no trouble was found", "the readings that looked well", "where the leak was, or that none was found", "what was weighed in",
	"what was recovered", "what was recovered and weighed in", "how far, and whether it held", "what was changed or adjusted",
	"the bore that was in it and the bore that is in it now, read off the parts", "what was changed, or notes: why not yet", "which sensor was changed or refitted", "what was done",
}

// Lacks puts what is missing into sentences.
func (u Idiom) Lacks(missing []string) []Lack {
	all := make([]Lack, len(missing))
	for i, text := range missing {
		field, rest, _ := strings.Cut(text, ": ")
		place, known := lackPlaces[field]
		if !known {
			all[i] = Lack{sentenceCase(text), "visit"}
			continue
		}
		all[i] = Lack{sentenceCase(place.name.Said(u) + ": " + u.known(lackWords, rest)), place.anchor}
	}
	return all
}
