package main

import (
	"fmt"
	"math"
	"slices"

	servicedesk "dewline/alerts/service"
)

// portion is a count out of a number of cases.
type portion struct{ n, of int }

func (s *portion) add(yes bool) {
	s.of++
	if yes {
		s.n++
	}
}

// rate returns the share, NaN without any case.
func (s portion) rate() float64 { return float64(s.n) / float64(s.of) }

// z95 is the two-sided 95 % point of the normal distribution.
const z95 = 1.959964

// wilson returns the 95 % score interval of a share, which keeps its promise near 0 and 1 and with few
// cases, where the usual one does not.
func (s portion) wilson() (low, high float64) {
	r := servicedesk.Wilson(s.n, s.of)
	return r.Low, r.High
}

// String writes the share in percent with its counts and interval.
func (s portion) String() string {
	if s.of == 0 {
		return "none to judge"
	}
	low, high := s.wilson()
	return fmt.Sprintf("%.1f %% (%d/%d; %.1f-%.1f)", 100*s.rate(), s.n, s.of, 100*low, 100*high)
}

// short writes the share in percent with its counts.
func (s portion) short() string {
	if s.of == 0 {
		return "-"
	}
	return fmt.Sprintf("%.0f %% (%d/%d)", 100*s.rate(), s.n, s.of)
}

// frequency is a count over an exposure, such as alerts over months.
type frequency struct {
	n    int
	over float64
}

func (f frequency) rate() float64 { return float64(f.n) / f.over }

// interval returns the 95 % score interval of a Poisson rate, which Wilson's becomes when the cases
// are many and the share is small.
func (f frequency) interval() (low, high float64) {
	middle, half := float64(f.n)+z95*z95/2, z95*math.Sqrt(float64(f.n)+z95*z95/4)
	return max(middle-half, 0) / f.over, (middle + half) / f.over
}

// String writes the frequency with its counts and interval.
func (f frequency) String() string {
	if f.over == 0 {
		return "none to judge"
	}
	low, high := f.interval()
	return fmt.Sprintf("%.3f (%d/%.4g; %.3f-%.3f)", f.rate(), f.n, f.over, low, high)
}

// sample is a set of numbers to take quantiles of.
type sample []float64

// quantile returns the p-quantile by linear interpolation between the order statistics (definition 7
// of Hyndman and Fan, Am. Stat. 50 (1996) 361-365), NaN of nothing.
func (s sample) quantile(p float64) float64 {
	if len(s) == 0 {
		return math.NaN()
	}
	sorted := slices.Sorted(slices.Values(s))
	at := p * float64(len(sorted)-1)
	i := int(at)
	if i+1 >= len(sorted) || at == float64(i) || sorted[i] == sorted[i+1] { // also of two infinities
		return sorted[i]
	}
	return sorted[i] + (at-float64(i))*(sorted[i+1]-sorted[i])
}

// spread writes the median and another quantile.
func (s sample) spread(p float64, unit string) string {
	if len(s) == 0 {
		return "none to judge"
	}
	return fmt.Sprintf("median %s, p%.0f %s %s (n %d)", days(s.quantile(0.5)), 100*p, days(s.quantile(p)), unit, len(s))
}

// days writes a number of days; infinity stands for what did not happen.
func days(v float64) string {
	if math.IsInf(v, 1) {
		return "never"
	}
	return fmt.Sprintf("%.1f", v)
}

// reliability compares stated probabilities with what came true, in ten bins of equal width.
type reliability [10]struct {
	n, hits int
	stated  float64 // sum
}

func (r *reliability) add(p float64, hit bool) {
	b := &r[min(max(int(p*10), 0), 9)]
	b.n++
	b.stated += p
	if hit {
		b.hits++
	}
}

func (r *reliability) count() (n int) {
	for _, b := range r {
		n += b.n
	}
	return n
}

// ece is the expected calibration error: the gap between stated and true in each bin, weighted by its
// cases (M. P. Naeini and others, AAAI 2015).
func (r *reliability) ece() float64 {
	sum := 0.0
	for _, b := range r {
		sum += math.Abs(b.stated - float64(b.hits))
	}
	return sum / float64(r.count())
}

// String writes the expected calibration error.
func (r *reliability) String() string {
	if r.count() == 0 {
		return "none to judge"
	}
	return fmt.Sprintf("%.3f (n %d)", r.ece(), r.count())
}
