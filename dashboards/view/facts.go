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
	f.add("Kind", KindWord(sys.Kind))
	f.add("Refrigerant", sys.Refrigerant)
	f.add("Metering device", MeteringWord(sys.Metering))
	f.plate(sys, u)
	f.circuit(sys, u)
	if gateway, ok := fleet.Gateway(sys); ok {
		f.add("Gateway", gateway)
	}
	f.day("Installed", sys.Installed)
	f.add("Installer", sys.Installer)
	f.add("Contract", sys.Contract)
	f.day("Warranty until", sys.WarrantyUntil)
	f.add("Importance", importanceWord(sys))
	f.add("Tags", strings.Join(sys.Tags, ", "))
	return f
}

type facts []Fact

func (f *facts) add(name, value string) {
	if value != "" {
		*f = append(*f, Fact{Name: name, Value: value})
	}
}

func (f *facts) day(name string, day time.Time) {
	if !day.IsZero() {
		f.add(name, day.Format("2 January 2006"))
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
	f.when(sys.Capacity > 0, "Capacity", u.Capacity(sys.Capacity, 1))
	f.when(sys.Charge > 0, "Charge on the plate", u.Mass(sys.Charge, 2))
	f.when(sys.Orifice > 0, "Bore called for", u.Diameter(sys.Orifice, bore))
	f.when(sys.OrificeInstalled > 0, "Bore installed", u.Diameter(sys.OrificeInstalled, bore))
	if sys.Orifice > 0 && sys.OrificeInstalled > 0 && sys.Orifice != sys.OrificeInstalled {
		(*f)[len(*f)-1].Doubt = "not the bore called for"
	}
	f.when(sys.TargetSubcooling > 0, "Target subcooling", u.Difference(sys.TargetSubcooling, 1))
	f.when(sys.TargetSuperheat > 0, "Target superheat", u.Difference(sys.TargetSuperheat, 1)+" at the "+string(sys.TargetSuperheatAt))
	f.when(sys.SpaceLimit > 0, "Space limit", u.Temperature(sys.SpaceLimit, 1))
}

func (f *facts) circuit(sys *dewline.System, u Idiom) {
	f.add("Machine", sys.Machine)
	f.when(sys.LineLength > 0, "Line length", u.Length(sys.LineLength, 0))
	f.when(sys.CompressorSpeed != "", "Compressor", string(sys.CompressorSpeed)+" speed")
	var has []string
	for _, part := range []struct {
		there bool
		name  string
	}{{sys.Receiver, "receiver"}, {sys.SuctionAccumulator, "suction accumulator"}, {sys.HeadControl, "head pressure control"}, {sys.PumpDown, "pump-down"}} {
		if part.there {
			has = append(has, part.name)
		}
	}
	f.add("Circuit", strings.Join(has, ", "))
}

// importanceWord is how much hangs on a machine, "" for what is ordinary.
func importanceWord(sys *dewline.System) string {
	if sys == nil || sys.Importance == dewline.Ordinary {
		return ""
	}
	return string(sys.Importance)
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
		s := Sensor{Name: underscores(f.Point.String()), Doubt: doubtOf(f.Point, alerts)}
		unit := shownAs(f.Point.Unit(), u)
		s.Unit = unit.Word
		difference := unit
		if f.Point.Dimension() == dewline.Temperature {
			difference = shownAs("K", u)
		}
		if f.Reference != "" {
			s.Unit += ", " + underscores(string(f.Reference))
		}
		if limit > 0 {
			s.Accuracy, s.Default = "± "+Decimal(difference.delta(limit), 1)+"\u00a0"+difference.Word, !stated
		}
		all = append(all, s)
	}
	return all
}

// doubtOf says how sure alerts are that a point's sensor is wrong.
func doubtOf(p dewline.Point, alerts []dewline.Alert) string {
	for i := range alerts {
		for _, c := range alerts[i].Causes {
			if c.Fault == dewline.SensorFault && c.Detail == p.String() && c.Probability >= 0.05 {
				return "in doubt, " + percent(c.Probability)
			}
		}
	}
	return ""
}
