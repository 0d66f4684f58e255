package thermo

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"sync"

	"dewline/thermo/fluid"
	"dewline/thermo/mixture"
	"dewline/thermo/si"
)

// Facts is what is known of a refrigerant beside its equation of state.
type Facts struct {
	Designation string // ASHRAE 34
	SafetyClass string // ASHRAE 34, "unknown" where it is not known here
	ClassSource string
	MolarMass   float64 // kg/mol
	Critical    CriticalPoint
	Composition []Share // one entry for a pure fluid
	Glide       Glide   // at 101.325 kPa
	GWP         GWP
	// Estimated lists the binary pairs of which no fit is published, with what stands in.
	Estimated      []string
	Sources        []string // citations of the equations and of the fitted pairs
	ReferenceState string   // what enthalpy and entropy are counted from
	MinTemperature si.Kelvin
	MaxTemperature si.Kelvin
	MaxPressure    si.Pascal
}

// Share is one component of a refrigerant.
type Share struct {
	Designation  string
	MassFraction float64
	MoleFraction float64
}

// Glide is the dew temperature less the bubble temperature at 101.325 kPa, or why there is none.
type Glide struct {
	Value  si.DeltaK
	Absent string // the reason, "" where Value holds
}

// GWP is the 100-year global warming potential, or that it is not known. It is never zero.
type GWP struct {
	Value  float64 // of CO2 = 1
	Known  bool
	Source string // of the value, or why it is unknown
}

// String returns the number as people read it, or "unknown".
func (g GWP) String() string {
	if !g.Known {
		return "unknown"
	}
	return fmt.Sprintf("%.0f", g.Value)
}

//go:embed data/gwp.json
var gwpData []byte

// potential is the GWP of a fluid with its source.
type potential struct {
	value  float64
	source string
}

var gwps = sync.OnceValue(func() map[string]potential {
	var groups []struct {
		Source string             `json:"source"`
		GWP100 map[string]float64 `json:"gwp100"`
	}
	if err := json.Unmarshal(gwpData, &groups); err != nil {
		panic(fmt.Sprintf("GWP data: %v", err))
	}
	all := map[string]potential{}
	for _, g := range groups {
		for name, v := range g.GWP100 {
			all[name] = potential{v, g.Source}
		}
	}
	return all
})

// Facts returns what is known of r.
func (r *Refrigerant) Facts() Facts {
	f := Facts{
		Designation:    r.name,
		MolarMass:      r.molarMass,
		Critical:       r.critical,
		ReferenceState: r.shift.note,
		MinTemperature: r.minTemp, MaxTemperature: r.maxTemp, MaxPressure: r.maxPres,
		Glide: r.glideAtAtmosphere(),
	}
	class := ""
	if r.blend != nil {
		class = r.blend.SafetyClass
		for _, c := range r.blend.Components {
			f.Composition = append(f.Composition, Share{Designation: c.Fluid, MassFraction: c.MassFraction})
		}
		var moles float64
		for i := range f.Composition {
			if p, ok := fluid.Get(f.Composition[i].Designation); ok {
				f.Composition[i].MoleFraction = f.Composition[i].MassFraction / p.MolarMass
				moles += f.Composition[i].MoleFraction
			}
		}
		for i := range f.Composition {
			f.Composition[i].MoleFraction /= moles
		}
	} else {
		class = r.fluids[0].SafetyClass
		f.Composition = []Share{{r.name, 1, 1}}
	}
	f.SafetyClass, f.ClassSource = class, "ANSI/ASHRAE Standard 34, from memory"
	if class == "" {
		f.SafetyClass, f.ClassSource = "unknown", "no class at hand: treat as flammable and toxic until the data plate or the maker says otherwise"
	}
	f.GWP = globalWarming(f.Composition)
	for _, p := range r.fluids {
		f.Sources = append(f.Sources, p.Source...)
	}
	f.addPairs(r.fluids)
	return f
}

// addPairs names the source of each binary pair, or says that it has none.
func (f *Facts) addPairs(fluids []*fluid.Fluid) {
	for i, a := range fluids {
		for _, b := range fluids[i+1:] {
			p, ok := mixture.FindPair(a.Designation, b.Designation)
			switch {
			case !ok:
			case p.Source == "":
				f.Estimated = append(f.Estimated, fmt.Sprintf("%s + %s: no published fit, %s", a.Designation, b.Designation, p.Estimate))
			default:
				f.Sources = append(f.Sources, fmt.Sprintf("%s + %s: %s", a.Designation, b.Designation, p.Source))
			}
		}
	}
}

func (r *Refrigerant) glideAtAtmosphere() Glide {
	if atmosphere < r.low {
		return Glide{Absent: fmt.Sprintf("1 atm lies below the lowest saturation pressure of %s (%s at %s): there is no liquid there", r.name, kPa(r.low), celsius(r.minTemp))}
	}
	// Pure fluids have none by definition; the solver's last digits would only look like one.
	if r.blend == nil {
		return Glide{}
	}
	g, err := r.Glide(atmosphere)
	if err != nil {
		return Glide{Absent: err.Error()}
	}
	return Glide{Value: max(g, 0)}
}

// globalWarming sums the GWPs of components by mass; it is unknown if one of them is.
func globalWarming(parts []Share) GWP {
	var sum float64
	var sources []string
	for _, c := range parts {
		p, ok := gwps()[c.Designation]
		if !ok {
			return GWP{Source: "no value at hand for " + c.Designation}
		}
		sum += c.MassFraction * p.value
		if !slices.Contains(sources, p.source) {
			sources = append(sources, p.source)
		}
	}
	return GWP{Value: sum, Known: sum > 0, Source: strings.Join(sources, "; ")}
}
