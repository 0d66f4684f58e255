package moistair

import (
	"math"
	"testing"

	"dewline/thermo/si"
)

// FuzzAir: any numbers give air whose every property is finite and in order, or an error.
func FuzzAir(f *testing.F) {
	f.Add(299.8, 51.1, 101325.0)
	f.Add(273.15, 99.999, 101325.0)
	f.Add(273.1500001, 0.0, 10000.0)
	f.Add(173.15, 1e-300, 2e5)
	f.Add(473.15, 6.5, 101325.0)
	f.Add(math.NaN(), math.Inf(1), -1.0)
	f.Fuzz(func(t *testing.T, x, y, pa float64) {
		made := func(a Air, err error) {
			if err != nil {
				if a != (Air{}) || err.Error() == "" {
					t.Fatalf("refused with %+v, %v", a, err)
				}
				return
			}
			checkAir(t, a)
		}
		dry, total := si.Kelvin(x), si.Pascal(pa)
		made(FromRelativeHumidity(dry, si.Percent(y), total))
		made(FromWetBulb(dry, si.Kelvin(y), total))
		made(FromDewPoint(dry, si.Kelvin(y), total))
		made(FromHumidityRatio(dry, si.KilogramPerKilogram(y), total))
		for _, v := range []float64{x, y, pa} {
			if p, err := StandardPressure(si.Metre(v)); err == nil && !(p > 22e3 && p < 114e3) {
				t.Fatalf("altitude %v: %v", v, p)
			}
		}
	})
}

func checkAir(t *testing.T, a Air) {
	t.Helper()
	finite := func(name string, v float64) {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			t.Fatalf("%+v: %s is %v", a, name, v)
		}
	}
	finite("humidity ratio", float64(a.HumidityRatio()))
	finite("enthalpy", float64(a.Enthalpy()))
	finite("volume", float64(a.SpecificVolume()))
	if rh := a.RelativeHumidity(); !(rh >= 0 && rh <= 100) {
		t.Fatalf("%+v: relative humidity %v", a, rh)
	}
	wet := a.WetBulb()
	if !(wet > minTemp-1 && wet <= a.DryBulb()) {
		t.Fatalf("%+v: wet bulb %v", a, wet)
	}
	if dew, err := a.DewPoint(); err == nil && !(dew >= minTemp-1e-6 && dew <= wet+1e-6) {
		t.Fatalf("%+v: dew point %v, wet bulb %v", a, dew, wet)
	}
}
