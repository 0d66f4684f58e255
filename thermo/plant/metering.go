package plant

import "math"

// MeteringKind is the device that lets liquid into the evaporator.
type MeteringKind uint8

// The metering devices.
const (
	Orifice MeteringKind = iota // fixed orifice: a piston or short tube
	CapillaryTube
	ThermostaticValve
	ElectronicValve
)

// Metering is the device and its size.
type Metering struct {
	Kind MeteringKind

	BoreM   float64 // orifice or capillary
	LengthM float64
	Number  float64 // of bores in parallel

	// A valve opens over the static superheat, fully by the opening superheat more.
	FullM2    float64 // effective flow area fully open
	StaticK   float64
	OpeningK  float64
	SlopeKK   float64 // how much the static superheat rises per K of evaporating temperature over RatedK
	RatedK    float64 // evaporating temperature, dew
	Bleed     float64 // share of FullM2 that always passes
	TimeS     float64 // lag of the bulb (with its ballast), or of the controller
	MaxEvapPa float64 // pressure limit of the charge (MOP); 0: none
}

// flow returns the mass flow from the state at the inlet to the pressure at the outlet, for a device
// whose area is scaled by area. opening is the share of FullM2 of a valve.
func (d *Metering) flow(f *fluid, in sat, hIn, outPa, area, opening float64) float64 {
	if in.p <= outPa {
		return 1e-9
	}
	switch d.Kind {
	case Orifice:
		return d.shortTube(f, in, hIn, outPa, area)
	case CapillaryTube:
		return d.capillary(f, in, hIn, outPa, area)
	default:
		return d.valve(f, in, hIn, outPa, area*opening)
	}
}

// shortTube is the correlation of Aaron and Domanski (ASHRAE Transactions 96(1), 1990) for R-22 in short
// tubes of L/D 5 to 20: the liquid is accelerated to a pressure near its flashing point and chokes
// there, so that the outlet hardly matters and subcooling drives the flow:
//
//	m = Cc A sqrt(2 rho (p - pf)), pf = ps [1 + 12.599 SUB^1.293 - 0.1229 exp(-0.0169 (L/D)^2) - 0.04753 EVAP^0.6192]
//
// with SUB = subcooling over the saturation temperature in K, EVAP = (ps - pe)/ps and ps the saturation
// pressure of the liquid's temperature. It is used here for other refrigerants too, which the reduced
// form invites; for R-410A it is within some 10 % of what pistons of a given bore are sold for (common
// practice). Where vapour enters, the flow falls as 1/(1 + x + 7 x^2), a fit to the shape of the
// two-phase factor of Payne and O'Neal (2004).
func (d *Metering) shortTube(f *fluid, in sat, hIn, outPa, area float64) float64 {
	bore := d.BoreM * math.Sqrt(area)
	x := 0.0
	l := in
	if hIn < in.hl {
		l = f.liquidSat(hIn, in)
	} else {
		x = (hIn - in.hl) / (in.hv - in.hl)
	}
	ld := d.LengthM / bore
	sub := max((in.tb-l.tb)/in.tb, 0)
	evap := max((l.p-outPa)/l.p, 0.02)
	pf := l.p * (1 + 12.599*math.Pow(sub, 1.293) - 0.1229*math.Exp(-0.0169*ld*ld) - 0.04753*math.Pow(evap, 0.6192))
	pf = max(pf, outPa)
	// The chamfer of 0.25 mm.
	chamfer := 1 + 0.02655*math.Pow(ld, 0.70775)*math.Pow(0.25e-3/bore, 0.22684)
	return d.Number * chamfer * math.Pi / 4 * bore * bore * math.Sqrt(2*l.rl*smoothFloor(in.p-pf, 0.004*in.p)) / (1 + x + 7*x*x)
}

// capillary is a tube in which the liquid flows with friction to its flashing point and chokes shortly
// after. With Blasius' friction the liquid part passes m ~ D^2.7 (dp/L)^0.57; the flashing part takes
// over at most as much again, so that the driving pressure is that to the bubble point plus a tenth of
// the bubble pressure. Fitted to the trend of the adiabatic capillary charts of the ASHRAE Refrigeration
// handbook (from memory): flow up by about a quarter for 10 K of subcooling, down by a third for 10 % of
// vapour.
func (d *Metering) capillary(f *fluid, in sat, hIn, outPa, area float64) float64 {
	x := 0.0
	l := in
	if hIn < in.hl {
		l = f.liquidSat(hIn, in)
	} else {
		x = (hIn - in.hl) / (in.hv - in.hl)
	}
	const viscosity = 1.2e-4 // Pa s of the liquid; enters with the power -1/7
	drive := smoothFloor(in.p-max(l.p*0.62, outPa), 0.004*in.p)
	bore := d.BoreM * math.Pow(area, 1/2.7)
	// Darcy with f = 0.316 Re^-1/4: m^(7/4) = dp/L * D^(19/4) * rho * (pi/4)^(7/4) * 2 / (0.316 mu^(1/4))
	m74 := drive / d.LengthM * math.Pow(bore, 4.75) * l.rl * 2 * math.Pow(math.Pi/4, 1.75) / (0.316 * math.Pow(viscosity, 0.25))
	return d.Number * 0.83 * math.Pow(m74, 4.0/7) / (1 + 3*x + 6*x*x)
}

// valve is the orifice equation with the density of what enters, vapour included: a needle is too short
// to choke on flashing liquid.
func (d *Metering) valve(f *fluid, in sat, hIn, outPa, share float64) float64 {
	var rho float64
	if hIn > in.hl {
		x := (hIn - in.hl) / (in.hv - in.hl)
		rho = 1 / (x/in.rv + (1-x)/in.rl)
	} else {
		rho = f.liquidSat(hIn, in).rl
	}
	return d.FullM2 * share * 0.72 * math.Sqrt(2*rho*smoothFloor(in.p-outPa, 0.004*in.p))
}

// opening is how far a valve opens by the superheat that its bulb feels. The static superheat follows
// the evaporating temperature: the no-fault tests of NISTIR 7350 show a superheat that rises by 0.2 to
// 0.6 K per K of it at one outdoor temperature.
func (d *Metering) opening(superheatK float64, evap sat) float64 {
	o := (superheatK - d.StaticK - d.SlopeKK*(evap.td-d.RatedK)) / d.OpeningK
	if d.MaxEvapPa > 0 {
		o = min(o, (d.MaxEvapPa-evap.p)/(0.06*d.MaxEvapPa))
	}
	return d.Bleed + (1-d.Bleed)*smoothUnit(o)
}

// smoothFloor is max(v, 0) rounded off within width, so that a solver finds a slope everywhere.
func smoothFloor(v, width float64) float64 { return (v + math.Sqrt(v*v+width*width)) / 2 }

// smoothUnit holds v between 0 and 1 with rounded corners.
func smoothUnit(v float64) float64 {
	const w = 0.04
	s := func(v float64) float64 { return math.Sqrt(v*v + w*w) }
	return (1 + s(v) - s(v-1)) / 2
}
