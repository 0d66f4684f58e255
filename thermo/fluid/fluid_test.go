package fluid_test

import (
	"math"
	"regexp"
	"strings"
	"testing"

	"dewline/thermo/fluid"
)

// TestFluids opens every fluid and holds what the rest relies on.
func TestFluids(t *testing.T) {
	pure, one, blends := 0, 0, 0
	year := regexp.MustCompile(`\((19|20)\d\d\)`)
	for _, name := range fluid.Names() {
		if b, ok := fluid.GetBlend(name); ok {
			blends++
			checkBlend(t, b)
			if f, ok := fluid.GetOneFluid(name); ok {
				one++
				checkFluid(t, f)
			}
			continue
		}
		f, ok := fluid.Get(name)
		if !ok {
			t.Errorf("%s is neither a fluid nor a blend", name)
			continue
		}
		pure++
		checkFluid(t, f)
		if f.CAS == "" {
			t.Errorf("%s has no CAS number", name)
		}
		for _, s := range f.Source {
			if !year.MatchString(s) {
				t.Errorf("%s: citation without a year: %s", name, s)
			}
		}
		if p, ok := f.Ancillaries[fluid.SaturationPressure]; !ok || math.Abs(p.At(f.CriticalTemp)/f.CriticalPres-1) > 0.02 {
			t.Errorf("%s: saturation pressure at the critical temperature is not the critical pressure", name)
		}
	}
	t.Logf("%d pure fluids, %d blends, %d one-fluid equations", pure, blends, one)
	if pure != 47 || blends != 143 || one != 4 {
		t.Errorf("%d pure fluids, %d blends, %d one-fluid equations, expected 47, 143 and 4", pure, blends, one)
	}
}

func checkFluid(t *testing.T, f *fluid.Fluid) {
	t.Helper()
	name := f.Designation
	if len(f.Source) == 0 {
		t.Errorf("%s names no source", name)
	}
	if !(f.GasConstant > 8.3143 && f.GasConstant < 8.3146) { // every CODATA value since 1973
		t.Errorf("%s: R is %g", name, f.GasConstant)
	}
	if !(f.MolarMass > 0.016 && f.MolarMass < 0.3) {
		t.Errorf("%s: molar mass %g kg/mol", name, f.MolarMass)
	}
	if !(f.MinTemp > 0 && f.MinTemp < f.CriticalTemp && f.CriticalTemp < f.MaxTemp && 0.99*f.CriticalPres < f.MaxPres) {
		t.Errorf("%s: limits %g to %g K about %g K, %g Pa about %g Pa", name, f.MinTemp, f.MaxTemp, f.CriticalTemp, f.MaxPres, f.CriticalPres)
	}
	if f.LowestTemp() > f.MinTemp {
		t.Errorf("%s: extrapolated upward, to %g K", name, f.LowestTemp())
	}
	// The exponents of delta inside an exponential are kept as whole numbers below 33.
	whole := func(l float64) {
		if l != math.Trunc(l) || l < 0 || l > 32 {
			t.Errorf("%s: exponent %g of delta in an exponential", name, l)
		}
	}
	for _, c := range f.Residual.Power {
		whole(c[3])
	}
	for _, c := range f.Residual.Exponential {
		whole(c[3])
	}
	for _, c := range f.Residual.DoubleExponential {
		whole(c[3])
	}
	if f.OneFluid != (f.Ancillaries[fluid.BubblePressure].Scale > 0) {
		t.Errorf("%s: one-fluid %t, but ancillaries %v", name, f.OneFluid, f.Ancillaries)
	}
}

func checkBlend(t *testing.T, b *fluid.Blend) {
	t.Helper()
	var sum float64
	seen := map[string]bool{}
	for _, c := range b.Components {
		if _, ok := fluid.Get(c.Fluid); !ok {
			t.Errorf("%s: no equation for %s", b.Designation, c.Fluid)
		}
		if !(c.MassFraction > 0) || seen[c.Fluid] {
			t.Errorf("%s: %g of %s", b.Designation, c.MassFraction, c.Fluid)
		}
		seen[c.Fluid] = true
		sum += c.MassFraction
	}
	if len(b.Components) < 2 || math.Abs(sum-1) > 1e-12 {
		t.Errorf("%s: %d components, mass fractions sum to %.15g", b.Designation, len(b.Components), sum)
	}
}

// TestNamesInOrder: by number, then by letter, as the trade lists them.
func TestNamesInOrder(t *testing.T) {
	names := strings.Join(fluid.Names(), " ")
	for _, want := range []string{"R-11 R-12 R-13", "R-407A R-407B R-407C", "R-744 R-1130(E)", "R-1234yf R-1234ze(E) R-1234ze(Z)"} {
		if !strings.Contains(names, want) {
			t.Errorf("%q is not in %s", want, names)
		}
	}
}

// TestNamesAreACopy: a caller that sorts them disturbs nobody.
func TestNamesAreACopy(t *testing.T) {
	names := fluid.Names()
	names[0] = "changed"
	if fluid.Names()[0] == "changed" {
		t.Error("Names returns its own list")
	}
}

// TestAncillary: below its fit an ancillary goes on straight, above Tr it stays.
func TestAncillary(t *testing.T) {
	f, _ := fluid.Get("R-134a")
	p := f.Ancillaries[fluid.SaturationPressure]
	if a, b := p.At(p.Min-1e-9), p.At(p.Min+1e-9); math.Abs(a/b-1) > 1e-8 {
		t.Errorf("step at the lower end: %g and %g", a, b)
	}
	if !(p.At(p.Min-20) > 0 && p.At(p.Min-20) < p.At(p.Min)) {
		t.Errorf("%g Pa below the fit, %g Pa at its end", p.At(p.Min-20), p.At(p.Min))
	}
	if p.At(p.Tr+50) != p.At(p.Tr) {
		t.Errorf("%g above Tr, %g at Tr", p.At(p.Tr+50), p.At(p.Tr))
	}
	// Tillner-Roth and Baehr (1994), table 8: 0.1 MPa at 246.79 K.
	if got := p.At(246.79); math.Abs(got/1e5-1) > 2e-3 {
		t.Errorf("%g Pa at 246.79 K", got)
	}
	rho := f.Ancillaries[fluid.LiquidDensity]
	if got := rho.At(300) * f.MolarMass; math.Abs(got/1199.7-1) > 0.01 { // a start for a solver, no more
		t.Errorf("liquid of %g kg/m3 at 300 K, the table has 1199.7", got)
	}
}
