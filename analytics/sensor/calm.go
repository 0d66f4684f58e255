package sensor

import (
	"math"
	"slices"

	"dewline"
)

const (
	calmsKept   = 6 // days that are compared with, the oldest making room
	enoughCalms = 4
	// calmU is by how much standing temperatures differ from day to day for reasons that nobody measures, K, standard (from memory:
	// sun, wind and leaking ducts), beside what the days kept show of it.
	calmU = 0.8
)

// calmPoints are the sensors that are compared with one another while the machine stands, a pressure by its saturation.
var calmPoints = [...]int{suctionT, liquidT, dischargeT, outdoorT, returnT, supplyT, spaceT, suctionP}

const numCalm = len(calmPoints)

// unrested is how much of what a temperature usually is away from the airs differs, standard (from memory): what has not come to
// them by the end of a rest, as a receiver full of warm liquid, keeps something of how it ran before.
const unrested = 0.5

// calm is what they were at the longest rest of a day, or at a later one that was nearly as long where something is in doubt.
type calm struct {
	Spell int32                // its number since 1970, 0: there was none
	C     [numCalm]centiKelvin // °C
}

// centiKelvin is a temperature in hundredths: there are many of them to keep.
type centiKelvin int16

const noTemp centiKelvin = math.MinInt16

func centi(c float64) centiKelvin {
	if math.IsNaN(c) || math.Abs(c) > 300 {
		return noTemp
	}
	return centiKelvin(math.Round(100 * c))
}

// at returns what a sensor read, Cel, NaN where it did not.
func (c *calm) at(k int) float64 {
	if c.Spell == 0 || c.C[k] == noTemp {
		return math.NaN()
	}
	return float64(c.C[k]) / 100
}

func (c *calm) day() int32 { return int32(dewline.Millis(c.Spell) * spellLength / (24 * hour)) }

// calms are the rests of the last days. A sensor that is wrong is so at rest too, where hardly anything that is wrong with the
// machine shows; so what it has moved by since it was last above suspicion tells one from the other.
type calms struct {
	Long  uint16 // min, that Open had rested
	Slope uint16 // of suction pressure by its saturation at that, 10 Pa/K
	Open  calm   // of the newest day
	New   calm   // of the one before: what comes to light meanwhile keeps it from being compared with
	Kept  [calmsKept]calm
}

// calmed takes a spell of which part was rest.
func (w *Watch) calmed(suspicious bool) {
	st := &w.State
	r := &st.Calms
	c := calm{Spell: st.Spell.ID}
	if r.Open.Spell != 0 && c.day() != r.Open.day() {
		if r.New.Spell != 0 && !suspicious {
			oldest := &r.Kept[0]
			for i := range r.Kept {
				if r.Kept[i].Spell < oldest.Spell {
					oldest = &r.Kept[i]
				}
			}
			*oldest = r.New
		}
		r.New, r.Open, r.Long = r.Open, calm{}, 0
	}
	if st.Spell.Defrost || st.Gateway.Kind == FrozenGateway {
		return
	}
	most, some, slope := uint16(0), 0, r.Slope
	for k, i := range calmPoints {
		v := w.resting(i)
		if i == suctionP {
			abs := v + w.machine.Ambient(dewline.SuctionPressure)
			v = math.NaN()
			if perPa, _, _ := w.machine.Slopes(abs, abs); perPa > 0 && !w.machine.System.PumpDown {
				v, slope = w.middle(abs), uint16(min(0.1/perPa, math.MaxUint16))
			}
		}
		if c.C[k] = centi(v); c.C[k] != noTemp {
			most, some = max(most, st.Points[i].RestN), some+1
		}
	}
	long := uint16(min((int64(st.Spell.Idle)+int64(most)*int64(st.Interval)/1000)/60, math.MaxUint16))
	if some >= 2 && (long >= r.Long || suspicious && 2*long >= r.Long) { // a doubt is not to wait for the next night
		r.Open, r.Long, r.Slope = c, max(long, r.Long), slope
	}
}

// forget drops what a sensor has read, which was changed.
func (r *calms) forget(p dewline.Point) {
	k := calmIndex(int(p) - 1)
	if k < 0 {
		return
	}
	r.Open.C[k], r.New.C[k] = noTemp, noTemp
	for i := range r.Kept {
		r.Kept[i].C[k] = noTemp
	}
}

// Moved returns by how much the reading of a sensor of temperature, or of suction pressure, at the newest rest, begun after a
// time, differs from what it was beside the others on days above suspicion, in K or Pa, with its standard uncertainty, and
// false where that cannot be told. More pressure than before may be air in the circuit, and less a charge that is all but
// lost.
func (w *Watch) Moved(p dewline.Point, since dewline.Millis) (by, u float64, ok bool) {
	k, u, ok := w.moved(p, since)
	if p == dewline.SuctionPressure {
		slope := 10 * float64(w.State.Calms.Slope)
		return k * slope, u * slope, ok
	}
	return k, u, ok
}

// moved is Moved in K.
func (w *Watch) moved(p dewline.Point, since dewline.Millis) (k, u float64, ok bool) {
	r := &w.State.Calms
	now := &r.Open
	if now.Spell == 0 {
		now = &r.New
	}
	if now.Spell == 0 || dewline.Millis(now.Spell)*spellLength < since {
		return 0, 0, false
	}
	out, in := calmIndex(outdoorT), calmIndex(returnT)
	if !w.machine.System.Kind.Comfort() && w.machine.System.Fitted(dewline.SpaceTemp) || !w.machine.System.Fitted(dewline.ReturnAirTemp) {
		in = calmIndex(spaceT)
	}
	mine := calmIndex(int(p) - 1)
	if mine < 0 || now.C[mine] == noTemp {
		return 0, 0, false
	}
	if mine != out && mine != in {
		k, u, _, ok = r.compare(now, mine, out, in)
		return k, u, ok
	}
	// The air that the others are compared with: they all seem to have moved the other way, each by its share of it.
	for other := range numCalm {
		if other == out || other == in || calmPoints[other] == suctionP {
			continue
		}
		moved, unsure, share, known := r.compare(now, other, out, in)
		if mine == out {
			share = 1 - share
		}
		if known && share >= 0.5 && (!ok || unsure/share < u) {
			k, u, ok = -moved/share, unsure/share, true
		}
	}
	return k, u, ok
}

func calmIndex(point int) int { return slices.Index(calmPoints[:], point) }

// indoors is the share of the air inside in what a temperature comes to at rest, and the rest of it outdoors, before anything
// is known of it (from memory).
var indoors = [numCalm]float64{0.5, 0, 0, 0, 1, 1, 1, 0}

// compare returns by how much a temperature is above what the days kept make of the air outdoors and inside, K, its standard
// uncertainty, and the share of the air inside in it: least squares on T - out = b + share (in - out), held to what is usual by
// few days. With one air alone, what lies between is compared. The refrigerant gathers in the colder of both.
func (r *calms) compare(now *calm, mine, out, in int) (moved, u, share float64, ok bool) {
	const looseB, looseShare, least = 4.0, 0.3, 0.3 // K, 1, K: how far machines differ, and what is between two readings
	read := func(c *calm) (x, y float64) {
		t, o, i := c.at(mine), c.at(out), c.at(in)
		switch {
		case calmPoints[mine] == suctionP && !math.IsNaN(o) && !math.IsNaN(i):
			return 0, t - min(o, i)
		case math.IsNaN(o):
			return 0, t - i
		case math.IsNaN(i):
			return 0, t - o
		}
		return i - o, t - o
	}
	x0, y0 := read(now)
	airs := func(c *calm) [2]bool { return [2]bool{c.C[out] != noTemp, c.C[in] != noTemp} }
	share = indoors[mine]
	switch known := airs(now); {
	case known[0] && !known[1]:
		share = 0
	case known[1] && !known[0]:
		share = 1
	}
	// The normal equations of (b, share - usual).
	a, c, d := 1/(looseB*looseB), 0.0, 1/(looseShare*looseShare)
	var g, h float64
	var xs, ys [calmsKept]float64
	n := 0
	for i := range r.Kept {
		x, y := read(&r.Kept[i])
		if math.IsNaN(y) || airs(&r.Kept[i]) != airs(now) {
			continue
		}
		y -= share * x
		xs[n], ys[n] = x, y
		n++
		a, c, d, g, h = a+1, c+x, d+x*x, g+y, h+x*y
	}
	if n < enoughCalms || math.IsNaN(y0) {
		return 0, 0, 0, false
	}
	det := a*d - c*c
	b, more := (d*g-c*h)/det, (a*h-c*g)/det
	square := least * least
	for i := range n {
		e := ys[i] - b - more*xs[i]
		square += e * e / float64(n-1)
	}
	of := (d - 2*c*x0 + a*x0*x0) / det
	hurried := unrested * b
	return y0 - share*x0 - b - more*x0, math.Sqrt(calmU*calmU + hurried*hurried + square*(1+of)), share + more, true
}
