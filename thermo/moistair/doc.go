// Package moistair computes the properties of moist air: humidity ratio, dew point, wet bulb,
// enthalpy and volume, from a dry bulb, a humidity and the local pressure.
//
// The wet bulb of the return air sets the target superheat of a fixed orifice, and 1 °F of it
// moves the target by 1.5 °F. So it is the exact root at the site's own pressure, not one of
// the fits that hold at sea level only:
//
//	air, err := moistair.FromRelativeHumidity(si.FromFahrenheit(80), 51.1, 101325)
//	tw := air.WetBulb() // 67 °F
//
// An [Air] is made by one of the From functions, which check their arguments and say in the
// error which value is outside which range. What was made is air that can exist, neither
// supersaturated nor with more vapour than pressure, so its methods cannot fail; only the dew
// point of dry air does not exist. [StandardPressure] gives the pressure where only the
// altitude is known.
//
// Saturation is that of Hyland and Wexler, over water and, below 0 °C, over ice. The relations
// between the properties are those of perfect gases, which are within 0.7 % of real moist air
// at -50 to 50 °C and sea-level pressure (ASHRAE Fundamentals, psychrometrics). Equation
// numbers in the comments are those of ASHRAE Fundamentals 2017 (SI), chapter 1; equations and
// numbers are from memory, and the tests hold them to independent formulations.
//
// Relative humidity below 0 °C is relative to ice here. Many humidity sensors refer to water
// even there, and then read lower than this package: by a tenth at -10 °C.
//
// What the package deliberately does not do: no real-gas corrections (enhancement factor), no
// fog or snow in the air, and no coil: what happens to the air in a machine is for the models.
package moistair
