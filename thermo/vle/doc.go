// Package vle solves vapour-liquid equilibrium and density for mixtures of fixed overall
// composition, and traces the whole saturation envelope of a blend.
//
// One system of equations serves every case. Its unknowns are ln K_i, the logarithms of both phase
// densities, ln T, ln p and the vapour fraction; its equations are equal fugacities, both phase
// pressures equal to p, and phase compositions that sum to the same. Two of the unknowns, or the
// logarithm of the density ratio, are specified, and Newton's method with analytic derivatives
// finds the rest. A pure fluid is the case of one component.
//
// The envelope is traced along the logarithm of the density ratio of the phases. Unlike pressure
// or temperature it falls steadily along each branch, vanishes only at the critical point and stays
// away from zero at an azeotrope, so the march needs no special cases: bubble and dew points are
// found over the whole range without a hole.
//
// Method: M. L. Michelsen, Fluid Phase Equilibria 4, 1 (1980), with density instead of pressure as
// in U. K. Deiters and I. H. Bell, AIChE J. 65, e16730 (2019).
//
// The package works in plain float64, SI and molar, and does not know what a refrigerant is.
package vle
