package dewline

import (
	"context"
	"strings"
	"time"

	"dewline/thermo/si"
)

// Month is a month of a site's calendar, written 2006-01; "" is none.
type Month string

const monthForm = "2006-01"

// MonthOf returns the month of an instant at a place.
func MonthOf(at Millis, zone *time.Location) Month {
	if zone == nil {
		zone = time.UTC
	}
	return Month(at.Time().In(zone).Format(monthForm))
}

// Valid says whether m is a month.
func (m Month) Valid() bool {
	_, err := time.Parse(monthForm, string(m))
	return err == nil
}

// Add returns the month so many months later.
func (m Month) Add(months int) Month {
	t, _ := time.Parse(monthForm, string(m))
	return Month(t.AddDate(0, months, 0).Format(monthForm))
}

// Span returns the instants between which it is the month at a place: [from, to).
func (m Month) Span(zone *time.Location) (from, to Millis) {
	if zone == nil {
		zone = time.UTC
	}
	t, _ := time.Parse(monthForm, string(m))
	begin := time.Date(t.Year(), t.Month(), 1, 0, 0, 0, 0, zone)
	return MillisOf(begin), MillisOf(time.Date(t.Year(), t.Month()+1, 1, 0, 0, 0, 0, zone))
}

// Words returns "June 2031".
func (m Month) Words() string {
	t, err := time.Parse(monthForm, string(m))
	if err != nil {
		return string(m)
	}
	return t.Format("January 2006")
}

// ForOwner says what is happening to a machine in words for who owns it and sees no gauges.
func (c Condition) ForOwner() string {
	if text, known := conditionsForOwner[c]; known {
		return string(text)
	}
	return strings.ReplaceAll(string(c), "_", " ")
}

var conditionsForOwner = map[Condition]Phrase{
	Flooding: "the compressor is at risk", HotDischarge: "the compressor runs too hot", HighHead: "it works against more pressure than it should",
	NotRunning: "it does not start", SpaceWarm: "the cooled space is too warm", Freezing: "ice is forming where there should be none",
	Starving: "it cools less than it should", ShortCycling: "it starts and stops too often", Hunting: "it does not run evenly",
	CapacityLoss: "it cools or heats less than it should", EfficiencyLoss: "it takes more electricity than it should",
	ChargeDrift: "its readings drift from what they were", SensorDoubt: "one of the sensors cannot be believed", Silent: "no reading arrives",
}

// ForOwner names a fault in words for who owns the machine.
func (f Fault) ForOwner() string {
	if text, known := faultsForOwner[f]; known {
		return string(text)
	}
	return strings.ReplaceAll(string(f), "_", " ")
}

var faultsForOwner = map[Fault]Phrase{
	Undercharge: "too little refrigerant", Overcharge: "too much refrigerant", Restriction: "something chokes the flow of refrigerant",
	Overfeed: "too much refrigerant is let into the coil", EvaporatorAirflow: "too little air through the cooling coil",
	CondenserAirflow: "too little air through the outdoor coil", NonCondensables: "air in the circuit", CompressorLeakage: "the compressor is worn inside",
	ReversingValve: "the valve between cooling and heating", DefrostFault: "defrosting", SensorFault: "a sensor", Communication: "the connection",
	NoFault: "no fault",
}

// Standing is how a machine stands, in the words of what an owner is told.
type Standing string

// The standings, the one that matters most first.
const (
	NeedsToday  Standing = "needs_visit_today"
	NeedsSoon   Standing = "needs_visit_this_week"
	StandSilent Standing = "silent"
	DataDoubt   Standing = "data_doubtful"
	UnderRepair Standing = "under_repair"
	BeingProved Standing = "being_proved"
	Drifting    Standing = "drifting"
	StandProved Standing = "proved"
	Learning    Standing = "learning"
	StandWell   Standing = "well"
)

// Normal says whether there is nothing to look at.
func (s Standing) Normal() bool { return s == StandWell || s == Learning || s == StandProved }

// OwnerMonth is what there is to tell an owner of one month: of the page and of the report alike.
// Where something cannot be known it says why; nothing in it is a guess.
type OwnerMonth struct {
	Owner   string        `json:"owner"`
	Name    string        `json:"name"`
	Month   Month         `json:"month" example:"2031-06"`
	AsOf    Stamp         `json:"as_of" doc:"What is told holds as of then: the end of the month, or now while it is under way."`
	Made    Stamp         `json:"made" doc:"When it was put together. What is advised is of then."`
	Over    bool          `json:"over" doc:"Whether the month is over at every site."`
	Sites   []OwnerSite   `json:"sites"`
	Changes []OwnerChange `json:"changes" doc:"What changed in the month, oldest first."`
	Works   []OwnerWork   `json:"works" doc:"What was done in the month, oldest first."`
	Advice  []OwnerAdvice `json:"advice" doc:"What to agree with the service company."`
	Total   OwnerTotal    `json:"total"`
	Records []OwnerRecord `json:"refrigerant" doc:"The refrigerant records of the month."`
	Waiting int           `json:"still_to_count,omitempty" doc:"Machines whose use is counted when it is asked for again: that of many takes longer than an answer may."`
	Notes   []string      `json:"notes" doc:"What the figures rest on."`
	Caution string        `json:"caution"`
}

// OwnerSite is a site with its machines.
type OwnerSite struct {
	Site     string         `json:"site"`
	Name     string         `json:"name"`
	Timezone string         `json:"timezone"`
	From     Stamp          `json:"from" doc:"When the month begins there."`
	To       Stamp          `json:"to" doc:"Until when it is told."`
	Machines []OwnerMachine `json:"machines"`
}

// OwnerMachine is a machine in one month.
type OwnerMachine struct {
	System      SystemID    `json:"system"`
	Name        string      `json:"name"`
	Kind        Kind        `json:"kind"`
	Refrigerant string      `json:"refrigerant"`
	Standing    Standing    `json:"standing"`
	Says        string      `json:"says" doc:"How it stands, in a sentence."`
	Use         OwnerUse    `json:"use"`
	Energy      OwnerEnergy `json:"energy"`
	Excess      OwnerExcess `json:"excess"`
}

// OwnerUse is how much a machine ran.
type OwnerUse struct {
	HeardHours float64    `json:"heard_h" doc:"Of the month, of which it is known whether it ran."`
	SpanHours  float64    `json:"span_h" doc:"Of the month so far."`
	RunHours   *float64   `json:"run_h" nullable:"true"`
	Starts     *int       `json:"starts" nullable:"true" doc:"Of the compressor."`
	By         string     `json:"by,omitempty" doc:"What tells that it runs."`
	Missing    string     `json:"missing,omitempty" doc:"Why there is none."`
	Days       []OwnerDay `json:"days,omitempty"`
}

// OwnerDay is how long a machine ran on a day of the site.
type OwnerDay struct {
	Day      Day     `json:"day"`
	RunHours float64 `json:"run_h"`
}

// OwnerEnergy is what a machine's compressor took, over the hours that were heard.
type OwnerEnergy struct {
	KWh     *float64 `json:"kwh" nullable:"true"`
	By      string   `json:"by,omitempty" doc:"How it is known."`
	Missing string   `json:"missing,omitempty"`
}

// OwnerExcess is what faults made a machine take beyond what the same cooling needs, as an interval.
type OwnerExcess struct {
	Hours   float64  `json:"fault_h,omitempty" doc:"That it ran while a fault lasted."`
	LowKWh  *float64 `json:"low_kwh,omitempty"`
	HighKWh *float64 `json:"high_kwh,omitempty"`
	Faults  []Fault  `json:"faults,omitempty"`
	Sources []string `json:"sources,omitempty" doc:"Where the published figures stand."`
	Missing string   `json:"missing,omitempty"`
}

// OwnerTotal sums up what is known of all machines.
type OwnerTotal struct {
	Machines  int      `json:"machines"`
	KWh       float64  `json:"kwh"`
	Measured  int      `json:"machines_with_energy" doc:"Of how many machines KWh is."`
	LowKWh    float64  `json:"excess_low_kwh"`
	HighKWh   float64  `json:"excess_high_kwh"`
	Faulty    int      `json:"machines_with_faults"`
	Unknown   int      `json:"machines_with_unknown_excess" doc:"Of those with faults."`
	PerKWh    float64  `json:"price_per_kwh,omitempty" doc:"As the settings state it; absent: no price is stated."`
	Currency  string   `json:"currency,omitempty"`
	Cost      *float64 `json:"cost,omitempty"`
	ExcessLow *float64 `json:"excess_low,omitempty"`
	ExcessTop *float64 `json:"excess_high,omitempty"`
}

// OwnerChange is something that changed.
type OwnerChange struct {
	Day    Day      `json:"day"`
	At     Stamp    `json:"at"`
	Site   string   `json:"site"`
	Where  string   `json:"where"`
	System SystemID `json:"system,omitempty"`
	Name   string   `json:"name"`
	What   string   `json:"what"`
}

// OwnerWork is a visit with its proof.
type OwnerWork struct {
	OwnerChange
	Call      string         `json:"call,omitempty"`
	Verdict   Verdict        `json:"verdict,omitempty"`
	Why       []string       `json:"why,omitempty"`
	Measures  []OwnerMeasure `json:"measures,omitempty"`
	Charged   si.Kilogram    `json:"charged_kg,omitempty"`
	Recovered si.Kilogram    `json:"recovered_kg,omitempty"`
}

// OwnerMeasure is a quantity before and after a visit.
type OwnerMeasure struct {
	Quantity string   `json:"quantity"`
	Unit     string   `json:"unit"`
	Before   *float64 `json:"before,omitempty"`
	After    *float64 `json:"after,omitempty"`
	Low      *float64 `json:"low,omitempty" doc:"Where it should be."`
	High     *float64 `json:"high,omitempty"`
}

// OwnerAdvice is what an owner may do about a machine: agree something, and nothing at the machine.
type OwnerAdvice struct {
	Site   string   `json:"site"`
	Where  string   `json:"where"`
	System SystemID `json:"system,omitempty"`
	Name   string   `json:"name"`
	What   string   `json:"what"`
}

// OwnerRecord is what the refrigerant records say of one appliance.
type OwnerRecord struct {
	Appliance   string      `json:"appliance"`
	Name        string      `json:"name"`
	Where       string      `json:"where"`
	Refrigerant string      `json:"refrigerant"`
	FullCharge  si.Kilogram `json:"full_charge_kg,omitempty"`
	Charged     si.Kilogram `json:"charged_kg" doc:"In the month."`
	Recovered   si.Kilogram `json:"recovered_kg"`
	Method      LeakMethod  `json:"method"`
	Rate        *LeakRate   `json:"rate,omitempty" doc:"Of the newest addition until then; absent: nothing was ever added."`
	Dues        []Due       `json:"dues,omitempty" doc:"Open and overdue, as of when it was put together."`
	Notice      string      `json:"notice,omitempty"`
}

// OwnerMonths tells owners of their months. It is safe for concurrent use. Only who [Visitor.Sees] an
// owner is told of it; to others there is no such owner. When the machines of a home run shows when
// somebody is there, so only the owner is told that: see [HomeTag].
type OwnerMonths interface {
	OwnerMonth(ctx context.Context, owner string, month Month) (OwnerMonth, error)
}

// HomeTag is the tag of machines that serve a home.
const HomeTag = "home"
