package analytics

import (
	"math"
	"slices"
	"strings"

	"dewline"
	"dewline/analytics/baseline"
	"dewline/analytics/cycle"
	"dewline/analytics/diagnose"
	"dewline/analytics/sensor"
)

// watching is what the sensors themselves give away.
type watching struct {
	Sensors sensor.Watch
	Doubts  []sensor.Doubt // as of the last hour
	At      dewline.Millis
	First   dewline.Millis
	Misread dewline.Millis // when a sensor was last suspected of values that mean nothing, 0 for never
}

// depends says which symptoms a point's reading goes into.
func depends(p dewline.Point, s diagnose.Symptom) bool {
	switch p {
	case dewline.SuctionPressure:
		return s == diagnose.Superheat || s == diagnose.SuctionDew || s == diagnose.DischargeExcess
	case dewline.LiquidPressure, dewline.DischargePressure:
		return s == diagnose.Subcooling || s == diagnose.OverAmbient || s == diagnose.DischargeExcess
	case dewline.SuctionTemp:
		return s == diagnose.Superheat || s == diagnose.DischargeExcess
	case dewline.LiquidTemp:
		return s == diagnose.Subcooling
	case dewline.DischargeTemp:
		return s == diagnose.DischargeExcess
	case dewline.OutdoorAirTemp:
		return s == diagnose.OverAmbient
	case dewline.ReturnAirTemp, dewline.SupplyAirTemp:
		return s == diagnose.AirSplit
	case dewline.CompressorPower, dewline.CompressorCurrent:
		return s == diagnose.LogPower
	}
	return false
}

// sure says whether a sensor of which of holds is surely wrong.
func (w *watching) sure(of func(dewline.Point) bool) bool {
	return slices.ContainsFunc(w.Doubts, func(d sensor.Doubt) bool { return d.Sure != 0 && of(d.Point) })
}

// surePoints has a bit for each sensor that is surely wrong; that of 0 stands for the gateway.
func (w *watching) surePoints() (bits uint64) {
	for i := range w.Doubts {
		if d := &w.Doubts[i]; d.Sure != 0 {
			bits |= 1 << d.Point
		}
	}
	return bits
}

// forgive drops the windows that were taken while a sensor was wrong: once it is right again, or another, nothing else tells
// them from those of a faulty machine.
func (t *track) forgive() {
	t.Recent, t.Kept = t.Recent[:0], 0
	t.Odds, t.Doubtful, t.Blaming, t.Possible = min(t.Odds, doubted), 0, 0, 0
}

// hides says whether a symptom rests on a sensor that is surely wrong.
func (w *watching) hides(s diagnose.Symptom) bool {
	return w.sure(func(p dewline.Point) bool { return depends(p, s) })
}

// meaningless says whether a sensor is suspected of values that have nothing to do with what it measures.
func meaningless(d sensor.Doubt) bool {
	return d.Kind == sensor.Open || d.Kind == sensor.UnitFactor || d.Kind == sensor.Stuck || d.Kind == sensor.FrozenGateway
}

// misreads says whether a symptom rests on a sensor whose values may mean nothing. Until that is settled, a
// limit that they pass says nothing of the machine.
func (w *watching) misreads(s diagnose.Symptom) bool {
	return slices.ContainsFunc(w.Doubts, func(d sensor.Doubt) bool {
		return meaningless(d) && (d.Point == 0 || depends(d.Point, s))
	})
}

// hidesPoint says whether a sensor itself is surely wrong.
func (w *watching) hidesPoint(p dewline.Point) bool {
	return w.sure(func(q dewline.Point) bool { return q == p })
}

// suspectsSensor says whether any sensor is in doubt by itself.
func (y *system) suspectsSensor() bool { return len(y.Watch.Doubts) > 0 }

// misled says whether windows that are still judged may have been taken while a sensor's values meant nothing.
func (y *system) misled(at dewline.Millis) bool {
	return y.Watch.Misread != 0 && at-y.Watch.Misread < dewline.Millis(recentSpan.Milliseconds())
}

// watch lets the sensors be judged by a frame, and tells of those that are in doubt.
func (y *system) watch(e *Engine, f *cycle.Features) {
	w := &y.Watch
	o := &y.Operate
	w.Sensors.Frame(y.machine, &y.Frame, f, sensor.Situation{
		Running: o.On, Known: o.Known, Since: o.Since, Steady: y.Steady.Steady, Mode: o.Mode, Interval: y.interval(), Mean: y.means,
		Suspicious: y.Track.Odds > doubted || len(y.Episodes) > 0,
	})
	at := y.Frame.At
	if at-w.At < hour {
		return
	}
	w.At = at
	before := w.surePoints()
	w.Doubts = w.Sensors.Doubts(w.Doubts[:0])
	if slices.ContainsFunc(w.Doubts, meaningless) {
		w.Misread = at
	}
	y.neverCame(at)
	if before&^w.surePoints() != 0 {
		y.Track.forgive()
	}
	for i := range w.Doubts {
		d := &w.Doubts[i]
		if d.Sure == 0 {
			continue
		}
		y.raise(e, sensorKey(d.Point), dewline.SensorDoubt, dewline.Watch, d.Since, at, d.Evidence)
	}
	for i := len(y.Episodes) - 1; i >= 0; i-- {
		if p, ok := sensorOf(y.Episodes[i].Key); ok && !w.doubted(p) && !y.Believed.Open && !y.Track.blames(p) {
			y.lower(e, y.Episodes[i].Key, dewline.SensorDoubt, at)
		}
	}
}

// blames says whether the windows speak for a wrong sensor of a point, which need not give itself away.
func (t *track) blames(point string) bool {
	return t.Top.Fault == dewline.SensorFault && t.Top.Detail == point && t.Odds > doubted
}

// neverCame doubts the sensors that are enrolled and have not been heard a day after the first of them.
func (y *system) neverCame(at dewline.Millis) {
	w := &y.Watch
	if w.First == 0 {
		w.First = at
	}
	if at-w.First < 24*hour {
		return
	}
	for i := range y.machine.System.Points {
		p := y.machine.System.Points[i].Point
		if y.Frame.Taken[p] != 0 || !eachFrame(p) {
			continue
		}
		w.Doubts = append(w.Doubts, sensor.Doubt{Point: p, Kind: sensor.Absent, Since: w.First, Sure: at, Probability: 0.95, Evidence: p.String() + " is enrolled and has never sent anything"})
	}
}

// eachFrame says whether a point is measured all the time, and not only told when it changes.
func eachFrame(p dewline.Point) bool {
	d := p.Dimension()
	return d == dewline.Pressure || d == dewline.Temperature || d == dewline.Humidity
}

func (w *watching) doubted(point string) bool {
	return w.sure(func(p dewline.Point) bool { return nameOf(p) == point })
}

const sensorPrefix = "sensor:"

// gateway stands for all points of a system at once.
const gateway = "gateway"

func nameOf(p dewline.Point) string {
	if p == 0 {
		return gateway
	}
	return p.String()
}

func sensorKey(p dewline.Point) string { return sensorPrefix + nameOf(p) }

func sensorOf(key string) (point string, ok bool) { return strings.CutPrefix(key, sensorPrefix) }

// sensors fills in how each sensor's error moves the symptoms under the conditions of a window.
func (y *system) sensors(w *baseline.Window) []diagnose.Sensor {
	m := y.machine
	suctionDew, bubble, highDew := m.Slopes(float64(w.Suction), float64(w.High))
	list := y.directions[:0]
	add := func(p dewline.Point, spread float64, d diagnose.Vector) {
		if !m.System.Fitted(p) {
			return
		}
		s := diagnose.Sensor{Point: p, Direction: d, Spread: spread}
		for i := range y.Watch.Doubts {
			s.Suspected = s.Suspected || y.Watch.Doubts[i].Point == p
		}
		if y.Track.Doubtful > 0 {
			s.Moved, s.MovedU, _ = y.Watch.Sensors.Moved(p, y.Track.Since)
			if p == dewline.SuctionPressure && s.Moved > 0 {
				s.MovedU = 0 // air in the circuit does that too
			}
		}
		list = append(list, s)
	}
	perDew, perCondensing, perSuperheat := y.excess(w)
	if suctionDew > 0 {
		k := suctionDew
		add(dewline.SuctionPressure, 4/k, diagnose.Vector{-k, 0, k, 0, perDew * k, 0, 0})
	}
	high := dewline.LiquidPressure
	if !m.System.Fitted(high) {
		high = dewline.DischargePressure
	}
	if bubble > 0 && highDew > 0 {
		cond := (bubble + highDew) / 2
		add(high, 4/cond, diagnose.Vector{0, bubble, 0, cond, -highDew - perCondensing*cond, 0, 0})
	}
	add(dewline.SuctionTemp, 6, diagnose.Vector{1, 0, 0, 0, -perSuperheat, 0, 0})
	add(dewline.LiquidTemp, 6, diagnose.Vector{0, -1, 0, 0, 0, 0, 0})
	if apart := y.exchanged(w); apart > 0 { // the liquid clamp on the suction line, and the other way round
		add(dewline.LiquidTemp, apart, diagnose.Vector{1, 1, 0, 0, -perSuperheat, 0, 0})
	}
	add(dewline.DischargeTemp, 15, diagnose.Vector{0, 0, 0, 0, 1, 0, 0})
	add(dewline.OutdoorAirTemp, 5, y.shift(w, func(w *baseline.Window) { w.Outdoor++ }, diagnose.OverAmbient, -1))
	cold := !m.System.Kind.Comfort() && m.System.Fitted(dewline.SpaceTemp) // then the space is what drives the machine
	if cold {
		add(dewline.SpaceTemp, 4, y.shift(w, func(w *baseline.Window) { w.Inside++ }, diagnose.AirSplit, 0))
		add(dewline.ReturnAirTemp, 4, diagnose.Vector{diagnose.AirSplit: 1})
	} else {
		add(dewline.ReturnAirTemp, 4, y.shift(w, func(w *baseline.Window) { w.Inside++; w.WetBulb += 0.6 }, diagnose.AirSplit, 1))
		if w.HasWetBulb {
			// 1 % moves the wet bulb of a room by 0.16 K (of 24 °C and half wet air, by the psychrometric equation).
			add(dewline.ReturnAirRH, 10, y.shift(w, func(w *baseline.Window) { w.WetBulb += 0.16 }, diagnose.AirSplit, 0))
		}
	}
	add(dewline.SupplyAirTemp, 4, diagnose.Vector{diagnose.AirSplit: -1})
	electric := dewline.CompressorPower
	if byCurrent(m.System) {
		electric = dewline.CompressorCurrent
	}
	add(electric, 0.5, diagnose.Vector{diagnose.LogPower: 1})
	y.directions = list
	return list
}

// excess returns by how much the discharge superheat of a window is expected to be higher, K, for each kelvin by which the suction's
// dew temperature reads too low and the superheat too high with it, by which the condensing temperature reads too high, and by which
// the superheat alone does. All of what is unusual of each is taken for its error: gross ones are far from where they began.
func (y *system) excess(w *baseline.Window) (perDew, perCondensing, perSuperheat float64) {
	perDew, perCondensing, perSuperheat = 1.8, 0.7, 1.1 // at usual conditions
	dew, condensing, ok := y.machine.Saturations(float64(w.Suction), float64(w.High))
	if !ok || !w.Has[diagnose.Superheat] {
		return perDew, perCondensing, perSuperheat
	}
	superheat := float64(w.Y[diagnose.Superheat])
	read, ok := y.machine.DischargeSuperheatAt(dew, condensing, superheat)
	if !ok {
		return perDew, perCondensing, perSuperheat
	}
	off := func(s diagnose.Symptom) float64 {
		k := float64(w.Y[s]) - y.expected(s, w)
		if !w.Has[s] || math.Abs(k) < 1 {
			return 1
		}
		return k
	}
	per := func(was *float64, error, dew, condensing, superheat float64) {
		if v, ok := y.machine.DischargeSuperheatAt(dew, condensing, superheat); ok {
			*was = (read - v) / error
		}
	}
	k := off(diagnose.SuctionDew)
	per(&perDew, -k, dew-k, condensing, superheat+k)
	k = off(diagnose.OverAmbient)
	per(&perCondensing, k, dew, condensing-k, superheat)
	k = off(diagnose.Superheat)
	per(&perSuperheat, k, dew, condensing, superheat-k)
	return perDew, perCondensing, perSuperheat
}

// superheat returns what a window is expected to have, K, by what was learned or else by what is usual.
func (y *system) superheat(w *baseline.Window) float64 {
	mean, _, ok := y.Track.Model.Expected(y.prior, diagnose.Superheat, w)
	if !ok {
		mean, _ = y.prior.Expected(diagnose.Superheat, w)
	}
	return max(mean, 0)
}

// exchanged returns by how much the suction line reads warmer than the liquid line in a window, K: gas on its way back
// hardly ever is (a starved machine in cool weather), unless the two clamps are exchanged. Otherwise it returns 0.
func (y *system) exchanged(w *baseline.Window) float64 {
	if !w.Has[diagnose.Superheat] || !w.Has[diagnose.Subcooling] {
		return 0
	}
	lift, ok := y.machine.Lift(float64(w.Suction), float64(w.High))
	if !ok {
		return 0
	}
	return max(float64(w.Y[diagnose.Superheat])+float64(w.Y[diagnose.Subcooling])-lift, 0)
}

// shift returns how the residuals move when a sensor of the driving conditions reads one unit high:
// by what it goes into itself, and by what is then expected. A cold room is held so closely that nothing is learned there of how
// its machine follows it.
func (y *system) shift(w *baseline.Window, by func(*baseline.Window), own diagnose.Symptom, direct float64) diagnose.Vector {
	expected := y.expected
	if !y.machine.System.Kind.Comfort() {
		expected = func(s diagnose.Symptom, w *baseline.Window) float64 {
			mean, _ := y.prior.Expected(s, w)
			return mean
		}
	}
	moved := *w
	by(&moved)
	y.prior.Prepare(&moved)
	var d diagnose.Vector
	for s := range diagnose.NumSymptoms {
		d[s] = expected(s, w) - expected(s, &moved)
	}
	d[own] += direct
	return d
}

// mixed is how likely it is beforehand that a machine stood for a part of a mean, beside that it did not, where nothing
// tells; and where its power tells that it hardly did (from memory).
const mixed, rarelyMixed = 0.5, 0.1

// iced is how much of what closes a coil's air is a defrost that fails, by common practice: in cold rooms more of it than
// dirt and weak fans, in cases, which mostly defrost by standing, less.
func iced(k dewline.Kind) float64 {
	switch {
	case k.Comfort():
		return 0
	case k == dewline.DisplayCase:
		return 0.45
	}
	return 0.55
}

// situation is what is known beside the residuals.
func (y *system) situation(w *baseline.Window, sensors []diagnose.Sensor) diagnose.Situation {
	s := y.machine.System
	sit := diagnose.Situation{
		Group: y.group, Ice: iced(s.Kind), HeatPump: s.Kind == dewline.HeatPump,
		Visited:   y.Track.Visit != 0 && w.To-y.Track.Visit < visitedDays*24*hour,
		Inherited: y.Track.inherited(),
		Sensors:   sensors,
	}
	sit.Superheat = y.superheat(w)
	if w.Has[diagnose.Superheat] {
		sit.Below, sit.BelowU = -float64(w.Y[diagnose.Superheat]), y.last.U[cycle.Superheat]
	}
	a := &y.Acute
	passed := func(h *hold) bool { return h.Open && h.Last >= max(w.From, y.Track.Visit) }
	sit.Wet = s.Metering.HoldsSuperheat() && passed(&a.Flood)
	sit.Flooded = s.Metering.HoldsSuperheat() && a.Flood.Open && a.Flood.Last > y.Track.Visit
	sit.Beyond = sit.Wet || passed(&a.Head) || passed(&a.Ice)
	if y.coarse() {
		sit.Mixed = mixed
		if y.verified() {
			sit.Mixed = rarelyMixed
		}
	}
	if above, u, ok := y.Watch.Sensors.Standing(y.machine, y.Track.Visit); ok {
		sit.Standing, sit.StandingU = above, u
	}
	if s.Orifice > 0 && s.OrificeInstalled > 0 {
		off := math.Abs(float64(s.OrificeInstalled/s.Orifice) - 1)
		sit.BoreDoubt, sit.BoreRight = off > 0.02, off <= 0.02
	}
	return sit
}
