package dewline

import "slices"

// Condition is what is happening to a machine, in the contract's words.
type Condition string

// The conditions of the contract, gravest first as an alert ranks them.
const (
	Flooding       Condition = "flooding"
	HotDischarge   Condition = "hot_discharge"
	HighHead       Condition = "high_head"
	NotRunning     Condition = "not_running"
	SpaceWarm      Condition = "space_warm"
	Freezing       Condition = "freezing"
	Starving       Condition = "starving"
	ShortCycling   Condition = "short_cycling"
	Hunting        Condition = "hunting"
	CapacityLoss   Condition = "capacity_loss"
	EfficiencyLoss Condition = "efficiency_loss"
	ChargeDrift    Condition = "charge_drift"
	SensorDoubt    Condition = "sensor_doubt"
	Silent         Condition = "silent"
)

// Fault is why a condition came about, in the contract's words.
type Fault string

// The faults of the contract.
const (
	Undercharge       Fault = "undercharge"
	Overcharge        Fault = "overcharge"
	Restriction       Fault = "restriction"
	Overfeed          Fault = "overfeed"
	EvaporatorAirflow Fault = "evaporator_airflow"
	CondenserAirflow  Fault = "condenser_airflow"
	NonCondensables   Fault = "noncondensables"
	CompressorLeakage Fault = "compressor_leakage"
	ReversingValve    Fault = "reversing_valve"
	DefrostFault      Fault = "defrost"
	SensorFault       Fault = "sensor"
	Communication     Fault = "communication"
	NoFault           Fault = "none"
)

// Severity is how soon a person has to act.
type Severity string

// The severities of the contract.
const (
	Urgent Severity = "urgent" // today
	Soon   Severity = "soon"   // this week
	Watch  Severity = "watch"
)

// Rank orders severities: the graver, the higher. What is none of them has 0.
func (s Severity) Rank() int {
	return 1 + slices.Index([]Severity{Watch, Soon, Urgent}, s)
}

// Cause is one possible fault behind a condition with its probability, 0..1.
type Cause struct {
	Fault       Fault   `json:"fault"`
	Detail      string  `json:"detail,omitempty"`
	Probability float64 `json:"probability"`
}

// PowerCut is the detail of a [Communication] that looks like a power cut of the whole site: there is no
// point for the mains, so it is concluded from how the machines come back.
const PowerCut = "power_cut"

// Forecast says when a drifting quantity reaches the limit that hurts. Days are counted from At
// and are zero once the limit is reached.
type Forecast struct {
	Limit    string  `json:"limit"`
	Quantity string  `json:"quantity"`
	Value    float64 `json:"value"`
	Unit     string  `json:"unit"`
	At       Millis  `json:"at"`
	DaysP10  float64 `json:"days_p10"`
	DaysP50  float64 `json:"days_p50"`
	DaysP90  float64 `json:"days_p90"`
}

// Finding is what analytics says about one underlying cause of one system: it began, changed or
// ended. It depends on the event times of readings alone, so a replay makes the same findings.
type Finding struct {
	System     SystemID   // "" where it is about a whole site
	Systems    []SystemID // the systems of the site, nil where it is about one system
	Key        string     // tells the underlying causes of one system apart, see [CauseKey]
	Condition  Condition  // the gravest of Conditions
	Conditions []Condition
	Severity   Severity
	Onset      Millis // when it began
	Detected   Millis // when the readings sufficed to say so
	Cleared    Millis // when it had ended, 0 while it lasts
	At         Millis // when the readings sufficed to say what this finding says
	Causes     []Cause
	Forecast   *Forecast
	Evidence   []string // sentences with numbers and units, for people
}

// CauseKey returns the Key of the findings that an alert was made of, from what the alert says.
func CauseKey(conditions []Condition, causes []Cause) string {
	only := func(c Condition) bool { return len(conditions) == 1 && conditions[0] == c }
	detail := ""
	if len(causes) > 0 {
		detail = causes[0].Detail
	}
	switch {
	case only(Silent):
		return "silent"
	case only(SensorDoubt):
		return "sensor:" + detail
	case only(SpaceWarm):
		return "space"
	case only(NotRunning):
		return "safety"
	case only(ShortCycling):
		return "cycling"
	case only(ChargeDrift) && detail == RefrigerantDetector.String():
		return "leak"
	}
	if len(causes) > 0 && causes[0].Fault == NoFault {
		return UnblamedKey
	}
	return MachineKey
}

// The keys of what is wrong with a machine itself, and of what is worth a look though nothing is blamed: a good machine may
// pass a limit, or be no more than unusual, for weeks, and what befalls it meanwhile is another cause. What is of the second may
// come to be of the first.
const (
	MachineKey  = "machine"
	UnblamedKey = "unblamed"
)
