package dewline

import "context"

// CallState is where a service call stands.
type CallState string

// The states of a service call, in their usual order. A call that the readings do not prove comes
// back to the dispatcher as returned.
const (
	CallNew       CallState = "new"
	CallAssigned  CallState = "assigned"
	CallScheduled CallState = "scheduled"
	CallOnTheWay  CallState = "on_the_way"
	CallOnSite    CallState = "on_site"
	CallDone      CallState = "done"     // the work is finished and is being proved by readings
	CallProved    CallState = "proved"   // the readings prove it
	CallReturned  CallState = "returned" // they do not: it is the dispatcher's again, with the evidence
	CallCancelled CallState = "cancelled"
)

// CallStates returns every state.
func CallStates() []CallState {
	return []CallState{CallNew, CallAssigned, CallScheduled, CallOnTheWay, CallOnSite, CallDone, CallProved, CallReturned, CallCancelled}
}

// Ended says whether nobody has to do anything about the call any more.
func (s CallState) Ended() bool { return s == CallProved || s == CallCancelled }

// ServiceCall is work at a site because of one or more alerts there. What it says of causes and
// what to bring is what was known when it was made, so that the prediction can be held against
// what was found.
type ServiceCall struct {
	ID         string        `json:"id"`
	Site       string        `json:"site"`
	Alerts     []string      `json:"alerts"`
	Systems    []SystemID    `json:"systems"`
	Follows    string        `json:"follows,omitempty" doc:"The call whose repair did not last: this one is a callback."`
	Priority   Priority      `json:"priority" enum:"p1,p2,p3,p4"`
	Reasons    []string      `json:"reasons" doc:"Why this priority."`
	State      CallState     `json:"state" enum:"new,assigned,scheduled,on_the_way,on_site,done,proved,returned,cancelled"`
	Note       string        `json:"note,omitempty" doc:"What the dispatcher adds."`
	Briefs     []Brief       `json:"briefs" doc:"One for each system and alert."`
	Skills     []string      `json:"skills" doc:"What who goes must be certified for; local rules decide what that takes."`
	Bring      []StockItem   `json:"bring"`
	Caution    string        `json:"caution"`
	Technician string        `json:"technician,omitempty"`
	From       Stamp         `json:"from,omitzero" doc:"When the visit is planned."`
	To         Stamp         `json:"to,omitzero"`
	Made       Stamp         `json:"made"`
	Verdict    *Verification `json:"verification,omitempty"`
	Version    int           `json:"version" doc:"Counts the changes."`
	Acts       []string      `json:"acts,omitempty" doc:"The last acts that came with an id of their own."`
}

// MaxCallActs is how many acts a call remembers by their ids.
const MaxCallActs = 20

// Brief is what a technician should know of one alert before the visit.
type Brief struct {
	Alert     string    `json:"alert"`
	System    SystemID  `json:"system"`
	Condition Condition `json:"condition"`
	Severity  Severity  `json:"severity"`
	Onset     Stamp     `json:"onset"`
	Causes    []Cause   `json:"causes" doc:"As predicted when the call was made."`
	Settles   string    `json:"settles" doc:"What would settle the likeliest cause."`
	Checks    []string  `json:"checks" doc:"In the order in which to make them."`
	Limits    []string  `json:"limits,omitempty" doc:"What the plate and the fleet file state: charge, bore, targets."`
}

// StockItem is something to bring, or something in a van.
type StockItem struct {
	Key    string   `json:"key" example:"refrigerant:R-410A" doc:"The same word in calls and vans."`
	What   string   `json:"what,omitempty" doc:"For people."`
	Amount float64  `json:"amount,omitempty"`
	Unit   string   `json:"unit,omitempty" example:"kg"`
	Why    string   `json:"why,omitempty"`
	InVan  *float64 `json:"in_van,omitempty" doc:"How much the technician's van has, absent where its stock is not kept."`
}

// CallRequest asks for a service call.
type CallRequest struct {
	Alerts []string `json:"alerts" minItems:"1" doc:"Alerts of one site."`
	By     string   `json:"by" required:"false" doc:"Who does it: the name of who is signed in, which is also taken where this is absent."`
	Note   string   `json:"note,omitempty"`
}

// CallDo names what can be done with a call. That the work is done is said by closing its visit.
type CallDo string

// What people do with a call.
const (
	Assign     CallDo = "assign"
	Schedule   CallDo = "schedule"
	OnTheWay   CallDo = "on_the_way"
	OnSite     CallDo = "on_site"
	CancelCall CallDo = "cancel"
)

// CallAct is what a person does with a service call.
type CallAct struct {
	ID         string `json:"id,omitempty" maxLength:"64" doc:"Made by who acts: the same act sent again changes nothing."`
	At         Stamp  `json:"at,omitzero" doc:"When it was done, where that was before it could be sent; now where it is absent or cannot be."`
	Do         CallDo `json:"do" enum:"assign,schedule,on_the_way,on_site,cancel"`
	By         string `json:"by" required:"false" doc:"Who does it: the name of who is signed in, which is also taken where this is absent."`
	Why        string `json:"why,omitempty" doc:"Needed to cancel."`
	Technician string `json:"technician,omitempty" doc:"To assign."`
	From       Stamp  `json:"from,omitzero" doc:"To schedule."`
	To         Stamp  `json:"to,omitzero" doc:"To schedule."`
}

// CallCase is a service call with its visits and its history, oldest first.
type CallCase struct {
	Call    ServiceCall
	Visits  []Visit
	History []CallChange
	May     []CallDo // what people may do with it now
}

// ServiceDesk is where people work on service calls and visits. It is safe for concurrent use. What
// is not allowed as things stand is an error with code Clash that says what is.
type ServiceDesk interface {
	MakeCall(ctx context.Context, r CallRequest) (CallCase, error)
	ActOnCall(ctx context.Context, id string, act CallAct) (CallCase, error)
	CallCase(ctx context.Context, id string) (CallCase, error)
	CallsIn(ctx context.Context, f CallFilter) ([]ServiceCall, error)

	// PutVisit keeps what was typed so far. The id is made by who types, and Revision counts what they
	// sent: sending again changes nothing, and what arrives late changes nothing that is newer.
	PutVisit(ctx context.Context, v Visit) (Visit, error)
	// CloseVisit ends a visit. What the cause found asks for and is missing is an *Incomplete.
	CloseVisit(ctx context.Context, id string, c Closing) (CallCase, error)
	VisitByID(ctx context.Context, id string) (Visit, error)
	// Visits returns the closed visits of a system ("" for all) that were finished in [from, to).
	Visits(ctx context.Context, system SystemID, from, to Millis) ([]Visit, error)

	// Verify holds a call that is done against the readings so far.
	Verify(ctx context.Context, call string) (CallCase, error)
	// Report sums up the visits that were finished in [from, to).
	Report(ctx context.Context, from, to Millis) (ServiceReport, error)

	PutStock(ctx context.Context, van string, items []StockItem) error
	Stock(ctx context.Context, van string) ([]StockItem, error)
}

// SafetyClasses tells the ASHRAE 34 safety class of a refrigerant, "" where it is not known. The
// thermodynamics fill it (cmd joins the two).
type SafetyClasses interface {
	SafetyClass(refrigerant string) string
}
