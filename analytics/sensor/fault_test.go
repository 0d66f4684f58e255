package sensor_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"dewline"
	"dewline/analytics/sensor"
)

const day dewline.Millis = 86_400_000

// faulty changes readings from a time on.
func faulty(from dewline.Millis, change func(at dewline.Millis, v *readings)) func(dewline.Millis, *readings) {
	return func(at dewline.Millis, v *readings) {
		if at >= from {
			change(at, v)
		}
	}
}

// TestFaultsAreFound lets one sensor of a healthy machine go wrong on the fifth day. Nothing may be said
// before, the right kind must be believed in time, and only of the sensors that are wrong.
func TestFaultsAreFound(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	held := math.NaN()
	hold := func(p dewline.Point) func(dewline.Millis, *readings) {
		return func(_ dewline.Millis, v *readings) {
			if math.IsNaN(held) {
				held = v[p]
			}
			v[p] = held
		}
	}
	var frozen readings
	for name, c := range map[string]struct {
		site   site
		change func(at dewline.Millis, v *readings)
		points []dewline.Point
		kind   sensor.Kind
		within dewline.Millis
		every  int64
		mean   bool
	}{
		"suction clamp stuck":               {comfortSplit, hold(dewline.SuctionTemp), []dewline.Point{dewline.SuctionTemp}, sensor.Stuck, day, 60, false},
		"liquid pressure stuck":             {comfortSplit, hold(dewline.LiquidPressure), []dewline.Point{dewline.LiquidPressure}, sensor.Stuck, day, 60, false},
		"suction pressure stuck, walk-in":   {walkIn, hold(dewline.SuctionPressure), []dewline.Point{dewline.SuctionPressure}, sensor.Stuck, day, 60, false},
		"suction pressure stuck, means":     {comfortSplit, hold(dewline.SuctionPressure), []dewline.Point{dewline.SuctionPressure}, sensor.Stuck, 2 * day, 900, true},
		"outdoor air stuck":                 {comfortSplit, hold(dewline.OutdoorAirTemp), []dewline.Point{dewline.OutdoorAirTemp}, sensor.Stuck, 4 * day, 60, false},
		"cold room's air stuck":             {walkIn, hold(dewline.SpaceTemp), []dewline.Point{dewline.SpaceTemp}, sensor.Stuck, day, 60, false},
		"cold room's air stuck, means":      {walkIn, hold(dewline.SpaceTemp), []dewline.Point{dewline.SpaceTemp}, sensor.Stuck, 2 * day, 900, true},
		"liquid clamp stuck, heat pump":     {heatPump, hold(dewline.LiquidTemp), []dewline.Point{dewline.LiquidTemp}, sensor.Stuck, day, 60, false},
		"liquid clamp noisy":                {comfortSplit, func(_ dewline.Millis, v *readings) { v[dewline.LiquidTemp] += 1.5 * rng.NormFloat64() }, []dewline.Point{dewline.LiquidTemp}, sensor.Noisy, day, 60, false},
		"suction pressure noisy, 5 min":     {comfortSplit, func(_ dewline.Millis, v *readings) { v[dewline.SuctionPressure] += 30_000 * rng.NormFloat64() }, []dewline.Point{dewline.SuctionPressure}, sensor.Noisy, 3 * day, 300, false},
		"open suction clamp":                {comfortSplit, func(_ dewline.Millis, v *readings) { v[dewline.SuctionTemp] = -127 }, []dewline.Point{dewline.SuctionTemp}, sensor.Open, day / 24, 60, false},
		"liquid pressure below vacuum":      {walkIn, func(_ dewline.Millis, v *readings) { v[dewline.LiquidPressure] = -800_000 }, []dewline.Point{dewline.LiquidPressure}, sensor.Open, day / 24, 60, false},
		"liquid clamp silent":               {comfortSplit, func(_ dewline.Millis, v *readings) { v[dewline.LiquidTemp] = math.NaN() }, []dewline.Point{dewline.LiquidTemp}, sensor.Absent, day, 60, false},
		"humidity silent":                   {comfortSplit, func(_ dewline.Millis, v *readings) { v[dewline.ReturnAirRH] = math.NaN() }, []dewline.Point{dewline.ReturnAirRH}, sensor.Absent, day, 60, false},
		"power silent":                      {comfortSplit, func(_ dewline.Millis, v *readings) { v[dewline.CompressorPower] = math.NaN() }, []dewline.Point{dewline.CompressorPower}, sensor.Absent, day, 300, false},
		"clamps exchanged":                  {comfortSplit, exchange(dewline.SuctionTemp, dewline.LiquidTemp), []dewline.Point{dewline.SuctionTemp, dewline.LiquidTemp}, sensor.Swapped, 2 * day, 60, false},
		"clamps exchanged, walk-in":         {walkIn, exchange(dewline.SuctionTemp, dewline.LiquidTemp), []dewline.Point{dewline.SuctionTemp, dewline.LiquidTemp}, sensor.Swapped, 2 * day, 300, false},
		"clamps exchanged, bare":            {bare(comfortSplit), exchange(dewline.SuctionTemp, dewline.LiquidTemp), []dewline.Point{dewline.SuctionTemp, dewline.LiquidTemp}, sensor.Swapped, 2 * day, 300, false},
		"pressures exchanged":               {comfortSplit, exchange(dewline.SuctionPressure, dewline.LiquidPressure), []dewline.Point{dewline.SuctionPressure, dewline.LiquidPressure}, sensor.CrossedPressures, day, 60, false},
		"both on one channel":               {comfortSplit, func(_ dewline.Millis, v *readings) { v[dewline.SuctionPressure] = v[dewline.LiquidPressure] }, []dewline.Point{dewline.SuctionPressure, dewline.LiquidPressure}, sensor.CrossedPressures, day, 60, false},
		"suction clamp off its pipe":        {comfortSplit, toAir(dewline.SuctionTemp, 0.6), []dewline.Point{dewline.SuctionTemp}, sensor.FallenOff, 3 * day, 60, false},
		"suction clamp off its pipe, bare":  {bare(comfortSplit), toAir(dewline.SuctionTemp, 0.8), []dewline.Point{dewline.SuctionTemp}, sensor.FallenOff, 3 * day, 60, false},
		"suction clamp off, walk-in, 5 min": {walkIn, toAir(dewline.SuctionTemp, 0.7), []dewline.Point{dewline.SuctionTemp}, sensor.FallenOff, 3 * day, 300, false},
		"liquid pressure in another unit":   {comfortSplit, func(_ dewline.Millis, v *readings) { v[dewline.LiquidPressure] *= 0.145037738 }, []dewline.Point{dewline.LiquidPressure}, sensor.UnitFactor, day, 60, false},
		"suction pressure too large":        {comfortSplit, func(_ dewline.Millis, v *readings) { v[dewline.SuctionPressure] *= 1000 }, []dewline.Point{dewline.SuctionPressure}, sensor.UnitFactor, day / 12, 60, false},
		"suction clamp in Fahrenheit":       {comfortSplit, func(_ dewline.Millis, v *readings) { v[dewline.SuctionTemp] = 1.8*v[dewline.SuctionTemp] + 32 }, []dewline.Point{dewline.SuctionTemp}, sensor.UnitFactor, 2 * day, 60, false},
		"discharge clamp in the air":        {comfortSplit, toAir(dewline.DischargeTemp, 0.95), []dewline.Point{dewline.DischargeTemp}, sensor.FallenOff, 2 * day, 300, false},
		"discharge clamp half off":          {walkIn, toAir(dewline.DischargeTemp, 0.4), []dewline.Point{dewline.DischargeTemp}, sensor.FallenOff, 4 * day, 300, false},
		"liquid line too hot":               {walkIn, func(_ dewline.Millis, v *readings) { v[dewline.LiquidTemp] += 12 }, []dewline.Point{dewline.LiquidPressure, dewline.LiquidTemp}, sensor.Contradiction, 2 * day, 300, false},
		"gas colder than it boils":          {walkIn, func(_ dewline.Millis, v *readings) { v[dewline.SuctionTemp] -= 18 }, []dewline.Point{dewline.SuctionPressure, dewline.SuctionTemp}, sensor.Contradiction, 2 * day, 300, false},
		"power frozen":                      {comfortSplit, hold(dewline.CompressorPower), []dewline.Point{dewline.CompressorPower}, sensor.Stuck, 2 * day, 60, false},
		"gateway frozen": {comfortSplit, func(_ dewline.Millis, v *readings) {
			if frozen[dewline.OutdoorAirTemp] == 0 {
				frozen = *v
			}
			*v = frozen
		}, []dewline.Point{0}, sensor.FrozenGateway, day, 60, false},
	} {
		t.Run(name, func(t *testing.T) {
			held, frozen = math.NaN(), readings{}
			s := c.site
			s.days, s.every, s.mean = 10, c.every, c.mean
			from := dewline.Millis(s.from*1000) + 4*day + day/2
			s.change = faulty(from, c.change)
			found := dewline.Millis(0)
			s.see = func(at dewline.Millis, w *sensor.Watch) {
				sure := believed(w)
				if at < from && len(sure) > 0 {
					t.Fatalf("%s, before anything is wrong: %+v", at.Time(), sure)
				}
				for _, d := range sure {
					if d.Kind != c.kind || !has(c.points, d.Point) {
						t.Fatalf("%v after the fault: %+v", at.Sub(from), d)
					}
				}
				if found == 0 && len(sure) == len(c.points) {
					found = at
					t.Logf("after %v: %s", at.Sub(from), sure[0].Evidence)
				}
			}
			w := s.run(t)
			if found == 0 {
				t.Fatalf("not found; at the end %+v", w.Doubts(nil))
			}
			if found-from > c.within {
				t.Errorf("found after %v only", found.Sub(from))
			}
		})
	}
}

func bare(s site) site { s.bare = true; return s }

func exchange(a, b dewline.Point) func(dewline.Millis, *readings) {
	return func(_ dewline.Millis, v *readings) { v[a], v[b] = v[b], v[a] }
}

// toAir lets a clamp feel the air outdoors by a share.
func toAir(p dewline.Point, share float64) func(dewline.Millis, *readings) {
	return func(_ dewline.Millis, v *readings) {
		v[p] = math.Round(10*(v[p]+share*(v[dewline.OutdoorAirTemp]-v[p]))) / 10
	}
}

func believed(w *sensor.Watch) (sure []sensor.Doubt) {
	for _, d := range w.Doubts(nil) {
		if d.Sure != 0 {
			sure = append(sure, d)
		}
	}
	return sure
}

func has(points []dewline.Point, p dewline.Point) bool {
	for _, q := range points {
		if q == p {
			return true
		}
	}
	return false
}
