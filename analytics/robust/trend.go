package robust

import (
	"math"
	"slices"
)

// Trend is a straight line through values that scatter, with the interval of its slope.
type Trend struct {
	Slope, Intercept float64 // x = Intercept + Slope t
	Low, High        float64 // of the slope; infinite where the values are too few for the confidence
}

// TheilSen returns the line whose slope is the median of those between all pairs (Theil 1950, Sen
// 1968); it stands 29 % of wrong values. The interval covers the slope with the given confidence,
// from the distribution of Kendall's rank statistic: the exact one up to 10 values that all differ,
// else its normal limit with ties and continuity allowed for. Between the few confidences that ranks
// offer it interpolates.
//
// It answers false for fewer than three values, for values all of one time, and for a confidence
// that is not between 0 and 1. Up to 64 values cost no memory; the work grows with their square.
func TheilSen(t, x []float64, confidence float64) (Trend, bool) {
	var bufT, bufX [64]float64
	ts, xs := appendPairs(bufT[:0], bufX[:0], t, x)
	var bufSlopes [64 * 63 / 2]float64
	s := appendSlopes(bufSlopes[:0], ts, xs)
	if len(ts) < 3 || len(s) == 0 || !(confidence > 0 && confidence < 1) {
		return Trend{}, false
	}
	slices.Sort(s)
	slope := middle(s)
	rank := lowRank(ts, xs, len(s), confidence)
	tr := Trend{
		Slope: slope,
		Low:   ranked(s, rank, math.Inf(-1)),
		High:  ranked(s, float64(len(s)+1)-rank, math.Inf(1)),
	}
	for i := range xs {
		xs[i] -= slope * ts[i]
	}
	slices.Sort(xs)
	tr.Intercept = middle(xs)
	return tr, true
}

// At returns the line's value at t.
func (tr Trend) At(t float64) float64 { return tr.Intercept + tr.Slope*t }

func appendPairs(ts, xs, t, x []float64) ([]float64, []float64) {
	for i := range min(len(t), len(x)) {
		if finite(t[i]) && finite(x[i]) {
			ts, xs = append(ts, t[i]), append(xs, x[i])
		}
	}
	return ts, xs
}

func appendSlopes(s, ts, xs []float64) []float64 {
	for i := range ts {
		for j := range i {
			if ts[i] != ts[j] {
				s = append(s, (xs[i]-xs[j])/(ts[i]-ts[j]))
			}
		}
	}
	return s
}

// exactUpTo is how many values are worth the exact distribution; beyond, the normal limit is as good
// as the interpolation between ranks.
const exactUpTo = 10

// lowRank returns which of the sorted slopes, counted from 1, is the lower end of the interval. The
// upper end is as far from the top.
func lowRank(ts, xs []float64, pairs int, confidence float64) float64 {
	tail := (1 - confidence) / 2
	n := len(ts)
	var rank float64
	if variance, tied := kendallVariance(ts, xs); tied || n > exactUpTo {
		z := math.Sqrt2 * math.Erfinv(confidence)
		rank = (float64(pairs) + 1 - z*math.Sqrt(variance)) / 2
	} else {
		rank = exactRank(n, tail)
	}
	return min(rank, float64(pairs+1)/2)
}

// exactRank returns the rank r at which the true slope lies below the r-th of the sorted slopes with
// the probability tail: that a random order of n values has less than r pairs the wrong way round.
// The count of such orders is built up value by value: the n-th adds 0 to n-1 wrong pairs.
func exactRank(n int, tail float64) float64 {
	const most = exactUpTo * (exactUpTo - 1) / 2
	var share [most + 1]float64 // of orders with so many wrong pairs
	share[0] = 1
	for m := 2; m <= n; m++ {
		var next [most + 1]float64
		for k := range m*(m-1)/2 + 1 {
			for add := range min(m, k+1) {
				next[k] += share[k-add] / float64(m)
			}
		}
		share = next
	}
	below := 0.0
	for k, s := range share {
		if below+s > tail {
			return float64(k) + (tail-below)/s
		}
		below += s
	}
	return most
}

// kendallVariance returns the variance of Kendall's S when there is no trend, and whether any two
// times or values are equal, which lowers it (Kendall, Rank Correlation Methods, chapter 4).
func kendallVariance(ts, xs []float64) (variance float64, tied bool) {
	n := float64(len(ts))
	t, x := ties(ts), ties(xs)
	variance = (n*(n-1)*(2*n+5) - t.fives - x.fives) / 18
	variance += t.triples * x.triples / (9 * n * (n - 1) * (n - 2))
	variance += t.pairs * x.pairs / (2 * n * (n - 1))
	return max(variance, 0), t.pairs > 0 || x.pairs > 0
}

// tieSums are those over the groups of g equal values that the variance needs.
type tieSums struct {
	pairs   float64 // g(g-1)
	triples float64 // g(g-1)(g-2)
	fives   float64 // g(g-1)(2g+5)
}

func ties(v []float64) tieSums {
	var buf [64]float64
	s := append(buf[:0], v...)
	slices.Sort(s)
	var sum tieSums
	for i := 0; i < len(s); {
		j := i
		for j < len(s) && s[j] == s[i] {
			j++
		}
		g := float64(j - i)
		sum.pairs += g * (g - 1)
		sum.triples += g * (g - 1) * (g - 2)
		sum.fives += g * (g - 1) * (2*g + 5)
		i = j
	}
	return sum
}

// ranked returns the value of a rank from 1 to len(sorted), between two where the rank is, and beyond
// where there is no such rank.
func ranked(sorted []float64, rank, beyond float64) float64 {
	if rank < 1 || rank > float64(len(sorted)) {
		return beyond
	}
	whole, part := math.Modf(rank)
	i := int(whole) - 1
	if part == 0 {
		return sorted[i]
	}
	return sorted[i] + part*(sorted[i+1]-sorted[i])
}
