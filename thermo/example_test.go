package thermo_test

import (
	"errors"
	"fmt"

	"dewline/thermo"
	"dewline/thermo/si"
)

// A refrigerant is found by the name that people write, and is ready for use from any goroutine.
func Example() {
	r, err := thermo.Lookup("410a")
	if err != nil {
		fmt.Println(err)
		return
	}
	// A gauge reads 118 psi at sea level, the suction line is at 55 °F.
	p, err := thermo.AbsolutePressure(si.FromPSI(118), thermo.Gauge, 0)
	if err != nil {
		fmt.Println(err)
		return
	}
	sh, err := thermo.Superheat(r, p, si.FromFahrenheit(55))
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%s: superheat %.1f K (%.1f °F)\n", r.Name(), float64(sh), sh.DeltaF())
	// Output: R-410A: superheat 8.4 K (15.2 °F)
}

func ExampleLookup() {
	for _, name := range []string{"r 454b", "propane", "R-410C"} {
		r, err := thermo.Lookup(name)
		if err != nil {
			fmt.Println(err)
			continue
		}
		fmt.Println(r.Name())
	}
	// Output:
	// R-454B
	// R-290
	// unknown refrigerant "R-410C"; nearest are R-410A, R-410B, R-417C
}

func ExampleSuperheat() {
	r, err := thermo.Lookup("R-454B")
	if err != nil {
		fmt.Println(err)
		return
	}
	gas := si.FromCelsius(12)
	sh, err := thermo.Superheat(r, si.FromBar(8), gas)
	if err != nil {
		fmt.Println(err)
		return
	}
	bubble, _, _ := r.Curve().Bubble(si.FromBar(8))
	fmt.Printf("%.2f K above the dew point\n", float64(sh))
	fmt.Printf("the bubble point would make it %.2f K\n", float64(gas.Sub(bubble)))
	// Output:
	// 9.21 K above the dew point
	// the bubble point would make it 10.68 K
}

func ExampleSubcooling() {
	r, err := thermo.Lookup("R-744")
	if err != nil {
		fmt.Println(err)
		return
	}
	sc, err := thermo.Subcooling(r, si.FromBar(55), si.FromCelsius(12))
	fmt.Printf("%.2f K, %v\n", float64(sc), err)
	_, err = thermo.Subcooling(r, si.FromBar(90), si.FromCelsius(30))
	fmt.Println(errors.Is(err, thermo.ErrTranscritical))
	// Output:
	// 6.27 K, <nil>
	// true
}

func ExampleMeasureSuperheat() {
	r, err := thermo.Lookup("R-410A")
	if err != nil {
		fmt.Println(err)
		return
	}
	m, err := thermo.MeasureSuperheat(r,
		thermo.PressureReading{Reading: si.FromPSI(118), Reference: thermo.Gauge, Altitude: 1600, Accuracy: si.FromPSI(3.5)},
		thermo.TemperatureReading{Reading: si.FromFahrenheit(55), Accuracy: 0.5})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("absolute pressure %.1f kPa, dew point %.2f °C\n", m.Absolute.KPa(), m.Saturation.Celsius())
	fmt.Printf("superheat (%.1f ± %.1f) K, k = 1\n", float64(m.Value), float64(m.Uncertainty))
	// Output:
	// absolute pressure 897.1 kPa, dew point 3.72 °C
	// superheat (9.1 ± 0.6) K, k = 1
}

func ExampleRefrigerant_AtPH() {
	r, err := thermo.Lookup("R-32")
	if err != nil {
		fmt.Println(err)
		return
	}
	// Liquid of 40 °C at 28 bar is throttled to 8 bar: the enthalpy stays.
	liquid, err := r.AtPT(si.FromBar(28), si.FromCelsius(40))
	if err != nil {
		fmt.Println(err)
		return
	}
	after, err := r.AtPH(si.FromBar(8), liquid.Enthalpy)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%s at %.2f °C, %.1f %% of it vapour\n", after.Phase, after.Temperature.Celsius(), 100*after.Quality)
	// Output: two_phase at -0.51 °C, 24.1 % of it vapour
}

func ExampleRefrigerant_Facts() {
	r, err := thermo.Lookup("R-448A")
	if err != nil {
		fmt.Println(err)
		return
	}
	f := r.Facts()
	fmt.Printf("%s, class %s, GWP %s, glide %.1f K at 1 atm\n", f.Designation, f.SafetyClass, f.GWP, float64(f.Glide.Value))
	for _, c := range f.Composition {
		fmt.Printf("%.0f %% %s\n", 100*c.MassFraction, c.Designation)
	}
	// Output:
	// R-448A, class A1, GWP 1273, glide 6.5 K at 1 atm
	// 26 % R-32
	// 26 % R-125
	// 20 % R-1234yf
	// 21 % R-134a
	// 7 % R-1234ze(E)
}
