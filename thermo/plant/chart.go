package plant

import (
	"math"
)

// outputs are the quantities that a chart keeps.
const outputs = 20

// pack and unpack move a steady state to and from the chart's row. Pressures are kept as logarithms,
// which bend less.
func pack(s *Steady) [outputs]float64 {
	return [outputs]float64{math.Log(s.EvaporatorPa), math.Log(s.SuctionPa), math.Log(s.DischargePa), math.Log(s.LiquidPa),
		s.SuctionK, s.LiquidK, s.DischargeK, s.FlowKgS, s.CompressorW, s.FanW, s.EvaporatorW, s.SensibleW, s.SupplyC, s.SupplyRatio,
		s.OutdoorAirOutC, s.SuctionQuality, s.Opening, s.SurfaceC, s.CoilSuperheatK, s.ReceiverLevel}
}

func unpack(v *[outputs]float64) Steady {
	return Steady{EvaporatorPa: math.Exp(v[0]), SuctionPa: math.Exp(v[1]), DischargePa: math.Exp(v[2]), LiquidPa: math.Exp(v[3]),
		SuctionK: v[4], LiquidK: v[5], DischargeK: v[6], FlowKgS: v[7], CompressorW: v[8], FanW: v[9], EvaporatorW: v[10], SensibleW: v[11],
		SupplyC: v[12], SupplyRatio: v[13], OutdoorAirOutC: v[14], SuctionQuality: v[15], Opening: v[16], SurfaceC: v[17],
		CoilSuperheatK: v[18], ReceiverLevel: v[19]}
}

// Chart gives steady states by interpolation in a lattice of solutions. A node is solved when it is
// first needed, so a season costs what it visits, and the lattice can be fine. A chart belongs to one
// goroutine; the same questions in the same order give the same answers.
type Chart struct {
	m     *Machine
	axes  [2][]axis // cooling, heating
	nodes map[nodeKey]*node
	lastK nodeKey // the cell of the last question
	lastN [1 << maxAxes]*node
	valid bool
}

const maxAxes = 7

type nodeKey struct {
	at      [maxAxes]int16
	heating bool
}

type node struct {
	v   [outputs]float64
	st  Steady
	err error
}

// axis is one coordinate of the lattice.
type axis struct {
	step float64
	of   func(*Conditions) *float64
}

// NewChart returns an empty chart of the machine. varies names the faults that will be asked for with
// other severities than zero: every fault that varies doubles the corners of a cell.
func (m *Machine) NewChart(varies Faults, speeds bool) *Chart {
	ch := &Chart{m: m, nodes: map[nodeKey]*node{}}
	cooling := []axis{
		{2, func(c *Conditions) *float64 { return &c.OutdoorC }},
		{1, func(c *Conditions) *float64 { return &c.IndoorC }},
		{0.0008, func(c *Conditions) *float64 { return &c.IndoorRatio }},
	}
	if m.Spec.Cold {
		cooling[2].step = 0.0004
	}
	heating := []axis{
		{2, func(c *Conditions) *float64 { return &c.OutdoorC }},
		{1.5, func(c *Conditions) *float64 { return &c.IndoorC }},
	}
	var more []axis
	if speeds {
		more = append(more, axis{0.1, func(c *Conditions) *float64 { return &c.Speed }})
	}
	for k, v := range varies.values() {
		if v != 0 && len(more) < maxAxes-3 {
			more = append(more, axis{faultSteps[k], func(c *Conditions) *float64 { return c.Faults.field(k) }})
		}
	}
	ch.axes = [2][]axis{append(cooling, more...), append(heating, more...)}
	return ch
}

// faultSteps are the lattice's steps in severity, in the order of the fields of Faults.
var faultSteps = [faultCount]float64{0.025, 0.03, 0.04, 0.03, 0.1, 0.03, 0.06, 0.06, 0.1, 0.05, 0.02, 0.08}

func (f *Faults) field(k int) *float64 {
	return [faultCount]*float64{&f.Charge, &f.LineRestriction, &f.Plugged, &f.Bore, &f.StuckAt, &f.BulbLoose, &f.EvaporatorAir,
		&f.CondenserAir, &f.NonCondensables, &f.CompressorLeak, &f.ReversingLeak, &f.Frost}[k]
}

// At returns the steady state under the conditions. Between a node that has a steady state and one that
// has none, the nearer decides.
func (ch *Chart) At(c Conditions) (Steady, error) {
	axes := ch.axes[0]
	if c.Heating {
		axes = ch.axes[1]
	}
	c.Speed = orOne(c.Speed)
	key := nodeKey{heating: c.Heating}
	var t [maxAxes]float64
	for k := range axes {
		x := *axes[k].of(&c) / axes[k].step
		f := math.Floor(x)
		key.at[k], t[k] = int16(f), x-f
	}
	if !ch.valid || key != ch.lastK {
		ch.fetch(key, axes, c)
	}
	var v [outputs]float64
	sum, best := 0.0, -1.0
	var nearest *node
	for i := range 1 << len(axes) {
		w := 1.0
		for k := range axes {
			if i>>k&1 == 1 {
				w *= t[k]
			} else {
				w *= 1 - t[k]
			}
		}
		n := ch.lastN[i]
		if w > best {
			best, nearest = w, n
		}
		if n.err != nil || w == 0 {
			continue
		}
		sum += w
		for k := range v {
			v[k] += w * n.v[k]
		}
	}
	if nearest.err != nil {
		return nearest.st, nearest.err
	}
	if sum < 1 {
		for k := range v {
			v[k] /= sum
		}
	}
	return unpack(&v), nil
}

// fetch gathers the corners of a cell, solving those that are new.
func (ch *Chart) fetch(key nodeKey, axes []axis, c Conditions) {
	ch.lastK, ch.valid = key, true
	for i := range 1 << len(axes) {
		k := key
		for a := range axes {
			k.at[a] += int16(i >> a & 1)
		}
		n := ch.nodes[k]
		if n == nil {
			n = ch.solve(k, axes, c)
			ch.nodes[k] = n
		}
		ch.lastN[i] = n
	}
}

func (ch *Chart) solve(k nodeKey, axes []axis, c Conditions) *node {
	for a := range axes {
		*axes[a].of(&c) = float64(k.at[a]) * axes[a].step
	}
	if c.Faults.StuckAt < 0.02 {
		c.Faults.StuckAt = 0
	}
	c.IndoorRatio = max(c.IndoorRatio, 2e-4)
	w, _ := ch.m.air.sat(c.IndoorC)
	c.IndoorRatio = min(c.IndoorRatio, w) // a corner of the cell may lie beyond saturation
	n := &node{}
	// A neighbour is the best start; which one is the same whenever the questions are the same.
	for a := range axes {
		for _, d := range [2]int16{-1, 1} {
			o := k
			o.at[a] += d
			if near := ch.nodes[o]; near != nil && near.err == nil {
				if n.st, n.err = ch.m.SolveNear(c, &near.st); n.err == nil {
					n.v = pack(&n.st)
				}
				return n
			}
		}
	}
	if n.st, n.err = ch.m.Solve(c); n.err == nil {
		n.v = pack(&n.st)
	}
	return n
}
