package pagebook

import (
	"cmp"
	"context"
	"fmt"
	"hash/fnv"
	"math"
	"slices"
	"strconv"
	"sync"
	"time"

	"dewline"
	"dewline/thermo"
	"dewline/thermo/si"
)

// Book answers for a town at one moment. It fills the interfaces that pages and API read from.
type Book struct {
	Now     time.Time
	Fleet   *dewline.Fleet // nil: nothing is enrolled
	Err     error          // when set, alerts and series cannot be read
	stories map[dewline.SystemID]story
	states  sync.Map   // of systems, made when they are asked for: the moment of a book does not pass
	mu      sync.Mutex // of alerts
	alerts  []dewline.Alert
	curves  map[string]*thermo.Curve
}

// Town returns the harbour town: a machine in each health.
func Town(now time.Time) *Book {
	owners, sites, stories := town()
	return newBook(now, owners, sites, stories)
}

// Crowd returns a fleet of n machines, one in forty flooding and one in forty losing charge.
func Crowd(now time.Time, n int) *Book {
	owners, sites, stories := crowd(n)
	return newBook(now, owners, sites, stories)
}

// Empty returns a book in which nothing is enrolled.
func Empty(now time.Time) *Book { return &Book{Now: now} }

func newBook(now time.Time, owners []dewline.Owner, sites []dewline.Site, stories map[dewline.SystemID]story) *Book {
	b := &Book{Now: now, Fleet: dewline.NewFleet(owners, sites), stories: stories, curves: map[string]*thermo.Curve{}}
	for _, s := range b.Fleet.Systems() {
		if _, known := b.curves[s.Refrigerant]; !known {
			if r, err := thermo.Lookup(s.Refrigerant); err == nil {
				b.curves[s.Refrigerant] = r.Curve()
			}
		}
		b.addAlerts(s)
	}
	slices.SortFunc(b.alerts, func(x, y dewline.Alert) int {
		return cmp.Or(cmp.Compare(x.Detected, y.Detected), cmp.Compare(x.System, y.System), cmp.Compare(x.ID, y.ID))
	})
	return b
}

func (b *Book) before(d time.Duration) dewline.Millis { return dewline.MillisOf(b.Now.Add(-d)) }

const day = 24 * time.Hour

func (b *Book) addAlerts(s *dewline.System) {
	alert := func(ago time.Duration, c dewline.Condition, sev dewline.Severity, state dewline.AlertState, causes ...dewline.Cause) *dewline.Alert {
		onset := b.before(ago)
		b.alerts = append(b.alerts, dewline.Alert{
			ID: dewline.AlertID(s.ID, causes[0].Fault, onset), Site: s.ID.Site(), System: s.ID, Systems: []dewline.SystemID{s.ID},
			Condition: c, Conditions: []dewline.Condition{c}, Severity: sev, State: state, Onset: onset, Detected: onset.Add(52 * time.Minute), Causes: causes,
		})
		return &b.alerts[len(b.alerts)-1]
	}
	forecast := func(limit, quantity string, value, p10, p50, p90 float64) *dewline.Forecast {
		return &dewline.Forecast{Limit: limit, Quantity: quantity, Value: value, Unit: "K", At: b.before(0), DaysP10: p10, DaysP50: p50, DaysP90: p90}
	}
	switch b.stories[s.ID] {
	case flooding:
		a := alert(26*time.Hour, dewline.Flooding, dewline.Urgent, dewline.AlertOpen,
			dewline.Cause{Fault: dewline.Overfeed, Detail: "orifice_too_large", Probability: 0.72},
			dewline.Cause{Fault: dewline.Overcharge, Probability: 0.21}, dewline.Cause{Fault: dewline.NoFault, Probability: 0.07})
		a.Conditions = append(a.Conditions, dewline.HighHead)
		a.Forecast = forecast("superheat below 2.8 K", "superheat", 2.8, 0, 0, 0)
	case starving:
		alert(4*day, dewline.Starving, dewline.Soon, dewline.AlertAcknowledged,
			dewline.Cause{Fault: dewline.Restriction, Detail: "drier", Probability: 0.58},
			dewline.Cause{Fault: dewline.Undercharge, Probability: 0.31}, dewline.Cause{Fault: dewline.NoFault, Probability: 0.11})
	case losingCharge:
		a := alert(3*day, dewline.ChargeDrift, dewline.Watch, dewline.AlertOpen,
			dewline.Cause{Fault: dewline.Undercharge, Probability: 0.81}, dewline.Cause{Fault: dewline.NoFault, Probability: 0.19})
		a.Forecast = forecast("subcooling below 1.0 K", "subcooling", 1, 6, 11.4, 20)
	case doubtful:
		alert(7*time.Hour, dewline.SensorDoubt, dewline.Watch, dewline.AlertOpen,
			dewline.Cause{Fault: dewline.SensorFault, Detail: "liquid_pressure", Probability: 0.93}, dewline.Cause{Fault: dewline.NoFault, Probability: 0.07})
	case silent:
		alert(150*time.Minute, dewline.Silent, dewline.Soon, dewline.AlertOpen,
			dewline.Cause{Fault: dewline.Communication, Probability: 1})
	case underRepair:
		alert(2*day, dewline.Starving, dewline.Urgent, dewline.AlertDispatched,
			dewline.Cause{Fault: dewline.Undercharge, Probability: 0.88}, dewline.Cause{Fault: dewline.NoFault, Probability: 0.12})
	case beingProved:
		alert(5*day, dewline.Hunting, dewline.Soon, dewline.AlertVerifying,
			dewline.Cause{Fault: dewline.Overfeed, Detail: "bulb_loose", Probability: 0.9}, dewline.Cause{Fault: dewline.NoFault, Probability: 0.1})
	case proved:
		a := alert(12*day, dewline.ChargeDrift, dewline.Soon, dewline.AlertResolved,
			dewline.Cause{Fault: dewline.Undercharge, Probability: 0.91}, dewline.Cause{Fault: dewline.NoFault, Probability: 0.09})
		a.Cleared = b.before(2 * day)
	case well:
		if s.ID.System() == "archive-ac" {
			a := alert(60*day, dewline.Flooding, dewline.Urgent, dewline.AlertResolved,
				dewline.Cause{Fault: dewline.EvaporatorAirflow, Probability: 0.8}, dewline.Cause{Fault: dewline.NoFault, Probability: 0.2})
			a.Cleared = a.Onset.Add(3 * day)
		}
	}
}

// frame is a machine at one time.
type frame struct {
	running                    bool
	suction, high              float64 // Pa, absolute; NaN unknown
	superheat, subcooling      float64 // K; NaN unknown
	outdoor, liquid            float64 // Cel
	dew, bubble, condensingTop float64 // Cel
}

// noise is a small repeatable disturbance of a time and a name.
func noise(id dewline.SystemID, at dewline.Millis, salt string) float64 {
	h := fnv.New32a()
	h.Write(append(strconv.AppendInt([]byte(id), int64(at)/60_000, 10), salt...))
	return float64(h.Sum32()%2001)/1000 - 1
}

// A machine of the book runs 26 minutes and stands still for 14.
const runMinutes, cycleMinutes = 26, 40

// minute returns how many minutes of its cycle have gone by.
func (b *Book) minute(s *dewline.System, at dewline.Millis) int {
	return (at.Time().Minute() + int(noise(s.ID, 0, "phase")*30) + 60) % cycleMinutes
}

// at returns what a machine did at a time, false where nothing arrived.
func (b *Book) at(s *dewline.System, at dewline.Millis) (frame, bool) {
	story := b.stories[s.ID]
	ago := b.Now.Sub(at.Time())
	switch {
	case ago < 0, story == unheard,
		story == silent && ago < 150*time.Minute,
		story == learning && ago > 9*time.Hour,
		ago > 6*day && ago < 6*day+7*time.Hour: // the town had no power
		return frame{}, false
	}
	hour := float64(at.Time().Hour()) + float64(at.Time().Minute())/60
	f := frame{outdoor: 22 + 6*math.Sin((hour-9)/24*2*math.Pi) + 0.3*noise(s.ID, at, "out")}
	minute := b.minute(s, at)
	f.running = minute < runMinutes || story == flooding || story == starving
	if story == standing {
		f.running = ago > 5*time.Hour && minute < runMinutes
	}
	if s.ID.System() == "archive-ac" || story == losingCharge {
		f.running = f.running && (hour > 7 && hour < 21)
	}
	f.superheat = 6.5 + 0.4*noise(s.ID, at, "sh")
	f.subcooling = 5.2 + 0.3*noise(s.ID, at, "sc")
	days := ago.Hours() / 24
	switch story {
	case flooding:
		f.superheat = max(0.4, 6.5-0.55*max(0, 11-days)) + 0.35*noise(s.ID, at, "sh")
		f.subcooling = 6.4 + 0.3*noise(s.ID, at, "sc")
	case starving:
		f.superheat = 8 + 9*max(0, 1-days/7) + 0.8*noise(s.ID, at, "sh")
	case losingCharge:
		f.subcooling = 5.6 - 0.25*max(0, 14-days) + 0.25*noise(s.ID, at, "sc")
	case proved:
		if days > 5 {
			f.subcooling -= 3.2
		}
	case belowZero:
		f.superheat = 4 + 5.5*math.Sin(days*5) + 0.4*noise(s.ID, at, "sh")
		f.subcooling = 2 + 3*math.Sin(days*7)
	case doubtful:
		if ago < 7*time.Hour {
			f.subcooling = math.NaN()
		}
	case underRepair:
		f.superheat += 4
	}
	low, high := 0.93e6, 2.45e6
	switch s.Refrigerant {
	case "R-744":
		low, high = 1.4e6, 8.4e6
	case "R-290":
		low, high = 0.32e6, 1.25e6
	case "R-404A":
		low, high = 0.42e6, 1.85e6
	}
	f.suction = low * (1 + 0.02*noise(s.ID, at, "p"))
	f.high = high * (1 + (f.outdoor-24)*0.02)
	if !f.running {
		f.suction, f.high = 1.4*low, 1.5*low
		f.superheat, f.subcooling = math.NaN(), math.NaN()
	}
	b.saturate(s, &f)
	if story == transcritical {
		f.subcooling = math.NaN()
	}
	f.liquid = f.bubble - f.subcooling
	if story == transcritical && f.running {
		f.liquid = f.outdoor + 5
	}
	return f, true
}

func (b *Book) saturate(s *dewline.System, f *frame) {
	f.dew, f.bubble, f.condensingTop = math.NaN(), math.NaN(), math.NaN()
	curve := b.curves[s.Refrigerant]
	if curve == nil {
		return
	}
	if t, _, ok := curve.Dew(si.Pascal(f.suction)); ok {
		f.dew = t.Celsius()
	}
	bubble, _, ok1 := curve.Bubble(si.Pascal(f.high))
	dew, _, ok2 := curve.Dew(si.Pascal(f.high))
	if ok1 && ok2 {
		f.bubble, f.condensingTop = bubble.Celsius(), dew.Celsius()
	}
}

// value returns one quantity of a frame, NaN where it does not exist.
func (f frame) value(quantity string) float64 {
	switch quantity {
	case "superheat":
		return f.superheat
	case "subcooling":
		return f.subcooling
	case "suction_dew_temp":
		return f.dew
	case "liquid_bubble_temp":
		return f.bubble
	case "condensing_temp":
		return (f.bubble + f.condensingTop) / 2
	case "condensing_over_ambient":
		return (f.bubble+f.condensingTop)/2 - f.outdoor
	case "pressure_ratio":
		return f.high / f.suction
	case "suction_pressure_abs":
		return f.suction
	case "liquid_pressure_abs", "discharge_pressure_abs":
		return f.high
	case "suction_pressure":
		return f.suction - 101_180
	case "liquid_pressure":
		return f.high - 101_180
	case "suction_temp":
		return f.dew + f.superheat
	case "liquid_temp":
		return f.liquid
	case "discharge_temp":
		return f.condensingTop + 24
	case "outdoor_air_temp":
		return f.outdoor
	case "compressor_on":
		if f.running {
			return 1
		}
		return 0
	}
	return math.NaN()
}

// newest returns the time of the newest reading, 0 without any.
func (b *Book) newest(s *dewline.System) dewline.Millis {
	switch b.stories[s.ID] {
	case unheard:
		return 0
	case silent:
		return b.before(150 * time.Minute)
	}
	return b.before(40 * time.Second)
}

var uncertainties = map[dewline.Derived]float64{
	dewline.Superheat: 0.55, dewline.Subcooling: 0.62, dewline.SuctionDewTemp: 0.48, dewline.LiquidBubbleTemp: 0.54, dewline.CondensingTemp: 0.54,
	dewline.CondensingOverAir: 0.61, dewline.SuctionPressureAbs: 4600, dewline.LiquidPressureAbs: 31_750, dewline.PressureRatio: 0.04,
}

// State returns the latest state of a system.
func (b *Book) State(id dewline.SystemID) (dewline.SystemState, bool) {
	if b.Fleet == nil {
		return dewline.SystemState{}, false
	}
	if kept, ok := b.states.Load(id); ok {
		return kept.(dewline.SystemState), true
	}
	state, ok := b.state(id)
	if ok {
		b.states.Store(id, state)
	}
	return state, ok
}

func (b *Book) state(id dewline.SystemID) (dewline.SystemState, bool) {
	s, ok := b.Fleet.System(id)
	if !ok || b.stories[id] == unheard {
		return dewline.SystemState{System: id}, false
	}
	at := b.newest(s)
	f, ok := b.at(s, at)
	if !ok {
		return dewline.SystemState{System: id}, false
	}
	state := dewline.SystemState{
		System: id, At: at, Received: at, Running: f.running, Steady: f.running, Values: map[dewline.Derived]dewline.Estimate{},
		Rolling10Min: map[dewline.Derived]dewline.Summary{}, Rolling24H: map[dewline.Derived]dewline.Summary{},
	}
	if f.running {
		state.SteadyMinutes = 52
		if since := b.minute(s, at); since < runMinutes && b.stories[id] != flooding && b.stories[id] != starving {
			state.SteadyMinutes = float64(since)
		}
	}
	for _, d := range dewline.DerivedValues() {
		e := dewline.Estimate{Value: f.value(string(d)), Uncertainty: uncertainties[d]}
		if math.IsNaN(e.Value) {
			e = dewline.Estimate{Missing: b.missing(s, d, f)}
		}
		if d == dewline.DischargeSuperheat && f.running && s.Fitted(dewline.DischargeTemp) {
			e = dewline.Estimate{Value: 24, Uncertainty: 0.9}
		}
		state.Values[d] = e
	}
	b.expect(s, &state)
	if b.stories[id] == learning {
		state.Health, state.Windows = dewline.HealthLearning, 13
		state.Rolling24H[dewline.Superheat] = dewline.Summary{Mean: 6, Min: 5.2, Max: 6.9, Count: 400}
		return state, true
	}
	state.Windows = 160
	for _, d := range []dewline.Derived{dewline.Superheat, dewline.Subcooling} {
		steady, _ := b.at(s, b.before(8*time.Hour))
		if v := steady.value(string(d)); !math.IsNaN(v) {
			state.Rolling24H[d] = dewline.Summary{Mean: v, Min: v - 0.8, Max: v + 0.9, Count: 1040}
		} else if d == dewline.Superheat || b.stories[id] != transcritical && b.stories[id] != doubtful {
			state.Rolling24H[d] = dewline.Summary{Mean: 6, Min: 5.2, Max: 6.9, Count: 1040}
		}
	}
	return state, true
}

func (b *Book) missing(s *dewline.System, d dewline.Derived, f frame) string {
	switch {
	case d == dewline.DischargeSuperheat, d == dewline.DischargePressureAbs:
		return "no discharge sensor is fitted"
	case b.stories[s.ID] == transcritical && f.running:
		return "the high side is above the critical point"
	case b.stories[s.ID] == doubtful:
		return "the liquid pressure sensor reads outside its range"
	}
	return "the compressor stands still"
}

// expect says what is usual for the machine under the conditions of the moment.
func (b *Book) expect(s *dewline.System, state *dewline.SystemState) {
	story := b.stories[s.ID]
	if !state.Running || story == learning || story == transcritical || story == belowZero {
		return
	}
	dew, over := state.Values[dewline.SuctionDewTemp], state.Values[dewline.CondensingOverAir]
	if !dew.OK() || !over.OK() {
		return
	}
	state.Expected = map[dewline.Derived]dewline.Estimate{
		dewline.Superheat: {Value: 6.4, Uncertainty: 0.8}, dewline.Subcooling: {Value: 5.4, Uncertainty: 0.6},
		dewline.SuctionDewTemp: {Value: dew.Value + 0.6, Uncertainty: 0.7}, dewline.CondensingOverAir: {Value: over.Value - 1.5, Uncertainty: 0.9},
	}
	if story == starving {
		state.Expected[dewline.SuctionDewTemp] = dewline.Estimate{Value: dew.Value + 4, Uncertainty: 0.7}
	}
}

// ReadSeries computes a series. With a step it takes the mean of up to eight moments of it.
func (b *Book) ReadSeries(_ context.Context, q dewline.SeriesQuery) (dewline.Series, error) {
	if b.Err != nil {
		return dewline.Series{}, b.Err
	}
	const interval = time.Minute
	out := dewline.Series{System: q.System, Step: q.Step}
	s, ok := b.Fleet.System(q.System)
	if !ok {
		return out, &dewline.Error{Code: dewline.NotFound, Op: "read series"}
	}
	step, moments := q.Step, 8
	if step == 0 {
		step, moments = interval, 1
	}
	if rows := q.To.Sub(q.From) / step; rows > dewline.MaxSeriesRows {
		return out, &dewline.StepError{Smallest: (q.To.Sub(q.From)/dewline.MaxSeriesRows + time.Second).Truncate(time.Second)}
	}
	for _, name := range q.Quantities {
		out.Columns = append(out.Columns, dewline.Column{Quantity: name, Unit: unitOf(name)})
	}
	for t := q.From; t < q.To; t = t.Add(step) {
		frames := b.frames(s, t, step, moments)
		if len(frames) == 0 {
			continue
		}
		out.Times = append(out.Times, t)
		for i := range out.Columns {
			c := &out.Columns[i]
			mean, low, high := sumUp(frames, c.Quantity)
			c.Values = append(c.Values, mean)
			if q.Step > 0 {
				c.Min, c.Max = append(c.Min, low), append(c.Max, high)
			}
		}
	}
	return out, nil
}

func (b *Book) frames(s *dewline.System, t dewline.Millis, step time.Duration, moments int) []frame {
	var all []frame
	for i := range moments {
		// Not in even parts: a machine that starts every forty minutes would be met at rest each time.
		moment := min(step*time.Duration(i)/time.Duration(moments)+time.Duration(i)*7*time.Minute%(step/time.Duration(moments)), step-1)
		if f, ok := b.at(s, t.Add(moment)); ok {
			all = append(all, f)
		}
	}
	return all
}

func sumUp(frames []frame, quantity string) (mean, low, high float64) {
	sum, n := 0.0, 0
	low, high = math.Inf(1), math.Inf(-1)
	for _, f := range frames {
		if v := f.value(quantity); !math.IsNaN(v) {
			sum += v
			n++
			low, high = min(low, v), max(high, v)
		}
	}
	if n == 0 {
		return math.NaN(), math.NaN(), math.NaN()
	}
	return sum / float64(n), low, high
}

func unitOf(name string) string {
	if p, ok := dewline.PointNamed(name); ok {
		return p.Unit()
	}
	return dewline.Derived(name).Unit()
}

// AlertsIn returns alerts as the real store does, a page at a time; a cursor is a number.
func (b *Book) AlertsIn(_ context.Context, f dewline.AlertFilter) (dewline.AlertPage, error) {
	if b.Err != nil {
		return dewline.AlertPage{}, b.Err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	begin := 0
	if f.After != "" {
		if _, err := fmt.Sscanf(f.After, "p%d", &begin); err != nil || begin > len(b.alerts) {
			return dewline.AlertPage{}, &dewline.Error{Code: dewline.Invalid, Op: "list alerts", Err: fmt.Errorf("cursor %q is none of ours", f.After)}
		}
	}
	limit := cmp.Or(f.Limit, dewline.MaxAlertsPage)
	var page dewline.AlertPage
	for i := begin; i < len(b.alerts); i++ {
		a := b.alerts[i]
		switch {
		case len(f.States) > 0 && !slices.Contains(f.States, a.State),
			f.System != "" && !slices.Contains(a.Systems, f.System),
			f.To != 0 && a.Onset >= f.To,
			a.Cleared != 0 && a.Cleared < f.From:
			continue
		}
		if len(page.Alerts) == limit {
			page.Next = fmt.Sprintf("p%d", i)
			break
		}
		page.Alerts = append(page.Alerts, a)
	}
	return page, nil
}

// evidence is what analytics writes into the history of an alert.
var evidence = map[dewline.Condition]string{
	dewline.Flooding: "superheat stayed below 2.8 K for 52 min of running; " +
		"superheat 5.9 K below what is usual for such a machine (±1.6), as an orifice that is too large makes it; " +
		"suction dew 2.1 K above what is usual for such a machine (±1.1), as an orifice that is too large makes it; " +
		"subcooling 0.8 K above what is usual for such a machine (±0.6); an orifice that is too large would move it the other way: against",
	dewline.Starving: "superheat 9.8 K above what this machine does when healthy (±1.8), as a restriction makes it; " +
		"suction dew 4.0 K below what this machine does when healthy (±1.1), as a restriction makes it; " +
		"subcooling 0.3 K below what this machine does when healthy (±0.6); a restriction would move it by +2.1 K: against",
	dewline.ChargeDrift: "subcooling 2.9 K below what this machine does when healthy (±0.7), as a low charge makes it; " +
		"superheat 0.4 K above what this machine does when healthy (±0.8); a low charge would move it by +1.6 K: against",
	dewline.SensorDoubt: "liquid_pressure has not moved by more than 2 kPa in 7 h of running and standing",
	dewline.Hunting:     "superheat swings by 9.1 K every 4 min without settling",
}

func evidenceOf(a dewline.Alert) string {
	if a.Condition == dewline.Starving && a.Causes[0].Fault == dewline.Undercharge {
		return "superheat 4.1 K above what this machine does when healthy (±1.4), as a low charge makes it; " +
			"subcooling 0.1 K below what this machine does when healthy (±0.6); a low charge would move it by \u22121.9 K: against"
	}
	return evidence[a.Condition]
}

// AlertHistory returns what became of an alert.
func (b *Book) AlertHistory(_ context.Context, id string) ([]dewline.AlertChange, error) {
	if b.Err != nil {
		return nil, b.Err
	}
	alerts := b.Alerts()
	i := slices.IndexFunc(alerts, func(a dewline.Alert) bool { return a.ID == id })
	if i < 0 {
		return nil, &dewline.Error{Code: dewline.NotFound, Op: "read the history of an alert"}
	}
	a := alerts[i]
	began := a
	began.State, began.Cleared = dewline.AlertOpen, 0
	step := func(state dewline.AlertState, by string, at dewline.Millis, why string) dewline.AlertChange {
		began.State = state
		return dewline.AlertChange{Change: dewline.Change{By: by, At: at, Why: why}, Alert: began}
	}
	all := []dewline.AlertChange{step(dewline.AlertOpen, dewline.ByDewline, a.Detected, evidenceOf(a))}
	if a.State != dewline.AlertOpen {
		all = append(all, step(dewline.AlertAcknowledged, "J. Marinho", a.Detected.Add(3*time.Hour), "seen"))
	}
	if a.State == dewline.AlertDispatched || a.State == dewline.AlertVerifying {
		all = append(all, step(dewline.AlertDispatched, "J. Marinho", a.Detected.Add(4*time.Hour), "service call made"))
	}
	if a.State == dewline.AlertVerifying {
		all = append(all, step(dewline.AlertVerifying, "T. Salgado", b.before(2*day), "bulb fixed and insulated"))
	}
	return all, nil
}

// EventsOf returns a visit, and for the machine in doubt a changed sensor.
func (b *Book) EventsOf(_ context.Context, id dewline.SystemID, from, to dewline.Millis) ([]dewline.Event, error) {
	var all []dewline.Event
	add := func(ago time.Duration, kind dewline.Point, note string) {
		if at := b.before(ago); at >= from && at < to {
			all = append(all, dewline.Event{System: id, Kind: kind, At: at, Note: note})
		}
	}
	switch b.stories[id] {
	case flooding:
		add(12*day, dewline.Serviced, "orifice exchanged, charge weighed in")
	case underRepair:
		add(30*time.Hour, dewline.Serviced, "leak at the flare of the liquid valve found; parts ordered")
	case proved:
		add(5*day, dewline.Serviced, "flare made anew, 0.35 kg weighed in")
	case beingProved:
		add(3*day, dewline.SensorReplaced, "suction_temp")
		add(2*day, dewline.Serviced, "bulb fixed and insulated")
	}
	return all, nil
}

// ReadRejects returns two refusals.
func (b *Book) ReadRejects(_ context.Context, f dewline.RejectFilter, limit int) ([]dewline.Reject, error) {
	if b.Err != nil {
		return nil, b.Err
	}
	all := []dewline.Reject{
		{Received: b.before(3 * time.Minute), Refusal: dewline.Refusal{Reason: dewline.ReasonWrongUnit, System: "quay-library/hall-ac", Record: 2,
			Name: "suction_pressure", Detail: "Cel is a temperature; a pressure is sent in Pa, kPa, bar or [psi]"}},
		{Received: b.before(2 * time.Hour), Refusal: dewline.Refusal{Reason: dewline.ReasonMalformed, System: "clinic/lab-ac", Detail: "the pack breaks off"}},
	}
	all = slices.DeleteFunc(all, func(r dewline.Reject) bool {
		return f.Reason != "" && r.Reason != f.Reason || f.System != "" && r.System != f.System
	})
	return all[:min(limit, len(all))], nil
}

// CountRejects returns how many there were.
func (b *Book) CountRejects(context.Context) (map[dewline.Reason]int64, error) {
	return map[dewline.Reason]int64{dewline.ReasonWrongUnit: 412, dewline.ReasonMalformed: 3}, b.Err
}

// Alerts returns every alert of the book.
func (b *Book) Alerts() []dewline.Alert {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.alerts)
}

// SetState leaves an alert as somebody left it.
func (b *Book) SetState(id string, state dewline.AlertState) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for i := range b.alerts {
		if b.alerts[i].ID == id {
			b.alerts[i].State = state
		}
	}
}

// Raise adds an alert to a machine, as one that has just been found.
func (b *Book) Raise(id dewline.SystemID, c dewline.Condition, sev dewline.Severity, cause dewline.Fault) {
	b.mu.Lock()
	defer b.mu.Unlock()
	onset := b.before(time.Hour)
	b.alerts = append(b.alerts, dewline.Alert{
		ID: dewline.AlertID(id, cause, onset), Site: id.Site(), System: id, Systems: []dewline.SystemID{id}, Condition: c, Conditions: []dewline.Condition{c},
		Severity: sev, State: dewline.AlertOpen, Onset: onset, Detected: b.before(0), Causes: []dewline.Cause{{Fault: cause, Probability: 1}},
	})
}

// End ends an alert, as readings do.
func (b *Book) End(id string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for i := range b.alerts {
		if b.alerts[i].ID == id {
			b.alerts[i].State, b.alerts[i].Cleared = dewline.AlertResolved, b.before(0)
		}
	}
}
