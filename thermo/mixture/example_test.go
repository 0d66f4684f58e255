package mixture_test

import (
	"fmt"
	"math"

	"dewline/thermo/fluid"
	"dewline/thermo/mixture"
)

// The pressure of a gas, and how its components share in it.
func Example() {
	a, _ := fluid.Get("R-32")
	b, _ := fluid.Get("R-125")
	m, err := mixture.New(a, b)
	if err != nil {
		fmt.Println(err)
		return
	}
	conc := [mixture.MaxN]float64{250, 110} // mol/m3
	var ph mixture.Phase
	m.Eval(290, &conc, &ph)
	fmt.Printf("%.1f kPa\n", ph.Pres/1000)
	for i, name := range []string{"R-32", "R-125"} {
		partial := ph.X[i] * ph.Pres
		fugacity := math.Exp(ph.LnFug[i]) * m.GasConstant() * ph.Temp
		fmt.Printf("%s has %.1f kPa and the fugacity %.1f kPa\n", name, partial/1000, fugacity/1000)
	}
	// Output:
	// 764.1 kPa
	// R-32 has 530.6 kPa and the fugacity 476.5 kPa
	// R-125 has 233.5 kPa and the fugacity 205.5 kPa
}
