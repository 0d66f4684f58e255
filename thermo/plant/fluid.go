package plant

import (
	"fmt"
	"math"
	"sync"

	"dewline/thermo"
	"dewline/thermo/si"
)

// fluid is a refrigerant as tables made once from the full equations: property calls are most of the
// cost of a solution, and a table call takes a fiftieth of the time. fluid_test.go holds how near the
// tables stay to the equations.
//
// Subcooled liquid is taken at the enthalpy of saturated liquid of its temperature; the pressure's own
// effect is under 0.2 K of liquid temperature and is left out.
type fluid struct {
	r            *thermo.Refrigerant
	lnLow, lnTop float64 // of the pressure in Pa
	stepP        float64 // of the saturation table
	lines        []satNode
	stepV        float64   // of the vapour table, in ln p
	vapour       []vapNode // by superheat; framed by one more node on each side
	byEnthalpy   []vapNode // the same by enthalpy: coordinate of superheat, entropy, ln of the density ratio
	enthalpyUnit float64   // J/kg; enthalpy h over the dew point's is at ln(1+h/enthalpyUnit)
}

// A sat is the two ends of the saturation line at one pressure.
type sat struct {
	lnp, p, tb, td float64 // Pa, K
	hl, hv         float64 // J/kg
	rl, rv         float64 // kg/m3
	sl, sv         float64 // J/kgK
	cpl, cpv       float64 // J/kgK
	dtdlnp, dhdlnp float64 // slopes of tb and hl
}

const satWidth = 10

// satNode is values and their slopes against ln p, spaced evenly in ln p.
type satNode struct{ v, d [satWidth]float64 }

const (
	satNodes = 192
	vapNodes = 64  // in ln p
	vapRows  = 28  // in superheat
	vapTop   = 150 // K of superheat
	vapScale = 10  // K; superheat s is at ln(1+s/vapScale)
	vapWidth = vapRows + 2
)

// vapNode is enthalpy and entropy over the dew point's, and ln of the density ratio to it.
type vapNode [3]float64

var fluids sync.Map // name to func() (*fluid, error)

// fluidOf returns the tables of a refrigerant, made on first use.
func fluidOf(name string) (*fluid, error) {
	r, err := thermo.Lookup(name)
	if err != nil {
		return nil, err
	}
	once, _ := fluids.LoadOrStore(r.Name(), sync.OnceValues(func() (*fluid, error) { return newFluid(r) }))
	return once.(func() (*fluid, error))()
}

func newFluid(r *thermo.Refrigerant) (*fluid, error) {
	f := &fluid{r: r}
	low, high := r.PressureRange()
	if d, err := r.DewAt(si.FromCelsius(-58)); err == nil {
		low = max(low, d.Pressure)
	}
	high = min(high, r.Critical().Pressure*0.945)
	f.lnLow, f.lnTop = math.Log(float64(low)*1.0001), math.Log(float64(high)*0.9999)
	if err := f.makeLines(); err != nil {
		return nil, err
	}
	return f, f.makeVapour()
}

func (f *fluid) makeLines() error {
	f.stepP = (f.lnTop - f.lnLow) / (satNodes - 1)
	f.lines = make([]satNode, satNodes)
	for i := range f.lines {
		p := si.Pascal(math.Exp(f.lnLow + f.stepP*float64(i)))
		b, err := f.r.Bubble(p)
		if err != nil {
			return fmt.Errorf("saturation table of %s: %w", f.r.Name(), err)
		}
		d, err := f.r.Dew(p)
		if err != nil {
			return fmt.Errorf("saturation table of %s: %w", f.r.Name(), err)
		}
		f.lines[i].v = [satWidth]float64{float64(b.Temperature), float64(d.Temperature), float64(b.Enthalpy), float64(d.Enthalpy),
			float64(b.Density), float64(d.Density), float64(b.Entropy), float64(d.Entropy), float64(b.HeatCapacity), float64(d.HeatCapacity)}
	}
	for i := range f.lines {
		lo, hi := max(i-1, 0), min(i+1, satNodes-1)
		for k := range satWidth {
			f.lines[i].d[k] = (f.lines[hi].v[k] - f.lines[lo].v[k]) / float64(hi-lo)
		}
	}
	return nil
}

func (f *fluid) makeVapour() error {
	f.stepV = (f.lnTop - f.lnLow) / (vapNodes - 1)
	f.vapour = make([]vapNode, (vapNodes+2)*vapWidth)
	top := math.Log1p(vapTop / vapScale)
	for i := range vapNodes {
		p := si.Pascal(math.Exp(f.lnLow + f.stepV*float64(i)))
		dew, err := f.r.Dew(p)
		if err != nil {
			return fmt.Errorf("vapour table of %s: %w", f.r.Name(), err)
		}
		row := f.vapour[(i+1)*vapWidth+1 : (i+2)*vapWidth]
		for j := 1; j < vapRows; j++ {
			sh := vapScale * math.Expm1(top*float64(j)/(vapRows-1))
			g, err := f.r.AtPT(p, dew.Temperature+si.Kelvin(sh))
			if err != nil { // beyond the equation's highest temperature: go on straight, a cut-out is long past
				for k := range row[j] {
					row[j][k] = 2*row[j-1][k] - row[max(j-2, 0)][k]
				}
				continue
			}
			row[j] = vapNode{float64(g.Enthalpy - dew.Enthalpy), float64(g.Entropy - dew.Entropy), math.Log(float64(g.Density / dew.Density))}
		}
	}
	frame(f.vapour)
	f.invert()
	return nil
}

// invert makes the table by enthalpy from that by superheat, which saves a search with every call.
func (f *fluid) invert() {
	mid := f.satLn(f.lnLow + 0.6*(f.lnTop-f.lnLow))
	f.enthalpyUnit = vapScale * mid.cpv
	f.byEnthalpy = make([]vapNode, (vapNodes+2)*vapWidth)
	for i := range vapNodes {
		lnp := f.lnLow + f.stepV*float64(i)
		row := f.byEnthalpy[(i+1)*vapWidth+1:]
		y := 0.0
		for j := 1; j < vapRows; j++ {
			h := f.enthalpyUnit * math.Expm1(yTop*float64(j)/(vapRows-1))
			var v vapNode
			for range 40 {
				var dh float64
				v, dh, _ = bicubic(f.vapour, (lnp-f.lnLow)/f.stepV, y)
				step := (h - v[0]) / dh
				y = min(max(y+step, 0), yTop*1.2)
				if math.Abs(step) < 1e-12 {
					break
				}
			}
			row[j] = vapNode{y, v[1], v[2]}
		}
	}
	frame(f.byEnthalpy)
}

// frame continues a table by one node on each side, by the parabola through the last three, so that
// the cubic needs no special cases.
func frame(table []vapNode) {
	beyond := func(to, a, b, c *vapNode) {
		for k := range to {
			to[k] = 3*a[k] - 3*b[k] + c[k]
		}
	}
	at := func(i, j int) *vapNode { return &table[i*vapWidth+j] }
	for i := 1; i <= vapNodes; i++ {
		beyond(at(i, 0), at(i, 1), at(i, 2), at(i, 3))
		beyond(at(i, vapRows+1), at(i, vapRows), at(i, vapRows-1), at(i, vapRows-2))
	}
	for j := range vapWidth {
		beyond(at(0, j), at(1, j), at(2, j), at(3, j))
		beyond(at(vapNodes+1, j), at(vapNodes, j), at(vapNodes-1, j), at(vapNodes-2, j))
	}
}

// sat returns the saturation line at p, which is held to the table's range.
func (f *fluid) sat(p float64) sat { return f.satLn(math.Log(p)) }

// satLn is sat of the pressure's logarithm.
func (f *fluid) satLn(lnp float64) sat {
	lnp = min(max(lnp, f.lnLow), f.lnTop)
	x := (lnp - f.lnLow) / f.stepP
	i := min(max(int(x), 0), satNodes-2)
	t := min(max(x-float64(i), 0), 1)
	a, b := &f.lines[i], &f.lines[i+1]
	var v [satWidth]float64
	t2, t3 := t*t, t*t*t
	h01, h10, h11 := 3*t2-2*t3, t3-2*t2+t, t3-t2
	for k := range v {
		v[k] = a.v[k] + h01*(b.v[k]-a.v[k]) + h10*a.d[k] + h11*b.d[k]
	}
	slope := func(k int) float64 {
		return (6*(t-t2)*(b.v[k]-a.v[k]) + (3*t2-4*t+1)*a.d[k] + (3*t2-2*t)*b.d[k]) / f.stepP
	}
	return sat{lnp: lnp, p: math.Exp(lnp), tb: v[0], td: v[1], hl: v[2], hv: v[3], rl: v[4], rv: v[5], sl: v[6], sv: v[7],
		cpl: v[8], cpv: v[9], dtdlnp: slope(0), dhdlnp: slope(2)}
}

// cubic returns the weights of Catmull and Rom's cubic through four even nodes at t of the middle span,
// and their derivatives.
func cubic(t float64) (w, d [4]float64) {
	t2, t3 := t*t, t*t*t
	w = [4]float64{(-t + 2*t2 - t3) / 2, (2 - 5*t2 + 3*t3) / 2, (t + 4*t2 - 3*t3) / 2, (t3 - t2) / 2}
	d = [4]float64{(-1 + 4*t - 3*t2) / 2, (-10*t + 9*t2) / 2, (1 + 8*t - 9*t2) / 2, (3*t2 - 2*t) / 2}
	return w, d
}

// yTop is the superheat coordinate of the last row.
var yTop = math.Log1p(float64(vapTop) / vapScale)

// vap returns enthalpy, entropy and log density over the dew point's at superheat coordinate y, and the
// slopes of the first two against y.
func (f *fluid) vap(lnp, y float64) (v vapNode, dh, ds float64) {
	return bicubic(f.vapour, (lnp-f.lnLow)/f.stepV, y)
}

// bicubic interpolates a framed table at x nodes of pressure and at y of the other coordinate, and
// gives the slopes of the first two values against y.
func bicubic(table []vapNode, x, y float64) (v vapNode, d0, d1 float64) {
	x = min(max(x, 0), vapNodes-1)
	u := min(max(y/yTop*(vapRows-1), 0), vapRows-1)
	i, j := min(int(x), vapNodes-2), min(int(u), vapRows-2)
	wx, _ := cubic(x - float64(i))
	wu, du := cubic(u - float64(j))
	for a := range 4 {
		row := table[(i+a)*vapWidth+j:][:4]
		for b := range row {
			n := &row[b]
			c := wx[a] * wu[b]
			v[0] += c * n[0]
			v[1] += c * n[1]
			v[2] += c * n[2]
			c = wx[a] * du[b]
			d0 += c * n[0]
			d1 += c * n[1]
		}
	}
	s := (vapRows - 1) / yTop
	return v, d0 * s, d1 * s
}

// A gas is vapour, or wet vapour with quality under 1, at a pressure.
type gas struct {
	t, h, s, rho float64
	sh           float64 // K over the dew point, 0 when wet
	x            float64 // quality, 1 when dry
}

// gasPH returns the state of dry or wet vapour.
func (f *fluid) gasPH(l sat, h float64) gas {
	if h <= l.hv {
		x := (h - l.hl) / (l.hv - l.hl)
		return gas{t: l.td - (1-x)*(l.td-l.tb), h: h, s: l.sl + x*(l.sv-l.sl), rho: 1 / (x/l.rv + (1-x)/l.rl), x: x}
	}
	v, _, _ := bicubic(f.byEnthalpy, (l.lnp-f.lnLow)/f.stepV, math.Log1p((h-l.hv)/f.enthalpyUnit))
	sh := vapScale * math.Expm1(v[0])
	return gas{t: l.td + sh, h: h, s: l.sv + v[1], rho: l.rv * math.Exp(v[2]), sh: sh, x: 1}
}

// gasAt returns the state of vapour at a superheat.
func (f *fluid) gasAt(l sat, sh float64) gas {
	sh = max(sh, 0)
	v, _, _ := f.vap(l.lnp, math.Log1p(sh/vapScale))
	return gas{t: l.td + sh, h: l.hv + v[0], s: l.sv + v[1], rho: l.rv * math.Exp(v[2]), sh: sh, x: 1}
}

// enthalpyPS returns the enthalpy at the entropy, for isentropic compression.
func (f *fluid) enthalpyPS(l sat, s float64) float64 {
	if s <= l.sv {
		return l.hl + (s-l.sl)/(l.sv-l.sl)*(l.hv-l.hl)
	}
	y := math.Log1p((s - l.sv) * l.td / l.cpv / vapScale)
	for range 8 {
		v, dh, ds := f.vap(l.lnp, y)
		step := (s - l.sv - v[1]) / ds
		y = max(y+step, 0)
		if math.Abs(step) < 1e-6 {
			return l.hv + v[0] + dh*step
		}
	}
	v, _, _ := f.vap(l.lnp, y)
	return l.hv + v[0]
}

// liquidSat returns the saturation line at the pressure whose saturated liquid has the enthalpy h: the
// bubble pressure of that subcooled liquid.
func (f *fluid) liquidSat(h float64, near sat) sat {
	lnp := near.lnp
	l := near
	for range 12 {
		step := min(max((h-l.hl)/l.dhdlnp, -0.7), 0.7)
		lnp = min(max(lnp+step, f.lnLow), f.lnTop)
		l = f.satLn(lnp)
		if math.Abs(step) < 1e-11 {
			break
		}
	}
	return l
}

// satAtDew and satAtBubble return the saturation line of a temperature.
func (f *fluid) satAtDew(tK float64) sat { return f.satWhere(func(l sat) float64 { return l.td - tK }) }
func (f *fluid) satAtBubble(tK float64) sat {
	return f.satWhere(func(l sat) float64 { return l.tb - tK })
}
func (f *fluid) satAtMid(tK float64) sat {
	return f.satWhere(func(l sat) float64 { return (l.tb+l.td)/2 - tK })
}

func (f *fluid) satWhere(off func(sat) float64) sat {
	lnp := (f.lnLow + f.lnTop) / 2
	l := f.satLn(lnp)
	for range 40 {
		step := min(max(-off(l)/l.dtdlnp, -0.7), 0.7)
		lnp = min(max(lnp+step, f.lnLow), f.lnTop)
		l = f.satLn(lnp)
		if math.Abs(step) < 1e-12 {
			break
		}
	}
	return l
}

// satAtLiquid is satAtBubble from a start nearby.
func (f *fluid) satAtLiquid(tK float64, near sat) sat {
	lnp := near.lnp
	l := near
	for range 12 {
		step := min(max((tK-l.tb)/l.dtdlnp, -0.7), 0.7)
		lnp = min(max(lnp+step, f.lnLow), f.lnTop)
		l = f.satLn(lnp)
		if math.Abs(step) < 1e-11 {
			break
		}
	}
	return l
}
