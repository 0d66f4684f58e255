package view

import (
	"strings"
	"time"

	"dewline"
	"dewline/thermo/si"
)

// Fact is one line of what is enrolled.
type Fact struct {
	Name, Value string
	Doubt       string // why it does not fit another fact, "" where it does
}

// Facts says what is known of a machine without measuring: what its data plate states, what somebody
// read off its parts, and who looks after it.
func Facts(fleet *dewline.Fleet, sys *dewline.System, u Idiom) []Fact {
	f := facts{}
	f.add(u.Say("Kind"), u.KindWord(sys.Kind))
	f.add(u.Say("Model"), sys.Model)
	f.add(u.Say("Refrigerant"), sys.Refrigerant)
	f.add(u.Say("Metering device"), u.MeteringWord(sys.Metering))
	f.plate(sys, u)
	f.circuit(sys, u)
	if site, ok := fleet.Site(sys.ID.Site()); ok {
		f.add(u.Say("Address"), site.Address)
	}
	if gateway, ok := fleet.Gateway(sys); ok {
		f.add(u.Say("Gateway"), gateway)
	}
	f.day(u.Say("Installed"), sys.Installed, u)
	f.add(u.Say("Installer"), sys.Installer)
	f.add(u.Say("Contract"), sys.Contract)
	f.day(u.Say("Warranty until"), sys.WarrantyUntil, u)
	f.add(u.Say("Importance"), importanceWord(sys, u))
	f.add(u.Say("Tags"), strings.Join(sys.Tags, ", "))
	return f
}

type facts []Fact

func (f *facts) add(name, value string) {
	if value != "" {
		*f = append(*f, Fact{Name: name, Value: value})
	}
}

func (f *facts) day(name string, day time.Time, u Idiom) {
	if !day.IsZero() {
		f.add(name, u.Time(day, "2 January 2006"))
	}
}

func (f *facts) when(stated bool, name, value string) {
	if stated {
		f.add(name, spaced(value))
	}
}

func (f *facts) plate(sys *dewline.System, u Idiom) {
	bore := 2
	if u.System == si.US {
		bore = 3
	}
	f.when(sys.Capacity > 0, u.Say("Capacity"), u.Capacity(sys.Capacity, 1))
	f.when(sys.Charge > 0, u.Say("Charge on the plate"), u.Mass(sys.Charge, 2))
	f.when(sys.Orifice > 0, u.Say("Bore called for"), u.Diameter(sys.Orifice, bore))
	f.when(sys.OrificeInstalled > 0, u.Say("Bore installed"), u.Diameter(sys.OrificeInstalled, bore))
	if sys.Orifice > 0 && sys.OrificeInstalled > 0 && sys.Orifice != sys.OrificeInstalled {
		(*f)[len(*f)-1].Doubt = u.Say("not the bore called for")
	}
	f.when(sys.TargetSubcooling > 0, u.Say("Target subcooling"), u.Difference(sys.TargetSubcooling, 1))
	f.when(sys.TargetSuperheat > 0, u.Say("Target superheat"), u.Say("{1} at the {2}", u.Difference(sys.TargetSuperheat, 1), u.Name(string(sys.TargetSuperheatAt))))
	f.when(sys.SpaceLimit > 0, u.Say("Space limit"), u.Temperature(sys.SpaceLimit, 1))
}

func (f *facts) circuit(sys *dewline.System, u Idiom) {
	f.add(u.Say("Machine"), sys.Machine)
	f.when(sys.LineLength > 0, u.Say("Line length"), u.Length(sys.LineLength, 0))
	f.when(sys.CompressorSpeed != "", "Compressor", u.Say("{1} speed", u.Name(string(sys.CompressorSpeed))))
	var has []string
	for _, part := range []struct {
		there bool
		name  dewline.Phrase
	}{{sys.Receiver, dewline.Phrase("receiver")}, {sys.SuctionAccumulator, dewline.Phrase("suction accumulator")}, {sys.HeadControl, dewline.Phrase("head pressure control")}, {sys.PumpDown, dewline.Phrase("pump-down")}} {
		if part.there {
			has = append(has, part.name.Said(u))
		}
	}
	f.add(u.Say("Circuit"), strings.Join(has, ", "))
}

// importanceWord is how much hangs on a machine, "" for what is ordinary.
func importanceWord(sys *dewline.System, u Idiom) string {
	if sys == nil || sys.Importance == dewline.Ordinary {
		return ""
	}
	return u.Name(string(sys.Importance))
}

// spaced keeps a number and its unit on one line, with a true minus sign.
func spaced(text string) string {
	text = strings.Replace(text, "-", "\u2212", 1)
	return strings.Replace(text, " ", "\u00a0", 1)
}

// Sensor is one fitted point.
type Sensor struct {
	Name, Unit, Accuracy string
	Default              bool // the accuracy is the contract's, for none is stated
	Doubt                string
}

// Sensors says what is fitted, how exact it is taken to be, and which of it an alert that has not
// ended casts doubt on.
func Sensors(sys *dewline.System, alerts []dewline.Alert, u Idiom) []Sensor {
	all := make([]Sensor, 0, len(sys.Points))
	for _, f := range sys.Points {
		limit, stated := f.Accuracy()
		s := Sensor{Name: u.Name(f.Point.String()), Doubt: doubtOf(f.Point, alerts, u)}
		unit := shownAs(f.Point.Unit(), u)
		s.Unit = unit.Word
		difference := unit
		if f.Point.Dimension() == dewline.Temperature {
			difference = shownAs("K", u)
		}
		if f.Reference != "" {
			s.Unit += ", " + u.Name(string(f.Reference))
		}
		if limit > 0 {
			s.Accuracy, s.Default = "± "+Decimal(difference.delta(limit), 1)+"\u00a0"+difference.Word, !stated
		}
		all = append(all, s)
	}
	return all
}

// doubtOf says how sure alerts are that a point's sensor is wrong.
func doubtOf(p dewline.Point, alerts []dewline.Alert, u Idiom) string {
	for i := range alerts {
		for _, c := range alerts[i].Causes {
			if c.Fault == dewline.SensorFault && c.Detail == p.String() && c.Probability >= 0.05 {
				return u.Say("in doubt, {1}", percent(c.Probability))
			}
		}
	}
	return ""
}
