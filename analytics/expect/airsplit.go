package expect

import (
	_ "embed" // the table
	"math"
	"sync"
)

//go:embed data/air_split.csv
var splitCSV string

var splitTable = sync.OnceValue(func() *grid { return readGrid(splitCSV) })

// Numbers of the air split, in °F.
const (
	splitSDF   = 1.5  // the installer's limit of ±3 taken for two deviations
	splitSlope = 0.54 // per °F of return air, in every column of the table
	splitDrift = 0.15 // what each °F outside the table adds to the deviation (judgement)
)

// AirSplit returns the fall of the air's temperature across the indoor coil at the airflow that the
// machine was made for, from the dry and wet bulb of the return air. It interpolates the California
// table RA3.2-3 (from memory; return 21.1 to 24.4 °C, wet bulb 10 to 24.4 °C). Up to 5.6 K outside it
// goes on with the slope of its rows, and below its wet bulbs with their first column, where the coil
// is dry and humidity no longer matters; that is not Valid.
//
// It says something of airflow only while the charge is right, and nothing in heating.
func AirSplit(returnC, wetBulbC float64) Target {
	if !known(returnC, wetBulbC) || wetBulbC > returnC+rounding {
		return unknown(whyCannot)
	}
	g := splitTable()
	dry, wet := fahrenheit(returnC), fahrenheit(wetBulbC)
	away := max(g.rows.beyond(dry), g.columns.beyond(wet))
	if away > farF {
		return unknown(whyFar)
	}
	value := g.at(dry, wet) + splitSlope*(dry-g.rows.nearest(dry))
	t := Target{Value: max(value, 0) / perKelvin, SD: math.Hypot(splitSDF, splitDrift*away) / perKelvin, Valid: away == 0}
	if !t.Valid {
		t.Why = whyEdge
	}
	return t
}

// AirSplitDry returns the split where the humidity of the return air is not measured: for a relative
// humidity of 50 ± 10 %, as TargetSuperheatDry.
func AirSplitDry(returnC, pressurePa float64) Target {
	t := overHumidity(returnC, assumedRH, assumedRHSD, pressurePa, func(wetBulbC float64) Target {
		return AirSplit(returnC, wetBulbC)
	})
	if t.Why == "" {
		t.Why = whyAssumed
	}
	return t
}
