package plant

import (
	"errors"
	"math"
	"math/rand/v2"
)

// Duty is what a machine is used for.
type Duty uint8

// The duties.
const (
	CoolsRoom  Duty = iota // comfort cooling
	HeatsRoom              // heat pump: cools and heats by the thermostat's two set points
	ColdRoom               // walk-in cooler, off-cycle defrost
	FreezeRoom             // walk-in freezer, electric defrost
	CaseCooler             // open display case
)

// Use is the space that a machine serves and how it is controlled.
type Use struct {
	Duty         Duty
	LoadShare    float64 // load at the rating over capacity: 0.75 is well sized, 0.35 far too large a machine
	SetC         float64 // cooling
	HeatSetC     float64 // heating, of a heat pump
	BandK        float64 // dead band, whole
	SetbackK     float64 // how far the cooling set point rises (and heating falls) outside the hours
	OpenH        float64 // hours of use, local
	CloseH       float64
	SpaceRH      float64 // of a cold room
	DoorsPerHour float64
	DefrostEachH float64
	DefrostMin   float64
	PumpDown     bool
	Variable     bool // compressor speed follows the load
	Staged       bool // the compressor has a first stage of two thirds
	SolarShare   float64
	UTCOffsetS   float64
	RainOnCoil   bool // the outdoor coil stands in the rain
}

// Now is the true state of a machine at one minute, as a perfect sensor in each place would see it.
// Pressures are absolute, temperatures in °C.
type Now struct {
	UnixS                            float64
	SuctionPa, LiquidPa, DischargePa float64
	SuctionC, LiquidC, DischargeC    float64
	OutdoorC, ReturnC, SupplyC       float64
	ReturnRH, SupplyRH, SpaceC       float64
	PowerW                           float64
	Speed                            float64 // of the compressor, over rated; 0 when off
	On, FanOn, OutdoorFanOn          bool
	DoorOpen, Tripped                bool
	Mode                             Mode
	Rain                             bool
	AmbientPa                        float64
	LineC                            float64 // air around the suction line
	SuctionQuality                   float64
	CapacityW                        float64
}

// Mode is the operating mode.
type Mode uint8

// The modes.
const (
	Off Mode = iota
	Cooling
	Heating
	Defrosting
)

const (
	stepS      = 60
	firstStage = 0.67 // of the flow
)

// approach is the share of a first-order lag's way that one step covers.
func approach(tauS float64) float64 { return -math.Expm1(-stepS / tauS) }

// Lags of what is measured, in seconds: pressures follow the coil's charge, temperatures the metal
// (from published start-up traces of small split systems, from memory).
var (
	lagSuction    = approach(40)
	lagHead       = approach(70)
	lagSuctionT   = approach(80)
	lagLiquidT    = approach(110)
	lagDischargeT = approach(330)
	lagSupply     = approach(75)
	lagCapacity   = approach(55)
	lagMigrated   = approach(110)

	offOrifice  = approach(100)
	offValve    = approach(900)
	offCoil     = approach(1500)
	offLine     = approach(1100)
	offShell    = approach(3600)
	offSupply   = approach(420)
	offMigrates = approach(9000)
	offLiquid   = approach(800)
)

// Run moves one machine through time in steps of a minute.
type Run struct {
	m       *Machine
	charts  map[chartKey]*Chart // each follows the ramps
	varies  Faults
	weather *Weather
	use     Use
	courses []Course
	rng     *rand.Rand

	now      Now
	ratio    float64 // of the space's air
	roomC    float64
	on       bool
	since    float64 // Unix s of the last change of on
	migrated float64 // liquid gathered where a start will meet it, 0 to 1
	capacity float64 // share of the steady capacity reached
	coilC    float64 // of the evaporator's metal while off
	frost    float64
	heating  bool
	defrost  float64 // Unix s until which it lasts
	lastDef  float64
	doorTill float64
	tripTill float64
	phase    float64
	started  bool
	speed    float64
	steady   Steady
	hunt     float64
	valve    valve
}

// NewRun returns a machine at rest in its space.
func NewRun(m *Machine, w *Weather, use Use, courses []Course, seed uint64) *Run {
	r := &Run{m: m, charts: map[chartKey]*Chart{}, weather: w, use: use, courses: courses,
		rng: rand.New(rand.NewPCG(seed, 0x9e3779b97f4a7c15)), roomC: use.SetC + 0.3, speed: 1}
	for _, c := range courses {
		if c.Shape == Ramp {
			*r.varies.field(int(c.Fault)) = 1
		}
	}
	// A comfort coil freezes only where something is wrong; an open case is defrosted by its own air.
	if (use.Duty == CoolsRoom && len(courses) > 0) || (use.Duty != CoolsRoom && use.Duty != CaseCooler) {
		r.varies.Frost = 1
	}
	r.phase = r.rng.Float64() * 2 * math.Pi
	r.now.AmbientPa = m.air.pressurePa
	rh := use.SpaceRH
	if rh == 0 {
		rh = 52
	}
	r.ratio = m.air.ratioAt(r.roomC, rh)
	return r
}

// Machine returns the machine that runs.
func (r *Run) Machine() *Machine { return r.m }

// faults returns the severities at a time, all of them and those that have come in steps.
func (r *Run) faults(unixS float64) (all, steps Faults) {
	for i := range r.courses {
		r.courses[i].Add(&all, unixS)
		if r.courses[i].Shape != Ramp {
			r.courses[i].Add(&steps, unixS)
		}
	}
	return all, steps
}

// chartKey is what does not vary within a chart: the faults that have come in steps, and whether there
// is frost.
type chartKey struct {
	steps  Faults
	frosty bool
}

func (r *Run) chart(steps Faults, frosty bool) *Chart {
	key := chartKey{steps, frosty}
	ch := r.charts[key]
	if ch == nil {
		varies := r.varies
		if !frosty {
			varies.Frost = 0
		}
		ch = r.m.NewChart(varies, r.use.Variable || r.use.Staged)
		r.charts[key] = ch
	}
	return ch
}

// Step moves to the minute unixS, one step after the last, and returns the state there, which is the
// run's own and overwritten by the next step.
func (r *Run) Step(unixS float64) *Now {
	w := r.weather.At(unixS)
	if !r.started {
		r.begin(unixS, &w)
	}
	r.now.UnixS, r.now.Rain = unixS, w.Rain
	outdoorC := w.TempC
	local := math.Mod(unixS+r.use.UTCOffsetS, day) / 3600
	weekday := int(math.Floor((unixS+r.use.UTCOffsetS)/day)+4) % 7 // 1 January 1970 was a Thursday
	open := local >= r.use.OpenH && local < r.use.CloseH && weekday != 0
	r.doors(unixS, open)
	r.control(unixS, outdoorC, open)

	c := Conditions{OutdoorC: outdoorC, IndoorC: r.roomC, IndoorRatio: r.ratio,
		Heating: r.heating, Speed: r.speed}
	var steps Faults
	c.Faults, steps = r.faults(unixS)
	if w.Rain && r.use.RainOnCoil {
		c.OutdoorC -= 2.5 // water evaporating on the coil
	}
	c.Faults.Frost += r.frost
	switch {
	case r.defrost > unixS && r.use.Duty == HeatsRoom:
		r.reverseDefrost(unixS, outdoorC)
	case r.on:
		dew, _ := r.m.air.sat(w.DewC)
		r.running(unixS, &c, steps, dew)
	default:
		r.resting(unixS, outdoorC, &c)
	}
	r.space(&w, outdoorC, open)
	r.now.OutdoorC = outdoorC
	r.now.LineC = r.m.lineAmbientC(outdoorC, r.roomC)
	r.now.DoorOpen = unixS < r.doorTill
	r.now.Tripped = unixS < r.tripTill
	r.now.SpaceC, r.now.ReturnC = r.roomC, r.roomC
	r.now.ReturnRH = r.m.air.relative(r.roomC, r.ratio)
	return &r.now
}

func (r *Run) begin(unixS float64, w *Air) {
	r.started, r.since, r.lastDef, r.coilC = true, unixS-1200, unixS-r.rng.Float64()*r.use.DefrostEachH*3600, r.roomC
	rest := r.m.f.satAtDew(min(w.TempC, r.roomC) + zeroC)
	r.now.SuctionPa, r.now.LiquidPa, r.now.DischargePa = rest.p, rest.p, rest.p
	r.now.SuctionC, r.now.LiquidC, r.now.DischargeC, r.now.SupplyC = r.roomC, w.TempC, w.TempC, r.roomC
	r.now.SupplyRH = 50
}

// doors opens the door of a cold room now and then, in hours of use.
func (r *Run) doors(unixS float64, open bool) {
	if r.use.DoorsPerHour == 0 {
		return
	}
	draw := r.rng.Float64()
	rate := r.use.DoorsPerHour
	if !open {
		rate *= 0.06
	}
	if unixS >= r.doorTill && draw < rate/60 {
		r.doorTill = unixS + 60*(1+math.Floor(3*r.rng.ExpFloat64()))
	}
}

// control is the thermostat with the machine's own timers.
func (r *Run) control(unixS, outdoorC float64, open bool) {
	set, heatSet := r.use.SetC, r.use.HeatSetC
	if !open {
		set += r.use.SetbackK
		heatSet -= r.use.SetbackK
	}
	idle := unixS - r.since
	switch r.use.Duty {
	case ColdRoom, FreezeRoom, CaseCooler:
		if r.use.DefrostEachH > 0 && unixS >= r.lastDef+r.use.DefrostEachH*3600 && unixS >= r.defrost {
			r.defrost, r.lastDef = unixS+r.use.DefrostMin*60, unixS
		}
		if unixS < r.defrost {
			r.turn(false, unixS)
			r.frost = max(r.frost-0.3/r.use.DefrostMin, 0)
			return
		}
	case HeatsRoom:
		if r.on && r.heating && r.frost > 0.34 && unixS-r.lastDef > 40*60 && unixS >= r.defrost {
			r.defrost, r.lastDef = unixS+60*math.Round(4+8*r.frost), unixS
		}
		if unixS < r.defrost {
			return
		}
		if !r.on && r.roomC < heatSet+0.2 {
			r.heating = true
		} else if !r.on && r.roomC > set-0.2 {
			r.heating = false
		}
	}
	if unixS < r.tripTill {
		r.turn(false, unixS)
		return
	}
	above := r.roomC - set
	if r.heating {
		above = heatSet - r.roomC
	}
	half := r.use.BandK / 2
	if r.use.Staged {
		switch { // the second stage where the first has not been enough for a while
		case !r.on || above < 0:
			r.speed = firstStage
		case above > half && idle > 600:
			r.speed = 1
		}
	}
	switch {
	case r.use.Variable:
		if r.on {
			r.speed = min(max(r.speed+0.10*(above/1.2)+0.02*(above-0.2), 0.4), 1.15)
			if above < -0.9 && idle > 600 {
				r.turn(false, unixS)
			}
		} else if above > 0.4 && idle >= 300 {
			r.turn(true, unixS)
			r.speed = 0.6
		}
	case r.on:
		if above < -half && idle >= 180 {
			r.turn(false, unixS)
		}
	default:
		if above > half && idle >= 240 {
			r.turn(true, unixS)
		}
	}
}

func (r *Run) turn(on bool, unixS float64) {
	if r.on != on {
		r.on, r.since = on, unixS
		if on {
			r.valve.start()
		}
	}
}

// running moves what is measured toward the steady state.
func (r *Run) running(unixS float64, c *Conditions, steps Faults, outdoorRatio float64) {
	st, err := r.chart(steps, c.Faults.Frost > 0).At(*c)
	n := &r.now
	ran := unixS - r.since
	if err != nil {
		// No steady state: the head climbs until the switch opens.
		st = r.steady
		if st.FlowKgS == 0 {
			_, base := r.m.rating(c.Heating)
			st = *base
		}
		if errors.Is(err, ErrHighPressure) {
			st.DischargePa, st.LiquidPa = 1.08*r.m.Spec.HighCutPa, 1.06*r.m.Spec.HighCutPa
		}
		if ran > 240 || n.DischargePa > r.m.Spec.HighCutPa {
			r.tripTill = unixS + 20*60
		}
	} else {
		r.steady = st
	}
	r.migrated -= lagMigrated * r.migrated
	r.capacity += lagCapacity * (1 - r.capacity)
	off, flow := r.swing(unixS, &st, &c.Faults)

	dew := r.m.f.sat(st.SuctionPa).td
	dry := 1 - r.migrated
	first := 1.0
	if ran < 300 {
		first = 1 - 0.13*math.Exp(-ran/70) // the coil is drawn down before the flow is up
	}
	ps := st.SuctionPa * first * (1 + 0.35*(flow-1))
	n.SuctionPa += lagSuction * (ps - n.SuctionPa)
	n.DischargePa += lagHead * (st.DischargePa*(1+0.05*(flow-1)) - n.DischargePa)
	n.LiquidPa += lagHead * (st.LiquidPa*(1+0.05*(flow-1)) - n.LiquidPa)
	sh := max((st.SuctionK-dew)*dry+off, 0)
	if r.migrated > 0.02 { // the line cannot be warmer than what wets it
		dew = r.m.f.sat(n.SuctionPa).td
	}
	n.SuctionC += lagSuctionT * (dew + sh - zeroC - n.SuctionC)
	n.LiquidC += lagLiquidT * (st.LiquidK - zeroC - n.LiquidC)
	tc := r.m.f.sat(st.DischargePa).td
	n.DischargeC += lagDischargeT * (tc + (st.DischargeK-tc)*(1-0.85*r.migrated) + 0.6*off - zeroC - n.DischargeC)
	n.SupplyC += lagSupply * (st.SupplyC - n.SupplyC)
	n.SupplyRH = r.m.air.relative(n.SupplyC, r.ratio+r.capacity*(st.SupplyRatio-r.ratio))
	lift := max((n.DischargePa-n.SuctionPa)/max(st.DischargePa-st.SuctionPa, 1), 0.25)
	n.PowerW = st.CompressorW * min(lift, 1.2)
	n.On, n.FanOn, n.OutdoorFanOn, n.Speed = true, true, true, r.speed
	n.Mode = Cooling
	if r.heating {
		n.Mode = Heating
	}
	n.SuctionQuality = st.SuctionQuality
	n.CapacityW = st.SensibleW * r.capacity
	r.coilC = r.m.f.sat(n.SuctionPa).td - zeroC
	r.grow(&st, outdoorRatio)
	if unixS < r.tripTill {
		r.turn(false, unixS)
	}
}

// valve is the control loop of a thermostatic valve: the bulb follows the superheat at the
// coil's outlet with a lag, the opening follows the bulb, and the coil answers with a lag and a delay.
// Where the gain around the loop is too high for the lags, it hunts: a valve far too large, one that
// works near its seat, a bulb with an air gap under a loose strap, which adds delay.
type valve struct {
	superheat, bulb float64
	late            [delaySteps]float64 // what the coil has still to answer to
	next            int
}

const (
	loopStepS  = 5
	delaySteps = 16
	coilLagS   = 20
	coilDelayS = 10
	flowShare  = 0.6 // of a wider opening that becomes flow: the rest goes into a higher evaporating pressure
)

// start sets the loop to a machine that stood: the bulb is warm, the valve opens wide.
func (v *valve) start() {
	v.superheat, v.bulb = 4, 12
	for i := range v.late {
		v.late[i] = 4
	}
}

// move takes the loop one minute on and returns superheat at the coil less the steady one, and the
// opening over the steady one.
func (v *valve) move(d *Metering, st *Steady, loose float64) (offK, opening float64) {
	at := max(st.Opening, d.Bleed)
	lag := d.TimeS * (1 + loose)
	delay := min(int((coilDelayS+90*loose)/loopStepS), delaySteps-1)
	o := at
	for range stepS / loopStepS {
		o = min(max(at+(1-bulbAir*loose)*(v.bulb-st.CoilSuperheatK)/d.OpeningK, d.Bleed), 1)
		target := max(st.CoilSuperheatK-flowShare*st.CoilGainK*math.Log(o/at), 0)
		v.late[v.next] = target
		v.next = (v.next + 1) % delaySteps
		felt := v.late[(v.next+2*delaySteps-1-delay)%delaySteps]
		v.superheat += loopStepS / float64(coilLagS) * (felt - v.superheat)
		v.bulb += loopStepS / lag * (v.superheat - v.bulb)
	}
	return v.superheat - st.CoilSuperheatK, o / at
}

// swing moves what swings and returns what it adds to the superheat, in K, and the share of flow.
func (r *Run) swing(unixS float64, st *Steady, f *Faults) (offK, flow float64) {
	d := &r.m.Cooling
	if r.heating {
		d = &r.m.Heating
	}
	if d.Kind == ElectronicValve { // its controller is taken to be tuned: slow beside the coil
		return 0, 1
	}
	if d.Kind == ThermostaticValve {
		if f.StuckAt > 0 || st.Opening > 0.98 {
			return 0, 1
		}
		off, o := r.valve.move(d, st, min(f.BulbLoose, 0.9))
		return off, math.Pow(o, flowShare)
	}
	// A fixed orifice that is fed by a condenser full of liquid swings when its evaporator is at the
	// boundary to flooding: a common observation of the trade, its size and period from memory.
	a := 0.0
	if st.SuperheatK < 8 {
		a = min(0.3*max(st.SubcoolingK-10, 0)*(1-st.SuperheatK/8), 3)
	}
	r.hunt += 0.1 * (a - r.hunt)
	if r.hunt < 0.05 {
		return 0, 1
	}
	off := r.hunt * math.Sin(2*math.Pi*unixS/410+r.phase+0.8*math.Sin(2*math.Pi*unixS/2900))
	return off, 1 - 0.012*off
}

// grow lays frost on an evaporator below freezing, about a third of the face in an hour where the air
// holds 4 g/kg more than at the surface (from memory of defrost tests of heat pumps; the fans of a cold
// room drive far more air over wider fins, and theirs is an eighth), and melts it above.
func (r *Run) grow(st *Steady, outdoorRatio float64) {
	if r.varies.Frost == 0 {
		return
	}
	// Frost begins at the tubes, which are colder than the fins that the mean surface stands for.
	tubeC := 0.6*(st.EvaporatingK-zeroC) + 0.4*st.SurfaceC
	if tubeC > -0.5 {
		if tubeC > 1 {
			r.frost = max(r.frost-0.01, 0)
		}
		return
	}
	ratio := r.ratio
	if r.heating {
		ratio = outdoorRatio
	}
	at, _ := r.m.air.sat(tubeC)
	const perMinute = 1.25 // of the face, for a ratio of 1
	rate := perMinute * max(ratio-at, 0)
	if r.m.Spec.Cold {
		rate /= 8
	}
	r.frost = min(r.frost+rate, 0.6)
}

// resting lets the pressures equalise and everything go to the temperature around it.
func (r *Run) resting(unixS, outdoorC float64, c *Conditions) {
	n := &r.now
	rest := unixS - r.since
	cold := min(outdoorC, r.roomC)
	warm := r.use.Duty == FreezeRoom && unixS < r.defrost
	if warm {
		r.coilC += approach(500) * (8 - r.coilC)
	} else {
		r.coilC += offCoil * (max(cold, min(r.roomC, outdoorC)) - r.coilC)
	}
	if r.use.Duty == CoolsRoom {
		r.frost = max(r.frost-0.02, 0) // the room melts it
	}
	foreign := c.Faults.NonCondensables * 101325 * 0.6
	low := r.m.f.satAtDew(r.coilC + zeroC).p
	if r.use.PumpDown { // the solenoid shuts and the low side is emptied
		low = min(low, max(0.45*n.SuctionPa, 1.6e5))
		if rest > 120 {
			low = n.SuctionPa + 25*rest/60
		}
		n.SuctionPa += lagSuction * (low - n.SuctionPa)
		high := r.m.f.satAtBubble(outdoorC+zeroC).p + foreign
		n.DischargePa += offCoil * (high - n.DischargePa)
		n.LiquidPa += offCoil * (high - n.LiquidPa)
	} else {
		k := offOrifice
		if r.m.Cooling.Kind == ThermostaticValve {
			k = offValve
		}
		meet := low + foreign
		n.SuctionPa += offOrifice * (low + 0.12*max(n.DischargePa-low, 0)*(1-k) - n.SuctionPa)
		n.DischargePa += k * (meet - n.DischargePa)
		n.LiquidPa += k * (meet - n.LiquidPa)
	}
	n.SuctionC += offLine * (r.m.lineAmbientC(outdoorC, r.roomC) - n.SuctionC)
	n.LiquidC += offLiquid * (outdoorC - n.LiquidC)
	n.DischargeC += offShell * (outdoorC + 4 - n.DischargeC)
	n.SupplyC += offSupply * (r.roomC - n.SupplyC)
	n.SupplyRH = r.m.air.relative(n.SupplyC, r.ratio)
	r.migrated += offMigrates * (0.9 - r.migrated)
	r.migrated = max(r.migrated, 0.25*math.Min(rest/300, 1))
	r.capacity -= approach(90) * r.capacity
	n.PowerW, n.Speed = 0, 0
	n.On, n.OutdoorFanOn, n.Mode = false, false, Off
	n.FanOn = r.use.Duty == ColdRoom || r.use.Duty == CaseCooler || (r.use.Duty == FreezeRoom && unixS >= r.defrost)
	if unixS < r.defrost {
		n.Mode = Defrosting
	}
	n.CapacityW = 0
	if warm {
		n.CapacityW = -0.35 * r.m.Spec.CapacityW // the heaters
	}
}

// reverseDefrost runs the heat pump backwards for some minutes to melt the outdoor coil.
func (r *Run) reverseDefrost(unixS, outdoorC float64) {
	n := &r.now
	left := (r.defrost - unixS) / 60
	n.Mode, n.On, n.FanOn, n.OutdoorFanOn = Defrosting, true, true, false
	low := r.m.f.satAtDew(-9 + zeroC).p
	high := r.m.f.satAtMid(max(30-2.5*left, 6) + zeroC).p
	n.SuctionPa += lagSuction * (low - n.SuctionPa)
	n.DischargePa += lagHead * (high - n.DischargePa)
	n.LiquidPa += lagHead * (0.985*high - n.LiquidPa)
	n.SuctionC += lagSuctionT * (-7 - n.SuctionC)
	n.LiquidC += lagLiquidT * (max(14-left, 4) - n.LiquidC)
	n.DischargeC += lagDischargeT * (45 - n.DischargeC)
	n.SupplyC += lagSupply * (r.roomC - 6 - n.SupplyC)
	n.PowerW = 0.55 * r.steady.CompressorW
	n.CapacityW = -0.35 * r.m.Spec.CapacityW
	r.frost = max(r.frost-0.09, 0)
	r.migrated = 0.5
	if left <= 1 {
		r.frost = min(r.frost, 0.03)
		r.since = unixS
		r.capacity = 0.3
	}
}

// space moves the room's temperature and humidity.
func (r *Run) space(w *Air, outdoorC float64, open bool) {
	u := &r.use
	kW := r.m.Spec.CapacityW
	load := u.LoadShare * kW
	occupied := 0.25
	if open {
		occupied = 1
	}
	switch u.Duty {
	case CoolsRoom, HeatsRoom:
		ua := 0.5 * load / 11
		solar := 0.25 + u.SolarShare
		heat := ua*(outdoorC-r.roomC) + 0.3*load*occupied + solar*load*w.Sun
		moved := -r.now.CapacityW
		if r.heating && r.now.Mode == Heating {
			moved = r.now.CapacityW
		}
		r.roomC += stepS * (heat + moved) / (420 * kW)
		air := 0.06 * kW // kg of air and what buffers its moisture
		out := r.m.air.ratioAt(outdoorC, 100)
		dewRatio, _ := r.m.air.sat(w.DewC)
		leak := air / 7200 * (0.5 + occupied)
		gain := leak*(min(out, dewRatio)-r.ratio) + 2.2e-8*load*occupied
		if r.now.Mode == Cooling {
			flow := r.m.Indoor.AirM3S * 1.18
			gain -= r.capacity * flow * max(r.ratio-r.steady.SupplyRatio, 0)
		}
		r.ratio = max(r.ratio+stepS*gain/air, 0.002)
		top, _ := r.m.air.sat(r.roomC)
		r.ratio = min(r.ratio, 0.93*top)
	default:
		s := &r.m.Spec
		ua := 0.45 * load / (s.RatedOutdoorC - 6 - u.SetC)
		around := 0.5*outdoorC + 0.5*20
		heat := ua*(around-r.roomC)*1.25 + load*(0.18+0.22*occupied)
		if r.now.UnixS < r.doorTill {
			heat += 0.8 * load
		}
		r.roomC += stepS * (heat - r.now.CapacityW) / (700 * kW)
		rh := u.SpaceRH
		if r.now.UnixS < r.doorTill {
			rh = min(rh+8, 97)
		}
		r.ratio += approach(900) * (r.m.air.ratioAt(r.roomC, rh) - r.ratio)
	}
}
