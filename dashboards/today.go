package dashboards

import (
	"context"
	"net/http"
	"slices"
	"strconv"

	"dewline"
	"dewline/dashboards/overview"
	"dewline/dashboards/view"
)

// pageRows is how many systems a page of the list has: what a person can look through, and what a
// phone can draw.
const pageRows = 100

// pageAlerts is how many alerts stand on top of the list before the rest is a link away.
const pageAlerts = 20

// todayPage is the first page: what needs someone, then every machine.
type todayPage struct {
	base
	Enrolled  int
	Headline  string
	AlertsErr string
	Alerts    []view.AlertLine // that need someone
	InHand    []view.AlertLine // whose repair is under way or being proved
	MoreHref  string           // to all alerts, "" where all are shown
	More      int
	Counts    []view.HealthCount
	AllHref   string // to the list without filter by health
	Query     view.Query
	Sites     []view.SiteGroup
	Matching  int
	First     int // of the rows shown, from 1
	Last      int
	Previous  string
	Next      string
	Reload    string // how often the page asks for itself again
	Self      string
}

func (s *server) today(w http.ResponseWriter, r *http.Request) {
	s.pages.write(w, http.StatusOK, "today", s.todayPage(r.Context(), queryOf(r), r.URL.Query().Get("alerts") == "all"))
}

// queryOf reads the list's query. What makes no sense is left out: an address that people edit by
// hand answers with a list and not with a complaint.
func queryOf(r *http.Request) view.Query {
	values := r.URL.Query()
	q := view.Query{Text: values.Get("q"), Page: 1}
	if len(q.Text) > 100 {
		q.Text = ""
	}
	if h := dewline.Health(values.Get("health")); slices.Contains(view.Healths(), h) {
		q.Health = h
	}
	if n, err := strconv.Atoi(values.Get("page")); err == nil && n > 0 && n < 1_000_000 {
		q.Page = n
	}
	return q
}

func (s *server) todayPage(ctx context.Context, q view.Query, allAlerts bool) todayPage {
	o := s.overview.Read(ctx, s.Now)
	p := todayPage{
		base: s.base("Today"), Enrolled: len(o.IDs),
		Headline: view.Headline(o.Counts, len(o.IDs)), Counts: view.Counts(o.Counts, q),
		AllHref: view.Query{Text: q.Text}.Href(), Query: q, Self: q.Href(), Reload: "15s",
	}
	if o.AlertsErr != nil {
		s.Log.ErrorContext(ctx, "cannot read alerts", "error", o.AlertsErr)
		p.AlertsErr = "Alerts cannot be read at the moment; those shown are the last that were."
	}
	if len(p.Progress) > 0 {
		p.Reload = "4s"
	}
	s.listAlerts(&p, o, q, allAlerts)
	s.listSystems(ctx, &p, o, q)
	return p
}

func (s *server) listAlerts(p *todayPage, o *overview.Overview, q view.Query, all bool) {
	if q.Health != "" || q.Text != "" || q.Page > 1 {
		return // the list below is what was asked for
	}
	shown := o.Alerts
	if !all && len(shown) > pageAlerts {
		p.More, p.MoreHref = len(shown)-pageAlerts, "/?alerts=all"
		shown = shown[:pageAlerts]
	}
	if all {
		p.Self = "/?alerts=all"
	}
	now := s.Now()
	for i := range shown {
		a := &shown[i]
		site, _ := o.Fleet.Site(a.Site)
		sys, _ := o.Fleet.System(a.System)
		var state dewline.SystemState
		if sys != nil {
			state, _ = s.overview.State(sys.ID)
		}
		line := view.AlertLineOf(a, site, sys, state, now)
		if line.InHand {
			p.InHand = append(p.InHand, line)
		} else {
			p.Alerts = append(p.Alerts, line)
		}
	}
}

func (s *server) listSystems(ctx context.Context, p *todayPage, o *overview.Overview, q view.Query) {
	var matching []*dewline.System
	for _, sys := range o.Fleet.Systems() {
		site, _ := o.Fleet.Site(sys.ID.Site())
		if q.Matches(sys, site, o.Assessment(sys.ID).Health) {
			matching = append(matching, sys)
		}
	}
	p.Matching = len(matching)
	last := max(1, (len(matching)+pageRows-1)/pageRows)
	q.Page = min(q.Page, last)
	begin := (q.Page - 1) * pageRows
	shown := matching[begin:min(begin+pageRows, len(matching))]
	p.First, p.Last = begin+1, begin+len(shown)
	if q.Page > 1 {
		p.Previous = q.At(q.Page - 1).Href()
	}
	if q.Page < last {
		p.Next = q.At(q.Page + 1).Href()
	}
	ids := make([]dewline.SystemID, len(shown))
	for i, sys := range shown {
		ids[i] = sys.ID
	}
	fortnights, complete := s.glyphs.read(ctx, ids, s.Now, len(p.Progress) > 0)
	if !complete {
		p.Reload = "2s"
	}
	for _, sys := range shown {
		s.addRow(p, o, sys, fortnights)
	}
}

func (s *server) addRow(p *todayPage, o *overview.Overview, sys *dewline.System, fortnights map[dewline.SystemID]view.Fortnight) {
	site, ok := o.Fleet.Site(sys.ID.Site())
	if !ok {
		return // NewFleet makes every system from its site
	}
	if n := len(p.Sites); n == 0 || p.Sites[n-1].ID != site.ID {
		group := view.SiteGroup{ID: site.ID, Name: site.Name}
		if owner, ok := o.Fleet.Owner(site.Owner); ok {
			group.Owner = owner.Name
		}
		if site.Timezone != nil {
			group.Zone = site.Timezone.String()
		}
		p.Sites = append(p.Sites, group)
	}
	fortnight, ok := fortnights[sys.ID]
	if !ok {
		fortnight = view.NoFortnight()
	}
	state, _ := s.overview.State(sys.ID)
	group := &p.Sites[len(p.Sites)-1]
	group.Rows = append(group.Rows, view.NewRow(sys, state, o.Assessment(sys.ID), len(o.AlertsOf(sys.ID)), fortnight, s.Now(), site.Timezone))
}
