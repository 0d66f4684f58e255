package owners

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"dewline"
)

// Tariff is what a kilowatt-hour costs; the zero value is that nobody has said.
type Tariff struct {
	PerKWh   float64 `yaml:"per_kwh"`
	Currency string  `yaml:"currency"` // as it is written behind an amount
}

// Alerts is the part of dewline.Alerts that is read.
type Alerts interface {
	AlertsIn(ctx context.Context, filter dewline.AlertFilter) (dewline.AlertPage, error)
	AlertHistory(ctx context.Context, id string) ([]dewline.AlertChange, error)
}

// Desk implements dewline.OwnerMonths. Fleet, Alerts and Now must be set; a month says what it lacks
// where the others are nil.
type Desk struct {
	Fleet  func() *dewline.Fleet
	Alerts Alerts
	Calls  dewline.ServiceDesk
	Ledger dewline.Ledger
	Series dewline.SeriesReader
	States dewline.StateReader
	Tariff Tariff
	Now    func() dewline.Millis

	mu   sync.Mutex
	kept map[useKey]counted
}

// Bounds: beyond them a month says so instead of taking minutes to put together.
const (
	mostCounted = 500    // machines of one owner whose use is counted, and whose refrigerant records are told
	mostAtOnce  = 40     // of them for one answer
	mostKept    = 20_000 // machines and months whose use is remembered
	mostAlerts  = 5_000
)

// countAgain is how often the use of a month that is under way is counted anew.
const countAgain = time.Hour

type useKey struct {
	system dewline.SystemID
	month  dewline.Month
}

type counted struct {
	to     dewline.Millis // until when it was counted
	alerts string         // which troubles it knew
	use    dewline.OwnerUse
	energy dewline.OwnerEnergy
	excess dewline.OwnerExcess
}

func notFound(owner string) error {
	return &dewline.Error{Code: dewline.NotFound, Op: fmt.Sprintf("month of owner %q", owner), Err: errors.New("there is no such owner")}
}

// OwnerMonth implements dewline.OwnerMonths.
func (d *Desk) OwnerMonth(ctx context.Context, id string, month dewline.Month) (dewline.OwnerMonth, error) {
	fleet, visitor := d.Fleet(), dewline.VisitorOf(ctx)
	owner, ok := fleet.Owner(id)
	if !ok || !visitor.Sees(id) {
		return dewline.OwnerMonth{}, notFound(id)
	}
	if !month.Valid() {
		return dewline.OwnerMonth{}, &dewline.Error{Code: dewline.Invalid, Op: "month of owner " + id, Err: fmt.Errorf("%q is no month: write it as 2031-06", month)}
	}
	now := d.Now()
	b := &builder{desk: d, ctx: ctx, say: dewline.TongueOf(ctx), fleet: fleet, now: now, month: dewline.OwnerMonth{
		Owner: id, Name: owner.Name, Month: month, Made: dewline.Stamp(now), Over: true, Caution: dewline.Caution,
		Sites: []dewline.OwnerSite{}, Changes: []dewline.OwnerChange{}, Works: []dewline.OwnerWork{}, Advice: []dewline.OwnerAdvice{}, Records: []dewline.OwnerRecord{},
	}}
	for i := range fleet.Sites {
		if site := &fleet.Sites[i]; site.Owner == id {
			b.sites = append(b.sites, site)
			from, to := month.Span(site.Timezone)
			if from > now {
				return dewline.OwnerMonth{}, &dewline.Error{Code: dewline.Invalid, Op: "month of owner " + id, Err: fmt.Errorf("%s has not begun yet", month)}
			}
			b.from, b.to = min(cmp.Or(b.from, from), from), max(b.to, min(to, now))
			b.month.Over = b.month.Over && to <= now
		}
	}
	b.month.AsOf = dewline.Stamp(b.to)
	b.private = visitor.SeesAll()
	if err := b.build(); err != nil {
		return dewline.OwnerMonth{}, err
	}
	return b.month, nil
}

// builder puts one month together.
type builder struct {
	desk     *Desk
	ctx      context.Context
	say      dewline.Tongue
	fleet    *dewline.Fleet
	sites    []*dewline.Site
	now      dewline.Millis
	from, to dewline.Millis // over all sites
	private  bool           // what homes do is not for this visitor
	machines int
	fresh    int // machines counted for this answer
	month    dewline.OwnerMonth

	alerts  map[dewline.SystemID][]past
	works   map[dewline.SystemID][]dewline.OwnerWork
	repairs map[string]repair // by alert
	visits  map[string]string // planned, by alert
}

func (b *builder) build() error {
	if err := b.readAlerts(); err != nil {
		return err
	}
	if err := b.readWorks(); err != nil {
		return err
	}
	if err := b.readPlans(); err != nil {
		return err
	}
	for _, site := range b.sites {
		if err := b.site(site); err != nil {
			return err
		}
	}
	byTime := func(x, y dewline.OwnerChange) int {
		return cmp.Or(cmp.Compare(x.At, y.At), cmp.Compare(x.System, y.System), cmp.Compare(x.What, y.What))
	}
	slices.SortStableFunc(b.month.Changes, byTime)
	b.month.Changes = slices.CompactFunc(b.month.Changes, func(x, y dewline.OwnerChange) bool { return x == y })
	slices.SortStableFunc(b.month.Works, func(x, y dewline.OwnerWork) int { return byTime(x.OwnerChange, y.OwnerChange) })
	b.total()
	b.notes()
	return nil
}

// readAlerts reads what concerns the owner's machines in the month, and what lasts now.
func (b *builder) readAlerts() error {
	b.alerts = map[dewline.SystemID][]past{}
	filter := dewline.AlertFilter{From: b.from}
	for _, site := range b.sites {
		filter.Sites = append(filter.Sites, site.ID)
	}
	if len(filter.Sites) == 0 {
		return nil
	}
	for n := 0; n < mostAlerts; {
		page, err := b.desk.Alerts.AlertsIn(b.ctx, filter)
		if err != nil {
			return err
		}
		for _, a := range page.Alerts {
			n++
			if !b.owned(a.Site) {
				continue
			}
			history, err := b.desk.Alerts.AlertHistory(b.ctx, a.ID)
			if err != nil {
				return err
			}
			for _, id := range a.Systems {
				b.alerts[id] = append(b.alerts[id], past{a, history})
			}
		}
		if filter.After = page.Next; page.Next == "" {
			break
		}
	}
	return nil
}

func (b *builder) owned(site string) bool {
	return slices.ContainsFunc(b.sites, func(s *dewline.Site) bool { return s.ID == site })
}

// otherVisits is how long before a month a visit may have been that says what an alert of it was about.
const otherVisits = 90 * 24 * time.Hour

// readWorks reads the closed visits: those of the month with what readings say of them, and of all what
// they found.
func (b *builder) readWorks() error {
	b.works, b.repairs = map[dewline.SystemID][]dewline.OwnerWork{}, map[string]repair{}
	if b.desk.Calls == nil {
		return nil
	}
	visits, err := b.desk.Calls.Visits(b.ctx, "", b.from.Add(-otherVisits), b.now+1)
	if err != nil {
		return err
	}
	cases := map[string]dewline.CallCase{}
	for _, v := range visits {
		site, ok := b.fleet.Site(v.System.Site())
		if !ok || !b.owned(site.ID) {
			continue
		}
		c, known := cases[v.Call]
		if !known && v.Call != "" {
			if c, err = b.desk.Calls.CallCase(b.ctx, v.Call); err != nil && dewline.CodeOf(err) != dewline.NotFound {
				return err
			}
			cases[v.Call] = c
		}
		for _, brief := range c.Call.Briefs {
			if brief.System == v.System {
				b.repairs[brief.Alert] = repairOf(v, c.Call)
			}
		}
		if from, to := b.span(site); dewline.Millis(v.Finished) >= from && dewline.Millis(v.Finished) < to {
			b.works[v.System] = append(b.works[v.System], b.work(site, v, c.Call))
		}
	}
	return nil
}

// repair is what a visit found, and when it mended it.
type repair struct {
	found dewline.Fault  // "" where the visit does not say
	at    dewline.Millis // 0 where readings do not bear it out
}

func repairOf(v dewline.Visit, call dewline.ServiceCall) (r repair) {
	switch {
	case v.Found != nil:
		r.found = v.Found.Fault
	case v.NoTroubleFound:
		r.found = dewline.NoFault
	}
	if call.State == dewline.CallDone || call.State == dewline.CallProved {
		r.at = dewline.Millis(v.Finished)
	}
	return r
}

func (b *builder) work(site *dewline.Site, v dewline.Visit, call dewline.ServiceCall) dewline.OwnerWork {
	w := dewline.OwnerWork{OwnerChange: b.change(site, v.System, dewline.Millis(v.Finished), workSays(v, b.say)), Call: v.Call}
	w.Charged, w.Recovered = v.Net()
	if call.Verdict == nil {
		if v.Call != "" && !call.State.Ended() {
			w.Verdict = dewline.CannotTell
		}
		return w
	}
	w.Verdict, w.Why = call.Verdict.Verdict, call.Verdict.Why
	before, after := proofOf(call.Verdict.Before, v.System), proofOf(call.Verdict.After, v.System)
	for _, m := range after {
		x := dewline.OwnerMeasure{Quantity: m.Quantity, Unit: m.Unit, After: &m.Mean, Low: m.Low, High: m.High}
		if i := slices.IndexFunc(before, func(o dewline.Measure) bool { return o.Quantity == m.Quantity }); i >= 0 {
			x.Before = &before[i].Mean
		}
		if m.Known() { // without a band the numbers tell an owner nothing
			w.Measures = append(w.Measures, x)
		}
	}
	return w
}

func proofOf(list []dewline.Proof, id dewline.SystemID) []dewline.Measure {
	for _, p := range list {
		if p.System == id {
			return p.Measures
		}
	}
	return nil
}

// workSays is what was found and done, without the names of people.
func workSays(v dewline.Visit, t dewline.Tongue) string {
	var parts []string
	switch {
	case v.NoTroubleFound:
		parts = append(parts, t.Say("no trouble found"))
	case v.Found != nil:
		parts = append(parts, t.Say("found: {1}", t.Say(v.Found.Fault.ForOwner())))
	}
	for _, p := range v.Parts {
		parts = append(parts, t.Say("{1} changed or adjusted", p.Part))
	}
	for _, s := range v.Sensors {
		parts = append(parts, t.Say("sensor changed: {1}", t.Say(strings.ReplaceAll(s.Point, "_", " "))))
	}
	if len(parts) == 0 {
		parts = append(parts, t.Say("visited"))
	}
	return capital(strings.Join(parts, "; ")) + "."
}

// readPlans reads the planned visits of calls that are under way.
func (b *builder) readPlans() error {
	b.visits = map[string]string{}
	if b.desk.Calls == nil || len(b.sites) == 0 {
		return nil
	}
	f := dewline.CallFilter{Limit: dewline.MaxAlertsPage, States: slices.DeleteFunc(dewline.CallStates(), dewline.CallState.Ended)}
	for _, s := range b.sites {
		f.Sites = append(f.Sites, s.ID)
	}
	calls, err := b.desk.Calls.CallsIn(b.ctx, f)
	if err != nil {
		return err
	}
	for _, c := range calls {
		site, ok := b.fleet.Site(c.Site)
		if !ok || c.From == 0 || dewline.Millis(c.To) < b.now {
			continue
		}
		zone := zoneOf(site)
		when := b.say.Say("{1} to {2}", b.say.Time(c.From.Time().In(zone), "Monday 2 January, 15:04"), c.To.Time().In(zone).Format("15:04"))
		for _, a := range c.Alerts {
			b.visits[a] = when
		}
	}
	return nil
}

func zoneOf(site *dewline.Site) *time.Location {
	if site.Timezone == nil {
		return time.UTC
	}
	return site.Timezone
}

// span is the part of the month that is over at a site.
func (b *builder) span(site *dewline.Site) (from, to dewline.Millis) {
	from, to = b.month.Month.Span(zoneOf(site))
	return from, min(to, b.now)
}

func (b *builder) change(site *dewline.Site, id dewline.SystemID, at dewline.Millis, what string) dewline.OwnerChange {
	name := string(id)
	if s, ok := b.fleet.System(id); ok {
		name = s.Name
	}
	return dewline.OwnerChange{Day: dewline.DayOf(at, zoneOf(site)), At: dewline.Stamp(at), Site: site.ID, Where: site.Name, System: id, Name: name, What: what}
}

func (b *builder) site(site *dewline.Site) error {
	from, to := b.span(site)
	s := dewline.OwnerSite{Site: site.ID, Name: site.Name, Timezone: zoneOf(site).String(), From: dewline.Stamp(from), To: dewline.Stamp(to), Machines: []dewline.OwnerMachine{}}
	records := map[string]bool{}
	for i := range site.Systems {
		sys := &site.Systems[i]
		m, err := b.machine(site, sys, from, to)
		if err != nil {
			return err
		}
		s.Machines = append(s.Machines, m)
		for _, c := range changes(b.alerts[sys.ID], from, to, b.say) {
			b.month.Changes = append(b.month.Changes, b.change(site, sys.ID, dewline.Millis(c.At), c.What))
		}
		b.month.Works = append(b.month.Works, b.works[sys.ID]...)
		b.advise(site, sys)
		if err := b.record(site, sys, records, from, to); err != nil {
			return err
		}
	}
	b.month.Sites = append(b.month.Sites, s)
	return nil
}

func (b *builder) machine(site *dewline.Site, sys *dewline.System, from, to dewline.Millis) (dewline.OwnerMachine, error) {
	m := dewline.OwnerMachine{System: sys.ID, Name: sys.Name, Kind: sys.Kind, Refrigerant: sys.Refrigerant}
	counted, err := b.use(&m, site, sys, from, to)
	if err != nil {
		return m, err
	}
	quiet := dewline.StandWell
	switch { // of a month that is over its readings tell; how the machine is now tells of today
	case to < b.now:
		if counted && m.Use.HeardHours == 0 {
			quiet = dewline.StandSilent
		}
	case b.desk.States != nil:
		switch state, known := b.desk.States.State(sys.ID); {
		case !known || state.At == 0:
			quiet = dewline.StandSilent
		case state.Health == dewline.HealthLearning:
			quiet = dewline.Learning
		}
	}
	m.Standing, m.Says = stand(b.alerts[sys.ID], b.works[sys.ID], quiet, from, to, zoneOf(site), b.say)
	return m, nil
}

// use counts how much a machine ran, what that took and what faults cost. False: the month says why it
// was not counted.
func (b *builder) use(m *dewline.OwnerMachine, site *dewline.Site, sys *dewline.System, from, to dewline.Millis) (bool, error) {
	b.machines++
	without := func(why string) (bool, error) {
		m.Use.Missing, m.Energy.Missing, m.Excess.Missing = why, why, why
		return false, nil
	}
	switch {
	case b.private && slices.Contains(sys.Tags, dewline.HomeTag):
		return without(b.say.Say("it serves a home, and when it runs is the owner's to know"))
	case b.machines > mostCounted:
		return without(b.say.Say("it is counted for the first {1} machines of an owner", mostCounted))
	case b.desk.Series == nil:
		return without(b.say.Say("no readings are kept here"))
	}
	list := troubles(b.alerts[sys.ID], sys, b.repairs, from, to)
	c, known := b.desk.remembered(sys, zoneOf(site), b.month.Month, list, to)
	if !known && b.fresh >= mostAtOnce {
		b.month.Waiting++
		return without(b.say.Say("it is still to be counted: ask again"))
	}
	if !known {
		b.fresh++
		var err error
		if c, err = b.desk.count(b.ctx, sys, zoneOf(site), b.month.Month, list, from, to); err != nil {
			return false, err
		}
	}
	m.Use, m.Energy, m.Excess = c.use, c.energy, c.excess
	return true, nil
}

// told is a list of troubles in a few letters, so that what was counted with others is known not to fit.
func told(list []trouble, to dewline.Millis) (text string) {
	for _, t := range list {
		end := t.to
		if end == to {
			end = 0 // it lasts: the next minute makes it no other
		}
		text += fmt.Sprintf("%d %d %v;", t.from, end, t.faults)
	}
	return text
}

// remembered returns what was counted of a machine, where that still holds.
func (d *Desk) remembered(sys *dewline.System, zone *time.Location, month dewline.Month, list []trouble, to dewline.Millis) (counted, bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	c, known := d.kept[useKey{sys.ID, month}]
	_, end := month.Span(zone)
	return c, known && c.alerts == told(list, to) && (c.to == to || to < end && to.Sub(c.to) < countAgain)
}

// count counts a machine's use, and remembers it.
func (d *Desk) count(ctx context.Context, sys *dewline.System, zone *time.Location, month dewline.Month, list []trouble, from, to dewline.Millis) (c counted, err error) {
	n := newCounter(sys, zone, list)
	const atOnce = dewline.MaxSeriesRows - 1
	for begin := from; begin < to; begin = begin.Add(atOnce * step) {
		stop := min(to, begin.Add(atOnce*step))
		s, err := d.Series.ReadSeries(ctx, dewline.SeriesQuery{System: sys.ID, Quantities: quantities(sys), From: begin, To: stop, Step: step})
		if err != nil {
			return c, err
		}
		n.add(s, begin, stop)
	}
	c = counted{to: to, alerts: told(list, to), use: n.use(from, to), energy: n.taken(), excess: n.excess()}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.kept == nil || len(d.kept) >= mostKept {
		d.kept = map[useKey]counted{}
	}
	d.kept[useKey{sys.ID, month}] = c
	return c, nil
}

// advise says what is to be agreed about a machine now.
func (b *builder) advise(site *dewline.Site, sys *dewline.System) {
	said := map[string]bool{}
	for _, p := range b.alerts[sys.ID] {
		if p.State.Ended() || p.Cleared != 0 {
			continue
		}
		name := sys.Name
		if p.System == "" {
			name = b.say.Say("the whole site")
		}
		what := advise(p.Alert, b.visits[p.ID], b.say)
		if said[what] {
			continue
		}
		said[what] = true
		a := dewline.OwnerAdvice{Site: site.ID, Where: site.Name, System: p.System, Name: name, What: what}
		if !slices.Contains(b.month.Advice, a) { // of a whole site it is said once
			b.month.Advice = append(b.month.Advice, a)
		}
	}
}

// record reads what moved of refrigerant, once for each appliance.
func (b *builder) record(site *dewline.Site, sys *dewline.System, seen map[string]bool, from, to dewline.Millis) error {
	if b.desk.Ledger == nil || b.machines > mostCounted {
		return nil
	}
	a, err := b.desk.Ledger.Account(b.ctx, sys.ID)
	if err != nil || seen[a.Appliance] {
		return err
	}
	seen[a.Appliance] = true
	r := dewline.OwnerRecord{Appliance: a.Appliance, Name: sys.Name, Where: site.Name, Refrigerant: a.Refrigerant, FullCharge: a.FullCharge, Method: a.Method, Notice: a.Notice}
	for _, x := range a.Additions {
		if at := dewline.Millis(x.At); at >= from && at < to {
			r.Charged, r.Recovered = r.Charged+x.Charged, r.Recovered+x.Recovered
		}
	}
	for i := range a.Rates {
		if dewline.Millis(a.Rates[i].At) < to {
			r.Rate = &a.Rates[i]
		}
	}
	for _, due := range a.Dues {
		if due.State != dewline.DueDone {
			r.Dues = append(r.Dues, due)
		}
	}
	b.month.Records = append(b.month.Records, r)
	for _, due := range r.Dues {
		what := b.say.Say("Agree the {1} that a rule asks for by {2}.", b.say.Say(strings.ReplaceAll(string(due.Kind), "_", " ")), due.By)
		if due.State == dewline.DueOverdue {
			what = b.say.Say("Agree the {1} that a rule asked for by {2}: it is overdue.", b.say.Say(strings.ReplaceAll(string(due.Kind), "_", " ")), due.By)
		}
		b.month.Advice = append(b.month.Advice, dewline.OwnerAdvice{Site: site.ID, Where: site.Name, System: sys.ID, Name: sys.Name, What: what})
	}
	return nil
}

// total sums up what is known.
func (b *builder) total() {
	t := &b.month.Total
	for _, s := range b.month.Sites {
		for _, m := range s.Machines {
			t.Machines++
			if m.Energy.KWh != nil {
				t.KWh, t.Measured = t.KWh+*m.Energy.KWh, t.Measured+1
			}
			if m.Excess.Hours > 0 {
				t.Faulty++
				if m.Excess.LowKWh == nil {
					t.Unknown++
				} else {
					t.LowKWh, t.HighKWh = t.LowKWh+*m.Excess.LowKWh, t.HighKWh+*m.Excess.HighKWh
				}
			}
		}
	}
	if tariff := b.desk.Tariff; tariff.PerKWh > 0 {
		t.PerKWh, t.Currency = tariff.PerKWh, tariff.Currency
		in := func(kWh float64) *float64 { v := kWh * tariff.PerKWh; return &v }
		if t.Measured > 0 {
			t.Cost = in(t.KWh)
		}
		if t.Faulty > t.Unknown {
			t.ExcessLow, t.ExcessTop = in(t.LowKWh), in(t.HighKWh)
		}
	}
}

// notes writes out what the figures rest on, as far as there are any.
func (b *builder) notes() {
	t, n := b.month.Total, &b.month.Notes
	if b.month.Waiting > 0 {
		*n = append(*n, b.say.Say("{1} machines are still to be counted: ask again, and more of them are.", b.month.Waiting))
	}
	if b.machines > mostCounted {
		*n = append(*n, b.say.Say("Run hours, energy and refrigerant records are those of the first {1} machines.", mostCounted))
	}
	*n = append(*n, b.say.Say("Run hours and starts are counted from readings, minute by minute; hours in which nothing was heard are not counted, and nothing is filled in for them."))
	if t.Measured > 0 {
		*n = append(*n, b.say.Say("Energy is that of compressors alone, without fans, heaters and controls, over the hours that were heard."))
	}
	if t.Faulty > t.Unknown {
		*n = append(*n, b.say.Say("What a fault costs is the part of that energy beyond what the same cooling would have taken without it, between published figures from a slight to a grave fault of that kind; it assumes that the machine cooled as much as it would have. Repair, comfort and wear are not in it."))
	}
	switch {
	case t.PerKWh > 0:
		*n = append(*n, b.say.Say("Money is reckoned at {1} {2} per kWh, as the settings of this service state it.", t.PerKWh, t.Currency))
	case t.Measured > 0:
		*n = append(*n, b.say.Say("What it comes to in money is not known here, for no price of electricity is set."))
	}
}
