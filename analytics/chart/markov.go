package chart

import "math"

// normal is the distribution function of the standard normal.
func normal(x float64) float64 { return math.Erfc(-x/math.Sqrt2) / 2 }

// runLengths returns the average number of steps to leave the chain from each of its states, given
// the probabilities of a step between them: the solution of (I - P) x = 1. It overwrites p.
//
// Row sums of P are below one, so I - P is diagonally dominant and needs no pivoting. The solution
// loses as many digits as the run length has, 5 of 16 for the longest that is of use here.
func runLengths(p [][]float64) []float64 {
	n := len(p)
	x := make([]float64, n)
	for i := range p {
		for j := range p[i] {
			p[i][j] = -p[i][j]
		}
		p[i][i]++
		x[i] = 1
	}
	for i := range n {
		for r := i + 1; r < n; r++ {
			f := p[r][i] / p[i][i]
			if f == 0 {
				continue
			}
			for c := i + 1; c < n; c++ {
				p[r][c] -= f * p[i][c]
			}
			x[r] -= f * x[i]
		}
	}
	for i := n - 1; i >= 0; i-- {
		for c := i + 1; c < n; c++ {
			x[i] -= p[i][c] * x[c]
		}
		x[i] /= p[i][i]
	}
	return x
}

// extrapolate takes an answer from coarse states and one from states finer by ratio to that of
// infinitely many: the error falls with the square of the width.
func extrapolate(coarse, fine, ratio float64) float64 {
	return fine + (fine-coarse)/(ratio*ratio-1)
}

// root returns where the rising f comes to want, by false position kept from stalling (Illinois).
// The logarithm of a run length is nearly a line in the limit, so a few steps do. low must lie below
// the root, or is the answer; high is moved up until it does not.
func root(low, high, want float64, f func(float64) float64) float64 {
	fLow, fHigh := f(low)-want, f(high)-want
	if fLow >= 0 {
		return low
	}
	for range 20 {
		if fHigh >= 0 {
			break
		}
		low, fLow = high, fHigh
		high *= 1.5
		fHigh = f(high) - want
	}
	x, side := high, 0
	for range 50 {
		x = high - fHigh*(high-low)/(fHigh-fLow)
		y := f(x) - want
		if math.Abs(y) < 1e-9 {
			break
		}
		if y > 0 {
			high, fHigh = x, y
			if side == 1 {
				fLow /= 2
			}
			side = 1
		} else {
			low, fLow = x, y
			if side == -1 {
				fHigh /= 2
			}
			side = -1
		}
	}
	return x
}
