package dewline

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"dewline/thermo/si"

	"go.yaml.in/yaml/v3"
)

// fleetKey is one key of a mapping in the fleet file: how it is read into a T and written from it.
// One table for both directions keeps them in step.
type fleetKey[T any] struct {
	name     string
	required bool
	hint     string // what to write, for the error when a required key is missing
	read     func(r *fleetReader, e entry, into *T)
	write    func(from *T) *yaml.Node // nil leaves the key out
}

// must makes a key required.
func (k fleetKey[T]) must(hint string) fleetKey[T] {
	k.required, k.hint = true, hint
	return k
}

// Tables of keys, in the order in which they are written.
var (
	fleetKeys = []fleetKey[fleetText]{
		{name: "owners", read: readOwners, write: func(f *fleetText) *yaml.Node { return listOf(f.owners, ownerKeys, 0) }},
		fleetKey[fleetText]{name: "sites", read: readSites,
			write: func(f *fleetText) *yaml.Node { return listOf(f.sites, siteKeys, 0) }}.must("list the sites, or write sites: []"),
	}

	ownerKeys = []fleetKey[Owner]{
		idKey(func(o *Owner) *string { return &o.ID }),
		textKey("name", func(o *Owner) *string { return &o.Name }),
	}

	siteKeys = []fleetKey[Site]{
		idKey(func(s *Site) *string { return &s.ID }),
		textKey("name", func(s *Site) *string { return &s.Name }),
		textKey("owner", func(s *Site) *string { return &s.Owner }).must("name the owner's id"),
		textKey("address", func(s *Site) *string { return &s.Address }),
		scalarKey("timezone", func(s *Site) **time.Location { return &s.Timezone }, plainly(timezone), (*time.Location).String),
		altitudeKey(),
		fleetKey[Site]{name: "systems", read: readSystems,
			write: func(s *Site) *yaml.Node { return listOf(s.Systems, systemKeys, 0) }}.must("list the site's systems, or write systems: []"),
	}

	systemKeys = []fleetKey[System]{
		systemIDKey(),
		textKey("name", func(s *System) *string { return &s.Name }),
		choiceKey("kind", func(s *System) *Kind { return &s.Kind },
			SplitAC, HeatPump, Packaged, WalkInCooler, WalkInFreezer, DisplayCase).must("such as kind: split_ac"),
		textKey("model", func(s *System) *string { return &s.Model }),
		scalarKey("refrigerant", func(s *System) *string { return &s.Refrigerant },
			(*fleetReader).designation, asIs).must("such as refrigerant: R-410A, as on the data plate"),
		choiceKey("metering", func(s *System) *Metering { return &s.Metering },
			FixedOrifice, Capillary, TXV, EEV).must("one of fixed_orifice, capillary, txv, eev"),
		quantityKey("capacity", func(s *System) *si.Watt { return &s.Capacity }, watts, 10, 20e6),
		quantityKey("charge", func(s *System) *si.Kilogram { return &s.Charge }, kilograms, 0.001, 20_000),
		quantityKey("orifice", func(s *System) *si.Metre { return &s.Orifice }, millimetres, 0.0001, 0.05),
		quantityKey("orifice_installed", func(s *System) *si.Metre { return &s.OrificeInstalled }, millimetres, 0.0001, 0.05),
		quantityKey("target_subcooling", func(s *System) *si.DeltaK { return &s.TargetSubcooling }, differences, 0.1, 30),
		quantityKey("target_superheat", func(s *System) *si.DeltaK { return &s.TargetSuperheat }, differences, 0.1, 40),
		choiceKey("target_superheat_at", func(s *System) *Place { return &s.TargetSuperheatAt }, AtCoil, AtCompressor),
		scalarKey("gateway", func(s *System) *string { return &s.Gateway }, plainly(id), asIs),
		textKey("machine", func(s *System) *string { return &s.Machine }),
		flagKey("receiver", func(s *System) *bool { return &s.Receiver }),
		flagKey("suction_accumulator", func(s *System) *bool { return &s.SuctionAccumulator }),
		flagKey("head_control", func(s *System) *bool { return &s.HeadControl }),
		flagKey("pump_down", func(s *System) *bool { return &s.PumpDown }),
		choiceKey("compressor_speed", func(s *System) *SpeedControl { return &s.CompressorSpeed },
			FixedSpeed, StagedSpeed, VariableSpeed),
		{name: "compressor", read: readCompressor, write: writeCompressor},
		quantityKey("coil_drop", func(s *System) *si.Pascal { return &s.CoilDrop }, pascals, 0, 500e3),
		quantityKey("line_length", func(s *System) *si.Metre { return &s.LineLength }, metres, 0, 1000),
		quantityKey("space_limit", func(s *System) *si.Kelvin { return &s.SpaceLimit }, temperatures, 193.15, 333.15),
		dayKey("installed", func(s *System) *time.Time { return &s.Installed }),
		textKey("installer", func(s *System) *string { return &s.Installer }),
		{name: "tags", read: readTags, write: writeTags},
		importanceKey(),
		dayKey("warranty_until", func(s *System) *time.Time { return &s.WarrantyUntil }),
		textKey("contract", func(s *System) *string { return &s.Contract }),
		fleetKey[System]{name: "points", read: readPoints, write: writePoints}.must(
			"list what is fitted: suction_pressure, suction_temp, liquid_temp and liquid_pressure or discharge_pressure"),
	}

	compressorKeys = []fleetKey[compressor]{
		fleetKey[compressor]{name: "map", read: readMap, write: func(c *compressor) *yaml.Node {
			return mappingOf(&c.m, mapKeys, 0)
		}}.must("give the map, or remove compressor"),
	}

	mapKeys = []fleetKey[CompressorMap]{
		polynomialKey("mass_flow", func(m *CompressorMap) *MapPolynomial { return &m.MassFlow }),
		polynomialKey("power", func(m *CompressorMap) *MapPolynomial { return &m.Power }),
		quantityKey("rated_superheat", func(m *CompressorMap) *si.DeltaK { return &m.RatedSuperheat }, differences, 0.1, 100),
		quantityKey("rated_return_gas", func(m *CompressorMap) *si.Kelvin { return &m.RatedReturnGas }, temperatures, 193.15, 333.15),
	}

	samplingKeys = []fleetKey[Sampling]{
		choiceKey("kind", func(s *Sampling) *SamplingKind { return &s.Kind }, SampledInstant, SampledMean),
		scalarKey("interval", func(s *Sampling) *time.Duration { return &s.Interval }, plainly(interval), seconds),
		choiceKey("stamp", func(s *Sampling) *SamplingStamp { return &s.Stamp }, StampStart, StampEnd),
	}
)

// compressor is the mapping below a system's compressor key.
type compressor struct{ m CompressorMap }

// scalarKey returns a key whose value is one text. The zero value is left out when written.
func scalarKey[T any, V comparable](name string, field func(*T) *V,
	parse func(*fleetReader, string) (V, error), format func(V) string) fleetKey[T] {
	return fleetKey[T]{
		name: name,
		read: func(r *fleetReader, e entry, into *T) {
			text, ok := r.text(e)
			if !ok {
				return
			}
			v, err := parse(r, text)
			if err != nil {
				r.failAt(e, "%s", err)
				return
			}
			*field(into) = v
		},
		write: func(from *T) *yaml.Node {
			var zero V
			if v := *field(from); v != zero {
				return textNode(format(v))
			}
			return nil
		},
	}
}

// plainly makes a parse function for scalarKey of one that needs no reader.
func plainly[V any](parse func(string) (V, error)) func(*fleetReader, string) (V, error) {
	return func(_ *fleetReader, text string) (V, error) { return parse(text) }
}

func asIs(text string) string { return text }

func textKey[T any](name string, field func(*T) *string) fleetKey[T] {
	return scalarKey(name, field, plainly(oneLine), asIs)
}

// oneLine accepts a text that a person can read in one line of a page.
func oneLine(text string) (string, error) {
	switch {
	case text == "":
		return "", fmt.Errorf("it is empty: give a text, or remove the key")
	case utf8.RuneCountInString(text) > maxTextRunes:
		return "", fmt.Errorf("the text is longer than %d characters", maxTextRunes)
	case strings.ContainsFunc(text, func(c rune) bool { return !unicode.IsGraphic(c) }):
		return "", fmt.Errorf("%s has a line break or another character that cannot be seen", quoted(text))
	}
	return text, nil
}

func idKey[T any](field func(*T) *string) fleetKey[T] {
	return scalarKey("id", field, plainly(id), asIs).must("such as id: quay-library")
}

func systemIDKey() fleetKey[System] {
	k := idKey(func(s *System) *string { return (*string)(&s.ID) })
	k.write = func(s *System) *yaml.Node { return textNode(s.ID.System()) }
	return k
}

func id(text string) (string, error) {
	if !ValidID(text) {
		return "", fmt.Errorf("%s is no id: use up to 63 of a-z, 0-9 and -, not - first", quoted(text))
	}
	return text, nil
}

// altitudeKey is written also for a site at sea level: 0 m is stated there.
func altitudeKey() fleetKey[Site] {
	field := func(s *Site) *si.Metre { return &s.Altitude }
	k := quantityKey("altitude", field, metres, -500, 6000)
	k.write = func(s *Site) *yaml.Node { return textNode(metres.format(s.Altitude)) }
	return k
}

// importanceKey leaves out what is not stated either.
func importanceKey() fleetKey[System] {
	k := choiceKey("importance", func(s *System) *Importance { return &s.Importance }, Ordinary, High, Critical)
	write := k.write
	k.write = func(s *System) *yaml.Node {
		if s.Importance == Ordinary {
			return nil
		}
		return write(s)
	}
	return k
}

// choiceKey returns a key whose value is one of a few words.
func choiceKey[T any, V ~string](name string, field func(*T) *V, words ...V) fleetKey[T] {
	known := make([]string, len(words))
	for i, w := range words {
		known[i] = string(w)
	}
	parse := func(text string) (V, error) {
		if !slices.Contains(known, text) {
			return "", fmt.Errorf("%s is not known: expected %s", quoted(text), strings.Join(known, ", "))
		}
		return V(text), nil
	}
	return scalarKey(name, field, plainly(parse), func(v V) string { return string(v) })
}

// flagKey returns a key that is true or false; false is left out when written.
func flagKey[T any](name string, field func(*T) *bool) fleetKey[T] {
	k := scalarKey(name, field, plainly(truth), strconv.FormatBool)
	k.write = func(from *T) *yaml.Node {
		if !*field(from) {
			return nil
		}
		return plainNode("true")
	}
	return k
}

func truth(text string) (bool, error) {
	switch text {
	case "true", "True", "TRUE":
		return true, nil
	case "false", "False", "FALSE":
		return false, nil
	}
	return false, fmt.Errorf("%s is neither true nor false", quoted(text))
}

// quantityValue is a type of thermo/si.
type quantityValue interface {
	~float64
	String() string
}

// quantity is how a kind of quantity is read and written.
type quantity[V quantityValue] struct {
	parse  func(string) (V, error)
	format func(V) string
}

var (
	watts        = quantityIn(si.ParsePower, "kW", func(w si.Watt) float64 { return float64(w) / 1000 })
	kilograms    = quantityIn(si.ParseMass, "kg", func(m si.Kilogram) float64 { return float64(m) })
	metres       = quantityIn(si.ParseLength, "m", func(m si.Metre) float64 { return float64(m) })
	millimetres  = quantityIn(si.ParseLength, "mm", si.Metre.Millimetres)
	pascals      = quantityIn(si.ParsePressure, "kPa", si.Pascal.KPa)
	differences  = quantityIn(si.ParseDifference, "K", func(d si.DeltaK) float64 { return float64(d) })
	temperatures = quantityIn(si.ParseTemperature, "degC", si.Kelvin.Celsius)
	percents     = quantityIn(si.ParsePercent, "%", func(p si.Percent) float64 { return float64(p) })
	amperes      = quantityIn(parseAmperes, "A", func(a ampere) float64 { return float64(a) })
)

// quantityIn writes values in a unit that people like to read wherever that loses nothing, and
// otherwise in the SI unit with all its digits.
func quantityIn[V quantityValue](parse func(string) (V, error), unit string, in func(V) float64) quantity[V] {
	return quantity[V]{parse, func(v V) string {
		text := strconv.FormatFloat(in(v), 'g', 12, 64) + " " + unit
		if back, err := parse(text); err == nil && back == v {
			return text
		}
		return v.String()
	}}
}

// within returns a parse function that accepts values from least to most. The limits of the tables
// are those of what can exist, far beyond what is usual: they catch a wrong unit or a slipped digit.
func (q quantity[V]) within(least, most V) func(string) (V, error) {
	return func(text string) (V, error) {
		v, err := q.parse(text)
		if err == nil && (v < least || v > most) {
			err = fmt.Errorf("%s is impossible: expected %s to %s", quoted(text), q.format(least), q.format(most))
		}
		return v, err
	}
}

// quantityKey returns a key whose value is a number with a unit, from least to most.
func quantityKey[T any, V quantityValue](name string, field func(*T) *V, q quantity[V], least, most V) fleetKey[T] {
	return scalarKey(name, field, plainly(q.within(least, most)), q.format)
}

// ampere is here and not in thermo/si because nothing computes with currents.
type ampere float64

func (a ampere) String() string { return strconv.FormatFloat(float64(a), 'g', -1, 64) + " A" }

// parseAmperes reads a current by the unit codes of telemetry, such as "0.5 A" or "200 mA".
func parseAmperes(text string) (ampere, error) {
	number, code, _ := strings.Cut(text, " ")
	v, err := strconv.ParseFloat(number, 64)
	unit, known := si.UnitByCode(strings.TrimSpace(code))
	a, fits := si.Convert(v, unit, si.Current.Unit())
	if err != nil || !known || !fits || math.IsNaN(a) || math.IsInf(a, 0) {
		return 0, fmt.Errorf("%s is no current: expected a number and A or mA", quoted(text))
	}
	return ampere(a), nil
}

func (r *fleetReader) designation(text string) (string, error) { return r.facts.Designation(text) }

func timezone(text string) (*time.Location, error) {
	if text == "" || text == "Local" { // both mean a thing of the machine that reads the file
		return nil, fmt.Errorf("%s is no time zone: expected a name of the IANA database, such as Europe/Lisbon", quoted(text))
	}
	zone, err := time.LoadLocation(text)
	if err != nil {
		return nil, fmt.Errorf("unknown time zone %s: expected a name of the IANA database, such as Europe/Lisbon", quoted(text))
	}
	return zone, nil
}

// dayKey returns a key whose value is a date.
func dayKey(name string, field func(*System) *time.Time) fleetKey[System] {
	k := scalarKey(name, field, plainly(day), dayText)
	k.write = func(s *System) *yaml.Node {
		if t := *field(s); !t.IsZero() {
			return plainNode(dayText(t))
		}
		return nil
	}
	return k
}

func day(text string) (time.Time, error) {
	t, err := time.Parse(time.DateOnly, text)
	if err != nil || t.Year() < 1900 || t.Year() > 2200 {
		return time.Time{}, fmt.Errorf("%s is no date: expected year-month-day, such as 2019-05-02", quoted(text))
	}
	return t, nil
}

func dayText(t time.Time) string { return t.Format(time.DateOnly) }

func interval(text string) (time.Duration, error) {
	d, err := si.ParseDuration(text)
	if err == nil && (d < time.Millisecond || d > 24*time.Hour) {
		err = fmt.Errorf("%s is impossible: expected 1 ms to 24 h", quoted(text))
	}
	return d, err
}

func seconds(d time.Duration) string {
	return strconv.FormatFloat(d.Seconds(), 'f', -1, 64) + " s"
}

// polynomialKey returns a key whose value is a list of ten numbers.
func polynomialKey(name string, field func(*CompressorMap) *MapPolynomial) fleetKey[CompressorMap] {
	return fleetKey[CompressorMap]{
		name: name,
		read: func(r *fleetReader, e entry, m *CompressorMap) {
			items := r.items(e)
			if len(items) != len(MapPolynomial{}) {
				if items != nil {
					r.failAt(e, "expected the 10 coefficients C1 to C10 of AHRI 540, found %d", len(items))
				}
				return
			}
			for i, item := range items {
				text, ok := r.text(item)
				if !ok {
					return
				}
				v, err := strconv.ParseFloat(text, 64)
				if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
					r.failAt(item, "coefficient C%d: %s is not a number", i+1, quoted(text))
				}
				field(m)[i] = v
			}
			if !field(m).Stated() {
				r.failAt(e, "all coefficients are zero: remove the key")
			}
		},
		write: func(m *CompressorMap) *yaml.Node {
			if !field(m).Stated() {
				return nil
			}
			list := &yaml.Node{Kind: yaml.SequenceNode, Style: yaml.FlowStyle}
			for _, c := range field(m) {
				list.Content = append(list.Content, plainNode(strconv.FormatFloat(c, 'g', -1, 64)))
			}
			return list
		},
	}
}
