package service

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline"
	"dewline/alerts"
)

// The reference: what may follow what, written down from the contract and from ANSI/ISA-18.2's ideas
// once more, apart from the code. "a do b" is a person's act, "a > b" a step that follows from something.
const reference = `
open acknowledge acknowledged
open shelve open | acknowledged shelve acknowledged | dispatched shelve dispatched | verifying shelve verifying
open unshelve open | acknowledged unshelve acknowledged | dispatched unshelve dispatched | verifying unshelve verifying
open dismiss dismissed | acknowledged dismiss dismissed
acknowledged reopen open | dismissed reopen open
open call dispatched | acknowledged call dispatched
dispatched cancel acknowledged
dispatched closed verifying
verifying failed open
`

var follows = func() map[[2]string]dewline.AlertState {
	m := map[[2]string]dewline.AlertState{}
	for line := range strings.FieldsFuncSeq(reference, func(r rune) bool { return r == '\n' || r == '|' }) {
		if w := strings.Fields(line); len(w) == 3 {
			m[[2]string{w[0], w[1]}] = dewline.AlertState(w[2])
		}
	}
	return m
}()

// modelAlert is an alert as the reference has it.
type modelAlert struct {
	state   dewline.AlertState
	cleared bool
	shelved dewline.Millis
	system  dewline.SystemID
}

func (a *modelAlert) can(what string) bool {
	_, ok := follows[[2]string{string(a.state), what}]
	return ok && !a.cleared
}

func (a *modelAlert) do(what string) {
	if a.can(what) {
		a.state = follows[[2]string{string(a.state), what}]
	}
}

// modelCall is a call as the reference has it.
type modelCall struct {
	state  dewline.CallState
	alerts []string
	closed map[dewline.SystemID]bool // in this round
}

// world is one sequence: the desks, the analyst's book, and the reference beside them.
type world struct {
	t       *testing.T
	rng     *rand.Rand
	store   *memory
	desk    *alerts.Desk
	service *Desk
	book    *alerts.Book
	now     dewline.Millis
	steps   []string

	told    []dewline.Finding      // all of them
	open    map[int]dewline.Millis // onsets of what lasts, by subject
	pending []dewline.AlertChange  // could not be stored yet
	queued  []func()               // what the reference does once it is

	alerts map[string]*modelAlert
	ids    []string
	calls  map[string]*modelCall
	callID []string
	visits []dewline.Visit
	proofs map[dewline.SystemID]int // 0 too little, 1 good, 2 bad
}

var modelFleet = dewline.NewFleet(nil, []dewline.Site{{ID: "quay", Systems: []dewline.System{
	{ID: "quay/a", Kind: dewline.SplitAC, Metering: dewline.FixedOrifice, Refrigerant: "R-410A", Charge: 3.1},
	{ID: "quay/b", Kind: dewline.WalkInCooler, Metering: dewline.TXV, Refrigerant: "R-32", Importance: dewline.Critical},
}}})

type noSafety struct{}

func (noSafety) SafetyClass(string) string { return "A2L" }

// Prove implements dewline.Prover: what the sequence has drawn.
func (w *world) Prove(_ context.Context, id dewline.SystemID, from, to dewline.Millis) (dewline.Proof, error) {
	p := dewline.Proof{System: id, From: dewline.Stamp(from), To: dewline.Stamp(to)}
	low, high := 3.0, 9.0
	switch w.proofs[id] {
	case 0:
		p.Missing = "nothing yet"
		return p, nil
	case 1:
		p.Measures = []dewline.Measure{{Quantity: "superheat", Mean: 6, Low: &low, High: &high, Within: 1}}
	case 2:
		p.Measures = []dewline.Measure{{Quantity: "superheat", Mean: 0, Low: &low, High: &high}}
	}
	p.SteadyHours, p.Windows, p.Days = 6, 12, 2
	p.Slope = &dewline.MeasureSlope{SpanDays: 20, Uncertainty: 0.01}
	return p, nil
}

func (w *world) ReadingNear(context.Context, dewline.SystemID, dewline.Point, dewline.Millis) (float64, bool, error) {
	return 0, false, nil
}

func newWorld(t *testing.T, seed uint64) *world {
	w := &world{t: t, rng: rand.New(rand.NewPCG(seed, 6)), store: newMemory(), now: 1_900_000_000_000, book: alerts.NewBook(), open: map[int]dewline.Millis{},
		alerts: map[string]*modelAlert{}, calls: map[string]*modelCall{}, proofs: map[dewline.SystemID]int{}}
	now := func() dewline.Millis { return w.now }
	fleet := func() *dewline.Fleet { return modelFleet }
	w.book.Fleet = modelFleet
	w.desk = &alerts.Desk{Store: w.store, Fleet: fleet, Now: now}
	w.service = &Desk{Store: w.store, Fleet: fleet, Prover: w, Safety: noSafety{}, Now: now}
	return w
}

func (w *world) note(format string, args ...any) {
	if len(w.steps) < 200 {
		w.steps = append(w.steps, fmt.Sprintf(format, args...))
	}
}

func (w *world) fail(format string, args ...any) {
	w.t.Helper()
	w.t.Fatalf("%s\nafter\n%s", fmt.Sprintf(format, args...), strings.Join(w.steps, "\n"))
}

// subject i is a system and one of its underlying causes.
func (w *world) finding(i int, onset dewline.Millis) dewline.Finding {
	f := dewline.Finding{System: []dewline.SystemID{"quay/a", "quay/b"}[i%2], Onset: onset, Detected: onset + 1000, At: w.now,
		Severity: []dewline.Severity{dewline.Watch, dewline.Soon, dewline.Urgent}[w.rng.IntN(3)]}
	if i < 2 {
		f.Key, f.Condition, f.Causes = "machine", []dewline.Condition{dewline.Flooding, dewline.HighHead}[w.rng.IntN(2)], []dewline.Cause{{Fault: dewline.Overfeed, Probability: 1}}
	} else {
		f.Key, f.Condition, f.Causes = "space", dewline.SpaceWarm, []dewline.Cause{{Fault: dewline.NoFault, Probability: 1}}
	}
	f.Conditions = []dewline.Condition{f.Condition}
	return f
}

// readings lets analytics say something.
func (w *world) readings() {
	i := w.rng.IntN(4)
	onset, lasts := w.open[i]
	if !lasts {
		onset = w.now - 1000
	}
	f := w.finding(i, onset)
	cause := f.Causes[0].Fault
	id := dewline.AlertID(f.System, cause, onset)
	what := "more of"
	switch {
	case !lasts:
		what = "begins"
		w.open[i] = onset
		w.queued = append(w.queued, func() {
			w.alerts[id] = &modelAlert{state: dewline.AlertOpen, system: f.System}
			w.ids = append(w.ids, id)
		})
	case w.rng.IntN(2) == 0:
		what = "ends"
		f.Cleared = w.now
		delete(w.open, i)
		w.queued = append(w.queued, func() { w.alerts[id].cleared, w.alerts[id].state = true, dewline.AlertResolved })
	}
	w.note("%d %s %s/%s", w.now, what, f.System, f.Key)
	w.told = append(w.told, f)
	w.pending = append(w.pending, w.book.Apply([]dewline.Finding{f})...)
	w.flush()
}

// flush stores what analytics said, or dies and keeps it.
func (w *world) flush() {
	w.maybeCut()
	switch err := w.store.tell(w.pending); {
	case errors.Is(err, errCut):
		w.note("  cut")
		return
	case err != nil:
		w.fail("tell: %v", err)
	}
	for _, f := range w.queued {
		f()
	}
	w.pending, w.queued = nil, nil
}

// restart loads the book again and lets the engine tell its last findings once more.
func (w *world) restart() {
	for len(w.pending) > 0 {
		w.flush() // the engine's state is stored with them, so what is not stored is told again
	}
	w.note("restart")
	var err error
	if w.book, err = alerts.LoadBook(context.Background(), alertsOf{w.store}); err != nil {
		w.fail("%v", err)
	}
	w.book.Fleet = modelFleet
	again := w.told[max(0, len(w.told)-w.rng.IntN(4)):]
	if err := w.store.tell(w.book.Apply(again)); err != nil {
		w.fail("told again: %v", err)
	}
}

func (w *world) maybeCut() {
	if w.rng.IntN(8) == 0 {
		w.store.cutAt = 1 + w.rng.IntN(6)
	}
}

// done says whether an act that the reference judges as may went through, and that it was right to.
func (w *world) done(may bool, err error, what string) bool {
	w.t.Helper()
	w.note("%d %s: %v", w.now, what, err)
	switch {
	case errors.Is(err, errCut):
		return false
	case may && err != nil:
		w.fail("%s is allowed, and failed: %v", what, err)
	case !may && err == nil:
		w.fail("%s is not allowed, and went through", what)
	case err != nil && dewline.CodeOf(err) != dewline.Clash && dewline.CodeOf(err) != dewline.Invalid && dewline.CodeOf(err) != dewline.NotFound:
		if _, ok := errors.AsType[*dewline.Incomplete](err); !ok {
			w.fail("%s: %v", what, err)
		}
	}
	return err == nil
}

func (w *world) act() {
	if len(w.ids) == 0 {
		return
	}
	id := w.ids[w.rng.IntN(len(w.ids))]
	a := w.alerts[id]
	act := dewline.AlertAct{By: "J.", Do: []dewline.AlertDo{dewline.Acknowledge, dewline.Shelve, dewline.Unshelve, dewline.Dismiss, dewline.Reopen}[w.rng.IntN(5)]}
	if w.rng.IntN(6) > 0 {
		act.Why = "because"
	}
	if act.Do == dewline.Shelve {
		act.Until = dewline.Stamp(w.now.Add(time.Duration(w.rng.IntN(50)-5) * time.Hour))
	}
	may := a.can(string(act.Do)) && (act.Why != "" || act.Do == dewline.Acknowledge || act.Do == dewline.Unshelve)
	switch act.Do {
	case dewline.Shelve:
		may = may && dewline.Millis(act.Until) > w.now
	case dewline.Unshelve:
		may = may && a.shelved > w.now
	}
	w.maybeCut()
	c, err := w.desk.Act(context.Background(), id, act)
	if !w.done(may, err, string(act.Do)+" "+id) {
		return
	}
	a.do(string(act.Do))
	switch act.Do {
	case dewline.Shelve:
		a.shelved = dewline.Millis(act.Until)
	case dewline.Unshelve:
		a.shelved = w.now
	}
	if held := slices.ContainsFunc(c.Holds, func(h dewline.Hold) bool { return h.Kind == dewline.HoldShelved }); held != (a.shelved > w.now) {
		w.fail("%s: held %v, shelved until %d at %d", id, held, a.shelved, w.now)
	}
	for _, do := range c.May {
		if !a.can(string(do)) {
			w.fail("%s is %s and is said to take %s", id, a.state, do)
		}
	}
}

func (w *world) makeCall() {
	if len(w.ids) == 0 {
		return
	}
	ids := []string{w.ids[w.rng.IntN(len(w.ids))]}
	if other := w.ids[w.rng.IntN(len(w.ids))]; w.rng.IntN(2) == 0 && other != ids[0] {
		ids = append(ids, other)
	}
	may := true
	for _, id := range ids {
		may = may && w.alerts[id].can("call")
	}
	w.maybeCut()
	c, err := w.service.MakeCall(context.Background(), dewline.CallRequest{Alerts: ids, By: "D."})
	if !w.done(may, err, fmt.Sprint("call of ", ids)) {
		return
	}
	for _, id := range ids {
		w.alerts[id].do("call")
	}
	w.calls[c.Call.ID] = &modelCall{state: dewline.CallNew, alerts: ids, closed: map[dewline.SystemID]bool{}}
	w.callID = append(w.callID, c.Call.ID)
	for _, item := range c.Call.Bring { // never more than the plate charge
		if item.Key == "refrigerant:R-410A" && item.Amount > 3.1*float64(len(ids)) {
			w.fail("bring %+v", item)
		}
	}
}

// goes is the life of a call as the reference has it.
var goes = map[dewline.CallDo]string{
	dewline.Assign:     "new returned assigned scheduled",
	dewline.Schedule:   "assigned scheduled",
	dewline.OnTheWay:   "assigned scheduled",
	dewline.OnSite:     "assigned scheduled on_the_way",
	dewline.CancelCall: "new assigned scheduled on_the_way returned",
}

func (w *world) actOnCall() {
	if len(w.callID) == 0 {
		return
	}
	id := w.callID[w.rng.IntN(len(w.callID))]
	call := w.calls[id]
	act := dewline.CallAct{Do: callDos[w.rng.IntN(len(callDos))], By: "D.", Why: "because", Technician: "T.", From: dewline.Stamp(w.now), To: dewline.Stamp(w.now + 1000)}
	may := slices.Contains(strings.Fields(goes[act.Do]), string(call.state))
	w.maybeCut()
	_, err := w.service.ActOnCall(context.Background(), id, act)
	if !w.done(may, err, string(act.Do)+" call "+id) {
		return
	}
	for _, a := range call.alerts {
		switch {
		case act.Do == dewline.CancelCall:
			w.alerts[a].do("cancel")
		case call.state == dewline.CallReturned:
			w.alerts[a].do("call")
		}
	}
	switch {
	case act.Do == dewline.Assign && call.state == dewline.CallScheduled:
	case act.Do == dewline.Assign:
		call.state = dewline.CallAssigned
	case act.Do == dewline.Schedule:
		call.state = dewline.CallScheduled
	case act.Do == dewline.OnTheWay:
		call.state = dewline.CallOnTheWay
	case act.Do == dewline.OnSite:
		call.state = dewline.CallOnSite
	case act.Do == dewline.CancelCall:
		call.state = dewline.CallCancelled
	}
}

// visit types one, sends it, sends it again, and closes it, complete or not.
func (w *world) visit() {
	if len(w.callID) == 0 {
		return
	}
	id := w.callID[w.rng.IntN(len(w.callID))]
	call := w.calls[id]
	system := w.alerts[call.alerts[w.rng.IntN(len(call.alerts))]].system
	v := dewline.Visit{ID: fmt.Sprintf("visit-%04d", len(w.visits)), Call: id, System: system, Revision: 1, Started: dewline.Stamp(w.now - 5000)}
	running := call.state != dewline.CallDone && call.state != dewline.CallProved && call.state != dewline.CallCancelled
	w.maybeCut()
	_, err := w.service.PutVisit(context.Background(), v)
	if !w.done(running, err, "visit "+v.ID+" of "+id) {
		return
	}
	w.visits = append(w.visits, v)
	v.Revision, v.Finished = 2, dewline.Stamp(w.now)
	complete := w.rng.IntN(4) > 0
	if complete {
		v.Technician, v.Notes, v.Found = "T.", "set right", &dewline.FoundCause{Fault: dewline.Overfeed}
	}
	if _, err := w.service.PutVisit(context.Background(), v); err != nil {
		w.fail("more of a visit: %v", err)
	}
	old := v
	old.Revision, old.Notes = 1, "late"
	if kept, err := w.service.PutVisit(context.Background(), old); err != nil || kept.Revision != 2 || kept.Notes != v.Notes {
		w.fail("a late repetition made %+v, %v", kept, err)
	}
	w.maybeCut()
	c, err := w.service.CloseVisit(context.Background(), v.ID, dewline.Closing{By: "T."})
	if !w.done(complete, err, "close "+v.ID) {
		return
	}
	events := len(w.store.events)
	if _, err := w.service.CloseVisit(context.Background(), v.ID, dewline.Closing{By: "T."}); err != nil || len(w.store.events) != events {
		w.fail("closing %s again: %v, %d events", v.ID, err, len(w.store.events)-events)
	}
	call.closed[system] = true
	call.state = dewline.CallDone
	for _, a := range call.alerts {
		if w.alerts[a].system == system {
			w.alerts[a].do("closed")
		}
		if !call.closed[w.alerts[a].system] {
			call.state = dewline.CallOnSite
		}
	}
	if c.Call.State != call.state {
		w.fail("the call is %s, want %s", c.Call.State, call.state)
	}
	if last := w.store.events[len(w.store.events)-1]; last.System != system || last.Kind != dewline.Serviced || last.At != w.now {
		w.fail("the event is %+v", last)
	}
}

func (w *world) verify() {
	if len(w.callID) == 0 {
		return
	}
	id := w.callID[w.rng.IntN(len(w.callID))]
	call := w.calls[id]
	for _, s := range modelFleet.Systems() {
		w.proofs[s.ID] = w.rng.IntN(3)
	}
	w.maybeCut()
	c, err := w.service.Verify(context.Background(), id)
	w.store.cutAt = 0 // a look writes nothing
	if !w.done(true, err, fmt.Sprint("verify ", id, w.proofs)) || call.state != dewline.CallDone {
		return
	}
	over, good := true, true
	for _, a := range call.alerts {
		over = over && (w.alerts[a].cleared || w.alerts[a].state == dewline.AlertDismissed)
		good = good && w.proofs[w.alerts[a].system] == 1
	}
	switch c.Call.Verdict.Verdict {
	case dewline.Verified:
		if !over || !good {
			w.fail("verified, over %v, proofs good %v", over, good)
		}
		call.state = dewline.CallProved
	case dewline.NotVerified:
		if len(c.Call.Verdict.Why) == 0 {
			w.fail("not verified without a reason")
		}
		call.state = dewline.CallReturned
		clear(call.closed)
		for _, a := range call.alerts {
			w.alerts[a].do("failed")
		}
	}
	if c.Call.State != call.state {
		w.fail("the call is %s, want %s", c.Call.State, call.state)
	}
}

// check holds the store against the reference.
func (w *world) check() {
	w.t.Helper()
	if len(w.store.alerts) != len(w.alerts) {
		w.fail("%d alerts are stored, want %d", len(w.store.alerts), len(w.alerts))
	}
	for id, a := range w.alerts {
		got := w.store.alerts[id]
		if got.State != a.state || (got.Cleared != 0) != a.cleared {
			w.fail("%s is %s (cleared %d), want %s (%v)", id, got.State, got.Cleared, a.state, a.cleared)
		}
	}
	for id, c := range w.calls {
		if got := w.store.calls[id]; got.State != c.state {
			w.fail("call %s is %s, want %s", id, got.State, c.state)
		}
	}
}

// end stores everything, then looks for what was lost, and for a step in any history that may not be.
func (w *world) end() {
	for len(w.pending) > 0 {
		w.flush()
	}
	w.check()
	lasting := 0
	for _, a := range w.store.alerts {
		if a.Cleared == 0 {
			lasting++
		}
	}
	if lasting != len(w.open) {
		w.fail("%d alerts last, want %d", lasting, len(w.open))
	}
	allowed := map[[2]dewline.AlertState]bool{}
	for from, to := range follows {
		allowed[[2]dewline.AlertState{dewline.AlertState(from[0]), to}] = true
	}
	for id, history := range w.store.history {
		state := dewline.AlertOpen
		for _, c := range history {
			to := c.Alert.State
			if to != state && !allowed[[2]dewline.AlertState{state, to}] && to != dewline.AlertResolved {
				w.fail("%s went from %s to %s", id, state, to)
			}
			if to == dewline.AlertResolved && c.By != dewline.ByDewline {
				w.fail("%s was resolved by %s", id, c.By)
			}
			state = to
		}
		if state != w.store.alerts[id].State {
			w.fail("the history of %s ends with %s", id, state)
		}
	}
}

func (w *world) run(steps int) {
	for range steps {
		switch w.rng.IntN(12) {
		case 0, 1, 2:
			w.readings()
		case 3, 4:
			w.act()
		case 5, 6:
			w.makeCall()
		case 7:
			w.actOnCall()
		case 8, 9:
			w.visit()
		case 10:
			w.verify()
		case 11:
			if w.rng.IntN(4) == 0 {
				w.restart()
			}
			w.now = w.now.Add(time.Duration(w.rng.IntN(72)) * time.Hour)
		}
		w.store.cutAt = 0
		w.now += 10
		w.check()
	}
	w.end()
}

// TestRandomSequencesAgainstAReference runs random sequences of findings, people's acts, clock, restarts
// and deaths of the store between two writes against a reference: no alert is lost, nothing forbidden
// goes through, and what is stored is what the reference says.
func TestRandomSequencesAgainstAReference(t *testing.T) {
	for seed := range uint64(sequences) {
		newWorld(t, seed).run(14)
	}
	for seed := range uint64(sequences / 200) { // some long ones
		newWorld(t, 1<<32+seed).run(200)
	}
}
