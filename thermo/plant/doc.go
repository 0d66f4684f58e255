// Package plant is a physical model of the machines that Dewline watches: a vapour-compression circuit
// made of components, its faults, its weather and the space it serves. The tests of the analytics, the
// demonstration and the question "what would it look like if" stand on it.
//
// A Machine is the circuit as designed and built. Solve finds its steady state under given Conditions
// by closing three balances: the mass flow of metering device and compressor, the enthalpy of the gas
// around the low side, and the charge. A Chart keeps steady states on a fine lattice, made as they are
// asked for, and interpolates between them, which makes a season affordable. A Run moves a machine
// through time: thermostat, space, transients after start and stop, defrost, faults with their course.
//
// Inside the package numbers are plain float64 with the unit in the name. Pressures are absolute.
//
// What the package deliberately does not do: no distributed transients (lines and coils respond as
// first-order lags toward the steady state, with an off-cycle of its own), no oil, no refrigerant
// dissolved in it, no composition shift of a leaking blend, no transcritical cycle. It has no clock: times are
// seconds handed in. See VALIDATION.md for what it reproduces and what not.
package plant
