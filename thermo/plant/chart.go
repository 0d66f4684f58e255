package plant

import "math"

// outputs are the quantities that a chart keeps.
const outputs = 22

// A row is a steady state as a chart keeps it: quantities that bend little between nodes. Pressures are
// logarithms. The suction gas is kept by its enthalpy over the dew point's, which goes on where the gas
// is wet, while its superheat stops at zero.
type row [outputs]float64

func (m *Machine) pack(s *Steady) row {
	return row{math.Log(s.EvaporatorPa), math.Log(s.SuctionPa), math.Log(s.DischargePa), math.Log(s.LiquidPa),
		s.at[2]*1e5 - m.f.satLn(s.at[0]).hv, s.LiquidK, s.DischargeK, s.FlowKgS, s.CompressorW, s.FanW, s.EvaporatorW, s.SensibleW,
		s.SupplyC, s.SupplyRatio, s.OutdoorAirOutC, s.CondensingK, s.Opening, s.SurfaceC, s.SubcoolingK, s.ReceiverLevel, s.CoilSuperheatK, s.CoilGainK}
}

func (m *Machine) unpack(v *row) Steady {
	l := m.f.satLn(v[1])
	in := m.f.gasPH(l, l.hv+v[4])
	return Steady{EvaporatorPa: math.Exp(v[0]), SuctionPa: l.p, DischargePa: math.Exp(v[2]), LiquidPa: math.Exp(v[3]),
		SuctionK: in.t, SuperheatK: in.t - l.td, SuctionQuality: in.x, EvaporatingK: l.td,
		LiquidK: v[5], DischargeK: v[6], FlowKgS: v[7], CompressorW: v[8], FanW: v[9], EvaporatorW: v[10], SensibleW: v[11],
		SupplyC: v[12], SupplyRatio: v[13], OutdoorAirOutC: v[14], CondensingK: v[15], Opening: v[16], SurfaceC: v[17],
		SubcoolingK: v[18], ReceiverLevel: v[19], CoilSuperheatK: max(v[20], 0), CoilGainK: v[21]}
}

// Chart gives steady states by interpolation in a lattice of solutions. A node is solved when it is
// first needed, so a season costs what it visits, and the lattice can be fine. Where the corners of a
// cell are in different regimes (wet and dry suction gas, a valve at its stop, flash gas in the liquid
// line, ...) the cell is divided, three times at most. A chart belongs to one goroutine; the same questions in
// the same order give the same answers.
type Chart struct {
	m     *Machine
	axes  [2][]axis // cooling, heating
	nodes map[place]*node
	cells map[cellKey]*cell
	last  *cell

	unruly bool // an evaporator of small differences without a valve
}

// outdoorRH is the relative humidity that a chart takes outdoors, in %: it matters to the wet coil of a
// heating machine alone, and little.
const outdoorRH = 80

const (
	maxAxes = 7
	levels  = 4
	whole   = 1 << (levels - 1) // units of the finest lattice in a step
)

// place is a point of the finest lattice.
type place struct {
	at      [maxAxes]int16
	heating bool
}

type cellKey struct {
	place
	level uint8
}

type cell struct {
	key     cellKey
	corners [1 << maxAxes]*node
	divided bool
}

type node struct {
	v      row
	st     Steady
	err    error
	regime regime
}

// axis is one coordinate of the lattice.
type axis struct {
	step float64
	get  func(*Machine, *Conditions) float64
	set  func(*Machine, *Conditions, float64)
}

// plain is the axis of a field.
func plain(step float64, of func(*Conditions) *float64) axis {
	return axis{step, func(_ *Machine, c *Conditions) float64 { return *of(c) }, func(_ *Machine, c *Conditions, v float64) { *of(c) = v }}
}

// NewChart returns an empty chart of the machine. varies names the faults that will be asked for with
// other severities than zero: every fault that varies doubles the corners of a cell. At most four can
// vary, or three and the speed.
func (m *Machine) NewChart(varies Faults, speeds bool) *Chart {
	ch := &Chart{m: m, nodes: map[place]*node{}, cells: map[cellKey]*cell{},
		unruly: m.Spec.Cold && (m.Cooling.Kind == Orifice || m.Cooling.Kind == CapillaryTube)}
	outdoor := plain(2, func(c *Conditions) *float64 { return &c.OutdoorC })
	indoor := func(step float64) axis { return plain(step, func(c *Conditions) *float64 { return &c.IndoorC }) }
	// Humidity as a relative one stays in few cells while the temperature swings. It is set after the
	// temperature that it belongs to.
	humidity := axis{4, func(m *Machine, c *Conditions) float64 { return m.air.relative(c.IndoorC, c.IndoorRatio) },
		func(m *Machine, c *Conditions, rh float64) {
			c.IndoorRatio = m.air.ratioAt(c.IndoorC, min(max(rh, 1), 100))
		}}
	var more []axis
	if speeds {
		more = append(more, plain(0.1, func(c *Conditions) *float64 { return &c.Speed }))
	}
	for k, v := range varies.values() {
		if v != 0 && len(more) < maxAxes-3 {
			more = append(more, plain(faultSteps[k], func(c *Conditions) *float64 { return c.Faults.field(k) }))
		}
	}
	ch.axes = [2][]axis{append([]axis{outdoor, indoor(1), humidity}, more...), append([]axis{outdoor, indoor(1.5)}, more...)}
	return ch
}

// faultSteps are the lattice's steps in severity, in the order of the fields of Faults.
var faultSteps = [faultCount]float64{0.025, 0.03, 0.04, 0.03, 0.1, 0.08, 0.06, 0.06, 0.1, 0.05, 0.02, 0.08}

func (f *Faults) field(k int) *float64 {
	return [faultCount]*float64{&f.Charge, &f.LineRestriction, &f.Plugged, &f.Bore, &f.StuckAt, &f.BulbLoose, &f.EvaporatorAir,
		&f.CondenserAir, &f.NonCondensables, &f.CompressorLeak, &f.ReversingLeak, &f.Frost}[k]
}

// regime is which of the circuit's laws hold at a node. Between two regimes there is a kink.
type regime uint16

const (
	wetGas regime = 1 << iota
	flashGas
	valveNearlyOpen
	valveOpen
	valveWideOpen
	valveShut
	receiverFull
	receiverEmpty
	unsolved
	steep // the pressures nearly meet, or liquid backs up behind a full receiver
)

func (m *Machine) regimeOf(n *node) regime {
	if n.err != nil {
		return unsolved
	}
	var r regime
	set := func(b bool, bit regime) {
		if b {
			r |= bit
		}
	}
	s := &n.st
	set(s.SuctionQuality < 1, wetGas)
	set(s.SubcoolingK < 0.05, flashGas)
	set(s.Opening > 0.9, valveNearlyOpen)
	set(s.Opening > 0.975, valveOpen)
	set(s.Opening > 0.995, valveWideOpen)
	set(s.Opening < 0.08, valveShut)
	set(m.ReceiverM3 > 0 && s.ReceiverLevel > 0.97, receiverFull)
	set(m.ReceiverM3 > 0 && s.ReceiverLevel < 0.03, receiverEmpty)
	set(s.DischargePa < 1.7*s.SuctionPa || (m.ReceiverM3 > 0 && s.SubcoolingK > 6), steep)
	return r
}

// At returns the steady state under the conditions. Between a node that has a steady state and one that
// has none, the nearer decides.
func (ch *Chart) At(c Conditions) (Steady, error) {
	axes := ch.axes[0]
	if c.Heating {
		axes = ch.axes[1]
	}
	c.Speed = orOne(c.Speed)
	var x [maxAxes]float64
	for k := range axes {
		x[k] = axes[k].get(ch.m, &c) / axes[k].step * whole
	}
	in, span := ch.find(axes, &x, c)
	var t [maxAxes]float64
	for k := range axes {
		t[k] = (x[k] - float64(in.key.at[k])) / span
	}
	var v row
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
		n := in.corners[i]
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
	return ch.m.unpack(&v), nil
}

// find returns the undivided cell around x and its span, in units of the finest lattice.
func (ch *Chart) find(axes []axis, x *[maxAxes]float64, c Conditions) (*cell, float64) {
	for level := range uint8(levels) {
		span := int16(whole >> level)
		key := cellKey{place{heating: c.Heating}, level}
		for k := range axes {
			key.at[k] = int16(math.Floor(x[k]/float64(span))) * span
		}
		in := ch.last
		if in == nil || in.key != key {
			in = ch.cells[key]
		}
		if in == nil {
			in = ch.make(key, span, axes, c)
			ch.cells[key] = in
		}
		if !in.divided {
			ch.last = in
			return in, float64(span)
		}
	}
	panic("a cell of the last level is never divided")
}

// make gathers the corners of a cell, solving those that are new.
func (ch *Chart) make(key cellKey, span int16, axes []axis, c Conditions) *cell {
	in := &cell{key: key}
	var first regime
	kink, bent := false, false
	low, high := math.Inf(1), math.Inf(-1)
	for i := range 1 << len(axes) {
		k := key.place
		for a := range axes {
			k.at[a] += int16(i>>a&1) * span
		}
		n := ch.nodes[k]
		if n == nil {
			n = ch.solve(k, span, axes, c)
			ch.nodes[k] = n
		}
		in.corners[i] = n
		if i == 0 {
			first = n.regime
		}
		kink = kink || n.regime != first
		low, high = min(low, n.st.SuperheatK), max(high, n.st.SuperheatK)
		bent = bent || n.regime&steep != 0
	}
	// With the small difference of a cold room to its coil, an unregulated superheat runs from none to
	// all that the air can give within a few conditions, and no straight line follows it.
	kink = kink || (ch.unruly && high-low > 1.5)
	last := uint8(levels - 1)
	if len(axes) > 4 {
		last-- // 32 corners and more: a finer division would cost more than it gives
	}
	in.divided = (kink && key.level < last) || (bent && key.level < levels-2)
	return in
}

func (ch *Chart) solve(k place, span int16, axes []axis, c Conditions) *node {
	for a := range axes {
		axes[a].set(ch.m, &c, float64(k.at[a])*axes[a].step/whole)
	}
	c.OutdoorRatio = ch.m.HumidityRatio(c.OutdoorC, outdoorRH)
	if c.Faults.StuckAt < 0.02 {
		c.Faults.StuckAt = 0
	}
	n := &node{}
	if near := ch.neighbour(k, span, len(axes)); near != nil {
		n.st, n.err = ch.m.SolveNear(c, &near.st)
	} else {
		n.st, n.err = ch.m.Solve(c)
	}
	if n.err == nil {
		n.v = ch.m.pack(&n.st)
	}
	n.regime = ch.m.regimeOf(n)
	return n
}

// neighbour returns a solved node beside k, the best start there is. Which one is the same whenever the
// questions are the same.
func (ch *Chart) neighbour(k place, span int16, axes int) *node {
	for _, by := range [2]int16{span, whole} {
		for a := range axes {
			for _, d := range [2]int16{-by, by} {
				o := k
				o.at[a] += d
				if near := ch.nodes[o]; near != nil && near.err == nil {
					return near
				}
			}
		}
	}
	return nil
}
