package analytics

import (
	"math"
	"time"

	"dewline"
	"dewline/analytics/baseline"
	"dewline/analytics/cycle"
	"dewline/analytics/diagnose"
	"dewline/analytics/expect"
)

// windowSpan is how much steady running makes a window.
const windowSpan = 30 * time.Minute

// gathered are the quantities that a window takes the means of.
const (
	gSuperheat = iota
	gSubcooling
	gSuctionDew
	gOverAmbient
	gCondensing
	gDischargeSuperheat
	gReturn
	gSupply
	gHumidity
	gSpace
	gOutdoor
	gPower
	gCurrent
	gSpeed
	gLiquid
	gDischarge
	gStage
	gSuctionPa
	gHighPa
	numGathered
)

// gather sums up the steady running of the window that is open.
type gather struct {
	From, Prev dewline.Millis
	Ran        dewline.Millis
	Frames     int32
	N          [numGathered]int32
	Sum        [numGathered]float64
	Short      bool
}

var gatheredFeatures = [...]struct {
	g int
	k cycle.Feature
}{
	{gSuperheat, cycle.Superheat}, {gSubcooling, cycle.Subcooling}, {gSuctionDew, cycle.SuctionDewTemp},
	{gOverAmbient, cycle.CondensingOverAir}, {gCondensing, cycle.CondensingTemp}, {gDischargeSuperheat, cycle.DischargeSuperheat},
	{gSuctionPa, cycle.SuctionPressureAbs},
}

var gatheredPoints = [...]struct {
	g int
	p dewline.Point
}{
	{gReturn, dewline.ReturnAirTemp}, {gSupply, dewline.SupplyAirTemp}, {gHumidity, dewline.ReturnAirRH}, {gSpace, dewline.SpaceTemp},
	{gOutdoor, dewline.OutdoorAirTemp}, {gPower, dewline.CompressorPower}, {gCurrent, dewline.CompressorCurrent}, {gSpeed, dewline.CompressorSpeed}, {gLiquid, dewline.LiquidTemp}, {gDischarge, dewline.DischargeTemp}, {gStage, dewline.CompressorStage},
}

// add takes a steady frame.
func (g *gather) add(m *cycle.Machine, fr *cycle.Frame, f *cycle.Features, each, longest dewline.Millis, short bool) {
	if g.Frames == 0 {
		*g = gather{From: fr.At, Ran: each, Short: short}
	} else if fr.At-g.Prev <= longest {
		g.Ran += fr.At - g.Prev
	}
	g.Prev = fr.At
	g.Frames++
	for _, x := range gatheredFeatures {
		if f.OK(x.k) {
			g.Sum[x.g] += f.Value[x.k]
			g.N[x.g]++
		}
	}
	high := cycle.LiquidPressureAbs
	if !f.OK(high) {
		high = cycle.DischargePressureAbs
	}
	if f.OK(high) {
		g.Sum[gHighPa] += f.Value[high]
		g.N[gHighPa]++
	}
	for _, x := range gatheredPoints {
		if v, ok := fr.Get(x.p, m.Hold()); ok {
			g.Sum[x.g] += v
			g.N[x.g]++
		}
	}
}

func (g *gather) mean(i int) (float64, bool) {
	// A quantity that was there for less than half of the window says little of it.
	if n := g.N[i]; n > 0 && 2*n >= g.Frames {
		return g.Sum[i] / float64(n), true
	}
	return 0, false
}

// means are what the performance of the machine is estimated from.
func (g *gather) means() cycle.Means {
	mean := func(i int) cycle.Mean {
		v, ok := g.mean(i)
		return cycle.Mean{Value: v, Measured: ok}
	}
	superheat, dew := mean(gSuperheat), mean(gSuctionDew)
	return cycle.Means{
		SuctionPressurePa: mean(gSuctionPa), HighPressurePa: mean(gHighPa), PowerW: mean(gPower),
		SuctionC: cycle.Mean{Value: dew.Value + superheat.Value, Measured: superheat.Measured && dew.Measured}, LiquidC: mean(gLiquid), DischargeC: mean(gDischarge),
	}
}

// byCurrent says whether the current stands for the power of a compressor: only its changes are judged, and those of a motor at the
// mains are nearly the same of both. A drive's are not.
func byCurrent(s *dewline.System) bool {
	return s.Fitted(dewline.CompressorCurrent) && !s.Fitted(dewline.CompressorPower) && s.CompressorSpeed != dewline.VariableSpeed
}

// window makes the window of what was gathered, and begins anew.
func (g *gather) window(m *cycle.Machine) baseline.Window {
	w := baseline.Window{From: g.From, To: g.Prev, Minutes: float32(float64(g.Ran) / 60_000), Short: g.Short}
	set := func(k diagnose.Symptom, v float64) { w.Y[k], w.Has[k] = float32(v), true }
	superheat, hasSH := g.mean(gSuperheat)
	if hasSH {
		set(diagnose.Superheat, superheat)
	}
	if v, ok := g.mean(gSubcooling); ok {
		set(diagnose.Subcooling, v)
	}
	dew, hasDew := g.mean(gSuctionDew)
	if hasDew {
		set(diagnose.SuctionDew, dew)
	}
	if v, ok := g.mean(gOverAmbient); ok {
		set(diagnose.OverAmbient, v)
	}
	condensing, hasCond := g.mean(gCondensing)
	if v, ok := g.mean(gDischargeSuperheat); ok && hasSH && hasDew && hasCond {
		if usual, ok := m.DischargeSuperheatAt(dew, condensing, superheat); ok {
			set(diagnose.DischargeExcess, v-usual)
		}
	}
	ret, hasReturn := g.mean(gReturn)
	if supply, ok := g.mean(gSupply); ok && hasReturn {
		set(diagnose.AirSplit, ret-supply)
	}
	if v, ok := g.mean(gCurrent); byCurrent(m.System) && ok && v > 0.1 {
		set(diagnose.LogPower, math.Log(v))
	} else if v, ok := g.mean(gPower); !byCurrent(m.System) && ok && v > 10 {
		set(diagnose.LogPower, math.Log(v))
	}
	inside, hasInside := ret, hasReturn
	if space, ok := g.mean(gSpace); ok && (!hasReturn || !m.System.Kind.Comfort()) {
		inside, hasInside = space, true
	}
	w.Inside, w.HasInside = float32(inside), hasInside
	if v, ok := g.mean(gOutdoor); ok {
		w.Outdoor, w.HasOutdoor = float32(v), true
	}
	if rh, ok := g.mean(gHumidity); ok && hasReturn && m.System.Kind.Comfort() {
		if wb, ok := expect.WetBulb(ret, rh, m.Barometer()); ok {
			w.WetBulb, w.HasWetBulb = float32(wb), true
		}
	}
	if v, ok := g.mean(gSpeed); ok && v > 1 {
		w.Speed, w.HasSpeed = float32(v/100), true
	} else if v, ok := g.mean(gStage); ok && v > 0 {
		// The step between two stages of a machine is learned; that it is near two thirds is usual.
		w.Speed, w.HasSpeed = 1, true
		if v < 1.5 {
			w.Speed = 0.67
		}
	}
	if v, ok := g.mean(gSuctionPa); ok {
		w.Suction = float32(v)
	}
	if v, ok := g.mean(gHighPa); ok {
		w.High = float32(v)
	}
	*g = gather{}
	return w
}
