package vle_test

import (
	"fmt"

	"dewline/thermo/fluid"
	"dewline/thermo/mixture"
	"dewline/thermo/vle"
)

// The envelope of an equimolar mixture, and the two phases at its bubble point.
func Example() {
	a, _ := fluid.Get("R-32")
	b, _ := fluid.Get("R-1234yf")
	m, err := mixture.New(a, b)
	if err != nil {
		fmt.Println(err)
		return
	}
	z := [vle.MaxN]float64{0.5, 0.5}
	env, err := vle.Trace(vle.NewSolver(m, z), 220)
	if err != nil {
		fmt.Println(err)
		return
	}
	bubble, err := env.AtPres(1e6, false)
	if err != nil {
		fmt.Println(err)
		return
	}
	dew, err := env.AtPres(1e6, true)
	if err != nil {
		fmt.Println(err)
		return
	}
	_, y := bubble.Phases(2, &z)
	fmt.Printf("bubble point %.2f K, dew point %.2f K\n", bubble.Temp(), dew.Temp())
	fmt.Printf("the first bubble has %.1f mol%% R-32\n", 100*y[0])
	fmt.Printf("critical point %.1f K, %.2f MPa\n", env.CritTemp, env.CritPres/1e6)
	// Output:
	// bubble point 288.15 K, dew point 295.33 K
	// the first bubble has 68.7 mol% R-32
	// critical point 357.7 K, 4.64 MPa
}
