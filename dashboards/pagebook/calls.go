package pagebook

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"dewline"
)

// Calls is the service desk of a book: calls in each state, and visits that can be recorded. It holds to
// the rules that pages rely on (revisions, what is closed), and decides nothing else.
type Calls struct {
	dewline.ServiceDesk
	book *Book

	mu    sync.Mutex
	calls []dewline.CallCase
	sent  int // how often a visit was sent that was new or newer
}

// NewCalls returns the desk of the town.
func NewCalls(b *Book) *Calls {
	c := &Calls{book: b}
	for _, a := range b.alerts {
		switch b.stories[a.System] {
		case flooding:
			c.add("call-library", a, dewline.CallScheduled, dewline.P2, "T. Salgado", -3*time.Hour)
		case losingCharge:
			c.add("call-roof", a, dewline.CallAssigned, dewline.P3, "T. Salgado", 0)
		case starving:
			c.add("call-fish", a, dewline.CallNew, dewline.P1, "", 0)
		case underRepair:
			c.add("call-server", a, dewline.CallOnSite, dewline.P2, "R. Bastos", -2*time.Hour)
		case beingProved:
			c.add("call-kitchen", a, dewline.CallDone, dewline.P3, "T. Salgado", -48*time.Hour)
		case proved:
			c.add("call-office", a, dewline.CallProved, dewline.P3, "R. Bastos", -5*day)
		case doubtful:
			c.add("call-shop", a, dewline.CallReturned, dewline.P4, "R. Bastos", -9*day)
		}
	}
	return c
}

func (c *Calls) add(id string, a dewline.Alert, state dewline.CallState, priority dewline.Priority, technician string, planned time.Duration) {
	sys, _ := c.book.Fleet.System(a.System)
	now := dewline.Stamp(c.book.before(0))
	advice := dewline.AdviceFor(a.Causes[0], sys.Metering)
	call := dewline.ServiceCall{
		ID: id, Site: a.Site, Alerts: []string{a.ID}, Systems: []dewline.SystemID{a.System}, Priority: priority, State: state, Technician: technician,
		Reasons: []string{"superheat below 2.8 K for 52 min of running puts the compressor at risk"}, Made: dewline.Stamp(a.Detected.Add(time.Hour)), Caution: dewline.Caution,
		Skills: []string{"certified to open the circuit and handle refrigerant"}, Version: 1,
		Briefs: []dewline.Brief{{Alert: a.ID, System: a.System, Condition: a.Condition, Severity: a.Severity, Onset: dewline.Stamp(a.Onset), Causes: a.Causes,
			Settles: advice.Settles, Checks: advice.Checks, Limits: []string{"refrigerant " + sys.Refrigerant + ", metering " + string(sys.Metering)}}},
		Bring: []dewline.StockItem{{Key: "gauges", What: "calibrated gauges for " + sys.Refrigerant, Why: "to confirm the readings before anything is opened", Amount: 1}},
	}
	brief := &call.Briefs[0]
	if sys.Orifice > 0 {
		brief.Limits = append(brief.Limits, fmt.Sprintf("bore called for %.3g mm", sys.Orifice.Millimetres()))
	}
	if a.Causes[0].OpensCircuit() && sys.Charge > 0 {
		brief.Limits = append(brief.Limits, fmt.Sprintf("plate charge %.3g kg", float64(sys.Charge)))
		call.Bring = append(call.Bring,
			dewline.StockItem{Key: "refrigerant:" + sys.Refrigerant, What: sys.Refrigerant, Why: "at most the plate charge of each machine; blends go in as liquid", Amount: float64(sys.Charge), Unit: "kg"},
			dewline.StockItem{Key: "filter_drier", What: "filter drier", Why: "after the circuit was open", Amount: 1})
	}
	if a.Causes[0].Fault == dewline.SensorFault {
		call.Reasons, call.Skills = []string{"a sensor is no reason to hurry"}, nil
	}
	if state == dewline.CallScheduled {
		call.From, call.To = now+dewline.Stamp((2*time.Hour).Milliseconds()), now+dewline.Stamp((4*time.Hour).Milliseconds())
		call.Note = "The key is at the desk; the roof door sticks."
	}
	full := dewline.CallCase{Call: call, History: []dewline.CallChange{{Change: dewline.Change{By: "J. Marinho", At: dewline.Millis(call.Made), Why: "made of 1 alerts"}, Call: call}}}
	if state == dewline.CallDone || state == dewline.CallProved || state == dewline.CallReturned {
		full.Visits = []dewline.Visit{c.finished(id, a, technician, planned)}
	}
	switch state {
	case dewline.CallOnSite:
		full.Visits = []dewline.Visit{c.underWay(id, a, technician)}
	case dewline.CallProved:
		full.Call.Verdict = c.verdict(a.System, dewline.Verified)
	case dewline.CallReturned:
		full.Call.Verdict = c.verdict(a.System, dewline.NotVerified)
	}
	c.calls = append(c.calls, full)
}

// finished is a visit that was closed so long ago.
func (c *Calls) finished(call string, a dewline.Alert, technician string, ago time.Duration) dewline.Visit {
	at := dewline.Stamp(c.book.before(-ago))
	ours, difference := 871_000.0, -9_000.0
	return dewline.Visit{ID: call + "-visit-1", Call: call, System: a.System, Revision: 4, Started: at - dewline.Stamp((50 * time.Minute).Milliseconds()), Finished: at, Closed: at,
		Technician: technician, Certification: "HC-20417", SignedBy: "M. Farol", Found: &dewline.FoundCause{Fault: a.Causes[0].Fault, Detail: a.Causes[0].Detail},
		AsFound: []dewline.GaugeReading{{Point: "suction_pressure", At: at, Value: 862_000, Ours: &ours, Difference: &difference}},
		AsLeft:  []dewline.GaugeReading{{Point: "suction_pressure", At: at, Value: 868_000}, {Point: "liquid_temp", At: at, Value: 34.2}},
		Parts:   []dewline.PartChanged{{Part: "bulb strap", Now: "new, insulated"}}, Notes: "Strap was loose; fixed at four o'clock, insulated."}
}

// underWay is a visit that somebody is at, with a vacuum that did not hold.
func (c *Calls) underWay(call string, a dewline.Alert, technician string) dewline.Visit {
	at := func(minutes int) dewline.Stamp {
		return dewline.Stamp(c.book.before(time.Duration(minutes) * time.Minute))
	}
	return dewline.Visit{ID: call + "-visit-1", Call: call, System: a.System, Revision: 9, Started: at(110), Technician: technician,
		AsFound:     []dewline.GaugeReading{{Point: "suction_pressure", At: at(100), Value: 742_000}, {Point: "liquid_pressure", At: at(100), Value: 2_110_000}},
		Refrigerant: []dewline.Weighing{{At: at(80), Refrigerant: "R-410A", Recovered: 1.62, Cylinder: "C 12"}},
		Evacuation: &dewline.Evacuation{Limits: &dewline.VacuumLimits{Reach: 66, Hold: 1200, NotOver: 133, Source: "maker's instructions, page 14"}, Isolated: at(30),
			Points: []dewline.VacuumPoint{{At: at(34), Pressure: 58}, {At: at(20), Pressure: 187}}},
		Parts: []dewline.PartChanged{{Part: "filter drier", Now: "new"}}, Notes: "Oil at the flare of the liquid valve; cut and flared anew."}
}

func (c *Calls) verdict(id dewline.SystemID, v dewline.Verdict) *dewline.Verification {
	low, high := 3.9, 9.5
	proof := dewline.Proof{System: id, From: dewline.Stamp(c.book.before(2 * day)), To: dewline.Stamp(c.book.before(0)), SteadyHours: 1.5, Windows: 3, Days: 1,
		Measures: []dewline.Measure{{Quantity: "superheat", Unit: "K", Mean: 6.3, Min: 5.1, Max: 7.4, Low: &low, High: &high, Within: 1}}}
	before := proof
	before.Measures = []dewline.Measure{{Quantity: "superheat", Unit: "K", Mean: 2.1, Min: -0.4, Max: 9.9, Low: &low, High: &high, Within: 0.2}}
	why := map[dewline.Verdict][]string{
		dewline.Verified:    {string(id) + ": superheat 6.3 K over 4.5 h of steady running, 3.9 to 9.5 K expected"},
		dewline.NotVerified: {string(id) + ": liquid_pressure still stands still; 0 % of the windows were inside"},
		dewline.CannotTell:  {string(id) + " has run steadily for 1.5 of 3.0 h, in 3 of 3 windows on 1 of 2 days", "hunting is not over yet: that takes three steady windows on two days without it, under conditions like those in which it was"},
	}[v]
	return &dewline.Verification{Verdict: v, At: dewline.Stamp(c.book.before(time.Minute)), Why: why, Before: []dewline.Proof{before}, After: []dewline.Proof{proof}}
}

// Sent returns how often a visit came that was new or newer than what was there.
func (c *Calls) Sent() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.sent
}

func (c *Calls) find(id string) (*dewline.CallCase, error) {
	if i := slices.IndexFunc(c.calls, func(k dewline.CallCase) bool { return k.Call.ID == id }); i >= 0 {
		return &c.calls[i], nil
	}
	return nil, &dewline.Error{Code: dewline.NotFound, Op: "call", Err: errors.New("there is no such call")}
}

// mayFrom is what people may do with a call.
var mayFrom = map[dewline.CallState][]dewline.CallDo{
	dewline.CallNew: {dewline.Assign, dewline.CancelCall}, dewline.CallReturned: {dewline.Assign, dewline.CancelCall},
	dewline.CallAssigned:  {dewline.Assign, dewline.Schedule, dewline.OnTheWay, dewline.OnSite, dewline.CancelCall},
	dewline.CallScheduled: {dewline.Assign, dewline.Schedule, dewline.OnTheWay, dewline.OnSite, dewline.CancelCall},
	dewline.CallOnTheWay:  {dewline.OnSite, dewline.CancelCall},
}

// CallCase implements dewline.ServiceDesk.
func (c *Calls) CallCase(_ context.Context, id string) (dewline.CallCase, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	k, err := c.find(id)
	if err != nil {
		return dewline.CallCase{}, err
	}
	out := *k
	out.Visits, out.May, out.Call.Bring = slices.Clone(k.Visits), mayFrom[k.Call.State], slices.Clone(k.Call.Bring)
	if out.Call.Technician == "T. Salgado" { // whose van's stock is kept
		have := map[string]float64{"gauges": 1, "refrigerant:" + "R-410A": 2, "filter_drier": 0}
		for i := range out.Call.Bring {
			amount := have[out.Call.Bring[i].Key]
			out.Call.Bring[i].InVan = &amount
		}
	}
	return out, nil
}

// CallsIn implements dewline.ServiceDesk.
func (c *Calls) CallsIn(_ context.Context, f dewline.CallFilter) (list []dewline.ServiceCall, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, k := range c.calls {
		if (len(f.States) == 0 || slices.Contains(f.States, k.Call.State)) && (f.System == "" || slices.Contains(k.Call.Systems, f.System)) {
			list = append(list, k.Call)
		}
	}
	return list, nil
}

// ActOnCall implements dewline.ServiceDesk.
func (c *Calls) ActOnCall(_ context.Context, id string, act dewline.CallAct) (dewline.CallCase, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	k, err := c.find(id)
	if err != nil {
		return dewline.CallCase{}, err
	}
	if act.ID != "" && slices.Contains(k.Call.Acts, act.ID) {
		return *k, nil
	}
	if !slices.Contains(mayFrom[k.Call.State], act.Do) {
		return dewline.CallCase{}, &dewline.Error{Code: dewline.Clash, Op: "call", Err: fmt.Errorf("it is %s, so that is not possible: look at it again", k.Call.State)}
	}
	switch act.Do {
	case dewline.Assign:
		k.Call.State, k.Call.Technician = dewline.CallAssigned, act.Technician
	case dewline.Schedule:
		k.Call.State, k.Call.From, k.Call.To = dewline.CallScheduled, act.From, act.To
	case dewline.OnTheWay:
		k.Call.State = dewline.CallOnTheWay
	case dewline.OnSite:
		k.Call.State = dewline.CallOnSite
	case dewline.CancelCall:
		k.Call.State = dewline.CallCancelled
	}
	if act.ID != "" {
		k.Call.Acts = append(slices.Clone(k.Call.Acts), act.ID)
	}
	k.History = append(k.History, dewline.CallChange{Change: dewline.Change{By: act.By, At: cmp.Or(dewline.Millis(act.At), c.book.before(0)), Why: act.Why}, Call: k.Call})
	return *k, nil
}

// PutVisit implements dewline.ServiceDesk.
func (c *Calls) PutVisit(_ context.Context, v dewline.Visit) (dewline.Visit, error) {
	if err := v.Validate(); err != nil {
		return v, err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	k, err := c.find(v.Call)
	if err != nil {
		return v, err
	}
	i := slices.IndexFunc(k.Visits, func(has dewline.Visit) bool { return has.ID == v.ID })
	if i < 0 {
		c.sent++
		k.Visits = append(k.Visits, v)
		return v, nil
	}
	before := k.Visits[i]
	clash := func(why string) (dewline.Visit, error) {
		return before, &dewline.Error{Code: dewline.Clash, Op: "visit " + v.ID, Err: errors.New(why)}
	}
	switch {
	case v.Revision < before.Revision:
		return before, nil
	case v.Revision == before.Revision && before.Notes != v.Notes:
		return clash("that revision is here already and says something else")
	case v.Revision == before.Revision:
		return before, nil
	case before.Closed != 0:
		return clash("it is closed and stays as it is")
	}
	c.sent++
	k.Visits[i] = v
	return v, nil
}

// CloseVisit implements dewline.ServiceDesk. It misses a cause and a technician, as the real one does.
func (c *Calls) CloseVisit(_ context.Context, id string, by dewline.Closing) (dewline.CallCase, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for j := range c.calls {
		k := &c.calls[j]
		for i := range k.Visits {
			v := &k.Visits[i]
			if v.ID != id {
				continue
			}
			var missing []string
			if v.Technician == "" {
				missing = append(missing, "technician: who did the work")
			}
			if v.Found == nil && !v.NoTroubleFound {
				missing = append(missing, "found: the cause as seen on the machine, or no trouble found, which is an honest finding")
			}
			if len(missing) > 0 {
				return *k, &dewline.Incomplete{Missing: missing}
			}
			v.Closed = dewline.Stamp(c.book.before(0))
			k.Call.State = dewline.CallDone
			return *k, nil
		}
	}
	return dewline.CallCase{}, &dewline.Error{Code: dewline.NotFound, Op: "visit", Err: errors.New("there is no such visit")}
}

// VisitByID implements dewline.ServiceDesk.
func (c *Calls) VisitByID(_ context.Context, id string) (dewline.Visit, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, k := range c.calls {
		for _, v := range k.Visits {
			if v.ID == id {
				return v, nil
			}
		}
	}
	return dewline.Visit{}, &dewline.Error{Code: dewline.NotFound, Op: "visit", Err: errors.New("there is no such visit")}
}

// Visits implements dewline.ServiceDesk.
func (c *Calls) Visits(_ context.Context, id dewline.SystemID, from, to dewline.Millis) (list []dewline.Visit, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, k := range c.calls {
		for _, v := range k.Visits {
			if v.Closed != 0 && (id == "" || v.System == id) && dewline.Millis(v.Finished) >= from && dewline.Millis(v.Finished) < to {
				list = append(list, v)
			}
		}
	}
	return list, nil
}

// Verify implements dewline.ServiceDesk: nothing can be told yet.
func (c *Calls) Verify(ctx context.Context, id string) (dewline.CallCase, error) {
	k, err := c.CallCase(ctx, id)
	if err == nil && k.Call.State == dewline.CallDone {
		k.Call.Verdict = c.verdict(k.Call.Systems[0], dewline.CannotTell)
	}
	return k, err
}
