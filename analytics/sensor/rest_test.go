package sensor_test

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
	"time"

	"dewline"
	"dewline/analytics/cycle"
	"dewline/analytics/sensor"
	"dewline/thermo/si"
)

// manual returns the gauge pressures in Pa by whole degrees Fahrenheit that a manufacturer's installation
// manual for an R-410A split prints (48478A006, table 5; 65 °F is a misprint there).
func manual(t *testing.T) map[int]float64 {
	t.Helper()
	f, err := os.Open("../../testdata/refrigerants/pt_r410a_manual.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	pa := map[int]float64{}
	for _, r := range rows[1:] {
		deg, err := strconv.Atoi(r[0])
		if err != nil {
			t.Fatal(err)
		}
		psi, err := strconv.ParseFloat(r[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		pa[deg] = float64(si.FromPSI(psi))
	}
	return pa
}

// resting is an R-410A split that runs by day and stands by night, each night at another temperature.
type resting struct {
	metering dewline.Metering
	pumpDown bool
	indoorF  int
	nights   []int                           // outdoors, °F
	change   func(v *readings, pressure int) // what sensors or circuit add at rest; pressure is the night's °F
	coolest  func(outdoorF int) int          // whose saturation pressure stands there; nil: the colder air's
}

func (r *resting) machine(t *testing.T) *cycle.Machine {
	t.Helper()
	sys := &dewline.System{ID: "quay/hall", Refrigerant: "R-410A", Kind: dewline.SplitAC, Metering: r.metering, PumpDown: r.pumpDown, Points: []dewline.PointFitting{
		{Point: dewline.SuctionPressure, Reference: dewline.SealedGauge, StatedAccuracy: 8000}, {Point: dewline.LiquidPressure, Reference: dewline.SealedGauge, StatedAccuracy: 20000},
		{Point: dewline.SuctionTemp, StatedAccuracy: 0.5}, {Point: dewline.LiquidTemp, StatedAccuracy: 0.5}, {Point: dewline.OutdoorAirTemp}, {Point: dewline.ReturnAirTemp},
	}}
	m, err := cycle.NewMachine(sys, &dewline.Site{ID: "quay"})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func (r *resting) watch(t *testing.T) *sensor.Watch {
	t.Helper()
	chart, m := manual(t), r.machine(t)
	w := &sensor.Watch{}
	d := driver{w: w, m: m, interval: 5 * time.Minute}
	indoor := si.FromFahrenheit(float64(r.indoorF)).Celsius()
	for k, deg := range append(r.nights, 70) { // the last day closes the last night
		outdoor := si.FromFahrenheit(float64(deg)).Celsius()
		for minute := 0; minute < 1440; minute += 5 {
			at := dewline.Millis(july*1000) + dewline.Millis(k)*day + dewline.Millis(minute)*60_000
			v := readings{}
			for i := range v {
				v[i] = math.NaN()
			}
			wiggle := 0.05 * math.Sin(float64(minute)) // nothing is quite still
			v[dewline.OutdoorAirTemp], v[dewline.ReturnAirTemp] = outdoor+wiggle, indoor-wiggle
			v[dewline.CompressorOn] = flag(minute >= 600 && minute < 1200)
			switch {
			case v[dewline.CompressorOn] != 0:
				v[dewline.SuctionPressure], v[dewline.LiquidPressure] = chart[42], chart[105]
				v[dewline.SuctionTemp], v[dewline.LiquidTemp] = 12, 35
				v[dewline.OutdoorAirTemp] = 29 + wiggle
			default:
				at := min(deg, r.indoorF)
				if r.coolest != nil {
					at = r.coolest(deg)
				}
				v[dewline.SuctionPressure], v[dewline.LiquidPressure] = chart[at]+300*wiggle, chart[at]-200*wiggle
				v[dewline.SuctionTemp], v[dewline.LiquidTemp] = outdoor+0.4+wiggle, outdoor+0.2-wiggle
				if r.change != nil {
					r.change(&v, deg)
				}
			}
			d.take(at, &v)
		}
	}
	return w
}

var mildNights = []int{62, 60, 66, 58, 63, 68, 61}

// TestOffsetAgainstPublishedPressures: at rest the pressure is the manual's at the coldest air. A suction
// transducer that reads 10 psi high is found with its size; the other one is left alone.
func TestOffsetAgainstPublishedPressures(t *testing.T) {
	ten := float64(si.FromPSI(10))
	r := resting{metering: dewline.FixedOrifice, indoorF: 74, nights: mildNights, change: func(v *readings, _ int) { v[dewline.SuctionPressure] += ten }}
	w := r.watch(t)
	value, u, ok := w.Offset(dewline.SuctionPressure)
	if !ok || math.Abs(value+ten) > u || u > 40_000 { // it may be the other one still
		t.Errorf("suction pressure: add %.1f ±%.1f kPa (%v), want %.1f", value/1000, u/1000, ok, -ten/1000)
	}
	if value, u, ok := w.Offset(dewline.LiquidPressure); !ok || math.Abs(value) > u {
		t.Errorf("liquid pressure: add %.1f ±%.1f kPa (%v), want 0", value/1000, u/1000, ok)
	}
	d := believed(w)
	if len(d) != 1 || d[0].Point != dewline.SuctionPressure || d[0].Kind != sensor.Offset || math.Abs(d[0].Size+ten) > 5000 {
		t.Errorf("doubts: %+v", d)
	}
	if len(d) > 0 {
		t.Log(d[0].Evidence)
	}

	w.Replaced(dewline.SuctionPressure, dewline.Millis(july*1000)+9*day)
	if _, _, ok := w.Offset(dewline.SuctionPressure); ok || len(w.Doubts(nil)) > 0 {
		t.Errorf("after the sensor was replaced: %+v", w.Doubts(nil))
	}
}

// TestGoodSensorsAgreeWithThePublishedPressures holds the saturation line and the whole way to it to the
// manual: both transducers are right within what five nights can tell.
func TestGoodSensorsAgreeWithThePublishedPressures(t *testing.T) {
	r := resting{metering: dewline.TXV, indoorF: 74, nights: mildNights}
	w := r.watch(t)
	for _, p := range []dewline.Point{dewline.SuctionPressure, dewline.LiquidPressure} {
		if v, _, ok := w.Offset(p); !ok || math.Abs(v) > 4000 {
			t.Errorf("%s: add %.1f kPa (%v), want 0", p, v/1000, ok)
		}
	}
	if d := w.Doubts(nil); len(d) > 0 {
		t.Errorf("doubts: %+v", d)
	}
}

// TestWhatIsCommonToBothIsNoSensor: air in the circuit lifts both pressures at rest, a machine without
// liquid has both too low; neither is a transducer's error.
func TestWhatIsCommonToBothIsNoSensor(t *testing.T) {
	for _, add := range []float64{180_000, -350_000} {
		r := resting{metering: dewline.FixedOrifice, indoorF: 74, nights: mildNights, change: func(v *readings, _ int) {
			v[dewline.SuctionPressure] += add
			v[dewline.LiquidPressure] += add
		}}
		if d := r.watch(t).Doubts(nil); len(d) > 0 {
			t.Errorf("%+.0f kPa on both: %+v", add/1000, d)
		}
	}
}

// TestTheStandingPressureOfAirInTheCircuit: at rest both pressures stand above the manual's at the coldest air, and by
// how much is told; with the refrigerant alone they stand at it.
func TestTheStandingPressureOfAirInTheCircuit(t *testing.T) {
	chart := manual(t)
	const lifted = 6 // °F of saturation, by the manual
	for _, c := range []struct {
		name   string
		change func(v *readings, deg int)
		want   float64 // K
		known  bool
	}{
		{"refrigerant alone", nil, 0, true},
		{"air", func(v *readings, deg int) {
			v[dewline.SuctionPressure] += chart[deg+lifted] - chart[deg]
			v[dewline.LiquidPressure] += chart[deg+lifted] - chart[deg]
		}, lifted / 1.8, true},
		{"one transducer off", func(v *readings, _ int) { v[dewline.LiquidPressure] += 90_000 }, 0, false},
	} {
		r := resting{metering: dewline.TXV, indoorF: 74, nights: mildNights, change: c.change}
		above, u, ok := r.watch(t).Standing(r.machine(t), 0)
		if ok != c.known || ok && (math.Abs(above-c.want) > 0.4 || u > 1.3) {
			t.Errorf("%s: %.2f K above the air, ±%.2f, known %v; want %.2f, %v", c.name, above, u, ok, c.want, c.known)
		}
	}
	r := resting{metering: dewline.TXV, indoorF: 74, nights: mildNights}
	if _, _, ok := r.watch(t).Standing(r.machine(t), dewline.Millis(july*1000)+6*day+1); ok {
		t.Error("two nights are told of where only one is since the visit")
	}
}

// TestPressuresThatDoNotMeet: with the low side pumped down, or behind a valve that does not bleed while
// each coil has its own temperature, standing pressures say nothing of the transducers.
func TestPressuresThatDoNotMeet(t *testing.T) {
	chart := manual(t)
	warm := []int{86, 84, 88, 85, 90, 87, 86}
	apart := func(v *readings, deg int) { v[dewline.LiquidPressure] = chart[deg] }
	for name, r := range map[string]resting{
		"pump-down":                   {metering: dewline.TXV, pumpDown: true, indoorF: 74, nights: mildNights, change: func(v *readings, _ int) { v[dewline.SuctionPressure] = 150_000 }},
		"valve that does not bleed":   {metering: dewline.TXV, indoorF: 74, nights: warm, change: apart},
		"solenoid before the orifice": {metering: dewline.FixedOrifice, indoorF: 74, nights: warm, change: apart},
	} {
		t.Run(name, func(t *testing.T) {
			w := r.watch(t)
			if v, _, ok := w.Offset(dewline.SuctionPressure); ok {
				t.Errorf("an offset of %.1f kPa from pressures that never met", v/1000)
			}
			if d := w.Doubts(nil); len(d) > 0 {
				t.Errorf("doubts: %+v", d)
			}
		})
	}
}

// TestRestTellsLinesAndAir: at rest a clamp that reads far off all the air around is wrong; where line and
// refrigerant agree with each other and not with the outdoor air, that sensor is.
func TestRestTellsLinesAndAir(t *testing.T) {
	r := resting{metering: dewline.FixedOrifice, indoorF: 74, nights: mildNights, change: func(v *readings, _ int) { v[dewline.LiquidTemp] -= 6 }}
	if d := believed(r.watch(t)); len(d) != 1 || d[0].Point != dewline.LiquidTemp || d[0].Kind != sensor.Offset || math.Abs(d[0].Size-6) > 1 {
		t.Errorf("liquid clamp 6 K low: %+v", d)
	}
	// Between the airs of both rooms, and still not where the refrigerant says that it is.
	r.change = func(v *readings, _ int) { v[dewline.LiquidTemp] += 6 }
	if d := believed(r.watch(t)); len(d) != 1 || d[0].Point != dewline.LiquidTemp || d[0].Kind != sensor.Offset || math.Abs(d[0].Size+6) > 1 {
		t.Errorf("liquid clamp 6 K high: %+v", d)
	}
	r.change = func(v *readings, _ int) { v[dewline.OutdoorAirTemp] += 6 }
	r.nights = []int{52, 50, 56, 48, 53, 51, 54}
	if d := believed(r.watch(t)); len(d) != 1 || d[0].Point != dewline.OutdoorAirTemp || d[0].Kind != sensor.Offset || math.Abs(d[0].Size+6) > 1.5 {
		t.Errorf("outdoor air 6 K high: %+v", d)
	}
}

// TestShortRestsTellTheDifference: a machine with a fixed bore that never stands for a night still shows that
// one of its transducers is wrong, though hardly which.
func TestShortRestsTellTheDifference(t *testing.T) {
	s := comfortSplit
	s.every, s.days = 60, 14
	s.use.SetbackK, s.use.OpenH, s.use.CloseH, s.use.LoadShare, s.use.SolarShare = 0, 0, 24, 0.6, 0
	s.weather.DayC = 2
	from := dewline.Millis(s.from*1000) + 6*day
	s.change = faulty(from, func(_ dewline.Millis, v *readings) { v[dewline.LiquidPressure] -= 150_000 })
	found := false
	s.see = func(at dewline.Millis, w *sensor.Watch) {
		for _, d := range believed(w) {
			if at < from {
				t.Fatalf("%s, before anything is wrong: %+v", at.Time(), d)
			}
			if d.Kind != sensor.Offset {
				t.Fatalf("%s: %+v", at.Time(), d)
			}
			found = found || d.Point == dewline.LiquidPressure && math.Abs(d.Size-150_000) < 15_000
		}
	}
	if w := s.run(t); !found {
		t.Errorf("not found; at the end %+v", w.Doubts(nil))
	}
}
