package view

import (
	"strings"
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
func NewLive(sys *dewline.System, state dewline.SystemState, a Assessment, now time.Time, zone *time.Location) Live {
	last := max(state.Received, state.At)
	l := Live{
		Health: a.Health, Word: HealthWord(a.Health), Normal: a.Health == dewline.HealthWell || a.Health == dewline.HealthLearning,
		Sentence: Sentence(sys, state, a), Doing: doing(state, stale(state, now)),
		Superheat:  target("Superheat", dewline.Superheat, ExpectedSuperheat(sys), state),
		Subcooling: target("Subcooling", dewline.Subcooling, ExpectedSubcooling(sys), state),
		Age:        AgeOf(last, now, zone),
	}
	if stale(state, now) {
		for _, t := range []*Target{&l.Superheat, &l.Subcooling} {
			if t.Measured.OK() && !t.Measured.Past {
				t.Measured.Past, t.Note = true, "Read "+l.Age.Text+"."
			}
		}
	}
	if state.At != 0 && state.Received.Sub(state.At) > 30*time.Second {
		l.Late = "Analysed up to " + Clock(state.At, now, zone) + ": readings wait until none can come late."
	}
	if state.At == 0 {
		return l
	}
	high := dewline.LiquidPressureAbs
	if sys.HighSide() == dewline.DischargePressure {
		high = dewline.DischargePressureAbs
	}
	l.Sides = []Side{
		side("Low side", "suction pressure, abs.", "dew point", "suction line", "superheat", state,
			dewline.SuctionPressureAbs, dewline.SuctionDewTemp, dewline.Superheat, 1),
		side("High side", underscores(sys.HighSide().String())+", abs.", "bubble point", "liquid line", "subcooling", state,
			high, dewline.LiquidBubbleTemp, dewline.Subcooling, -1),
	}
	if !state.Running { // at standstill there is no flow that the lines' temperatures could tell of
		for i := range l.Sides {
			l.Sides[i].Values[2], l.Sides[i].Values[3] = Measured{Value: NoValue}, Measured{Value: NoValue}
		}
	}
	for _, o := range []struct {
		name string
		d    dewline.Derived
	}{
		{"condensing temperature", dewline.CondensingTemp},
		{"condensing over ambient", dewline.CondensingOverAir},
		{"discharge superheat", dewline.DischargeSuperheat},
		{"pressure ratio", dewline.PressureRatio},
	} {
		if e, ok := state.Values[o.d]; ok {
			l.Others = append(l.Others, Named{o.name, shown(e, o.d.Unit())})
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

func doing(s dewline.SystemState, stale bool) string {
	switch {
	case s.At == 0:
		return ""
	case stale && s.Running:
		return "It ran when it was heard last."
	case stale:
		return "It stood still when it was heard last."
	case !s.Running:
		return "Standing still."
	case !s.Steady:
		return "Running, not steady yet."
	case s.SteadyMinutes < 1:
		return "Running steadily."
	}
	return "Running steadily for " + Span(time.Duration(s.SteadyMinutes*float64(time.Minute))) + "."
}

func target(name string, d dewline.Derived, band Band, s dewline.SystemState) Target {
	t := Target{Name: name, Measured: reading(s, d), Expected: band.String(), Basis: band.Basis}
	if t.Expected != "" {
		t.Expected += "\u00a0K"
	}
	if t.Measured.Past {
		t.Note = "Mean of the last day's steady running."
	}
	if !t.Measured.OK() || !band.Stated() {
		return t
	}
	if off := band.Outside(valueOf(s, d)); off < 0 {
		t.Outside = Decimal(-off, 1) + "\u00a0K below"
	} else if off > 0 {
		t.Outside = Decimal(off, 1) + "\u00a0K above"
	}
	return t
}

// side takes a value apart. The line's temperature follows from the other two, as they were made
// from it: sign 1 adds the value to saturation, -1 takes it away.
func side(name, pressure, saturation, line, result string, s dewline.SystemState, p, sat, d dewline.Derived, sign float64) Side {
	out := Side{Name: name, Pressure: pressure, Saturation: saturation, Line: line, Result: result}
	get := func(d dewline.Derived) dewline.Estimate {
		e, ok := s.Values[d]
		if !ok {
			e.Missing = "it is not computed for this machine"
		}
		return e
	}
	lineTemp := dewline.Estimate{Missing: get(d).Missing}
	if get(sat).OK() && get(d).OK() {
		lineTemp = dewline.Estimate{Value: get(sat).Value + sign*get(d).Value}
	}
	out.Values = [4]Measured{shown(get(p), p.Unit()), shown(get(sat), sat.Unit()), shown(lineTemp, "Cel"), shown(get(d), d.Unit())}
	return out
}

// shown writes an estimate in the unit that people read.
func shown(e dewline.Estimate, unit string) Measured {
	word, factor := ShownUnit(unit)
	e.Value *= factor
	e.Uncertainty *= factor
	return MeasuredOf(e, word)
}

// ShownUnit returns the unit in which people read a quantity of the API, and by what to multiply.
func ShownUnit(unit string) (word string, factor float64) {
	switch unit {
	case "Pa":
		return "kPa", 1e-3
	case "Cel":
		return "°C", 1
	case "/":
		return "", 1
	case "%RH":
		return "% RH", 1
	}
	return unit, 1
}

// Fact is one line of what is enrolled.
type Fact struct{ Name, Value string }

// Facts says what is known of a machine without measuring.
func Facts(fleet *dewline.Fleet, sys *dewline.System) []Fact {
	facts := []Fact{
		{"Kind", KindWord(sys.Kind)},
		{"Refrigerant", sys.Refrigerant},
		{"Metering device", MeteringWord(sys.Metering)},
	}
	add := func(name, value string) {
		if value != "" {
			facts = append(facts, Fact{name, value})
		}
	}
	quantity := func(name string, v float64, decimals int, unit string) {
		if v != 0 {
			add(name, Decimal(v, decimals)+"\u00a0"+unit)
		}
	}
	quantity("Capacity", float64(sys.Capacity)/1000, 1, "kW")
	quantity("Charge", float64(sys.Charge), 2, "kg")
	quantity("Bore called for", sys.Orifice.Millimetres(), 2, "mm")
	quantity("Bore installed", sys.OrificeInstalled.Millimetres(), 2, "mm")
	quantity("Target subcooling", float64(sys.TargetSubcooling), 1, "K")
	if sys.TargetSuperheat > 0 {
		add("Target superheat", Decimal(float64(sys.TargetSuperheat), 1)+"\u00a0K at the "+string(sys.TargetSuperheatAt))
	}
	if sys.SpaceLimit > 0 {
		add("Space limit", Decimal(sys.SpaceLimit.Celsius(), 1)+"\u00a0°C")
	}
	if gateway, ok := fleet.Gateway(sys); ok {
		add("Gateway", gateway)
	}
	if !sys.Installed.IsZero() {
		add("Installed", sys.Installed.Format("2 January 2006"))
	}
	add("Installer", sys.Installer)
	add("Contract", sys.Contract)
	if sys.Importance != "" && sys.Importance != dewline.Ordinary {
		add("Importance", string(sys.Importance))
	}
	add("Tags", strings.Join(sys.Tags, ", "))
	return facts
}

// Sensor is one fitted point.
type Sensor struct {
	Name, Unit, Accuracy string
	Default              bool // the accuracy is the contract's, for none is stated
}

// Sensors says what is fitted and how exact it is taken to be.
func Sensors(sys *dewline.System) []Sensor {
	all := make([]Sensor, 0, len(sys.Points))
	for _, f := range sys.Points {
		limit, stated := f.Accuracy()
		s := Sensor{Name: underscores(f.Point.String())}
		word, factor := ShownUnit(f.Point.Unit())
		s.Unit = word
		if f.Point.Dimension() == dewline.Temperature {
			word = "K"
		}
		if f.Reference != "" {
			s.Unit += ", " + underscores(string(f.Reference))
		}
		if limit > 0 {
			s.Accuracy, s.Default = "± "+Decimal(limit*factor, 1)+"\u00a0"+word, !stated
		}
		all = append(all, s)
	}
	return all
}
