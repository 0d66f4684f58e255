package thermo

import (
	"math"
	"testing"

	"dewline/thermo/si"
)

// sink keeps the compiler from dropping a benchmark's work.
var sink float64

// benchPressures are 256 pressures between two limits in no order, as readings of many systems
// would come, so that neither the branch predictor nor one hot part of the table flatters.
func benchPressures(low, high float64) *[256]si.Pascal {
	var list [256]si.Pascal
	for k := range list {
		list[k] = si.Pascal(low + (high-low)*float64(k*149%256)/256)
	}
	return &list
}

// BenchmarkCurve is what every reading of every system costs: 20 ns or less, beside math.Log in
// the same run, because on a busy machine only the ratio counts.
func BenchmarkCurve(b *testing.B) {
	r := mustLookup(b, "R-454B")
	c := r.Curve()
	list := benchPressures(5e5, 3e6)
	gas := si.FromCelsius(60)
	b.Run("Bubble", func(b *testing.B) {
		k := 0
		for b.Loop() {
			t, _, _ := c.Bubble(list[k&255])
			sink += float64(t)
			k++
		}
	})
	b.Run("Dew", func(b *testing.B) {
		k := 0
		for b.Loop() {
			t, _, _ := c.Dew(list[k&255])
			sink += float64(t)
			k++
		}
	})
	b.Run("Superheat", func(b *testing.B) {
		k := 0
		for b.Loop() {
			t, _ := Superheat(r, list[k&255], gas)
			sink += float64(t)
			k++
		}
	})
}

// BenchmarkMathLog is the yardstick for BenchmarkCurve.
func BenchmarkMathLog(b *testing.B) {
	list := benchPressures(5e5, 3e6)
	k := 0
	for b.Loop() {
		sink += math.Log(float64(list[k&255]))
		k++
	}
}

// benchBlends are those whose times from the reference library are known, on the same kind of
// machine and from a cold start: R-454B about 0.2 ms, R-448A about 0.8 ms for one bubble or dew
// point.
var benchBlends = []string{"R-410A", "R-454B", "R-448A"}

// BenchmarkSolve is one full bubble or dew point on a prepared refrigerant, started from its
// traced envelope.
func BenchmarkSolve(b *testing.B) {
	for line, dew := range map[string]bool{"Bubble": false, "Dew": true} {
		for _, name := range benchBlends {
			b.Run(line+"/"+name, func(b *testing.B) {
				r := mustLookup(b, name)
				list := benchPressures(3e5, 3e6)
				k := 0
				for b.Loop() {
					sol, err := r.solveAtPres(list[k&255], dew)
					if err != nil {
						b.Fatal(err)
					}
					sink += sol.LnT
					k++
				}
			})
		}
	}
}

// BenchmarkPrepare makes a refrigerant ready from nothing but the loaded coefficients: model, both
// lines traced up to the critical point, reference state and table. It is the price of the first
// Lookup, and covers more than a thousand full solves.
func BenchmarkPrepare(b *testing.B) {
	for _, name := range append([]string{"R-744"}, benchBlends...) {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				r, err := prepare(name)
				if err != nil {
					b.Fatal(err)
				}
				sink += float64(r.low)
			}
		})
	}
}
