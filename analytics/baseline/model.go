package baseline

import (
	"cmp"
	"math"
	"slices"

	"dewline/analytics/diagnose"
	"dewline/analytics/robust"
)

const (
	// maxWindows is how many windows a model keeps: enough for six terms, spread over the conditions.
	maxWindows = 48
	// perDay bounds what one day gives, so that a model spans days and not hours; what is kept is spread over the
	// hours in which the machine ran.
	perDay = 6
	// enoughWindows and enoughDays make a learned frame.
	enoughWindows, enoughDays = 20, 5
	// fullDays is after how many days of windows a model takes no more than what is new to it.
	fullDays = 12
)

// Model is what was learned of one machine. Its exported fields are its state.
type Model struct {
	Windows []Window
	Days    []int32 // days that gave windows
	LastDay int32
	OnDay   int32 // windows taken of LastDay
	Offered int32 // windows offered of LastDay
	Stride  int32 // of these, one in so many is taken
	Fits    [diagnose.NumSymptoms]Fit
	Fitted  bool
	Own     bool    // the fits are of these windows, and not of those that were forgotten
	From    float32 // Cel, the outdoor air of the windows that were fitted
	To      float32
	Knee    float32 // Cel outdoors, below which the head is held; 0 where that was not learned
}

// Fit is the regression of one symptom.
type Fit struct {
	N     int32
	Beta  [NumTerms]float64
	Cov   [NumTerms][NumTerms]float64
	Noise float64 // of one window
	Daily float64 // of a day's mean
}

// Reset forgets the windows; what was fitted stands until there is something better if keep is set.
func (m *Model) Reset(keep bool) {
	before := *m
	*m = Model{}
	if keep {
		m.Fits, m.Fitted, m.From, m.To, m.Knee = before.Fits, before.Fitted, before.From, before.To, before.Knee
	}
}

// Learned says whether there are windows enough for a learned frame.
func (m *Model) Learned() bool {
	return m.Fitted && len(m.Windows) >= enoughWindows && len(m.Days) >= enoughDays
}

// Full says whether the first learning is over.
func (m *Model) Full() bool { return len(m.Days) >= fullDays }

// Short says whether most of the windows are of a time when the machine ran in short bursts.
func (m *Model) Short() bool {
	n := 0
	for i := range m.Windows {
		if m.Windows[i].Short {
			n++
		}
	}
	return 2*n > len(m.Windows)
}

// Blind says whether the windows are without the outdoor air, which drives more than anything else: what was
// learned of them says nothing of a window that has it.
func (m *Model) Blind() bool { return len(m.Windows) > 0 && !m.Windows[0].HasOutdoor }

// Add takes a window of a healthy machine and says whether it was kept.
func (m *Model) Add(p *Prior, w *Window) bool {
	if len(m.Windows) > 0 && !m.Blind() && !w.HasOutdoor {
		return false // windows with and without the outdoor air make no one model
	}
	day := w.Day()
	if day != m.LastDay || m.Stride == 0 {
		m.LastDay, m.OnDay, m.Offered, m.Stride = day, 0, 0, 1
	}
	m.Offered++
	if (m.Offered-1)%m.Stride != 0 {
		return false
	}
	if m.Full() && (m.OnDay >= perDay || !m.novel(p, w)) {
		return false
	}
	if m.OnDay >= perDay {
		m.thin(day)
		if (m.Offered-1)%m.Stride != 0 {
			return false
		}
	}
	m.OnDay++
	if !slices.Contains(m.Days, day) && len(m.Days) < fullDays {
		m.Days = append(m.Days, day)
	}
	if m.Windows == nil {
		m.Windows = make([]Window, 0, maxWindows) // and no more: it is kept for each of thousands of machines
	}
	if len(m.Windows) < maxWindows {
		m.Windows = append(m.Windows, *w)
		return true
	}
	// Take the place of the window under the likest conditions: what is rare stays, so that what
	// remains is spread over the conditions.
	x := p.terms(w)
	best, least := -1, math.Inf(1)
	for i := range m.Windows {
		if d := distance(x, p.terms(&m.Windows[i])); d < least {
			best, least = i, d
		}
	}
	m.Windows[best] = *w
	return true
}

// thin leaves every second window of a day, and takes half as many from now on.
func (m *Model) thin(day int32) {
	n := 0
	m.Windows = slices.DeleteFunc(m.Windows, func(w Window) bool {
		if w.Day() != day {
			return false
		}
		n++
		return n%2 == 0
	})
	m.OnDay -= m.OnDay / 2
	m.Stride *= 2
}

// novel says whether the conditions of a window are outside of those seen.
func (m *Model) novel(p *Prior, w *Window) bool {
	x := p.terms(w)
	for i := range m.Windows {
		if distance(x, p.terms(&m.Windows[i])) < 3*3 {
			return false
		}
	}
	return true
}

// distance is the square of that between two sets of conditions, K.
func distance(a, b [NumTerms]float64) float64 {
	d := 0.0
	for i := range a {
		e := a[i] - b[i]
		if i == speed {
			e *= 15
		}
		d += e * e
	}
	return d
}

// Refit makes the regressions anew, and says whether they are the first of these windows.
func (m *Model) Refit(p *Prior) (anew bool) {
	if len(m.Windows) < enoughWindows {
		return false
	}
	if p.bend == bendHead {
		m.findKnee(p)
	}
	for k := range diagnose.NumSymptoms {
		m.Fits[k] = m.fit(p, k)
	}
	anew = !m.Own
	m.Fitted, m.Own = true, true
	m.From, m.To = m.Windows[0].Outdoor, m.Windows[0].Outdoor
	for i := range m.Windows {
		m.From, m.To = min(m.From, m.Windows[i].Outdoor), max(m.To, m.Windows[i].Outdoor)
	}
	return anew
}

// knees are where the head of a machine may begin to be held, Cel outdoors, the usual one first: fans that are switched
// hold it at 25 to 35 °C of condensing, a valve at what it is set to (common practice).
var knees = [...]float32{headControl, 24, 16, 12, 8, 4}

// findKnee takes the knee by which the windows scatter least.
func (m *Model) findKnee(p *Prior) {
	least, best := math.Inf(1), m.Knee
	for _, m.Knee = range knees {
		if f := m.fit(p, diagnose.OverAmbient); f.N > 0 && f.Noise < least-0.02 {
			least, best = f.Noise, m.Knee
		}
	}
	m.Knee = best
}

// knee is where the head begins to be held: as learned, or where it usually does.
func (m *Model) knee() float32 { return cmp.Or(m.Knee, headControl) }

// terms are the regressors of a window, with the knee of this machine.
func (m *Model) terms(p *Prior, w *Window) [NumTerms]float64 {
	x := p.terms(w)
	if p.bend == bendHead && w.HasOutdoor {
		x[curved] = float64(max(0, m.knee()-w.Outdoor))
	}
	return x
}

// Held returns how the symptoms move by a kelvin of a head that fans or a valve hold, with how far it strays about what
// they hold, as one standard deviation, K; nothing where it is not held.
func (m *Model) Held(p *Prior, w *Window) (direction diagnose.Vector, sd float64) {
	const plainly = 0.4 // K of a kelvin
	held := p.held || m.Fits[diagnose.OverAmbient].Beta[curved] > plainly
	if p.bend != bendHead || !held || w.HasOutdoor && w.Outdoor > m.knee() {
		return direction, 0
	}
	direction[diagnose.OverAmbient], direction[diagnose.LogPower] = 1, perHead
	return direction, swing
}

const (
	// perHead is how the power rises with the head, as a logarithm for each kelvin (the fits of NISTIR 7350 have 0.02 to 0.03
	// for one of outdoor air).
	perHead = 0.02
	// swing is how far the mean head of half an hour strays while fans switch (common practice: they switch off 4 to
	// 8 K below where they switch on).
	swing = 3 // K
)

func (m *Model) fit(p *Prior, k diagnose.Symptom) Fit {
	var rows [maxWindows]robust.Row
	n := 0
	for i := range m.Windows {
		w := &m.Windows[i]
		if !w.Has[k] {
			continue
		}
		base, _ := p.target(k, w)
		rows[n] = robust.Row{X: m.terms(p, w), Y: float64(w.Y[k]) - base}
		n++
	}
	if n == 0 {
		return Fit{}
	}
	// The offset is free: that a machine differs from others is what is learned.
	sd := p.sd[k]
	sd[constant] *= 3
	r, ok := robust.Ridge{Terms: NumTerms, Mean: p.mean[k], SD: sd, Noise: p.noise[k], NoiseWeight: 8}.Fit(rows[:n])
	if !ok {
		return Fit{}
	}
	f := Fit{N: int32(n), Beta: r.Mean, Cov: r.Cov, Noise: r.Noise}
	f.Daily = m.daily(p, k, &f)
	return f
}

// daily estimates how far the mean residual of a day strays: the windows of a day have the weather
// and the load in common, so they are not as many independent ones.
func (m *Model) daily(p *Prior, k diagnose.Symptom, f *Fit) float64 {
	var sum, count [fullDays]float64
	for i := range m.Windows {
		w := &m.Windows[i]
		d := slices.Index(m.Days, w.Day())
		if d < 0 || !w.Has[k] {
			continue
		}
		base, _ := p.target(k, w)
		sum[d] += float64(w.Y[k]) - base - f.at(m.terms(p, w))
		count[d]++
	}
	const weight = 6
	v, n := weight*p.daily[k]*p.daily[k], float64(weight)
	limit := 3 * p.daily[k] // one strange day does not make all days strange
	for d := range sum {
		if count[d] > 0 {
			r := min(max(sum[d]/count[d], -limit), limit)
			v += r * r
			n++
		}
	}
	return math.Sqrt(v / n)
}

func (f *Fit) at(x [NumTerms]float64) float64 {
	y := 0.0
	for i := range x {
		y += f.Beta[i] * x[i]
	}
	return y
}

// Expected returns what a symptom should be in a window by what was learned, and the standard
// deviation of that expectation. ok is false where nothing was learned of the symptom.
func (m *Model) Expected(p *Prior, k diagnose.Symptom, w *Window) (mean, sd float64, ok bool) {
	f := &m.Fits[k]
	if !m.Fitted || f.N < enoughWindows/2 {
		return 0, 0, false
	}
	x := m.terms(p, w)
	base, _ := p.target(k, w)
	v := p.unseen(k, w)
	for i := range x {
		for j := range x {
			v += x[i] * f.Cov[i][j] * x[j]
		}
	}
	if p.bend == bendHead && k == diagnose.OverAmbient && w.HasOutdoor {
		// A head that is held falls over the air by a kelvin for each that the air warms, and where it ceases to be held
		// differs from machine to machine: weather that has not been seen may lie on the other side.
		unseen := float64(max(m.From-w.Outdoor, 0))
		if p.held {
			unseen = max(unseen, float64(w.Outdoor-m.To))
		}
		v += unseen * unseen
	}
	return base + f.at(x), math.Sqrt(max(v, 0)), true
}

// Noise returns the standard deviation of a single window, and that of a day's mean, of a symptom.
func (m *Model) Noise(p *Prior, k diagnose.Symptom) (window, day float64) {
	if f := &m.Fits[k]; m.Fitted && f.N > 0 {
		return f.Noise, f.Daily * math.Sqrt(1+2/float64(max(len(m.Days), 1)))
	}
	return p.noise[k], p.daily[k]
}
