package dewline

// Point is one measured quantity of a refrigerant circuit, as the outer contract names it.
// The zero Point is no point at all.
type Point uint8

// The points of the contract, in the order of its table.
const (
	SuctionPressure Point = iota + 1
	LiquidPressure
	DischargePressure
	SuctionTemp
	LiquidTemp
	DischargeTemp
	OutdoorAirTemp
	ReturnAirTemp
	ReturnAirRH
	SupplyAirTemp
	SupplyAirRH
	SpaceTemp
	CompressorCurrent
	CompressorPower
	CompressorSpeed
	CompressorStage
	CompressorOn
	IndoorFanOn
	OutdoorFanOn
	DoorOpen
	SafetyTrip
	RefrigerantDetector
	OperatingMode
	Serviced
	SensorReplaced

	pointEnd // one past the last
)

// Dimension says what kind of quantity a point carries and so which units it accepts.
type Dimension uint8

// The dimensions of points.
const (
	Pressure    Dimension = iota + 1 // Pa
	Temperature                      // Cel
	Humidity                         // %RH
	Current                          // A
	Power                            // W
	Percent                          // %
	Count                            // /
	Boolean                          // stored as 0 or 1
	ModeValue                        // stored as a Mode
	EventText                        // an Event, never a Sample
)

type pointFacts struct {
	name      string
	dimension Dimension
}

var points = [pointEnd]pointFacts{
	SuctionPressure:     {"suction_pressure", Pressure},
	LiquidPressure:      {"liquid_pressure", Pressure},
	DischargePressure:   {"discharge_pressure", Pressure},
	SuctionTemp:         {"suction_temp", Temperature},
	LiquidTemp:          {"liquid_temp", Temperature},
	DischargeTemp:       {"discharge_temp", Temperature},
	OutdoorAirTemp:      {"outdoor_air_temp", Temperature},
	ReturnAirTemp:       {"return_air_temp", Temperature},
	ReturnAirRH:         {"return_air_rh", Humidity},
	SupplyAirTemp:       {"supply_air_temp", Temperature},
	SupplyAirRH:         {"supply_air_rh", Humidity},
	SpaceTemp:           {"space_temp", Temperature},
	CompressorCurrent:   {"compressor_current", Current},
	CompressorPower:     {"compressor_power", Power},
	CompressorSpeed:     {"compressor_speed", Percent},
	CompressorStage:     {"compressor_stage", Count},
	CompressorOn:        {"compressor_on", Boolean},
	IndoorFanOn:         {"indoor_fan_on", Boolean},
	OutdoorFanOn:        {"outdoor_fan_on", Boolean},
	DoorOpen:            {"door_open", Boolean},
	SafetyTrip:          {"safety_trip", Boolean},
	RefrigerantDetector: {"refrigerant_detector", Boolean},
	OperatingMode:       {"mode", ModeValue},
	Serviced:            {"serviced", EventText},
	SensorReplaced:      {"sensor_replaced", EventText},
}

var pointByName = func() map[string]Point {
	m := make(map[string]Point, len(points))
	for p := Point(1); p < pointEnd; p++ {
		m[points[p].name] = p
	}
	return m
}()

// Points returns every point of the contract in its order.
func Points() []Point {
	all := make([]Point, 0, pointEnd-1)
	for p := Point(1); p < pointEnd; p++ {
		all = append(all, p)
	}
	return all
}

// PointNamed returns the point that the contract calls name.
func PointNamed(name string) (Point, bool) {
	p, ok := pointByName[name]
	return p, ok
}

// PointOf is PointNamed for bytes out of a payload; it does not copy them.
func PointOf(name []byte) (Point, bool) {
	p, ok := pointByName[string(name)]
	return p, ok
}

// Known says whether p is a point of the contract.
func (p Point) Known() bool { return p > 0 && p < pointEnd }

// String returns the contract's name of p.
func (p Point) String() string {
	if !p.Known() {
		return "unknown point"
	}
	return points[p].name
}

// Dimension returns the kind of quantity that p carries, 0 for an unknown point.
func (p Point) Dimension() Dimension {
	if !p.Known() {
		return 0
	}
	return points[p].dimension
}

// Unit returns the canonical unit that values of p are stored in, as the contract writes it.
func (p Point) Unit() string {
	switch p.Dimension() {
	case Pressure:
		return "Pa"
	case Temperature:
		return "Cel"
	case Humidity:
		return "%RH"
	case Current:
		return "A"
	case Power:
		return "W"
	case Percent:
		return "%"
	case Count:
		return "/"
	default:
		return ""
	}
}

// Mode is the operating mode that a machine reports, stored as a small integer.
type Mode uint8

// The modes of the contract. The numbers are stored and never change their meaning.
const (
	ModeOff     Mode = 0
	ModeCooling Mode = 1
	ModeHeating Mode = 2
	ModeDefrost Mode = 3
)

var modeNames = [...]string{ModeOff: "off", ModeCooling: "cooling", ModeHeating: "heating", ModeDefrost: "defrost"}

// ModeOf returns the mode that the contract writes as text.
func ModeOf(text []byte) (Mode, bool) {
	for m, name := range modeNames {
		if string(text) == name {
			return Mode(m), true
		}
	}
	return 0, false
}

// String returns the contract's word for m.
func (m Mode) String() string {
	if int(m) >= len(modeNames) {
		return "unknown mode"
	}
	return modeNames[m]
}
