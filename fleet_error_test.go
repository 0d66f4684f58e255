package dewline_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"dewline"
)

// example is the fleet file of the outer contract, section 2, with line numbers that the cases below
// rely on.
const example = `owners:
  - {id: city-buildings, name: City Buildings}
sites:
  - id: quay-library
    name: Quay Library
    owner: city-buildings
    timezone: Europe/Lisbon
    altitude: 12 m
    systems:
      - id: hall-ac
        name: Reading hall split
        kind: split_ac
        refrigerant: R-410A
        metering: fixed_orifice
        capacity: 10.5 kW
        charge: 3.1 kg
        orifice: 1.65 mm
        orifice_installed: 1.65 mm
        target_subcooling: 5.6 K
        gateway: hall-gw
        points:
          suction_pressure: {gauge: true, accuracy: 8 kPa}
          liquid_pressure:  {gauge: true, accuracy: 20 kPa}
          suction_temp:     {accuracy: 0.5 K}
          liquid_temp:      {accuracy: 0.5 K}
          outdoor_air_temp: {accuracy: 0.5 K}
`

func TestContractExample(t *testing.T) {
	read(t, example, facts{})
}

func TestFleetProblems(t *testing.T) {
	for _, c := range []struct {
		name     string
		old, new string
		want     []string // "line: key: part of the problem"
	}{
		// Names that are not known.
		{"unknown key", "charge: 3.1 kg", "chrage: 3.1 kg", []string{"16: chrage: unknown key, did you mean charge?"}},
		{"unknown key of a point", "{gauge: true, accuracy: 8 kPa}", "{gauge: true, acuracy: 8 kPa}", []string{"22: acuracy: unknown key, did you mean accuracy?"}},
		{"unknown key at the top", "owners:", "owner:", []string{"1: owner: unknown key, did you mean owners?"}},
		{"unknown point", "suction_temp:", "suction_tmp:", []string{"21: suction_temp: missing", "24: suction_tmp: unknown point, did you mean suction_temp?"}},
		{"unknown unit", "10.5 kW", "10.5 kw", []string{`15: capacity: cannot read "10.5 kw" as a power: unknown unit "kw", did you mean kW?`}},
		{"unit of another quantity", "3.1 kg", "3.1 m", []string{`16: charge: `}},
		{"unit of a temperature accuracy", "suction_temp:     {accuracy: 0.5 K}", "suction_temp:     {accuracy: 5 kPa}", []string{"24: accuracy: "}},
		{"no unit", "12 m", "12", []string{"8: altitude: "}},
		{"unknown refrigerant", "R-410A", "R-401O", []string{`13: refrigerant: unknown refrigerant "R-401O"`}},
		{"unknown owner", "owner: city-buildings", "owner: city-building", []string{`6: owner: unknown owner "city-building", did you mean city-buildings?`}},
		{"unknown kind", "split_ac", "splitac", []string{`12: kind: "splitac" is not known: expected split_ac, heat_pump`}},
		{"unknown metering", "fixed_orifice", "orifice", []string{`14: metering: "orifice" is not known`}},
		{"unknown timezone", "Europe/Lisbon", "Europe/Lisboa", []string{`7: timezone: unknown time zone "Europe/Lisboa"`}},
		{"timezone of the machine", "Europe/Lisbon", "Local", []string{`7: timezone: "Local" is no time zone`}},
		{"event as a point", "outdoor_air_temp:", "serviced:", []string{"26: serviced: an event is reported, not fitted"}},

		// Things said twice, or not at all.
		{"key twice", "charge: 3.1 kg", "capacity: 3 kW", []string{"16: capacity: given twice: it stands on line 15"}},
		{"point twice", "outdoor_air_temp:", "liquid_temp:", []string{"26: liquid_temp: given twice: it stands on line 25"}},
		{"owner id twice", "City Buildings}", "City Buildings}\n  - {id: city-buildings}", []string{"3: id: city-buildings is taken: it stands on line 2"}},
		{"no id", "- id: quay-library\n    name", "- name", []string{"4: id: missing"}},
		{"no owner", "    owner: city-buildings\n", "", []string{"4: owner: missing"}},
		{"no kind", "        kind: split_ac\n", "", []string{"10: kind: missing"}},
		{"no refrigerant", "        refrigerant: R-410A\n", "", []string{"10: refrigerant: missing"}},
		{"no metering", "        metering: fixed_orifice\n", "", []string{"10: metering: missing"}},
		{"no altitude for a gauge", "    altitude: 12 m\n", "", []string{"4: altitude: missing"}},
		{"no suction pressure", "          suction_pressure: {gauge: true, accuracy: 8 kPa}\n", "", []string{"21: suction_pressure: missing"}},
		{"no liquid temperature", "          liquid_temp:      {accuracy: 0.5 K}\n", "", []string{"21: liquid_temp: missing"}},
		{"no high side", "          liquid_pressure:  {gauge: true, accuracy: 20 kPa}\n", "", []string{"21: liquid_pressure: missing: one high-side pressure"}},
		{"a key without a value", "3.1 kg", "", []string{"16: charge: it has no value"}},
		{"no sites", example, "owners: []", []string{"1: sites: missing"}},
		{"empty file", example, "", []string{"1: sites: missing"}},
		{"only a comment", example, "# nothing\n", []string{"1: sites: missing"}},

		// Values that cannot be.
		{"site id", "quay-library", "Quay_Library", []string{`4: id: "Quay_Library" is no id`}},
		{"system id", "hall-ac", "-hall", []string{`10: id: "-hall" is no id`}},
		{"gateway id", "hall-gw", "hall/gw", []string{`20: gateway: "hall/gw" is no id`}},
		{"negative charge", "3.1 kg", "-3.1 kg", []string{`16: charge: "-3.1 kg" is impossible: expected 0.001 kg to 20000 kg`}},
		{"no capacity", "10.5 kW", "0 kW", []string{`15: capacity: "0 kW" is impossible`}},
		{"altitude in the clouds", "12 m", "12 km", []string{`8: altitude: "12 km" is impossible: expected -500 m to 6000 m`}},
		{"altitude below the Dead Sea", "12 m", "-501 m", []string{"8: altitude: "}},
		{"subcooling", "5.6 K", "56 K", []string{`19: target_subcooling: "56 K" is impossible: expected 0.1 K to 30 K`}},
		{"inches for millimetres", "orifice: 1.65 mm", "orifice: 65 in", []string{"17: orifice: "}},
		{"accuracy of zero", "8 kPa", "0 kPa", []string{"22: accuracy: "}},
		{"not a number", "3.1 kg", ".nan kg", []string{"16: charge: "}},
		{"overflow", "3.1 kg", "1e999 kg", []string{"16: charge: "}},
		{"boolean", "{gauge: true, accuracy: 8 kPa}", "{gauge: yes}", []string{`22: gauge: "yes" is neither true nor false`}},
		{"date", "charge: 3.1 kg", "installed: 2019-13-02", []string{`16: installed: "2019-13-02" is no date`}},
		{"text of two lines", "Reading hall split", `"Reading\nhall"`, []string{"11: name: "}},
		{"invisible text", "Reading hall split", `"Reading\u200bhall"`, []string{"11: name: "}},
		{"interval", "{accuracy: 0.5 K}", "{sampling: {interval: 0 s}}", []string{`24: interval: "0 s" is impossible`}},
		{"duration of the wrong kind", "{accuracy: 0.5 K}", "{sampling: {interval: 15m}}", []string{"24: interval: "}},
		{"tag twice", "charge: 3.1 kg", "tags: [a, b, a]", []string{`16: tags: "a" is listed twice`}},

		// Statements that do not go together.
		{"target of an orifice", "charge: 3.1 kg", "target_superheat: 5 K", []string{"16: target_superheat: a fixed_orifice has no constant superheat target"}},
		{"place for an orifice", "charge: 3.1 kg", "target_superheat_at: coil", []string{"16: target_superheat_at: a fixed_orifice has no"}},
		{"place without target", "metering: fixed_orifice", "metering: txv\n        target_superheat_at: coil", []string{"15: target_superheat_at: it says where"}},
		{"gauge against reference", "{gauge: true, accuracy: 8 kPa}", "{gauge: true, reference: absolute}", []string{"22: gauge: gauge: true means reference: gauge, but reference: absolute"}},
		{"gauge against sealed", "{gauge: true, accuracy: 8 kPa}", "{reference: sealed_gauge, gauge: false}", []string{"22: gauge: gauge: false means reference: absolute"}},
		{"reference of a temperature", "suction_temp:     {", "suction_temp:     {reference: gauge, ", []string{"24: reference: unknown key: expected accuracy, sampling"}},
		{"accuracy of a boolean", "outdoor_air_temp:", "door_open:", []string{"26: accuracy: unknown key: expected sampling"}},

		// Compressor maps.
		{"map without anything", "charge: 3.1 kg", "compressor: {map: {}}", []string{"16: map: it has neither", "16: map: state either"}},
		{"compressor without map", "charge: 3.1 kg", "compressor: {}", []string{"16: map: missing"}},
		{"nine coefficients", "charge: 3.1 kg", "compressor: {map: {rated_superheat: 11 K, power: [1, 2, 3, 4, 5, 6, 7, 8, 9]}}", []string{"16: power: expected the 10 coefficients C1 to C10 of AHRI 540, found 9"}},
		{"coefficient", "charge: 3.1 kg", "compressor: {map: {rated_superheat: 11 K, power: [1, 2, 3, 4, 5, 6, 7, 8, 9, x]}}", []string{`16: power: coefficient C10: "x" is not a number`}},
		{"two ratings", "charge: 3.1 kg", "compressor: {map: {rated_superheat: 11 K, rated_return_gas: 18 degC, power: [1, 2, 3, 4, 5, 6, 7, 8, 9, 10]}}", []string{"16: map: state either"}},

		// Shapes.
		{"a list for keys", "points:", "points: [suction_pressure]\n        tags:", []string{"21: points: expected keys with values, found a list", "22: tags: expected a list, found keys with values"}},
		{"a value for a list", example, "sites: none", []string{`1: sites: expected a list, found "none"`}},
		{"a list for a value", "3.1 kg", "[3.1 kg]", []string{"16: charge: expected one value, found a list"}},
		{"a list for the file", example, "- a", []string{"1: yaml: expected keys with values, found a list"}},
		{"a list for a key", example, "? [a]\n: b\nsites: []", []string{"1: yaml: a key has to be a word, found a list"}},
		{"a tag", "3.1 kg", "!weight 3.1 kg", []string{`16: charge: the tag "!weight" is not used here`}},
		{"two documents", "owners:", "sites: []\n---\nowners:", []string{"2: yaml: a second document begins here"}},
		{"a colon in a key", "owners:", "\"a: b\": 1\nowners:", []string{`1: "a: b": unknown key`}},

		// YAML itself.
		{"indentation", "    owner: city", "   owner: city", []string{"6: yaml: "}},
		{"tab", "    owner: city", "\towner: city", []string{"6: yaml: "}},
		{"open list", "{id: city-buildings, name: City Buildings}", "{id: city-buildings", []string{"2: yaml: did not find expected ',' or '}': a bracket opens here"}},
		{"unknown alias", "3.1 kg", "*nobody", []string{"16: yaml: the alias *nobody has no anchor before it"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			if !strings.Contains(example, c.old) {
				t.Fatalf("the example has no %q", c.old)
			}
			text := strings.Replace(example, c.old, c.new, 1)
			_, err := dewline.ReadFleet("fleet.yaml", []byte(text), facts{})
			all, ok := errors.AsType[dewline.FleetErrors](err)
			if !ok {
				t.Fatalf("error %v is no FleetErrors", err)
			}
			if len(all) != len(c.want) {
				t.Fatalf("got\n%v\nwant %d: %q", all, len(c.want), c.want)
			}
			for i, want := range c.want {
				if got := all[i].Error(); !strings.HasPrefix(got, "fleet.yaml:"+want) {
					t.Errorf("got  %s\nwant fleet.yaml:%s", got, want)
				}
			}
		})
	}
}

func TestEveryProblemIsReported(t *testing.T) {
	text := strings.NewReplacer("12 m", "12", "split_ac", "ac", "3.1 kg", "-3.1 kg", "R-410A", "R-1", "20 kPa", "20", "hall-gw", "HALL").Replace(example)
	_, err := dewline.ReadFleet("fleet.yaml", []byte(text), facts{})
	all, _ := errors.AsType[dewline.FleetErrors](err)
	var at []int
	for _, e := range all {
		at = append(at, e.Line)
	}
	if fmt.Sprint(at) != "[8 12 13 16 20 23]" {
		t.Errorf("problems on lines %v, want 8, 12, 13, 16, 20 and 23:\n%v", at, err)
	}
}

func TestDuplicateIDs(t *testing.T) {
	for name, c := range map[string]struct{ text, want string }{
		"site":   {"sites:\n- {id: a, owner: o, systems: []}\n- {id: a, owner: o, systems: []}\n", "3: id: a is taken: it stands on line 2"},
		"system": {strings.Replace(small("", ""), "id: b", "id: a", 1), "id: a is taken"},
		"owner names": {"sites:\n- {id: a, owner: Quay Foods, systems: []}\n- {id: b, owner: quay foods, systems: []}\n",
			`3: owner: "Quay Foods" and "quay foods" would both get the id quay-foods`},
	} {
		_, err := dewline.ReadFleet("f", []byte(c.text), facts{})
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %q", name, err, c.want)
		}
	}
	// The same id at two sites is two systems.
	two := small("", "") + strings.Replace(strings.SplitAfterN(small("", ""), "sites:\n", 2)[1], "id: s", "id: t", 1)
	if f := read(t, two, facts{}); len(f.Systems()) != 4 {
		t.Errorf("%d systems, want 4", len(f.Systems()))
	}
}

func TestSeveralGatewaysWantAName(t *testing.T) {
	text := strings.Replace(small("gateway: g1", "gateway: g2"), "  systems:\n", `  systems:
  - id: c
    kind: split_ac
    refrigerant: R-410A
    metering: txv
    points: {suction_pressure: {}, liquid_pressure: {}, suction_temp: {}, liquid_temp: {}}
`, 1)
	_, err := dewline.ReadFleet("f", []byte(text), facts{})
	if want := "f:7: gateway: missing: the site has several (g1, g2)"; err == nil || !strings.HasPrefix(err.Error(), want) {
		t.Errorf("got %v, want %s", err, want)
	}
}

func TestAltitudeIsForVentedGauges(t *testing.T) {
	sealed := strings.NewReplacer("  altitude: 0 m\n", "", "_pressure: {}", "_pressure: {reference: sealed_gauge}").Replace(small("", ""))
	read(t, sealed, facts{})
	_, err := dewline.ReadFleet("f", []byte(strings.Replace(sealed, "sealed_gauge", "gauge", 1)), facts{})
	if want := "f:3: altitude: missing: a gauge sensor counts from the air around it"; err == nil || !strings.HasPrefix(err.Error(), want) {
		t.Errorf("got %v, want %s", err, want)
	}
}

func TestMerge(t *testing.T) {
	text := strings.Replace(small("", ""), "  - id: a\n", "  - &a\n    id: a\n    capacity: 5 kW\n    charge: 2 kg\n", 1)
	text += "  - <<: *a\n    id: c\n    charge: 3 kg\n"
	c := system(t, read(t, text, facts{}), "s/c")
	if c.Capacity != 5000 || c.Charge != 3 || len(c.Points) != 4 {
		t.Errorf("merged system: capacity %v, charge %v, %d points", c.Capacity, c.Charge, len(c.Points))
	}
}

// A file of a few hundred bytes can stand for billions of values. It is refused, and soon.
func TestHostileFiles(t *testing.T) {
	laughs := "x0: &x0 {id: a}\n"
	for i := range 9 {
		laughs += fmt.Sprintf("x%d: &x%d [%s]\n", i+1, i+1, strings.Repeat(fmt.Sprintf("*x%d, ", i), 9))
	}
	list := func(item string, n int) string { return "[" + strings.Repeat(item+", ", n) + "]" }
	for name, text := range map[string]string{
		"billion laughs": laughs + "sites: *x9",
		"within the schema": "owners: &o [{id: o}]\nsites:\n- &site\n  id: s\n  owner: o\n  systems:\n  - &sys\n    id: a\n    tags: &t " + list("a", 500) +
			"\n" + strings.Repeat("  - *sys\n", 2000) + strings.Repeat("- *site\n", 2000),
		"merge bomb": "a: &a {b: 1}\nsites:\n- &m0 {id: a, <<: *a}\n" + func() string {
			var b strings.Builder
			for i := range 30 {
				fmt.Fprintf(&b, "- &m%d {<<: [*m%d, *m%d]}\n", i+1, i, i)
			}
			return b.String()
		}(),
		"an anchor in itself": "sites: &s\n- *s",
		"a merge in itself":   "sites:\n- &s {id: a, <<: *s}",
		"deep lists":          "sites: " + strings.Repeat("[", 1<<17),
		"deep keys":           strings.Repeat("{a: ", 1<<17),
		"many dashes":         strings.Repeat("- ", 1<<17),
		"many keys":           strings.Repeat("a: b\n", 1<<14),
		"too large":           strings.Repeat("#", 33<<20),
		"many problems":       "sites:\n" + strings.Repeat("- {}\n", 6_000),
		"not UTF-8":           "sites: \xff\xfe\xfd",
		"NUL":                 "sites: \x00",
	} {
		start := time.Now()
		_, err := dewline.ReadFleet("f", []byte(text), facts{})
		if err == nil {
			t.Errorf("%s: accepted", name)
		}
		if all, ok := errors.AsType[dewline.FleetErrors](err); ok && len(all) > 10_001 {
			t.Errorf("%s: %d problems", name, len(all))
		}
		if took := time.Since(start); took > 20*time.Second { // each well under 1 s on a quiet machine
			t.Errorf("%s: took %v", name, took)
		} else {
			t.Logf("%s: %v", name, took)
		}
	}
}
