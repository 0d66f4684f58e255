package plant

import (
	"fmt"
	"math"

	"dewline/thermo/moistair"
	"dewline/thermo/si"
)

// Machine is a refrigerant circuit as designed and built. Make it with Design; it is then read-only.
type Machine struct {
	Spec       Spec
	Compressor Compressor
	Outdoor    Coil
	Indoor     Coil
	Cooling    Metering
	Heating    Metering // of a heat pump
	Lines      Lines
	ReceiverM3 float64
	ChargeKg   float64
	StoreKg    float64 // of a heat pump: what a charge compensator holds back in heating

	f     *fluid
	air   *airTable
	rated [2]Steady // solutions at the rating, cooling and heating: where every search starts
	drive float64   // Pa from condenser to evaporator at the rating
}

// Lines are the pipes between the units.
type Lines struct {
	LiquidM3, SuctionM3 float64
	LiquidDropPa        float64 // at design flow
	SuctionDropPa       float64
	LiquidWK            float64 // to the air outdoors
	SuctionWK           float64
	flowKgS             float64
	liquidRho           float64
	suctionRho          float64
}

// Spec is what a machine is designed for. Zero fields are filled with what is usual for the kind.
type Spec struct {
	Refrigerant string
	Metering    MeteringKind
	Compressor  CompressorKind
	CapacityW   float64 // gross, at the rating; it follows from Map where that is given
	Map         *Map    // the compressor's, where its maker gives one
	HeatPump    bool
	Cold        bool // refrigeration: the indoor coil works in a cold space

	RatedOutdoorC, RatedIndoorC float64
	RatedIndoorRH               float64
	EvaporatingC                float64 // dew, at the coil's outlet
	CondensingC                 float64 // mean
	SuperheatK                  float64 // at the coil's outlet
	SubcoolingK                 float64 // at the condenser's outlet

	// Where a machine has been measured; 0: what is usual.
	IndoorAirM3S   float64
	CondenserRiseK float64 // of the air through the condenser
	CompressorW    float64 // power at the rating
	LineGainK      float64 // warming of the gas in the suction line
	LineM          float64
	AltitudeM      float64
	Receiver       bool
	HeadControlC   float64 // the head is held at this condensing temperature in cold weather; 0: no control
	MaxEvapC       float64 // pressure limit of the valve's charge; 0: none
	HighCutPa      float64 // pressure switch, absolute; 0: 0.93 of the critical pressure
}

func (s *Spec) fill() {
	set := func(v *float64, usual float64) {
		if *v == 0 {
			*v = usual
		}
	}
	if s.Cold {
		set(&s.RatedOutdoorC, 32)
		set(&s.RatedIndoorC, 2)
		set(&s.RatedIndoorRH, 85)
		set(&s.EvaporatingC, s.RatedIndoorC-6.5)
		set(&s.CondensingC, s.RatedOutdoorC+11)
		set(&s.SuperheatK, 4.5)
		set(&s.SubcoolingK, 3)
		set(&s.LineM, 12)
	} else {
		set(&s.RatedOutdoorC, 35)
		set(&s.RatedIndoorC, 26.7)
		set(&s.RatedIndoorRH, 51)
		set(&s.EvaporatingC, 8.5)
		set(&s.CondensingC, s.RatedOutdoorC+11.5)
		set(&s.SuperheatK, 5.5)
		set(&s.SubcoolingK, 5.6)
		set(&s.LineM, 8)
	}
}

// Design sizes a machine for its rating: the displacement by the flow that the capacity asks for, the
// coils' conductances by the temperatures that they must reach, the metering device by the flow and
// the charge by what the machine then holds.
func Design(spec Spec) (*Machine, error) {
	spec.fill()
	f, err := fluidOf(spec.Refrigerant)
	if err != nil {
		return nil, err
	}
	ambient, err := moistair.StandardPressure(si.Metre(spec.AltitudeM))
	if err != nil {
		return nil, err
	}
	at, err := newAirTable(float64(ambient))
	if err != nil {
		return nil, err
	}
	if spec.HighCutPa == 0 {
		spec.HighCutPa = 0.925 * float64(f.r.Critical().Pressure)
	}
	m := &Machine{Spec: spec, f: f, air: at}
	m.Compressor = Compressor{Kind: spec.Compressor, ShellLoss: 0.07}
	if err := m.size(); err != nil {
		return nil, fmt.Errorf("design a machine for %s: %w", spec.Refrigerant, err)
	}
	return m, nil
}

func (m *Machine) size() error {
	s, f := &m.Spec, m.f
	kW := s.CapacityW / 1000
	evap := f.satAtDew(s.EvaporatingC + zeroC)
	cond := f.satAtMid(s.CondensingC + zeroC)
	exit := f.gasAt(evap, s.SuperheatK)
	liquid := f.satAtLiquid(cond.tb-s.SubcoolingK, cond)

	// Lines: a suction line that costs about 1 K of saturation, a liquid line of about 25 kPa.
	m.Lines = Lines{
		LiquidM3: s.LineM * math.Pi / 4 * sq(0.0072+0.00012*kW), SuctionM3: s.LineM * math.Pi / 4 * sq(0.0135+0.0006*kW),
		LiquidDropPa: 9e3 + 2e3*s.LineM, SuctionDropPa: 0.018 * evap.p * (0.5 + s.LineM/16),
		LiquidWK: 0.12 * s.LineM, SuctionWK: (0.05 + 0.012*math.Sqrt(kW)) * s.LineM,
	}
	if s.Cold {
		m.Lines.SuctionWK *= 0.55 // thicker insulation
	}
	ps := evap.p - m.Lines.SuctionDropPa
	suction := f.sat(ps)

	// Flow; the suction line's gain is what it takes up at the rating.
	if s.Map != nil {
		m.Compressor.Map = s.Map
		drawn, _, _ := m.Compressor.run(f, suction, cond, f.gasPH(suction, exit.h), 1, 0)
		if !(drawn > 0) {
			return fmt.Errorf("the compressor's map gives a flow of %g kg/s at %.1f and %.1f °C", drawn, s.EvaporatingC, s.CondensingC)
		}
		s.CapacityW = drawn * (exit.h - liquid.hl)
		kW = s.CapacityW / 1000
	}
	flow := s.CapacityW / (exit.h - liquid.hl)
	m.Lines.flowKgS, m.Lines.liquidRho, m.Lines.suctionRho = flow, liquid.rl, exit.rho
	if s.LineGainK != 0 {
		m.Lines.SuctionWK = s.LineGainK * flow * evap.cpv / (m.lineAmbientC(s.RatedOutdoorC, s.RatedIndoorC) - (exit.t - zeroC))
	}
	gain := m.Lines.SuctionWK * (m.lineAmbientC(s.RatedOutdoorC, s.RatedIndoorC) - (exit.t - zeroC)) / flow
	inlet := f.gasPH(suction, exit.h+gain)
	dis := cond // the drop of the coil is small against the design's freedom
	m.Compressor.SweptM3S = 1
	one, hDis, power := m.Compressor.run(f, suction, dis, inlet, 1, 0)
	m.Compressor.SweptM3S = flow / one
	if s.CompressorW != 0 {
		m.Compressor.Efficiency = power / one * flow / s.CompressorW
		_, hDis, _ = m.Compressor.run(f, suction, dis, inlet, 1, 0)
	}

	// Condenser: air for 8.5 K of rise, then the conductance that gives the subcooling.
	rise, split := 8.5, 0.0
	if s.CondenserRiseK != 0 {
		rise = s.CondenserRiseK
	}
	m.Outdoor = Coil{VolumeM3: 0.30e-3*kW + 0.2e-3, DropPa: 0.014 * cond.p, FanW: 18 * kW,
		refKgS: flow, dropRho: 1, twoPhase: 2.2, gasSide: 0.42, liquidSid: 0.6}
	rejected := flow * (hDis - liquid.hl)
	outW := m.air.ratioAt(s.RatedOutdoorC, 40)
	m.Outdoor.AirM3S = rejected / (rise * cpAir * m.air.densityKgM3(s.RatedOutdoorC, outW))
	if !bisect(100, 200e3, &m.Outdoor.AirWK, func() bool {
		c := m.Outdoor.condense(f, m.Outdoor.entering(m.air, s.RatedOutdoorC, outW, 0, 1), flow, cond.p+m.Outdoor.DropPa/2, hDis, 0)
		return c.hOut < liquid.hl
	}) {
		return fmt.Errorf("a condenser of any size cannot condense at %.1f °C into %.1f °C air", s.CondensingC, s.RatedOutdoorC)
	}

	// Evaporator: the trade's 400 cubic feet a minute per ton for comfort, more for the small
	// differences of a cold room.
	perKW := 0.0537
	if s.Cold {
		perKW = 0.15
		split = 1
	}
	m.Indoor = Coil{VolumeM3: 0.26e-3*kW + 0.15e-3 + split*0.10e-3*kW, DropPa: 0.035 * evap.p, FanW: 40 * kW,
		refKgS: flow, dropRho: evap.rv, twoPhase: 2.2, gasSide: 0.55, liquidSid: 0.6, AirM3S: perKW * kW}
	if s.Cold {
		m.Indoor.FanW = 30 * kW
	}
	if s.IndoorAirM3S != 0 {
		m.Indoor.AirM3S = s.IndoorAirM3S
	}
	inRatio := m.air.ratioAt(s.RatedIndoorC, s.RatedIndoorRH)
	if !bisect(50, 200e3, &m.Indoor.AirWK, func() bool {
		e := m.Indoor.evaporate(f, m.air, m.Indoor.entering(m.air, s.RatedIndoorC, inRatio, 0, 1), flow, evap.p, liquid.hl)
		return e.hOut > exit.h
	}) {
		return fmt.Errorf("an evaporator of any size cannot take %.1f kW at %.1f °C from %.1f °C air", kW, s.EvaporatingC, s.RatedIndoorC)
	}

	m.drive = cond.p - evap.p
	valveIn := f.sat(cond.p - m.Outdoor.DropPa/2 - m.Lines.LiquidDropPa)
	m.Cooling = m.sizeMetering(valveIn, liquid.hl, evap.p*1.035, flow, s.SuperheatK)

	if s.Receiver {
		m.ReceiverM3 = 0.55e-3 * kW
	}
	m.ChargeKg = 0
	start := unknowns{suction.lnp, math.Log(cond.p + m.Outdoor.DropPa/2), inlet.h / 1e5}
	c := Conditions{OutdoorC: s.RatedOutdoorC, OutdoorRatio: outW, IndoorC: s.RatedIndoorC, IndoorRatio: inRatio}
	w := m.evaluate(c, start)
	m.ChargeKg = w.MassKg
	st, err := m.solveFrom(c, start, nil)
	if err != nil {
		return fmt.Errorf("at the rating: %w", err)
	}
	m.rated[0] = st
	if s.HeatPump {
		return m.sizeHeating()
	}
	return nil
}

// sizeHeating makes the metering device of the heating side for 8.3 °C outdoors and 21.1 °C indoors.
func (m *Machine) sizeHeating() error {
	s, f := &m.Spec, m.f
	evap := f.satAtDew(8.3 - 8.5 + zeroC)
	cond := f.satAtMid(39 + zeroC)
	exit := f.gasAt(evap, s.SuperheatK)
	suction := f.sat(evap.p - 0.6*m.Lines.SuctionDropPa)
	liquid := f.satAtLiquid(cond.tb-s.SubcoolingK-2, cond)
	flow, _, _ := m.Compressor.run(f, suction, cond, exit, 1, 0)
	m.Heating = m.sizeMetering(f.sat(cond.p-m.Lines.LiquidDropPa), liquid.hl, evap.p*1.035, flow, s.SuperheatK)
	c := Conditions{OutdoorC: 8.3, OutdoorRatio: m.air.ratioAt(8.3, 72), IndoorC: 21.1, IndoorRatio: m.air.ratioAt(21.1, 45), Heating: true}
	// The indoor coil holds less liquid than the outdoor one. What is left over would flood it, so a
	// compensator takes it, sized for the subcooling meant.
	start := unknowns{suction.lnp, cond.lnp, exit.h / 1e5}
	m.StoreKg = 0.3 * m.ChargeKg
	st, err := m.solveFrom(c, start, nil)
	for range 12 {
		if err != nil {
			break
		}
		off := st.SubcoolingK - s.SubcoolingK - 2
		if math.Abs(off) < 0.05 {
			break
		}
		m.StoreKg = min(max(m.StoreKg+0.012*off*m.ChargeKg, 0), 0.6*m.ChargeKg)
		st, err = m.solveFrom(c, st.at, &st.slopes)
	}
	if err != nil {
		return fmt.Errorf("at the heating rating: %w", err)
	}
	m.rated[1] = st
	return nil
}

func (m *Machine) sizeMetering(in sat, hIn, outPa, flow, superheatK float64) Metering {
	d := Metering{Kind: m.Spec.Metering, LengthM: 12.7e-3, Number: 1, BoreM: 1.5e-3, FullM2: 1e-6}
	switch d.Kind {
	case Orifice:
		d.Number = max(math.Round(m.Spec.CapacityW/14e3), 1)
		bisect(0.2e-3, 6e-3, &d.BoreM, func() bool { return d.flow(m.f, in, hIn, outPa, 1, 1) > flow })
	case CapillaryTube:
		d.LengthM = 1
		d.Number = max(math.Round(m.Spec.CapacityW/3e3), 1)
		bisect(0.2e-3, 6e-3, &d.BoreM, func() bool { return d.flow(m.f, in, hIn, outPa, 1, 1) > flow })
	case ThermostaticValve, ElectronicValve:
		d.OpeningK, d.Bleed, d.TimeS, d.SlopeKK = 5, 0.03, 100, 0.3
		at := 0.70 // a valve is chosen with some four tenths in reserve
		if d.Kind == ElectronicValve {
			d.OpeningK, d.TimeS, d.SlopeKK, at = 1.2, 12, 0, 0.55
		}
		evap := m.f.sat(outPa / 1.035)
		d.RatedK = evap.td
		d.StaticK = superheatK - at*d.OpeningK
		d.FullM2 *= flow / d.flow(m.f, in, hIn, outPa, 1, d.opening(superheatK, evap))
		if m.Spec.MaxEvapC != 0 {
			d.MaxEvapPa = m.f.satAtDew(m.Spec.MaxEvapC + zeroC).p
		}
	}
	return d
}

// lineAmbientC is the air around the suction line: half of it runs indoors.
func (m *Machine) lineAmbientC(outdoorC, indoorC float64) float64 {
	if m.Spec.Cold {
		return 0.5*outdoorC + 0.5*20
	}
	return 0.6*outdoorC + 0.4*indoorC
}

// bisect finds the value at which enough turns true, and says whether it ever does.
func bisect(low, high float64, v *float64, enough func() bool) bool {
	*v = high
	if !enough() {
		return false
	}
	for range 70 {
		*v = math.Sqrt(low * high)
		if enough() {
			high = *v
		} else {
			low = *v
		}
	}
	return true
}

func sq(v float64) float64 { return v * v }
