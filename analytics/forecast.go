package analytics

import (
	"fmt"
	"math"

	"dewline"
	"dewline/analytics/diagnose"
	"dewline/analytics/robust"
)

// forecast says when the drifting quantity of a condition reaches the limit that hurts, nil without a
// trend. The trend is that of the daily residuals since the model was learned, so the weather is
// allowed for.
func (y *system) forecast(c dewline.Condition) *dewline.Forecast {
	t := &y.Track
	at := y.Frame.At
	limit, s, text, ok := y.hurts(c)
	if !ok {
		return nil
	}
	f := &dewline.Forecast{Limit: text, Quantity: quantityOf(s), Value: round(limit, 10), Unit: "K", At: at}
	expected, residual, ok := t.latest(s)
	if !ok {
		return nil
	}
	now := expected + residual
	up := limit > expected
	if up && now >= limit || !up && now <= limit {
		return f
	}
	if c == dewline.Flooding && y.Acute.Flood.Open {
		return nil // liquid comes back in some weather already: there is no day to name
	}
	// The days of the drift alone: what came before it is flat.
	var x, v [maxDays]float64
	n := 0
	first := int32(int64(y.Track.Since)/86_400_000) - 21
	for i := range t.Days {
		d := &t.Days[i]
		if !d.Has[s] || d.Day < first {
			continue
		}
		x[n], v[n] = float64(d.Day), float64(d.Residual[s])
		n++
	}
	const leastDays = 5
	if n < leastDays {
		return nil
	}
	// Take the stretch that ends now and has the clearest slope: the last 6, 9, 14 or 21 days.
	best := robust.Trend{}
	clear := 0.0
	for _, k := range [...]int{6, 9, 14, 21} {
		k = min(k, n)
		tr, ok := robust.TheilSen(x[n-k:n], v[n-k:n], 0.8)
		if !ok || math.IsInf(tr.Low, 0) || math.IsInf(tr.High, 0) {
			continue
		}
		half := max((tr.High-tr.Low)/2, 1e-6)
		if q := math.Abs(tr.Slope) / half; q > clear && (tr.Slope > 0) == up && (tr.Low > 0) == (tr.High > 0) {
			best, clear = tr, q
		}
	}
	if clear == 0 {
		return nil
	}
	f.DaysP50 = toHarm((limit - now) / best.Slope)
	f.DaysP10, f.DaysP90 = round(f.DaysP50/sooner, 10), round(f.DaysP50*later, 10)
	return f
}

const (
	// typical is the median of the days that a growing fault took to the harmful moment from its first alert on
	// the fleets that this was tuned on (43 of them, from 0.3 to 20 days).
	typical = 5.0
	// trust is how much of a straight line's estimate is believed, in logarithms. Faults do not grow straight:
	// there the lines said five times too long, and what they said had little to do with what came.
	trust = 0.35
	// sooner and later make an interval that held four fifths of them.
	sooner, later = 4.5, 3
)

// toHarm returns how many days are left, of those that a straight line gives.
func toHarm(straight float64) float64 {
	return round(typical*math.Pow(max(straight, 0.3)/typical, trust), 10)
}

// latest returns the newest expectation and the newest residual of a symptom.
func (t *track) latest(s diagnose.Symptom) (expected, residual float64, ok bool) {
	if !t.HasLearn || !t.Learned.Has[s] {
		return 0, 0, false
	}
	for i := len(t.Days) - 1; i >= 0; i-- {
		if t.Days[i].Has[s] {
			return float64(t.Days[i].Expected[s]), t.Learned.Mean[s], true
		}
	}
	return 0, 0, false
}

// hurts returns the limit that a condition drifts to.
func (y *system) hurts(c dewline.Condition) (limit float64, s diagnose.Symptom, text string, ok bool) {
	t := &y.Track
	switch c {
	case dewline.Flooding:
		return floodLimit, diagnose.Superheat, fmt.Sprintf("superheat below %.1f K", floodLimit), true
	case dewline.HighHead:
		expected, _, ok := t.latest(diagnose.OverAmbient)
		return expected + 8, diagnose.OverAmbient, "condensing 8 K over what it should be", ok
	case dewline.Starving, dewline.ChargeDrift:
		if t.Top.Fault == dewline.Undercharge || t.Top.Fault == dewline.Restriction {
			s = diagnose.Superheat
			expected, _, ok := t.latest(s)
			return expected + 8, s, "superheat 8 K over what it should be", ok
		}
	}
	return 0, 0, "", false
}

func quantityOf(s diagnose.Symptom) string {
	switch s {
	case diagnose.Superheat:
		return string(dewline.Superheat)
	case diagnose.OverAmbient:
		return string(dewline.CondensingOverAir)
	}
	return string(dewline.Subcooling)
}
