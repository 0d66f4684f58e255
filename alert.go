package dewline

import (
	"context"
	"crypto/sha256"
	"encoding/base32"
	"fmt"
	"math"
	"slices"
	"strings"
)

// AlertState is where an alert stands between its opening and its end.
type AlertState string

// The states of the contract.
const (
	AlertOpen         AlertState = "open"
	AlertAcknowledged AlertState = "acknowledged"
	AlertDispatched   AlertState = "dispatched"
	AlertVerifying    AlertState = "verifying" // repaired, being proved by data
	AlertResolved     AlertState = "resolved"
	AlertDismissed    AlertState = "dismissed"
)

// Ended says whether nobody has to do anything about the alert any more.
func (s AlertState) Ended() bool { return s == AlertResolved || s == AlertDismissed }

// Alert is what a person has to deal with: the findings of one underlying cause on one system, or
// a whole site gone silent. There is one open alert per system and underlying cause.
type Alert struct {
	ID         string // see AlertID
	Site       string
	System     SystemID    // "" where the whole site is meant
	Systems    []SystemID  // System alone, or those of the site that are concerned
	Condition  Condition   // the gravest of Conditions
	Conditions []Condition // gravest first
	Severity   Severity
	State      AlertState
	Onset      Millis
	Detected   Millis
	Cleared    Millis // 0 while the condition lasts
	Follows    string // the alert that this one is a return of, "" if none
	Causes     []Cause
	Forecast   *Forecast // nil without a trend
}

// WithEvidence returns the stored alert a as it stands when the readings say what says holds. The
// readings decide what an alert says, people decide where it stands, so neither takes back the other:
// State stays as people left it until the condition is over, which resolves the alert in any state.
// What has ended stays ended; a return is another alert.
func (a Alert) WithEvidence(says Alert) Alert {
	if a.Cleared != 0 {
		return a
	}
	state := a.State
	if says.Cleared != 0 {
		state = AlertResolved
	}
	a = says
	a.State = state
	return a
}

var alertIDs = base32.NewEncoding("0123456789abcdefghjkmnpqrstvwxyz").WithPadding(base32.NoPadding)

// AlertID makes an alert's id from the system (or the site, for an alert of a whole site), the
// cause when it was opened, and the onset. There is no random part, so that a replay makes the same
// ids. It is a digest rather than those words: the cause may turn out to be another one later, and
// an id that still names the first would mislead.
func AlertID(system SystemID, cause Fault, onset Millis) string {
	// None of the parts contains a line feed. 80 bits make an accidental repetition among
	// a million alerts less likely than one in a trillion.
	sum := sha256.Sum256(fmt.Appendf(nil, "%s\n%s\n%d", system, cause, onset))
	return alertIDs.EncodeToString(sum[:10])
}

// Validate returns an error that says what of the alert makes no sense.
func (a Alert) Validate() error {
	switch {
	case a.ID == "":
		return a.invalid("it has no id")
	case !ValidID(a.Site):
		return a.invalid("%q is no site", a.Site)
	case a.System != "" && a.System.Site() != a.Site:
		return a.invalid("system %q is not of site %q", a.System, a.Site)
	case len(a.Systems) == 0 || a.System != "" && !slices.Contains(a.Systems, a.System):
		return a.invalid("its systems are %q, which must name every system concerned", a.Systems)
	case !slices.Contains(a.Conditions, a.Condition):
		return a.invalid("condition %q is not one of its conditions %q", a.Condition, a.Conditions)
	case a.Severity == "" || a.State == "":
		return a.invalid("it has no severity or no state")
	case a.Detected < a.Onset:
		return a.invalid("detected before its onset")
	case a.Cleared != 0 && a.Cleared < a.Onset:
		return a.invalid("cleared before its onset")
	}
	sum := 0.0
	for _, c := range a.Causes {
		if !(c.Probability >= 0 && c.Probability <= 1) {
			return a.invalid("cause %q has probability %v", c.Fault, c.Probability)
		}
		sum += c.Probability
	}
	if len(a.Causes) > 0 && math.Abs(sum-1) > 1e-6 {
		return a.invalid("its causes sum to %v, not to 1", sum)
	}
	if f := a.Forecast; f != nil {
		if sum := f.Value + f.DaysP10 + f.DaysP50 + f.DaysP90; math.IsNaN(sum) || math.IsInf(sum, 0) {
			return a.invalid("its forecast is not finite: leave it out where there is none")
		}
	}
	return nil
}

func (a Alert) invalid(format string, args ...any) error {
	return &Error{Code: Invalid, Op: "alert " + strings.TrimSpace(a.ID+" "+string(a.System)), Err: fmt.Errorf(format, args...)}
}

// Change says who changed something, when and why.
type Change struct {
	By  string // a person's name, or ByDewline
	At  Millis // event time where data caused it, else the time of the person's action
	Why string
}

// ByDewline is who changed what no person changed.
const ByDewline = "dewline"

// AlertChange is an alert as it stands after a change.
type AlertChange struct {
	Change
	Alert Alert
}

// AlertFilter narrows what AlertsIn returns; its zero value is every alert.
type AlertFilter struct {
	States []AlertState // any of these; every state if empty
	System SystemID     // alerts that concern this system, those of its whole site included; "" for every system
	Sites  []string     // of any of these sites; every site if empty

	// Alerts whose [Onset, Cleared] overlaps [From, To). One that is not cleared lasts for ever.
	// To 0 stands for no end.
	From, To Millis

	Limit int    // at most so many; 0 stands for MaxAlertsPage, which is also the most
	After string // continue after a page: its Next
}

// MaxAlertsPage is the most alerts on a page.
const MaxAlertsPage = 1000

// AlertPage is a part of a list of alerts.
type AlertPage struct {
	Alerts []Alert
	Next   string // for AlertFilter.After, "" on the last page
}

// Alerts keeps alerts and what became of them. It is safe for concurrent use.
type Alerts interface {
	// PutAlerts stores each alert as it stands after its change, in one transaction. What a person
	// would call a change (of state, severity, conditions, likeliest cause, its end) is also added
	// to the alert's history; a probability or forecast that moves is not, for it moves with every
	// reading and can be had again from them.
	PutAlerts(ctx context.Context, changes []AlertChange) error
	// AlertByID returns an alert, or an error with code NotFound.
	AlertByID(ctx context.Context, id string) (Alert, error)
	// AlertsIn returns the alerts that fit the filter, ordered by detected, system, id.
	AlertsIn(ctx context.Context, filter AlertFilter) (AlertPage, error)
	// AlertHistory returns what became of an alert, oldest first. Nothing in it is ever changed.
	AlertHistory(ctx context.Context, id string) ([]AlertChange, error)
}

// Health is how an alert that lasts leaves what it is about.
func (a *Alert) Health() Health {
	switch {
	case a.State == AlertDispatched || a.State == AlertVerifying:
		return HealthUnderRepair
	case a.Condition == Silent:
		return HealthSilent
	case a.Condition == SensorDoubt:
		return HealthDoubtful
	case a.Severity == Urgent:
		return HealthUrgent
	case a.Severity == Soon:
		return HealthSoon
	}
	return HealthDrifting
}
