package simfleet

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"dewline"
	"dewline/thermo/plant"
	"dewline/thermo/si"
)

// drawn is what an entry of a drawn fleet has besides.
type drawn struct {
	draw     draw
	seed     uint64
	faulty   bool
	class    []string // what is awkward
	site     place
	sampling dewline.Sampling
	stated   bool // sampling and accuracies in the fleet file
	leaves   [2]float64
	enrolled dewline.System
	truths   []Truth
	met      []plant.Conditions // in the cooling of a comfort machine, by the outdoor air
	points   []dewline.PointFitting
	seen     seen
}

// newDrawn draws what kind of system a site gets; prepare draws the rest.
func newDrawn(d draw, site place, w *plant.Weather, used map[string]int) *entry {
	kinds := []struct {
		kind   dewline.Kind
		weight float64
		words  []string
		name   string
	}{
		{dewline.SplitAC, 0.34, roomWords, "split"}, {dewline.Packaged, 0.16, roomWords, "unit"}, {dewline.HeatPump, 0.16, roomWords, "heat pump"},
		{dewline.WalkInCooler, 0.14, coolerWords, "cooler"}, {dewline.WalkInFreezer, 0.10, freezeWords, "freezer"}, {dewline.DisplayCase, 0.10, caseWords, "case"},
	}
	k := kinds[0]
	at := d.Float64()
	for _, x := range kinds {
		if k = x; at < x.weight {
			break
		}
		at -= x.weight
	}
	name := pick(d, k.words...) + " " + k.name
	if used[name]++; used[name] > 1 {
		name = fmt.Sprintf("%s %d", name, used[name])
	}
	return &entry{site: site.id, id: slug(name), name: name, kind: k.kind, weather: w, noisy: 1,
		importance: pick(d, dewline.Ordinary, dewline.Ordinary, dewline.Ordinary, dewline.High, dewline.Critical),
		drawn:      &drawn{draw: d, seed: d.Uint64(), site: site}}
}

// prepare draws machine, awkwardness, sensors, faults and what the fleet file will say.
func (x *drawn) prepare(t *layout, e *entry) error {
	j, err := x.design(t, e)
	if err != nil {
		return err
	}
	x.fit(t, e)
	j.seen = x.seen
	x.trouble(t, e, j)
	x.enrol(e)
	return nil
}

// design draws machines until one works as it should in the weather of its site.
func (x *drawn) design(t *layout, e *entry) (j *judge, err error) {
	for range 25 {
		x.class = nil
		x.machine(e)
		x.awkwardUse(e)
		var m *plant.Machine
		if m, err = x.built(e); err != nil {
			continue
		}
		e.m, x.met = m, nil
		if e.kind.Comfort() {
			x.met = e.survey(t)
		}
		if !x.commission(t, e) {
			err = errors.New("no machine drawn works in its weather")
			continue
		}
		if j = e.judge(t, seen{}); j.sound() {
			return j, nil
		}
		err = errors.New("no machine drawn works in its weather")
	}
	return nil, err
}

// built designs the machine, then once more with a compressor a little better or worse than usual.
func (x *drawn) built(e *entry) (*plant.Machine, error) {
	m, err := plant.Design(e.spec)
	if err != nil {
		return nil, err
	}
	st, err := m.Solve(m.Rating())
	if err != nil {
		return nil, err
	}
	e.spec.CompressorW = st.CompressorW * x.draw.in(0.92, 1.1)
	return plant.Design(e.spec)
}

// machine draws what is usual for the kind.
func (x *drawn) machine(e *entry) {
	d := x.draw
	s := plant.Spec{AltitudeM: x.site.altitudeM, LineM: math.Round(d.in(4, 22))}
	var kW float64
	switch e.kind {
	case dewline.SplitAC:
		kW = d.in(2.6, 17)
		switch p := d.Float64(); {
		case p < 0.56:
			s.Metering, s.Refrigerant = plant.Orifice, pick(d, "R-410A", "R-410A", "R-22", "R-407C", "R-454B")
		case p < 0.76:
			s.Metering, s.Refrigerant = plant.ThermostaticValve, pick(d, "R-410A", "R-410A", "R-454B", "R-22", "R-32")
		case p < 0.9:
			s.Metering, s.Refrigerant, s.Compressor = plant.ElectronicValve, pick(d, "R-32", "R-32", "R-410A", "R-454B"), plant.Rotary
		default:
			s.Metering, s.Refrigerant, s.Compressor = plant.CapillaryTube, pick(d, "R-410A", "R-22", "R-32", "R-290"), plant.Rotary
			kW = d.in(2, 5.5)
		}
	case dewline.Packaged:
		kW, s.LineM = d.in(5, 42), math.Round(d.in(2, 5))
		switch p := d.Float64(); {
		case p < 0.42:
			s.Metering, s.Refrigerant = plant.ThermostaticValve, pick(d, "R-410A", "R-407C", "R-22", "R-454B", "R-134a")
		case p < 0.9:
			s.Metering, s.Refrigerant = plant.Orifice, pick(d, "R-410A", "R-22", "R-407C", "R-454B")
		default:
			s.Metering, s.Refrigerant, s.Compressor = plant.CapillaryTube, pick(d, "R-407C", "R-410A", "R-22"), plant.Rotary
			kW = d.in(3, 7)
		}
	case dewline.HeatPump:
		kW, s.HeatPump = d.in(3.5, 17), true
		s.Metering, s.Refrigerant = plant.ThermostaticValve, pick(d, "R-410A", "R-410A", "R-32", "R-454B", "R-407C", "R-290")
		if d.chance(0.35) {
			s.Metering, s.Compressor = plant.ElectronicValve, plant.Rotary
		}
	default:
		kW = x.coldMachine(e, &s)
	}
	if e.kind.Comfort() {
		x.comfortMachine(e, &s)
		if s.Compressor == plant.Scroll && d.chance(0.2) {
			s.Compressor = plant.Reciprocating
		}
	}
	s.CapacityW = math.Round(kW*10) * 100
	e.spec = s
}

// comfortMachine draws the design and the use of an air conditioner or heat pump.
func (x *drawn) comfortMachine(e *entry, s *plant.Spec) {
	d := x.draw
	over := 11.5 + d.in(-4, 4)
	s.RatedOutdoorC, s.EvaporatingC, s.CondensingC = 35, 8.5+d.in(-2, 2), 35+over
	s.SubcoolingK = min(d.in(3, 9), over-3.5)
	s.CondenserRiseK = min(d.in(7, 10.5), over-1.5)
	switch s.Metering {
	case plant.Orifice, plant.CapillaryTube:
		s.SuperheatK = 8 // commissioned later
	case plant.ThermostaticValve:
		s.SuperheatK = d.in(4, 8)
	default:
		s.SuperheatK = d.in(4, 7)
	}
	use := plant.Use{SetC: math.Round(d.in(22, 25.5)*2) / 2, BandK: d.in(0.8, 1.6), SetbackK: pick(d, 0, 2.0, 3),
		OpenH: float64(6 + d.IntN(4)), CloseH: float64(17 + d.IntN(6)), SolarShare: d.in(0, 0.25)}
	if d.chance(0.25) {
		use.OpenH, use.CloseH, use.SetbackK = 0, wholeDay, 0
	}
	if e.kind == dewline.HeatPump {
		use.Duty, use.HeatSetC = plant.HeatsRoom, 20+d.in(0, 1)
		use.SetC = max(use.SetC, 23.5)
	}
	switch {
	case s.Metering == plant.ElectronicValve:
		use.Variable = d.chance(0.7)
	case s.Metering == plant.ThermostaticValve && e.kind != dewline.SplitAC:
		use.Staged = d.chance(0.2)
	}
	// Sized for the site's warm days and not for the rating's: half of the load at 11 K of difference comes
	// through the walls.
	w := e.weather
	warm := w.MeanC + w.SeasonC + w.DayC + 0.5*w.SwingC
	use.LoadShare = min(max(d.in(0.5, 0.9)/(0.5*(warm-use.SetC)/11+0.5), 0.3), 1.3)
	e.use = use
}

// coldMachine draws a refrigeration machine with its use and returns its capacity.
func (x *drawn) coldMachine(e *entry, s *plant.Spec) (kW float64) {
	d := x.draw
	s.Cold, s.Compressor = true, plant.Reciprocating
	if d.chance(0.3) {
		s.Compressor = plant.Scroll
	}
	s.Metering = plant.ThermostaticValve
	if d.chance(0.2) {
		s.Metering = plant.ElectronicValve
	}
	use := plant.Use{LoadShare: d.in(0.45, 0.8), BandK: d.in(1.6, 3), OpenH: float64(5 + d.IntN(3)), CloseH: float64(17 + d.IntN(5))}
	switch e.kind {
	case dewline.WalkInFreezer:
		kW = d.in(1.5, 11)
		s.Refrigerant, s.RatedIndoorRH = pick(d, "R-404A", "R-449A", "R-448A", "R-404A", "R-290"), 80
		use.Duty, use.SetC, use.SpaceRH, use.DoorsPerHour = plant.FreezeRoom, -math.Round(d.in(17, 22)), d.in(75, 82), d.in(0, 5)
		use.DefrostEachH, use.DefrostMin = pick(d, 6.0, 6, 8, 12), d.in(18, 28)
		if s.Metering == plant.ThermostaticValve && d.chance(0.4) {
			s.MaxEvapC = -12
		}
		e.limitC = use.SetC + 6
	case dewline.DisplayCase:
		kW = d.in(0.8, 4.5)
		s.Refrigerant, s.RatedIndoorRH = pick(d, "R-134a", "R-513A", "R-404A", "R-290", "R-448A"), 75
		use.Duty, use.SetC, use.SpaceRH = plant.CaseCooler, math.Round(d.in(1, 4)), d.in(65, 80)
		use.DefrostEachH, use.DefrostMin = pick(d, 6.0, 8, 8), d.in(15, 25)
		e.limitC = use.SetC + 5
		use.OpenH, use.CloseH = 6, 21
	default:
		kW = d.in(1.2, 9)
		s.Refrigerant, s.RatedIndoorRH = pick(d, "R-134a", "R-513A", "R-404A", "R-448A", "R-449A", "R-290"), 85
		use.Duty, use.SetC, use.SpaceRH, use.DoorsPerHour = plant.ColdRoom, math.Round(d.in(1, 5)), d.in(78, 88), d.in(0, 10)
		use.DefrostEachH, use.DefrostMin = pick(d, 4.0, 6, 6, 8), d.in(14, 25)
		e.limitC = use.SetC + 4
	}
	s.RatedIndoorC = use.SetC
	s.EvaporatingC = use.SetC - d.in(5.2, 8)
	s.RatedOutdoorC = 32
	over := 11 + d.in(-3, 4)
	s.CondensingC = s.RatedOutdoorC + over
	s.CondenserRiseK = min(d.in(7, 10), over-1.5)
	s.SuperheatK = min(d.in(3.5, 5.5), 0.7*(use.SetC-s.EvaporatingC))
	s.SubcoolingK = d.in(2, 4.5)
	s.Receiver = true
	if (e.kind != dewline.WalkInFreezer && d.chance(0.2)) || s.Refrigerant == "R-290" {
		s.Receiver, kW = false, min(kW, d.in(0.8, 2.5))
		if e.kind != dewline.WalkInFreezer && d.chance(0.6) {
			s.Metering = plant.CapillaryTube
			s.SubcoolingK = d.in(3, 6)
		}
	}
	if s.Receiver {
		use.PumpDown = s.Metering == plant.ThermostaticValve && d.chance(0.7)
		if d.chance(0.8) {
			s.HeadControlC = math.Round(d.in(25, 31))
		}
	}
	// Sized for the site's warm days, door openings included: what is stored may not warm up every
	// afternoon in a healthy machine. It loses some 1.5 % of its capacity for each kelvin outdoors.
	w := e.weather
	warm := w.MeanC + w.SeasonC + w.DayC + 0.5*w.SwingC
	use.LoadShare *= (1 - 0.015*max(warm-s.RatedOutdoorC, 0)) * (1 - 0.02*use.DoorsPerHour)
	e.use = use
	return kW
}

// commission sets the superheat of a machine that cannot hold it to what a technician would charge it to:
// the target of the charging chart under the usual conditions of the site, by the rule of thumb behind the
// common charts, (3 wet bulb - 80 - dry bulb)/2 in °F, give or take what charging by gauges does; and so high that
// hardly any hour floods it.
func (x *drawn) commission(t *layout, e *entry) bool {
	if !fixedDevice(e) {
		return true
	}
	const (
		least = 3.0 // K, in nine of ten conditions
		spots = 15
	)
	three := e.conditions(t)
	met := three[:]
	if len(x.met) > spots {
		met = nil
		for i := range spots {
			met = append(met, x.met[(2*i+1)*len(x.met)/(2*spots)])
		}
	}
	usual := three[1]
	target := x.draw.in(4, 6)
	if e.kind.Comfort() {
		wet := wetBulbC(usual.IndoorC, 100*usual.IndoorRatio/e.m.HumidityRatio(usual.IndoorC, 100))
		target = (3*(wet*1.8+32)-80-(usual.OutdoorC*1.8+32))/2/1.8 + 1.1*max(min(x.draw.NormFloat64(), 2), -2)
	}
	target = min(max(target, least+0.8), 13)
	enough := func(m *plant.Machine) (bool, error) {
		low := 0
		for _, c := range met {
			st, err := m.Solve(c)
			if err != nil {
				return false, err
			}
			if st.SuperheatK < least {
				low++
			}
		}
		st, err := m.Solve(usual)
		return 10*low <= len(met) && st.SuperheatK > target, err
	}
	low, high := 1.5, 0.78*(e.m.Spec.RatedIndoorC-e.m.Spec.EvaporatingC)
	ok := false
	for range 9 {
		e.spec.SuperheatK = (low + high) / 2
		m, err := plant.Design(e.spec)
		if err != nil {
			high = e.spec.SuperheatK
			continue
		}
		yes, err := enough(m)
		if err != nil {
			return false
		}
		if yes {
			high, ok = e.spec.SuperheatK, true
			e.m = m
		} else {
			low = e.spec.SuperheatK
		}
	}
	return ok
}

// wetBulbC is Stull's fit (2011) for air near sea level, good to some tenths.
func wetBulbC(tC, rh float64) float64 {
	return tC*math.Atan(0.151977*math.Sqrt(rh+8.313659)) + math.Atan(tC+rh) - math.Atan(rh-1.676331) +
		0.00391838*math.Pow(rh, 1.5)*math.Atan(0.023101*rh) - 4.686035
}

// fit draws what is fitted, how good it is and how it is sampled.
func (x *drawn) fit(t *layout, e *entry) {
	d := x.draw
	x.stated = d.chance(0.7)
	good := x.stated && d.chance(0.75)
	fit := func(p dewline.Point, accuracy float64) {
		f := dewline.PointFitting{Point: p}
		if p.Dimension() == dewline.Pressure {
			f.Reference = dewline.Gauge
		}
		if good {
			f.StatedAccuracy = accuracy
		}
		x.points = append(x.points, f)
	}
	share := map[Points]float64{Full: 1, Least: 0}[t.o.Points]
	if t.o.Points == "" || t.o.Points == Mixed {
		share = pick(d, 1, 1, 1, 0.75, 0.75, 0.5, 0)
	}
	has := func() bool { return d.Float64() < share }
	high := dewline.LiquidPressure
	if share > 0 && d.chance(0.2) {
		high = dewline.DischargePressure
	}
	fit(dewline.SuctionPressure, pick(d, 6e3, 8e3, 8e3))
	fit(high, pick(d, 15e3, 20e3, 20e3))
	fit(dewline.SuctionTemp, 0.5)
	fit(dewline.LiquidTemp, 0.5)
	fit(dewline.OutdoorAirTemp, 0.5)
	if has() {
		fit(dewline.DischargeTemp, 1)
		x.seen.discharge = true
	}
	if e.kind.Comfort() {
		if has() {
			fit(dewline.ReturnAirTemp, 0.5)
			x.seen.returnAir = true
			if has() {
				fit(dewline.ReturnAirRH, 3)
			}
			if has() {
				fit(dewline.SupplyAirTemp, 0.5)
				x.seen.split = true
			}
		}
	} else if has() {
		fit(dewline.SpaceTemp, 0.5)
		x.seen.returnAir = true
	}
	if has() {
		fit(pick(d, dewline.CompressorPower, dewline.CompressorPower, dewline.CompressorCurrent), 0)
	}
	if has() {
		fit(dewline.CompressorOn, 0)
	}
	if share == 1 && d.chance(0.6) {
		fit(dewline.SafetyTrip, 0)
	}
	if e.use.DoorsPerHour > 0 && has() {
		fit(dewline.DoorOpen, 0)
	}
	if e.use.Variable && has() {
		fit(dewline.CompressorSpeed, 0)
	}
	if e.use.Staged && has() {
		fit(dewline.CompressorStage, 0)
	}
	if e.use.Duty == plant.HeatsRoom || (e.use.Duty != plant.CoolsRoom && has()) {
		fit(dewline.OperatingMode, 0)
	}
	slices.SortFunc(x.points, func(a, b dewline.PointFitting) int { return int(a.Point) - int(b.Point) })

	if x.sampling = t.o.Sampling; x.sampling.Kind == "" {
		x.sampling = pick(d,
			dewline.Sampling{Kind: dewline.SampledInstant, Interval: time.Minute}, dewline.Sampling{Kind: dewline.SampledInstant, Interval: time.Minute},
			dewline.Sampling{Kind: dewline.SampledInstant, Interval: 5 * time.Minute},
			dewline.Sampling{Kind: dewline.SampledMean, Interval: 15 * time.Minute, Stamp: pick(d, dewline.StampStart, dewline.StampEnd)})
	}
	if x.stated || x.sampling.Kind == dewline.SampledMean {
		for i := range x.points {
			x.points[i].Sampling = x.sampling
		}
	}
}

func (x *drawn) sampler() *sampler { return newSampler(x.sampling) }

// enrol says what the fleet file knows of the machine: plate values are rounded, some are missing and
// some are a little off.
func (x *drawn) enrol(e *entry) {
	d, spec := x.draw, &e.m.Spec
	rounded := func(v, parts float64) float64 { return math.Round(v*parts) / parts }
	off := func(v, share float64) float64 { // a plate that is a little wrong
		if d.chance(0.2) {
			return v * (1 + d.in(-share, share))
		}
		return v
	}
	s := dewline.System{ID: e.systemID(), Name: e.name, Kind: e.kind, Refrigerant: spec.Refrigerant, Gateway: e.site + "-gw",
		Importance: e.importance, Receiver: spec.Receiver, HeadControl: spec.HeadControlC != 0, PumpDown: e.use.PumpDown, Points: x.points}
	if e.link.outages != nil || e.link.clockOff != 0 { // a site's other systems do not share its gateway's trouble
		s.Gateway = e.site + "-" + e.id + "-gw"
	}
	s.Capacity = si.Watt(rounded(off(spec.CapacityW, 0.06), 0.01))
	if d.chance(0.8) {
		s.Charge = si.Kilogram(max(rounded(off(e.m.ChargeKg, 0.06), 20), 0.05))
	}
	if d.chance(0.7) {
		s.LineLength = si.Metre(rounded(spec.LineM, 1))
	}
	switch spec.Metering {
	case plant.Orifice:
		s.Metering = dewline.FixedOrifice
		if d.chance(0.75) {
			s.Orifice = si.Metre(rounded(e.m.Cooling.BoreM, 1e5))
			if d.chance(0.3) && !slices.ContainsFunc(e.courses, func(c cause) bool { return c.Fault == plant.Bore }) {
				s.OrificeInstalled = s.Orifice
			}
		}
	case plant.CapillaryTube:
		s.Metering = dewline.Capillary
	default:
		s.Metering = dewline.TXV
		if spec.Metering == plant.ElectronicValve {
			s.Metering = dewline.EEV
		}
		if d.chance(0.5) {
			s.TargetSuperheat, s.TargetSuperheatAt = si.DeltaK(rounded(spec.SuperheatK, 2)), dewline.AtCoil
		}
	}
	if !spec.Receiver && d.chance(0.75) {
		k := spec.SubcoolingK
		if d.chance(0.15) {
			k += d.in(-1, 1)
		}
		s.TargetSubcooling = si.DeltaK(max(rounded(k, 2), 1))
	}
	switch {
	case e.use.Variable:
		s.CompressorSpeed = dewline.VariableSpeed
	case e.use.Staged:
		s.CompressorSpeed = dewline.StagedSpeed
	case d.chance(0.4):
		s.CompressorSpeed = dewline.FixedSpeed
	}
	if !e.kind.Comfort() && d.chance(0.85) {
		s.SpaceLimit = si.FromCelsius(e.limitC)
	}
	if slices.ContainsFunc(x.points, func(f dewline.PointFitting) bool { return f.Point == dewline.DischargePressure }) && d.chance(0.7) {
		if st, err := e.m.Solve(e.m.Rating()); err == nil {
			s.CoilDrop = si.Pascal(rounded(st.DischargePa-st.LiquidPa, 1/5e3))
		}
	}
	x.enrolled = s
}

// leave is a machine's time off, nil if it has none.
func (x *drawn) leave(e *entry, use plant.Use, seed uint64) *away {
	if x.leaves[0] == 0 {
		return nil
	}
	use.OpenH, use.CloseH, use.SetbackK, use.DoorsPerHour, use.DefrostEachH = 0, 0, 60, 0, 0
	use.LoadShare *= 0.5
	return &away{run: plant.NewRun(e.m, e.weather, use, nil, seed), from: x.leaves[0], until: x.leaves[1]}
}
