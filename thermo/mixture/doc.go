// Package mixture evaluates the multi-fluid mixture model: pure equations of state joined by
// reducing functions of composition and by departure functions of the binary pairs.
//
// Formulas: O. Kunz and W. Wagner, J. Chem. Eng. Data 57, 3032 (2012), doi 10.1021/je300655b.
// A pure fluid is a mixture of one component; nothing else in the project needs to tell the two
// apart.
//
// The state of a phase is its temperature and the molar concentrations of its components, because
// these are variables without constraints: fugacities, pressure and their derivatives come out of
// one symmetric scheme. The package evaluates states and does not solve for any.
package mixture
