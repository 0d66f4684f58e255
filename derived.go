package dewline

import (
	"context"
	"fmt"
	"time"
)

// Derived is a value that analytics computes from readings, by the name that the API gives it.
type Derived string

// The derived values of the contract. Each also exists with the suffix "_u" as its standard
// uncertainty (k = 1) in the same unit.
const (
	SuctionPressureAbs   Derived = "suction_pressure_abs"   // Pa
	LiquidPressureAbs    Derived = "liquid_pressure_abs"    // Pa
	DischargePressureAbs Derived = "discharge_pressure_abs" // Pa
	Superheat            Derived = "superheat"              // K
	Subcooling           Derived = "subcooling"             // K
	SuctionDewTemp       Derived = "suction_dew_temp"       // Cel
	LiquidBubbleTemp     Derived = "liquid_bubble_temp"     // Cel
	CondensingTemp       Derived = "condensing_temp"        // Cel
	CondensingOverAir    Derived = "condensing_over_ambient"
	DischargeSuperheat   Derived = "discharge_superheat" // K
	PressureRatio        Derived = "pressure_ratio"
)

var derivedUnits = map[Derived]string{
	SuctionPressureAbs: "Pa", LiquidPressureAbs: "Pa", DischargePressureAbs: "Pa",
	Superheat: "K", Subcooling: "K", SuctionDewTemp: "Cel", LiquidBubbleTemp: "Cel",
	CondensingTemp: "Cel", CondensingOverAir: "K", DischargeSuperheat: "K", PressureRatio: "/",
}

// DerivedValues returns every derived value in a fixed order.
func DerivedValues() []Derived {
	return []Derived{
		SuctionPressureAbs, LiquidPressureAbs, DischargePressureAbs, Superheat, Subcooling, SuctionDewTemp,
		LiquidBubbleTemp, CondensingTemp, CondensingOverAir, DischargeSuperheat, PressureRatio,
	}
}

// Unit returns the unit of d in the API, "" when there is no such derived value.
func (d Derived) Unit() string { return derivedUnits[d] }

// Estimate is a value with its standard uncertainty (k = 1), or the reason why there is none.
type Estimate struct {
	Value       float64
	Uncertainty float64
	Missing     string // why there is no value, "" where there is one
}

// OK says whether there is a value.
func (e Estimate) OK() bool { return e.Missing == "" }

// Health is one word for how a system does, in the contract's words.
type Health string

// The healths of the contract.
const (
	HealthLearning    Health = "learning"
	HealthWell        Health = "well"
	HealthDrifting    Health = "drifting"
	HealthSoon        Health = "soon"
	HealthUrgent      Health = "urgent"
	HealthDoubtful    Health = "doubtful"
	HealthSilent      Health = "silent"
	HealthUnderRepair Health = "under_repair"
)

// SystemState is what analytics knows of a system at the event time At.
type SystemState struct {
	System        SystemID
	At            Millis // the newest analysed reading, 0 before the first
	Received      Millis // the newest reading of all, analysed or waiting for late ones
	Running       bool
	Steady        bool
	SteadyMinutes float64 // for how long it has been running steadily
	Values        map[Derived]Estimate
	Rolling10Min  map[Derived]Summary // over steady running
	Rolling24H    map[Derived]Summary

	Health   Health               // as far as readings tell, without what people do
	Expected map[Derived]Estimate // what superheat and the others should be under the conditions of the newest window
	NoFault  float64              // probability that nothing is wrong, 0 to 1; 0 before anything could be weighed
	Causes   []Cause              // likeliest first
	Windows  int                  // steady windows that were learned from
	Starts   int                  // of the compressor in the last hour
	Risk     time.Duration        // of running with liquid at the compressor or too hot, since it was enrolled
	Flow     Estimate             // kg/s of refrigerant, in the newest window
	Capacity Estimate             // W
	COP      Estimate
	Charge   Estimate // by the virtual charge sensor, over the right charge
}

// Summary sums up one quantity over a span of event time.
type Summary struct {
	Mean, Min, Max float64
	Count          int // of readings
}

// StateReader tells the latest state of systems. It is safe for concurrent use.
type StateReader interface {
	State(id SystemID) (SystemState, bool)
}

// SeriesQuery asks for series of one system. Quantities are names of points or derived values, the
// latter also with "_u".
type SeriesQuery struct {
	System     SystemID
	Quantities []string
	From, To   Millis        // [From, To)
	Step       time.Duration // 0: as stored; else the mean over [t, t+Step) with minimum and maximum
}

// MaxSeriesRows is the most rows that one query answers.
const MaxSeriesRows = 10_000

// Column is one quantity of a Series. NaN stands for a value that does not exist. Min and Max are
// nil where the readings are as stored.
type Column struct {
	Quantity         string
	Unit             string
	Values, Min, Max []float64
}

// Series is the answer to a SeriesQuery: one row for each time.
type Series struct {
	System  SystemID
	Step    time.Duration
	Times   []Millis
	Columns []Column
}

// SeriesReader reads stored and derived series. A query of more than MaxSeriesRows rows is a
// *StepError; an unknown quantity is an *Error with code Invalid.
type SeriesReader interface {
	ReadSeries(ctx context.Context, q SeriesQuery) (Series, error)
}

// StepError says that a query has too many rows and which step would do.
type StepError struct {
	Smallest time.Duration
}

// Error tells the smallest step.
func (e *StepError) Error() string {
	return fmt.Sprintf("more than %d rows: ask with a step of at least %s", MaxSeriesRows, e.Smallest)
}
