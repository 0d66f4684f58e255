package cycle

import (
	"fmt"
	"math"
	"time"

	"dewline"
	"dewline/thermo"
	"dewline/thermo/si"
)

// Machine is a system prepared for evaluation.
type Machine struct {
	System *dewline.System
	curve  *thermo.Curve
	refr   *thermo.Refrigerant
	sensor [NumPoints]sensor
	drop   float64        // Pa, from the discharge sensor to the liquid line
	air    float64        // Pa, of the air at the site
	hold   dewline.Millis // how long a reading stands for its point

	discharge *dischargeFit
}

// sensor is what is known of one point's sensor.
type sensor struct {
	ambient float64 // Pa to add to a pressure
	u       float64 // standard uncertainty of the quantity made absolute, canonical unit
}

// defaultHold is how long a reading stands where no sampling interval is stated.
const defaultHold = 5 * time.Minute

// NewMachine prepares a system of a site.
func NewMachine(sys *dewline.System, site *dewline.Site) (*Machine, error) {
	r, err := thermo.Lookup(sys.Refrigerant)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", sys.ID, err)
	}
	m := &Machine{System: sys, curve: r.Curve(), refr: r, discharge: dischargeOf(r), drop: float64(sys.CoilDrop), hold: dewline.Millis(defaultHold.Milliseconds())}
	air, err := thermo.AmbientPressure(thermo.Gauge, site.Altitude)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", sys.ID, err)
	}
	m.air = float64(air)
	for _, p := range dewline.Points() {
		fit := sys.Fitting(p)
		limit, _ := fit.Accuracy()
		s := sensor{u: thermo.StandardUncertainty(limit)}
		if p.Dimension() == dewline.Pressure {
			reading := thermo.PressureReading{Reading: 0, Reference: reference(fit.Reference), Altitude: site.Altitude, Accuracy: si.Pascal(limit)}
			ambient, err := thermo.AmbientPressure(reading.Reference, site.Altitude)
			if err != nil {
				return nil, fmt.Errorf("%s: %w", sys.ID, err)
			}
			s.ambient = float64(ambient)
			s.u = float64(reading.Uncertainty())
		}
		m.sensor[p] = s
		if fit.Sampling.Interval > 0 {
			m.hold = max(m.hold, dewline.Millis(fit.Sampling.Interval.Milliseconds()*5/2))
		}
	}
	return m, nil
}

// Hold returns how long a reading stands for its point.
func (m *Machine) Hold() dewline.Millis { return m.hold }

// Uncertainty returns the standard uncertainty of a point's sensor, in the point's canonical unit; of
// a pressure, when made absolute.
func (m *Machine) Uncertainty(p dewline.Point) float64 { return m.sensor[p].u }

// Ambient returns what is added to a pressure sensor's reading to make it absolute, Pa.
func (m *Machine) Ambient(p dewline.Point) float64 { return m.sensor[p].ambient }

// Barometer returns the usual pressure of the air at the site, Pa.
func (m *Machine) Barometer() float64 { return m.air }

// Slopes returns how the saturation temperatures move with the pressures, in K/Pa: dew at the suction
// pressure, bubble and dew at the high side's, both pressures absolute. They are zero where there is
// no saturation.
func (m *Machine) Slopes(suction, high float64) (suctionDew, highBubble, highDew float64) {
	_, suctionDew, _ = m.saturation(suction, 0, true)
	_, highBubble, _ = m.saturation(high, 0, false)
	_, highDew, _ = m.saturation(high, 0, true)
	return suctionDew, highBubble, highDew
}

// Saturations returns the dew temperature at one absolute pressure and the condensing temperature, the mean of bubble and dew, at
// another, both Pa, in °C, and false where one of them has none.
func (m *Machine) Saturations(suction, high float64) (dewC, condensingC float64, ok bool) {
	dew, _, low := m.saturation(suction, 0, true)
	bubble, _, b := m.saturation(high, 0, false)
	top, _, d := m.saturation(high, 0, true)
	return dew, (bubble + top) / 2, low == 0 && b == 0 && d == 0
}

// Lift returns how far the bubble temperature at one absolute pressure is above the dew temperature at another, both Pa, in K,
// and false where one of them has none.
func (m *Machine) Lift(suction, high float64) (k float64, ok bool) {
	dew, _, low := m.saturation(suction, 0, true)
	bubble, _, top := m.saturation(high, 0, false)
	return bubble - dew, low == 0 && top == 0
}

// Needs returns the points that a feature may be computed from.
func Needs(k Feature) []dewline.Point {
	high := []dewline.Point{dewline.LiquidPressure, dewline.DischargePressure}
	switch k {
	case SuctionPressureAbs, SuctionDewTemp:
		return []dewline.Point{dewline.SuctionPressure}
	case LiquidPressureAbs:
		return []dewline.Point{dewline.LiquidPressure}
	case DischargePressureAbs:
		return []dewline.Point{dewline.DischargePressure}
	case Superheat:
		return []dewline.Point{dewline.SuctionPressure, dewline.SuctionTemp}
	case Subcooling:
		return append(high, dewline.LiquidTemp)
	case CondensingOverAir:
		return append(high, dewline.OutdoorAirTemp, dewline.OperatingMode)
	case DischargeSuperheat:
		return append(high, dewline.DischargeTemp)
	case PressureRatio:
		return append(high, dewline.SuctionPressure)
	default:
		return high
	}
}

func reference(r dewline.PressureReference) thermo.PressureReference {
	switch r {
	case dewline.SealedGauge:
		return thermo.SealedGauge
	case dewline.Absolute:
		return thermo.Absolute
	default:
		return thermo.Gauge
	}
}

// Feature numbers the derived values that a Machine computes, in the order of dewline.DerivedValues.
type Feature uint8

// The features.
const (
	SuctionPressureAbs Feature = iota
	LiquidPressureAbs
	DischargePressureAbs
	Superheat
	Subcooling
	SuctionDewTemp
	LiquidBubbleTemp
	CondensingTemp
	CondensingOverAir
	DischargeSuperheat
	PressureRatio
	NumFeatures
)

// FeatureOf returns the feature of a derived value's name.
func FeatureOf(d dewline.Derived) (Feature, bool) {
	for i, name := range dewline.DerivedValues() {
		if name == d {
			return Feature(i), true
		}
	}
	return 0, false
}

// Missing says why a feature has no value; 0 means that it has one.
type Missing uint8

// The reasons.
const (
	NoReading Missing = iota + 1
	BelowVacuum
	BelowRange
	Transcritical
	NearCritical
	NotCooling
)

var missingWords = [...]dewline.Phrase{
	NoReading:     "a reading that it needs is missing",
	BelowVacuum:   "the pressure sensor reads below vacuum",
	BelowRange:    "the pressure is below the range of the refrigerant's saturation",
	Transcritical: "transcritical: the pressure is above the critical pressure",
	NearCritical:  "the pressure is too close to the critical pressure",
	NotCooling:    "it has no meaning in this mode",
}

// String says the reason in words, "" where there is a value.
func (m Missing) String() string {
	if int(m) >= len(missingWords) {
		return "unknown"
	}
	return string(missingWords[m])
}

// Features are the derived values at one moment. Temperatures are in Cel, differences in K,
// pressures in Pa; U is the standard uncertainty (k = 1) in the unit of the value.
type Features struct {
	Value   [NumFeatures]float64
	U       [NumFeatures]float64
	Missing [NumFeatures]Missing

	Mode      dewline.Mode // in which a running machine works
	ModeKnown bool         // it was reported, or the readings give it away
}

// OK says whether a feature has a value.
func (f *Features) OK(k Feature) bool { return f.Missing[k] == 0 }

// Estimate returns a feature as the vocabulary has it.
func (f *Features) Estimate(k Feature) dewline.Estimate {
	if w := f.Missing[k]; w != 0 {
		return dewline.Estimate{Missing: w.String()}
	}
	return dewline.Estimate{Value: f.Value[k], Uncertainty: f.U[k]}
}

func (f *Features) set(k Feature, v, u float64) { f.Value[k], f.U[k], f.Missing[k] = v, u, 0 }
func (f *Features) miss(k Feature, why Missing) { f.Value[k], f.U[k], f.Missing[k] = 0, 0, why }

const celsiusZero = 273.15 // K

// Evaluate computes the features of a frame.
func (m *Machine) Evaluate(fr *Frame, out *Features) {
	suction, suctionWhy := m.pressure(fr, dewline.SuctionPressure, SuctionPressureAbs, out)
	liquid, liquidWhy := m.pressure(fr, dewline.LiquidPressure, LiquidPressureAbs, out)
	discharge, dischargeWhy := m.pressure(fr, dewline.DischargePressure, DischargePressureAbs, out)

	// Superheat, from dew.
	dew, slope, why := m.saturation(suction, suctionWhy, true)
	uSuction := m.sensor[dewline.SuctionPressure].u
	uDew := math.Abs(slope) * uSuction
	m.temperature(out, SuctionDewTemp, dew, uDew, why)
	m.difference(fr, out, Superheat, dewline.SuctionTemp, dew, uDew, why, +1)

	// The liquid line: its own sensor, or the discharge pressure less the drop of the coil.
	high, highWhy, uHigh := liquid, liquidWhy, m.sensor[dewline.LiquidPressure].u
	if highWhy == NoReading {
		high, highWhy, uHigh = discharge-m.drop, dischargeWhy, m.sensor[dewline.DischargePressure].u
	}
	bubble, slope, why := m.saturation(high, highWhy, false)
	uBubble := math.Abs(slope) * uHigh
	m.temperature(out, LiquidBubbleTemp, bubble, uBubble, why)
	m.difference(fr, out, Subcooling, dewline.LiquidTemp, bubble, uBubble, why, -1)

	// Condensing temperature: the mean of bubble and dew at the high-side pressure.
	highDew, slopeDew, whyDew := m.saturation(high, highWhy, true)
	condensing, uCond := (bubble+highDew)/2, (uBubble+math.Abs(slopeDew)*uHigh)/2
	m.temperature(out, CondensingTemp, condensing, uCond, max(why, whyDew))
	out.Mode, out.ModeKnown = m.mode(fr, out)
	m.overAmbient(fr, out)

	// Discharge superheat, from dew at the discharge pressure where it is fitted.
	p, pWhy, uP := discharge, dischargeWhy, m.sensor[dewline.DischargePressure].u
	if pWhy == NoReading {
		p, pWhy, uP = liquid, liquidWhy, m.sensor[dewline.LiquidPressure].u
	}
	dDew, slope, why := m.saturation(p, pWhy, true)
	m.difference(fr, out, DischargeSuperheat, dewline.DischargeTemp, dDew, math.Abs(slope)*uP, why, +1)

	switch {
	case pWhy != 0:
		out.miss(PressureRatio, pWhy)
	case suctionWhy != 0:
		out.miss(PressureRatio, suctionWhy)
	default:
		ratio := p / suction
		out.set(PressureRatio, ratio, ratio*math.Hypot(uP/p, uSuction/suction))
	}
}

// pressure makes a reading absolute.
func (m *Machine) pressure(fr *Frame, p dewline.Point, k Feature, out *Features) (abs float64, why Missing) {
	v, ok := fr.Get(p, m.hold)
	if !ok {
		out.miss(k, NoReading)
		return 0, NoReading
	}
	abs = v + m.sensor[p].ambient
	if !(abs > 0) {
		out.miss(k, BelowVacuum)
		return 0, BelowVacuum
	}
	out.set(k, abs, m.sensor[p].u)
	return abs, 0
}

// saturation returns the dew or bubble temperature in Cel and its slope in K/Pa.
func (m *Machine) saturation(abs float64, why Missing, dew bool) (temp, slope float64, missing Missing) {
	if why != 0 {
		return 0, 0, why
	}
	var t si.Kelvin
	var ok bool
	if dew {
		t, slope, ok = m.curve.Dew(si.Pascal(abs))
	} else {
		t, slope, ok = m.curve.Bubble(si.Pascal(abs))
	}
	if ok {
		return float64(t) - celsiusZero, slope, 0
	}
	low, _ := m.curve.Range()
	switch {
	case !(abs > 0):
		return 0, 0, BelowVacuum
	case abs < float64(low):
		return 0, 0, BelowRange
	case abs > float64(m.refr.Critical().Pressure):
		return 0, 0, Transcritical
	}
	return 0, 0, NearCritical
}

func (m *Machine) temperature(out *Features, k Feature, v, u float64, why Missing) {
	if why != 0 {
		out.miss(k, why)
		return
	}
	out.set(k, v, u)
}

// difference sets sign*(line temperature - saturation temperature).
func (m *Machine) difference(fr *Frame, out *Features, k Feature, line dewline.Point, sat, uSat float64, why Missing, sign float64) {
	t, ok := fr.Get(line, m.hold)
	switch {
	case !ok:
		out.miss(k, NoReading)
	case why != 0:
		out.miss(k, why)
	default:
		out.set(k, sign*(t-sat), math.Hypot(uSat, m.sensor[line].u))
	}
}

// overAmbient sets condensing temperature over the air entering the outdoor coil, which exists in
// cooling only: when heating, that coil evaporates.
func (m *Machine) overAmbient(fr *Frame, out *Features) {
	air, ok := fr.Get(dewline.OutdoorAirTemp, m.hold)
	switch {
	case out.Missing[CondensingTemp] != 0:
		out.miss(CondensingOverAir, out.Missing[CondensingTemp])
	case !ok:
		out.miss(CondensingOverAir, NoReading)
	case out.Mode != dewline.ModeCooling && out.Mode != dewline.ModeOff:
		out.miss(CondensingOverAir, NotCooling)
	default:
		out.set(CondensingOverAir, out.Value[CondensingTemp]-air, math.Hypot(out.U[CondensingTemp], m.sensor[dewline.OutdoorAirTemp].u))
	}
}

// ApartRatio is the ratio of the pressures, high over low, that those of a running machine exceed.
const ApartRatio = 1.5

// Running says whether the compressor runs, and whether that is known: told by its own status, its
// current or its power, or else from the pressures being apart.
func (m *Machine) Running(fr *Frame, f *Features) (running, known, told bool) {
	if v, ok := fr.Get(dewline.CompressorOn, m.hold); ok {
		return v != 0, true, true
	}
	// A crankcase heater draws less than these (common practice).
	if v, ok := fr.Get(dewline.CompressorCurrent, m.hold); ok {
		return v > 1, true, true // A
	}
	if v, ok := fr.Get(dewline.CompressorPower, m.hold); ok {
		return v > 150, true, true // W
	}
	if v, ok := fr.Get(dewline.CompressorSpeed, m.hold); ok {
		return v > 0, true, true
	}
	if f.OK(PressureRatio) {
		// Where a closed valve keeps the pressures apart, the condenser of a stopped machine still comes
		// down to the air around it.
		warm := true
		if air, ok := fr.Get(dewline.OutdoorAirTemp, max(weather, m.hold)); ok && f.OK(CondensingTemp) {
			warm = f.Value[CondensingTemp]-air > 4
		}
		return f.Value[PressureRatio] > ApartRatio && warm, true, false
	}
	return false, false, false
}

const (
	// weather is for how long the air outdoors is about what it was, for telling whether a condenser is warmer.
	weather = 2 * 60 * 60 * 1000 // ms
	// told is for how long a mode stands that was reported: many controllers tell it only when it changes.
	told = 24 * 60 * 60 * 1000 // ms
	// noHeating is the outdoor temperature above which nobody heats: the base of heating degree days (65 °F), as
	// ASHRAE's climatic data have them.
	noHeating = 18.3 // Cel
	// coldCoil: above that temperature a coil outdoors that evaporates is hardly that much colder than the air it
	// takes heat from (common practice).
	coldCoil = 10.0 // K
	// moved is by how much the indoor coil surely heats or cools its air, K.
	moved = 3.0
	// mayDefrost: below it a coil that cools indoors may be that of a machine which defrosts.
	mayDefrost = 10.0 // Cel outdoors
)

// mode returns the mode in which a running machine works, and whether it is known: the mode that is reported,
// or else, of a heat pump, the one that its readings give away; whatever is no heat pump cools.
func (m *Machine) mode(fr *Frame, f *Features) (mode dewline.Mode, known bool) {
	if mode, ok := fr.Get(dewline.OperatingMode, max(told, m.hold)); ok {
		return dewline.Mode(mode), true
	}
	if m.System.Kind != dewline.HeatPump {
		return dewline.ModeCooling, true
	}
	supply, supplied := fr.Get(dewline.SupplyAirTemp, m.hold)
	back, returned := fr.Get(dewline.ReturnAirTemp, m.hold)
	out, aired := fr.Get(dewline.OutdoorAirTemp, m.hold)
	heats := supplied && returned && supply-back > moved
	cools := supplied && returned && back-supply > moved && !(aired && out < mayDefrost)
	switch {
	case heats:
		return dewline.ModeHeating, true
	case cools, aired && out > noHeating && f.OK(SuctionDewTemp) && out-f.Value[SuctionDewTemp] > coldCoil:
		return dewline.ModeCooling, true
	}
	return dewline.ModeOff, false
}
