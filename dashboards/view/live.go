package view

import (
	"time"

	"dewline"
)

// Live is what a technician reads off a system's page: the values of now, large, and how they come
// about.
type Live struct {
	Health     dewline.Health
	Word       string
	Normal     bool
	Sentence   string
	Doing      string // "Running steadily for 52 min."
	Superheat  Target
	Subcooling Target
	Sides      []Side
	Others     []Named
	Age        Age
	Late       string // that readings wait to be analysed, "" where none do
}

// Target is a value with where it is expected.
type Target struct {
	Name     string
	Measured Measured
	Expected string // "above 2.8 K"
	Basis    string
	Outside  string // "2.4 K below", "" inside or unknown
	Now      string // what is expected under the conditions of now, "" where that is not known
	Note     string // what the value is where it is not of now: "Mean of the last day's steady running."
}

// Side is how superheat or subcooling comes about: a pressure gives a saturation temperature, a
// clamp the line's, and the difference is the value.
type Side struct {
	Name, Pressure, Saturation, Line, Result string // the names of the four
	Values                                   [4]Measured
}

// Named is a further derived value.
type Named struct {
	Name  string
	Value Measured
}

// NewLive reads the values of a state.
func NewLive(sys *dewline.System, state dewline.SystemState, a Assessment, r Reader) Live {
	now, u := r.Now, r.Idiom
	last := max(state.Received, state.At)
	l := Live{
		Health: a.Health, Word: a.Word(u), Normal: a.Health == dewline.HealthWell || a.Health == dewline.HealthLearning,
		Sentence: Sentence(sys, state, a, u), Doing: doing(state, stale(state, now), u),
		Superheat:  target(u.Say("Superheat"), dewline.Superheat, ExpectedSuperheat(sys), state, u),
		Subcooling: target(u.Say("Subcooling"), dewline.Subcooling, ExpectedSubcooling(sys), state, u),
		Age:        r.Age(last),
	}
	if stale(state, now) {
		for _, t := range []*Target{&l.Superheat, &l.Subcooling} {
			if t.Measured.OK() && !t.Measured.Past {
				t.Measured.Past, t.Note = true, u.Say("Read {1}.", l.Age.Text)
			}
		}
	}
	if state.At != 0 && state.Received.Sub(state.At) > 30*time.Second {
		l.Late = u.Say("Analysed up to {1}: readings wait until none can come late.", r.Clock(state.At))
	}
	if state.At == 0 {
		return l
	}
	high := dewline.LiquidPressureAbs
	if sys.HighSide() == dewline.DischargePressure {
		high = dewline.DischargePressureAbs
	}
	l.Sides = []Side{
		side(u.Say("Low side"), u.Say("{1}, abs.", u.Say("suction pressure")), u.Say("dew point"), u.Say("suction line"), u.Say("superheat"), state, u,
			dewline.SuctionPressureAbs, dewline.SuctionDewTemp, dewline.Superheat, 1),
		side(u.Say("High side"), u.Say("{1}, abs.", u.Name(sys.HighSide().String())), u.Say("bubble point"), u.Say("liquid line"), u.Say("subcooling"), state, u,
			high, dewline.LiquidBubbleTemp, dewline.Subcooling, -1),
	}
	if !state.Running { // at standstill there is no flow that the lines' temperatures could tell of
		for i := range l.Sides {
			l.Sides[i].Values[2], l.Sides[i].Values[3] = Measured{Value: NoValue}, Measured{Value: NoValue}
		}
	}
	for _, o := range []struct {
		name dewline.Phrase
		d    dewline.Derived
	}{
		{dewline.Phrase("condensing temperature"), dewline.CondensingTemp},
		{dewline.Phrase("condensing over ambient"), dewline.CondensingOverAir},
		{dewline.Phrase("discharge superheat"), dewline.DischargeSuperheat},
		{dewline.Phrase("pressure ratio"), dewline.PressureRatio},
	} {
		if e, ok := state.Values[o.d]; ok {
			l.Others = append(l.Others, Named{o.name.Said(u), shown(e, o.d.Unit(), u)})
		}
	}
	return l
}

// staleAfter is how old a value may be and still be shown as one of now: the least time after which
// the contract calls a system silent.
const staleAfter = 30 * time.Minute

func stale(s dewline.SystemState, now time.Time) bool {
	return s.At != 0 && now.Sub(max(s.Received, s.At).Time()) > staleAfter
}

func doing(s dewline.SystemState, stale bool, u Idiom) string {
	switch {
	case s.At == 0:
		return ""
	case stale && s.Running:
		return u.Say("It ran when it was heard last.")
	case stale:
		return u.Say("It stood still when it was heard last.")
	case !s.Running:
		return u.Say("Standing still.")
	case !s.Steady:
		return u.Say("Running, not steady yet.")
	case s.SteadyMinutes < 1:
		return u.Say("Running steadily.")
	}
	return u.Say("Running steadily for {1}.", u.Span(time.Duration(s.SteadyMinutes*float64(time.Minute))))
}

func target(name string, d dewline.Derived, band Band, s dewline.SystemState, u Idiom) Target {
	t := Target{Name: name, Measured: reading(s, d, u), Expected: band.In(u), Basis: InUnits(u.Say(string(band.Basis)), u)}
	if t.Expected != "" {
		t.Expected += "\u00a0" + shownAs("K", u).Word
	}
	if e, ok := s.Expected[d]; ok && e.OK() {
		t.Now = u.Say("Under the conditions of now {1} would be usual for it.", shown(e, d.Unit(), u).String())
	}
	if t.Measured.Past {
		t.Note = u.Say("Mean of the last day's steady running.")
	}
	if !t.Measured.OK() || !band.Stated() {
		return t
	}
	if off := band.Outside(valueOf(s, d)); off < 0 {
		t.Outside = u.Say("{1} below", kelvins(-off, u))
	} else if off > 0 {
		t.Outside = u.Say("{1} above", kelvins(off, u))
	}
	return t
}

// side takes a value apart. The line's temperature follows from the other two, as they were made
// from it: sign 1 adds the value to saturation, -1 takes it away.
func side(name, pressure, saturation, line, result string, s dewline.SystemState, u Idiom, p, sat, d dewline.Derived, sign float64) Side {
	out := Side{Name: name, Pressure: pressure, Saturation: saturation, Line: line, Result: result}
	get := func(d dewline.Derived) dewline.Estimate {
		e, ok := s.Values[d]
		if !ok {
			e.Missing = u.Say("it is not computed for this machine")
		}
		return e
	}
	lineTemp := dewline.Estimate{Missing: get(d).Missing}
	if get(sat).OK() && get(d).OK() {
		lineTemp = dewline.Estimate{Value: get(sat).Value + sign*get(d).Value}
	}
	out.Values = [4]Measured{shown(get(p), p.Unit(), u), shown(get(sat), sat.Unit(), u), shown(lineTemp, "Cel", u), shown(get(d), d.Unit(), u)}
	return out
}

// shown writes an estimate in the unit that a reader has chosen.
func shown(e dewline.Estimate, unit string, u Idiom) Measured {
	s := shownAs(unit, u)
	e.Value = s.value(e.Value)
	e.Uncertainty = s.delta(e.Uncertainty)
	if e.Missing != "" {
		e.Missing = u.Say(e.Missing)
	}
	return MeasuredOf(e, s.Word)
}
