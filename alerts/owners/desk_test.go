package owners

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"
	_ "time/tzdata"

	"dewline"
)

func at(t testing.TB, text string) dewline.Millis {
	t.Helper()
	when, err := time.Parse("2006-01-02T15:04", text)
	if err != nil {
		t.Fatal(err)
	}
	return dewline.MillisOf(when)
}

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// town has two owners; one has sites in two zones, and a home.
func town(t testing.TB) *dewline.Fleet {
	system := func(id dewline.SystemID, name string, tags ...string) dewline.System {
		return dewline.System{ID: id, Name: name, Kind: dewline.SplitAC, Refrigerant: "R-410A", Metering: dewline.TXV, Tags: tags,
			Points: []dewline.PointFitting{{Point: dewline.CompressorOn}, {Point: dewline.CompressorPower}}}
	}
	return dewline.NewFleet([]dewline.Owner{{ID: "city", Name: "City"}, {ID: "market", Name: "Market"}}, []dewline.Site{
		{ID: "quay-library", Name: "Quay Library", Owner: "city", Timezone: zone(t, "Europe/Lisbon"), Systems: []dewline.System{
			system("quay-library/hall-ac", "Reading hall split"), system("quay-library/server-ac", "Server room"), system("quay-library/flat-ac", "Keeper's flat", dewline.HomeTag)}},
		{ID: "isle-office", Name: "Isle Office", Owner: "city", Timezone: zone(t, "Atlantic/Azores"), Systems: []dewline.System{system("isle-office/desk-ac", "Desk room")}},
		{ID: "fish-market", Name: "Fish Market", Owner: "market", Systems: []dewline.System{system("fish-market/cold-room", "Cold room")}},
	})
}

// world is everything that a desk reads from.
type world struct {
	dewline.ServiceDesk
	dewline.Ledger
	fleet   *dewline.Fleet
	now     dewline.Millis
	alerts  []dewline.Alert
	history map[string][]dewline.AlertChange
	visits  []dewline.Visit
	calls   map[string]dewline.CallCase
	account map[dewline.SystemID]dewline.RefrigerantAccount
	reads   atomic.Int32
	err     error
}

func (w *world) AlertsIn(_ context.Context, f dewline.AlertFilter) (dewline.AlertPage, error) {
	var p dewline.AlertPage
	for _, a := range w.alerts {
		if slices.Contains(f.Sites, a.Site) && (a.Cleared == 0 || a.Cleared > f.From) {
			p.Alerts = append(p.Alerts, a)
		}
	}
	return p, w.err
}

func (w *world) AlertHistory(_ context.Context, id string) ([]dewline.AlertChange, error) {
	return w.history[id], nil
}

func (w *world) Visits(_ context.Context, _ dewline.SystemID, from, to dewline.Millis) (list []dewline.Visit, _ error) {
	for _, v := range w.visits {
		if at := dewline.Millis(v.Finished); at >= from && at < to {
			list = append(list, v)
		}
	}
	return list, nil
}

func (w *world) CallCase(_ context.Context, id string) (dewline.CallCase, error) {
	c, ok := w.calls[id]
	if !ok {
		return c, &dewline.Error{Code: dewline.NotFound, Op: "call"}
	}
	return c, nil
}

func (w *world) CallsIn(_ context.Context, f dewline.CallFilter) (list []dewline.ServiceCall, _ error) {
	for _, c := range w.calls {
		if slices.Contains(f.States, c.Call.State) {
			list = append(list, c.Call)
		}
	}
	return list, nil
}

func (w *world) Account(_ context.Context, id dewline.SystemID) (dewline.RefrigerantAccount, error) {
	if a, ok := w.account[id]; ok {
		return a, nil
	}
	return dewline.RefrigerantAccount{Appliance: string(id), Systems: []dewline.SystemID{id}, Refrigerant: "R-410A", Method: dewline.Annualizing}, nil
}

// ReadSeries runs every machine for the first half of each hour, at 2 kW.
func (w *world) ReadSeries(_ context.Context, q dewline.SeriesQuery) (dewline.Series, error) {
	w.reads.Add(1)
	s := dewline.Series{System: q.System, Step: q.Step}
	for _, name := range q.Quantities {
		s.Columns = append(s.Columns, dewline.Column{Quantity: name})
	}
	if q.To.Sub(q.From)/q.Step > dewline.MaxSeriesRows {
		return s, &dewline.StepError{Smallest: time.Hour}
	}
	for at := q.From; at < q.To; at = at.Add(q.Step) {
		on := 0.0
		if at.Time().Minute() < 30 {
			on = 1
		}
		s.Times = append(s.Times, at)
		for i := range s.Columns {
			v := on
			if q.Quantities[i] == "compressor_power" {
				v *= 2000
			}
			s.Columns[i].Values = append(s.Columns[i].Values, v)
		}
	}
	return s, nil
}

func (w *world) desk() *Desk {
	return &Desk{Fleet: func() *dewline.Fleet { return w.fleet }, Alerts: w, Calls: w, Ledger: w, Series: w,
		Tariff: Tariff{PerKWh: 0.25, Currency: "EUR"}, Now: func() dewline.Millis { return w.now }}
}

func owner(ctx context.Context, id string) context.Context {
	return dewline.WithVisitor(ctx, dewline.Visitor{Person: "o", Role: dewline.RoleOwner, Owner: id})
}

func dispatcher(ctx context.Context) context.Context {
	return dewline.WithVisitor(ctx, dewline.Visitor{Person: "d", Role: dewline.RoleDispatcher})
}

// story: too little charge in the hall from 10 June, a visit on the 20th that the readings have proved,
// and since the 28th the server room runs against too much pressure. It is 5 July.
func story(t testing.TB) *world {
	w := &world{fleet: town(t), now: at(t, "2031-07-05T12:00"), history: map[string][]dewline.AlertChange{}, calls: map[string]dewline.CallCase{}, account: map[dewline.SystemID]dewline.RefrigerantAccount{}}
	leak := dewline.Alert{ID: "leak", Site: "quay-library", System: "quay-library/hall-ac", Systems: []dewline.SystemID{"quay-library/hall-ac"},
		Condition: dewline.ChargeDrift, Conditions: []dewline.Condition{dewline.ChargeDrift}, Severity: dewline.Soon, State: dewline.AlertResolved,
		Onset: at(t, "2031-06-10T00:00"), Detected: at(t, "2031-06-11T00:00"), Cleared: at(t, "2031-06-24T00:00"),
		Causes: []dewline.Cause{{Fault: dewline.Undercharge, Probability: 0.6}, {Fault: dewline.Restriction, Probability: 0.3}, {Fault: dewline.NoFault, Probability: 0.1}}}
	head := dewline.Alert{ID: "head", Site: "quay-library", System: "quay-library/server-ac", Systems: []dewline.SystemID{"quay-library/server-ac"},
		Condition: dewline.HighHead, Conditions: []dewline.Condition{dewline.HighHead}, Severity: dewline.Urgent, State: dewline.AlertDispatched,
		Onset: at(t, "2031-06-28T00:00"), Detected: at(t, "2031-06-28T02:00"), Causes: []dewline.Cause{{Fault: dewline.CondenserAirflow, Probability: 1}}}
	w.alerts = []dewline.Alert{leak, head}
	step := func(a dewline.Alert, when string, s dewline.AlertState, severity dewline.Severity, cleared dewline.Millis) {
		a.State, a.Severity, a.Cleared = s, severity, cleared
		w.history[a.ID] = append(w.history[a.ID], dewline.AlertChange{Change: dewline.Change{At: at(t, when)}, Alert: a})
	}
	step(leak, "2031-06-11T00:00", dewline.AlertOpen, dewline.Watch, 0)
	step(leak, "2031-06-15T00:00", dewline.AlertOpen, dewline.Soon, 0)
	step(leak, "2031-06-16T00:00", dewline.AlertDispatched, dewline.Soon, 0)
	step(leak, "2031-06-20T11:00", dewline.AlertVerifying, dewline.Soon, 0)
	step(leak, "2031-06-24T00:00", dewline.AlertResolved, dewline.Soon, leak.Cleared)
	step(head, "2031-06-28T02:00", dewline.AlertOpen, dewline.Urgent, 0)
	step(head, "2031-07-02T09:00", dewline.AlertDispatched, dewline.Urgent, 0)
	low, high := 3.6, 7.6
	proof := func(mean float64) []dewline.Proof {
		return []dewline.Proof{{System: leak.System, Measures: []dewline.Measure{
			{Quantity: "subcooling", Unit: "K", Mean: mean, Low: &low, High: &high}, {Quantity: "suction_dew_temp", Unit: "Cel", Mean: 4}}}}
	}
	w.visits = []dewline.Visit{{ID: "visit-0001", Call: "c1", System: leak.System, Started: dewline.Stamp(at(t, "2031-06-20T08:00")), Finished: dewline.Stamp(at(t, "2031-06-20T11:00")),
		Found: &dewline.FoundCause{Fault: dewline.Undercharge}, Parts: []dewline.PartChanged{{Part: "flare nut"}}, Refrigerant: []dewline.Weighing{{Recovered: 2.1}, {Charged: 3.1}}, Technician: "Rui Leme"},
		{ID: "visit-0002", Call: "c2", System: "fish-market/cold-room", Finished: dewline.Stamp(at(t, "2031-06-21T11:00"))}}
	w.calls["c1"] = dewline.CallCase{Call: dewline.ServiceCall{ID: "c1", Site: "quay-library", State: dewline.CallProved, Briefs: []dewline.Brief{{Alert: "leak", System: leak.System}},
		Verdict: &dewline.Verification{Verdict: dewline.Verified, Why: []string{"subcooling is within its band"}, Before: proof(1.2), After: proof(5.4)}}}
	w.calls["c2"] = dewline.CallCase{Call: dewline.ServiceCall{ID: "c2", Site: "fish-market"}}
	w.calls["c3"] = dewline.CallCase{Call: dewline.ServiceCall{ID: "c3", Site: "quay-library", Alerts: []string{"head"}, State: dewline.CallScheduled,
		From: dewline.Stamp(at(t, "2031-07-07T08:00")), To: dewline.Stamp(at(t, "2031-07-07T11:00"))}}
	percent := 32.3
	w.account[leak.System] = dewline.RefrigerantAccount{Appliance: string(leak.System), Refrigerant: "R-410A", FullCharge: 3.1, Method: dewline.Annualizing,
		Additions: []dewline.Addition{{At: dewline.Stamp(at(t, "2031-05-02T10:00")), Charged: 9}, {At: dewline.Stamp(at(t, "2031-06-20T11:00")), Charged: 3.1, Recovered: 2.1, Net: 1}},
		Rates:     []dewline.LeakRate{{Day: "2031-06-20", At: dewline.Stamp(at(t, "2031-06-20T11:00")), Added: 1, Annualizing: dewline.LeakFigure{Percent: &percent}}},
		Dues:      []dewline.Due{{Kind: dewline.DueInspection, By: "2032-06-20", State: dewline.DueOpen}, {Kind: dewline.DueRepair, By: "2031-07-20", State: dewline.DueDone}}}
	return w
}

func month(t *testing.T, w *world, ctx context.Context, id string, m dewline.Month) dewline.OwnerMonth {
	t.Helper()
	got, err := w.desk().OwnerMonth(ctx, id, m)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

func machine(t *testing.T, m dewline.OwnerMonth, id dewline.SystemID) dewline.OwnerMachine {
	t.Helper()
	for _, s := range m.Sites {
		for _, x := range s.Machines {
			if x.System == id {
				return x
			}
		}
	}
	t.Fatalf("%s is not in the month", id)
	return dewline.OwnerMachine{}
}

// TestJune: the month as its owner is told of it, after it is over.
func TestJune(t *testing.T) {
	m := month(t, story(t), owner(t.Context(), "city"), "city", "2031-06")
	if !m.Over || m.AsOf != dewline.Stamp(at(t, "2031-07-01T00:00")) || len(m.Sites) != 2 || len(m.Sites[0].Machines) != 3 {
		t.Errorf("over %v as of %s, %d sites", m.Over, m.AsOf.Time(), len(m.Sites)) // the Azores end their month an hour after Lisbon
	}
	if s := m.Sites[0]; s.From != dewline.Stamp(at(t, "2031-05-31T23:00")) || s.To != dewline.Stamp(at(t, "2031-06-30T23:00")) {
		t.Errorf("June in Lisbon is %s to %s", s.From.Time(), s.To.Time())
	}
	hall, server, desk := machine(t, m, "quay-library/hall-ac"), machine(t, m, "quay-library/server-ac"), machine(t, m, "isle-office/desk-ac")
	if hall.Standing != dewline.StandProved || server.Standing != dewline.NeedsToday || desk.Standing != dewline.StandWell {
		t.Errorf("%s, %s, %s", hall.Standing, server.Standing, desk.Standing)
	}
	if !strings.Contains(server.Says, "works against more pressure than it should, since 28 June") {
		t.Error(server.Says) // as it stood at the end of June, not as of July
	}
	// 30 days of half hours at 2 kW.
	near(t, "run hours", hall.Use.RunHours, 360, 1e-6)
	near(t, "energy", hall.Energy.KWh, 720, 1e-6)
	if *hall.Use.Starts != 719 && *hall.Use.Starts != 720 {
		t.Errorf("%d starts", *hall.Use.Starts)
	}
	// The visit found too little charge; the fault lasted from the 10th to the visit on the 20th, 251 h,
	// of which the first half of each hour ran: 126 half hours and 125... 251 half hours, 251 kWh.
	near(t, "least cost", hall.Excess.LowKWh, 0, 1e-9)
	near(t, "greatest cost", hall.Excess.HighKWh, 251*(1-0.798/0.964), 1e-6)
	// From the 28th to the end of June in Lisbon: 71 half hours at 2 kW.
	near(t, "least cost", server.Excess.LowKWh, 71*(1-1/1.028), 1e-6)
	near(t, "greatest cost", server.Excess.HighKWh, 71*(1-1/1.276), 1e-6)
	if !slices.Equal(hall.Excess.Faults, []dewline.Fault{dewline.Undercharge}) || desk.Excess.Hours != 0 || desk.Excess.LowKWh != nil {
		t.Errorf("%+v, %+v", hall.Excess, desk.Excess)
	}
	near(t, "money", m.Total.Cost, 4*720*0.25, 1e-6)
	if m.Total.Faulty != 2 || m.Total.Unknown != 0 || m.Total.ExcessTop == nil {
		t.Errorf("%+v", m.Total)
	}
	var what []string
	for _, c := range m.Changes {
		what = append(what, string(c.Day)+" "+c.Name+": "+c.What)
	}
	want := []string{
		"2031-06-11 Reading hall split: Seen: its readings drift from what they were.",
		"2031-06-15 Reading hall split: More pressing than before: its readings drift from what they were.",
		"2031-06-16 Reading hall split: A service call was made: its readings drift from what they were.",
		"2031-06-24 Reading hall split: Over: its readings drift from what they were.",
		"2031-06-28 Server room: Seen: it works against more pressure than it should.",
	}
	if !slices.Equal(what, want) {
		t.Errorf("changes:\n%s", strings.Join(what, "\n"))
	}
	if len(m.Works) != 1 || m.Works[0].What != "Found: too little refrigerant; flare nut changed or adjusted." || m.Works[0].Verdict != dewline.Verified ||
		len(m.Works[0].Measures) != 1 || *m.Works[0].Measures[0].Before != 1.2 || *m.Works[0].Measures[0].After != 5.4 || m.Works[0].Recovered != 2.1 {
		t.Errorf("works: %+v", m.Works)
	}
	if r := m.Records[0]; r.Charged != 3.1 || r.Recovered != 2.1 || r.Rate == nil || r.Rate.Day != "2031-06-20" || len(r.Dues) != 1 {
		t.Errorf("record: %+v", r)
	}
	var advice []string
	for _, a := range m.Advice {
		advice = append(advice, a.Name+": "+a.What)
	}
	if !slices.Equal(advice, []string{"Reading hall split: Agree the inspection that a rule asks for by 2032-06-20.",
		"Server room: Agree the visit of Monday 7 July, 09:00 to 12:00 and who gives access."}) {
		t.Errorf("advice: %q", advice)
	}
}

func TestMonthUnderWay(t *testing.T) {
	w := story(t)
	m := month(t, w, owner(t.Context(), "city"), "city", "2031-07")
	if m.Over || m.AsOf != dewline.Stamp(w.now) || machine(t, m, "quay-library/server-ac").Standing != dewline.UnderRepair || len(m.Works) != 0 {
		t.Errorf("%v %s %+v", m.Over, m.AsOf.Time(), m.Works)
	}
	if hall := machine(t, m, "quay-library/hall-ac"); hall.Standing != dewline.StandWell || hall.Excess.Hours != 0 {
		t.Errorf("%+v", hall)
	}
	if _, err := w.desk().OwnerMonth(owner(t.Context(), "city"), "city", "2031-09"); dewline.CodeOf(err) != dewline.Invalid {
		t.Errorf("a month that has not begun: %v", err)
	}
}

// TestOwnersOnly: to everybody else there is no such owner, and when a home runs is its owner's to know.
func TestOwnersOnly(t *testing.T) {
	w := story(t)
	for name, ctx := range map[string]context.Context{"a stranger": t.Context(), "another owner": owner(t.Context(), "market"),
		"an owner without an owner": owner(t.Context(), "")} {
		if _, err := w.desk().OwnerMonth(ctx, "city", "2031-06"); dewline.CodeOf(err) != dewline.NotFound {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := w.desk().OwnerMonth(dispatcher(t.Context()), "nobody", "2031-06"); dewline.CodeOf(err) != dewline.NotFound {
		t.Errorf("nobody: %v", err)
	}
	seen := machine(t, month(t, w, dispatcher(t.Context()), "city", "2031-06"), "quay-library/flat-ac")
	if seen.Use.RunHours != nil || seen.Use.Starts != nil || seen.Use.Days != nil || seen.Energy.KWh != nil || seen.Standing == "" {
		t.Errorf("the service company sees of a home %+v", seen)
	}
	own := machine(t, month(t, w, owner(t.Context(), "city"), "city", "2031-06"), "quay-library/flat-ac")
	near(t, "a home's run hours for its owner", own.Use.RunHours, 360, 1e-6)
	text, err := json.Marshal(month(t, w, owner(t.Context(), "city"), "city", "2031-06"))
	if err != nil || strings.Contains(string(text), "fish-market") || strings.Contains(string(text), "Rui Leme") {
		t.Errorf("%v: another owner's machine or the name of a person is in the month", err)
	}
}

// TestOwnersAreToldToDoNothing holds for every condition, state and cause: no text has a word that could
// be taken for an instruction at the machine.
func TestOwnersAreToldToDoNothing(t *testing.T) {
	for _, condition := range []dewline.Condition{dewline.Flooding, dewline.HotDischarge, dewline.HighHead, dewline.NotRunning, dewline.SpaceWarm, dewline.Freezing,
		dewline.Starving, dewline.ShortCycling, dewline.Hunting, dewline.CapacityLoss, dewline.EfficiencyLoss, dewline.ChargeDrift, dewline.SensorDoubt, dewline.Silent} {
		for _, state := range []dewline.AlertState{dewline.AlertOpen, dewline.AlertAcknowledged, dewline.AlertDispatched, dewline.AlertVerifying} {
			for _, severity := range []dewline.Severity{dewline.Urgent, dewline.Soon, dewline.Watch} {
				for _, f := range dewline.Faults() {
					a := dewline.Alert{Condition: condition, State: state, Severity: severity, Causes: []dewline.Cause{{Fault: f, Probability: 1}},
						Forecast: &dewline.Forecast{DaysP10: 2.5, DaysP50: 6, DaysP90: 11.2}}
					text := advise(a, "", dewline.English) + advise(a, "Monday", dewline.English) + says(a, standingOf(a), nil, dewline.English)
					words := strings.FieldsFunc(strings.ToLower(text), func(r rune) bool { return r < 'a' || r > 'z' })
					for _, forbidden := range []string{"open", "opened", "charge", "recharge", "reset", "restart", "refill", "add", "recover", "evacuate", "replace", "switch"} {
						if slices.Contains(words, forbidden) {
							t.Fatalf("%s %s %s: %q in %s", condition, state, f, forbidden, text)
						}
					}
				}
			}
		}
	}
}

// TestCountedOnce: a month that is over is counted once, one that is under way once an hour, and anew
// when it is known that a fault lasted otherwise.
func TestCountedOnce(t *testing.T) {
	w := story(t)
	d, ctx := w.desk(), owner(t.Context(), "market")
	ask := func(m dewline.Month) int32 {
		t.Helper()
		before := w.reads.Load()
		if _, err := d.OwnerMonth(ctx, "market", m); err != nil {
			t.Fatal(err)
		}
		return w.reads.Load() - before
	}
	first, again := ask("2031-06"), ask("2031-06")
	now, soon := ask("2031-07"), ask("2031-07")
	w.now += dewline.Millis(time.Hour.Milliseconds())
	later, june := ask("2031-07"), ask("2031-06")
	w.alerts = append(w.alerts, dewline.Alert{ID: "x", Site: "fish-market", System: "fish-market/cold-room", Systems: []dewline.SystemID{"fish-market/cold-room"},
		Condition: dewline.Starving, Onset: at(t, "2031-06-20T00:00"), Detected: at(t, "2031-06-20T00:00")})
	other := ask("2031-06")
	if got := fmt.Sprint(first > 0, again, now > 0, soon, later > 0, june, other > 0); got != "true 0 true 0 true 0 true" {
		t.Error(got)
	}
}

func TestWhatCannotBeRead(t *testing.T) {
	w := story(t)
	w.err = &dewline.Error{Code: dewline.Unavailable, Op: "read alerts"}
	if _, err := w.desk().OwnerMonth(owner(t.Context(), "city"), "city", "2031-06"); dewline.CodeOf(err) != dewline.Unavailable {
		t.Errorf("%v", err) // rather none than one that says that all is well
	}
	w.err = nil
	bare := &Desk{Fleet: func() *dewline.Fleet { return w.fleet }, Alerts: w, Now: func() dewline.Millis { return w.now }}
	m, err := bare.OwnerMonth(owner(t.Context(), "city"), "city", "2031-06")
	if err != nil || machine(t, m, "quay-library/hall-ac").Use.Missing == "" || m.Total.Cost != nil || len(m.Works) != 0 {
		t.Errorf("%v %+v", err, m.Total)
	}
	if math.IsNaN(m.Total.KWh) {
		t.Error("a total of nothing is a number")
	}
}

func TestForecastsForOwners(t *testing.T) {
	for want, f := range map[string]*dewline.Forecast{
		"": {}, " Left as it is, it may reach the limit that hurts in 2 to 12 days.": {DaysP10: 2.5, DaysP50: 6, DaysP90: 11.2},
		" Left as it is, it hardly reaches the limit that hurts within 19 days.": {DaysP10: 19.4, DaysP50: 80, DaysP90: 999},
	} {
		if got := soon(dewline.Alert{Forecast: f}, dewline.English); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// TestManyMachines: of an owner of many an answer counts some, the next ones the others, and it says how
// many are left.
func TestManyMachines(t *testing.T) {
	w := story(t)
	site := dewline.Site{ID: "park", Name: "Park", Owner: "market"}
	for i := range 100 {
		site.Systems = append(site.Systems, dewline.System{ID: dewline.NewSystemID("park", fmt.Sprint("ac-", i)), Kind: dewline.SplitAC, Points: []dewline.PointFitting{{Point: dewline.CompressorOn}}})
	}
	w.fleet = dewline.NewFleet([]dewline.Owner{{ID: "market", Name: "Market"}}, []dewline.Site{site})
	d := w.desk()
	var waiting []int
	for range 4 {
		m, err := d.OwnerMonth(owner(t.Context(), "market"), "market", "2031-07")
		if err != nil {
			t.Fatal(err)
		}
		waiting = append(waiting, m.Waiting)
		if last := machine(t, m, "park/ac-99"); (last.Use.RunHours == nil) != (m.Waiting > 0) {
			t.Errorf("with %d waiting the last says %+v", m.Waiting, last.Use)
		}
	}
	if fmt.Sprint(waiting) != "[60 20 0 0]" {
		t.Errorf("waiting: %v", waiting)
	}
}

// loud is a tongue by which one sees what went through it.
type loud struct{ dewline.Tongue }

func (l loud) Say(text string, args ...any) string { return "«" + l.Tongue.Say(text, args...) + "»" }
func (l loud) Time(at time.Time, layout string) string {
	return "<" + l.Tongue.Time(at, layout) + ">"
}

// TestMonthInALanguage: every sentence of a month is said in the language of the request, and none in that of
// the one before, whatever is remembered.
func TestMonthInALanguage(t *testing.T) {
	w := story(t)
	d := w.desk()
	for _, ctx := range []context.Context{dewline.WithTongue(owner(t.Context(), "city"), loud{dewline.English}), owner(t.Context(), "city")} {
		for _, month := range []dewline.Month{"2031-06", "2031-07"} {
			m, err := d.OwnerMonth(ctx, "city", month)
			if err != nil {
				t.Fatal(err)
			}
			texts := slices.Clone(m.Notes)
			for _, c := range m.Changes {
				texts = append(texts, c.What)
			}
			for _, a := range m.Advice {
				texts = append(texts, a.What)
			}
			for _, work := range m.Works {
				texts = append(texts, work.What)
			}
			for _, s := range m.Sites {
				for _, x := range s.Machines {
					texts = append(texts, x.Says)
				}
			}
			_, isLoud := dewline.TongueOf(ctx).(loud)
			for _, text := range texts {
				if strings.Contains(text, "«") != isLoud {
					t.Errorf("%s: %s", month, text)
				}
			}
			if len(texts) < 8 {
				t.Errorf("%s: only %d sentences", month, len(texts))
			}
		}
	}
}

// heard knows when systems were heard last, and how they are.
type heard map[dewline.SystemID]dewline.SystemState

func (h heard) State(id dewline.SystemID) (dewline.SystemState, bool) { s, ok := h[id]; return s, ok }

// TestWhatIsNotKnownIsNotWell: a machine that was never heard, or is still being learned, is not said to be well while
// the month goes on.
func TestWhatIsNotKnownIsNotWell(t *testing.T) {
	const id = "isle-office/desk-ac"
	for name, c := range map[string]struct {
		states heard
		want   dewline.Standing
	}{
		"well":     {heard{id: {At: 1, Health: dewline.HealthWell}}, dewline.StandWell},
		"learning": {heard{id: {At: 1, Health: dewline.HealthLearning}}, dewline.Learning},
		"unheard":  {heard{id: {}}, dewline.StandSilent},
		"unknown":  {heard{}, dewline.StandSilent},
	} {
		d := story(t).desk()
		d.States = c.states
		m, err := d.OwnerMonth(owner(t.Context(), "city"), "city", "2031-07")
		if err != nil {
			t.Fatal(err)
		}
		if got := machine(t, m, id); got.Standing != c.want {
			t.Errorf("%s: %s, %s", name, got.Standing, got.Says)
		}
	}
}

// unread has no reading of anything.
type unread struct{}

func (unread) ReadSeries(_ context.Context, q dewline.SeriesQuery) (dewline.Series, error) {
	return dewline.Series{System: q.System, Step: q.Step}, nil
}

// TestMonthWithoutReadingsIsNotWell: of a month that is over, too, what nothing is known of is not said to be well.
func TestMonthWithoutReadingsIsNotWell(t *testing.T) {
	d := story(t).desk()
	for _, want := range []dewline.Standing{dewline.StandWell, dewline.StandSilent} {
		m, err := d.OwnerMonth(owner(t.Context(), "city"), "city", "2031-05")
		if err != nil {
			t.Fatal(err)
		}
		if got := machine(t, m, "isle-office/desk-ac"); !m.Over || got.Standing != want {
			t.Errorf("over %v, %s: %s, want %s", m.Over, got.Standing, got.Says, want)
		}
		d = story(t).desk()
		d.Series = unread{}
	}
}
