package thermo

import (
	"math"
	"strings"
	"testing"

	"dewline/thermo/fluid"
	"dewline/thermo/si"
)

// TestFacts holds for every refrigerant what pages and records will print.
func TestFacts(t *testing.T) {
	t.Parallel()
	classes := map[string]bool{"A1": true, "A2L": true, "A2": true, "A3": true, "B1": true, "B2L": true, "B2": true, "B3": true, "unknown": true}
	forEach(t, everyName(), func(r *Refrigerant) {
		f := r.Facts()
		name := r.Name()
		if f.Designation != name {
			t.Errorf("%s calls itself %s", name, f.Designation)
		}
		if !classes[f.SafetyClass] || f.ClassSource == "" {
			t.Errorf("%s: class %q from %q", name, f.SafetyClass, f.ClassSource)
		}
		if f.SafetyClass != "unknown" && !strings.Contains(f.ClassSource, "from memory") {
			t.Errorf("%s: class %s from %q", name, f.SafetyClass, f.ClassSource)
		}
		var mass, mole, molar float64
		for _, c := range f.Composition {
			mass += c.MassFraction
			mole += c.MoleFraction
			part, ok := fluid.Get(c.Designation)
			if !ok || !(c.MassFraction > 0 && c.MoleFraction > 0) {
				t.Errorf("%s: %+v", name, c)
				continue
			}
			molar += c.MoleFraction * part.MolarMass
		}
		if math.Abs(mass-1) > 1e-12 || math.Abs(mole-1) > 1e-12 || len(f.Composition) == 0 {
			t.Errorf("%s: shares sum to %g by mass and %g by mole", name, mass, mole)
		}
		if limit := 1e-4; math.Abs(molar/f.MolarMass-1) > limit { // one-fluid equations state their own, rounded
			t.Errorf("%s: molar mass %g, from its composition %g", name, f.MolarMass, molar)
		}
		if f.GWP.Source == "" || f.GWP.Known != (f.GWP.Value > 0) || f.GWP.Value < 0 {
			t.Errorf("%s: GWP %+v", name, f.GWP)
		}
		if text := f.GWP.String(); text == "" || text == "0" || !f.GWP.Known && text != "unknown" {
			t.Errorf("%s: GWP is printed %q", name, text)
		}
		if (f.Glide.Absent != "") == (f.Glide.Value > 0 && r.blend != nil) && r.blend != nil || f.Glide.Value < 0 || f.Glide.Value > 40 {
			t.Errorf("%s: glide %+v", name, f.Glide)
		}
		if len(f.Sources) == 0 || f.ReferenceState == "" {
			t.Errorf("%s: sources %v, reference state %q", name, f.Sources, f.ReferenceState)
		}
		if !(f.MinTemperature > 50 && f.MinTemperature < f.MaxTemperature && f.MaxPressure > 1e6) {
			t.Errorf("%s: %v to %v, up to %v", name, f.MinTemperature, f.MaxTemperature, f.MaxPressure)
		}
		if c := f.Critical; c.Pressure == 0 && name != "R-514A" || c.Pressure > 0 && !(c.Temperature > 200 && c.Pressure > 2e6 && c.Pressure < 2e7 && c.Density > 100) {
			t.Errorf("%s: critical point %+v", name, c)
		}
	})
}

// TestFactsOfNote holds single facts against what others print.
func TestFactsOfNote(t *testing.T) {
	t.Parallel()
	// 1 atm lies below the triple point of carbon dioxide, 0.51795 MPa at 216.592 K (Span and Wagner
	// 1996, table 3): there is no liquid, so no glide to speak of.
	f := mustLookup(t, "R-744").Facts()
	if f.Glide.Absent == "" || !strings.Contains(f.Glide.Absent, "lowest saturation pressure") || !strings.Contains(f.Glide.Absent, "517.9") {
		t.Errorf("glide of R-744: %+v", f.Glide)
	}
	// Glides between -40 and +60 °C bubble temperature as the notes of the reference data state them
	// for this model (section 6).
	for name, want := range map[string][2]float64{
		"R-410A": {0.08, 0.12}, "R-404A": {0.2, 0.7}, "R-454B": {1.2, 1.5}, "R-407C": {3.9, 6.9}, "R-448A": {3.9, 6.5},
		"R-454C": {6.0, 8.3}, "R-455A": {8.3, 13.4},
	} {
		r := mustLookup(t, name)
		low, high := math.Inf(1), 0.0
		for c := -40.0; c <= 60; c += 5 {
			s, err := r.BubbleAt(si.FromCelsius(c))
			if err != nil {
				t.Fatal(err)
			}
			g, err := r.Glide(s.Pressure)
			if err != nil {
				t.Fatal(err)
			}
			low, high = min(low, float64(g)), max(high, float64(g))
		}
		digit := 0.05
		switch name {
		case "R-410A":
			digit = 0.005
		case "R-455A": // the reference solver ends a little below 60 °C
			digit = 0.11
		}
		if math.Abs(low-want[0]) > digit || math.Abs(high-want[1]) > digit {
			t.Errorf("glide of %s is %.3f to %.3f K, expected %g to %g K", name, low, high, want[0], want[1])
		}
		g, err := r.Glide(atmosphere)
		if f := r.Facts().Glide; err != nil || f.Absent != "" || f.Value != g {
			t.Errorf("glide of %s at 1 atm is %v, %v; the facts say %+v", name, g, err, f)
		}
	}
	// The units of R-454B's composition are those of ASHRAE 34: mass.
	f = mustLookup(t, "R-454B").Facts()
	if c := f.Composition; len(c) != 2 || c[0].Designation != "R-32" || c[0].MassFraction != 0.689 || math.Abs(c[0].MoleFraction-0.8293) > 1e-3 {
		t.Errorf("R-454B is %+v", f.Composition)
	}
}

// TestFactsAgainstTable compares class, composition and GWP with a list of common refrigerants
// (gwp_class.csv: IPCC AR5 table 8.A.1 and ASHRAE 34, both from memory there too).
func TestFactsAgainstTable(t *testing.T) {
	t.Parallel()
	for _, row := range readTable(t, "gwp_class.csv") {
		f := mustLookup(t, row["refrigerant"]).Facts()
		if f.SafetyClass != row["ashrae34_class"] {
			t.Errorf("%s is %s, the table has %s", f.Designation, f.SafetyClass, row["ashrae34_class"])
		}
		if f.GWP.Known && math.Abs(f.GWP.Value-number(t, row["gwp_ar5_100yr"])) > 1 {
			t.Errorf("GWP of %s is %s, the table has %s", f.Designation, f.GWP, row["gwp_ar5_100yr"])
		}
		parts := strings.Split(row["mass_composition_pct"], "/")
		if len(parts) != len(f.Composition) {
			t.Errorf("%s has %d components, the table %d", f.Designation, len(f.Composition), len(parts))
			continue
		}
		for _, part := range parts {
			name, percent, _ := strings.Cut(part, " ")
			found := false
			for _, c := range f.Composition {
				found = found || c.Designation == name && math.Abs(100*c.MassFraction-number(t, percent)) < 1e-9
			}
			if !found {
				t.Errorf("%s: the table has %s %% of %s, here is %+v", f.Designation, percent, name, f.Composition)
			}
		}
	}
}

// TestEstimatedPairs: a blend says which of its pairs have no published fit, the same that the
// reference data note.
func TestEstimatedPairs(t *testing.T) {
	t.Parallel()
	for _, row := range readTable(t, "check_fluids.csv") {
		f := mustLookup(t, row["fluid"]).Facts()
		pairs := strings.Fields(row["estimated_pairs"])
		if len(f.Estimated) != len(pairs) {
			t.Errorf("%s: estimated %v, the reference notes %v", f.Designation, f.Estimated, pairs)
			continue
		}
		for _, pair := range pairs {
			a, b, _ := strings.Cut(pair, "/")
			found := false
			for _, text := range f.Estimated {
				found = found || strings.Contains(text, "R-"+a[1:]+" ") && strings.Contains(text, "R-"+b[1:]+":") ||
					strings.Contains(text, "R-"+b[1:]+" ") && strings.Contains(text, "R-"+a[1:]+":")
			}
			if !found {
				t.Errorf("%s: %s is not among %v", f.Designation, pair, f.Estimated)
			}
		}
	}
}
