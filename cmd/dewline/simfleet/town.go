package simfleet

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"dewline"
	"dewline/thermo/plant"
	"dewline/thermo/si"
)

// entry is one system before it runs.
type entry struct {
	site, id, name string
	kind           dewline.Kind
	spec           plant.Spec
	use            plant.Use
	weather        *plant.Weather
	courses        []cause
	sensorFaults   []SensorFault
	link           link
	events         []dewline.Event
	noisy          float64 // of the sensors' noise, 0 for 1
	bare           bool    // only what the contract requires is fitted
	machine        string
	importance     dewline.Importance
	limitC         float64 // of the space
	drawn          *drawn  // nil in the town

	m *plant.Machine
}

// layout is a fleet laid out in time, before anything of it is designed.
type layout struct {
	o       Options
	entries []*entry
	owners  []dewline.Owner
	places  []place
}

// cause is a course with what it is called.
type cause struct {
	plant.Course
	fault, detail, note string
}

func (e *entry) systemID() dewline.SystemID { return dewline.NewSystemID(e.site, e.id) }

type place struct {
	id, name, owner, address string
	altitudeM                float64
}

var townOwners = []dewline.Owner{
	{ID: "town-hall", Name: "Town Hall Buildings"},
	{ID: "harbour-trade", Name: "Harbour Trade Company"},
	{ID: "health-trust", Name: "Health Trust"},
}

var townPlaces = []place{
	{"quay-library", "Quay Library", "town-hall", "4 Quay Street, by the steps", 12},
	{"harbour-school", "Harbour School", "town-hall", "17 Rope Walk", 25},
	{"tide-bakery", "Tide Bakery", "harbour-trade", "9 Tide Lane, yard at the back", 8},
	{"cold-store", "North Pier Cold Store", "harbour-trade", "North Pier, gate 2", 5},
	{"mole-clinic", "Mole Clinic", "health-trust", "1 Mole Road", 30},
	{"fish-market", "Fish Market Hall", "harbour-trade", "Fish Quay", 6},
	{"ferry-terminal", "Ferry Terminal", "town-hall", "Ferry Quay 1", 7},
	{"ridge-hostel", "Ridge Hostel", "town-hall", "Ridge Road, last house", 1450},
	{"net-loft", "Net Loft Studios", "harbour-trade", "22 Net Yard, first floor", 15},
	{"slip-boatyard", "Slip Boatyard", "harbour-trade", "Slipway 3", 9},
}

// installers put in the machines of the town, one after the other; what a fixed orifice is for, the first of
// them was called for.
var installers = []string{"North Pier Cooling", "Ridge Fitters", "Harbour Plant Works"}

const wholeDay = 24.0

// days returns the Unix seconds of a number of days before the present.
func (t *layout) ago(days float64) float64 { return float64(t.o.Present.Unix()) - days*86400 }

func (t *layout) agoMillis(days float64) dewline.Millis {
	return dewline.Millis(math.Round(t.ago(days)/60) * 60000)
}

// newTown is the harbour town.
func newTown(o Options) *layout {
	t := &layout{o: o, owners: townOwners, places: townPlaces}
	// The story is told in late summer, whenever it is told: the town's warmest day was two weeks ago.
	warmest := float64(o.Present.Unix())/86400 - 14
	sea := &plant.Weather{Seed: o.Seed, MeanC: 18, SeasonC: 9, DayC: 5, SwingC: 1.8, WarmestDay: warmest, DewGapK: 8, Noon: 12.6}
	hills := &plant.Weather{Seed: o.Seed + 1, MeanC: 0.5, SeasonC: 6, DayC: 5, SwingC: 2.2, WarmestDay: warmest, DewGapK: 4.5, Noon: 12.6}
	office := plant.Use{LoadShare: 0.72, SetC: 23.5, BandK: 1, SetbackK: 2.5, OpenH: 7, CloseH: 19}
	always := plant.Use{LoadShare: 0.72, SetC: 23, BandK: 1, OpenH: 0, CloseH: wholeDay}
	cooler := plant.Use{Duty: plant.ColdRoom, LoadShare: 0.6, SetC: 3, BandK: 2, SpaceRH: 86, OpenH: 6, CloseH: 19, DoorsPerHour: 5, DefrostEachH: 6, DefrostMin: 18, PumpDown: true}
	freezer := plant.Use{Duty: plant.FreezeRoom, LoadShare: 0.6, SetC: -20, BandK: 2, SpaceRH: 78, OpenH: 5, CloseH: 20, DoorsPerHour: 3, DefrostEachH: 6, DefrostMin: 22, PumpDown: true}
	shelf := plant.Use{Duty: plant.CaseCooler, LoadShare: 0.62, SetC: 3.5, BandK: 2, SpaceRH: 70, OpenH: 6, CloseH: 20, DefrostEachH: 8, DefrostMin: 20}
	pump := plant.Use{Duty: plant.HeatsRoom, LoadShare: 0.7, SetC: 24, HeatSetC: 20.5, BandK: 1, SetbackK: 2, OpenH: 6, CloseH: 22}

	orifice := plant.Spec{Refrigerant: "R-410A", Metering: plant.Orifice, SuperheatK: 10}
	txv := plant.Spec{Refrigerant: "R-410A", Metering: plant.ThermostaticValve}
	coolRoom := plant.Spec{Refrigerant: "R-134a", Metering: plant.ThermostaticValve, Compressor: plant.Reciprocating, Cold: true, RatedIndoorC: 2, Receiver: true, HeadControlC: 29}
	iceRoom := plant.Spec{Refrigerant: "R-449A", Metering: plant.ThermostaticValve, Compressor: plant.Reciprocating, Cold: true, RatedIndoorC: -20, RatedIndoorRH: 80, Receiver: true, HeadControlC: 27, MaxEvapC: -12}

	add := func(site, id, name string, kind dewline.Kind, spec plant.Spec, kW float64, use plant.Use, more ...func(*entry)) {
		spec.CapacityW = kW * 1000
		for _, p := range townPlaces {
			if p.id == site {
				spec.AltitudeM = p.altitudeM
			}
		}
		e := &entry{site: site, id: id, name: name, kind: kind, spec: spec, use: use, weather: sea, noisy: 1}
		for _, m := range more {
			m(e)
		}
		t.entries = append(t.entries, e)
	}
	fault := func(k plant.FaultKind, shape plant.Shape, severity, from, full, until float64, fault, detail, note string) func(*entry) {
		return func(e *entry) {
			c := plant.Course{Fault: k, Shape: shape, Severity: severity, From: t.ago(from), Full: t.ago(full)}
			if from == forever {
				c.From = 0
			}
			if until > 0 {
				c.Until = t.ago(until)
			}
			e.courses = append(e.courses, cause{c, fault, detail, note})
		}
	}
	visit := func(days float64, note string) func(*entry) {
		return func(e *entry) {
			e.events = append(e.events, dewline.Event{System: e.systemID(), Kind: dewline.Serviced, At: t.agoMillis(days), Note: note})
		}
	}
	wrong := func(p dewline.Point, k SensorFaultKind, size, from float64) func(*entry) {
		return func(e *entry) {
			e.sensorFaults = append(e.sensorFaults, SensorFault{Point: p, Kind: k, Size: size, From: t.agoMillis(from)})
		}
	}
	with := func(f func(*entry)) func(*entry) { return f }

	// Quay Library: the pair that a wrong bore invites, from the first day; and a quiet neighbour.
	add("quay-library", "hall-ac", "Reading hall split", dewline.SplitAC, orifice, 10.5, office,
		fault(plant.Bore, plant.Step, -0.15, forever, 0, 0, "restriction", "orifice_too_small", "the bore fitted is smaller than the plate calls for, since the installation"),
		fault(plant.Charge, plant.Step, 0.52, forever, 0, 0, "overcharge", "", "charged on superheat to make up for the small bore"),
		with(func(e *entry) { e.importance = dewline.High }))
	add("quay-library", "archive-ac", "Archive unit", dewline.SplitAC, plant.Spec{Refrigerant: "R-32", Metering: plant.ElectronicValve, Compressor: plant.Rotary}, 7, always,
		with(func(e *entry) { e.use.Variable = true; e.use.SetC = 20; e.use.LoadShare = 0.6 }))

	add("harbour-school", "gym-ac", "Gymnasium rooftop", dewline.Packaged, txv, 17.5, office,
		fault(plant.EvaporatorAir, plant.Ramp, 0.22, 40, 13, 12, "evaporator_airflow", "filter", "a filter loading up, changed in routine service"),
		visit(12, "air filter changed in routine service"))
	add("harbour-school", "lab-hp", "Laboratory heat pump", dewline.HeatPump, plant.Spec{Refrigerant: "R-454B", Metering: plant.ThermostaticValve, HeatPump: true}, 8, pump)
	add("harbour-school", "east-ac", "East wing split", dewline.SplitAC, orifice, 8.8, office,
		fault(plant.Charge, plant.Ramp, -0.30, 30, -5, 0, "undercharge", "leak", "a slow leak at a flare"))

	add("tide-bakery", "oven-ac", "Bakehouse split", dewline.SplitAC, orifice, 10.5, plant.Use{LoadShare: 0.8, SetC: 25, BandK: 1, OpenH: 3, CloseH: 15},
		fault(plant.CondenserAir, plant.Ramp, 0.55, 36, 9, 7, "condenser_airflow", "dirty", "flour dust on the condenser, washed after two weeks of high head"),
		visit(7, "condenser coil washed"))
	add("tide-bakery", "dough-cooler", "Dough retarder", dewline.WalkInCooler, coolRoom, 3.2, cooler,
		with(func(e *entry) { e.use.DoorsPerHour = 11; e.limitC = 6 }))

	add("cold-store", "freezer-1", "Freezer room 1", dewline.WalkInFreezer, iceRoom, 6, freezer,
		fault(plant.Charge, plant.Ramp, -0.85, 33, -6, 0, "undercharge", "leak", "a leak that empties the receiver first"),
		with(func(e *entry) { e.limitC = -15; e.importance = dewline.Critical }))
	add("cold-store", "freezer-2", "Freezer room 2", dewline.WalkInFreezer, iceRoom, 6, freezer,
		with(func(e *entry) { e.limitC = -15; e.importance = dewline.Critical }))
	add("cold-store", "dock-cooler", "Loading dock cooler", dewline.WalkInCooler, coolRoom, 5, cooler,
		fault(plant.BulbLoose, plant.Step, 0.4, 16, 0, 0, "overfeed", "bulb_loose", "the bulb's strap has come loose"),
		with(func(e *entry) { e.limitC = 7 }))

	add("mole-clinic", "vaccine-cooler", "Vaccine store", dewline.WalkInCooler,
		plant.Spec{Refrigerant: "R-290", Metering: plant.CapillaryTube, Compressor: plant.Reciprocating, Cold: true, RatedIndoorC: 4, SuperheatK: 6, SubcoolingK: 5}, 1.6,
		plant.Use{Duty: plant.ColdRoom, LoadShare: 0.5, SetC: 4.5, BandK: 1.6, SpaceRH: 75, OpenH: 7, CloseH: 18, DoorsPerHour: 2, DefrostEachH: 8, DefrostMin: 12},
		fault(plant.LineRestriction, plant.Ramp, 0.75, 26, 1, 0, "restriction", "drier", "a filter drier that is clogging"),
		with(func(e *entry) { e.limitC = 8; e.importance = dewline.Critical }))
	add("mole-clinic", "ward-hp", "Ward heat pump", dewline.HeatPump, plant.Spec{Refrigerant: "R-410A", Metering: plant.ThermostaticValve, HeatPump: true}, 12, pump)
	add("mole-clinic", "scan-ac", "Scanner room unit", dewline.SplitAC, txv, 14, plant.Use{LoadShare: 0.75, SetC: 21, BandK: 1, CloseH: wholeDay},
		fault(plant.CompressorLeak, plant.Ramp, 0.36, 28, 2, 0, "compressor_leakage", "", "worn compressor"),
		with(func(e *entry) { e.importance = dewline.Critical }))

	add("fish-market", "ice-room", "Ice and fish freezer", dewline.WalkInFreezer,
		plant.Spec{Refrigerant: "R-404A", Metering: plant.ThermostaticValve, Compressor: plant.Reciprocating, Cold: true, RatedIndoorC: -18, RatedIndoorRH: 80, Receiver: true, HeadControlC: 27}, 4.5, freezer,
		fault(plant.NonCondensables, plant.Step, 1.1, 20, 0, 0, "noncondensables", "", "air left in after opening the circuit"),
		visit(20, "suction filter replaced, circuit opened"),
		with(func(e *entry) { e.limitC = -12; e.use.SetC = -18 }))
	add("fish-market", "display-1", "Counter 1", dewline.DisplayCase,
		plant.Spec{Refrigerant: "R-513A", Metering: plant.ElectronicValve, Compressor: plant.Reciprocating, Cold: true, RatedIndoorC: 3, Receiver: true, HeadControlC: 28}, 2.6, shelf,
		wrong(dewline.SuctionTemp, ClampOff, 0.55, 11), with(func(e *entry) { e.limitC = 8 }))
	add("fish-market", "display-2", "Counter 2", dewline.DisplayCase,
		plant.Spec{Refrigerant: "R-513A", Metering: plant.ElectronicValve, Compressor: plant.Reciprocating, Cold: true, RatedIndoorC: 3, Receiver: true, HeadControlC: 28}, 2.6, shelf,
		with(func(e *entry) { e.limitC = 8 }))

	add("ferry-terminal", "hall-1", "Departures hall circuit 1", dewline.Packaged, plant.Spec{Refrigerant: "R-407C", Metering: plant.ThermostaticValve}, 21, office,
		with(func(e *entry) { e.machine = "hall"; e.use.Staged = true }))
	add("ferry-terminal", "hall-2", "Departures hall circuit 2", dewline.Packaged, plant.Spec{Refrigerant: "R-407C", Metering: plant.ThermostaticValve}, 21, office,
		fault(plant.Charge, plant.Step, 0.26, 18, 0, 0, "overcharge", "", "too much added in a service visit"),
		visit(18, "charge topped up"), with(func(e *entry) { e.machine = "hall"; e.use.Staged = true }))
	add("ferry-terminal", "ticket-ac", "Ticket office split", dewline.SplitAC, orifice, 7, office,
		with(func(e *entry) { e.use.LoadShare = 0.33; e.bare = true })) // far too large: short runs, and healthy

	add("ridge-hostel", "rooms-hp", "Guest rooms heat pump", dewline.HeatPump, plant.Spec{Refrigerant: "R-410A", Metering: plant.ThermostaticValve, HeatPump: true}, 11, pump,
		with(func(e *entry) { e.weather = hills; e.use.LoadShare = 0.6 }))
	add("ridge-hostel", "larder", "Kitchen larder", dewline.WalkInCooler,
		plant.Spec{Refrigerant: "R-290", Metering: plant.ThermostaticValve, Compressor: plant.Reciprocating, Cold: true, RatedIndoorC: 3, Receiver: true, HeadControlC: 26}, 2.4, cooler,
		with(func(e *entry) { e.weather = hills; e.noisy = 4; e.limitC = 7 }))

	add("net-loft", "loft-ac", "Loft split", dewline.SplitAC, plant.Spec{Refrigerant: "R-410A", Metering: plant.ThermostaticValve}, 7, office,
		wrong(dewline.LiquidPressure, SensorDrift, -6500, 24))
	add("net-loft", "studio-ac", "Studio through-wall unit", dewline.Packaged, plant.Spec{Refrigerant: "R-407C", Metering: plant.CapillaryTube, Compressor: plant.Rotary, SuperheatK: 9.5}, 5,
		plant.Use{LoadShare: 0.5, SetC: 24, BandK: 1.2, SetbackK: 2, OpenH: 9, CloseH: 21}, with(func(e *entry) {
			e.link.duplicates = true
			e.link.clockOff, e.link.clockFrom, e.link.clockUntil = -7*time.Minute, t.agoMillis(20), t.agoMillis(18)
		}))

	add("slip-boatyard", "paint-ac", "Paint shop split", dewline.SplitAC, orifice, 12, plant.Use{LoadShare: 0.75, SetC: 23, BandK: 1, SetbackK: 3, OpenH: 7, CloseH: 20},
		fault(plant.Bore, plant.Step, 0.14, 22, 0, 0, "overfeed", "orifice_too_large", "a larger piston fitted with the new coil"),
		visit(22, "indoor coil replaced"),
		with(func(e *entry) {
			e.link.outages = [][2]dewline.Millis{{t.agoMillis(9.3), t.agoMillis(9.0)}, {t.agoMillis(2.2), t.agoMillis(2.13)}}
		}))
	return t
}

// models are the first letters of what the makers of the town call their machines; then comes the capacity.
var models = map[dewline.Kind]string{dewline.SplitAC: "WA", dewline.HeatPump: "WH", dewline.Packaged: "RD",
	dewline.WalkInCooler: "CR", dewline.WalkInFreezer: "CF", dewline.DisplayCase: "DC"}

const forever = -1

// config is the fleet as its file will say it.
func (t *layout) config() (*dewline.Fleet, error) {
	zone, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		return nil, err
	}
	var sites []dewline.Site
	for _, p := range t.places {
		s := dewline.Site{ID: p.id, Name: p.name, Owner: p.owner, Address: p.address, Timezone: zone, Altitude: si.Metre(p.altitudeM)}
		for i, e := range t.entries {
			if e.site != p.id {
				continue
			}
			sys := e.config()
			if e.drawn == nil {
				sys.Installer = installers[i%len(installers)]
				if sys.Metering == dewline.FixedOrifice {
					sys.Installer = installers[0]
				}
				sys.Model = fmt.Sprintf("%s %.0f", models[sys.Kind], e.spec.CapacityW/100)
			}
			s.Systems = append(s.Systems, sys)
		}
		sites = append(sites, s)
	}
	return dewline.NewFleet(t.owners, sites), nil
}

func (e *entry) config() dewline.System {
	if e.drawn != nil {
		return e.drawn.enrolled
	}
	s := dewline.System{ID: e.systemID(), Name: e.name, Kind: e.kind, Refrigerant: e.spec.Refrigerant,
		Capacity: si.Watt(e.spec.CapacityW), Charge: si.Kilogram(math.Round(e.m.ChargeKg*100) / 100), Gateway: e.site + "-gw",
		Machine: e.machine, Importance: e.importance, Receiver: e.spec.Receiver, HeadControl: e.spec.HeadControlC != 0, PumpDown: e.use.PumpDown,
		LineLength: si.Metre(e.m.Spec.LineM)}
	switch e.spec.Metering {
	case plant.Orifice:
		s.Metering, s.Orifice = dewline.FixedOrifice, si.Metre(math.Round(e.m.Cooling.BoreM*1e5)/1e5)
	case plant.CapillaryTube:
		s.Metering = dewline.Capillary
	case plant.ThermostaticValve, plant.ElectronicValve:
		s.Metering = dewline.TXV
		if e.spec.Metering == plant.ElectronicValve {
			s.Metering = dewline.EEV
		}
		s.TargetSuperheat, s.TargetSuperheatAt = si.DeltaK(math.Round(e.m.Spec.SuperheatK*10)/10), dewline.AtCoil
	}
	if !e.spec.Receiver {
		s.TargetSubcooling = si.DeltaK(math.Round(e.m.Spec.SubcoolingK*10) / 10)
	}
	if e.use.Variable {
		s.CompressorSpeed = dewline.VariableSpeed
	}
	if e.use.Staged {
		s.CompressorSpeed = dewline.StagedSpeed
	}
	if e.limitC != 0 {
		s.SpaceLimit = si.FromCelsius(e.limitC)
	}
	fit := func(p dewline.Point, accuracy float64) {
		f := dewline.PointFitting{Point: p, StatedAccuracy: accuracy}
		if p.Dimension() == dewline.Pressure {
			f.Reference = dewline.Gauge
		}
		s.Points = append(s.Points, f)
	}
	fit(dewline.SuctionPressure, 8000)
	fit(dewline.LiquidPressure, 20000)
	fit(dewline.SuctionTemp, 0.5)
	fit(dewline.LiquidTemp, 0.5)
	fit(dewline.OutdoorAirTemp, 0.5)
	if !e.bare {
		fit(dewline.DischargeTemp, 1)
		if e.kind.Comfort() {
			fit(dewline.ReturnAirTemp, 0.5)
			fit(dewline.ReturnAirRH, 3)
			fit(dewline.SupplyAirTemp, 0.5)
		}
		fit(dewline.CompressorPower, 50)
		fit(dewline.CompressorOn, 0)
		fit(dewline.SafetyTrip, 0)
	}
	if !e.kind.Comfort() {
		fit(dewline.SpaceTemp, 0.5)
	}
	if e.use.DoorsPerHour > 0 {
		fit(dewline.DoorOpen, 0)
	}
	if e.use.Variable {
		fit(dewline.CompressorSpeed, 0)
	}
	if e.use.Staged {
		fit(dewline.CompressorStage, 0)
	}
	if e.use.Duty != plant.CoolsRoom {
		fit(dewline.OperatingMode, 0)
	}
	slices.SortFunc(s.Points, func(a, b dewline.PointFitting) int { return cmp.Compare(a.Point, b.Point) })
	return s
}

// prepare designs the machine of an entry.
func (e *entry) prepare(t *layout) (err error) {
	if e.drawn != nil {
		return e.drawn.prepare(t, e)
	}
	e.m, err = plant.Design(e.spec)
	return err
}

// used is the use with what all have in common.
func (e *entry) used() plant.Use {
	use := e.use
	use.UTCOffsetS = 3600
	use.RainOnCoil = e.kind.Comfort()
	return use
}

// build makes the running system of an entry.
func (e *entry) build(t *layout, config *dewline.Fleet, index uint64) (*system, error) {
	c, ok := config.System(e.systemID())
	if !ok {
		return nil, fmt.Errorf("not in the fleet file")
	}
	seed, sigma := t.o.Seed*1009+index, 0.4
	use := e.used()
	var courses []plant.Course
	for _, c := range e.courses {
		courses = append(courses, c.Course)
	}
	s := &system{id: c.ID, gateway: c.Gateway, link: e.link, events: slices.Clone(e.events)}
	if e.drawn != nil {
		seed, sigma = e.drawn.seed, 0.5
		s.sampler = e.drawn.sampler()
		s.away = e.drawn.leave(e, use, seed)
	}
	s.rng = rand.New(rand.NewPCG(seed, 2))
	s.run = plant.NewRun(e.m, e.weather, use, courses, seed)
	for _, f := range c.Points {
		x := newSensor(f, s.rng, e.noisy, sigma)
		for _, wrong := range e.sensorFaults {
			if wrong.Point == f.Point {
				x.faults = append(x.faults, sensorFault{SensorFault: wrong})
			}
		}
		s.sensors = append(s.sensors, x)
	}
	return s, nil
}

// truths says what is wrong with an entry.
func (e *entry) truths(t *layout) []Truth {
	if e.drawn != nil {
		return e.drawn.truths
	}
	var all []Truth
	j := e.judge(t, seen{discharge: !e.bare, returnAir: !e.bare, split: !e.bare && e.kind.Comfort()})
	for i := range e.courses {
		all = append(all, e.truth(t, j, i))
	}
	for _, f := range e.sensorFaults {
		all = append(all, Truth{System: e.systemID(), Fault: "sensor", Detail: f.Point.String(), Severity: f.Size, Onset: f.From,
			Detectable: f.From, Repaired: f.Until, Note: string(f.Kind)})
	}
	return all
}

// truth is that of one of the entry's courses.
func (e *entry) truth(t *layout, j *judge, i int) Truth {
	c := e.courses[i]
	var others []plant.Course
	for k := range e.courses {
		if k != i {
			others = append(others, e.courses[k].Course)
		}
	}
	start := float64(t.o.Start.Unix())
	detectable, harmful := j.when(c.Course, others, start, float64(t.o.Present.Unix())+30*86400)
	if c.Fault == plant.BulbLoose { // it hunts, and steady states do not show that
		v := e.hunting(t, c.Fault, c.Severity)
		if v.detectable || v.harmful {
			detectable = max(c.From, start)
		}
		if v.harmful {
			harmful = max(c.From, start)
		}
	}
	return Truth{System: e.systemID(), Fault: c.fault, Detail: c.detail, Severity: c.Severity, Onset: millis(max(c.From, start)),
		Detectable: millis(detectable), Harmful: millis(harmful), Repaired: millis(c.Until), Note: c.note}
}

func millis(unixS float64) dewline.Millis { return dewline.Millis(unixS) * 1000 }
