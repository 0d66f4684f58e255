// Package si holds Dewline's units: a type for each quantity, and the only
// conversions, parsers and printers of quantities in the project.
//
// A quantity is a float64 with a name, so it costs what a float64 costs, and
// swapped arguments do not compile. Types are named by unit and not by quantity,
// because Kelvin(278.15) says what Temperature(5) hides. A temperature ([Kelvin])
// and a difference of temperatures ([DeltaK]) are two types, as an instant and a
// duration are in package time: 5 K of superheat must never be converted with the
// offset of a scale. Go still lets an untyped constant become any of them, and two
// Kelvin be added with +; write si.Kelvin(280) and use [Kelvin.Sub] and [Kelvin.Add].
//
// Text from people is read by the Parse functions, which want a number and a unit
// and say what they expected:
//
//	p, err := si.ParsePressure("118 psi")
//
// Text for people is written by a [System]:
//
//	si.US.Pressure(p, 1) // "118.0 psi"
//
// Unit codes of telemetry (SenML, UCUM) are another language, where C is the coulomb
// and not a degree. [UnitByCode] reads those, case and all.
//
// A metric unit is read in its exact case, since m and M are a factor of 10^9 apart;
// units without prefixes (psi, degF, Btu/h) are read in any case. Factors are exact by
// definition; their sources stand beside them in factor.go.
//
// What the package deliberately does not do: it has no algebra of units (a product of
// two quantities is written out where it is meant), it does not know gauge from
// absolute pressure beyond what a text says ([ParseReading]), and it does not judge
// whether a value is plausible; it refuses only what cannot exist, a temperature below
// 0 K or a number that is not finite.
package si
