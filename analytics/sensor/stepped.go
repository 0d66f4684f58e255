package sensor

import (
	"math"
	"time"

	"dewline"
)

// usual is what the features were over the last spells in which nothing was odd.
type usual struct {
	N       uint8 // spells
	Strange uint8 // spells in a row under other conditions
	Superheat, Subcooling, Approach, OverAir,
	Dew, Hot, Excess, Out float32
	At dewline.Millis
}

// clamps are those whose steps are judged.
var clamps = [...]int{suctionT, liquidT, dischargeT}

const (
	enoughUsual = 3   // spells before there is something to compare with
	atOnce      = 3   // K, by which a spell may differ and be taken in whole
	mostStrange = 24  // spells under other conditions after which a suspicion is dropped
	mostSure    = 180 // and one that is believed
	rememberFor = 10 * 24 * hour
)

// stepped judges a clamp whose feature has moved at once while all that would have moved with it in
// the machine has not.
func (w *Watch) stepped(m *means, from, to dewline.Millis) {
	st := &w.State
	u := &st.Usual
	if u.N > 0 && from-u.At > rememberFor {
		*u = usual{}
	}
	if u.N < enoughUsual {
		w.learn(m, to)
		w.coldDischarge(m, from, to)
		return
	}
	d := means{
		superheat: m.superheat - float64(u.Superheat), subcooling: m.subcooling - float64(u.Subcooling), approach: m.approach - float64(u.Approach),
		overAir: m.overAir - float64(u.OverAir), dew: m.dew - float64(u.Dew), hot: m.hot - float64(u.Hot), excess: m.excess - float64(u.Excess), out: m.out - float64(u.Out),
	}
	small := func(v, limit float64) bool { return math.Abs(v) <= limit }
	// What is not measured cannot speak; suction pressure and the high side must.
	quiet := func(v, limit float64) bool { return math.IsNaN(v) || math.Abs(v) <= limit }
	alike := small(d.dew, 1.5) && quiet(d.overAir, 1.5) && quiet(d.out, 4)
	var moved [3]bool // suction, liquid, discharge clamp
	if alike {
		moved[0] = math.Abs(d.superheat) >= 6 && small(d.subcooling, 1.5) && w.onlyShown(&d)
		// More liquid in the condenser lowers the approach too, but lifts the head; with a receiver
		// subcooling does not follow the charge.
		fallen := small(m.approach, 1.2) && u.Approach >= 3 && d.subcooling >= 2.5 && small(d.overAir, 0.8)
		jumped := math.Abs(d.subcooling) >= 6 && w.machine.System.Receiver
		moved[1] = (fallen || jumped) && small(d.superheat, 2.5) && quiet(d.excess, 5)
	}
	// What is above the usual of the compressor hardly depends on the conditions. Liquid that comes back now and
	// then cools the discharge gas too, and hardly moves the mean superheat.
	dry := m.superheat > 5 && u.Superheat > 5 && w.calmLine()
	moved[2] = d.excess <= -9 && dry && small(d.dew, 3) && quiet(d.overAir, 3) && small(d.superheat, 4) && small(d.subcooling, 2.5)
	calm := alike && quiet(d.superheat, 3.5) && quiet(d.subcooling, 2) && quiet(d.excess, 4)
	ran := time.Duration(st.Spell.Ran) * time.Second
	any := false
	for k, i := range clamps {
		c := &st.Related[i]
		if kind, size := w.stepKind(k, m, &d); moved[k] && kind != 0 {
			any = true
			c.add(kind, from, st.Spell.Runs, ran)
			c.note(kind, -size, math.Max(1, math.Abs(size)/4), size, 0)
			c.believe(kind, to, c.runs())
			continue
		}
		if calm {
			c.good(FallenOff, from, to)
			c.good(Offset, from, to)
		}
	}
	suspected, sure := w.stepping()
	switch {
	case any:
		u.At, u.Strange = to, 0
	case calm || !suspected:
		w.learn(m, to)
		u.Strange = 0
	default:
		u.At = to
		if u.Strange = sat8(u.Strange, 1); u.Strange >= mostSure || !sure && u.Strange >= mostStrange {
			w.dropSteps()
			*u = usual{}
		}
	}
	w.coldDischarge(m, from, to)
}

// onlyShown says whether other superheat is only shown: in earnest the discharge gas would have it as well, or else the coil
// would boil colder, by 2 K and more where 9 K are added (the table of signatures; a reversing valve that leaks warms the gas
// behind the coil).
func (w *Watch) onlyShown(d *means) bool {
	if !math.IsNaN(d.excess) { // the compressor would have to be another one
		return d.excess*d.superheat <= -0.5*d.superheat*d.superheat
	}
	if !math.IsNaN(d.hot) {
		return math.Abs(d.hot) <= 3
	}
	const much, still = 9, 1.2 // K
	return d.superheat >= much && math.Abs(d.dew) <= still && math.Abs(d.subcooling) <= still && w.machine.System.Kind != dewline.HeatPump
}

// calmLine says whether the suction line does not swing.
func (w *Watch) calmLine() bool {
	p := &w.State.Points[suctionT]
	return float64(p.Low) > float64(p.Mean)-4
}

// stepKind tells a clamp that feels the air from one that is off by a constant, 0 where it is neither, and
// returns by how much the reading has moved. A step away from the air is what a repair looks like.
func (w *Watch) stepKind(k int, m, d *means) (Kind, float64) {
	u := &w.State.Usual
	var size, air, pipe float64
	switch k {
	case 0:
		size, air, pipe = d.superheat, max(m.out, m.in), m.dew+float64(u.Superheat)
		if math.IsNaN(air) {
			air = m.out
		}
	case 1:
		size, air, pipe = -d.subcooling, m.out, m.bubble-float64(u.Subcooling)
	default:
		size, air, pipe = d.excess, m.out, m.dischargeT-d.excess
	}
	// An offset is there at rest too.
	if at, _, ok := w.Moved(dewline.Point(clamps[k]+1), w.State.Related[clamps[k]].Since); ok && math.Abs(at) > 0.6*math.Abs(size) && at*size > 0 {
		return Offset, size
	}
	if within(size/(air-pipe), 0.12, 1.25) {
		return FallenOff, size
	}
	return 0, size
}

// stepping says whether a step is suspected, and whether it is believed.
func (w *Watch) stepping() (suspected, sure bool) {
	for _, i := range clamps {
		if c := &w.State.Related[i]; c.Kind == FallenOff || c.Kind == Offset {
			suspected, sure = true, sure || c.Sure != 0
		}
	}
	return suspected, sure
}

func (w *Watch) dropSteps() {
	for _, i := range clamps {
		if c := &w.State.Related[i]; c.Kind == FallenOff || c.Kind == Offset {
			*c = suspicion{}
		}
	}
}

// learn takes a spell into what is usual.
func (w *Watch) learn(m *means, at dewline.Millis) {
	u := &w.State.Usual
	if math.IsNaN(m.superheat) || math.IsNaN(m.subcooling) {
		return
	}
	u.At = at
	u.N = sat8(u.N, 1)
	weight := float32(1) / float32(min(u.N, 5))
	// A strange spell must not become usual at once, nor one symptom of a fault before the others.
	share := float32(1)
	if u.N > enoughUsual {
		for _, far := range [...]float32{float32(m.superheat) - u.Superheat, float32(m.subcooling) - u.Subcooling, float32(m.dew) - u.Dew} {
			share = min(share, atOnce/max(far, -far, atOnce))
		}
	}
	into := func(x *float32, v float64) {
		if math.IsNaN(v) {
			return
		}
		d := share * (float32(v) - *x)
		if u.N > enoughUsual {
			d = min(max(d, -atOnce), atOnce)
		}
		*x += weight * d
	}
	into(&u.Superheat, m.superheat)
	into(&u.Subcooling, m.subcooling)
	into(&u.Approach, m.approach)
	into(&u.OverAir, m.overAir)
	into(&u.Dew, m.dew)
	into(&u.Hot, m.hot)
	into(&u.Excess, m.excess)
	into(&u.Out, m.out)
}

// coldDischarge judges a suction clamp that shows much superheat which the discharge gas does not have: gas
// drawn that warm would leave far hotter, however good the compressor. It tells a clamp that has been
// off its pipe since the first day.
func (w *Watch) coldDischarge(m *means, from, to dewline.Millis) {
	c := &w.State.Related[suctionT]
	if c.Kind != 0 && c.Kind != FallenOff || math.IsNaN(m.excess) || w.State.Usual.N >= enoughUsual && c.Kind == FallenOff && c.A != 0 {
		return
	}
	air := max(m.out, m.in)
	usual := m.hot - m.excess
	// Half of the way from dew to air and more is what a clamp in the air shows.
	odd := m.superheat > 15 && m.excess < -8-0.35*usual && m.superheat > 0.5*(air-m.dew) && m.suctionT < air+3
	switch {
	case odd:
		c.add(FallenOff, from, w.State.Spell.Runs, time.Duration(w.State.Spell.Ran)*time.Second)
		c.note(FallenOff, 0, 0, 0, m.excess)
		c.believe(FallenOff, to, c.runs() && c.Spells >= 6)
	case m.superheat < 12 || m.excess > -5:
		c.good(FallenOff, from, to)
	}
}
