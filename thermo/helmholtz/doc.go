// Package helmholtz evaluates multiparameter equations of state that are explicit in the reduced
// Helmholtz energy, and their derivatives.
//
// An equation of state of this kind gives alpha = a/(RT) as the sum of an ideal and a residual
// part, both functions of the inverse reduced temperature tau = Tr/T and the reduced density
// delta = rho/rhor. Every other property is a combination of derivatives of alpha (Span, Multiparameter
// Equations of State, Springer 2000, table 3.7).
//
// All derivatives here are taken by ln(tau) and ln(delta). In these variables a term
// n delta^d tau^t times exponentials differentiates into itself times a short polynomial, which is
// fewer operations and fewer mistakes than the usual partial derivatives.
//
// The package works in plain float64 and knows neither fluids nor units nor phases.
package helmholtz
