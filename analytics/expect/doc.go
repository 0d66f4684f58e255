// Package expect holds what is published of a healthy machine: the superheat that a fixed orifice
// should show at given outdoor air and return air, and the fall of the air's temperature across the
// indoor coil.
//
// A fixed orifice has no superheat of its own. It falls as it gets hotter outside and rises with the
// load, which the wet bulb of the return air stands for:
//
//	wb, _ := expect.WetBulb(24, 50, 101325)
//	target := expect.TargetSuperheat(32, wb)
//
// Where humidity is not measured, TargetSuperheatDry answers with the spread that this costs. A
// target is a value with a standard deviation even where the published test is not Valid, so that a
// statistician can use what a technician must not; where nothing is known the deviation is infinite.
//
// Temperatures are in °C, differences in K, pressures absolute in Pa, relative humidity in per cent.
// The tables are embedded as they are printed, in °F, with their provenance in a column; the air
// split is from memory. The machine's own data plate or the maker's table stands above any of them.
//
// What the package deliberately does not do: it knows no system, corrects nothing by what was
// learned on one, and has no target for subcooling, which is on the data plate.
package expect
