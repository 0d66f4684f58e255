package simfleet

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"dewline"
	"dewline/thermo/plant"
)

const (
	dayS   = 86400.0
	hourMS = dewline.Millis(3600_000)
)

// kindOfFault is a fault as it is drawn: its severity runs from low to high.
type kindOfFault struct {
	kind          plant.FaultKind
	fault, detail string
	note          string
	weight        float64
	low, high     float64
	of            func(e *entry, s float64) float64 // what the plant is given; nil: s itself
	fits          func(e *entry) bool               // nil: any machine
	ramp          float64                           // how often it grows
	comesAndGoes  float64                           // how often it is intermittent, where it does not grow
	visit         string                            // of the visit that brought it, where one did
	cure          string                            // of the visit that mends it
	beyond        float64                           // how far it may go beyond what does harm; 0: 1.4 times
}

func fixedDevice(e *entry) bool {
	return e.spec.Metering == plant.Orifice || e.spec.Metering == plant.CapillaryTube
}
func minus(_ *entry, s float64) float64 { return -s }

var (
	undercharge = kindOfFault{kind: plant.Charge, fault: "undercharge", note: "charged short at the installation", low: 0.1, high: 0.4, of: minus, beyond: 1.12, cure: "charge weighed in"}
	overcharge  = kindOfFault{kind: plant.Charge, fault: "overcharge", note: "too much charge added", weight: 1.2, low: 0.08, high: 0.6, visit: "charge topped up",
		cure: "surplus charge recovered", fits: func(e *entry) bool { return !e.spec.Receiver }}
	boreSmall = kindOfFault{kind: plant.Bore, fault: "restriction", detail: "orifice_too_small", note: "the bore fitted is smaller than the plate calls for", low: 0.05, high: 0.24, of: minus,
		visit: "indoor coil replaced", cure: "bore changed for the one on the plate"}
	boreLarge = kindOfFault{kind: plant.Bore, fault: "overfeed", detail: "orifice_too_large", note: "the bore fitted is larger than the plate calls for", low: 0.05, high: 0.30,
		visit: "indoor coil replaced", cure: "bore changed for the one on the plate"}
	iced = kindOfFault{kind: plant.EvaporatorAir, fault: "evaporator_airflow", detail: "filter", note: "a filter so full that the coil freezes", weight: 0.8, low: 0.45, high: 0.8, ramp: 0.8,
		cure: "air filter changed", fits: func(e *entry) bool { return e.kind.Comfort() }}
)

// singleFaults are those that come alone or with another one.
var singleFaults = []kindOfFault{
	{kind: plant.Charge, fault: "undercharge", detail: "leak", note: "a leak", weight: 3, low: 0.08, high: 0.5, of: minus, ramp: 0.95, cure: "leak mended, charge weighed in",
		fits: func(e *entry) bool { return !e.spec.Receiver }},
	{kind: plant.Charge, fault: "undercharge", detail: "leak", note: "a leak that empties the receiver first", weight: 3, low: 0.3, high: 0.9, of: minus, ramp: 1, cure: "leak mended, charge weighed in",
		fits: func(e *entry) bool { return e.spec.Receiver }},
	overcharge,
	{kind: plant.LineRestriction, fault: "restriction", detail: "drier", note: "a filter drier that clogs", weight: 1.6, low: 0.06, high: 3, ramp: 0.85, cure: "filter drier changed"},
	{kind: plant.Plugged, fault: "restriction", detail: "metering_device", note: "dirt in the metering device", weight: 1, low: 0.08, high: 0.75, ramp: 0.4, comesAndGoes: 0.35, cure: "metering device cleaned"},
	{kind: plant.StuckAt, fault: "restriction", detail: "valve_stuck", note: "the valve sticks nearly closed", weight: 0.8, low: 0.2, high: 0.8, comesAndGoes: 0.25, cure: "valve changed",
		of:   func(e *entry, s float64) float64 { return max(usualOpening(e)*(1-s), 0.05) },
		fits: func(e *entry) bool { return !fixedDevice(e) }},
	{kind: plant.StuckAt, fault: "overfeed", detail: "valve_stuck", note: "the valve sticks open", weight: 0.8, low: 0.2, high: 1, comesAndGoes: 0.25, cure: "valve changed",
		of:   func(e *entry, s float64) float64 { return min(usualOpening(e)+(1-usualOpening(e))*s, 1) },
		fits: func(e *entry) bool { return !fixedDevice(e) }},
	{kind: plant.BulbLoose, fault: "overfeed", detail: "bulb_loose", note: "the bulb's strap has come loose", weight: 0.9, low: 0.2, high: 0.9, comesAndGoes: 0.2, cure: "bulb strapped and wrapped",
		fits: func(e *entry) bool { return e.spec.Metering == plant.ThermostaticValve }},
	{kind: plant.EvaporatorAir, fault: "evaporator_airflow", detail: "filter", note: "a filter or coil that loads up", weight: 1.6, low: 0.1, high: 0.7, ramp: 0.8, comesAndGoes: 0.4, cure: "filter changed, coil cleaned"},
	iced,
	{kind: plant.CondenserAir, fault: "condenser_airflow", detail: "dirty", note: "dirt on the condenser", weight: 2, low: 0.1, high: 0.75, ramp: 0.85, comesAndGoes: 0.4, cure: "condenser coil washed"},
	{kind: plant.NonCondensables, fault: "noncondensables", note: "air left in the circuit", weight: 1, low: 0.15, high: 1.8, visit: "circuit opened, part changed", cure: "charge recovered, evacuated, weighed in"},
	{kind: plant.CompressorLeak, fault: "compressor_leakage", note: "a worn compressor", weight: 1.2, low: 0.06, high: 0.5, ramp: 0.85, cure: "compressor changed"},
	{kind: plant.ReversingLeak, fault: "reversing_valve", note: "the reversing valve leaks across", weight: 1.2, low: 0.03, high: 0.25, ramp: 0.5, cure: "reversing valve changed",
		fits: func(e *entry) bool { return e.spec.HeatPump }},
	{kind: plant.Frost, fault: "defrost", note: "the defrost no longer clears the coil", weight: 2.4, low: 0.1, high: 0.45, ramp: 0.8, cure: "defrost heater and timer set right",
		fits: func(e *entry) bool { return e.kind == dewline.WalkInCooler || e.kind == dewline.WalkInFreezer }},
}

// usualOpening is how far the valve stands open at the rating.
func usualOpening(e *entry) float64 {
	st, err := e.m.Solve(e.m.Rating())
	if err != nil {
		return 0.6
	}
	return st.Opening
}

// awkwardUse draws, for some, a use of the machine that is no fault and looks like one.
func (x *drawn) awkwardUse(e *entry) {
	d := x.draw
	if x.site.altitudeM > 1200 {
		x.class = append(x.class, "high_altitude")
	}
	switch {
	case e.use.Variable:
		x.class = append(x.class, "variable")
	case e.use.Staged:
		x.class = append(x.class, "staged")
	}
	if x.faulty || d.chance(0.5) {
		return
	}
	comfort := e.kind.Comfort()
	switch w := pick(d, "oversized", "low_load", "swings", "defrosts", "door_open"); {
	case w == "oversized" && comfort:
		e.use.LoadShare, e.use.BandK = d.in(0.22, 0.34), d.in(0.6, 1)
		x.class = append(x.class, w)
	case w == "low_load":
		e.use.LoadShare = d.in(0.3, 0.42)
		x.class = append(x.class, w)
	case w == "swings" && comfort:
		own := *e.weather
		own.SwingC, own.DayC = d.in(3, 4), min(1.4*own.DayC, 9)
		e.weather = &own
		x.class = append(x.class, w)
	case w == "defrosts" && e.kind == dewline.HeatPump:
		own := *e.weather
		own.MeanC -= own.MeanC + own.SeasonC - d.in(5, 9) // it heats most of the time
		e.weather, e.use.LoadShare = &own, d.in(0.5, 0.7)
		x.class = append(x.class, w)
	case w == "door_open" && e.use.DoorsPerHour > 0: // the door stands open for an hour of deliveries
		e.use.OpenH, e.use.DoorsPerHour = float64(6+d.IntN(6)), 60
		e.use.CloseH = e.use.OpenH + 1
		x.class = append(x.class, w)
	}
}

// span is the stretch of time that a fleet is laid out over.
type span struct{ start, present, days float64 } // Unix s

func (t *layout) span() span {
	a, b := float64(t.o.Start.Unix()), float64(t.o.Present.Unix())
	return span{a, b, (b - a) / dayS}
}

func (s span) millis(unixS float64) dewline.Millis {
	return dewline.Millis(math.Round(unixS/60) * 60000)
}

// trouble draws what is wrong with a system, or what only looks so, and says it in the truth.
func (x *drawn) trouble(t *layout, e *entry, j *judge) {
	s := t.span()
	note := x.awkwardData(s, e, j)
	if x.faulty {
		switch p := x.draw.Float64(); {
		case p < 0.24:
			x.sensorTrouble(s, e, j)
		case e.spec.Metering == plant.Orifice && p < 0.62:
			x.boreTrouble(t, e, j)
		case p < 0.36:
			k := undercharge
			if x.draw.chance(0.3) && !e.spec.Receiver {
				k = overcharge
				k.note = "charged over at the installation"
			}
			if e.spec.Receiver {
				k.low, k.high = 0.4, 0.9
			}
			x.truths = x.course(t, e, j, k, s.start, false)
		case p < 0.5:
			x.twoAtOnce(t, e, j)
		default:
			x.single(t, e, j)
		}
	}
	if habit := x.habits(e); habit != "" {
		note = strings.TrimPrefix(note+"; "+habit, "; ")
	}
	class := "faulty"
	if !x.faulty {
		class = "healthy"
		x.truths = []Truth{{System: e.systemID(), Fault: "none", Onset: s.millis(s.start), Note: note}}
	}
	for i := range x.truths {
		x.truths[i].Class = append([]string{class}, x.class...)
	}
	slices.SortStableFunc(e.events, func(a, b dewline.Event) int { return cmp.Compare(a.At, b.At) })
}

// fitting are the faults that a machine can have.
func fitting(e *entry) (all []kindOfFault) {
	for _, k := range singleFaults {
		if k.fits == nil || k.fits(e) {
			all = append(all, k)
		}
	}
	return all
}

// onset draws when a fault begins: after some healthy time, and by three fifths of the span.
func (x *drawn) onset(s span) float64 {
	lead := min(x.draw.in(10, 16), 0.35*s.days)
	if x.draw.chance(0.08) {
		lead = 0
	}
	return s.start + 60*math.Round(dayS/60*x.draw.in(lead, max(0.6*s.days, lead+0.5)))
}

func (x *drawn) single(t *layout, e *entry, j *judge) {
	k := weighed(x.draw, fitting(e), func(k kindOfFault) float64 { return k.weight })
	x.truths = x.course(t, e, j, k, x.onset(t.span()), true)
}

// severity draws how bad a fault gets: mostly bad enough to do harm, and some stay mild. A machine that
// trips for weeks is rare, since somebody comes.
func (x *drawn) severity(t *layout, e *entry, j *judge, k kindOfFault) float64 {
	const steps = 10
	d := x.draw
	by := math.Pow(k.high/k.low, 1.0/(steps-1))
	mayTrip := d.chance(0.2)
	seen, harm, top := 0.0, 0.0, k.high
	for i, s := 0, k.low; i < steps && (harm == 0 || s < 1.5*harm); i, s = i+1, s*by {
		v := verdict{}
		if k.kind == plant.BulbLoose {
			if i%3 != 0 { // each costs a day's running
				continue
			}
			v = e.hunting(t, k.kind, s)
		} else {
			var f plant.Faults
			c := plant.Course{Fault: k.kind, Severity: k.value(e, s)}
			c.Add(&f, 1)
			v = j.at(f)
			if !v.solved || !j.heats(f) || (!mayTrip && j.tripsInHeat(f)) {
				top = max(s/by, k.low)
				break
			}
		}
		if seen == 0 && (v.detectable || v.harmful) {
			seen = s
		}
		if harm == 0 && v.harmful {
			harm = s
		}
		if v.stopped { // worse than that it would hardly run
			top = s
			break
		}
	}
	switch {
	case harm > 0 && (d.chance(0.72) || seen == harm):
		return min(harm*d.in(1.05, cmp.Or(k.beyond, 1.4)), top)
	case seen > 0 && harm > 0:
		return d.in(seen, 0.95*harm)
	case seen > 0:
		return d.in(min(1.1*seen, top), top)
	}
	return top
}

func (k *kindOfFault) value(e *entry, s float64) float64 {
	if k.of == nil {
		return s
	}
	return k.of(e, s)
}

// course gives an entry a fault from a time on, mends it for some, and returns its truth.
func (x *drawn) course(t *layout, e *entry, j *judge, k kindOfFault, from float64, mayGrow bool) []Truth {
	d, s := x.draw, t.span()
	c := plant.Course{Fault: k.kind, Severity: k.value(e, x.severity(t, e, j, k)), From: from}
	ramp := k.ramp
	if e.use.Variable { // a chart of speed and severity is dear
		ramp *= 0.5
	}
	switch grows := d.chance(ramp); {
	case !mayGrow:
	case grows:
		c.Shape = plant.Ramp
		c.Full = from + dayS*max(min(d.in(5, 40), (s.present-from)/dayS), 1)
	case d.chance(k.comesAndGoes):
		c.Shape = plant.Intermittent
	}
	if k.visit != "" && from > s.start {
		e.events = append(e.events, dewline.Event{System: e.systemID(), Kind: dewline.Serviced, At: s.millis(from), Note: k.visit})
	}
	e.courses = append(e.courses, cause{c, k.fault, k.detail, x.noted(k.note, &c)})
	i := len(e.courses) - 1
	truth := e.truth(t, j, i)
	if truth.Detectable > 0 && d.chance(0.45) {
		until := float64(truth.Detectable)/1000 + dayS*d.in(5, 16)
		if until < s.present-7*dayS {
			e.courses[i].Until = until
			e.events = append(e.events, dewline.Event{System: e.systemID(), Kind: dewline.Serviced, At: s.millis(until), Note: k.cure})
			truth = e.truth(t, j, i)
		}
	}
	truth.ID = fmt.Sprintf("%s#%d", e.systemID(), i+1)
	return []Truth{truth}
}

// noted adds how a fault goes on.
func (x *drawn) noted(note string, c *plant.Course) string {
	switch c.Shape {
	case plant.Ramp:
		return fmt.Sprintf("%s, growing over %.0f days", note, (c.Full-c.From)/dayS)
	case plant.Intermittent:
		return note + ", coming and going"
	}
	return note
}

// boreTrouble draws a wrong bore: alone, or hidden by charge that someone added to bring the superheat of
// a starved coil down to its target.
func (x *drawn) boreTrouble(t *layout, e *entry, j *judge) {
	d, s := x.draw, t.span()
	from := s.start
	if d.chance(0.2) {
		from = x.onset(s)
	}
	switch p := d.Float64(); {
	case p < 0.2:
		x.truths = x.course(t, e, j, boreSmall, from, false)
	case p < 0.45:
		x.truths = x.course(t, e, j, boreLarge, from, false)
	default:
		bore, share := -d.in(0.11, 0.21), d.in(0, 0.9)
		charge, ok := j.masking(bore, share)
		for !ok && bore < -0.07 { // nobody leaves a machine that trips
			bore += 0.02
			charge, ok = j.masking(bore, share)
		}
		if !ok {
			x.truths = x.course(t, e, j, boreSmall, from, false)
			return
		}
		note := "charged on superheat to make up for the small bore"
		if from > s.start {
			e.events = append(e.events, dewline.Event{System: e.systemID(), Kind: dewline.Serviced, At: s.millis(from), Note: boreSmall.visit})
		}
		e.courses = append(e.courses, cause{plant.Course{Fault: plant.Bore, Severity: bore, From: from}, boreSmall.fault, boreSmall.detail, boreSmall.note},
			cause{plant.Course{Fault: plant.Charge, Severity: charge, From: from}, "overcharge", "", note})
		x.pair(t, e, j)
	}
}

// masking finds the charge with which a machine of a wrong bore shows its target superheat, or that share
// of it: a technician who chases superheat goes on until it is there, and often past it.
func (j *judge) masking(bore, share float64) (charge float64, ok bool) {
	c := j.conditions[1]
	target := share * j.healthy[1].SuperheatK
	for charge = 0.05; charge < 1.2; charge += 0.03 {
		c.Faults = plant.Faults{Bore: bore, Charge: charge}
		st, err := j.m.Solve(c)
		if err != nil {
			return 0, false
		}
		if st.SuperheatK <= target || st.SuctionQuality < 1 {
			return charge, !j.at(c.Faults).stopped && !j.tripsInHeat(c.Faults)
		}
	}
	return 0, false
}

// twoAtOnce draws two faults of different kinds; the second comes in a step, so that each still has a look
// of its own.
func (x *drawn) twoAtOnce(t *layout, e *entry, j *judge) {
	d, s := x.draw, t.span()
	first := weighed(d, fitting(e), func(k kindOfFault) float64 { return k.weight })
	second := first
	for second.kind == first.kind || second.kind == plant.StuckAt || second.kind == plant.BulbLoose || first.kind == plant.StuckAt {
		first = weighed(d, fitting(e), func(k kindOfFault) float64 { return k.weight })
		second = weighed(d, fitting(e), func(k kindOfFault) float64 { return k.weight })
	}
	from := x.onset(s)
	c := plant.Course{Fault: first.kind, Severity: 0.85 * first.value(e, x.severity(t, e, j, first)), From: from}
	if d.chance(first.ramp) && !e.use.Variable && !e.use.Staged {
		c.Shape, c.Full = plant.Ramp, from+dayS*max(min(d.in(5, 30), (s.present-from)/dayS), 1)
	}
	e.courses = append(e.courses, cause{c, first.fault, first.detail, x.noted(first.note, &c)})
	c = plant.Course{Fault: second.kind, Severity: 0.85 * second.value(e, x.severity(t, e, j, second)), From: from + dayS*d.in(0, 6)}
	e.courses = append(e.courses, cause{c, second.fault, second.detail, second.note})
	x.pair(t, e, j)
}

// pair says the truth of two courses.
func (x *drawn) pair(t *layout, e *entry, j *judge) {
	x.truths = []Truth{e.truth(t, j, 0), e.truth(t, j, 1)}
	for i := range x.truths {
		x.truths[i].ID = fmt.Sprintf("%s#%d", e.systemID(), i+1)
		x.truths[i].Pair = fmt.Sprintf("%s#%d", e.systemID(), 2-i)
	}
}

// sensorTrouble draws a sensor that is wrong.
func (x *drawn) sensorTrouble(s span, e *entry, j *judge) {
	d := x.draw
	f := weighed(d, x.points, func(f dewline.PointFitting) float64 { return sensorWeights[f.Point] })
	accuracy, _ := f.Accuracy()
	from := x.onset(s)
	if d.chance(0.12) {
		from = s.start
	}
	wrong := SensorFault{Point: f.Point, From: s.millis(from)}
	kinds := []SensorFaultKind{SensorOffset, SensorDrift, SensorStuck, SensorNoise, OpenCircuit}
	switch f.Point {
	case dewline.SuctionTemp, dewline.LiquidTemp:
		kinds = append(kinds, ClampOff, ClampOff, ClampsSwapped)
	case dewline.DischargeTemp:
		kinds = append(kinds, ClampOff)
	case dewline.SuctionPressure, dewline.LiquidPressure, dewline.DischargePressure:
		kinds[0] = ZeroShift
	}
	wrong.Kind = pick(d, kinds...)
	seen := from
	sign := pick(d, -1.0, 1)
	switch wrong.Kind {
	case SensorOffset, ZeroShift:
		wrong.Size = sign * accuracy * d.in(3.2, 7)
		if d.chance(0.15) {
			wrong.Size, seen = sign*accuracy*d.in(1.5, 2.8), 0
		}
	case SensorDrift:
		rate := accuracy * d.in(4, 8) / d.in(8, 30)
		wrong.Size, seen = sign*rate, from+dayS*3*accuracy/rate
	case SensorNoise:
		wrong.Size = accuracy * d.in(2, 5)
	case ClampOff:
		wrong.Size = d.in(0.3, 0.75)
		if wrong.Size*j.apart(f.Point) < 3*accuracy {
			seen = 0
		}
	case SensorStuck:
		seen = from + 6*3600
	}
	if seen > s.present+30*dayS {
		seen = 0
	}
	replaced := 0.0
	if seen > 0 && d.chance(0.45) {
		if until := seen + dayS*d.in(4, 14); until < s.present-7*dayS {
			replaced = until
			wrong.Until = s.millis(until)
		}
	}
	e.sensorFaults = append(e.sensorFaults, wrong)
	detail := f.Point.String()
	if wrong.Kind == ClampsSwapped {
		other := wrong
		if other.Point = dewline.LiquidTemp; wrong.Point == dewline.LiquidTemp {
			other.Point = dewline.SuctionTemp
		}
		e.sensorFaults = append(e.sensorFaults, other)
	}
	if replaced > 0 {
		event := dewline.Event{System: e.systemID(), Kind: dewline.SensorReplaced, At: wrong.Until, Note: detail}
		if wrong.Kind == ClampsSwapped || wrong.Kind == ClampOff {
			event.Kind, event.Note = dewline.Serviced, "clamps strapped where they belong and wrapped"
		}
		e.events = append(e.events, event)
	}
	x.truths = []Truth{{System: e.systemID(), ID: string(e.systemID()) + "#1", Fault: "sensor", Detail: detail, Severity: wrong.Size, Onset: s.millis(from),
		Detectable: millis(seen), Repaired: wrong.Until, Note: string(wrong.Kind)}}
}

var sensorWeights = map[dewline.Point]float64{dewline.SuctionPressure: 3, dewline.LiquidPressure: 3, dewline.DischargePressure: 3, dewline.SuctionTemp: 3,
	dewline.LiquidTemp: 3, dewline.OutdoorAirTemp: 1.5, dewline.DischargeTemp: 1, dewline.ReturnAirTemp: 1, dewline.SupplyAirTemp: 1, dewline.ReturnAirRH: 0.6, dewline.SpaceTemp: 1}

// apart is how far a line is from the air around it in usual running, in K.
func (j *judge) apart(p dewline.Point) float64 {
	s, c := &j.healthy[1], &j.conditions[1]
	switch p {
	case dewline.SuctionTemp:
		return math.Abs(0.6*c.OutdoorC + 0.4*c.IndoorC - (s.SuctionK - 273.15))
	case dewline.LiquidTemp:
		return math.Abs(c.OutdoorC - (s.LiquidK - 273.15))
	}
	return math.Abs(c.OutdoorC - (s.DischargeK - 273.15))
}

// awkwardData draws what is awkward about a system's readings, or about its owner, and is no fault of the
// machine; it returns a note of it.
func (x *drawn) awkwardData(s span, e *entry, j *judge) string {
	d := x.draw
	words := []string{"noisy", "outages", "duplicates"}
	n := 0
	switch {
	case x.faulty:
		if d.chance(0.25) {
			n = 1
		}
	default:
		words = append(words, "clock_wrong", "units_wrong", "frozen", "point_vanishes", "point_appears", "shutdown", "filter_changed", "filter_changed")
		n = pick(d, 0, 0, 1, 1, 1, 2)
	}
	var notes []string
	d.Shuffle(len(words), func(a, b int) { words[a], words[b] = words[b], words[a] })
	for _, w := range words[:n] {
		if slices.Contains(x.class, w) {
			continue
		}
		if note := x.awkward(w, s, e, j); note != "" {
			x.class, notes = append(x.class, w), append(notes, note)
		}
	}
	return strings.Join(notes, "; ")
}

// habits draws what gateways do that is no trouble: some ask one sensor after another and give each reading its own
// time, and not every heat pump tells its mode. It returns a note of it.
func (x *drawn) habits(e *entry) string {
	d := draw{rand.New(rand.NewPCG(x.seed, 0x4ab1))} // of its own: what else is drawn does not depend on it
	var notes []string
	if d.chance(0.15) {
		e.link.apart = dewline.Millis(d.in(1000, 4000))
		x.class, notes = append(x.class, "asked_in_turn"), append(notes, "sensors are asked one after another")
	}
	told := func(f dewline.PointFitting) bool { return f.Point == dewline.OperatingMode }
	if e.kind == dewline.HeatPump && d.chance(0.35) && slices.ContainsFunc(x.points, told) {
		x.points = slices.DeleteFunc(x.points, told)
		x.class, notes = append(x.class, "mode_untold"), append(notes, "it tells no mode")
	}
	return strings.Join(notes, "; ")
}

// some draws a time within the span, away from its ends where it is long enough.
func (x *drawn) some(s span) float64 { return s.start + dayS*x.draw.in(0.1, 0.9)*s.days }

// awkward gives a system one awkwardness and returns its note, empty where it does not suit.
func (x *drawn) awkward(word string, s span, e *entry, j *judge) string {
	d := x.draw
	stretch := func(hours float64) (from, until dewline.Millis, text string) {
		from = s.millis(x.some(s))
		until = from + dewline.Millis(math.Round(hours*60))*60000
		return from, until, fmt.Sprintf("%s to %s", from.Time().Format(time.RFC3339), until.Time().Format(time.RFC3339))
	}
	all := func(kind SensorFaultKind, size float64, from, until dewline.Millis, which func(dewline.PointFitting) bool) {
		for _, f := range x.points {
			if which(f) {
				e.sensorFaults = append(e.sensorFaults, SensorFault{Point: f.Point, Kind: kind, Size: size, From: from, Until: until})
			}
		}
	}
	switch word {
	case "noisy":
		e.noisy = d.in(2.5, 4)
		return fmt.Sprintf("sensors with %.1f times the usual noise", e.noisy)
	case "outages":
		var notes []string
		for range 1 + d.IntN(4) {
			from, until, text := stretch(math.Exp(d.in(math.Log(0.7), math.Log(20))))
			e.link.outages = append(e.link.outages, [2]dewline.Millis{from, until})
			notes = append(notes, text)
		}
		return "gateway cut off, its backlog sent later: " + strings.Join(notes, ", ")
	case "duplicates":
		e.link.duplicates = true
		return "some packs are sent twice"
	case "clock_wrong":
		off := time.Duration(pick(d, -60, -35, -12, -7, 4, 8)) * time.Minute
		from, until, text := stretch(d.in(20, 70))
		e.link.clockOff, e.link.clockFrom, e.link.clockUntil = off, from, until
		return fmt.Sprintf("clock wrong by %v from %s", off, text)
	case "units_wrong":
		factor := pick(d, 1000, 0.001, 0.145038)
		from, until, text := stretch(d.in(3, 14))
		all(UnitFactor, factor, from, until, func(f dewline.PointFitting) bool { return f.Point.Dimension() == dewline.Pressure })
		return fmt.Sprintf("pressures sent as %g of their value from %s", factor, text)
	case "frozen":
		from, until, text := stretch(d.in(2, 9))
		all(SensorStuck, 0, from, until, func(dewline.PointFitting) bool { return true })
		return "all values frozen from " + text
	case "point_vanishes", "point_appears":
		var spare []dewline.PointFitting
		for _, f := range x.points {
			switch f.Point {
			case dewline.DischargeTemp, dewline.ReturnAirTemp, dewline.ReturnAirRH, dewline.SupplyAirTemp, dewline.CompressorPower, dewline.CompressorCurrent, dewline.CompressorOn:
				spare = append(spare, f)
			}
		}
		if len(spare) == 0 {
			return ""
		}
		p := pick(d, spare...).Point
		at, only := s.millis(x.some(s)), func(f dewline.PointFitting) bool { return f.Point == p }
		if word == "point_vanishes" {
			all(OpenCircuit, 0, at, 0, only)
			return fmt.Sprintf("%v no longer sent from %s", p, at.Time().Format(time.RFC3339))
		}
		all(OpenCircuit, 0, 0, at, only)
		return fmt.Sprintf("%v not sent before %s", p, at.Time().Format(time.RFC3339))
	case "shutdown":
		if !e.kind.Comfort() || s.days < 20 {
			return ""
		}
		from := s.start + dayS*d.in(0.2, 0.7)*s.days
		x.leaves = [2]float64{from, from + 10*dayS}
		return fmt.Sprintf("switched off from %s for ten days", s.millis(from).Time().Format(time.RFC3339))
	case "filter_changed":
		if !e.kind.Comfort() || e.use.Variable || s.days < 20 {
			return ""
		}
		// A filter as it loads up between two services: less than can be seen.
		share := d.in(0.08, 0.2)
		for range 12 {
			if v := j.at(plant.Faults{EvaporatorAir: share}); !v.detectable && !v.harmful {
				break
			}
			share *= 0.8
		}
		until := s.start + dayS*d.in(0.5, 0.9)*s.days
		e.courses = append(e.courses, cause{plant.Course{Fault: plant.EvaporatorAir, Shape: plant.Ramp, Severity: share, From: s.start, Full: until, Until: until}, "", "", ""})
		e.events = append(e.events, dewline.Event{System: e.systemID(), Kind: dewline.Serviced, At: s.millis(until), Note: "air filter changed in routine service"})
		return fmt.Sprintf("filter changed in routine service when it had taken %.0f %% of the air", 100*share)
	}
	return ""
}
