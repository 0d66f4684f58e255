// Package diagnose weighs causes. It takes the residuals of a machine's symptoms (what is measured
// less what is expected of the same machine when healthy under the same conditions) with their
// covariance, and gives each fault, each wrong sensor and "none" a probability.
//
// A fault of the machine is a polyline through symptom space, from published signatures and from the
// physical model (signatures.csv), with a spread over machines and an allowance for what no table
// knows. A wrong sensor is a direction that is known exactly, with any size. The likelihood has heavy
// tails, so that one symptom that fits nothing does not decide everything.
//
// The package knows nothing of time: what is drift and what was there from the first day is told
// apart by the frame that a residual belongs to.
package diagnose
