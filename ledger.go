package dewline

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"dewline/thermo/si"
)

// Day is a day of a site's calendar, written 2006-01-02; "" is none. Rules count in days, not hours.
type Day string

// DayOf returns the day of an instant at a place.
func DayOf(at Millis, zone *time.Location) Day {
	return Day(at.Time().In(zone).Format(time.DateOnly))
}

// Time returns the day at midnight UTC, for reckoning; an invalid day is the zero time.
func (d Day) Time() time.Time {
	t, _ := time.Parse(time.DateOnly, string(d))
	return t
}

// Valid says whether d is a day.
func (d Day) Valid() bool {
	_, err := time.Parse(time.DateOnly, string(d))
	return err == nil
}

// Add returns the day so many days later.
func (d Day) Add(days int) Day { return Day(d.Time().AddDate(0, 0, days).Format(time.DateOnly)) }

// Sub returns the days from e to d.
func (d Day) Sub(e Day) int { return int(math.Round(d.Time().Sub(e.Time()).Hours() / 24)) }

// ApplianceCategory is what an appliance is in the words of the leak repair rules.
type ApplianceCategory string

// The categories. The last is comfort cooling that one of the rules leaves out; where the line lies is
// for the rule's text to say, so a machine is in it only where somebody has said so.
const (
	ComfortCooling             ApplianceCategory = "comfort_cooling"
	CommercialRefrigeration    ApplianceCategory = "commercial_refrigeration"
	IndustrialProcess          ApplianceCategory = "industrial_process_refrigeration"
	OtherAppliance             ApplianceCategory = "other"
	ResidentialLightCommercial ApplianceCategory = "residential_light_commercial"
)

// ApplianceCategories returns every category.
func ApplianceCategories() []ApplianceCategory {
	return []ApplianceCategory{ComfortCooling, CommercialRefrigeration, IndustrialProcess, OtherAppliance, ResidentialLightCommercial}
}

// ChargeMethod is how a full charge was determined, in the four ways of the rules.
type ChargeMethod string

// The ways.
const (
	ChargeByMaker       ChargeMethod = "manufacturer" // the data plate
	ChargeByCalculation ChargeMethod = "calculation"  // from component sizes and lines
	ChargeByWeight      ChargeMethod = "measurement"  // weighed in or out
	ChargeByRange       ChargeMethod = "range"        // the middle of an established range
)

// ChargeMethods returns every way.
func ChargeMethods() []ChargeMethod {
	return []ChargeMethod{ChargeByMaker, ChargeByCalculation, ChargeByWeight, ChargeByRange}
}

// LedgerKind is what an entry of the refrigerant ledger records.
type LedgerKind string

// The kinds of entries.
const (
	LedgerWeighing   LedgerKind = "weighing"               // what a scale saw going in or out
	LedgerFullCharge LedgerKind = "full_charge"            // the full charge from then on, and how it was determined
	LedgerCategory   LedgerKind = "category"               // what the appliance is in the rules' words
	LedgerRepair     LedgerKind = "repair"                 // leaks were repaired
	LedgerInitial    LedgerKind = "initial_verification"   // the test before or at the end of a repair
	LedgerFollowUp   LedgerKind = "follow_up_verification" // the test some days later
	LedgerInspection LedgerKind = "inspection"             // a search for leaks
	LedgerExclusion  LedgerKind = "exclusion"              // an addition that the rules leave out of the leak rate, with its documentation
	LedgerExtension  LedgerKind = "extension"              // another day for what is due
	LedgerReport     LedgerKind = "report"                 // a report of a chronic leaker was sent
	LedgerVoid       LedgerKind = "void"                   // takes back an entry that was a mistake
)

// LedgerKinds returns every kind.
func LedgerKinds() []LedgerKind {
	return []LedgerKind{LedgerWeighing, LedgerFullCharge, LedgerCategory, LedgerRepair, LedgerInitial, LedgerFollowUp,
		LedgerInspection, LedgerExclusion, LedgerExtension, LedgerReport, LedgerVoid}
}

// ExclusionReason is why the rules leave an addition out of the leak rate.
type ExclusionReason string

// The reasons.
const (
	ExcludedInstallation ExclusionReason = "installation"
	ExcludedRetrofit     ExclusionReason = "retrofit"
	ExcludedSeasonal     ExclusionReason = "seasonal_variance"
)

// LedgerEntry is one line of the refrigerant ledger. It is never changed and never deleted; a mistake is
// taken back by another. Weighings of closed visits are in the ledger without being entered again.
type LedgerEntry struct {
	ID      string     `json:"id" pattern:"^[A-Za-z0-9_-]{8,64}$" doc:"Made by who enters it, so that sending it again does not make two."`
	System  SystemID   `json:"system"`
	Kind    LedgerKind `json:"kind" enum:"weighing,full_charge,category,repair,initial_verification,follow_up_verification,inspection,exclusion,extension,report,void"`
	At      Stamp      `json:"at" doc:"When it happened."`
	By      string     `json:"by" required:"false" doc:"Who enters it: the name of who is signed in, which is also taken where this is absent."`
	Entered Stamp      `json:"entered,omitzero" readOnly:"true"`

	// A weighing.
	Visit       string      `json:"visit,omitempty" doc:"What it belongs to: weighings of one visit are one addition. Without it those of one day are."`
	Refrigerant string      `json:"refrigerant,omitempty"`
	Charged     si.Kilogram `json:"charged_kg,omitempty"`
	Recovered   si.Kilogram `json:"recovered_kg,omitempty"`
	Scale       bool        `json:"by_scale,omitempty" doc:"That the weight was read off a scale. An estimate never enters the ledger."`

	// Who did the work. People's names are kept apart from the record.
	Technician    string `json:"technician,omitempty"`
	Certification string `json:"certification,omitempty"`

	FullCharge si.Kilogram       `json:"full_charge_kg,omitempty"`
	Method     ChargeMethod      `json:"method,omitempty" enum:"manufacturer,calculation,measurement,range" doc:"How the full charge was determined."`
	Low        si.Kilogram       `json:"low_kg,omitempty" doc:"Of an established range, whose middle is the full charge."`
	High       si.Kilogram       `json:"high_kg,omitempty"`
	Category   ApplianceCategory `json:"category,omitempty" enum:"comfort_cooling,commercial_refrigeration,industrial_process_refrigeration,other,residential_light_commercial"`

	Passed      bool            `json:"passed,omitempty" doc:"Of a test."`
	AllRepaired bool            `json:"all_repaired,omitempty" doc:"Of a follow-up test: every leak that was found is repaired."`
	Reason      ExclusionReason `json:"reason,omitempty" enum:"installation,retrofit,seasonal_variance"`
	Of          string          `json:"of,omitempty" doc:"The entry that is taken back, or the visit or weighing that is left out."`
	Due         DueKind         `json:"due,omitempty" enum:"repair,initial_verification,follow_up_verification,inspection,retrofit_or_retire,report" doc:"What is extended."`
	Until       Day             `json:"until,omitempty" doc:"The day to which it is extended."`
	Note        string          `json:"note,omitempty"`
}

// Validate returns an error that says what of the entry makes no sense.
func (e *LedgerEntry) Validate() error {
	bad := func(format string, args ...any) error { return invalid("ledger entry "+quoted(e.ID), format, args...) }
	switch {
	case !validVisitID(e.ID):
		return bad("its id must be 8 to 64 letters, digits, - or _")
	case !e.System.Valid():
		return bad("%s is no system: write it as <site>/<system>", quoted(string(e.System)))
	case e.At <= 0 || e.At.Time().Year() > 9999:
		return bad("at is missing: when did it happen?")
	case len(e.Note) > 4000 || len(e.Visit) > 200 || len(e.Of) > 200 || len(e.Refrigerant) > 40:
		return bad("a text is too long: a note has at most 4000 bytes")
	}
	if err := CheckPerson(e.By); err != nil {
		return bad("by: %w", err)
	}
	for _, name := range []string{e.Technician, e.Certification} {
		if name != "" {
			if err := CheckPerson(name); err != nil {
				return bad("%s: %w", quoted(name), err)
			}
		}
	}
	return e.validateKind(bad)
}

func (e *LedgerEntry) validateKind(bad func(string, ...any) error) error {
	if e.Kind != LedgerWeighing && (e.Charged != 0 || e.Recovered != 0) {
		return bad("only a weighing moves refrigerant")
	}
	switch e.Kind {
	case LedgerWeighing:
		return e.validateWeighing(bad)
	case LedgerFullCharge:
		return e.validateCharge(bad)
	case LedgerCategory:
		if !slices.Contains(ApplianceCategories(), e.Category) {
			return bad("category %s: it is one of %v", quoted(string(e.Category)), ApplianceCategories())
		}
	case LedgerExclusion:
		if !slices.Contains([]ExclusionReason{ExcludedInstallation, ExcludedRetrofit, ExcludedSeasonal}, e.Reason) {
			return bad("an addition is left out because of installation, retrofit or seasonal_variance: say which")
		}
		if e.Of == "" || e.Note == "" {
			return bad("name the visit or weighing in of, and write its documentation in note")
		}
	case LedgerExtension:
		if !slices.Contains(DueKinds(), e.Due) || !e.Until.Valid() || e.Note == "" {
			return bad("an extension needs due (one of %v), until (a day such as 2031-08-01) and in note why it may be", DueKinds())
		}
	case LedgerVoid:
		if e.Of == "" || e.Note == "" {
			return bad("name the entry in of, and say in note what was wrong with it")
		}
	case LedgerRepair, LedgerInitial, LedgerFollowUp, LedgerInspection, LedgerReport:
	default:
		return bad("kind %s: it is one of %v", quoted(string(e.Kind)), LedgerKinds())
	}
	return nil
}

// mostMoved is more than any appliance of the contract's kinds holds, in kg.
const mostMoved = 10_000

func (e *LedgerEntry) validateWeighing(bad func(string, ...any) error) error {
	switch {
	case !e.Scale:
		return bad("only weights off a scale enter the ledger, never an estimate: set by_scale where it is one")
	case e.Refrigerant == "":
		return bad("refrigerant is missing: which one was it?")
	case !(e.Charged >= 0 && e.Recovered >= 0) || e.Charged+e.Recovered == 0 || e.Charged+e.Recovered > mostMoved:
		return bad("say in charged_kg or recovered_kg how much went in or out")
	}
	return nil
}

func (e *LedgerEntry) validateCharge(bad func(string, ...any) error) error {
	if !slices.Contains(ChargeMethods(), e.Method) {
		return bad("method %s: a full charge is determined by one of %v", quoted(string(e.Method)), ChargeMethods())
	}
	if e.Method == ChargeByRange && !(e.Low > 0 && e.High >= e.Low && math.Abs(float64(e.FullCharge-(e.Low+e.High)/2)) < 1e-6) {
		return bad("of an established range give low_kg, high_kg and their middle as full_charge_kg")
	}
	if !(e.FullCharge > 0) || e.FullCharge > mostMoved {
		return bad("full_charge_kg must be above 0 and at most %d", mostMoved)
	}
	return nil
}

// LeakMethod is how a leak rate is computed. A facility uses one for all its appliances.
type LeakMethod string

// The methods of the rules.
const (
	Annualizing LeakMethod = "annualizing"
	Rolling     LeakMethod = "rolling_average"
)

// LeakFigure is a leak rate by one method, or why there is none.
type LeakFigure struct {
	Percent *float64    `json:"percent_per_year" doc:"Of the full charge; null where it cannot be computed."`
	Missing string      `json:"cannot_be_computed,omitempty" doc:"Why there is none."`
	Added   si.Kilogram `json:"added_kg" doc:"What it counts."`
	Days    int         `json:"days,omitempty" doc:"Annualizing: since the addition before."`
	Since   Day         `json:"since,omitempty" doc:"Rolling average: the beginning of what is counted."`
}

// LeakRate is computed for each addition.
type LeakRate struct {
	Visit       string      `json:"visit,omitempty"`
	Day         Day         `json:"day"`
	At          Stamp       `json:"at"`
	Added       si.Kilogram `json:"added_kg"`
	FullCharge  si.Kilogram `json:"full_charge_kg,omitempty"`
	Annualizing LeakFigure  `json:"annualizing"`
	Rolling     LeakFigure  `json:"rolling_average"`
	Over        []string    `json:"over,omitempty" doc:"The rules whose trigger it exceeds by the facility's method."`
}

// Figure returns the rate by a method.
func (r LeakRate) Figure(m LeakMethod) LeakFigure {
	if m == Rolling {
		return r.Rolling
	}
	return r.Annualizing
}

// Addition is what one visit moved: several weighings of one visit are one.
type Addition struct {
	Visit       string          `json:"visit,omitempty"`
	Day         Day             `json:"day"`
	At          Stamp           `json:"at" doc:"Of its last weighing."`
	Refrigerant string          `json:"refrigerant"`
	Charged     si.Kilogram     `json:"charged_kg"`
	Recovered   si.Kilogram     `json:"recovered_kg"`
	Net         si.Kilogram     `json:"net_kg" doc:"Charged less recovered: what the appliance gained."`
	Excluded    ExclusionReason `json:"excluded,omitempty" doc:"Why it is left out of the leak rate."`
	Weighings   []string        `json:"weighings" doc:"The entries and visits that it is made of."`
}

// DueKind is what a rule asks for by a day.
type DueKind string

// What is asked for.
const (
	DueRepair     DueKind = "repair"
	DueInitial    DueKind = "initial_verification"
	DueFollowUp   DueKind = "follow_up_verification"
	DueInspection DueKind = "inspection"
	DueRetrofit   DueKind = "retrofit_or_retire"
	DueReport     DueKind = "report"
)

// DueKinds returns every kind.
func DueKinds() []DueKind {
	return []DueKind{DueRepair, DueInitial, DueFollowUp, DueInspection, DueRetrofit, DueReport}
}

// DueState is how something that is due stands.
type DueState string

// The states.
const (
	DueOpen    DueState = "open"
	DueDone    DueState = "done"
	DueOverdue DueState = "overdue"
)

// Due is something that a rule asks for, by a day of the site's calendar.
type Due struct {
	System  SystemID `json:"system"`
	Kind    DueKind  `json:"kind" enum:"repair,initial_verification,follow_up_verification,inspection,retrofit_or_retire,report"`
	Rule    string   `json:"rule"`
	Because string   `json:"because"`
	By      Day      `json:"by"`
	State   DueState `json:"state" enum:"open,done,overdue"`
	Done    Day      `json:"done,omitempty"`
}

// RuleStanding is whether a rule concerns an appliance.
type RuleStanding struct {
	Rule    string   `json:"rule"`
	Applies bool     `json:"applies"`
	Why     string   `json:"why"`
	Trigger *float64 `json:"trigger_percent,omitempty" doc:"Above this leak rate it has to be repaired."`
}

// RefrigerantAccount is what the ledger says of one appliance.
type RefrigerantAccount struct {
	Appliance   string            `json:"appliance" doc:"The circuit, or the machine where circuits are taken together."`
	Systems     []SystemID        `json:"systems"`
	Refrigerant string            `json:"refrigerant"`
	Category    ApplianceCategory `json:"category"`
	FullCharge  si.Kilogram       `json:"full_charge_kg,omitempty" doc:"Absent where nobody has stated it."`
	ChargeBy    ChargeMethod      `json:"full_charge_by,omitempty" doc:"How it was determined."`
	ChargeNote  string            `json:"full_charge_note,omitempty"`
	Method      LeakMethod        `json:"method" enum:"annualizing,rolling_average" doc:"The facility's."`
	Rules       []RuleStanding    `json:"rules"`
	Additions   []Addition        `json:"visits" doc:"What each visit moved, oldest first."`
	Rates       []LeakRate        `json:"leak_rates" doc:"One for each addition that counts, oldest first."`
	Dues        []Due             `json:"dues"`
	Remarks     []string          `json:"remarks,omitempty"`
	Entries     []LedgerEntry     `json:"entries" doc:"Everything that is recorded, the weighings of closed visits among it."`
	Notice      string            `json:"notice"`
}

// LedgerStore keeps the entries of ledgers. It is safe for concurrent use.
type LedgerStore interface {
	// AddLedgerEntry keeps an entry. The same again changes nothing; another of the same id is a Clash.
	AddLedgerEntry(ctx context.Context, e LedgerEntry) error
	// LedgerEntries returns the entries of systems, ordered by At and ID.
	LedgerEntries(ctx context.Context, systems ...SystemID) ([]LedgerEntry, error)
}

// Ledger is where people keep the refrigerant records of appliances. It is safe for concurrent use.
type Ledger interface {
	// Account returns the account of the appliance that a system is, or is part of.
	Account(ctx context.Context, id SystemID) (RefrigerantAccount, error)
	// AddEntry keeps an entry and returns the account with it.
	AddEntry(ctx context.Context, e LedgerEntry) (RefrigerantAccount, error)
	// LedgerCSV returns the records of an appliance as CSV (RFC 4180).
	LedgerCSV(ctx context.Context, id SystemID) ([]byte, error)
	// FleetCSV returns as CSV how the records of each appliance at some sites stand, nil for all sites: its
	// charge, what went in and out, the leak rates by both methods, what is due by when.
	FleetCSV(ctx context.Context, sites []string) ([]byte, error)
	// DuesOf returns what is due at a site, the earliest first, without what is done.
	DuesOf(ctx context.Context, site string) ([]Due, error)
}

// SortLedger orders entries by time and id.
func SortLedger(list []LedgerEntry) {
	slices.SortFunc(list, func(a, b LedgerEntry) int { return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.ID, b.ID)) })
}

// GWPs tells the 100-year global warming potential of a refrigerant. The thermodynamics fill it (cmd
// joins the two).
type GWPs interface {
	GWP(refrigerant string) (value float64, known bool)
}

// String names the entry in an error or a log.
func (e LedgerEntry) String() string { return fmt.Sprintf("%s %s of %s", e.Kind, e.ID, e.System) }
