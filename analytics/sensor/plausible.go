package sensor

import (
	"maps"
	"math"
	"sync"
	"sync/atomic"

	"dewline"
	"dewline/analytics/cycle"
	"dewline/thermo"
	"dewline/thermo/si"
)

// Plausible says whether a reading of p can be true at all on a machine. A value beyond is no reading of the
// machine, whatever its state: an open circuit, a rail, another unit.
func Plausible(m *cycle.Machine, p dewline.Point, value float64) bool {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return false
	}
	sys := m.System
	switch p {
	case dewline.SuctionPressure, dewline.LiquidPressure, dewline.DischargePressure:
		// The air pressure is known to some percent, and an evacuated machine reads vacuum.
		abs, slack := value+m.Ambient(p), 10_000+3*m.Uncertainty(p)
		if abs < -slack {
			return false
		}
		return abs < 500_000 || abs <= topPressure(sys.Refrigerant)+slack
	case dewline.SuctionTemp:
		// Thermistors that are open commonly read -40 °C, digital ones 85 or -127 °C.
		if sys.Kind.Comfort() {
			return value > -40 && value < 80
		}
		return value > -65 && value < 80
	case dewline.LiquidTemp:
		return value > -40 && value < 84
	case dewline.DischargeTemp:
		return value > -45 && value < 200
	case dewline.OutdoorAirTemp:
		return value > -55 && value < 70
	case dewline.ReturnAirTemp, dewline.SpaceTemp:
		return value > -50 && value < 65
	case dewline.SupplyAirTemp:
		return value > -55 && value < 84
	case dewline.ReturnAirRH, dewline.SupplyAirRH:
		return value >= -2 && value <= 105
	case dewline.CompressorCurrent:
		return value > -2 && value < 2000
	case dewline.CompressorPower:
		return value > -500 && value < 2e6
	case dewline.CompressorSpeed:
		return value >= -5 && value <= 300
	case dewline.CompressorStage:
		return value >= 0 && value <= 32
	}
	return true
}

const (
	// hottest is a saturation temperature above every pressure switch (common practice: they open at 60 to
	// 72 °C; heat pumps for hot water go to 80 °C).
	hottest = 358.15 // K
	// aboveCritical: refrigerants that are worked near or above their critical point have it below hottest. Of
	// carbon dioxide a high side of 14 MPa is usual, near twice the critical pressure; the others stay below.
	aboveCritical, aboveCarbonDioxide = 1.2, 2.1
)

// tops keeps the highest plausible pressure of each refrigerant. Readers take the map as it is, a
// writer puts a larger copy in its place.
var (
	tops   atomic.Pointer[map[string]float64]
	topsMu sync.Mutex
)

// topPressure returns the highest plausible absolute pressure of a machine with a refrigerant, Pa.
func topPressure(refrigerant string) float64 {
	if known := tops.Load(); known != nil {
		if top, ok := (*known)[refrigerant]; ok {
			return top
		}
	}
	topsMu.Lock()
	defer topsMu.Unlock()
	larger := map[string]float64{}
	if known := tops.Load(); known != nil {
		maps.Copy(larger, *known)
	}
	top := highestPressure(refrigerant)
	larger[refrigerant] = top
	tops.Store(&larger)
	return top
}

func highestPressure(refrigerant string) float64 {
	r, err := thermo.Lookup(refrigerant)
	if err != nil { // the machine was made with it, so it is known
		return math.Inf(1)
	}
	critical := r.Critical()
	switch {
	case critical.Temperature < si.FromCelsius(40):
		return aboveCarbonDioxide * float64(critical.Pressure)
	case critical.Temperature < hottest:
		return aboveCritical * float64(critical.Pressure)
	}
	low, high := r.Curve().Range()
	for range 60 {
		mid := (low + high) / 2
		if t, _, ok := r.Curve().Dew(mid); ok && t < hottest {
			low = mid
		} else {
			high = mid
		}
	}
	return float64(high)
}
