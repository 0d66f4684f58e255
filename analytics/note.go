package analytics

import (
	"math"

	"dewline"
	"dewline/analytics/baseline"
	"dewline/analytics/diagnose"
)

// today gathers the line of the diary for the UTC day that is open.
type today struct {
	Start   dewline.Millis
	Open    bool
	Runs    int32
	Steady  dewline.Millis
	Windows int32
}

// dayOf returns the start of the UTC day of a time.
func dayOf(at dewline.Millis) dewline.Millis {
	const day = 24 * hour
	start := at / day * day
	if start > at {
		start -= day
	}
	return start
}

// turn closes the diary's day when the frame is of another one.
func (y *system) turn(e *Engine, at dewline.Millis) {
	start := dayOf(at)
	if y.Day.Open && y.Day.Start == start {
		return
	}
	if y.Day.Open {
		e.out.Diary = append(e.out.Diary, y.note())
	}
	y.Day = today{Start: start, Open: true}
	y.Operate.RunToday = 0
	y.Acute.RiskBefore[0], y.Acute.RiskBefore[1], y.Acute.RiskToday = y.Acute.RiskToday, y.Acute.RiskBefore[0], 0
	y.Acute.LikelyToday = 0
	y.Acute.Wet = [3]dewline.Millis{0, y.Acute.Wet[0], y.Acute.Wet[1]}
}

// note says what is believed of the day that is open.
func (y *system) note() dewline.DayNote {
	t := &y.Track
	n := dewline.DayNote{
		System: y.id, Day: y.Day.Start, Health: y.health(),
		Runs: int(y.Day.Runs), RunHours: hours(y.Operate.RunToday), SteadyHours: hours(y.Day.Steady), Windows: int(y.Day.Windows),
		NoFault: 1, RiskMinutes: math.Round(float64(y.Acute.RiskToday)/60_000*10) / 10,
	}
	if t.Evals > 0 {
		n.NoFault = math.Round(t.NoFault*1000) / 1000
		n.Causes = t.Causes
		r := &t.Absolute
		n.Frame = dewline.FrameAbsolute
		if t.HasLearn {
			r, n.Frame = &t.Learned, dewline.FrameLearned
		}
		for s := range diagnose.NumSymptoms {
			if !r.Has[s] || len(t.Recent) == 0 {
				continue
			}
			// What is expected under the conditions of the last window, and what the windows show, as if all had been so.
			expected := 0.0
			if s != diagnose.LogPower {
				expected = y.expected(s, &t.Recent[len(t.Recent)-1])
			}
			n.Residual = append(n.Residual, dewline.SymptomNote{
				Name: r.Name(s), Unit: s.Unit(), Value: round(expected+s.Shown(r.Mean[s]), 100), Expected: round(expected, 100),
				Uncertainty: round(s.Shown(math.Sqrt(r.Cov[s][s])), 100), Z: round(r.Z(s), 100),
			})
		}
	}
	for i := range y.Episodes {
		n.Text = append(n.Text, string(y.Episodes[i].Conditions[0])+" since "+y.Episodes[i].Onset.Time().Format("2006-01-02"))
		n.Text = append(n.Text, y.Episodes[i].Evidence...)
	}
	if ep := y.ofMachine(); ep != nil {
		n.Forecast = ep.Forecast
	}
	return n
}

// expected is what a symptom should be in a window: by what was learned, or else by what is usual.
func (y *system) expected(s diagnose.Symptom, w *baseline.Window) float64 {
	if y.Track.HasLearn {
		if mean, _, ok := y.Track.Model.Expected(y.prior, s, w); ok {
			return mean
		}
	}
	mean, _ := y.prior.Expected(s, w)
	return mean
}

func hours(m dewline.Millis) float64 { return math.Round(float64(m)/3600_000*100) / 100 }

// health is one word for how the system does, as far as analytics knows.
func (y *system) health() dewline.Health {
	t := &y.Track
	worst := dewline.HealthWell
	for i := range y.Episodes {
		ep := &y.Episodes[i]
		if _, ok := sensorOf(ep.Key); ok {
			if worst == dewline.HealthWell {
				worst = dewline.HealthDoubtful
			}
			continue
		}
		switch ep.Severity {
		case dewline.Urgent:
			return dewline.HealthUrgent
		case dewline.Soon:
			worst = dewline.HealthSoon
		default:
			if worst != dewline.HealthSoon {
				worst = dewline.HealthDrifting
			}
		}
	}
	switch {
	case worst != dewline.HealthWell:
		return worst
	case t.charted() && t.Odds > 0:
		return dewline.HealthDrifting
	case !t.Model.Learned():
		return dewline.HealthLearning
	}
	return dewline.HealthWell
}
