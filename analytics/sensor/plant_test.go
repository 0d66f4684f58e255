package sensor_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"dewline"
	"dewline/analytics/cycle"
	"dewline/analytics/sensor"
	"dewline/thermo/plant"
)

// july is a midnight in summer, january one in winter (Unix s).
const july, january = 1_783_900_800.0, 1_768_435_200.0

// site is a machine with the sensors that are fitted, how they are read, and what is wrong with them.
type site struct {
	spec       plant.Spec
	use        plant.Use
	weather    plant.Weather
	kind       dewline.Kind
	courses    []plant.Course
	from       float64 // Unix s
	days       int
	every      int64 // s
	mean       bool
	bare       bool // four points and outdoor air
	change     func(at dewline.Millis, v *readings)
	suspicious func(at dewline.Millis) bool // nil: never
	seed       uint64
	noisy      float64       // times the usual scatter, 0: once
	watch      *sensor.Watch // nil: a new one
	see        func(at dewline.Millis, w *sensor.Watch)
	events     func(at dewline.Millis, w *sensor.Watch)
}

// readings are the values of one moment by point; NaN: not sent.
type readings [cycle.NumPoints]float64

var town = plant.Weather{Seed: 5, MeanC: 18, SeasonC: 9, DayC: 5, SwingC: 1.5, WarmestDay: 205, DewGapK: 8, Noon: 12.5}

func (s *site) system(t testing.TB) (*cycle.Machine, *plant.Machine) {
	t.Helper()
	m, err := plant.Design(s.spec)
	if err != nil {
		t.Fatal(err)
	}
	metering := map[plant.MeteringKind]dewline.Metering{plant.Orifice: dewline.FixedOrifice, plant.CapillaryTube: dewline.Capillary,
		plant.ThermostaticValve: dewline.TXV, plant.ElectronicValve: dewline.EEV}[s.spec.Metering]
	sys := &dewline.System{ID: "quay/hall", Refrigerant: s.spec.Refrigerant, Kind: s.kind, Metering: metering, Receiver: s.spec.Receiver, PumpDown: s.use.PumpDown}
	for p := dewline.SuctionPressure; p <= dewline.OperatingMode; p++ {
		f := dewline.PointFitting{Point: p}
		if s.bare && p > dewline.OutdoorAirTemp || s.bare && (p == dewline.DischargePressure || p == dewline.DischargeTemp) {
			continue
		}
		if !s.kind.Comfort() && (p == dewline.ReturnAirTemp || p == dewline.SupplyAirTemp || p == dewline.ReturnAirRH) {
			continue
		}
		switch p {
		case dewline.SuctionPressure:
			f.StatedAccuracy = 8000
		case dewline.LiquidPressure:
			f.StatedAccuracy = 20000
		case dewline.SuctionTemp, dewline.LiquidTemp:
			f.StatedAccuracy = 0.5
		}
		sys.Points = append(sys.Points, f)
	}
	c, err := cycle.NewMachine(sys, &dewline.Site{ID: "quay"})
	if err != nil {
		t.Fatal(err)
	}
	return c, m
}

var plantModes = [...]dewline.Mode{plant.Off: dewline.ModeOff, plant.Cooling: dewline.ModeCooling, plant.Heating: dewline.ModeHeating, plant.Defrosting: dewline.ModeDefrost}

// steps and scatter of common sensors (from memory).
func sense(v, scatter, step float64, rng *rand.Rand) float64 {
	return math.Round((v+scatter*rng.NormFloat64())/step) * step
}

func flag(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// read is what healthy sensors make of the truth.
func (s *site) read(n *plant.Now, rng *rand.Rand) (v readings) {
	for i := range v {
		v[i] = math.NaN()
	}
	sense := func(v, scatter, step float64, rng *rand.Rand) float64 {
		return sense(v, scatter*max(s.noisy, 1), step, rng)
	}
	clamp := func(pipe, air float64) float64 { return sense(pipe+0.02*(air-pipe), 0.06, 0.1, rng) }
	v[dewline.SuctionPressure] = sense(n.SuctionPa-n.AmbientPa, 900, 500, rng)
	v[dewline.LiquidPressure] = sense(n.LiquidPa-n.AmbientPa, 2400, 500, rng)
	v[dewline.SuctionTemp] = clamp(n.SuctionC, n.LineC)
	v[dewline.LiquidTemp] = clamp(n.LiquidC, n.OutdoorC)
	v[dewline.OutdoorAirTemp] = sense(n.OutdoorC, 0.06, 0.1, rng)
	if !s.bare {
		v[dewline.DischargeTemp] = clamp(n.DischargeC, n.OutdoorC)
		v[dewline.CompressorPower] = sense(n.PowerW, 6, 1, rng)
		v[dewline.CompressorOn] = flag(n.On)
		if s.kind.Comfort() {
			v[dewline.ReturnAirTemp] = sense(n.ReturnC, 0.06, 0.1, rng)
			v[dewline.ReturnAirRH] = sense(n.ReturnRH, 0.4, 0.5, rng)
			v[dewline.SupplyAirTemp] = sense(n.SupplyC, 0.06, 0.1, rng)
		}
	}
	if !s.kind.Comfort() {
		v[dewline.SpaceTemp] = sense(n.SpaceC, 0.06, 0.1, rng)
	}
	if s.use.Duty != plant.CoolsRoom {
		v[dewline.OperatingMode] = float64(plantModes[n.Mode])
	}
	return v
}

// run lets a watch look at a machine and returns it.
func (s *site) run(t testing.TB) *sensor.Watch {
	t.Helper()
	c, _ := s.system(t)
	if s.every == 0 {
		s.every = 60
	}
	next := s.recorder(t)
	w := s.watch
	if w == nil {
		w = &sensor.Watch{}
	}
	d := driver{w: w, m: c, interval: time.Duration(s.every) * time.Second, mean: s.mean, suspicious: s.suspicious}
	var sum readings
	var count float64
	for range s.days * 1440 {
		at, v := next()
		if s.change != nil {
			s.change(at, &v)
		}
		for p := range sum {
			if dewline.Point(p).Dimension() == dewline.Boolean || dewline.Point(p).Dimension() == dewline.ModeValue {
				sum[p] = v[p] * (count + 1)
			} else {
				sum[p] += v[p]
			}
		}
		count++
		if int64(at)/1000%s.every != 0 {
			continue
		}
		if s.mean {
			for p := range sum {
				v[p] = math.Round(1000*sum[p]/count) / 1000
			}
		}
		sum, count = readings{}, 0
		if s.events != nil {
			s.events(at, w)
		}
		d.take(at, &v)
		if s.see != nil {
			s.see(at, w)
		}
	}
	return w
}

// recorder returns what gives the readings of minute after minute.
func (s *site) recorder(t testing.TB) func() (dewline.Millis, readings) {
	t.Helper()
	truth := s.truth(t)
	rng := rand.New(rand.NewPCG(s.seed, 3))
	minute := 0
	return func() (dewline.Millis, readings) {
		unix := s.from + float64(minute)*60
		n := truth(minute)
		minute++
		return dewline.Millis(unix * 1000), s.read(n, rng)
	}
}

// played keeps what machines without faults do, which many tests look at.
var played = map[string][]plant.Now{}

// truth returns the true state by minutes, to be asked for in order.
func (s *site) truth(t testing.TB) func(minute int) *plant.Now {
	t.Helper()
	_, m := s.system(t)
	weather := s.weather
	r := plant.NewRun(m, &weather, s.use, s.courses, s.seed+1)
	if len(s.courses) > 0 {
		return func(minute int) *plant.Now { return r.Step(s.from + float64(minute)*60) }
	}
	key := fmt.Sprintf("%+v", []any{s.spec, s.use, s.weather, s.from, s.seed})
	if len(played[key]) < s.days*1440 {
		nows := make([]plant.Now, s.days*1440)
		for minute := range nows {
			nows[minute] = *r.Step(s.from + float64(minute)*60)
		}
		played[key] = nows
	}
	return func(minute int) *plant.Now { return &played[key][minute] }
}

// driver offers readings to a watch as the engine does.
type driver struct {
	w          *sensor.Watch
	m          *cycle.Machine
	interval   time.Duration
	mean       bool
	suspicious func(at dewline.Millis) bool

	fr      cycle.Frame
	f       cycle.Features
	running bool
	mode    dewline.Mode
	since   dewline.Millis
}

func (d *driver) take(at dewline.Millis, v *readings) {
	for p := dewline.Point(1); int(p) < len(v); p++ {
		switch {
		case math.IsNaN(v[p]):
		case !sensor.Plausible(d.m, p, v[p]):
			d.w.Implausible(p, at, v[p])
		default:
			d.fr.Set(p, at, v[p])
		}
	}
	if d.fr.At != at {
		return
	}
	d.m.Evaluate(&d.fr, &d.f)
	on, known, _ := d.m.Running(&d.fr, &d.f)
	mode := d.f.Mode
	if on != d.running || on && mode != d.mode || d.since == 0 {
		d.running, d.mode, d.since = on, mode, at
	}
	d.w.Frame(d.m, &d.fr, &d.f, sensor.Situation{
		Running: on, Known: known, Since: d.since, Steady: on && at-d.since >= 12*60_000, Mode: mode, Interval: d.interval, Mean: d.mean,
		Suspicious: d.suspicious != nil && d.suspicious(at),
	})
}

var (
	comfortSplit = site{spec: plant.Spec{Refrigerant: "R-410A", Metering: plant.Orifice, CapacityW: 10500, SuperheatK: 7}, kind: dewline.SplitAC,
		use: plant.Use{LoadShare: 0.7, SetC: 23.5, BandK: 1, SetbackK: 3, OpenH: 7, CloseH: 19, SolarShare: 0.2}, weather: town, from: july, days: 14}
	heatPump = site{spec: plant.Spec{Refrigerant: "R-410A", Metering: plant.ThermostaticValve, CapacityW: 10500, HeatPump: true}, kind: dewline.HeatPump,
		use:     plant.Use{Duty: plant.HeatsRoom, LoadShare: 0.7, SetC: 24, HeatSetC: 20.5, BandK: 1, CloseH: 24},
		weather: plant.Weather{Seed: 3, MeanC: 3, DayC: 4, SwingC: 2, DewGapK: 0.8, Noon: 12.5}, from: january, days: 14}
	walkIn = site{spec: plant.Spec{Refrigerant: "R-134a", Metering: plant.ThermostaticValve, Compressor: plant.Reciprocating, CapacityW: 4000, Cold: true,
		RatedIndoorC: 2, Receiver: true, HeadControlC: 29}, kind: dewline.WalkInCooler,
		use:     plant.Use{Duty: plant.ColdRoom, LoadShare: 0.6, SetC: 2, BandK: 2, SpaceRH: 85, OpenH: 6, CloseH: 20, DoorsPerHour: 6, DefrostEachH: 6, DefrostMin: 18, PumpDown: true},
		weather: town, from: july, days: 14}
)

func TestHealthyMachinesGiveNoDoubt(t *testing.T) {
	for name, s := range map[string]site{"comfort split": comfortSplit, "heat pump with defrost": heatPump, "walk-in with pump-down": walkIn} {
		t.Run(name, func(t *testing.T) {
			s.see = func(at dewline.Millis, w *sensor.Watch) {
				if d := w.Doubts(nil); len(d) > 0 {
					t.Fatalf("%s: %+v", at.Time(), d)
				}
			}
			s.run(t)
		})
	}
}
