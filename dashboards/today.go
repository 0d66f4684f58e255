package dashboards

import (
	"net/http"
	"slices"

	"dewline"
	"dewline/dashboards/overview"
	"dewline/dashboards/view"
)

// pageAlerts is how many alerts a page of the dispatcher's list has. Sites are not torn apart where
// that can be helped: a page ends with the site that its last alert is of.
const pageAlerts = 100

// todayPage is the first page: what needs someone, in order.
type todayPage struct {
	base
	Enrolled  int
	First     *firstSteps // until the first reading of all
	Unheard   unheard     // enrolled and never heard
	Headline  string
	AlertsErr string
	Counts    []view.HealthCount
	Filters   []view.Filter
	Query     view.AlertQuery
	Sites     []view.AlertGroup // that need someone
	InHand    []view.AlertGroup // whose repair is under way or being proved
	Matching  int
	Shown     int
	Shelved   int
	Held      *int // how many holds keep notices back, for those who may hold
	Previous  string
	Next      string
	Self      string
	Caution   string
	CanWork   bool // people can work on alerts here
	CanCall   bool // and make service calls of them
	Name      string
	Messages  []string // what could not be done
	Reason    string   // that was typed
}

func (s *server) today(w http.ResponseWriter, r *http.Request) {
	s.pages.write(w, r, http.StatusOK, "today", s.todayPage(r))
}

// canWork says whether the visitor can work on alerts here.
func (s *server) canWork(r *http.Request) bool {
	return s.Desk != nil && dewline.VisitorOf(r.Context()).May(dewline.WorkOnAlerts)
}

// alertQueryOf reads the query of the dispatcher's list. A word that is none of ours finds nothing,
// and the filters then show it.
func alertQueryOf(r *http.Request) view.AlertQuery {
	values := r.URL.Query()
	short := func(name string) string {
		if v := values.Get(name); len(v) <= 100 {
			return v
		}
		return ""
	}
	return view.AlertQuery{
		Severity: dewline.Severity(short("severity")), Site: short("site"), Owner: short("owner"),
		Cause: dewline.Fault(short("cause")), State: short("state"), Page: pageOf(r),
	}
}

func (s *server) todayPage(r *http.Request) todayPage {
	ctx, q := r.Context(), alertQueryOf(r)
	o := s.overview.Read(ctx, s.Now)
	p := todayPage{
		base: s.base(r, s.idiom(r).Say("Today")), Enrolled: len(o.IDs), Headline: s.idiom(r).Headline(o.Counts, len(o.IDs)), Counts: view.Counts(o.Counts, view.Query{}, s.idiom(r)),
		Query: q, Self: q.Href(), Caution: s.idiom(r).Say(dewline.Caution), CanWork: s.canWork(r), CanCall: s.canWork(r) && s.Service != nil, Name: nameOf(r),
	}
	if first, ok := s.steps(r, o.Fleet); ok {
		if p.First = &first; len(o.IDs) > 0 {
			p.Headline = view.NeverHeard.Said(s.idiom(r))
		}
	}
	p.Unheard = unheardIn(r, o)
	if o.AlertsErr != nil {
		s.Log.ErrorContext(ctx, "cannot read alerts", "error", o.AlertsErr)
		p.AlertsErr = s.idiom(r).Say("Alerts cannot be read at the moment; those shown are the last that were.")
	}
	shelved, held := s.shelved(r)
	if p.CanWork {
		p.Held = &held
	}
	isShelved := func(id string) bool { return shelved[id] }
	p.Filters = view.Filters(o.Alerts, o.Fleet, isShelved, q, s.idiom(r))
	var matching []*dewline.Alert
	for i := range o.Alerts {
		a := &o.Alerts[i]
		owner := ""
		if site, ok := o.Fleet.Site(a.Site); ok {
			owner = site.Owner
		}
		if shelved[a.ID] {
			p.Shelved++
		}
		if q.Matches(a, owner, shelved[a.ID]) {
			matching = append(matching, a)
		}
	}
	s.listAlerts(r, &p, o, matching)
	p.Listens = lookAt(o.Alerts, 0).listens("")
	return p
}

// shelved returns the alerts that somebody has put aside for a time, and how many other holds last now.
func (s *server) shelved(r *http.Request) (shelved map[string]bool, others int) {
	holds, _ := s.holds(r.Context(), "") // without them the list is longer, not shorter
	shelved = map[string]bool{}
	for _, h := range holds {
		switch {
		case !s.lasts(h):
		case h.Alert != "":
			shelved[h.Alert] = true
		default:
			others++
		}
	}
	return shelved, others
}

// listAlerts puts a page of alerts onto the page: those that need someone first, in order, then those
// in hand, each by site.
func (s *server) listAlerts(r *http.Request, p *todayPage, o *overview.Overview, matching []*dewline.Alert) {
	p.Matching = len(matching)
	view.SortForDesk(matching, o.Fleet)
	inHand := func(a *dewline.Alert) bool { return view.InHand(a) }
	waiting := slices.DeleteFunc(slices.Clone(matching), inHand)
	handled := slices.DeleteFunc(slices.Clone(matching), func(a *dewline.Alert) bool { return !inHand(a) })
	needs, taken := view.GroupBySite(waiting), view.GroupBySite(handled)
	page, last := pageOfGroups(slices.Concat(needs, taken), p.Query.Page)
	if p.Query.Page > 1 {
		p.Previous = p.Query.At(min(p.Query.Page-1, last)).Href()
	}
	if p.Query.Page < last {
		p.Next = p.Query.At(p.Query.Page + 1).Href()
	}
	var ids []dewline.SystemID
	for _, group := range page {
		for _, a := range group {
			if a.System != "" {
				ids = append(ids, a.System)
			}
		}
	}
	fortnights, _ := s.glyphs.read(r.Context(), ids, s.Now, len(p.Progress) > 0)
	calls := s.callsOfAlerts(r.Context(), dewline.CallFilter{})
	for _, group := range page {
		lines := s.alertGroup(r, o, group, fortnights)
		for i := range lines.Lines {
			lines.Lines[i].Call = calls[lines.Lines[i].ID]
		}
		p.Shown += len(group)
		if view.InHand(group[0]) {
			p.InHand = append(p.InHand, lines)
		} else {
			p.Sites = append(p.Sites, lines)
		}
	}
}

// pageOfGroups returns the groups of a page, and how many pages there are.
func pageOfGroups(groups [][]*dewline.Alert, page int) (shown [][]*dewline.Alert, last int) {
	n := 0
	last = 1
	for _, g := range groups {
		if n >= pageAlerts {
			last, n = last+1, 0
		}
		n += len(g)
		if last == page {
			shown = append(shown, g)
		}
	}
	return shown, last
}

func (s *server) alertGroup(r *http.Request, o *overview.Overview, alerts []*dewline.Alert, fortnights map[dewline.SystemID]view.Fortnight) view.AlertGroup {
	site, ok := o.Fleet.Site(alerts[0].Site)
	group := view.AlertGroup{Site: alerts[0].Site, Name: alerts[0].Site}
	if ok {
		group.Name, group.Note = site.Name, siteNote(o.Fleet, site, s.idiom(r))
	}
	reader := s.reader(r, site)
	for _, a := range alerts {
		sys, _ := o.Fleet.System(a.System)
		var state dewline.SystemState
		if sys != nil {
			state, _ = s.overview.State(sys.ID)
		}
		line := view.AlertLineOf(a, site, sys, state, reader)
		if f, ok := fortnights[a.System]; ok && sys != nil {
			glyph := view.NewGlyph(f, view.ExpectedSuperheat(sys), view.ExpectedSubcooling(sys), reader.Idiom)
			line.Glyph = &glyph
		}
		line.Work = s.canWork(r)
		group.Lines = append(group.Lines, line)
	}
	return group
}
