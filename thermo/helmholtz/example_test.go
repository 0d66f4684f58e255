package helmholtz_test

import (
	"fmt"
	"math"

	"dewline/thermo/helmholtz"
)

// One term n tau^t delta^d exp(-delta^l), and its derivatives by the logarithms of tau and delta.
func Example() {
	r := helmholtz.Residual{Power: [][4]float64{{2, 1.5, 1, 2}}} // n, t, d, l
	r.Prepare()
	tau, delta := 1.2, 0.5
	var d helmholtz.Derivs
	r.Eval(tau, delta, math.Log(tau), math.Log(delta), &d)
	fmt.Printf("alphar = %.6f\n", d.A)
	fmt.Printf("tau dalphar/dtau = %.6f\n", d.DT)
	fmt.Printf("compressibility factor = %.6f\n", 1+d.DD)
	// Output:
	// alphar = 1.023760
	// tau dalphar/dtau = 1.535640
	// compressibility factor = 1.511880
}
