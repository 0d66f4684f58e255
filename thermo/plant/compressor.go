package plant

import "math"

// CompressorKind is how the compressor works, which shapes its losses.
type CompressorKind uint8

// The kinds of compressors.
const (
	Scroll CompressorKind = iota
	Reciprocating
	Rotary
)

// Compressor draws gas and gives it at the high pressure.
//
// Without a map, flow and power follow a volumetric and an overall isentropic efficiency against the
// pressure ratio r. A scroll has no clearance volume, so its volumetric efficiency falls gently by
// leakage, and its isentropic efficiency is highest where r suits the built-in ratio; a piston loses
// the clearance volume's re-expansion, 1 + C - C r^(1/n). The forms are textbook, the numbers are
// typical of small machines (both from memory).
type Compressor struct {
	Kind      CompressorKind
	SweptM3S  float64 // at rated speed
	ShellLoss float64 // share of the power that leaves through the shell
	Map       *Map    // AHRI 540, where given

	Efficiency float64 // over that of its kind, where the power has been measured; 0 means 1
}

// Map is the maker's rating of a compressor in the form of AHRI 540: flow (kg/s) and power (W) by ten
// coefficients of the dew temperatures (°C) of suction and discharge, at a rated superheat or else a
// rated temperature of the gas drawn.
type Map struct {
	FlowKgS, PowerW [10]float64
	RatedSuperheatK float64
	RatedReturnK    float64 // 0: the superheat is rated
}

// polynomial is that of AHRI 540.
func polynomial(c *[10]float64, s, d float64) float64 {
	return c[0] + c[1]*s + c[2]*d + c[3]*s*s + c[4]*s*d + c[5]*d*d + c[6]*s*s*s + c[7]*d*s*s + c[8]*s*d*d + c[9]*d*d*d
}

func (c *Compressor) volumetric(r float64) float64 {
	switch c.Kind {
	case Reciprocating:
		return 0.95 * (1 + 0.045 - 0.045*math.Pow(r, 1/1.12))
	case Rotary:
		return 0.97 - 0.022*(r-1)
	default:
		return 0.985 - 0.014*(r-1)
	}
}

func (c *Compressor) isentropic(r float64) float64 {
	best, at, fall := 0.70, 2.7, 0.16
	switch c.Kind {
	case Reciprocating:
		best, at, fall = 0.66, 4.0, 0.12
	case Rotary:
		best, at, fall = 0.68, 2.9, 0.15
	}
	l := math.Log(r / at)
	return best / (1 + fall*l*l*(1+0.3*l*l))
}

// run returns the flow through the compressor, the enthalpy it is given off with and the power drawn.
// Leak is the share of the flow lost past valves or flanks inside: that much less is moved, and part of
// the work on it is done again, which warms what is moved.
func (c *Compressor) run(f *fluid, suction, discharge sat, in gas, speed, leak float64) (flowKgS, hOut, powerW float64) {
	r := max(discharge.p/suction.p, 1.02)
	ideal := f.enthalpyPS(discharge, in.s) - in.h
	var work float64
	if c.Map != nil {
		td, tc := suction.td-zeroC, discharge.td-zeroC
		superheat := c.Map.RatedSuperheatK
		if c.Map.RatedReturnK > 0 {
			superheat = c.Map.RatedReturnK - suction.td
		}
		rated := f.gasAt(suction, superheat)
		flowKgS = polynomial(&c.Map.FlowKgS, td, tc)
		powerRated := polynomial(&c.Map.PowerW, td, tc)
		idealRated := f.enthalpyPS(discharge, rated.s) - rated.h
		work = powerRated / flowKgS * ideal / idealRated
		// Dabiri and Rice 1981: the flow follows the density by three quarters of its change (from memory).
		flowKgS *= (1 + 0.75*(in.rho/rated.rho-1)) * speed
	} else {
		flowKgS = max(c.volumetric(r), 0.05) * c.SweptM3S * in.rho * speed
		work = ideal / (orOne(c.Efficiency) * c.isentropic(r) * (1 - 0.06*(speed-0.8)*(speed-0.8)))
	}
	keep := 1 - leak
	flowKgS *= keep
	work *= math.Pow(keep, -0.65)
	powerW = flowKgS * work
	return flowKgS, in.h + work*(1-c.ShellLoss), powerW
}
