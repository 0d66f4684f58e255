package cycle

import (
	"math"
	"slices"

	"dewline"
	"dewline/thermo"
	"dewline/thermo/si"
)

// Mean is the mean of a quantity over a window of steady running; the zero value is one that is not
// measured.
type Mean struct {
	Value    float64
	Measured bool
}

// Measured returns the mean of a quantity that is measured.
func Measured(v float64) Mean { return Mean{v, true} }

// Means are what the performance of a machine is estimated from. Pressures are absolute; that of the high
// side serves for compressor and liquid line, which differ by the drop of the condenser.
type Means struct {
	SuctionPressurePa, HighPressurePa Mean
	SuctionC, LiquidC, DischargeC     Mean // lines, in Cel
	PowerW                            Mean // of the compressor
}

// Performance is what a machine does, as far as its sensors tell. An Estimate that does not exist says why.
type Performance struct {
	MapFlow     dewline.Estimate // kg/s, from the maker's map
	BalanceFlow dewline.Estimate // kg/s, from power and discharge temperature
	Flow        dewline.Estimate // the more certain of the two
	Capacity    dewline.Estimate // W, taken up between the liquid line's sensor and the compressor's inlet
	COP         dewline.Estimate // capacity over the compressor's power, fans not counted
}

// Standard uncertainties of what the estimates rest on.
const (
	// A maker's map is given to about 5 % (AHRI 540, from memory); a compressor of the series that has
	// run for years is taken to lie as far from it again.
	mapFlowU = 0.05
	// Dabiri and Rice 1981: flow follows the density of the gas drawn by three quarters of its change
	// (from memory).
	densityShare, densityShareU = 0.75, 0.25
	// usualShellLoss is known to within 0.05 (common practice).
	shellLossU = 0.05
	// Gas with less superheat than this, in standard uncertainties, may carry liquid, and then its
	// temperature says nothing about its enthalpy.
	dryBy = 1.0
)

// The reasons why a performance does not exist.
const (
	noSuction    = "suction pressure or suction line temperature is not measured"
	noHigh       = "no pressure of the high side is measured"
	noLiquid     = "liquid line temperature is not measured"
	noDischarge  = "discharge temperature is not measured"
	noPower      = "compressor power is not measured"
	noMap        = "the fleet file has no map of the compressor's flow"
	mapOneSpeed  = "the compressor's map holds at one speed, and its speed varies"
	mapOutside   = "the compressor's map gives no flow at these pressures"
	wetSuction   = "the gas drawn has too little superheat to be surely dry"
	wetDischarge = "the discharge has too little superheat to be surely dry"
	flashGas     = "the liquid line is not subcooled, so that it may carry gas"
	noState      = "the refrigerant's state is beyond its equations"
	noWork       = "the discharge is no hotter than the gas drawn"
)

// point is a state with the standard uncertainty of its enthalpy.
type point struct {
	thermo.State
	u float64 // J/kg
}

// Performance estimates refrigerant flow, capacity and COP of a steady window. It solves the full equations
// of state some four times (a few tenths of a millisecond), so it is for windows and not for readings.
//
// Uncertainties are of first order: those of the sensors by the heat capacities and by the slopes of
// saturation and map, that of the method by the constants above.
func (m *Machine) Performance(in Means) Performance {
	suction, why := m.drawn(&in)
	if why != "" {
		e := dewline.Estimate{Missing: why}
		return Performance{e, e, e, e, e}
	}
	out := Performance{MapFlow: m.mapFlow(&in, suction)}
	b, why := m.balance(&in, suction)
	out.BalanceFlow = dewline.Estimate{Missing: why}
	if why == "" {
		out.BalanceFlow = dewline.Estimate{Value: b.flow, Uncertainty: b.flow * norm(b.byPower, b.byShell, suction.u/b.rise, b.byDischarge)}
	}
	byMap := out.MapFlow.OK() && !(out.BalanceFlow.OK() && out.BalanceFlow.Uncertainty < out.MapFlow.Uncertainty)
	switch {
	case byMap:
		out.Flow = out.MapFlow
	case out.BalanceFlow.OK():
		out.Flow = out.BalanceFlow
	default:
		e := dewline.Estimate{Missing: out.MapFlow.Missing + "; " + out.BalanceFlow.Missing}
		out.Flow, out.Capacity, out.COP = e, e, e
		return out
	}
	liquid, why := m.fed(&in)
	if why != "" {
		out.Capacity, out.COP = dewline.Estimate{Missing: why}, dewline.Estimate{Missing: why}
		return out
	}
	gain := float64(suction.Enthalpy - liquid.Enthalpy)
	capacity := out.Flow.Value * gain
	relPower := m.powerU(&in)
	var relCapacity, relCOP float64
	if byMap {
		relCapacity = norm(out.Flow.Uncertainty/out.Flow.Value, suction.u/gain, liquid.u/gain)
		relCOP = norm(relCapacity, relPower)
	} else { // the suction's enthalpy counts in the gain and in the rise; the power cancels in the COP
		relCOP = norm(suction.u/gain+suction.u/b.rise, b.byDischarge, b.byShell, liquid.u/gain)
		relCapacity = norm(relCOP, relPower)
	}
	out.Capacity = dewline.Estimate{Value: capacity, Uncertainty: capacity * relCapacity}
	if !(in.PowerW.Measured && in.PowerW.Value > 0) {
		out.COP = dewline.Estimate{Missing: noPower}
		return out
	}
	cop := capacity / in.PowerW.Value
	out.COP = dewline.Estimate{Value: cop, Uncertainty: cop * relCOP}
	return out
}

// powerMeterU is the standard uncertainty, as a share, of a power meter of which none is stated: current
// transformers with meter (common practice).
const powerMeterU = 0.02

func (m *Machine) powerU(in *Means) float64 {
	if u := m.sensor[dewline.CompressorPower].u; u > 0 {
		return u / in.PowerW.Value
	}
	return powerMeterU
}

// balanced is the flow by the balance of energy around the compressor, with relative uncertainties.
type balanced struct {
	flow                          float64 // kg/s
	rise                          float64 // J/kg
	byPower, byShell, byDischarge float64
}

func (m *Machine) balance(in *Means, suction point) (balanced, string) {
	switch {
	case !in.PowerW.Measured || !(in.PowerW.Value > 0):
		return balanced{}, noPower
	case !in.DischargeC.Measured:
		return balanced{}, noDischarge
	case !in.HighPressurePa.Measured:
		return balanced{}, noHigh
	}
	discharge, why := m.dry(in.HighPressurePa.Value, m.highU(), in.DischargeC.Value, m.sensor[dewline.DischargeTemp].u, wetDischarge)
	if why != "" {
		return balanced{}, why
	}
	rise := float64(discharge.Enthalpy - suction.Enthalpy)
	if !(rise > 0) {
		return balanced{}, noWork
	}
	return balanced{flow: in.PowerW.Value * (1 - usualShellLoss) / rise, rise: rise,
		byPower: m.powerU(in), byShell: shellLossU / (1 - usualShellLoss), byDischarge: discharge.u / rise}, ""
}

// drawn returns the gas that the compressor draws.
func (m *Machine) drawn(in *Means) (point, string) {
	if !in.SuctionPressurePa.Measured || !in.SuctionC.Measured {
		return point{}, noSuction
	}
	return m.dry(in.SuctionPressurePa.Value, m.sensor[dewline.SuctionPressure].u, in.SuctionC.Value, m.sensor[dewline.SuctionTemp].u, wetSuction)
}

// dry returns a state of gas that is surely dry.
func (m *Machine) dry(pa, uPa, tempC, uK float64, wet string) (point, string) {
	dew, slope, why := m.saturation(pa, 0, true)
	if why != 0 {
		return point{}, why.String()
	}
	if tempC-dew < dryBy*norm(uK, slope*uPa) {
		return point{}, wet
	}
	s, err := m.refr.AtPT(si.Pascal(pa), si.FromCelsius(tempC))
	if err != nil || s.Phase != thermo.Vapour {
		return point{}, noState
	}
	return point{s, float64(s.HeatCapacity) * uK}, ""
}

// fed returns the liquid that goes to the metering device.
func (m *Machine) fed(in *Means) (point, string) {
	switch {
	case !in.LiquidC.Measured:
		return point{}, noLiquid
	case !in.HighPressurePa.Measured:
		return point{}, noHigh
	}
	pa, uK := in.HighPressurePa.Value, m.sensor[dewline.LiquidTemp].u
	bubble, slope, why := m.saturation(pa, 0, false)
	if why != 0 {
		return point{}, why.String()
	}
	// A line at its bubble point, as from a receiver, is taken as liquid; by how much it may be gas the
	// temperature does not say.
	if in.LiquidC.Value-bubble > 2*norm(uK, slope*m.highU()) {
		return point{}, flashGas
	}
	s, err := m.refr.AtPT(si.Pascal(pa), si.FromCelsius(min(in.LiquidC.Value, bubble-0.001)))
	if err != nil || s.Phase != thermo.Liquid {
		return point{}, noState
	}
	return point{s, float64(s.HeatCapacity) * uK}, ""
}

// highU is the standard uncertainty of the high side's pressure: of the liquid line's sensor, or of the
// discharge's where only that is fitted.
func (m *Machine) highU() float64 {
	fitted := func(p dewline.Point) bool {
		return slices.ContainsFunc(m.System.Points, func(f dewline.PointFitting) bool { return f.Point == p })
	}
	if fitted(dewline.DischargePressure) && !fitted(dewline.LiquidPressure) {
		return m.sensor[dewline.DischargePressure].u
	}
	return m.sensor[dewline.LiquidPressure].u
}

// mapFlow is the flow by the maker's map, corrected for gas that is thinner or denser than rated.
func (m *Machine) mapFlow(in *Means, suction point) dewline.Estimate {
	c := m.System.CompressorMap
	switch {
	case c == nil || !c.MassFlow.Stated():
		return dewline.Estimate{Missing: noMap}
	case m.System.CompressorSpeed.Changes():
		return dewline.Estimate{Missing: mapOneSpeed}
	case !in.HighPressurePa.Measured:
		return dewline.Estimate{Missing: noHigh}
	}
	suctionC, slopeS, _ := m.saturation(in.SuctionPressurePa.Value, 0, true)
	highC, slopeD, why := m.saturation(in.HighPressurePa.Value, 0, true)
	if why != 0 {
		return dewline.Estimate{Missing: why.String()}
	}
	at := func(sC, dC float64) float64 { return c.MassFlow.At(si.FromCelsius(sC), si.FromCelsius(dC)) }
	rated := c.RatedReturnGas
	if rated == 0 {
		rated = si.FromCelsius(suctionC + float64(c.RatedSuperheat))
	}
	gas, err := m.refr.AtPT(si.Pascal(in.SuctionPressurePa.Value), max(rated, si.FromCelsius(suctionC+0.001)))
	if err != nil {
		return dewline.Estimate{Missing: noState}
	}
	change := float64(suction.Density/gas.Density) - 1
	flow := at(suctionC, highC) * (1 + densityShare*change)
	if !(flow > 0) {
		return dewline.Estimate{Missing: mapOutside}
	}
	const h = 0.5 // K
	byS := (at(suctionC+h, highC) - at(suctionC-h, highC)) / (2 * h) / flow * slopeS * m.sensor[dewline.SuctionPressure].u
	byD := (at(suctionC, highC+h) - at(suctionC, highC-h)) / (2 * h) / flow * slopeD * m.highU()
	byT := densityShare * m.sensor[dewline.SuctionTemp].u / float64(suction.Temperature)
	return dewline.Estimate{Value: flow, Uncertainty: flow * norm(mapFlowU, densityShareU*change, byS, byD, byT)}
}

// norm is the root of the sum of squares.
func norm(v ...float64) float64 {
	s := 0.0
	for _, x := range v {
		s += x * x
	}
	return math.Sqrt(s)
}
