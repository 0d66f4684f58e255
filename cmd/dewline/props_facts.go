package main

import (
	"context"
	"fmt"
	"io"
	"iter"
	"runtime"
	"slices"
	"strings"

	"dewline/thermo"
)

// writeFacts writes the head of a refrigerant's page.
func writeFacts(p *propsPage, f thermo.Facts, u propsUnits, sources bool) {
	p.line("%s", f.Designation)
	p.line("")
	p.entry("Safety class", fmt.Sprintf("%s (%s)", classWords(f.SafetyClass), f.ClassSource))
	p.entry("Composition", composition(f))
	p.entry("GWP, 100 years", fmt.Sprintf("%s (%s)", f.GWP, strings.TrimSuffix(f.GWP.Source, ".")))
	p.entry("Critical point", critical(f, u))
	p.entry("Glide at 1 atm", glide(f, u))
	for _, pair := range f.Estimated {
		p.entry("Estimated", pair+": expect larger errors of its dew and bubble points")
	}
	if sources {
		for i, source := range f.Sources {
			label := ""
			if i == 0 {
				label = "Sources"
			}
			p.entry(label, source)
		}
	}
	p.line("")
}

// classWords spells out an ASHRAE 34 safety class in the words of the standard.
func classWords(class string) string {
	words := map[string]string{
		"A": "lower toxicity", "B": "higher toxicity",
		"1": "no flame propagation", "2L": "lower flammability, burns slowly",
		"2": "flammable", "3": "higher flammability",
	}
	if len(class) < 2 || words[class[:1]] == "" || words[class[1:]] == "" {
		return class
	}
	return fmt.Sprintf("%s: %s, %s", class, words[class[:1]], words[class[1:]])
}

func flammable(class string) bool {
	return strings.HasSuffix(class, "2L") || strings.HasSuffix(class, "2") || strings.HasSuffix(class, "3")
}

func composition(f thermo.Facts) string {
	if len(f.Composition) == 1 {
		return fmt.Sprintf("pure, %.2f g/mol", 1000*f.MolarMass)
	}
	var parts []string
	for _, c := range f.Composition {
		parts = append(parts, fmt.Sprintf("%s %.4g %%", c.Designation, 100*c.MassFraction))
	}
	return fmt.Sprintf("%s by mass, %.2f g/mol", strings.Join(parts, ", "), 1000*f.MolarMass)
}

func critical(f thermo.Facts, u propsUnits) string {
	if f.Critical.Pressure == 0 {
		return "not known: the model of this blend shows none"
	}
	return fmt.Sprintf("%s %s, %s %s absolute", u.kelvin(f.Critical.Temperature), u.temperature, u.pascal(f.Critical.Pressure), u.pressure)
}

func glide(f thermo.Facts, u propsUnits) string {
	switch {
	case f.Glide.Absent != "":
		return "none: " + f.Glide.Absent
	case len(f.Composition) == 1:
		return "none: a pure fluid boils at one temperature"
	}
	return fmt.Sprintf("%s %s", u.delta(f.Glide.Value, 2), u.difference)
}

// writeCaution closes a page that a technician may act on.
func writeCaution(p *propsPage, f thermo.Facts) {
	p.line("")
	p.note(caution(f))
}

func caution(f thermo.Facts) string {
	text := "Caution: the circuit is under pressure. The data plate and the maker's instructions stand above these numbers; open, charge and repair only as local code and your licence allow."
	switch class := f.SafetyClass; {
	case class == "unknown":
		text += " The safety class of " + f.Designation + " is not known here: treat it as flammable and toxic until the data plate or the maker says otherwise."
	case flammable(class):
		text += " " + f.Designation + " burns (" + class + "): keep ignition sources away, ventilate, and use tools and recovery equipment rated for it."
	}
	if strings.HasPrefix(f.SafetyClass, "B") {
		text += " It is toxic (" + f.SafetyClass + "): wear the protection that local code asks for."
	}
	return text
}

// factsJSON is the facts of a refrigerant for programs.
type factsJSON struct {
	Refrigerant    string        `json:"refrigerant"`
	SafetyClass    string        `json:"safety_class"`
	ClassSource    string        `json:"safety_class_source"`
	GWP            *float64      `json:"gwp_100"` // of CO2 = 1
	GWPSource      string        `json:"gwp_source"`
	MolarMass      float64       `json:"molar_mass_kg_mol"`
	Critical       *criticalJSON `json:"critical"`
	Composition    []shareJSON   `json:"composition"`
	Glide          *float64      `json:"glide_1atm_k"`
	GlideAbsent    string        `json:"glide_1atm_absent,omitempty"`
	Estimated      []string      `json:"estimated_pairs,omitempty"`
	ReferenceState string        `json:"reference_state"`
	Sources        []string      `json:"sources,omitempty"`
}

type criticalJSON struct {
	Temp     float64 `json:"temp_k"`
	Pressure float64 `json:"pressure_pa"`
	Density  float64 `json:"rho_kg_m3"`
}

type shareJSON struct {
	Designation  string  `json:"refrigerant"`
	MassFraction float64 `json:"mass_fraction"`
	MoleFraction float64 `json:"mole_fraction"`
}

func newFactsJSON(f thermo.Facts, sources bool) factsJSON {
	j := factsJSON{
		Refrigerant: f.Designation, SafetyClass: f.SafetyClass, ClassSource: f.ClassSource,
		GWPSource: f.GWP.Source, MolarMass: f.MolarMass, GlideAbsent: f.Glide.Absent,
		Estimated: f.Estimated, ReferenceState: f.ReferenceState,
	}
	if f.GWP.Known {
		j.GWP = &f.GWP.Value
	}
	if c := f.Critical; c.Pressure > 0 {
		j.Critical = &criticalJSON{float64(c.Temperature), float64(c.Pressure), float64(c.Density)}
	}
	if f.Glide.Absent == "" {
		j.Glide = new(float64(f.Glide.Value))
	}
	for _, c := range f.Composition {
		j.Composition = append(j.Composition, shareJSON(c))
	}
	if sources {
		j.Sources = f.Sources
	}
	return j
}

// listed is a refrigerant's facts, or why it has none.
type listed struct {
	facts thermo.Facts
	err   error
}

// listRefrigerants writes a line for each refrigerant. Preparing all of them takes a second or two,
// so it is done on every processor, and lines appear as they are ready.
func listRefrigerants(ctx context.Context, out io.Writer, asJSON, sources bool) error {
	prepare := func() func(string) listed {
		return func(name string) listed {
			r, err := thermo.Lookup(name)
			if err != nil {
				return listed{err: err}
			}
			return listed{facts: r.Facts()}
		}
	}
	all := inOrder(ctx, runtime.GOMAXPROCS(0), slices.Values(thermo.Names()), prepare)
	if asJSON {
		return listAsJSON(ctx, out, all, sources)
	}
	return listAsText(ctx, out, all)
}

func listAsText(ctx context.Context, out io.Writer, all iter.Seq[listed]) error {
	p := &propsPage{w: out}
	p.line("%-13s %-8s %8s %13s", "Refrigerant", "Class", "GWP 100", "Glide, 1 atm")
	p.line("%-13s %-8s %8s %13s", "", "", "CO2 = 1", "K")
	for l := range all {
		if err := firstError(l.err, p.err); err != nil {
			return err
		}
		p.line("%s", listLine(l.facts))
	}
	p.line("")
	p.note("Classes are ASHRAE 34's, GWP is IPCC AR5's, both from memory: the data plate and the standard in force stand above them. Glide \"none\": no liquid at 1 atm. Estimated: a pair of components has no published fit. More on one: dewline props R-410A.")
	return firstError(ctx.Err(), p.err)
}

func listLine(f thermo.Facts) string {
	glide := fmt.Sprintf("%.2f", float64(f.Glide.Value))
	if f.Glide.Absent != "" {
		glide = "none"
	}
	estimated := ""
	if len(f.Estimated) > 0 {
		estimated = "  estimated"
	}
	return fmt.Sprintf("%-13s %-8s %8s %13s%s", f.Designation, f.SafetyClass, f.GWP, glide, estimated)
}

func listAsJSON(ctx context.Context, out io.Writer, all iter.Seq[listed], sources bool) error {
	var list struct {
		Refrigerants []factsJSON `json:"refrigerants"`
	}
	for l := range all {
		if l.err != nil {
			return l.err
		}
		list.Refrigerants = append(list.Refrigerants, newFactsJSON(l.facts, sources))
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	return writeJSON(out, list)
}
