package analytics

import (
	"fmt"
	"math"
	"time"

	"dewline"
	"dewline/analytics/baseline"
	"dewline/analytics/cycle"
	"dewline/analytics/diagnose"
)

// The limits that stand above everything that is expected or learned.
const (
	// floodLimit: below it liquid is reaching the compressor (common practice: 5 F).
	floodLimit = 2.8 // K
	// hotDischarge is the highest temperature of the discharge line, some 15 cm from the compressor
	// (225 F; trade article 2018: the valve inside is 75 F hotter).
	hotDischarge = 107.0 // Cel
	// highHead is a condensing temperature that no air-cooled machine is meant to work at (common
	// practice: 65 °C in the hottest weather that a machine is built for).
	highHead = 66.0 // Cel
	// freezing: the coil of a comfort machine that works below it ices up (its air is moist).
	freezing = -2.0 // Cel, dew at the suction port
	// coldest is what such a coil hardly gets down to, however little it is given: below it the reading is
	// to be doubted first, which takes the sensors two of their spells.
	coldest = -25.0 // Cel
	// beyond is how many standard uncertainties a value must lie past a limit.
	beyond = 2
	// persist is how long it must hold, counted in steady running.
	persist = 30 * time.Minute
	// manyStarts in an hour wear a compressor out (makers' limits are 6 to 12 an hour).
	manyStarts = 11
)

// acute are the conditions that need no expectation.
type acute struct {
	Flood, Hot, Head, Ice, Cycling, Warm, Trip, Leak hold
	Hunting                                          hold
	CutOut                                           cutOut
	WarmSince                                        dewline.Millis
	DoorAt, DefrostAt                                dewline.Millis // when a door was open, or the coil defrosting, last
	Risk                                             dewline.Millis // accumulated: running with liquid reaching the compressor or too hot
	RiskToday                                        dewline.Millis
	LikelyToday                                      dewline.Millis    // that liquid came back, of a machine that is not learned yet
	RiskBefore                                       [2]dewline.Millis // of the two days before
	Wet                                              [3]dewline.Millis // of today and the two days before: liquid came back where the makers' table has superheat
	PrevRisk                                         dewline.Millis
}

// blurred is how unsure the superheat of a mean is that the machine may have stood for a part of, K: at rest it has none
// (from memory: a tenth to a fifth of the time, of 7 K).
const blurred = 1.2

// limits judges a frame of steady running against the limits. While it heats, the coil that may ice is the one
// outdoors, which is defrosted, and nothing is known of how much superheat a fixed bore should give: there it is liquid at
// the compressor where the discharge line says so too. The discharge line and the head are what they are.
func (y *system) limits(e *Engine, f *cycle.Features) {
	a := &y.Acute
	at := y.Frame.At
	need := dewline.Millis(persist.Milliseconds())
	longest := y.longest()
	each := y.each()
	if y.means {
		each = 0 // the last mean of a run may have its end in it
	}
	step := func(h *hold, c dewline.Condition, rests diagnose.Symptom, most dewline.Severity, so bool, text func() string) {
		change := h.step(at, so, each, longest, need)
		if change == opened && y.Operate.cools() && (c != dewline.Flooding || y.machine.System.Metering.HoldsSuperheat()) {
			y.glance()
		}
		switch {
		case change == ended:
			y.respect(e, c, at)
		case h.Open && so && !h.Told && !y.Watch.misreads(rests):
			if top := &y.Track.Top; top.Fault == dewline.SensorFault && top.Probability > 0.5 {
				h.Told = true // the sensor is wrong, and not the machine
				y.raise(e, sensorPrefix+top.Detail, dewline.SensorDoubt, dewline.Watch, h.Onset, at, text())
				break
			}
			if s, ok := y.tellable(c, most); ok {
				h.Told = true
				y.pass(e, c, s, h.Onset, at, text())
			}
		case h.Told && so && c == dewline.Flooding && a.unexpected():
			if y.ofMachine().watched() { // it was only worth a watch before
				y.pass(e, c, dewline.Soon, h.Onset, at, text())
			}
		}
	}
	risky, likely := false, false
	alone := dewline.Millis(0) // how long liquid came back by a reading that no other is near to
	cooling := y.Operate.cools()
	if f.OK(cycle.Superheat) && !y.Watch.hides(diagnose.Superheat) && (cooling || y.machine.System.Metering.HoldsSuperheat() || wetDischarge(f)) {
		v, u := f.Value[cycle.Superheat], f.U[cycle.Superheat]
		if y.coarse() && !y.verified() {
			u = math.Hypot(u, blurred)
		}
		so := v+beyond*u < floodLimit
		risky = risky || so
		if !y.machine.System.Metering.HoldsSuperheat() && !y.Track.Model.Learned() {
			// Nobody knows it yet, and it is mostly worth no more than a watch: one standard uncertainty is enough.
			so = v+u < floodLimit
			likely = so
			if so && !a.Flood.Open && !y.littleExpected() {
				need /= 3
			}
			if y.means { // half of one counts, though the last of a run may have its end in it
				each = dewline.Millis(y.interval().Milliseconds()) / 2
			}
			if likely {
				alone = each
			}
		}
		if so && cooling && y.machine.System.Metering.HoldsSuperheat() && y.floodsInShortRuns(need) {
			need = 0
		}
		step(&a.Flood, dewline.Flooding, diagnose.Superheat, dewline.Urgent, so, func() string {
			return fmt.Sprintf("superheat %.1f ±%.1f K (k = 2), below the limit of %.1f K while running steadily", v, beyond*u, floodLimit)
		})
		if y.means {
			each = 0
		}
	}
	if t, ok := y.Frame.Get(dewline.DischargeTemp, y.machine.Hold()); ok {
		u := y.machine.Uncertainty(dewline.DischargeTemp)
		so := t-beyond*u > hotDischarge
		risky = risky || so
		need = hour
		step(&a.Hot, dewline.HotDischarge, diagnose.DischargeExcess, dewline.Urgent, so, func() string {
			return fmt.Sprintf("discharge line %.0f °C, above the limit of %.0f °C: oil and valves suffer", t, hotDischarge)
		})
	}
	if f.OK(cycle.CondensingTemp) && !y.Watch.hides(diagnose.OverAmbient) {
		v, u := f.Value[cycle.CondensingTemp], f.U[cycle.CondensingTemp]
		need = dewline.Millis(persist.Milliseconds())
		step(&a.Head, dewline.HighHead, diagnose.OverAmbient, dewline.Urgent, v-beyond*u > highHead, func() string {
			return fmt.Sprintf("condensing at %.1f °C, above %.0f °C", v, highHead)
		})
	}
	if f.OK(cycle.SuctionDewTemp) && cooling && y.machine.System.Kind.Comfort() && !y.Watch.hides(diagnose.SuctionDew) {
		v, u := f.Value[cycle.SuctionDewTemp], f.U[cycle.SuctionDewTemp]
		need = 2 * hour // a room that is far too warm is pulled down through it
		if v < coldest {
			need = 5 * hour
		}
		step(&a.Ice, dewline.Freezing, diagnose.SuctionDew, dewline.Soon, v+beyond*u < freezing, func() string {
			return fmt.Sprintf("the coil works at %.1f °C: its moisture freezes", v)
		})
	}
	if ran := at - a.PrevRisk; a.PrevRisk != 0 && ran <= longest {
		if risky {
			a.Risk += ran
			a.RiskToday += ran
		}
		if likely {
			a.LikelyToday += ran
		}
	} else {
		a.LikelyToday += alone
	}
	a.PrevRisk = at
}

// wetDischarge says whether so little superheat is left at the discharge that liquid is compressed (common practice: below
// 20 to 25 °F).
func wetDischarge(f *cycle.Features) bool {
	const least = 11 // K
	return f.OK(cycle.DischargeSuperheat) && f.Value[cycle.DischargeSuperheat]+beyond*f.U[cycle.DischargeSuperheat] < least
}

// almostWet is a superheat at which a line's surface hardly tells gas from liquid (from memory).
const almostWet = 1.5 // K

// swinging judges whether the valve hunts, which steady running would not show.
func (y *system) swinging(e *Engine, f *cycle.Features) {
	a := &y.Acute
	so, size, period := y.hunts(f)
	switch a.Hunting.step(y.Frame.At, so, 0, y.longest(), dewline.Millis(persist.Milliseconds())) {
	case opened:
		// Many a good valve hunts at low load; it is to be acted on where liquid comes back in the troughs, or
		// where something speaks for a fault besides.
		severity := dewline.Watch
		if t := &y.Track; t.NoFault < 0.5 && t.Odds > 0 || y.wet() && y.Hunting.Heat.Mean-size/2 < almostWet {
			severity = dewline.Soon
		}
		y.pass(e, dewline.Hunting, severity, a.Hunting.Onset, y.Frame.At,
			fmt.Sprintf("superheat swings by %.1f K every %.0f min", size, period.Minutes()))
	case ended:
		y.respect(e, dewline.Hunting, y.Frame.At)
	}
}

// tellable says how grave a limit that is passed is, and whether it is told at all. A valve is there to
// keep liquid from the compressor; a fixed orifice or a capillary gives little superheat in hot weather
// by itself, which is a risk that is counted and not an alert, unless it lasts for hours, or the causes say that it is
// a fault. Of a machine that is not learned yet nobody knows whether the weather does it: there a few runs are enough,
// where the makers' table has superheat. A limit of another kind that a machine passes without any sign of a fault is
// worth a watch.
func (y *system) tellable(c dewline.Condition, most dewline.Severity) (dewline.Severity, bool) {
	t := &y.Track
	faulty := t.NoFault < 0.5 && t.Odds > 0 // now, and for some time
	if c == dewline.Flooding && !y.machine.System.Metering.HoldsSuperheat() {
		if !y.Operate.cools() { // and the discharge line has liquid too
			return dewline.Soon, true
		}
		if y.Believed.Open && faulty {
			if y.littleExpected() {
				return dewline.Watch, true
			}
			return most, true
		}
		const long, usual = 3 * hour, 5 * hour          // in three days
		const least, fewRuns, partly = hour / 2, 3, 0.3 // of today, and of its running
		a := &y.Acute
		if a.unexpected() {
			return dewline.Soon, true
		}
		if t.Model.Learned() { // it is known what the machine does in such weather
			return dewline.Watch, a.riskLately() > usual && !y.littleExpected()
		}
		mainly := float64(a.LikelyToday) > partly*float64(y.Day.Steady)
		return dewline.Watch, a.riskLately() > long || mainly && (a.LikelyToday > least || y.Day.Runs >= fewRuns && !y.littleExpected())
	}
	if !faulty && c != dewline.Flooding && c != dewline.HighHead {
		return dewline.Watch, true
	}
	return most, true
}

// littleExpected says whether the makers' table gives a fixed orifice hardly any superheat in the
// weather of the newest window: then its lack says nothing.
func (y *system) littleExpected() bool {
	if len(y.Track.Recent) == 0 {
		return false
	}
	mean, _ := y.prior.Expected(diagnose.Superheat, &y.Track.Recent[len(y.Track.Recent)-1])
	return mean < floodLimit+1.5
}

// surelyMore is how many standard deviations of what machines differ by the table must lie above the limit.
const surelyMore = 1.3

// floodsInShortRuns says whether liquid came back for most of many short runs that make up need, though a moment between
// did not pass the limit beyond doubt. While it heats, each defrost does that to a good machine.
func (y *system) floodsInShortRuns(need dewline.Millis) bool {
	const manyRuns, mostly = 3, 0.6 // of a day
	a, day := &y.Acute, &y.Day
	return day.Runs >= manyRuns && a.RiskToday >= need/3 && a.riskLately() >= need && float64(a.RiskToday) > mostly*float64(day.Steady)
}

// riskLately is how long liquid came back, or the discharge was too hot, today and in the two days before.
func (a *acute) riskLately() dewline.Millis { return a.RiskToday + a.RiskBefore[0] + a.RiskBefore[1] }

// unexpected says whether liquid came back for an hour of the last three days where the makers' table has superheat.
func (a *acute) unexpected() bool { return a.Wet[0]+a.Wet[1]+a.Wet[2] >= hour }

// wetted counts a window in which liquid came back through a fixed orifice or a capillary under conditions
// in which the makers' table has more superheat, by more than machines differ.
func (y *system) wetted(w *baseline.Window) {
	if y.machine.System.Metering.HoldsSuperheat() || !y.machine.System.Kind.Comfort() || w.Short && y.means || !w.Has[diagnose.Superheat] || w.Y[diagnose.Superheat] > 1 || y.Watch.hides(diagnose.Superheat) {
		return
	}
	if mean, sd := y.prior.Expected(diagnose.Superheat, w); mean-surelyMore*sd > floodLimit {
		y.Acute.Wet[0] += dewline.Millis(float64(w.Minutes) * float64(minute))
	}
}

// sparse readings are further apart than this.
const sparse = 4 * time.Minute

// each is what one frame of steady running stands for: where readings are sparse, a short run has but one.
func (y *system) each() dewline.Millis {
	if y.interval() < sparse {
		return 0
	}
	return dewline.Millis(min(y.interval(), 15*time.Minute).Milliseconds())
}

// longest is the longest time between two frames that still counts as running between them.
func (y *system) longest() dewline.Millis {
	return dewline.Millis(max(2*time.Minute, 5*y.interval()/2).Milliseconds())
}

// anyway judges what does not need steady running: spaces, safety devices, starts.
func (y *system) anyway(e *Engine, began bool) {
	a := &y.Acute
	at := y.Frame.At
	hold := y.machine.Hold()
	flag := func(p dewline.Point) (on, fresh bool) {
		v, ok := y.Frame.Get(p, hold)
		return v != 0, ok && y.Frame.Taken[p] == at
	}
	if on, fresh := flag(dewline.SafetyTrip); fresh {
		y.plainly(e, &a.Trip, 0, "safety", dewline.NotRunning, dewline.Urgent, on, says("a safety device has tripped"))
	}
	if on, fresh := flag(dewline.RefrigerantDetector); fresh {
		y.plainly(e, &a.Leak, 0, "leak", dewline.ChargeDrift, dewline.Urgent, on, says("the refrigerant detector has tripped: air the place, keep flames and sparks away"))
	}
	if on, fresh := flag(dewline.DoorOpen); fresh && on {
		a.DoorAt = at
	}
	if y.Operate.Mode == dewline.ModeDefrost {
		a.DefrostAt = at
	}
	if limit := float64(y.machine.System.SpaceLimit); limit > 0 {
		if v, ok := y.Frame.Get(dewline.SpaceTemp, hold); ok && y.Frame.Taken[dewline.SpaceTemp] == at && !y.Watch.hidesPoint(dewline.SpaceTemp) {
			u := y.machine.Uncertainty(dewline.SpaceTemp)
			limit -= 273.15
			so := v-u > limit
			severity := y.warmSeverity(at, v-limit, so)
			text := func() string { return fmt.Sprintf("%.1f °C in the space, its limit is %.1f °C", v, limit) }
			key := y.spaceKey()
			y.plainly(e, &a.Warm, dewline.Millis(y.interval().Milliseconds()), key, dewline.SpaceWarm, severity, so, text)
			if so && a.Warm.Open {
				y.raise(e, key, dewline.SpaceWarm, severity, a.Warm.Onset, at, text())
			}
		}
	}
	if began {
		n := y.Operate.startsWithin(at, time.Hour)
		y.plainly(e, &a.Cycling, hour, "cycling", dewline.ShortCycling, dewline.Watch, n >= manyStarts,
			func() string { return fmt.Sprintf("%d starts within an hour", n) })
	}
}

// spaceKey is the key of a warm space: what is wrong with its machine, where that is known, and otherwise its own.
func (y *system) spaceKey() string {
	ep := y.open(machineKey)
	if ep == nil || y.open("space") != nil {
		return "space"
	}
	return machineKey
}

// slightly is by how much a space may pass its limit for a while without much harm (common practice).
const slightly = 1.0 // K

// warmSeverity says how grave a space above its limit is: after a door or a defrost it comes down by
// itself, and goods take hours to warm, unless they are such that no time may be lost.
func (y *system) warmSeverity(at dewline.Millis, excess float64, so bool) dewline.Severity {
	a := &y.Acute
	if !so {
		a.WarmSince = 0
		return dewline.Watch
	}
	if a.WarmSince == 0 {
		a.WarmSince = at
	}
	since := at - a.WarmSince
	if recent := 45 * minute; a.DoorAt != 0 && at-a.DoorAt < recent || a.DefrostAt != 0 && at-a.DefrostAt < recent {
		since -= hour
	}
	critical := y.machine.System.Importance == dewline.Critical
	switch {
	case !critical && excess <= slightly && since < 12*hour && y.open(machineKey) == nil:
		return dewline.Watch // a hot afternoon, with a machine that does what it should
	case critical && since >= 30*minute, since >= 6*hour, excess > 4 && since >= 2*hour:
		return dewline.Urgent
	case critical, since >= 4*hour, excess > 3 && since >= 2*hour:
		return dewline.Soon
	}
	return dewline.Watch
}

// plainly steps a hold that does not need steady running. Its text is only made when it is told.
func (y *system) plainly(e *Engine, h *hold, need dewline.Millis, key string, c dewline.Condition, severity dewline.Severity, so bool, text func() string) {
	at := y.Frame.At
	switch h.step(at, so, 0, max(y.longest(), hour), need) {
	case opened:
		y.raise(e, key, c, severity, h.Onset, at, text())
	case ended:
		y.lower(e, key, c, at)
	}
}

func says(text string) func() string { return func() string { return text } }

const (
	minute = dewline.Millis(60_000)
	hour   = 60 * minute
)
