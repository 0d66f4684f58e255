package sensor

import (
	"math"
	"time"

	"dewline"
)

// least is how much steady cooling of a spell makes its means worth judging.
const least = 8 * 60 // s

// means are the steady cooling of a spell: absolute pressures in Pa, temperatures in Cel, differences in
// K; NaN where there is none.
type means struct {
	suction, high, discharge      float64
	dew, bubble, cond, hotDew     float64 // at suction, high side twice, and discharge
	suctionT, liquidT, dischargeT float64
	out, in, supply               float64
	superheat, subcooling         float64
	overAir, approach             float64
	hot, excess                   float64 // discharge superheat, and what it is above the usual
	slopeSuction, slopeHigh       float64 // K/Pa
	highPoint                     int
}

func (w *Watch) means() means {
	st := &w.State
	get := func(i int) float64 {
		p := &st.Points[i]
		if p.MeanN < 3 || p.Doubt.Sure != 0 || p.Doubt.Kind == Stuck || p.N >= 2*fewest && p.Min == p.Max {
			return math.NaN()
		}
		return float64(p.Mean)
	}
	abs := func(i int) float64 { return get(i) + w.machine.Ambient(dewline.Point(i+1)) }
	m := means{
		suction: abs(suctionP), high: abs(liquidP), discharge: abs(dischargeP), highPoint: liquidP,
		suctionT: get(suctionT), liquidT: get(liquidT), dischargeT: get(dischargeT),
		out: get(outdoorT), in: get(returnT), supply: get(supplyT),
	}
	if math.IsNaN(m.in) {
		m.in = get(spaceT)
	}
	if math.IsNaN(m.high) {
		m.high, m.highPoint = m.discharge-float64(w.machine.System.CoilDrop), dischargeP
	}
	if math.IsNaN(m.discharge) {
		m.discharge = m.high
	}
	m.dew, _ = w.saturation(m.suction)
	highDew, bubble := w.saturation(m.high)
	m.bubble, m.cond = bubble, (highDew+bubble)/2
	m.hotDew, _ = w.saturation(m.discharge)
	m.superheat, m.subcooling = m.suctionT-m.dew, m.bubble-m.liquidT
	m.overAir, m.approach = m.cond-m.out, m.liquidT-m.out
	m.hot = m.dischargeT - m.hotDew
	m.excess = math.NaN()
	if usual, ok := w.machine.DischargeSuperheatAt(m.dew, m.cond, m.superheat); ok {
		m.excess = m.hot - usual
	}
	m.slopeSuction, m.slopeHigh, _ = w.machine.Slopes(m.suction, m.high)
	return m
}

// within says whether v is known and in the interval.
func within(v, low, high float64) bool { return v >= low && v <= high }

// related judges pressures and clamps against each other.
func (w *Watch) related(from, to dewline.Millis) {
	st := &w.State
	sp := &st.Spell
	m := w.means()
	ran := time.Duration(sp.Ran) * time.Second
	// The first explanation that holds is taken: after it the others would only see its shadow.
	swapped := sp.Cooling >= least && w.swapped(&m)
	odd := !swapped && w.crossed(&m, from, to)
	if !swapped && !odd && w.unit(&m, from, to) || odd || sp.Cooling < least || st.Gateway.Kind == FrozenGateway {
		return
	}
	for _, i := range [...]int{suctionT, liquidT} {
		c := &st.Related[i]
		if !swapped {
			c.good(Swapped, from, to)
			continue
		}
		other := m.liquidT - m.suctionT
		if i == liquidT {
			other = -other
		}
		c.add(Swapped, from, sp.Runs, ran)
		c.note(Swapped, other, 2, m.superheat, m.subcooling)
		c.believe(Swapped, to, c.runs())
	}
	if swapped {
		return
	}
	w.contradictions(&m, from, to)
	w.stepped(&m, from, to)
}

// crossed judges the pressures by their ratio and says whether they are exchanged or on one channel. While
// both read the same, heat must be moved: a compressor that runs and does not pump is a fault of the machine.
func (w *Watch) crossed(m *means, from, to dewline.Millis) (seen bool) {
	st := &w.State
	sp := &st.Spell
	high := liquidP
	if st.Points[dischargeP].N > 0 {
		high = dischargeP
	}
	for _, i := range [...]int{suctionP, high} {
		if k := st.Points[i].Doubt.Kind; k == Stuck || k == UnitFactor || k == Open {
			return false
		}
	}
	share := func(n, of uint16) float64 { return float64(n) / float64(max(of, 1)) }
	exchanged := sp.Ratios >= 10 && share(sp.Crossed, sp.Ratios) > 0.9 || sp.Any >= 10 && share(sp.Wrong, sp.Any) > 0.25 && sp.Above == 0 && w.swings(suctionP)
	equal := !exchanged && sp.Ratios >= 10 && share(sp.Low, sp.Ratios) > 0.9 && w.pumps() &&
		st.Points[suctionP].Min > 50_000 // near the air's pressure they may be dead, or of another unit
	if exchanged && sp.Cooling >= least {
		// Exchanged they must make sense, or else it is one of them that is wrong.
		dew, _ := w.saturation(m.high)
		_, bubble := w.saturation(m.suction)
		exchanged = within(m.suctionT-dew, -4, 40) && within(bubble-m.liquidT, -4, 25)
	}
	seen = exchanged || equal
	for _, i := range [...]int{suctionP, high} {
		c := &st.Related[i]
		switch {
		case seen:
			c.add(CrossedPressures, from, 1, time.Duration(sp.Ran)*time.Second)
			c.note(CrossedPressures, 0, 0, 0, flagged(equal))
			c.believe(CrossedPressures, to, c.Spells >= 2)
		case sp.Ratios >= 10:
			c.good(CrossedPressures, from, to)
		}
	}
	return seen
}

// swings says whether a point moved as at a start or stop.
func (w *Watch) swings(i int) bool {
	p := &w.State.Points[i]
	return float64(p.Max-p.Min) >= mostMoves*w.limit(i)
}

func flagged(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// pumps says whether the temperatures show that heat is being moved.
func (w *Watch) pumps() bool {
	st := &w.State
	apart := func(a, b int, k float32) bool {
		x, y := &st.Points[a], &st.Points[b]
		return x.MeanN >= 3 && y.MeanN >= 3 && x.Mean-y.Mean > k
	}
	return apart(dischargeT, suctionT, 25) || apart(returnT, supplyT, 4) || apart(liquidT, suctionT, 10)
}

// swapped says whether suction and liquid clamp make sense only when exchanged: the liquid cannot be colder
// than the air that cools it, nor gas on its way back be warmer than all air around it.
func (w *Watch) swapped(m *means) bool {
	mostSuperheat := 20.0
	if !w.machine.System.Kind.Comfort() {
		mostSuperheat = 40 // warm suction gas is normal there
	}
	warm, cold := m.bubble-20, m.bubble-15
	if !math.IsNaN(m.out) {
		warm, cold = m.out-1, m.out-3
	}
	return m.superheat > 12 && m.subcooling > 12 && m.suctionT-m.liquidT > 8 &&
		within(m.liquidT-m.dew, -3, mostSuperheat) && within(m.bubble-m.suctionT, -2, 18) &&
		m.suctionT >= warm && m.liquidT <= cold
}

// contradictions judges what cannot be in a steady state: liquid hotter than it condenses, gas colder than
// it boils, discharge gas colder than it condenses.
func (w *Watch) contradictions(m *means, from, to dewline.Millis) {
	u := func(i int, slope float64) float64 { return w.machine.Uncertainty(dewline.Point(i+1)) * slope }
	// With hardly any charge nothing condenses, and warm gas is in the liquid line.
	condensing := m.overAir > 5 || math.IsNaN(m.overAir) && m.superheat < 15
	// Where gas comes along, the line has the saturation temperature, give or take its pressure drop.
	hotLiquid := m.subcooling < -max(5, 3*math.Hypot(u(liquidT, 1), u(m.highPoint, m.slopeHigh)))
	w.contradict(liquidT, m.highPoint, hotLiquid && condensing, !math.IsNaN(m.subcooling), m.subcooling, from, to)
	// Liquid in the line cools the clamp to the dew temperature, pressure drop a little below.
	coldGas := m.superheat < -max(6, 2+3*math.Hypot(u(suctionT, 1), u(suctionP, m.slopeSuction)))
	w.contradict(suctionT, suctionP, coldGas, !math.IsNaN(m.superheat), m.superheat, from, to)

	c := &w.State.Related[dischargeT]
	switch cold := m.hot < -max(4, 3*math.Hypot(u(dischargeT, 1), u(m.highPoint, m.slopeHigh))); {
	case cold && m.superheat > 0:
		c.add(FallenOff, from, w.State.Spell.Runs, time.Duration(w.State.Spell.Ran)*time.Second)
		c.note(FallenOff, 0, 0, m.dischargeT, m.hotDew)
		c.believe(FallenOff, to, c.runs())
	}
}

// explained says whether a sensor is believed to be wrong by itself.
func (w *Watch) explained(i int) bool {
	k := restOf(dewline.Point(i + 1))
	return w.State.Points[i].Doubt.Sure != 0 || k >= 0 && w.State.Rest.Found[k].Sure != 0
}

// contradict follows the contradiction of a clamp and a pressure, of which either may be wrong.
func (w *Watch) contradict(clamp, pressure int, seen, judged bool, value float64, from, to dewline.Millis) {
	explained := w.explained(clamp) || w.explained(pressure)
	for _, i := range [...]int{clamp, pressure} {
		c := &w.State.Related[i]
		switch {
		case explained:
			if c.Kind == Contradiction {
				*c = suspicion{}
			}
		case seen:
			c.add(Contradiction, from, w.State.Spell.Runs, time.Duration(w.State.Spell.Ran)*time.Second)
			c.note(Contradiction, 0, 0, value, flagged(pressure == suctionP))
			c.believe(Contradiction, to, c.runs())
		case judged:
			c.good(Contradiction, from, to)
		}
	}
}
