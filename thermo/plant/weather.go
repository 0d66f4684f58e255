package plant

import "math"

// Weather is a made-up climate as a pure function of time and seed: any instant can be asked for, in
// any order, and the answer never changes.
//
// Temperature is a season, a day that clouds flatten, slow swings of the air mass (a few sines of
// incommensurable periods) and fronts, which come every five to nine days, bring rain for some hours
// and colder, drier air behind them.
type Weather struct {
	Seed       uint64
	MeanC      float64 // of the year
	SeasonC    float64 // half the range over the year
	DayC       float64 // half the range over a clear day
	SwingC     float64 // of the slow swings
	WarmestDay float64 // day of the year
	DewGapK    float64 // how far the dew point lies under the daily mean on average
	Noon       float64 // hour of solar noon in UTC
	WarmSpellC float64 // added from WarmFrom (Unix s) on for three days, for a story that needs one
	WarmFrom   float64
}

// Air is the weather at an instant.
type Air struct {
	TempC, DewC float64
	Rain        bool
	Sun         float64 // 0 to 1
	Cloud       float64
}

const day = 86400.0

// At returns the weather at a time in Unix seconds.
func (w *Weather) At(unixS float64) Air {
	d := unixS / day
	year := math.Cos(2 * math.Pi * (d - w.WarmestDay) / 365.2422)
	hour := math.Mod(d-w.Noon/24, 1) * 24 // since solar noon
	if hour < 0 {
		hour += 24
	}
	slow, wet := 0.0, 0.0
	for k := range 7 {
		period := 2.3 * math.Pow(1.62, float64(k)*0.8)
		a := noise(w.Seed, uint64(k), 1)*2*math.Pi + 2*math.Pi*d/period
		slow += math.Sin(a) * 0.42
		wet += math.Sin(a*0.83+noise(w.Seed, uint64(k), 2)*6) * 0.38
	}
	front, rain := w.front(d)
	cloud := min(max(0.42+0.3*wet-0.15*slow+0.9*rain, 0), 1)
	// The warmest hour comes three hours after noon; the night falls slower than the morning rises.
	phase := 2 * math.Pi * (hour - 3) / 24
	daily := math.Cos(phase) + 0.18*math.Cos(2*phase+0.6)
	base := w.MeanC + w.SeasonC*year + w.SwingC*slow + front
	if w.WarmFrom > 0 {
		x := (unixS - w.WarmFrom) / day
		base += w.WarmSpellC * smoothStep(x/0.5) * smoothStep((3.5-x)/0.5)
	}
	t := base + w.DayC*(1-0.55*cloud)*daily
	// Gusts and passing clouds, over minutes.
	t += 0.25 * math.Sin(2*math.Pi*unixS/1380+4*slow) * (1 - cloud*0.5) * max(math.Cos(2*math.Pi*hour/24), 0)
	dew := min(base-w.DewGapK+1.6*wet+0.35*front, t-0.4+(-0.3)*(1-cloud))
	if rain > 0.3 {
		dew = max(dew, t-1.6)
	}
	sun := max(math.Cos(2*math.Pi*hour/24)+0.15+0.1*year, 0) * (1 - 0.75*cloud) / 1.2
	return Air{TempC: t, DewC: min(dew, t-0.2), Rain: rain > 0.5, Sun: min(sun, 1), Cloud: cloud}
}

// front returns how much colder the last front has made it, and whether it rains.
func (w *Weather) front(d float64) (coolK, rain float64) {
	const span = 7
	n := math.Floor(d / span)
	for k := n - 1; k <= n+1; k++ {
		at := (k + 0.15 + 0.7*noise(w.Seed, uint64(int64(k)), 3)) * span
		size := 2 + 4*noise(w.Seed, uint64(int64(k)), 4)
		x := d - at
		switch {
		case x < -0.4 || x > 6:
		case x < 0:
			coolK += 0.3 * size * (x + 0.4) / 0.4 // warmer just ahead of it
		default:
			coolK += 0.3*size*math.Exp(-x/0.1) - size*(1-math.Exp(-x/0.15))*math.Exp(-x/1.4)
		}
		if x > -0.15 && x < 0.35 {
			rain = max(rain, math.Sin(math.Pi*(x+0.15)/0.5))
		}
	}
	return coolK, rain
}

func smoothStep(x float64) float64 {
	x = min(max(x, 0), 1)
	return x * x * (3 - 2*x)
}

// noise returns an even number in [0, 1) that depends on its arguments alone (the mixing steps of
// splitmix64).
func noise(seed, a, b uint64) float64 {
	x := seed ^ a*0x9e3779b97f4a7c15 ^ b*0xd1b54a32d192ed03
	x ^= x >> 30
	x *= 0xbf58476d1ce4e5b9
	x ^= x >> 27
	x *= 0x94d049bb133111eb
	x ^= x >> 31
	return float64(x>>11) / (1 << 53)
}
