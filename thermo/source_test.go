package thermo

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"dewline/thermo/fluid"
	"dewline/thermo/mixture"
	"dewline/thermo/si"
	"dewline/thermo/vle"
)

// sourceState is one line of source_states.txt: a state and what its source prints for it.
type sourceState struct {
	source, fluid string
	iir           bool // h and s are in the IIR reference state
	block         int  // states of one block share a reference state
	given         map[string]string
	printed       [][2]string // name, digits
}

func readSourceStates(t testing.TB) []sourceState {
	t.Helper()
	var out []sourceState
	var source string
	var iir bool
	block := 0
	for _, line := range readLines(t, "source_states.txt") {
		first, rest, _ := strings.Cut(line, " ")
		switch first {
		case "source":
			source = rest
			block++
			continue
		case "h":
			iir = rest == "iir"
			continue
		}
		givens, values, ok := strings.Cut(rest, "->")
		if !ok {
			t.Fatalf("source_states.txt: %q", line)
		}
		s := sourceState{source: source, fluid: first, iir: iir, block: block, given: map[string]string{}}
		for _, g := range strings.Fields(givens) {
			k, v, _ := strings.Cut(g, "=")
			s.given[k] = v
		}
		for _, g := range strings.Fields(values) {
			k, v, _ := strings.Cut(g, "=")
			s.printed = append(s.printed, [2]string{k, v})
		}
		out = append(out, s)
	}
	return out
}

// evaluate returns all properties of the state under the names of source_states.txt.
func (s *sourceState) evaluate(t testing.TB) (map[string]float64, error) {
	t.Helper()
	r := mustLookup(t, s.fluid)
	get := func(name string) (float64, bool) {
		text, ok := s.given[name]
		if !ok {
			return 0, false
		}
		return number(t, text), true
	}
	temp, hasTemp := get("T")
	if c, ok := get("tC"); ok {
		temp, hasTemp = c+273.15, true
	}
	pres, hasPres := get("p")
	pres *= 1e6
	rhom, hasRho := get("rhom")
	rhom *= 1000
	phase, saturated := s.given["sat"]

	var state State
	var err error
	switch dew := phase == "vapour"; {
	case saturated && hasTemp:
		state, err = r.saturatedAt(si.Kelvin(temp), dew)
	case saturated && hasPres:
		state, err = r.saturated(si.Pascal(pres), dew)
	case hasTemp && hasRho:
		state = r.single(temp, max(rhom, 1e-9)) // the ideal gas is printed as a density of 0
	case hasTemp && hasPres && si.Kelvin(temp) <= r.maxTemp && si.Pascal(pres) <= r.maxPres:
		state, err = r.AtPT(si.Pascal(pres), si.Kelvin(temp))
	case hasTemp && hasPres:
		// Beyond the range that the façade answers for; the equation is printed there all the same.
		var rho float64
		if rho, err = r.solver.Density(temp, pres, 1e-3, 60e3); err == nil {
			state = r.single(temp, rho)
		}
	default:
		err = fmt.Errorf("too little is given")
	}
	if err != nil {
		return nil, err
	}
	mass := r.molarMass
	rho := float64(state.Density) / mass
	cp, w := float64(state.HeatCapacity)*mass, float64(state.SoundSpeed)
	// cv = cp (dp/drho)_T / (dp/drho)_s, from a derivative that the pressure has of its own.
	slope := r.model.Pressure(float64(state.Temperature), rho, &r.z)
	cv := cp * slope.PresRho / rho / (w * w * mass)
	h, entropy := float64(state.Enthalpy), float64(state.Entropy)
	return map[string]float64{
		"T": float64(state.Temperature), "tC": state.Temperature.Celsius(), "p": float64(state.Pressure) / 1e6,
		"rho": float64(state.Density), "rhom": rho / 1000, "w": w,
		"h": h / 1000, "s": entropy / 1000, "hm": h * mass, "sm": entropy * mass,
		"cp": cp / mass / 1000, "cv": cv / mass / 1000, "cpm": cp, "cvm": cv,
	}, nil
}

// lastDigit returns one unit of the last printed digit.
func lastDigit(digits string) float64 {
	if _, fraction, ok := strings.Cut(digits, "."); ok {
		return math.Pow(10, -float64(len(fraction)))
	}
	return 1
}

// sourceNote explains why an equation does not reproduce a table to the last digit: by how much
// relative to the printed value the listed properties may differ beyond rounding.
type sourceNote struct {
	relative   float64
	properties string
	why        string
}

var sourceNotes = map[string]sourceNote{
	"R-717": {3.5e-7, "p w cvm cpm hm sm",
		"the check values were computed with the R of 2018, 8.314462618; the equation is stated with 8.3144598"},
	"R-1234ze(E)": {1.3e-6, "p w cvm cpm",
		"the check values were computed with R = 8.3144621; the reference data state 8.314472, which is used for agreement with them"},
	"R-245fa": {2.6e-4, "w cvm cpm hm sm",
		"the ideal part in the reference data is that of the equation of 2006, reduced by 427.16 K instead of 427.01 K; it is used for agreement with them"},
	"R-507A.pp": {1.7e-4, "p w rhom",
		"the reference data reduce by 4964.03 mol/m3, a rounded mass density, where the paper prints 4964; p is of a liquid"},
	"R-125": {6e-7, "w cvm cpm",
		"the printed coefficients of the ideal part are rounded, the check values were computed before rounding"},
	"R-290":     {7e-8, "w cvm cpm", "the printed coefficients of the ideal part are rounded"},
	"R-142b":    {5e-7, "p cpm", "the state is 2 K above the critical point, where the last digits of the coefficients show"},
	"R-404A.pp": {1e-6, "cvm", "the printed coefficients are rounded"},
	"R-143a":    {1.2e-5, "h s", "the paper's constants of the IIR reference state are rounded"},
}

// TestSourceStates evaluates each fluid at the states for which its source, or a paper that used
// its equation, prints values: every number must come out within half a unit of the last digit, or
// within what sourceNotes explains.
func TestSourceStates(t *testing.T) {
	t.Parallel()
	states := readSourceStates(t)
	type key struct {
		block       int
		fluid, name string
	}
	type base struct{ offset, digit float64 }
	bases := map[key]base{}
	needed := map[string]bool{}
	var share worst
	for _, s := range states {
		where := fmt.Sprintf("%s %v (%s)", s.fluid, s.given, s.source)
		got, err := s.evaluate(t)
		if err != nil {
			t.Errorf("%s: %v", where, err)
			continue
		}
		for _, printed := range s.printed {
			name, want, digit := printed[0], number(t, printed[1]), lastDigit(printed[1])
			v, ok := got[name]
			if !ok {
				t.Fatalf("%s: unknown property %q", where, name)
			}
			allowed := 0.5*digit + 1e-12*math.Abs(want)
			if caloric := name[0] == 'h' || name[0] == 's'; caloric && !s.iir {
				k := key{s.block, s.fluid, name}
				b, seen := bases[k]
				if !seen {
					bases[k] = base{v - want, digit}
					continue
				}
				v -= b.offset
				allowed += 0.5 * b.digit // both ends of the difference are rounded
			}
			off := math.Abs(v - want)
			note := sourceNotes[s.fluid]
			if off > allowed && slices.Contains(strings.Fields(note.properties), name) {
				needed[s.fluid] = true
				allowed += note.relative * math.Abs(want)
			} else {
				share.add(off/allowed, func() string { return where + " " + name })
			}
			if !(off <= allowed) {
				t.Errorf("%s: %s=%s, got %.9g, off by %.3g units of the last digit, %.2g relative", where, name, printed[1], v, off/digit, off/math.Abs(want))
			}
		}
	}
	for name, note := range sourceNotes {
		if !needed[name] {
			t.Errorf("%s needs no note: %s", name, note.why)
		}
	}
	t.Logf("%d printed numbers of %d states within rounding, worst at %.3f of it (%s); %d fluids with notes",
		share.count, len(states), share.value, share.where, len(needed))
}

// withoutTable are the pure fluids for which no table of check values of the equation used here is
// at hand. They are held by check_values.csv and, where it has rows, published_pt.csv.
var withoutTable = []string{
	"R-11", "R-12", "R-13", "R-14", "R-22", "R-113", "R-114", "R-123", "R-124", "R-601", "R-1132(E)",
	"R-1132a", "R-1234yf", "R-1270", "R-C318", "R-E170",
	"R-41",  // the table of its paper is for the other one of the two equations given there
	"R-161", // the tables at hand are of the later equation by Qi et al. (2016)
}

// TestSourceStatesCoverAll says which fluids have no table, so that the list cannot grow unseen.
func TestSourceStatesCoverAll(t *testing.T) {
	t.Parallel()
	have := map[string]bool{}
	for _, s := range readSourceStates(t) {
		have[s.fluid] = true
	}
	for _, name := range everyName() {
		f, pure := fluid.Get(name)
		if !pure && !strings.HasSuffix(name, oneFluidSuffix) {
			continue
		}
		if missing := slices.Contains(withoutTable, name); have[name] == missing {
			t.Errorf("%s: has a table %t, is listed as without %t", name, have[name], missing)
		}
		if pure && len(f.Source) == 0 {
			t.Errorf("%s names no source", name)
		}
	}
}

// TestPureIsMixtureOfOne evaluates a pure fluid as a mixture of itself with a trace of another: the
// reducing functions must then give the pure fluid back.
func TestPureIsMixtureOfOne(t *testing.T) {
	t.Parallel()
	a, _ := fluid.Get("R-32")
	b, _ := fluid.Get("R-125")
	pure, err := mixture.New(a)
	if err != nil {
		t.Fatal(err)
	}
	both, err := mixture.New(a, b)
	if err != nil {
		t.Fatal(err)
	}
	one := [vle.MaxN]float64{1}
	p, q := pure.Pressure(300, 500, &one).Pres/pure.GasConstant(), both.Pressure(300, 500, &one).Pres/both.GasConstant()
	if math.Abs(p/q-1) > 1e-14 {
		t.Errorf("p/R is %.16g alone and %.16g in the mixture", p, q)
	}
}
