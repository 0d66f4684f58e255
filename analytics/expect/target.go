package expect

import "math"

// Target is a published expectation.
type Target struct {
	Value float64 // K
	SD    float64 // K, how far one published source is from another; +Inf where nothing is known
	Valid bool    // the published test may be made
	Low   bool    // a superheat that lies under Floor
	Why   string  // why it is not valid, or what was assumed
}

// The reasons of a Target.
const (
	whyLow     = "the target is under 2.8 K, where the published test does not hold: warm the space, or come back in other weather"
	whyOutside = "outdoor air or return wet bulb is outside the published table: the closed formula instead"
	whyFar     = "outdoor or return air is far outside the published table"
	whyCannot  = "a temperature is missing, or the wet bulb is above the dry bulb"
	whyAssumed = "return humidity is not measured: 50 ± 10 % assumed"
	whyEdge    = "return air is outside the rows of the published table that are known: continued from its edge"
)

// unknown is the target where there is none.
func unknown(why string) Target { return Target{SD: math.Inf(1), Why: why} }

// perKelvin is how many °F are a difference of one kelvin.
const perKelvin = 1.8

func fahrenheit(c float64) float64 { return c*perKelvin + 32 }

func known(temps ...float64) bool {
	for _, t := range temps {
		if math.IsNaN(t) || math.IsInf(t, 0) {
			return false
		}
	}
	return true
}

// farF is how far outside a table, in °F, its continuation is still worth something.
const farF = 10
