package chart

import "math"

// CUSUM is the design of a two-sided cumulative sum chart (Page 1954). K is the slack that each
// value pays, half the shift to be found quickly; H is the sum that signals. Both are in standard
// deviations of the values.
type CUSUM struct{ K, H float64 }

// CUSUMState is what a chart remembers. The zero value is a new chart.
type CUSUMState struct {
	Up, Down           float64 // the sums for a mean that rose and for one that fell, both ≥ 0
	UpSince, DownSince int32   // for how many values each sum has been above zero
}

// HeadStart returns a state from which a shift that is there from the first value is found in
// about half the time, for a slightly higher risk of a false signal at the start: both sums at H/2
// (Lucas and Crosier 1982, Technometrics 24:199). It is for the values right after a repair.
func (d CUSUM) HeadStart() CUSUMState {
	return CUSUMState{Up: d.H / 2, Down: d.H / 2}
}

// Step takes a standardised value and says whether a sum stands above H. A value that is not
// finite is ignored: it would stay in the sum for ever.
//
// UpSince and DownSince then date the change: the shift most likely began after the last value at
// which the sum was zero, that is, UpSince values ago.
func (d CUSUM) Step(s *CUSUMState, z float64) (up, down bool) {
	if !math.IsNaN(z) && !math.IsInf(z, 0) {
		s.Up, s.UpSince = add(s.Up, s.UpSince, z-d.K)
		s.Down, s.DownSince = add(s.Down, s.DownSince, -z-d.K)
	}
	return s.Up > d.H, s.Down > d.H
}

func add(sum float64, since int32, z float64) (float64, int32) {
	sum += z
	if sum <= 0 {
		return 0, 0
	}
	return sum, since + min(1, math.MaxInt32-since)
}

// ARL returns the average number of values from a new chart to its first signal on either side,
// when the mean stands at shift standard deviations from the first value on. The sides combine as
// 1/ARL = 1/ARL⁺ + 1/ARL⁻ (van Dobben de Bruyn 1968), exact for a chart that is symmetric.
func (d CUSUM) ARL(shift float64) float64 {
	up := d.OneSidedARL(shift)
	if shift == 0 {
		return up / 2
	}
	return 1 / (1/up + 1/d.OneSidedARL(-shift))
}

// OneSidedARL returns the average run length of the upward sum alone.
func (d CUSUM) OneSidedARL(shift float64) float64 {
	fromZero, _ := d.upward(shift)
	return fromZero
}

// HeadStartARL returns the two-sided average run length of a chart that begins with HeadStart. Until
// a side comes to zero the two share their start; Lucas and Crosier (1982, appendix) combine them so.
func (d CUSUM) HeadStartARL(shift float64) float64 {
	up, upHalf := d.upward(shift)
	down, downHalf := d.upward(-shift)
	return (upHalf*down + downHalf*up - up*down) / (up + down)
}

// upward returns the average run length of the upward sum from zero and from H/2.
func (d CUSUM) upward(shift float64) (fromZero, fromHalf float64) {
	n := int(min(max(d.H/0.2, 40), 80))
	coarse, fine := d.chain(shift, n), d.chain(shift, 2*n)
	ratio := float64(4*n-1) / float64(2*n-1)
	return extrapolate(coarse[0], fine[0], ratio), extrapolate(middle(coarse), middle(fine), ratio)
}

// chain returns the average run lengths of the upward sum from each of n states of the Markov chain
// of Brook and Evans (1972, Biometrika 59:539): state 0 is a sum of zero and all that is nearer to it
// than to the next, state i the sums about i widths; the last ends at H.
func (d CUSUM) chain(shift float64, n int) []float64 {
	w := 2 * d.H / float64(2*n-1)
	from := make([][]float64, n)
	for i := range from {
		from[i] = make([]float64, n)
		below := 0.0 // the probability of a step to under state j; all that is under zero is zero
		for j := range from[i] {
			under := normal((float64(j-i)+0.5)*w + d.K - shift)
			from[i][j] = under - below
			below = under
		}
	}
	return runLengths(from)
}

// middle interpolates between the states of a chain about half of H.
func middle(lengths []float64) float64 {
	i, part := math.Modf(float64(2*len(lengths)-1) / 4)
	return lengths[int(i)]*(1-part) + lengths[int(i)+1]*part
}

// DesignCUSUM returns the chart of slack k whose two-sided average run length without a shift is
// arl0 values. It takes some milliseconds: design once, not per value. The slack must be above zero
// and arl0 above that of a chart that signals at once, about 2.
func DesignCUSUM(k, arl0 float64) CUSUM {
	h := root(0, 4, math.Log(arl0), func(h float64) float64 { return math.Log(CUSUM{k, h}.ARL(0)) })
	return CUSUM{k, h}
}
