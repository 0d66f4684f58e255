package fluid_test

import (
	"fmt"

	"dewline/thermo/fluid"
)

// A fluid is data with its source; a blend is a list of fluids by mass.
func Example() {
	f, _ := fluid.Get("R-32")
	fmt.Printf("%s: %.3f K, %.4f g/mol\n", f.Designation, f.CriticalTemp, 1000*f.MolarMass)
	b, _ := fluid.GetBlend("R-454B")
	for _, c := range b.Components {
		fmt.Printf("%s %.1f %%\n", c.Fluid, 100*c.MassFraction)
	}
	// Output:
	// R-32: 351.255 K, 52.0240 g/mol
	// R-32 68.9 %
	// R-1234yf 31.1 %
}
