package dewline

import (
	"context"
	"fmt"
	"slices"
	"strings"
)

// AlertAct is what a person does with an alert.
type AlertAct struct {
	Do    AlertDo `json:"do" enum:"acknowledge,shelve,unshelve,dismiss,reopen"`
	By    string  `json:"by" required:"false" doc:"Who does it: the name of who is signed in, which is also taken where this is absent."`
	Why   string  `json:"why,omitempty" doc:"Needed to shelve, dismiss and reopen."`
	Until Stamp   `json:"until,omitzero" doc:"Only to shelve: until when."`
}

// AlertDo names what can be done with an alert. Dispatching, proving and resolving follow from
// service calls and readings, so nobody asks for them by name.
type AlertDo string

// What people do with an alert.
const (
	Acknowledge AlertDo = "acknowledge" // somebody has seen it and is thinking about it
	Shelve      AlertDo = "shelve"      // out of sight until a time, for a reason (the word is ISA-18.2's)
	Unshelve    AlertDo = "unshelve"
	Dismiss     AlertDo = "dismiss" // nothing will be done about it, for a reason
	Reopen      AlertDo = "reopen"  // a mistake: back to where it was when it was found
)

// HoldKind is why notices of alerts are held back.
type HoldKind string

// The kinds of holds.
const (
	HoldMaintenance   HoldKind = "maintenance"       // planned work
	HoldCommissioning HoldKind = "commissioning"     // it is being set up
	HoldSeasonal      HoldKind = "seasonal_shutdown" // it is off for the season
	HoldPowerCut      HoldKind = "power_cut"         // the site has no power
	HoldShelved       HoldKind = "shelved"           // somebody put this one alert aside
	HoldSilentSite    HoldKind = "gateway_silent"    // nothing comes from the site: the alert about that stands for all
)

// HoldKinds returns the kinds that a person may enter. An alert is shelved by [Shelve], and a silent
// site is found out, as a power cut may be.
func HoldKinds() []HoldKind {
	return []HoldKind{HoldMaintenance, HoldCommissioning, HoldSeasonal, HoldPowerCut}
}

// Hold keeps notices of alerts back for a time. It changes no alert and ends none: a held notice
// can be explained by its holds, and what is still true when they end is told then.
type Hold struct {
	ID     string   `json:"id"`
	Kind   HoldKind `json:"kind" enum:"maintenance,commissioning,seasonal_shutdown,power_cut,shelved,gateway_silent"`
	Site   string   `json:"site"`
	System SystemID `json:"system,omitempty" doc:"Absent: the whole site."`
	Alert  string   `json:"alert,omitempty" doc:"The one alert that is shelved."`
	From   Stamp    `json:"from"`
	Until  Stamp    `json:"until" doc:"When it ends by itself, or was ended."`
	By     string   `json:"by"`
	Why    string   `json:"why"`

	EndedBy  string `json:"ended_by,omitempty" readOnly:"true" doc:"Who ended it before its time."`
	EndedWhy string `json:"ended_why,omitempty" readOnly:"true"`
}

// Holds says whether h keeps notices of the alert back at that time. A refrigerant detector that has
// tripped is told whatever happens around it; only somebody who looked at that very alert can shelve it.
func (h Hold) Holds(a Alert, at Millis) bool {
	if at < Millis(h.From) || at >= Millis(h.Until) || h.Site != a.Site {
		return false
	}
	switch {
	case h.Alert != "":
		return h.Alert == a.ID
	case CauseKey(a.Conditions, a.Causes) == "leak":
		return false
	case h.Kind == HoldSilentSite || h.By == ByDewline:
		return a.System != "" // not the alert that stands for the others
	}
	return h.System == "" || h.System == a.System || len(a.Systems) == 1 && a.Systems[0] == h.System
}

// String explains the hold in a sentence.
func (h Hold) String() string {
	text := strings.ReplaceAll(string(h.Kind), "_", " ") + " until " + h.Until.Time().Format("2006-01-02 15:04 UTC")
	if h.Why != "" {
		text += ": " + h.Why
	}
	if h.By != "" {
		text += " (" + h.By + ")"
	}
	return text
}

// Priority is the class in which a call is planned, after the trade's common practice.
type Priority string

// The classes of priority.
const (
	P1 Priority = "p1" // now: safety, or goods are being lost
	P2 Priority = "p2" // within a day: the compressor is at risk
	P3 Priority = "p3" // within two weeks, together with other work
	P4 Priority = "p4" // with the next visit
)

// Priorities returns every class, the first to be served first.
func Priorities() []Priority { return []Priority{P1, P2, P3, P4} }

// Ranking says how soon somebody has to act on an alert, and why.
type Ranking struct {
	Severity Severity `json:"severity" enum:"urgent,soon,watch"`
	Priority Priority `json:"priority" enum:"p1,p2,p3,p4"`
	Reasons  []string `json:"reasons" doc:"Sentences for people."`
}

// AlertCase is an alert with what people need to decide about it.
type AlertCase struct {
	Alert   Alert
	Ranking Ranking
	Holds   []Hold        // that keep its notices back now
	History []AlertChange // oldest first
	Calls   []string      // service calls that it is or was part of, oldest first
	May     []AlertDo     // what people may do with it now
}

// AlertDesk is where people work on alerts. It is safe for concurrent use. What is not allowed as
// things stand is an error with code Clash that says what is.
type AlertDesk interface {
	Act(ctx context.Context, id string, act AlertAct) (AlertCase, error)
	Case(ctx context.Context, id string) (AlertCase, error)
	// Held returns the holds that keep notices of an alert back now, none where it is to be told.
	Held(ctx context.Context, a Alert) ([]Hold, error)
	// Hold keeps notices back; its ID is made. Holding the same again is the same hold.
	Hold(ctx context.Context, h Hold) (Hold, error)
	// EndHold ends a hold before its time.
	EndHold(ctx context.Context, id string, c Change) (Hold, error)
	// HoldsIn returns the holds of a site ("" for all) that last now or will, by their beginning.
	HoldsIn(ctx context.Context, site string) ([]Hold, error)
	// EndedHolds returns the holds of a site ("" for all) that have ended since a time, the last first.
	EndedHolds(ctx context.Context, site string, since Millis) ([]Hold, error)
}

// CallChange is a service call as it stands after a change.
type CallChange struct {
	Change
	Call ServiceCall
}

// DeskStore keeps what people do. It is safe for concurrent use.
type DeskStore interface {
	// Desk runs f on the store as it is now and keeps everything that f wrote, or nothing where f
	// fails or the process dies. Nobody else writes meanwhile, the analyst's alerts included.
	// f may be run again and so does nothing else.
	Desk(ctx context.Context, op string, f func(DeskTx) error) error
	// LookAtDesk runs f on one state of the store. What f tries to write is an error.
	LookAtDesk(ctx context.Context, op string, f func(DeskTx) error) error
	// Anonymise takes a person's name out of the records: who changed an alert or a call, who went, who
	// signed, the number of a certificate. The records stay, and still tell one person from another.
	// Names that somebody wrote into a free text stay in it. A name that is not there is NotFound.
	Anonymise(ctx context.Context, name string) error
}

// DeskTx is one transaction of a DeskStore. What is not there is an error with code NotFound.
type DeskTx interface {
	Alert(id string) (Alert, error)
	AlertHistory(id string) ([]AlertChange, error)
	// OpenAlerts returns the alerts of a site that have not ended.
	OpenAlerts(site string) ([]Alert, error)
	// PutAlert stores an alert and adds the change to its history, whatever it changes.
	PutAlert(c AlertChange) error

	Hold(id string) (Hold, error)
	PutHold(h Hold) error
	// Holds returns the holds of a site ("" for all) that have not ended at a time, by their beginning.
	Holds(site string, at Millis) ([]Hold, error)

	Call(id string) (ServiceCall, error)
	// PutCall stores a call and adds the change to its history. The call's Version counts its changes.
	PutCall(c CallChange) error
	CallHistory(id string) ([]CallChange, error)
	// CallsOfAlert returns the ids of the calls that an alert is or was part of, oldest first.
	CallsOfAlert(alert string) ([]string, error)
	// Calls returns calls, the newest first.
	Calls(f CallFilter) ([]ServiceCall, error)

	Visit(id string) (Visit, error)
	PutVisit(v Visit) error
	// VisitsOf returns the visits of a call, by their beginning.
	VisitsOf(call string) ([]Visit, error)
	// ClosedVisits returns the visits that were finished in [from, to) of a system ("" for all), oldest first.
	ClosedVisits(system SystemID, from, to Millis) ([]Visit, error)

	PutStock(van string, items []StockItem) error
	Stock(van string) ([]StockItem, error)

	RecordEvents(events []Event) error
}

// NameRemoved stands in a record where a name was before it was anonymised.
const NameRemoved = "name removed"

// CallFilter narrows a list of calls; its zero value is every call.
type CallFilter struct {
	States []CallState
	Sites  []string
	System SystemID
	From   Millis // made at this time or later
	To     Millis // made before; 0 stands for no end
	Limit  int    // at most so many; 0 stands for MaxAlertsPage, which is also the most
	After  string // continue after this call's id
}

// personName is how long a name may be, in bytes.
const personName = 200

// CheckPerson returns an error unless name can be who did something: one line, not empty, and not
// [ByDewline], as which nobody may act.
func CheckPerson(name string) error {
	switch {
	case strings.TrimSpace(name) == "":
		return &Error{Code: Invalid, Op: "by", Err: fmt.Errorf("say who does it: every change is kept with who made it")}
	case strings.EqualFold(strings.TrimSpace(name), ByDewline):
		return &Error{Code: Invalid, Op: "by", Err: fmt.Errorf("%q is what Dewline itself signs with: give a person's name", name)}
	case len(name) > personName || strings.ContainsFunc(name, func(r rune) bool { return r < ' ' || r == 0x7f }):
		return &Error{Code: Invalid, Op: "by", Err: fmt.Errorf("a name is one line of at most %d bytes", personName)}
	}
	return nil
}

// HoldsOn returns those of the holds that keep notices of an alert back at a time.
func HoldsOn(a Alert, holds []Hold, at Millis) []Hold {
	return slices.DeleteFunc(slices.Clone(holds), func(h Hold) bool { return !h.Holds(a, at) })
}
