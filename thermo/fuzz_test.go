package thermo

import (
	"errors"
	"math"
	"testing"
	"unicode/utf8"
)

// FuzzFacade gives every function of the façade any pair of numbers for any refrigerant: a value or
// an error comes back, never a panic, a hang, a NaN or an infinity.
func FuzzFacade(f *testing.F) {
	names := everyName()
	for k, a := range wild {
		f.Add(uint16(k*37), a, wild[(k*7+3)%len(wild)])
	}
	for _, name := range []string{"R-744", "R-410A", "R-454B", "R-507A", "R-514A", "R-14", "R-404A.pp", "R-472A", "R-508B"} {
		r := mustLookup(f, name)
		var index uint16
		for k, n := range names {
			if n == name {
				index = uint16(k)
			}
		}
		low, high := r.PressureRange()
		critical := r.Critical()
		bubble, err := r.Bubble((low + high) / 2)
		if err != nil {
			f.Fatal(err)
		}
		for _, p := range []float64{
			float64(low), math.Nextafter(float64(low), 0), float64(high), math.Nextafter(float64(high), 1e9),
			float64(critical.Pressure), float64(low+high) / 2,
		} {
			for _, b := range []float64{
				float64(critical.Temperature), float64(bubble.Temperature), float64(bubble.Enthalpy), float64(bubble.Entropy),
				float64(r.minTemp), float64(r.maxTemp), 0.5,
			} {
				f.Add(index, p, b)
			}
		}
	}
	f.Fuzz(func(t *testing.T, index uint16, a, b float64) {
		r := mustLookup(t, names[int(index)%len(names)])
		for name := range calls {
			checkCall(t, name, r, a, b)
		}
		// Most numbers are far outside, so their fractions also choose states that are not.
		low, high := r.PressureRange()
		p := float64(low) * math.Pow(1.1*float64(high/low), fraction(a))
		for name, span := range map[string][2]float64{
			"AtPT": {float64(r.minTemp), float64(r.maxTemp)}, "AtPH": {0, 900e3}, "AtPS": {0, 3000}, "AtPQ": {0, 1},
			"Superheat": {200, 400}, "Subcooling": {200, 400}, "Phases": {200, 400},
		} {
			checkCall(t, name, r, p, span[0]+(span[1]-span[0])*fraction(b))
		}
	})
}

// fraction returns the part of v behind the point, and a half for what has none.
func fraction(v float64) float64 {
	if f := v - math.Floor(v); f >= 0 && f < 1 {
		return f
	}
	return 0.5
}

// FuzzLookup: any text is a refrigerant or an error that suggests some, and a designation found is
// found again.
func FuzzLookup(f *testing.F) {
	for _, name := range []string{"R-410A", "410a", "r 410 a", "", "R", "R-", "HFC-134a", "R-1234ze(E)", "co2", "R-4O7C", "\x00", "ß", "R‑32", "((((", "R-410A.pp"} {
		f.Add(name)
	}
	f.Fuzz(func(t *testing.T, name string) {
		d, err := Designation(name)
		if err != nil {
			if !errors.Is(err, ErrUnknown) || d != "" || len(err.Error()) > 1000 || !utf8.ValidString(err.Error()) {
				t.Errorf("%q: %q, %v", name, d, err)
			}
			return
		}
		if again, err := Designation(d); err != nil || again != d {
			t.Errorf("%q is %q, which is %q, %v", name, d, again, err)
		}
		if r, err := Lookup(name); err != nil || r.Name() != d {
			t.Errorf("%q: %v, %v", name, r, err)
		}
	})
}
