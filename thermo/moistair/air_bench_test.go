package moistair

import (
	"testing"

	"dewline/thermo/si"
)

func BenchmarkWetBulb(b *testing.B) {
	for _, c := range []struct {
		name  string
		tempC float64
		rh    si.Percent
	}{
		{"room", 26.7, 51.1}, {"desert", 45, 5}, {"frost", -10, 60}, {"iced", 5, 20}, {"oven", 180, 0.2},
	} {
		a := fromRH(b, si.FromCelsius(c.tempC), c.rh, seaLevel)
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				a.WetBulb()
			}
		})
	}
}

func BenchmarkDewPoint(b *testing.B) {
	a := fromRH(b, si.FromCelsius(26.7), 51.1, seaLevel)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := a.DewPoint(); err != nil {
			b.Fatal(err)
		}
	}
}
