package moistair_test

import (
	"fmt"

	"dewline/thermo/moistair"
	"dewline/thermo/si"
)

// The return air of a machine in a town at 1609 m: the wet bulb there is 0.8 °F below that at
// sea level, which moves the target superheat of a fixed orifice by 1.2 °F.
func Example() {
	local, err := moistair.StandardPressure(1609)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, total := range []si.Pascal{101325, local} {
		air, err := moistair.FromRelativeHumidity(si.FromFahrenheit(80), 51.1, total)
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Println(si.SI.Pressure(total, 1), si.US.Temperature(air.WetBulb(), 1), si.SI.HumidityRatio(air.HumidityRatio(), 1))
	}
	// Output:
	// 101.3 kPa 67.0 °F 11.2 g/kg
	// 83.4 kPa 66.2 °F 13.6 g/kg
}

func ExampleFromWetBulb() {
	air, err := moistair.FromWetBulb(si.FromFahrenheit(80), si.FromFahrenheit(67), 101325)
	fmt.Println(si.US.Percent(air.RelativeHumidity(), 1), err)

	_, err = moistair.FromWetBulb(si.FromCelsius(25), si.FromCelsius(27), 101325)
	fmt.Println(err)
	// Output:
	// 51.1 % <nil>
	// moist air: out of range: wet bulb 27 °C, valid from -100 °C to the dry bulb, 25 °C
}

func ExampleAir_DewPoint() {
	for _, rh := range []si.Percent{50, 0} {
		air, err := moistair.FromRelativeHumidity(si.FromCelsius(24), rh, 101325)
		if err != nil {
			fmt.Println(err)
			return
		}
		dew, err := air.DewPoint()
		if err != nil {
			fmt.Println(err)
			continue
		}
		fmt.Println(si.SI.Temperature(dew, 1))
	}
	// Output:
	// 12.9 °C
	// moist air: dry air has no dew point
}
