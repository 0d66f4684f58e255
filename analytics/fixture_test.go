package analytics

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline"
	"dewline/thermo"
	"dewline/thermo/si"
)

// facts lets the fleet file of the tests be read.
type facts struct{}

func (facts) Designation(name string) (string, error) { return thermo.Designation(name) }

// testFleet has three systems at one site and one at another.
func testFleet(t testing.TB) *dewline.Fleet {
	t.Helper()
	points := `
        points:
          suction_pressure: {accuracy: 8 kPa}
          liquid_pressure: {accuracy: 20 kPa}
          suction_temp: {accuracy: 0.5 K}
          liquid_temp: {accuracy: 0.5 K}
          outdoor_air_temp: {accuracy: 0.5 K}
          compressor_on: {}
`
	file := `
owners:
  - {id: town, name: Town}
sites:
  - id: quay
    owner: town
    altitude: 12 m
    systems:
      - id: hall
        kind: split_ac
        refrigerant: R-410A
        metering: fixed_orifice` + points + `
      - id: office
        kind: split_ac
        refrigerant: R-454B
        metering: txv` + points + `
      - id: cellar
        kind: walk_in_cooler
        refrigerant: R-134a
        metering: txv` + points + `
  - id: mole
    owner: town
    altitude: 3 m
    systems:
      - id: kiosk
        kind: split_ac
        refrigerant: R-32
        metering: eev` + points
	f, err := dewline.ReadFleet("fleet.yaml", []byte(file), facts{})
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// moment is what a machine of the tests does at a time.
type moment struct {
	running    bool
	sh, sc     float64 // K
	evap, cond float64 // Cel, dew and bubble
	outdoor    float64 // Cel
}

var quiet = moment{running: true, sh: 7, sc: 6, evap: 5, cond: 42, outdoor: 30}

// readings returns the readings of a system at a time, as its sensors would send them.
func readings(t testing.TB, fleet *dewline.Fleet, id dewline.SystemID, at dewline.Millis, m moment) []dewline.Sample {
	t.Helper()
	sys, _ := fleet.System(id)
	site, _ := fleet.Site(id.Site())
	r, err := thermo.Lookup(sys.Refrigerant)
	if err != nil {
		t.Fatal(err)
	}
	ambient, err := thermo.AmbientPressure(thermo.Gauge, site.Altitude)
	if err != nil {
		t.Fatal(err)
	}
	dew, err := r.DewAt(si.FromCelsius(m.evap))
	if err != nil {
		t.Fatal(err)
	}
	bubble, err := r.BubbleAt(si.FromCelsius(m.cond))
	if err != nil {
		t.Fatal(err)
	}
	low, high := dew.Pressure, bubble.Pressure
	on := 1.0
	if !m.running {
		on = 0
	}
	value := func(p dewline.Point, v float64) dewline.Sample {
		return dewline.Sample{System: id, Point: p, At: at, Value: v}
	}
	return []dewline.Sample{
		value(dewline.SuctionPressure, float64(low-ambient)),
		value(dewline.LiquidPressure, float64(high-ambient)),
		value(dewline.SuctionTemp, m.evap+m.sh),
		value(dewline.LiquidTemp, m.cond-m.sc),
		value(dewline.OutdoorAirTemp, m.outdoor),
		value(dewline.CompressorOn, on),
	}
}

// epoch is when the stories of the tests begin: 2031-07-02 00:00 UTC.
var epoch = dewline.MillisOf(time.Date(2031, 7, 2, 0, 0, 0, 0, time.UTC))

// story is the readings of a span of minutes, in order of time; what says what each machine does,
// and false where it sends nothing.
func story(t testing.TB, fleet *dewline.Fleet, minutes, every int, what func(id dewline.SystemID, min int) (moment, bool)) []dewline.Sample {
	var all []dewline.Sample
	for min := 0; min < minutes; min += every {
		for _, s := range fleet.Systems() {
			if m, ok := what(s.ID, min); ok {
				all = append(all, readings(t, fleet, s.ID, epoch+dewline.Millis(min)*minute, m)...)
			}
		}
	}
	return all
}

// analyse offers all at once to a new engine and returns what it found by the end.
func analyse(t testing.TB, fleet *dewline.Fleet, all []dewline.Sample) Output {
	t.Helper()
	e := newTestEngine(t, fleet)
	e.Offer(all)
	e.Finish()
	var out Output
	e.Drain(&out)
	return out
}

func newTestEngine(t testing.TB, fleet *dewline.Fleet) *Engine {
	t.Helper()
	e := NewEngine(DefaultOptions())
	if err := e.SetFleet(fleet); err != nil {
		t.Fatal(err)
	}
	return e
}

// told writes findings as text in the order of systems; each system's own order is kept.
func told(findings []dewline.Finding) string {
	lines := map[string][]string{}
	for _, f := range findings {
		key := string(f.System)
		if key == "" {
			key = f.Systems[0].Site()
		}
		lines[key] = append(lines[key], fmt.Sprintf("%s %v %s %s onset %s detected %s cleared %s causes %v %s\n", key, f.Systems, f.Condition, f.Severity,
			clock(f.Onset), clock(f.Detected), clock(f.Cleared), f.Causes, strings.Join(f.Evidence, "; ")))
	}
	var keys []string
	for k := range lines {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	var b strings.Builder
	for _, k := range keys {
		b.WriteString(strings.Join(lines[k], ""))
	}
	return b.String()
}

func clock(m dewline.Millis) string {
	if m == 0 {
		return "-"
	}
	return m.Time().Format("02T15:04")
}

// memoryStore is a dewline.Readings in memory.
type memoryStore struct {
	series map[dewline.SystemID]map[dewline.Point][]dewline.Value
}

func newMemoryStore(all []dewline.Sample) *memoryStore {
	s := &memoryStore{map[dewline.SystemID]map[dewline.Point][]dewline.Value{}}
	if _, err := s.Append(context.Background(), all, nil); err != nil {
		panic(err)
	}
	return s
}

func (s *memoryStore) Append(_ context.Context, batch []dewline.Sample, dst []dewline.Outcome) ([]dewline.Outcome, error) {
	for _, v := range batch {
		if s.series[v.System] == nil {
			s.series[v.System] = map[dewline.Point][]dewline.Value{}
		}
		list := s.series[v.System][v.Point]
		i, found := slices.BinarySearchFunc(list, v.At, func(a dewline.Value, at dewline.Millis) int { return int(a.At - at) })
		outcome := dewline.Stored
		if found {
			outcome = dewline.Repeated
		} else {
			s.series[v.System][v.Point] = slices.Insert(list, i, dewline.Value{At: v.At, Value: v.Value})
		}
		dst = append(dst, outcome)
	}
	return dst, nil
}

func (s *memoryStore) Read(_ context.Context, id dewline.SystemID, p dewline.Point, from, to dewline.Millis, dst []dewline.Value) ([]dewline.Value, error) {
	for _, v := range s.series[id][p] {
		if v.At >= from && v.At < to {
			dst = append(dst, v)
		}
	}
	return dst, nil
}

func (s *memoryStore) Newest(_ context.Context, id dewline.SystemID) ([]dewline.Sample, error) {
	var newest []dewline.Sample
	for _, p := range dewline.Points() {
		if list := s.series[id][p]; len(list) > 0 {
			v := list[len(list)-1]
			newest = append(newest, dewline.Sample{System: id, Point: p, At: v.At, Value: v.Value})
		}
	}
	return newest, nil
}

func (s *memoryStore) Close() error { return nil }

// restless is a story with something of everything: short runs, flooding that comes and goes,
// starving, a system and then a whole site that fall silent.
func restless(t testing.TB, fleet *dewline.Fleet, days int, seed uint64) []dewline.Sample {
	rng := rand.New(rand.NewPCG(seed, 1))
	noise := func() float64 { return rng.NormFloat64() * 0.1 }
	return story(t, fleet, days*24*60, 5, func(id dewline.SystemID, min int) (moment, bool) {
		m := quiet
		m.sh += noise()
		m.sc += noise()
		m.evap += noise()
		m.running = min%120 < 80
		day := min / (24 * 60)
		switch {
		case id == "quay/hall" && day == 1:
			m.sh, m.sc = -1+noise(), 15
		case id == "quay/office" && day >= 1 && day < 3:
			m.sh, m.sc = 18+noise(), 0.5
		case id == "quay/cellar" && day == 2 && min%(24*60) > 600 && min%(24*60) < 900:
			return m, false
		}
		if id.Site() == "quay" && day == 4 && min%(24*60) < 300 {
			return m, false
		}
		return m, true
	})
}
