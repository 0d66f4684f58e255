package dewline

import (
	"slices"
	"time"

	"dewline/thermo/si"
)

// System is one refrigerant circuit with its sensors: what is known of it without measuring.
// A quantity that nobody has stated is zero, which none of them can be in earnest; a text that
// nobody has stated is empty.
type System struct {
	ID          SystemID
	Name        string
	Kind        Kind
	Model       string // the maker's designation, as on the data plate
	Refrigerant string // ASHRAE 34 designation
	Metering    Metering

	Capacity         si.Watt     // cooling, at the maker's rating
	Charge           si.Kilogram // of refrigerant, on the data plate
	Orifice          si.Metre    // bore called for by the data plate or the maker's chart
	OrificeInstalled si.Metre    // bore as read off the part

	TargetSubcooling  si.DeltaK
	TargetSuperheat   si.DeltaK // with a TXV or EEV only
	TargetSuperheatAt Place     // where TargetSuperheat holds

	Gateway string // see Fleet.Gateway
	Machine string // circuits of one machine share it; see Fleet.Circuits

	Receiver           bool
	SuctionAccumulator bool
	HeadControl        bool // the head pressure is held up in cold weather
	PumpDown           bool // the low side is emptied before the compressor stops
	CompressorSpeed    SpeedControl
	CompressorMap      *CompressorMap // nil where none is stated

	CoilDrop   si.Pascal // from the discharge sensor to the liquid line, where discharge pressure has to serve
	LineLength si.Metre  // one way, indoor to outdoor unit
	SpaceLimit si.Kelvin // the cooled space must stay below

	Installed     time.Time // a day, at midnight UTC
	Installer     string
	Tags          []string
	Importance    Importance
	WarrantyUntil time.Time // a day, at midnight UTC
	Contract      string

	Points []PointFitting // what is fitted, in the order of the contract's table
}

// Kind is what a machine is for.
type Kind string

// The kinds of the contract.
const (
	SplitAC       Kind = "split_ac"
	HeatPump      Kind = "heat_pump"
	Packaged      Kind = "packaged"
	WalkInCooler  Kind = "walk_in_cooler"
	WalkInFreezer Kind = "walk_in_freezer"
	DisplayCase   Kind = "display_case"
)

// Comfort says whether k conditions rooms for people; the others keep goods cold.
func (k Kind) Comfort() bool { return k == SplitAC || k == HeatPump || k == Packaged }

// Metering is the device that lets liquid into the evaporator.
type Metering string

// The metering devices of the contract.
const (
	FixedOrifice Metering = "fixed_orifice"
	Capillary    Metering = "capillary"
	TXV          Metering = "txv"
	EEV          Metering = "eev"
)

// HoldsSuperheat says whether m is a valve that works to keep superheat where it is set. A fixed
// orifice and a capillary only pass what the pressures drive through them, so that their superheat
// moves with the weather and the load and has no constant target.
func (m Metering) HoldsSuperheat() bool { return m == TXV || m == EEV }

// Place is where on the low side a superheat is meant.
type Place string

// The places of the contract. A valve measures at the outlet of the coil; at the compressor the gas
// has also taken up heat along the suction line.
const (
	AtCoil       Place = "coil"
	AtCompressor Place = "compressor"
)

// SpeedControl is how a compressor's output is varied; "" where nobody has stated it.
type SpeedControl string

// The ways of the contract.
const (
	FixedSpeed    SpeedControl = "fixed"
	StagedSpeed   SpeedControl = "staged"
	VariableSpeed SpeedControl = "variable"
)

// Changes says whether the output is known to change while a machine runs.
func (c SpeedControl) Changes() bool { return c == StagedSpeed || c == VariableSpeed }

// Importance is how much hangs on a machine, for who is called and when.
type Importance string

// The levels of the contract; Ordinary where none is stated.
const (
	Ordinary Importance = "ordinary"
	High     Importance = "high"
	Critical Importance = "critical"
)

// Rank orders importances: the more hangs on a machine, the higher. Ordinary, and what is none of them,
// has 0.
func (i Importance) Rank() int {
	return 1 + slices.Index([]Importance{High, Critical}, i)
}

// CompressorMap is the maker's rating of a compressor: mass flow and power against the two dew
// temperatures, at one stated state of the gas that it draws in. It holds inside the maker's
// published envelope only, and for another suction state only after a correction.
type CompressorMap struct {
	MassFlow MapPolynomial // kg/s; all zero where the map gives none
	Power    MapPolynomial // W; all zero where the map gives none

	// One of the two is stated, the other is zero.
	RatedSuperheat si.DeltaK
	RatedReturnGas si.Kelvin
}

// MapPolynomial holds the ten coefficients C1 to C10 of AHRI Standard 540, section 5.4 (number of
// the section from memory), for temperatures in °C:
//
//	X = C1 + C2·S + C3·D + C4·S² + C5·S·D + C6·D² + C7·S³ + C8·D·S² + C9·S·D² + C10·D³
//
// with S the suction and D the discharge dew temperature.
type MapPolynomial [10]float64

// Stated says whether there are any coefficients.
func (c MapPolynomial) Stated() bool { return c != MapPolynomial{} }

// At returns the polynomial's value at the dew temperatures of suction and discharge, in the unit
// that its coefficients are for. It does not know the envelope that they were fitted in.
func (c MapPolynomial) At(suctionDew, dischargeDew si.Kelvin) float64 {
	s, d := suctionDew.Celsius(), dischargeDew.Celsius()
	return c[0] + c[1]*s + c[2]*d +
		c[3]*s*s + c[4]*s*d + c[5]*d*d +
		c[6]*s*s*s + c[7]*d*s*s + c[8]*s*d*d + c[9]*d*d*d
}
