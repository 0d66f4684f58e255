package dashboards

import (
	"context"
	"net/http"
	"time"

	"github.com/go-chi/chi/v5"

	"dewline"
	"dewline/dashboards/view"
)

// systemPage is the page of one system.
type systemPage struct {
	base
	livePart
	Site      string
	SiteHref  string
	Name      string
	About     string
	ID        dewline.SystemID
	Proved    string // that a repair was proved lately, "" where none was
	AlertsErr string
	Alerts    []openAlert // that have not ended
	Windows   []view.PeriodLink
	Earlier   string
	Later     string // "" where nothing can be later
	SpanText  string
	Charts    view.Charts
	ChartsErr string
	Cycle     view.Cycle
	Past      []view.AlertLine
	Events    []view.EventLine
	Facts     []view.Fact
	Sensors   []view.Sensor
	Caution   string
	Holds     []view.HoldLine // that keep notices of it back now, for those who may hold
	Report    string          // the commissioning report, "" where none is made or the visitor owns the machine
	Records   string          // its refrigerant records
	HoldHref  string          // where more can be held, "" for who may not
}

// openAlert is an alert that has not ended, with what is believed of it.
type openAlert struct {
	Line      view.AlertLine
	Diagnosis view.Diagnosis
}

// forOwner leaves out what is for those alone who work on the machine.
func (a openAlert) forOwner() openAlert {
	a.Line.Bring = nil
	a.Diagnosis.Settles, a.Diagnosis.Checks, a.Diagnosis.Others = "", nil, nil
	return a
}

// historian is the part of dewline.Alerts that tells what became of an alert.
type historian interface {
	AlertHistory(ctx context.Context, id string) ([]dewline.AlertChange, error)
}

// livePart is what the page asks for again every few seconds.
type livePart struct {
	Live     view.Live
	LiveHref string
}

// historyDays is how far back the list of what happened reaches.
const historyDays = 400

// historyMost is how many entries it has.
const historyMost = 20

// systemFor returns the system that the address names, or answers that there is none.
func (s *server) systemFor(w http.ResponseWriter, r *http.Request) (*dewline.Fleet, *dewline.Site, *dewline.System, bool) {
	fleet := s.overview.Fleet(r.Context())
	id := dewline.NewSystemID(chi.URLParam(r, "site"), chi.URLParam(r, "system"))
	sys, ok := fleet.System(id)
	site, siteOK := fleet.Site(id.Site())
	if !ok || !siteOK {
		s.notFound(w, r)
		return nil, nil, nil, false
	}
	return fleet, site, sys, true
}

func (s *server) system(w http.ResponseWriter, r *http.Request) {
	fleet, site, sys, ok := s.systemFor(w, r)
	if !ok {
		return
	}
	ctx, reader := r.Context(), s.reader(r, site)
	newest := s.newest(sys.ID) // before all that is drawn
	live, alerts, alertsErr := s.readLive(ctx, site, sys, reader)
	p := systemPage{
		base: s.base(r, sys.Name+", "+site.Name), livePart: live,
		Site: site.Name, SiteHref: view.Query{Text: site.Name}.Href(), Name: sys.Name, ID: sys.ID,
		About: reader.About(sys),
		Facts: view.Facts(fleet, sys, reader.Idiom), Sensors: view.Sensors(sys, alerts, reader.Idiom), Caution: reader.Say(dewline.Caution),
	}
	p.Listens = lookAt(alerts, newest).listens(sys.ID)
	state, _ := s.overview.State(sys.ID)
	calls := s.callsOfAlerts(ctx, dewline.CallFilter{System: sys.ID})
	for i := range alerts {
		a := &alerts[i]
		line := ownLine(a, site, sys, state, reader)
		line.Call = calls[a.ID]
		open := openAlert{line, view.NewDiagnosis(a, s.alertHistory(ctx, a.ID), sys, reader)}
		if p.Owning {
			open = open.forOwner()
		}
		p.Alerts = append(p.Alerts, open)
	}
	if alertsErr != nil {
		p.AlertsErr = reader.Say("Alerts cannot be read at the moment.")
	}
	if s.Papers != nil && !p.Owning {
		p.Report = "/api/v1/systems/" + string(sys.ID) + "/commissioning.pdf?units=" + string(unitsOf(r))
	}
	if s.Ledger != nil {
		p.Records = refrigerantHref(sys.ID)
	}
	if s.canWork(r) {
		p.HoldHref, p.Holds = view.HoldHref(site.ID, sys.ID), s.holdsOf(ctx, fleet, sys.ID, reader)
	}
	span := spanOf(r, state, reader.Now)
	all, events := s.history(ctx, sys.ID, span, reader.Now)
	s.addCharts(ctx, &p, sys, state, span, view.Marks(all, events, reader.Idiom), reader)
	s.addCycle(ctx, &p, sys, state, reader)
	s.addHistory(&p, site, sys, state, all, events, reader)
	s.pages.write(w, r, http.StatusOK, "system", p)
}

// alertHistory returns what became of an alert, nothing where that cannot be read: the alert stands
// on the page without it.
func (s *server) alertHistory(ctx context.Context, id string) []dewline.AlertChange {
	h, ok := s.Alerts.(historian)
	if !ok {
		return nil
	}
	history, err := h.AlertHistory(ctx, id)
	if err != nil {
		s.Log.ErrorContext(ctx, "cannot read what became of an alert", "alert", id, "error", err)
	}
	return history
}

// ownLine is an alert on the page of its own system, which need not be named again.
func ownLine(a *dewline.Alert, site *dewline.Site, sys *dewline.System, state dewline.SystemState, reader view.Reader) view.AlertLine {
	line := view.AlertLineOf(a, site, sys, state, reader)
	line.Title = ""
	return line
}

// live answers with the part of the page that moves.
func (s *server) live(w http.ResponseWriter, r *http.Request) {
	_, site, sys, ok := s.systemFor(w, r)
	if !ok {
		return
	}
	part, _, err := s.readLive(r.Context(), site, sys, s.reader(r, site))
	if err != nil {
		http.Error(w, "alerts cannot be read at the moment", http.StatusServiceUnavailable)
		return
	}
	s.pages.writePart(w, r, http.StatusOK, "system", "live", part)
}

func (s *server) readLive(ctx context.Context, site *dewline.Site, sys *dewline.System, reader view.Reader) (livePart, []dewline.Alert, error) {
	alerts, err := s.overview.UnendedOf(ctx, sys.ID)
	if err != nil {
		s.Log.ErrorContext(ctx, "cannot read alerts", "system", sys.ID, "error", err)
	}
	state, known := s.overview.State(sys.ID)
	live := view.NewLive(sys, state, view.Assess(state, known, alerts), reader)
	return livePart{live, view.SystemHref(sys.ID) + "/live"}, alerts, err
}

// spanOf reads the charts' time from the address. A window ends now or, for a system that has been
// silent for longer than the window, at its last reading.
func spanOf(r *http.Request, state dewline.SystemState, now time.Time) view.Period {
	values := r.URL.Query()
	from, errFrom := time.Parse(time.RFC3339, values.Get("from"))
	to, errTo := time.Parse(time.RFC3339, values.Get("to"))
	if errFrom == nil && errTo == nil {
		if span, ok := view.PeriodBetween(dewline.MillisOf(from), dewline.MillisOf(to)); ok {
			return span
		}
	}
	span := view.PeriodNamed(values.Get("window"), dewline.MillisOf(now))
	if last := max(state.Received, state.At); last != 0 && last < span.From {
		span = view.PeriodNamed(values.Get("window"), last+1)
		span.Live = false
	}
	return span
}

// history reads the alerts and events of the last year and of the span that is shown. What cannot
// be read is left out: the page says elsewhere that the store does not answer.
func (s *server) history(ctx context.Context, id dewline.SystemID, span view.Period, now time.Time) ([]dewline.Alert, []dewline.Event) {
	from := min(span.From, dewline.MillisOf(now.Add(-historyDays*24*time.Hour)))
	to := max(span.To, dewline.MillisOf(now))
	var alerts []dewline.Alert
	if s.Alerts != nil {
		page, err := s.Alerts.AlertsIn(ctx, dewline.AlertFilter{System: id, From: from, To: to})
		if err != nil {
			s.Log.ErrorContext(ctx, "cannot read past alerts", "system", id, "error", err)
		}
		alerts = page.Alerts
	}
	var events []dewline.Event
	if s.Events != nil {
		var err error
		if events, err = s.Events.EventsOf(ctx, id, from, to); err != nil {
			s.Log.ErrorContext(ctx, "cannot read events", "system", id, "error", err)
		}
	}
	return alerts, events
}

func (s *server) addCharts(ctx context.Context, p *systemPage, sys *dewline.System, state dewline.SystemState, span view.Period, marks []view.Mark, reader view.Reader) {
	p.Windows = view.WindowLinks(sys.ID, span, reader.Idiom)
	p.Earlier = span.Moved(sys.ID, -1)
	if span.To < dewline.MillisOf(reader.Now) {
		p.Later = span.Moved(sys.ID, 1)
	}
	p.SpanText = reader.Say("{1} to {2}, {3}", reader.Clock(span.From), reader.Clock(span.To), reader.Zone)
	if s.Series == nil {
		p.ChartsErr = reader.Say("This service keeps no series.")
		return
	}
	series, err := s.Series.ReadSeries(ctx, dewline.SeriesQuery{
		System: sys.ID, Quantities: view.ChartQuantities(sys), From: span.From, To: span.To, Step: span.Step,
	})
	if err != nil {
		s.Log.ErrorContext(ctx, "cannot read series", "system", sys.ID, "error", err)
		p.ChartsErr = reader.Say("The readings cannot be read at the moment. Load the page again; /readyz says what is wrong.")
		return
	}
	before, err := s.Series.ReadSeries(ctx, dewline.SeriesQuery{
		System: sys.ID, Quantities: []string{string(dewline.Superheat), string(dewline.Subcooling)},
		From: span.From - (span.To - span.From), To: span.From, Step: span.Step,
	})
	if err != nil {
		s.Log.ErrorContext(ctx, "cannot read the span before", "system", sys.ID, "error", err)
		before = dewline.Series{}
	}
	p.Charts = view.NewCharts(sys, series, before, span, marks, state, p.Live.Health, reader)
}

// addCycle draws the running cycle. It is of now, whatever span the charts show.
func (s *server) addCycle(ctx context.Context, p *systemPage, sys *dewline.System, state dewline.SystemState, reader view.Reader) {
	if s.Series == nil || p.ChartsErr != "" || state.At == 0 {
		p.Cycle.Missing = reader.Say("Nothing is known of its cycle yet.")
		return
	}
	to := dewline.MillisOf(state.At.Time().Truncate(view.CycleStep))
	series, err := s.Series.ReadSeries(ctx, dewline.SeriesQuery{
		System: sys.ID, Quantities: view.CycleQuantities(sys), From: to.Add(-view.CycleSpan), To: to, Step: view.CycleStep,
	})
	if err != nil {
		s.Log.ErrorContext(ctx, "cannot read the cycle", "system", sys.ID, "error", err)
		p.Cycle.Missing = reader.Say("The readings cannot be read at the moment.")
		return
	}
	p.Cycle = view.NewCycle(sys, series, state, reader)
}

func (s *server) addHistory(p *systemPage, site *dewline.Site, sys *dewline.System, state dewline.SystemState, alerts []dewline.Alert, events []dewline.Event, reader view.Reader) {
	for i := len(alerts) - 1; i >= 0 && len(p.Past) < historyMost; i-- {
		if a := &alerts[i]; a.State.Ended() {
			if p.Proved == "" {
				p.Proved = view.ProvedLately(a, reader)
			}
			p.Past = append(p.Past, ownLine(a, site, sys, state, reader))
		}
	}
	p.Events = view.EventLines(events[max(0, len(events)-historyMost):], reader)
}
