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
	AlertsErr string
	Alerts    []view.AlertLine // that have not ended
	Windows   []view.PeriodLink
	Earlier   string
	Later     string // "" where nothing can be later
	SpanText  string
	Charts    view.Charts
	ChartsErr string
	Past      []view.AlertLine
	Events    []view.EventLine
	Facts     []view.Fact
	Sensors   []view.Sensor
	Caution   string
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
	fleet := s.overview.Fleet()
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
	ctx, now := r.Context(), s.Now()
	live, alerts, alertsErr := s.readLive(ctx, site, sys, now)
	p := systemPage{
		base: s.base(sys.Name + ", " + site.Name), livePart: live,
		Site: site.Name, SiteHref: view.Query{Text: site.Name}.Href(), Name: sys.Name, ID: sys.ID,
		About: view.KindWord(sys.Kind) + ", " + sys.Refrigerant + ", " + view.MeteringWord(sys.Metering),
		Facts: view.Facts(fleet, sys), Sensors: view.Sensors(sys), Caution: view.Caution,
	}
	state, _ := s.overview.State(sys.ID)
	for i := range alerts {
		p.Alerts = append(p.Alerts, ownLine(&alerts[i], site, sys, state, now))
	}
	if alertsErr != nil {
		p.AlertsErr = "Alerts cannot be read at the moment."
	}
	span := spanOf(r, state, now)
	all, events := s.history(ctx, sys.ID, span, now)
	s.addCharts(ctx, &p, site, sys, state, span, view.Marks(all, events), now)
	s.addHistory(&p, site, sys, state, all, events, now)
	s.pages.write(w, http.StatusOK, "system", p)
}

// ownLine is an alert on the page of its own system, which need not be named again.
func ownLine(a *dewline.Alert, site *dewline.Site, sys *dewline.System, state dewline.SystemState, now time.Time) view.AlertLine {
	line := view.AlertLineOf(a, site, sys, state, now)
	line.Title = ""
	return line
}

// live answers with the part of the page that moves.
func (s *server) live(w http.ResponseWriter, r *http.Request) {
	_, site, sys, ok := s.systemFor(w, r)
	if !ok {
		return
	}
	part, _, err := s.readLive(r.Context(), site, sys, s.Now())
	if err != nil {
		http.Error(w, "alerts cannot be read at the moment", http.StatusServiceUnavailable)
		return
	}
	s.pages.writePart(w, http.StatusOK, "system", "live", part)
}

func (s *server) readLive(ctx context.Context, site *dewline.Site, sys *dewline.System, now time.Time) (livePart, []dewline.Alert, error) {
	alerts, err := s.overview.UnendedOf(ctx, sys.ID)
	if err != nil {
		s.Log.ErrorContext(ctx, "cannot read alerts", "system", sys.ID, "error", err)
	}
	state, known := s.overview.State(sys.ID)
	live := view.NewLive(sys, state, view.Assess(state, known, alerts), now, site.Timezone)
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

func (s *server) addCharts(ctx context.Context, p *systemPage, site *dewline.Site, sys *dewline.System, state dewline.SystemState, span view.Period, marks []view.Mark, now time.Time) {
	p.Windows = view.WindowLinks(sys.ID, span)
	p.Earlier = span.Moved(sys.ID, -1)
	if span.To < dewline.MillisOf(now) {
		p.Later = span.Moved(sys.ID, 1)
	}
	p.SpanText = view.Clock(span.From, now, site.Timezone) + " to " + view.Clock(span.To, now, site.Timezone)
	if site.Timezone != nil {
		p.SpanText += ", " + site.Timezone.String()
	}
	if s.Series == nil {
		p.ChartsErr = "This service keeps no series."
		return
	}
	series, err := s.Series.ReadSeries(ctx, dewline.SeriesQuery{
		System: sys.ID, Quantities: view.ChartQuantities(sys), From: span.From, To: span.To, Step: span.Step,
	})
	if err != nil {
		s.Log.ErrorContext(ctx, "cannot read series", "system", sys.ID, "error", err)
		p.ChartsErr = "The readings cannot be read at the moment. Load the page again; /readyz says what is wrong."
		return
	}
	p.Charts = view.NewCharts(sys, series, span, marks, state, p.Live.Health, site.Timezone)
}

func (s *server) addHistory(p *systemPage, site *dewline.Site, sys *dewline.System, state dewline.SystemState, alerts []dewline.Alert, events []dewline.Event, now time.Time) {
	for i := len(alerts) - 1; i >= 0 && len(p.Past) < historyMost; i-- {
		if alerts[i].State.Ended() {
			p.Past = append(p.Past, ownLine(&alerts[i], site, sys, state, now))
		}
	}
	p.Events = view.EventLines(events[max(0, len(events)-historyMost):], now, site.Timezone)
}
