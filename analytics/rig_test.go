package analytics

import (
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"

	"dewline"
	"dewline/analytics/diagnose"
	"dewline/analytics/expect"
	"dewline/thermo"
	"dewline/thermo/si"
)

// rig is a machine of a story that goes on for weeks, in weather, with what its sensors make of it.
type rig struct {
	sys   dewline.System
	days  int
	every int // minutes
	seed  uint64
	// off is by how much the machine is away from a healthy one, by days since the epoch.
	off func(day float64) diagnose.Vector
	// change is what happens to the readings on their way.
	change func([]dewline.Sample) []dewline.Sample
	events []dewline.Event
}

const rigID = dewline.SystemID("quay/rig")

// newRig is a healthy machine with the points of a well-fitted comfort system.
func newRig(refrigerant string, metering dewline.Metering, days int) *rig {
	r := &rig{days: days, every: 5, seed: 1}
	r.sys = dewline.System{ID: rigID, Refrigerant: refrigerant, Kind: dewline.SplitAC, Metering: metering, TargetSubcooling: 5.6}
	for p, accuracy := range map[dewline.Point]float64{
		dewline.SuctionPressure: 8000, dewline.LiquidPressure: 20000, dewline.SuctionTemp: 0.5, dewline.LiquidTemp: 0.5, dewline.OutdoorAirTemp: 0.5,
		dewline.ReturnAirTemp: 0.5, dewline.ReturnAirRH: 3, dewline.SupplyAirTemp: 0.5, dewline.CompressorPower: 50, dewline.CompressorOn: 0,
	} {
		r.sys.Points = append(r.sys.Points, dewline.PointFitting{Point: p, StatedAccuracy: accuracy})
	}
	slices.SortFunc(r.sys.Points, func(a, b dewline.PointFitting) int { return int(a.Point) - int(b.Point) })
	return r
}

// without takes points off the machine.
func (r *rig) without(points ...dewline.Point) *rig {
	r.sys.Points = slices.DeleteFunc(r.sys.Points, func(f dewline.PointFitting) bool { return slices.Contains(points, f.Point) })
	return r
}

func (r *rig) fleet() *dewline.Fleet {
	return dewline.NewFleet([]dewline.Owner{{ID: "town"}}, []dewline.Site{{ID: "quay", Owner: "town", Systems: []dewline.System{r.sys}}})
}

// saturated are pressures by refrigerant, side and hundredths of a degree: the equations are slow for weeks.
var saturated sync.Map

type saturatedKey struct {
	refrigerant string
	dew         bool
	centi       int
}

func pressureAt(t testing.TB, refrigerant string, c float64, dew bool) float64 {
	k := saturatedKey{refrigerant, dew, int(math.Round(100 * c))}
	if v, ok := saturated.Load(k); ok {
		return v.(float64)
	}
	f, err := thermo.Lookup(refrigerant)
	if err != nil {
		t.Fatal(err)
	}
	at := f.BubbleAt
	if dew {
		at = f.DewAt
	}
	s, err := at(si.FromCelsius(float64(k.centi) / 100))
	if err != nil {
		t.Fatal(err)
	}
	saturated.Store(k, float64(s.Pressure))
	return float64(s.Pressure)
}

// story is what the gateway of the rig sends, in order of time.
func (r *rig) story(t testing.TB) []dewline.Sample {
	t.Helper()
	const ambient = 101_325
	rng := rand.New(rand.NewPCG(r.seed, 77))
	scatter := func(sd float64) float64 { return sd * rng.NormFloat64() }
	var all []dewline.Sample
	for min := 0; min < r.days*1440; min += r.every {
		day := float64(min) / 1440
		at := epoch + dewline.Millis(min)*minute
		send := func(p dewline.Point, v float64) {
			if r.sys.Fitted(p) {
				all = append(all, dewline.Sample{System: rigID, Point: p, At: at, Value: v})
			}
		}
		outdoor := 27 + 5*math.Sin(2*math.Pi*(day-0.4)) + 2*math.Sin(1.3*math.Floor(day)) + scatter(0.2)
		inside := 24 + 0.5*math.Sin(0.7*math.Floor(day)) + scatter(0.1)
		const rh = 50.0
		on := min%120 < 80
		var off diagnose.Vector
		if r.off != nil {
			off = r.off(day)
		}
		wetBulb, _ := expect.WetBulb(inside, rh, ambient)
		superheat := 8.5
		if !r.sys.Metering.HoldsSuperheat() {
			superheat = max(expect.TargetSuperheat(outdoor, wetBulb).Value, 3)
		}
		superheat += off[diagnose.Superheat] + scatter(0.4)
		subcooling := 5.6 + off[diagnose.Subcooling] + scatter(0.25)
		dew := 7.2 + 0.11*(outdoor-28) + 0.45*(inside-24) + off[diagnose.SuctionDew] + scatter(0.2)
		bubble := outdoor + 11.2 + off[diagnose.OverAmbient] + scatter(0.25)
		split := 10.7 - 0.08*(outdoor-28) + off[diagnose.AirSplit] + scatter(0.2)
		power := 1700 * math.Exp(0.025*(outdoor-28)+off[diagnose.LogPower]+scatter(0.01))
		suction, liquid := dew+superheat, bubble-subcooling
		low, high := pressureAt(t, r.sys.Refrigerant, dew, true), pressureAt(t, r.sys.Refrigerant, bubble, false)
		if !on { // the pressures meet at the coldest coil
			low = pressureAt(t, r.sys.Refrigerant, math.Min(outdoor, inside)+scatter(0.05), true)
			high, suction, liquid, split, power = low, inside+scatter(0.2), outdoor+scatter(0.2), scatter(0.2), 0
		}
		send(dewline.SuctionPressure, low-ambient)
		send(dewline.LiquidPressure, high-ambient)
		send(dewline.SuctionTemp, suction)
		send(dewline.LiquidTemp, liquid)
		send(dewline.OutdoorAirTemp, outdoor)
		send(dewline.ReturnAirTemp, inside)
		send(dewline.ReturnAirRH, rh+scatter(0.5))
		send(dewline.SupplyAirTemp, inside-split)
		send(dewline.CompressorPower, power)
		send(dewline.CompressorCurrent, power/(230*0.9))
		send(dewline.CompressorOn, map[bool]float64{true: 1}[on])
	}
	if r.change != nil {
		all = r.change(all)
	}
	return all
}

// means turns readings into the means of quarter hours, stamped at their end.
func (r *rig) means() *rig {
	for i := range r.sys.Points {
		r.sys.Points[i].Sampling = dewline.Sampling{Kind: dewline.SampledMean, Interval: 15 * time.Minute}
	}
	before := r.change
	r.change = func(all []dewline.Sample) []dewline.Sample {
		if before != nil {
			all = before(all)
		}
		type slot struct {
			at dewline.Millis
			p  dewline.Point
		}
		sum, n := map[slot]float64{}, map[slot]float64{}
		var order []slot
		for _, s := range all {
			k := slot{quarterOf(s.At) + 15*minute, s.Point}
			if n[k] == 0 {
				order = append(order, k)
			}
			sum[k] += s.Value
			n[k]++
		}
		slices.SortStableFunc(order, func(a, b slot) int { return int((a.at-b.at)/minute)*100 + int(a.p) - int(b.p) })
		var out []dewline.Sample
		for _, k := range order {
			v := sum[k] / n[k]
			if k.p.Dimension() == dewline.Boolean {
				v = math.Round(v)
			}
			out = append(out, dewline.Sample{System: rigID, Point: k.p, At: k.at, Value: v})
		}
		return out
	}
	return r
}

// run lets an engine live through the story.
func (r *rig) run(t testing.TB) (Output, *system) {
	t.Helper()
	e := newTestEngine(t, r.fleet())
	e.Offer(nil, r.events...)
	e.Offer(r.story(t))
	e.Finish()
	var out Output
	e.Drain(&out)
	return out, e.systems[rigID]
}

// onMachine are the findings that blame the machine.
func onMachine(out Output) []dewline.Finding {
	return slices.DeleteFunc(slices.Clone(out.Findings), func(f dewline.Finding) bool {
		return f.Condition == dewline.SensorDoubt || f.Condition == dewline.Silent
	})
}

func dayAt(day float64) dewline.Millis { return epoch + dewline.Millis(day*86_400_000) }

// placeOf returns the place of a fault among causes, from 1; 0 if it is not there.
func placeOf(causes []dewline.Cause, f dewline.Fault) int {
	return 1 + slices.IndexFunc(causes, func(c dewline.Cause) bool { return c.Fault == f })
}
