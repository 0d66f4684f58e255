package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sync"
	"time"

	"dewline"
	"dewline/thermo"
	"dewline/thermo/si"
)

// benchMachine makes the readings of one system, as ten sensors with the noise and the resolution of
// common ones (0.1 K, 1 kPa) would send them. It is a caricature of a machine, cheap enough for a
// million readings a second; pressures are those of the refrigerant, so that superheat and
// subcooling come out as meant. The plant model is for what the readings must mean.
type benchMachine struct {
	id    dewline.SystemID
	topic string
	rng   *rand.Rand
	shift dewline.Millis // of its cycle
	wet   bool           // its superheat is gone, so that there is something to find
}

// benchRefrigerant fills every machine of a bench.
const benchRefrigerant = "R-410A"

// benchPoints are what a machine of a bench has fitted, in the order of its readings.
var benchPoints = []dewline.Point{
	dewline.SuctionPressure, dewline.LiquidPressure, dewline.SuctionTemp, dewline.LiquidTemp, dewline.DischargeTemp,
	dewline.OutdoorAirTemp, dewline.ReturnAirTemp, dewline.SupplyAirTemp, dewline.CompressorCurrent, dewline.CompressorOn,
}

// benchSaturation is the gauge pressures of saturation, whole degrees from benchColdest on.
type benchSaturation struct{ dew, bubble []float64 } // Pa

const benchColdest, benchHottest = -20, 66 // Cel

var benchSaturated = sync.OnceValues(func() (benchSaturation, error) {
	var s benchSaturation
	r, err := thermo.Lookup(benchRefrigerant)
	if err != nil {
		return s, err
	}
	air, err := thermo.AmbientPressure(thermo.Gauge, benchAltitude)
	if err != nil {
		return s, err
	}
	for t := benchColdest; t <= benchHottest; t++ {
		dew, err := r.DewAt(si.FromCelsius(float64(t)))
		if err != nil {
			return s, err
		}
		bubble, err := r.BubbleAt(si.FromCelsius(float64(t)))
		if err != nil {
			return s, err
		}
		s.dew, s.bubble = append(s.dew, float64(dew.Pressure-air)), append(s.bubble, float64(bubble.Pressure-air))
	}
	return s, nil
})

// between interpolates, which is good to a thousandth over one degree.
func between(line []float64, tempC float64) float64 {
	x := min(max(tempC-benchColdest, 0), float64(len(line)-1)-1e-9)
	i := int(x)
	return line[i] + (x-float64(i))*(line[i+1]-line[i])
}

const benchAltitude si.Metre = 12

// newBenchMachine returns machine number n of a bench.
func newBenchMachine(id dewline.SystemID, seed uint64, n int) *benchMachine {
	return &benchMachine{
		id: id, topic: "dewline/" + string(id) + "/readings",
		rng:   rand.New(rand.NewPCG(seed, uint64(n))),
		shift: dewline.Millis(n*37%60) * 60_000,
		wet:   n%100 == 7,
	}
}

// readings appends what the sensors say at a time. Called for the same times in the same order, it
// gives the same values.
func (m *benchMachine) readings(at dewline.Millis, dst []dewline.Sample) []dewline.Sample {
	const hour, day = 3_600_000, 24 * 3_600_000
	sat, _ := benchSaturated() // its error was seen when the fleet was made
	noisy := func(v, noise, scale float64) float64 { return math.Round((v+noise*m.rng.NormFloat64())*scale) / scale }
	outdoor := 28 + 6*math.Sin((float64(at%day)/day-0.375)*2*math.Pi)
	on := 0.0
	if (at+m.shift)%hour < hour*3/4 {
		on = 1
	}
	evaporating, condensing, superheat, subcooling := 24.0, 24.0, 0.0, 0.0 // at rest
	if on == 1 {
		evaporating, condensing, superheat, subcooling = 6, outdoor+14, 7, 6
		if m.wet {
			superheat, subcooling = 0, 14
		}
	}
	for i, v := range [...]float64{
		noisy(between(sat.dew, evaporating), 2000, 1e-3),
		noisy(between(sat.bubble, condensing), 5000, 1e-3),
		noisy(evaporating+superheat, 0.15, 10),
		noisy(condensing-subcooling, 0.15, 10),
		noisy(30+on*45, 0.5, 10),
		noisy(outdoor, 0.1, 10),
		noisy(24, 0.1, 10),
		noisy(23-on*10, 0.2, 10),
		noisy(on*8.4, on*0.05, 10),
		on,
	} {
		dst = append(dst, dewline.Sample{System: m.id, Point: benchPoints[i], At: at, Value: v})
	}
	return dst
}

// benchFleet is what a bench enrols: as many sites as gateways, one gateway each, and the systems
// spread over them.
type benchFleet struct {
	fleet *dewline.Fleet
	sites [][]*benchMachine
}

// The site, gateway and system by which a bench finds out when a reading can be read back.
const (
	probeSite   = "probe"
	benchGW     = "gw"
	probeSystem = dewline.SystemID(probeSite + "/probe")
)

func newBenchFleet(gateways, systems int, seed uint64) (*benchFleet, error) {
	if gateways < 1 || systems < gateways {
		return nil, fmt.Errorf("%d gateways for %d systems: at least one gateway, and a system for each, are needed", gateways, systems)
	}
	if _, err := benchSaturated(); err != nil {
		return nil, err
	}
	b := &benchFleet{sites: make([][]*benchMachine, gateways)}
	owners := []dewline.Owner{{ID: "bench", Name: "Bench"}}
	var sites []dewline.Site
	site := func(id string) *dewline.Site {
		sites = append(sites, dewline.Site{ID: id, Name: id, Owner: "bench", Timezone: time.UTC, Altitude: benchAltitude})
		return &sites[len(sites)-1]
	}
	n := 0
	for g := range gateways {
		s := site(fmt.Sprintf("site-%03d", g))
		for k := range systems*(g+1)/gateways - systems*g/gateways {
			id := dewline.NewSystemID(s.ID, fmt.Sprintf("unit-%03d", k))
			s.Systems = append(s.Systems, benchSystem(id))
			b.sites[g] = append(b.sites[g], newBenchMachine(id, seed, n))
			n++
		}
	}
	probe := site(probeSite)
	probe.Systems = []dewline.System{benchSystem(probeSystem)}
	b.fleet = dewline.NewFleet(owners, sites)
	return b, nil
}

func benchSystem(id dewline.SystemID) dewline.System {
	s := dewline.System{ID: id, Name: string(id), Kind: dewline.SplitAC, Refrigerant: benchRefrigerant, Metering: dewline.TXV,
		Capacity: 10_500, Charge: 3.1, TargetSubcooling: 6, Importance: dewline.Ordinary, Gateway: benchGW}
	for _, p := range benchPoints {
		f := dewline.PointFitting{Point: p}
		switch p.Dimension() {
		case dewline.Pressure:
			f.Reference, f.StatedAccuracy = dewline.Gauge, 8000
		case dewline.Temperature:
			f.StatedAccuracy = 0.5
		}
		s.Points = append(s.Points, f)
	}
	return s
}

// gateways returns the ids of all gateways, the probe's last.
func (b *benchFleet) gateways() []dewline.GatewayID {
	var all []dewline.GatewayID
	for _, s := range b.fleet.Sites {
		all = append(all, dewline.NewGatewayID(s.ID, benchGW))
	}
	return all
}
