package si_test

import (
	"fmt"

	"dewline/thermo/si"
)

func Example() {
	suction, err := si.ParseTemperature("55 degF")
	if err != nil {
		fmt.Println(err)
		return
	}
	dew := si.FromFahrenheit(40)
	superheat := suction.Sub(dew)
	fmt.Println(si.US.Difference(superheat, 1), "or", si.SI.Difference(superheat, 1))
	// Output: 15.0 °F or 8.3 K
}

func ExampleParsePressure() {
	for _, text := range []string{"118 psi", "118", "12,5 kPa", "8 kpa"} {
		p, err := si.ParsePressure(text)
		if err != nil {
			fmt.Println(err)
			continue
		}
		fmt.Println(si.SI.Pressure(p, 1))
	}
	// Output:
	// 813.6 kPa
	// cannot read "118" as a pressure: the unit is missing (expected a number and kPa, Pa, hPa, MPa, bar, mbar, psi, inHg, mmHg, torr or micron)
	// cannot read "12,5 kPa" as a pressure: write the decimal sign as a point, and thousands without a separator (expected a number and kPa, Pa, hPa, MPa, bar, mbar, psi, inHg, mmHg, torr or micron)
	// cannot read "8 kpa" as a pressure: unknown unit "kpa", did you mean kPa? (expected a number and kPa, Pa, hPa, MPa, bar, mbar, psi, inHg, mmHg, torr or micron)
}

func ExampleParseReading() {
	p, datum, err := si.ParseReading("118 psig")
	fmt.Println(si.US.Pressure(p, 0), datum, err)
	// Output: 118 psi gauge <nil>
}

func ExampleParseDifference() {
	// The same words mean different things for a difference and for a temperature.
	d, _ := si.ParseDifference("10 degF")
	t, _ := si.ParseTemperature("10 degF")
	fmt.Printf("%.2f K of superheat, %.2f K of temperature\n", float64(d), float64(t))
	// Output: 5.56 K of superheat, 260.93 K of temperature
}

func ExampleUnitByCode() {
	from, known := si.UnitByCode("[psi]")
	pa, ok := si.Convert(118, from, si.Pressure.Unit())
	fmt.Printf("%v %v %.0f %v\n", known, from.Dimension(), pa, ok)
	// Output: true pressure 813581 true
}

func ExampleConvert() {
	// The axis of a chart, for a reader of US units.
	to := si.US.Unit(si.Temperature)
	for _, k := range []float64{273.15, 283.15} {
		v, _ := si.Convert(k, si.Temperature.Unit(), to)
		fmt.Printf("%.0f %v\n", v, to)
	}
	// Output:
	// 32 °F
	// 50 °F
}
