package plant

import (
	"errors"
	"fmt"
	"math"
)

// Steady is a machine in steady state. Pressures are absolute, and at the places where the contract has
// its points.
type Steady struct {
	EvaporatorPa, SuctionPa, DischargePa, LiquidPa float64
	SuctionK, LiquidK, DischargeK                  float64
	SuperheatK                                     float64 // at the compressor
	CoilSuperheatK                                 float64
	SubcoolingK                                    float64 // at the liquid service port, as measured; negative: gas
	EvaporatingK, CondensingK                      float64 // dew at the suction port; mean at the liquid port
	SuctionQuality                                 float64
	FlowKgS                                        float64
	CompressorW, FanW                              float64
	EvaporatorW, CondenserW                        float64 // heat
	SensibleW                                      float64 // at the indoor coil; heat given in heating
	SupplyC, SupplyRatio                           float64
	OutdoorAirOutC                                 float64
	Opening                                        float64 // of a valve
	CoilGainK                                      float64 // superheat lost at the coil's outlet per share of flow more
	ReceiverLevel                                  float64
	MassKg                                         float64
	LineGainW, LineLossW, ShellW                   float64
	ForeignPa                                      float64
	SurfaceC                                       float64 // of the evaporator
	GasZone, LiquidZone, WetZone                   float64

	at     unknowns
	slopes jacobian
}

// unknowns are ln of the pressure at the compressor's inlet, ln of the pressure at its outlet, and the
// enthalpy of the gas that it draws, over 1e5 J/kg. From these the flow follows, and with it all else.
type unknowns [3]float64

// The reasons why there is no steady state.
var (
	// ErrHighPressure: the machine would run above its pressure switch.
	ErrHighPressure = errors.New("high-pressure switch opens")
	// ErrLowPressure: the machine would run below its low-pressure switch, or below the tables.
	ErrLowPressure = errors.New("low-pressure switch opens")
	// ErrNoSteadyState: the search did not converge.
	ErrNoSteadyState = errors.New("no steady state found")
)

// work is a state with what is still out of balance.
type work struct {
	Steady
	off unknowns
}

// evaluate passes once around the circuit from guessed unknowns.
func (m *Machine) evaluate(c Conditions, u unknowns) work {
	f := m.f
	fl := &c.Faults
	speed, fan := orOne(c.Speed), orOne(c.IndoorFan)
	var w work
	pc, hs := math.Exp(u[1]), u[2]*1e5
	w.at = u

	condCoil, evapCoil, device := &m.Outdoor, &m.Indoor, &m.Cooling
	condC, condRatio, evapC, evapRatio := c.OutdoorC, c.OutdoorRatio, c.IndoorC, c.IndoorRatio
	condFan, evapFan := m.headFan(u[1]), fan
	if c.Heating {
		condCoil, evapCoil, device = evapCoil, condCoil, &m.Heating
		condC, condRatio, evapC, evapRatio = evapC, evapRatio, condC, condRatio
		condFan, evapFan = fan, 1
	}

	// Compressor, and back along the suction line to the evaporator.
	lineFlow := m.Lines.flowKgS
	suction, dis := f.satLn(u[0]), f.satLn(u[1])
	in := f.gasPH(suction, hs)
	flow, hDis, power := m.Compressor.run(f, suction, dis, in, speed, fl.CompressorLeak)
	pe := suction.p + m.Lines.SuctionDropPa*sq(flow/lineFlow)*m.Lines.suctionRho/in.rho
	across := fl.ReversingLeak * flow // straight from discharge to suction
	loop := flow - across

	ca := condCoil.entering(m.air, condC, condRatio, airLost(fl, c.Heating, true), condFan)
	cond := condCoil.condense(f, ca, loop, pc, hDis, fl.NonCondensables*101325)

	// Liquid port, then liquid line with its drop, loss and restriction.
	port := f.sat(cond.outPa)
	portLiquid := min(cond.hOut, port.hv)
	drop := (m.Lines.LiquidDropPa + fl.LineRestriction*m.drive) * sq(loop/lineFlow)
	var liquidK, liquidRho float64
	if portLiquid >= port.hl {
		x := (portLiquid - port.hl) / (port.hv - port.hl)
		liquidK, liquidRho = port.tb+x*(port.td-port.tb), 1/(x/port.rv+(1-x)/port.rl)
	} else {
		l := f.liquidSat(portLiquid, port)
		liquidK, liquidRho = l.tb, l.rl
	}
	ambient := c.OutdoorC
	w.LineLossW = m.Lines.LiquidWK * (liquidK - zeroC - ambient)
	hIn := portLiquid - w.LineLossW/loop
	valveIn := f.sat(max(cond.outPa-drop, 0.5*pe))

	// Evaporator and the device's bulb at its outlet.
	ea := evapCoil.entering(m.air, evapC, evapRatio, airLost(fl, c.Heating, false), evapFan)
	evap := evapCoil.evaporate(f, m.air, ea, loop, pe, hIn)
	bulb := evap.superheat + bulbAir*fl.BulbLoose*max(evapC+zeroC-evap.out.t, 0)
	opening := device.opening(bulb, evap.sat)
	if fl.StuckAt > 0 {
		opening = fl.StuckAt
	}
	area := (1 - fl.Plugged) * sq(1+fl.Bore)
	passed := device.flow(f, valveIn, hIn, evap.inPa, area, opening)

	// Suction line's gain.
	gainC := m.lineAmbientC(c.OutdoorC, c.IndoorC)
	if c.Heating {
		gainC = c.OutdoorC
	}
	w.LineGainW = m.Lines.SuctionWK * (gainC - (evap.out.t - zeroC))
	hLine := evap.hOut + w.LineGainW/loop
	hDraw := hLine
	if across > 0 {
		hDraw = (loop*hLine + across*hDis) / flow
	}

	// Charge: the receiver fills over a narrow band of subcooling, as its liquid stands at saturation.
	w.MassKg = cond.massKg + evap.massKg + m.Lines.LiquidM3*liquidRho + m.Lines.SuctionM3*(in.rho+evap.out.rho)/2 + 0.0012*in.rho
	if m.ReceiverM3 > 0 {
		sc := (port.hl - portLiquid) / port.cpl
		w.ReceiverLevel = 1 / (1 + math.Exp(-(sc-m.Spec.SubcoolingK+0.2)/0.35))
		w.MassKg += m.ReceiverM3 * (w.ReceiverLevel*port.rl + (1-w.ReceiverLevel)*port.rv)
	}
	want := m.ChargeKg * (1 + fl.Charge)
	if c.Heating {
		want -= m.StoreKg
	}
	w.off = unknowns{math.Log(passed / loop), (hDraw - hs) / 2e4, (w.MassKg - want) / (0.25 * max(want, 1e-3))}

	w.EvaporatorPa, w.SuctionPa, w.DischargePa, w.LiquidPa = pe, suction.p, pc, cond.outPa
	w.SuctionK, w.LiquidK = in.t, liquidK
	w.DischargeK = f.gasPH(dis, hDis).t
	w.SuperheatK, w.CoilSuperheatK, w.SubcoolingK = in.t-suction.td, evap.superheat, port.tb-liquidK
	w.EvaporatingK, w.CondensingK = suction.td, (port.tb+port.td)/2
	w.SuctionQuality, w.FlowKgS = in.x, loop
	w.CompressorW, w.FanW = power, condCoil.FanW*condFan+evapCoil.FanW*evapFan
	w.EvaporatorW, w.CondenserW = evap.heatW, cond.heatW
	w.ShellW = power * m.Compressor.ShellLoss
	w.OutdoorAirOutC = cond.airOutC
	w.SensibleW, w.SupplyC, w.SupplyRatio = evap.sensibleW, evap.airOutC, evap.airRatio
	if c.Heating {
		w.OutdoorAirOutC = evap.airOutC
		w.SensibleW, w.SupplyC, w.SupplyRatio = cond.heatW, cond.airOutC, c.IndoorRatio
	}
	w.Opening, w.CoilGainK, w.ForeignPa, w.SurfaceC = opening, evap.gain, cond.foreignPa, evap.surfaceC
	w.GasZone, w.LiquidZone, w.WetZone = cond.gasZone, cond.liquidZone, evap.wetZone
	return w
}

// bulbAir is how much of the air's warmth a bulb feels that has no contact at all but is still wrapped.
const bulbAir = 0.35

// airLost returns the share of air flow that the condenser or the evaporator has lost.
func airLost(f *Faults, heating, condenser bool) float64 {
	if condenser {
		return f.CondenserAir
	}
	return 1 - (1-f.EvaporatorAir)*(1-f.Frost)
}

// headFan is the condenser fan's speed where it is slowed to hold the head in cold weather.
func (m *Machine) headFan(lnp float64) float64 {
	if m.Spec.HeadControlC == 0 {
		return 1
	}
	l := m.f.satLn(lnp)
	return 0.06 + 0.94*smoothUnit(((l.tb+l.td)/2-zeroC-m.Spec.HeadControlC)/6)
}

func orOne(v float64) float64 {
	if v == 0 {
		return 1
	}
	return v
}

// Solve finds the steady state under the conditions, or says why there is none.
func (m *Machine) Solve(c Conditions) (Steady, error) {
	from, base := m.rating(c.Heating)
	l := m.f.sat(base.DischargePa)
	condBy, evapBy := c.OutdoorC-from.OutdoorC, c.IndoorC-from.IndoorC
	if c.Heating {
		condBy, evapBy = evapBy, condBy
	}
	condC := (l.tb+l.td)/2 + condBy
	if m.Spec.HeadControlC != 0 {
		condC = max(condC, m.Spec.HeadControlC+zeroC)
	}
	// Where the rating's differences to the air would put the pressures; the enthalpy follows.
	u := base.at
	wetBulb := m.air.satTemperature(enthalpy(c.IndoorC, c.IndoorRatio)) - m.air.satTemperature(enthalpy(from.IndoorC, from.IndoorRatio))
	if c.Heating {
		wetBulb = evapBy
	}
	evap := m.f.satAtDew(min(m.f.sat(base.EvaporatorPa).td+0.25*evapBy+0.35*wetBulb, condC-6))
	u[0], u[1] = evap.lnp-math.Log(base.EvaporatorPa/base.SuctionPa), m.f.satAtMid(condC).lnp
	u[2] = m.f.gasAt(evap, base.SuperheatK).h / 1e5
	st, err := m.solveFrom(c, u, nil)
	if err == nil {
		return m.checked(st)
	}
	return m.walk(c)
}

// SolveNear is Solve from a state nearby, which saves most of the search.
func (m *Machine) SolveNear(c Conditions, near *Steady) (Steady, error) {
	if st, err := m.solveFrom(c, near.at, &near.slopes); err == nil {
		return m.checked(st)
	}
	return m.Solve(c)
}

// rating returns where the machine was designed, and its state there.
func (m *Machine) rating(heating bool) (Conditions, *Steady) {
	s := &m.Spec
	if heating {
		return Conditions{OutdoorC: 8.3, OutdoorRatio: m.air.ratioAt(8.3, 72), IndoorC: 21.1, IndoorRatio: m.air.ratioAt(21.1, 45),
			Heating: true, Speed: 1, IndoorFan: 1}, &m.rated[1]
	}
	return Conditions{OutdoorC: s.RatedOutdoorC, OutdoorRatio: m.air.ratioAt(s.RatedOutdoorC, 40), IndoorC: s.RatedIndoorC,
		IndoorRatio: m.air.ratioAt(s.RatedIndoorC, s.RatedIndoorRH), Speed: 1, IndoorFan: 1}, &m.rated[0]
}

// walk goes from the rating to the conditions in steps, each of which starts from the one before.
func (m *Machine) walk(c Conditions) (Steady, error) {
	from, base := m.rating(c.Heating)
	st := *base
	c.Speed, c.IndoorFan = orOne(c.Speed), orOne(c.IndoorFan)
	done, step := 0.0, 0.25
	var err error
	for tries := 0; done < 1 && tries < 80; tries++ {
		to := min(done+step, 1)
		next, e := m.solveFrom(between(from, c, to), st.at, &st.slopes)
		if e != nil {
			err = e
			if step /= 2; step < 0.002 {
				break
			}
			continue
		}
		st, done, step = next, to, step*1.6
	}
	if done == 1 {
		return m.checked(st)
	}
	// No way on: name the limit that the last state stands at.
	switch {
	case st.DischargePa > 0.93*m.Spec.HighCutPa:
		return st, fmt.Errorf("%w: from %.0f kPa on", ErrHighPressure, st.DischargePa/1000)
	case st.at[0] < m.f.lnLow+0.15:
		return st, fmt.Errorf("%w: from %.0f kPa down", ErrLowPressure, st.SuctionPa/1000)
	}
	return st, err
}

func between(a, b Conditions, t float64) Conditions {
	mix := func(x, y float64) float64 { return x + t*(y-x) }
	c := b
	c.OutdoorC, c.OutdoorRatio = mix(a.OutdoorC, b.OutdoorC), mix(a.OutdoorRatio, b.OutdoorRatio)
	c.IndoorC, c.IndoorRatio = mix(a.IndoorC, b.IndoorC), mix(a.IndoorRatio, b.IndoorRatio)
	c.Speed, c.IndoorFan = mix(a.Speed, b.Speed), mix(a.IndoorFan, b.IndoorFan)
	fa, fb := a.Faults.values(), b.Faults.values()
	for i := range fa {
		fb[i] = mix(fa[i], fb[i])
	}
	c.Faults = faultsOf(fb)
	if b.Faults.StuckAt > 0 { // stuck or not, nothing between
		c.Faults.StuckAt = b.Faults.StuckAt
	}
	return c
}

const tolerance = 1e-9

// A jacobian is the slopes of what is out of balance against the unknowns.
type jacobian [3][3]float64

// solveFrom is Newton's method with Broyden's updates: the slopes are taken by differences once (or come
// from a state nearby) and corrected by what each step shows, and taken anew when a step disappoints.
// A step is held to what the circuit can follow and shortened until it helps.
func (m *Machine) solveFrom(c Conditions, u unknowns, near *jacobian) (Steady, error) {
	w := m.evaluate(c, u)
	size := norm(w.off)
	var j jacobian
	fresh := false
	if near != nil && *near != (jacobian{}) {
		j = *near
	} else {
		j, fresh = m.slopes(c, u, w.off), true
	}
	for range 60 {
		if size < tolerance {
			w.slopes = j
			return w.Steady, nil
		}
		step, ok := j.solve(w.off)
		better, short := false, 1.0
		if ok {
			for k, limit := range [3]float64{0.2, 0.1, 0.2} {
				short = min(short, limit/max(math.Abs(step[k]), 1e-30))
			}
			tries := 12
			if !fresh {
				tries = 2 // rather look at the slopes again
			}
			for range tries {
				var v unknowns
				for k := range v {
					v[k] = u[k] + short*step[k]
				}
				if v[0] < v[1]-0.02 && v[0] > m.f.lnLow && v[1] < m.f.lnTop {
					if t := m.evaluate(c, v); norm(t.off) < size*(1-1e-3*short) {
						better = true
						j.correct(u, v, w.off, t.off)
						slow := norm(t.off) > 0.35*size
						u, w, size = v, t, norm(t.off)
						if slow && size >= tolerance {
							j, fresh = m.slopes(c, u, w.off), true
						} else {
							fresh = false
						}
						break
					}
				}
				short /= 2
			}
		}
		if !better {
			if fresh {
				break
			}
			j, fresh = m.slopes(c, u, w.off), true
		}
	}
	if size < 1e-7 {
		w.slopes = j
		return w.Steady, nil
	}
	return w.Steady, fmt.Errorf("%w (out of balance by %.2g)", ErrNoSteadyState, size)
}

func (m *Machine) checked(s Steady) (Steady, error) {
	if s.DischargePa > m.Spec.HighCutPa {
		return s, fmt.Errorf("%w: %.0f kPa", ErrHighPressure, s.DischargePa/1000)
	}
	return s, nil
}

// slopes takes the jacobian by differences.
func (m *Machine) slopes(c Conditions, u, off unknowns) jacobian {
	var j jacobian
	for k := range u {
		const h = 1e-6
		v := u
		v[k] += h
		t := m.evaluate(c, v)
		for i := range off {
			j[i][k] = (t.off[i] - off[i]) / h
		}
	}
	return j
}

// correct makes the jacobian agree with the step from u to v (Broyden 1965).
func (j *jacobian) correct(u, v, offU, offV unknowns) {
	var d unknowns
	length := 0.0
	for k := range d {
		d[k] = v[k] - u[k]
		length += d[k] * d[k]
	}
	for i := range j {
		miss := offV[i] - offU[i]
		for k := range d {
			miss -= j[i][k] * d[k]
		}
		for k := range d {
			j[i][k] += miss * d[k] / length
		}
	}
}

// solve returns the step that would bring everything into balance, by Gauss with pivots.
func (j *jacobian) solve(off unknowns) (unknowns, bool) {
	var a [3][4]float64
	for i := range a {
		a[i] = [4]float64{j[i][0], j[i][1], j[i][2], -off[i]}
	}
	for k := range a {
		p := k
		for i := k + 1; i < 3; i++ {
			if math.Abs(a[i][k]) > math.Abs(a[p][k]) {
				p = i
			}
		}
		if !(math.Abs(a[p][k]) > 1e-14) {
			return off, false
		}
		a[k], a[p] = a[p], a[k]
		for i := range a {
			if i != k {
				q := a[i][k] / a[k][k]
				for l := k; l < 4; l++ {
					a[i][l] -= q * a[k][l]
				}
			}
		}
	}
	return unknowns{a[0][3] / a[0][0], a[1][3] / a[1][1], a[2][3] / a[2][2]}, true
}

// norm is the length of what is out of balance.
func norm(u unknowns) float64 {
	n := math.Sqrt(u[0]*u[0] + u[1]*u[1] + u[2]*u[2])
	if math.IsNaN(n) {
		return math.Inf(1)
	}
	return n
}

// Rating returns the conditions that the machine was designed for.
func (m *Machine) Rating() Conditions {
	c, _ := m.rating(false)
	return c
}

// EvaporatorOutletDewC returns the dew temperature at the evaporator's outlet, ahead of the suction
// line.
func (m *Machine) EvaporatorOutletDewC(s *Steady) float64 { return m.f.sat(s.EvaporatorPa).td - zeroC }

// HeatingRating returns the conditions that a heat pump was designed for in heating: 8.3 °C outdoors,
// 21.1 °C indoors.
func (m *Machine) HeatingRating() Conditions {
	c, _ := m.rating(true)
	return c
}

// HumidityRatio returns that of air at a relative humidity in %, at the machine's altitude.
func (m *Machine) HumidityRatio(tC, rh float64) float64 { return m.air.ratioAt(tC, rh) }

// AmbientPa returns the air pressure at the machine's altitude, which its gauges count from.
func (m *Machine) AmbientPa() float64 { return m.air.pressurePa }

// DewC returns the dew temperature of the machine's refrigerant at an absolute pressure.
func (m *Machine) DewC(pa float64) float64 { return m.f.sat(pa).td - zeroC }

// BubbleC returns the bubble temperature at an absolute pressure.
func (m *Machine) BubbleC(pa float64) float64 { return m.f.sat(pa).tb - zeroC }
