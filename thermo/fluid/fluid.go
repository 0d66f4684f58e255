package fluid

import (
	"embed"
	"encoding/json"
	"fmt"
	"math"
	"sort"
	"strings"
	"sync"

	"dewline/thermo/helmholtz"
)

//go:embed data/*.json
var files embed.FS

// Fluid is the equation of state of one fluid with the facts that its source states. All values
// are SI and molar. It is read-only after loading.
type Fluid struct {
	Designation       string   `json:"designation"` // ASHRAE 34, "R-32"
	CAS               string   `json:"cas"`
	SafetyClass       string   `json:"safety_class"` // ASHRAE 34, "" when unknown
	SafetyClassSource string   `json:"safety_class_source"`
	Source            []string `json:"source"`       // citations of the equation of state
	IdealSource       []string `json:"ideal_source"` // citations of the ideal part where it has its own
	IdealNote         string   `json:"ideal_note"`   // how a published cp0 polynomial was integrated

	MolarMass       float64 `json:"molar_mass_kg_mol"`
	GasConstant     float64 `json:"gas_constant_J_mol_K"`
	ReducingTemp    float64 `json:"reducing_temp_K"`
	ReducingDensity float64 `json:"reducing_density_mol_m3"`
	CriticalTemp    float64 `json:"critical_temp_K"`
	CriticalPres    float64 `json:"critical_pressure_Pa"`
	CriticalDensity float64 `json:"critical_density_mol_m3"`
	MinTemp         float64 `json:"min_temp_K"` // lower limit of the equation
	TripleTemp      float64 `json:"triple_temp_K"`
	// ExtrapolatedTo is how far below MinTemp the equation is used here, because others publish
	// values computed from it there; 0 where it is not extrapolated.
	ExtrapolatedTo float64 `json:"extrapolated_to_temp_K"`
	MaxTemp        float64 `json:"max_temp_K"`
	MaxPres        float64 `json:"max_pressure_Pa"`

	Ideal       helmholtz.Ideal      `json:"ideal"`
	Residual    helmholtz.Residual   `json:"residual"`
	Ancillaries map[string]Ancillary `json:"ancillaries"`

	// OneFluid says that this is a blend of fixed composition described as if it were one fluid
	// (Lemmon 2003): its bubble and dew pressures come from ancillaries alone.
	OneFluid bool `json:"-"`
}

// LowestTemp returns the temperature in K down to which the equation is used.
func (f *Fluid) LowestTemp() float64 {
	if f.ExtrapolatedTo > 0 {
		return f.ExtrapolatedTo
	}
	return f.MinTemp
}

// Names of ancillaries. A pure fluid has SaturationPressure; a one-fluid blend has the two others.
const (
	SaturationPressure = "p_sat_Pa"
	BubblePressure     = "p_bubble_Pa"
	DewPressure        = "p_dew_Pa"
	LiquidDensity      = "rho_liquid_mol_m3"
	VapourDensity      = "rho_vapor_mol_m3"
)

// Ancillary is an explicit function of temperature that approximates a saturation property to
// about a percent, for starting a solver: with S = sum n (1-T/Tr)^t it is
// scale exp(Tr/T S) for the form "exp_tau", scale exp(S) for "exp" and scale (1+S) for "linear".
type Ancillary struct {
	Form  string       `json:"form"`
	Tr    float64      `json:"T_r_K"`
	Scale float64      `json:"scale"`
	Min   float64      `json:"min_temp_K"` // lower end of the fit
	Terms [][2]float64 `json:"terms"`      // n, t
}

// At returns the ancillary's value at tempK. Above Tr it stays at the value of Tr. Below the fit
// it goes on straight in ln(value) against 1/T, as a saturation pressure nearly does.
func (a *Ancillary) At(tempK float64) float64 {
	if tempK < a.Min {
		const h = 1.0 // K
		low, next := a.At(a.Min), a.At(a.Min+h)
		slope := math.Log(next/low) / (1/(a.Min+h) - 1/a.Min)
		return low * math.Exp(slope*(1/tempK-1/a.Min))
	}
	x := max(1-tempK/a.Tr, 0)
	var s float64
	for _, c := range a.Terms {
		s += c[0] * math.Pow(x, c[1])
	}
	switch a.Form {
	case "exp_tau":
		return a.Scale * math.Exp(a.Tr/tempK*s)
	case "exp":
		return a.Scale * math.Exp(s)
	default:
		return a.Scale * (1 + s)
	}
}

// Blend is a mixture of fixed composition, by mass as ASHRAE 34 defines it.
type Blend struct {
	Designation string      `json:"designation"`
	SafetyClass string      `json:"safety_class"` // "" when unknown
	Components  []Component `json:"components"`
}

// Component is one fluid of a Blend.
type Component struct {
	Fluid        string  `json:"fluid"`
	MassFraction float64 `json:"mass_fraction"`
}

type library struct {
	fluids   map[string]*Fluid
	oneFluid map[string]*Fluid
	blends   map[string]*Blend
	names    []string
}

// load reads the embedded data once. The data are part of the program, so a fault in them is a
// programming error and panics.
var load = sync.OnceValue(func() *library {
	lib := &library{fluids: map[string]*Fluid{}, oneFluid: map[string]*Fluid{}, blends: map[string]*Blend{}}
	entries, err := files.ReadDir("data")
	if err != nil {
		panic(err)
	}
	for _, e := range entries {
		name := e.Name()
		if name == "blends.json" {
			var doc struct{ Blends []*Blend }
			mustRead(name, &doc)
			for _, b := range doc.Blends {
				lib.blends[b.Designation] = b
				lib.names = append(lib.names, b.Designation)
			}
			continue
		}
		f := &Fluid{OneFluid: strings.HasSuffix(name, ".onefluid.json")}
		mustRead(name, f)
		f.Residual.Prepare()
		if f.OneFluid {
			lib.oneFluid[f.Designation] = f
			continue
		}
		lib.fluids[f.Designation] = f
		lib.names = append(lib.names, f.Designation)
	}
	sort.Slice(lib.names, func(i, j int) bool { return before(lib.names[i], lib.names[j]) })
	return lib
})

func mustRead(name string, into any) {
	data, err := files.ReadFile("data/" + name)
	if err == nil {
		err = json.Unmarshal(data, into)
	}
	if err != nil {
		panic(fmt.Sprintf("fluid data %s: %v", name, err))
	}
}

// before orders designations as the trade does: by number, then by letter.
func before(a, b string) bool {
	na, nb := number(a), number(b)
	if na != nb {
		return na < nb
	}
	return a < b
}

func number(designation string) int {
	n := 0
	for _, c := range designation {
		if c >= '0' && c <= '9' {
			n = n*10 + int(c-'0')
		} else if n > 0 {
			break
		}
	}
	return n
}

// Names returns the designations of all fluids and blends in the order of their numbers.
func Names() []string { return append([]string(nil), load().names...) }

// Get returns the equation of state of a pure fluid.
func Get(designation string) (*Fluid, bool) {
	f, ok := load().fluids[designation]
	return f, ok
}

// GetOneFluid returns the one-fluid equation of a blend, where one is published.
func GetOneFluid(designation string) (*Fluid, bool) {
	f, ok := load().oneFluid[designation]
	return f, ok
}

// GetBlend returns the composition of a blend.
func GetBlend(designation string) (*Blend, bool) {
	b, ok := load().blends[designation]
	return b, ok
}
