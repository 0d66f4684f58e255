package plant

import "math"

const zeroC = 273.15

// Coil is a finned coil with its fan. Every part of its face sees the entering air, the refrigerant
// passes through it zone by zone: in a condenser gas, two phases and liquid, in an evaporator two phases
// and gas. For refrigerant mixed along its way and air unmixed, effectiveness and number of transfer
// units of a zone have a closed form (Kays and London), which can be solved for the share of the coil
// that the zone takes.
//
// Conductances of the refrigerant's side are multiples of the air's, for the design flow: the model is
// built from ratings and not from drawings.
type Coil struct {
	AirM3S    float64 // with a clean coil and its fan at full speed
	AirWK     float64 // air-side conductance at that flow
	VolumeM3  float64 // inside the tubes
	DropPa    float64 // refrigerant's pressure drop at design flow and density
	FanW      float64
	refKgS    float64 // design flow
	dropRho   float64
	twoPhase  float64 // conductance of the refrigerant's side over AirWK
	gasSide   float64
	liquidSid float64
}

// air is what enters a coil.
type air struct {
	tC, ratio float64
	kgS       float64 // of dry air
	conduct   float64 // air-side conductance W/K
}

// entering returns the air that a coil gets with a share lost of its flow.
func (c *Coil) entering(a *airTable, tC, ratio, lost, speed float64) air {
	share := max((1-lost)*speed, 0.04)
	return air{tC, ratio, c.AirM3S * share * a.densityKgM3(tC, ratio), c.AirWK * math.Sqrt(share)}
}

// conductance is air and refrigerant side in series.
func (c *Coil) conductance(a air, side, flowKgS float64) float64 {
	r := side * c.AirWK * math.Pow(max(flowKgS, 1e-6)/c.refKgS, 0.8)
	return a.conduct * r / (a.conduct + r)
}

// reach is effectiveness times capacity rate of the whole face: W per K between refrigerant and
// entering air.
func (a air) reach(conductance float64) float64 {
	cap := a.kgS * (cpAir + a.ratio*cpSteam)
	return cap * -math.Expm1(-conductance/cap)
}

// logMean returns the logarithmic mean of two differences, and the arithmetic where they are near.
func logMean(a, b float64) float64 {
	if r := a / b; math.Abs(r-1) > 1e-3 {
		return (a - b) / math.Log(r)
	}
	return (a + b) / 2
}

// meanVoid is the mean void fraction between two qualities when heat flows evenly, with Zivi's slip
// (1964): S = (rho_l/rho_v)^(1/3).
func meanVoid(x1, x2 float64, l sat) float64 {
	g := math.Pow(l.rv/l.rl, 2.0/3)
	if x2-x1 < 1e-6 {
		return x1 / (x1 + g*(1-x1))
	}
	at := func(x float64) float64 { return x/(1-g) - g/((1-g)*(1-g))*math.Log(g+(1-g)*x) }
	return (at(x2) - at(x1)) / (x2 - x1)
}

// condensed is what a condenser does.
type condensed struct {
	hOut             float64
	heatW            float64
	massKg           float64
	subcooling       float64 // K at the outlet; negative: K-equivalent of vapour left, see quality
	quality          float64 // at the outlet
	gasZone, wetZone float64 // shares of the coil
	liquidZone       float64
	airOutC          float64
	freeVapour       float64 // share of the volume that is not liquid
	saturation       sat     // of the refrigerant's own pressure
	outPa            float64
	dropPa           float64
	foreignPa        float64 // partial pressure of what does not condense
}

// condense passes a flow through the coil. totalPa is the pressure at the inlet; foreign is the amount
// of non-condensable gas as the pressure it would have alone in the whole coil at 20 °C. It gathers in
// the condenser, where the liquid seal keeps it, so that the refrigerant condenses at its own, lower
// pressure, and films over the surface.
func (c *Coil) condense(f *fluid, a air, flowKgS, totalPa, hIn, foreign float64) condensed {
	drop := c.DropPa * (flowKgS / c.refKgS) * (flowKgS / c.refKgS)
	out := condensed{dropPa: drop, outPa: totalPa - drop}
	mean := totalPa - drop/2
	free := 0.75
	if foreign > 0 {
		for range 3 { // the share of vapour depends weakly on the pressure it makes
			out.foreignPa = foreign * (a.tC + zeroC + 12) / 293 / free
			c.zones(f, a, flowKgS, max(mean-out.foreignPa, 0.2*mean), hIn, foreign, &out)
			free = max(out.freeVapour, 0.1)
		}
		return out
	}
	c.zones(f, a, flowKgS, mean, hIn, 0, &out)
	return out
}

func (c *Coil) zones(f *fluid, a air, flowKgS, pa, hIn, foreign float64, out *condensed) {
	l := f.sat(pa)
	out.saturation = l
	ta := a.tC + zeroC
	in := f.gasPH(l, hIn)
	const least = 0.02 // K: below the air nothing condenses; the floor keeps the equations defined
	wet := max(l.td-ta, least)
	dry := max(l.tb-ta, least)
	reachGas := a.reach(c.conductance(a, c.gasSide, flowKgS))
	reachWet := a.reach(c.conductance(a, c.twoPhase/(1+foreign/60e3), flowKgS))
	reachLiq := a.reach(c.conductance(a, c.liquidSid, flowKgS))
	hTop := min(hIn, l.hv)
	if hIn > l.hv {
		out.gasZone = flowKgS * (hIn - l.hv) / (reachGas * logMean(max(in.t-ta, least*1.5), wet))
	} else {
		out.gasZone = 0
	}
	need := flowKgS * (hTop - l.hl) / (reachWet * logMean(wet, dry))
	left, liquidRho := 1-out.gasZone, l.rl
	switch {
	case left <= 1e-9:
		// Gas all through: it leaves superheated.
		out.gasZone, out.wetZone, out.liquidZone = 1, 0, 0
		cp := (hIn - l.hv) / max(in.t-l.td, 1e-6)
		cold := ta + (in.t-ta)*math.Exp(-reachGas/(flowKgS*cp))
		out.hOut, out.quality = f.gasAt(l, cold-l.td).h, 1
	case need >= left:
		out.wetZone, out.liquidZone = left, 0
		out.hOut = hTop - (hTop-l.hl)*left/need
		out.quality = (out.hOut - l.hl) / (l.hv - l.hl)
	default:
		out.wetZone, out.liquidZone = need, left-need
		fall := math.Exp(-reachLiq * out.liquidZone / (flowKgS * l.cpl))
		cold := ta + dry*fall
		cold = max(cold, l.tb-dry)
		out.subcooling = l.tb - cold
		// The liquid's enthalpy by its saturation line, as everywhere in this package.
		end := f.satAtLiquid(cold, l)
		out.hOut, out.quality = end.hl, 0
		// The liquid nears the air's temperature as an exponential along its way.
		liquidRho = end.rl
		if fall < 1-1e-9 {
			liquidRho += (l.rl - end.rl) * ((1-fall)/-math.Log(fall) - fall) / (1 - fall)
		}
	}
	out.heatW = flowKgS * (hIn - out.hOut)
	out.airOutC = a.tC + out.heatW/(a.kgS*(cpAir+a.ratio*cpSteam))
	void := meanVoid(out.quality, (hTop-l.hl)/(l.hv-l.hl), l)
	gasRho := (l.rv + in.rho) / 2
	out.massKg = c.VolumeM3 * (out.gasZone*gasRho + out.wetZone*(void*l.rv+(1-void)*l.rl) + out.liquidZone*liquidRho)
	out.freeVapour = out.gasZone + out.wetZone*void
}

// evaporated is what an evaporator does.
type evaporated struct {
	hOut      float64
	out       gas
	heatW     float64
	sensibleW float64
	massKg    float64
	wetZone   float64 // share with two phases
	superheat float64 // K at the outlet
	gain      float64 // K of superheat that a flow larger by a share of 1 costs
	quality   float64 // at the outlet
	airOutC   float64
	airRatio  float64
	surfaceC  float64
	inPa      float64
	dropPa    float64
	sat       sat // at the outlet
}

// evaporate passes a flow through the coil from hIn to the outlet pressure outPa. The coil is wet where
// that moves more heat: the driving force is then the enthalpy of the air over that of saturated air at
// the refrigerant's temperature (Braun, Klein and Mitchell 1989), with the slope of the saturation line
// as the refrigerant side's heat capacity.
func (c *Coil) evaporate(f *fluid, at *airTable, a air, flowKgS, outPa, hIn float64) evaporated {
	out := evaporated{sat: f.sat(outPa)}
	l := out.sat
	out.dropPa = c.DropPa * (flowKgS / c.refKgS) * (flowKgS / c.refKgS) * c.dropRho / l.rv
	out.inPa = outPa + out.dropPa
	li := f.sat(out.inPa)
	x1 := min(max((hIn-li.hl)/(li.hv-li.hl), 0), 0.98)
	tIn := li.tb + x1*(li.td-li.tb)
	tr := (tIn+l.td)/2 - zeroC // °C, mean of the two phases
	cap := a.kgS * (cpAir + a.ratio*cpSteam)
	ref := c.twoPhase * c.AirWK * math.Pow(max(flowKgS, 1e-6)/c.refKgS, 0.8)

	dry := a.reach(a.conduct*ref/(a.conduct+ref)) * (a.tC - tr)
	hAir := enthalpy(a.tC, a.ratio)
	hRef, _ := at.satEnthalpy(tr)
	_, slope := at.satEnthalpy(tr + 0.35*max(at.satTemperature(hAir)-tr, 0))
	wetConduct := 1 / (cpAir/a.conduct + slope/ref) // kg/s
	wet := a.kgS * -math.Expm1(-wetConduct/a.kgS) * (hAir - hRef)
	// The larger of the two, rounded off over the narrow range in which part of the coil is wet.
	mid, half := (dry+wet)/2, (dry-wet)/2
	full := mid + math.Sqrt(half*half+(0.015*mid)*(0.015*mid))
	full = max(full, 1e-3*cap)

	out.wetZone = flowKgS * (l.hv - hIn) / full
	if out.wetZone >= 1 {
		out.hOut = hIn + full/flowKgS
		out.wetZone = 1
		out.quality = (out.hOut - l.hl) / (l.hv - l.hl)
		out.out = f.gasPH(l, out.hOut)
	} else {
		reachGas := a.reach(c.conductance(a, c.gasSide, flowKgS))
		room := max(a.tC+zeroC-l.td, 0.01)
		ntuAll := reachGas / (flowKgS * l.cpv)
		left := math.Exp(-ntuAll * (1 - out.wetZone))
		sh := room * (1 - left)
		out.gain = room * left * ntuAll
		out.out = f.gasAt(l, sh)
		out.hOut, out.superheat, out.quality = out.out.h, sh, 1
	}
	out.heatW = flowKgS * (out.hOut - hIn)

	twoPhaseW := flowKgS * (min(out.hOut, l.hv) - hIn)
	ntu := a.conduct / cap
	bypass := math.Exp(-ntu)
	surface := at.satTemperature(hAir - full/a.kgS/(1-bypass))
	sensible := cap * (a.tC - surface) * (1 - bypass) * out.wetZone
	// Sensible cannot exceed the total: rounded off the same way.
	m, h := (sensible+twoPhaseW)/2, (sensible-twoPhaseW)/2
	sensible = m - math.Sqrt(h*h+(0.01*m)*(0.01*m))
	out.sensibleW = sensible + out.heatW - twoPhaseW
	out.surfaceC = surface
	out.airOutC = a.tC - out.sensibleW/cap
	out.airRatio = max(a.ratio-(out.heatW-out.sensibleW)/(a.kgS*(hSteam)), 1e-5)
	void := meanVoid(x1, min(out.quality, 1), l)
	out.massKg = c.VolumeM3 * (out.wetZone*(void*l.rv+(1-void)*l.rl) + (1-out.wetZone)*out.out.rho)
	return out
}
