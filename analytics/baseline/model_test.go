package baseline

import (
	"math"
	"math/rand/v2"
	"testing"

	"dewline"
	"dewline/analytics/diagnose"
)

// synthetic is a machine that differs from the usual one as machines do, and its weather.
type synthetic struct {
	prior  *Prior
	beta   [diagnose.NumSymptoms][NumTerms]float64
	noise  [diagnose.NumSymptoms]float64
	daily  [diagnose.NumSymptoms]float64
	strays [diagnose.NumSymptoms]float64 // of the day
	rng    *rand.Rand
}

func newSynthetic(p *Prior, rng *rand.Rand) *synthetic {
	s := &synthetic{prior: p, rng: rng}
	for k := range s.beta {
		for i := range s.beta[k] {
			s.beta[k][i] = p.mean[k][i] + p.sd[k][i]*rng.NormFloat64()
		}
		s.noise[k] = p.noise[k] * (0.7 + 0.6*rng.Float64())
		s.daily[k] = p.daily[k] * (0.7 + 0.6*rng.Float64())
	}
	return s
}

// truth is what the machine does under the conditions of a window, without scatter.
func (s *synthetic) truth(k diagnose.Symptom, w *Window) float64 {
	y, x := 0.0, s.prior.terms(w)
	for i := range x {
		y += s.beta[k][i] * x[i]
	}
	base, _ := s.prior.target(k, w)
	return base + y
}

func (s *synthetic) newDay() {
	for k := range s.strays {
		s.strays[k] = s.daily[k] * s.rng.NormFloat64()
	}
}

func (s *synthetic) window(day int, hour, mean float64) *Window {
	w := at(s.prior, mean+4*math.Sin(hour/24*2*math.Pi)+s.rng.NormFloat64(), 24+0.8*s.rng.NormFloat64(), 16.5+s.rng.NormFloat64())
	w.From = dewline.Millis(day)*86_400_000 + dewline.Millis(hour*3_600_000)
	for k := range diagnose.NumSymptoms {
		w.Y[k], w.Has[k] = float32(s.truth(k, w)+s.strays[k]+s.noise[k]*s.rng.NormFloat64()), true
	}
	return w
}

// learn gives a model some days of a machine.
func (s *synthetic) learn(m *Model, days int, meanC func(day int) float64) {
	for day := range days {
		s.newDay()
		for hour := 8.0; hour < 20; hour += 2 {
			m.Add(s.prior, s.window(day, hour, meanC(day)))
		}
	}
	m.Refit(s.prior)
}

func summer(day int) float64 { return 26 + 3*math.Sin(float64(day)) }

// TestModelRecoversTheMachine: over many machines, 95 % of what was learned lies within two standard deviations
// of the truth, and it is known far better than before.
func TestModelRecoversTheMachine(t *testing.T) {
	for _, c := range []struct {
		name     string
		metering dewline.Metering
	}{{"valve", dewline.TXV}, {"orifice", dewline.FixedOrifice}} {
		p := NewPrior(machine(t, dewline.SplitAC, c.metering, nil, full...))
		rng := rand.New(rand.NewPCG(11, 12))
		var inside, all, narrower [diagnose.NumSymptoms]float64
		const machines = 60
		for range machines {
			s := newSynthetic(p, rng)
			var m Model
			s.learn(&m, 14, summer)
			if !m.Learned() || !m.Full() {
				t.Fatalf("%s: not learned after fourteen days: %d windows on %d days", c.name, len(m.Windows), len(m.Days))
			}
			for _, outdoor := range []float64{22, 26, 30} {
				w := at(p, outdoor, 24, 16.5)
				for k := range diagnose.NumSymptoms {
					mean, sd, ok := m.Expected(p, k, w)
					if !ok {
						t.Fatalf("%s: nothing was learned of %s", c.name, k)
					}
					// The days that were seen stray together by no more than a day strays.
					_, day := m.Noise(p, k)
					all[k]++
					if math.Abs(mean-s.truth(k, w)) < 1.96*math.Hypot(sd, day/math.Sqrt(float64(len(m.Days)))) {
						inside[k]++
					}
					if _, before := p.Expected(k, w); sd < before/2 {
						narrower[k]++
					}
				}
			}
		}
		for k := range diagnose.NumSymptoms {
			// 180 looks at 60 machines: the share of 0.95 is known to some 0.03.
			if share := inside[k] / all[k]; share < 0.87 {
				t.Errorf("%s, %s: the truth is within the interval of 95 %% in %.2f of the cases", c.name, k, share)
			}
			if share := narrower[k] / all[k]; share < 0.95 {
				t.Errorf("%s, %s: twice as sure as before in %.2f of the cases only", c.name, k, share)
			}
		}
	}
}

// TestANewDayIsCovered: the standard deviation of the expectation with those of a window and of a day covers what a
// healthy machine shows next.
func TestANewDayIsCovered(t *testing.T) {
	p := NewPrior(machine(t, dewline.SplitAC, dewline.TXV, nil, full...))
	rng := rand.New(rand.NewPCG(13, 14))
	inside, all := 0.0, 0.0
	for range 60 {
		s := newSynthetic(p, rng)
		var m Model
		s.learn(&m, 14, summer)
		for range 3 {
			s.newDay()
			w := s.window(20, 8+12*rng.Float64(), 27)
			for k := range diagnose.NumSymptoms {
				mean, sd, _ := m.Expected(p, k, w)
				window, day := m.Noise(p, k)
				all++
				if math.Abs(float64(w.Y[k])-mean) < 1.96*math.Sqrt(sd*sd+window*window+day*day) {
					inside++
				}
			}
		}
	}
	if share := inside / all; share < 0.93 || share > 0.985 {
		t.Errorf("%.3f of %.0f new readings are within the interval of 95 %%", share, all)
	}
}

func TestModelStaysWithinItsBounds(t *testing.T) {
	p := NewPrior(machine(t, dewline.SplitAC, dewline.TXV, nil, full...))
	s := newSynthetic(p, rand.New(rand.NewPCG(15, 16)))
	var m Model
	for day := range 400 {
		s.newDay()
		for hour := 0.0; hour < 24; hour += 0.5 {
			m.Add(p, s.window(day, hour, 18+12*math.Sin(float64(day)/58)))
		}
		var kept []Window
		for _, w := range m.Windows {
			if w.Day() == int32(day) {
				kept = append(kept, w)
			}
		}
		if len(kept) > perDay {
			t.Fatalf("day %d gave %d windows, want %d at most", day, len(kept), perDay)
		}
		if day < 5 {
			if n := len(kept); n < perDay/2 || kept[n-1].From-kept[0].From < 12*3600_000 {
				t.Errorf("what is kept of day %d is not spread over its hours: %d windows", day, n)
			}
		}
	}
	if len(m.Windows) > maxWindows || cap(m.Windows) > maxWindows || len(m.Days) > fullDays {
		t.Errorf("%d windows in room for %d, on %d days", len(m.Windows), cap(m.Windows), len(m.Days))
	}
	// The year went from 6 to 30 °C, and so does what was kept of it.
	low, high := math.Inf(1), math.Inf(-1)
	for i := range m.Windows {
		low, high = min(low, float64(m.Windows[i].Outdoor)), max(high, float64(m.Windows[i].Outdoor))
	}
	if low > 9 || high < 27 {
		t.Errorf("what was kept is from %.1f to %.1f °C outdoors", low, high)
	}
}

// TestWindowsAreSpread: rare conditions are not pushed out by common ones.
func TestWindowsAreSpread(t *testing.T) {
	p := NewPrior(machine(t, dewline.SplitAC, dewline.TXV, nil, full...))
	s := newSynthetic(p, rand.New(rand.NewPCG(17, 18)))
	var m Model
	for day := range fullDays {
		for k := range perDay {
			mean := 25.0
			if day < 4 && k == 0 {
				mean = []float64{10, 16, 34, 40}[day] // four rare windows among seventy
			}
			w := s.window(day, 12, mean)
			if mean == 25 {
				w.Outdoor, w.Inside, w.WetBulb = 25+float32(s.rng.NormFloat64()), 24, 16.5
			}
			m.Add(p, w)
		}
	}
	if len(m.Windows) != maxWindows {
		t.Fatalf("%d windows, want %d", len(m.Windows), maxWindows)
	}
	rare := 0
	for i := range m.Windows {
		if d := m.Windows[i].Outdoor; d < 20 || d > 30 {
			rare++
		}
	}
	if rare != 4 {
		t.Errorf("%d of four rare windows are left", rare)
	}
}

// TestAFullModelTakesOnlyWhatIsNew: else a drift that is slow enough would be learned as normal.
func TestAFullModelTakesOnlyWhatIsNew(t *testing.T) {
	p := NewPrior(machine(t, dewline.SplitAC, dewline.TXV, nil, full...))
	s := newSynthetic(p, rand.New(rand.NewPCG(19, 20)))
	var m Model
	s.learn(&m, fullDays, func(int) float64 { return 25 })
	if !m.Full() {
		t.Fatal("not full after twelve days")
	}
	known := *s.window(30, 12, 25)
	known.Outdoor, known.Inside, known.WetBulb = m.Windows[3].Outdoor+0.5, m.Windows[3].Inside, m.Windows[3].WetBulb
	if m.Add(p, &known) {
		t.Error("it took a window under conditions that it knows")
	}
	hot := *s.window(30, 12, 25)
	hot.Outdoor = 41
	if !m.Add(p, &hot) {
		t.Error("it did not take a window of a heat that it had not seen")
	}
	if m.Add(p, &hot) {
		t.Error("it took the same conditions twice")
	}
}

func TestNotLearnedTooSoon(t *testing.T) {
	p := NewPrior(machine(t, dewline.SplitAC, dewline.TXV, nil, full...))
	s := newSynthetic(p, rand.New(rand.NewPCG(21, 22)))
	var m Model
	s.learn(&m, 3, summer)
	if m.Learned() {
		t.Errorf("learned after three days and %d windows", len(m.Windows))
	}
	if _, _, ok := m.Expected(p, diagnose.Superheat, at(p, 28, 24, 16.5)); ok {
		t.Error("something is expected by what was not learned")
	}
	if window, day := m.Noise(p, diagnose.Superheat); window != p.noise[diagnose.Superheat] || day != p.daily[diagnose.Superheat] {
		t.Errorf("noise %.2f, %.2f before learning, want the prior's", window, day)
	}
}

func TestReset(t *testing.T) {
	p := NewPrior(machine(t, dewline.SplitAC, dewline.TXV, nil, full...))
	s := newSynthetic(p, rand.New(rand.NewPCG(23, 24)))
	var m Model
	s.learn(&m, 14, summer)
	w := at(p, 28, 24, 16.5)
	before, _, _ := m.Expected(p, diagnose.Subcooling, w)
	m.Reset(true)
	if after, _, ok := m.Expected(p, diagnose.Subcooling, w); !ok || after != before || m.Learned() || len(m.Windows) != 0 {
		t.Errorf("kept: %.2f (%v) where it was %.2f, learned %v, %d windows", after, ok, before, m.Learned(), len(m.Windows))
	}
	m.Reset(false)
	if _, _, ok := m.Expected(p, diagnose.Subcooling, w); ok {
		t.Error("forgotten, and yet something is expected")
	}
	s.learn(&m, 14, summer)
	if !m.Learned() {
		t.Error("nothing was learned anew")
	}
}

// TestOneStrangeDayIsHeldDown: a model is made of what may hold a bad day.
func TestOneStrangeDayIsHeldDown(t *testing.T) {
	p := NewPrior(machine(t, dewline.SplitAC, dewline.TXV, nil, full...))
	clean, spoilt := Model{}, Model{}
	for i, m := range []*Model{&clean, &spoilt} {
		s := newSynthetic(p, rand.New(rand.NewPCG(25, 26)))
		for day := range 14 {
			s.newDay()
			for hour := 8.0; hour < 20; hour += 2 {
				w := s.window(day, hour, summer(day))
				if i == 1 && day == 6 {
					w.Y[diagnose.Subcooling] += 8
				}
				m.Add(p, w)
			}
		}
		m.Refit(p)
	}
	w := at(p, 28, 24, 16.5)
	a, _, _ := clean.Expected(p, diagnose.Subcooling, w)
	b, _, _ := spoilt.Expected(p, diagnose.Subcooling, w)
	if math.Abs(a-b) > 0.5 {
		t.Errorf("a day that was 8 K off moves what is expected from %.2f to %.2f K", a, b)
	}
	_, quiet := clean.Noise(p, diagnose.Subcooling)
	if _, day := spoilt.Noise(p, diagnose.Subcooling); day > 2*quiet {
		t.Errorf("it makes all days stray by %.2f K instead of %.2f", day, quiet)
	}
}

// TestWhereTheHeadIsHeldIsLearned: it differs from machine to machine, and fans that hold it let it stray there.
func TestWhereTheHeadIsHeldIsLearned(t *testing.T) {
	p := NewPrior(machine(t, dewline.WalkInCooler, dewline.TXV, func(s *dewline.System) { s.HeadControl, s.Receiver = true, true }, full...))
	const over = 11
	untold := NewPrior(machine(t, dewline.WalkInCooler, dewline.TXV, func(s *dewline.System) { s.Receiver = true }, full...))
	for i, held := range []float32{8, 12, 16, 24, 12, 16} {
		if i >= 4 {
			p = untold
		}
		s := newSynthetic(p, rand.New(rand.NewPCG(23, uint64(held))))
		var m Model
		for day := range 14 {
			for hour := 0.0; hour < 24; hour += 4 {
				w := s.window(day, hour, float64(held)-6+float64(day))
				w.Y[diagnose.OverAmbient] = over + max(held-w.Outdoor, 0)
				m.Add(p, w)
			}
		}
		m.Refit(p)
		if m.Knee != held {
			t.Errorf("held below %.0f °C: learned %.0f", held, m.Knee)
		}
		w := *s.window(20, 12, 9)
		for _, below := range []float32{1, -1} {
			w.Outdoor = held - below
			if d, sd := m.Held(p, &w); (sd > 0) != (below > 0) || sd > 0 && d[diagnose.OverAmbient] != 1 {
				t.Errorf("held below %.0f °C, at %.0f: the head strays by %.1f K along %v", held, w.Outdoor, sd, d)
			}
		}
	}
	if _, sd := new(Model).Held(untold, &Window{}); sd != 0 {
		t.Errorf("a head that nothing holds strays by %.1f K", sd)
	}
}

// TestAHeadThatNobodySaysIsHeld: in cold weather that a machine has not been seen in, its fans may hold the head though its
// enrolment does not say so; in weather in which none are held it is as sure as any.
func TestAHeadThatNobodySaysIsHeld(t *testing.T) {
	p := NewPrior(machine(t, dewline.WalkInCooler, dewline.TXV, func(s *dewline.System) { s.Receiver = true }, full...))
	s := newSynthetic(p, rand.New(rand.NewPCG(31, 32)))
	const over = 11 // K
	var m Model
	for day := range 14 {
		for hour := 0.0; hour < 24; hour += 4 {
			w := s.window(day, hour, 22)
			w.Y[diagnose.OverAmbient] = over
			m.Add(p, w)
		}
	}
	m.Refit(p)
	for _, c := range []struct {
		outdoor     float32
		least, most float64 // K, of the standard deviation
	}{{22, 0, 0.7}, {m.To + 8, 0, 1.8}, {m.From - 10, 8, 14}} {
		w := *s.window(20, 12, 9)
		w.Outdoor = c.outdoor
		if mean, sd, ok := m.Expected(p, diagnose.OverAmbient, &w); !ok || math.Abs(mean-over) > 1.5+sd || sd < c.least || sd > c.most {
			t.Errorf("learned, at %.0f °C: %.1f ± %.1f K", c.outdoor, mean, sd)
		}
	}
	cold, warm := *s.window(20, 12, 0), *s.window(20, 12, 25)
	cold.Outdoor, cold.Inside, warm.Inside = 0, 3, 3
	_, c := p.Expected(diagnose.OverAmbient, &cold)
	_, w := p.Expected(diagnose.OverAmbient, &warm)
	if w > 5 || c < 9 {
		t.Errorf("of a machine that nobody knows, at 0 °C ±%.1f K, at 25 °C ±%.1f K", c, w)
	}
}

// TestAHeldHeadIsNotDrawnOut: a model that has only seen weather in which the head is held does not know where it
// ceases to be.
func TestAHeldHeadIsNotDrawnOut(t *testing.T) {
	p := NewPrior(machine(t, dewline.WalkInCooler, dewline.TXV, func(s *dewline.System) { s.HeadControl, s.Receiver = true, true }, full...))
	s := newSynthetic(p, rand.New(rand.NewPCG(21, 22)))
	const held, over = 16, 11 // Cel outdoors below which it is, K over the air above that
	var m Model
	for day := range 14 {
		for hour := 0.0; hour < 24; hour += 4 {
			w := s.window(day, hour, 9)
			w.Y[diagnose.OverAmbient] = over + max(held-w.Outdoor, 0)
			m.Add(p, w)
		}
	}
	m.Refit(p)
	for _, c := range []struct {
		outdoor float32
		most    float64 // K, of the standard deviation
	}{{8, 0.7}, {m.To, 0.7}, {m.To + 4, 8}, {m.To + 8, 12}} {
		w := *s.window(20, 12, 9)
		w.Outdoor = c.outdoor
		mean, sd, ok := m.Expected(p, diagnose.OverAmbient, &w)
		off := over + max(held-float64(c.outdoor), 0) - mean
		if !ok || math.Abs(off) > 1.3*sd+0.3 || sd > c.most {
			t.Errorf("at %.0f °C: %.1f K off what is expected, ±%.1f", c.outdoor, off, sd)
		}
	}
}
