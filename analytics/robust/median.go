package robust

import (
	"math"
	"slices"
)

// madToSD makes the median absolute deviation of normal values their standard deviation, 1/Φ⁻¹(3/4).
const madToSD = 1.482602218505602

// Median returns the middle value, the mean of the two middle ones where their number is even, and
// NaN where there is none. It leaves x as it is.
func Median(x []float64) float64 {
	var buf [128]float64
	s := appendFinite(buf[:0], x)
	slices.Sort(s)
	return middle(s)
}

// MAD returns the standard deviation of normal values that have the median absolute deviation of x:
// 1.4826 times that. Up to half the values may be anything.
func MAD(x []float64) float64 {
	var buf [128]float64
	s := appendFinite(buf[:0], x)
	slices.Sort(s)
	m := middle(s)
	for i := range s {
		s[i] = math.Abs(s[i] - m)
	}
	slices.Sort(s)
	return madToSD * middle(s)
}

func middle(sorted []float64) float64 {
	n := len(sorted)
	switch {
	case n == 0:
		return math.NaN()
	case n%2 == 1:
		return sorted[n/2]
	default:
		return sorted[n/2-1] + (sorted[n/2]-sorted[n/2-1])/2
	}
}

func appendFinite(dst, x []float64) []float64 {
	for _, v := range x {
		if finite(v) {
			dst = append(dst, v)
		}
	}
	return dst
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
