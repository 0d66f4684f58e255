// Package thermo knows refrigerants: their dew and bubble temperatures, and with them superheat,
// subcooling and the uncertainty of both.
//
// Everything rests on published equations of state (packages helmholtz, fluid, mixture) and on
// real phase equilibrium (package vle); this package adds names, units, ranges and errors. A
// refrigerant is found by the name the trade writes, and is ready for use from any goroutine:
//
//	r, err := thermo.Lookup("410a")
//	sh, err := thermo.Superheat(r, si.FromBar(9.2), si.FromCelsius(11))
//
// There are two ways to a saturation temperature. Bubble and Dew solve the full equations. Curve
// is a table made from them once, within 0.5 mK of them, for the reading of every sensor.
//
// No function returns NaN: what cannot be computed is an error that names the refrigerant, the
// value and the valid range. The package has no clock, does no I/O and knows nothing of sensors
// but their stated accuracy.
package thermo
