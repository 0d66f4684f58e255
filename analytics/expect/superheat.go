package expect

import (
	_ "embed" // the table
	"math"
	"sync"
)

// Floor is the least superheat that a published target may have, 5 °F in K: the makers' tables show
// a dash below.
const Floor = floorF / perKelvin

const floorF = 5.0

//go:embed data/target_superheat.csv
var superheatCSV string

// superheatTable is printed in whole °F, so what is under 5 °F is at most 4.5.
var superheatTable = sync.OnceValue(func() *grid {
	g := readGrid(superheatCSV)
	g.fillDashes(floorF - 0.5)
	return g
})

// Standard deviations of a target superheat, in °F.
const (
	tableSDF   = 0.9   // root mean square difference to a second maker's table, rounded labels included
	dashSDF    = 1.443 // between 0 and 5 °F with equal chance, 5/√12
	formulaSDF = 3.0   // the formula's usual allowance; at the table's border it is off by 2.6 (rms), by 7.5 at worst
)

// TargetSuperheat returns the superheat at the suction service valve that a fixed orifice should
// show, from the air entering the condenser and the wet bulb of the air entering the indoor coil.
// It interpolates a maker's table (outdoor 4.4 to 46.1 °C, wet bulb 10 to 24.4 °C). Outside it gives
// the closed formula (3 WB - 80 - DB)/2 in °F up to 5.6 K away, which is not Valid.
//
// The deviation is that between published sources. A good machine differs from them by its own
// design besides: makers and the California protocol allow 5 °F.
func TargetSuperheat(outdoorC, wetBulbC float64) Target {
	if !known(outdoorC, wetBulbC) {
		return unknown(whyCannot)
	}
	g := superheatTable()
	outdoor, wetBulb := fahrenheit(outdoorC), fahrenheit(wetBulbC)
	away := max(g.rows.beyond(outdoor), g.columns.beyond(wetBulb))
	switch {
	case away > farF:
		return unknown(whyFar)
	case away > 0:
		t := superheat(closedFormula(outdoor, wetBulb), formulaSDF)
		t.Valid = false
		if !t.Low {
			t.Why = whyOutside
		}
		return t
	default:
		return superheat(g.at(outdoor, wetBulb), tableSDF)
	}
}

// superheat makes a target of °F. A machine's superheat ends at zero, so a target does too.
func superheat(valueF, sdF float64) Target {
	t := Target{Value: max(valueF, 0) / perKelvin, SD: sdF / perKelvin, Valid: true}
	if valueF < floorF-1e-6 {
		t.Valid, t.Low, t.Why = false, true, whyLow
		t.SD = max(sdF, dashSDF) / perKelvin
	}
	return t
}

// closedFormula is the rule of thumb that training texts print, in °F. Against the table's 160 cells
// it is off by 1.6 (root mean square), by -7.5 to +3.0 at the extremes.
func closedFormula(outdoorF, wetBulbF float64) float64 {
	return (3*wetBulbF - 80 - outdoorF) / 2
}

// TargetSuperheatDry returns the target where the return air's temperature is known but not its
// humidity: what follows from a relative humidity of 50 ± 10 % (one standard deviation, common
// practice for cooled rooms), in its mean and its spread.
func TargetSuperheatDry(outdoorC, returnC, pressurePa float64) Target {
	t := TargetSuperheatRH(outdoorC, returnC, assumedRH, assumedRHSD, pressurePa)
	if t.Why == "" {
		t.Why = whyAssumed
	}
	return t
}

// TargetSuperheatRH returns the target for a relative humidity of the return air that is known with
// a standard deviation. A sensor good to 3 % at 24 °C and 50 % costs 0.7 K.
func TargetSuperheatRH(outdoorC, returnC, rh, rhSD, pressurePa float64) Target {
	t := overHumidity(returnC, rh, rhSD, pressurePa, func(wetBulbC float64) Target {
		return TargetSuperheat(outdoorC, wetBulbC)
	})
	// Spread may carry single humidities below the floor; the mean decides.
	if t.Low = t.Value < Floor-rounding && !math.IsInf(t.SD, 1); t.Low {
		t.Valid, t.Why = false, whyLow
	}
	return t
}
