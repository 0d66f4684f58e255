package sensor

import (
	"math"
	"time"

	"dewline"
	"dewline/analytics/cycle"
)

const (
	suctionP   = int(dewline.SuctionPressure) - 1
	liquidP    = int(dewline.LiquidPressure) - 1
	dischargeP = int(dewline.DischargePressure) - 1
	suctionT   = int(dewline.SuctionTemp) - 1
	liquidT    = int(dewline.LiquidTemp) - 1
	dischargeT = int(dewline.DischargeTemp) - 1
	outdoorT   = int(dewline.OutdoorAirTemp) - 1
	returnT    = int(dewline.ReturnAirTemp) - 1
	supplyT    = int(dewline.SupplyAirTemp) - 1
	spaceT     = int(dewline.SpaceTemp) - 1
	current    = int(dewline.CompressorCurrent) - 1
	power      = int(dewline.CompressorPower) - 1
)

// lively says whether a point moves with every start and stop.
func lively(i int) bool { return i < numRelated || i == supplyT }

const (
	fewest     = 4 // readings of a spell from which it is judged
	mostMoves  = 6 // limits of error that a real start or stop moves a lively point by
	someMoves  = 3
	slowSpells = 12 // a day of them, for air temperatures that may stand still for hours
)

// close judges the spell that is over and makes ready for the next.
func (w *Watch) close(suspicious bool) {
	st := &w.State
	if st.Spell.Frames == 0 {
		return
	}
	from := dewline.Millis(st.Spell.ID) * spellLength
	w.alone(from, from+spellLength)
	w.related(from, from+spellLength)
	w.rested(from, from+spellLength)
	w.calmed(suspicious)
	for i := range st.Points {
		p := &st.Points[i]
		p.N, p.MeanN, p.RestN, p.Mean, p.Rest = 0, 0, 0, 0, 0
		if p.Run.N >= enoughNoise {
			p.Run = noise{}
		}
		if p.Off.N >= enoughNoise {
			p.Off = noise{}
		}
	}
}

// flat says whether a point stood still through the whole spell.
func (p *point) flat(from dewline.Millis) bool {
	return p.N >= fewest && p.Min == p.Max && p.Changed < from
}

// movers are the lively points that moved in a spell, a bit each.
type movers struct{ some, full uint16 }

// others counts the movers but for one point.
func (m movers) others(i int) (some, full int) {
	return ones(m.some &^ (1 << i)), ones(m.full &^ (1 << i))
}

func ones(b uint16) (n int) {
	for ; b != 0; b &= b - 1 {
		n++
	}
	return n
}

// alone judges each point by itself: stuck, noisy, silent; and the gateway, by all of them.
func (w *Watch) alone(from, to dewline.Millis) {
	st := &w.State
	sp := &st.Spell
	ran := time.Duration(sp.Ran) * time.Second
	var mv movers
	live, flat, fine := 0, 0, 0
	since := dewline.Millis(0)
	for i := range st.Points {
		p := &st.Points[i]
		if p.N < fewest {
			continue
		}
		live++
		if p.flat(from) {
			flat++
			since = max(since, p.Changed)
			if p.fine(w.limit(i)) {
				fine++
			}
		}
		if span := float64(p.Max - p.Min); lively(i) && p.Doubt.Sure == 0 {
			if span >= someMoves*w.limit(i) {
				mv.some |= 1 << i
			}
			if span >= mostMoves*w.limit(i) {
				mv.full |= 1 << i
			}
		}
	}
	g := &st.Gateway
	switch frozen := live >= 3 && flat == live && fine >= 2; {
	case frozen:
		g.add(FrozenGateway, since, 0, ran)
		g.note(FrozenGateway, 0, 0, float64(live), 0)
		// A machine that runs never stands still to the last digit; one at rest hardly ever.
		g.believe(FrozenGateway, to, g.Spells >= 2 && g.Ran >= 200 || g.Spells >= 4)
		return // it says nothing of single points
	case live >= 3 && flat < live:
		g.good(FrozenGateway, from, to)
	}
	for i := range st.Points {
		p := &st.Points[i]
		if p.N > 0 && sp.Bad&(1<<i) == 0 {
			p.Doubt.good(Open, from, to)
		}
		w.absent(i, mv, from, to, live)
		if p.N < fewest {
			continue
		}
		w.stuck(i, mv, from, to)
		w.noisy(i, from, to)
	}
}

// fine says whether a sensor is known to move in steps small against its limit of error.
func (p *point) fine(limit float64) bool { return p.Quantum > 0 && float64(p.Quantum) <= limit/2 }

// Still says whether a pressure that is read in small steps has stood to the last digit for so long that it is none of a machine
// that runs: what is made of it says nothing, whatever the reason.
func (w *Watch) Still(m *cycle.Machine, fr *cycle.Frame) bool {
	const long, intervals, small = 30 * minute, 4, 2_000 // Pa
	for _, i := range [...]int{suctionP, liquidP, dischargeP} {
		p := &w.State.Points[i]
		if _, fresh := fr.Get(dewline.Point(i+1), m.Hold()); !fresh || p.Changed == 0 || p.Quantum == 0 || p.Quantum > small {
			continue
		}
		if fr.At-p.Changed >= max(long, intervals*dewline.Millis(w.State.Interval)) {
			return true
		}
	}
	return false
}

// absent judges whether a point that was there has fallen silent while the others go on.
func (w *Watch) absent(i int, mv movers, from, to dewline.Millis, live int) {
	sp := &w.State.Spell
	p := &w.State.Points[i]
	if p.N > 0 {
		p.Doubt.good(Absent, from, to)
		return
	}
	if p.Changed == 0 || sp.Bad&(1<<i) != 0 || live < 3 || !w.machine.System.Fitted(dewline.Point(i+1)) {
		return
	}
	// Without a signal of its own the compressor runs where the pressures say so, of which one may be silent.
	if some, _ := mv.others(i); sp.Ran < 1800 && (sp.Status || some < 2) {
		return
	}
	p.Doubt.add(Absent, p.lastSeen(from), 0, time.Duration(sp.Ran)*time.Second)
	enough := uint8(2)
	if dewline.Point(i+1).Dimension() == dewline.Humidity { // which may stand for hours, where only what has changed is sent
		enough = 6
	}
	p.Doubt.believe(Absent, to, p.Doubt.Spells >= enough)
}

func (p *point) lastSeen(from dewline.Millis) dewline.Millis { return max(p.Changed, from-spellLength) }

// stuck judges a point that stood still against its neighbours that moved.
func (w *Watch) stuck(i int, mv movers, from, to dewline.Millis) {
	st := &w.State
	sp := &st.Spell
	p := &st.Points[i]
	if !p.flat(from) {
		// The first spell with any movement ends a suspicion, whatever it was built on.
		if p.Doubt.Kind == Stuck && p.Doubt.Sure == 0 {
			p.Doubt = suspicion{}
		}
		p.Doubt.good(Stuck, from, to)
		return
	}
	some, full := mv.others(i)
	ran := time.Duration(sp.Ran) * time.Second
	// Weather moves a machine at rest too, and not all of its parts. Where running is only told by the
	// pressures, a stuck one may hide it.
	if sp.Ran < 600 && sp.Status {
		return
	}
	// Of means, and of a sensor of coarse steps, only real starts and stops among the neighbours tell.
	evidence := full >= 2 || some >= 2 && p.fine(w.limit(i)) && !sp.Mean
	enough := uint8(3)
	switch {
	case lively(i):
	case i == current || i == power:
		idle := float32(1) // A; a crankcase heater draws less (common practice)
		if i == power {
			idle = 150 // W
		}
		// At rest a compressor draws nothing, for as long as it rests.
		evidence = full >= 2 && (p.Max > idle || sp.Ran >= 3600)
	case i == outdoorT || i == returnT:
		evidence = some >= 2 && p.Quantum <= 0.25
		if enough = slowSpells; p.Quantum == 0 { // its steps are not known
			enough = 4 * slowSpells
		}
	case i == spaceT && !w.machine.System.Kind.Comfort(): // what a thermostat goes by swings with every run
		evidence, enough = full >= 2 && p.fine(w.limit(i)), 4
	default:
		return // humidity and a room may stand still in health
	}
	if !evidence {
		return
	}
	p.Doubt.add(Stuck, p.Changed, sp.Turns, ran)
	p.Doubt.note(Stuck, 0, 0, float64(p.Last), 0)
	p.Doubt.believe(Stuck, to, p.Doubt.Spells >= enough || enough == 3 && p.Doubt.Turns >= 6)
}

const (
	enoughNoise = 20 // second differences to judge noise by
	noiseFactor = 6  // above what such a sensor has
	quietFactor = 2  // that a neighbour may have, or a third of what the noisy one has
)

// usualNoise returns the standard deviation of noise that a sensor may have in health: a share of its limit
// of error, and what its steps make.
func (w *Watch) usualNoise(i int) float64 {
	p := dewline.Point(i + 1)
	limit := math.Sqrt(3) * w.machine.Uncertainty(p)
	least := 0.08 // K
	if p.Dimension() == dewline.Pressure {
		least = 1500 // Pa
	} else if !lively(i) {
		least = 0.2 // air outdoors and in rooms is gusty
	}
	return max(0.15*limit, 0.35*float64(w.State.Points[i].Quantum), least)
}

// noisy judges a point's noise. What the machine does moves its neighbours too, and stops when it is
// off; noise does not care.
func (w *Watch) noisy(i int, from, to dewline.Millis) {
	p := &w.State.Points[i]
	if !lively(i) && i != outdoorT && i != returnT && i != spaceT {
		return
	}
	hasRun, hasOff := p.Run.N >= enoughNoise, p.Off.N >= enoughNoise
	if !hasRun && !hasOff {
		return
	}
	usual := w.usualNoise(i)
	limit := noiseFactor * usual
	run, off := hasRun && p.Run.sd() > limit, hasOff && p.Off.sd() > limit
	var seen bool
	switch {
	case hasRun && hasOff:
		seen = run && off && p.Off.white()
	case hasOff:
		seen = off && p.Off.white() && w.quietBut(i, false, p.Off.sd()/usual)
	case i != suctionT && i != dischargeT:
		// A hunting valve moves these two by far more than the pressures, and sampled slowly against its period it
		// looks white.
		seen = run && p.Run.white() && w.quietBut(i, true, p.Run.sd()/usual)
	}
	if !seen {
		if !run && !off {
			p.Doubt.good(Noisy, from, to)
		}
		return
	}
	sd := 0.0
	if hasRun {
		sd = p.Run.sd()
	}
	if hasOff {
		sd = max(sd, p.Off.sd())
	}
	p.Doubt.add(Noisy, from, 0, time.Duration(w.State.Spell.Ran)*time.Second)
	p.Doubt.note(Noisy, 0, sd, usual, 0)
	p.Doubt.believe(Noisy, to, p.Doubt.Spells >= 3)
}

// quietBut says whether all lively neighbours of a point are quiet beside its own factor.
func (w *Watch) quietBut(i int, whileRunning bool, factor float64) bool {
	quiet := 0
	for j := range w.State.Points {
		n := &w.State.Points[j].Off
		if whileRunning {
			n = &w.State.Points[j].Run
		}
		if j == i || !lively(j) || n.N < enoughNoise {
			continue
		}
		if n.sd() > max(quietFactor, factor/3)*w.usualNoise(j) {
			return false
		}
		quiet++
	}
	return quiet >= 2
}
