package chart

import "math"

// EWMA is the design of an exponentially weighted moving average chart (Roberts 1959). Lambda is the
// weight of the newest value, above 0 and at most 1; L is the limit in standard deviations of the
// average.
type EWMA struct{ Lambda, L float64 }

// EWMAState is what a chart remembers. The zero value is a new chart.
type EWMAState struct {
	Z float64 // the average, in standard deviations of the values
	N int32   // how many values are in it
}

// Step takes a standardised value and returns +1 when the average stands above its upper limit,
// -1 when below the lower, else 0. A value that is not finite is ignored.
func (d EWMA) Step(s *EWMAState, z float64) int {
	if !math.IsNaN(z) && !math.IsInf(z, 0) {
		s.Z += d.Lambda * (z - s.Z)
		s.N += min(1, math.MaxInt32-s.N)
	}
	switch limit := d.limit(s.N); {
	case s.Z > limit:
		return 1
	case s.Z < -limit:
		return -1
	default:
		return 0
	}
}

// limit is that of the average of n values, which is exact from the first on; it settles after
// about 3/Lambda of them.
func (d EWMA) limit(n int32) float64 {
	return d.settled() * math.Sqrt(1-math.Pow(1-d.Lambda, 2*float64(n)))
}

func (d EWMA) settled() float64 { return d.L * math.Sqrt(d.Lambda/(2-d.Lambda)) }

// ARL returns the average number of values to the first signal when the average begins at zero and
// the mean stands at shift standard deviations. It is for settled limits, as in the published tables
// (Lucas and Saccucci 1990, Technometrics 32:1). The exact early limits of Step find an early shift
// sooner, and pay with a false signal in the first values a little more often.
func (d EWMA) ARL(shift float64) float64 {
	const n = 41 // odd, so that the middle state is an average of zero
	return extrapolate(d.chain(shift, n), d.chain(shift, 3*n), 3)
}

// chain returns the average run length by a chain of n equal states between the limits.
func (d EWMA) chain(shift float64, n int) float64 {
	w, middle := 2*d.settled()/float64(n), n/2
	from := make([][]float64, n)
	for i := range from {
		from[i] = make([]float64, n)
		kept := (1 - d.Lambda) * float64(i-middle) * w
		below := normal(((-float64(middle)-0.5)*w-kept)/d.Lambda - shift)
		for j := range from[i] {
			under := normal(((float64(j-middle)+0.5)*w-kept)/d.Lambda - shift)
			from[i][j] = under - below
			below = under
		}
	}
	return runLengths(from)[middle]
}

// DesignEWMA returns the chart of weight lambda whose average run length without a shift is arl0
// values. It takes some milliseconds: design once, not per value.
func DesignEWMA(lambda, arl0 float64) EWMA {
	l := root(0.5, 3, math.Log(arl0), func(l float64) float64 { return math.Log(EWMA{lambda, l}.ARL(0)) })
	return EWMA{lambda, l}
}
