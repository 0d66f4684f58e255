package dashboards

import (
	"cmp"
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

// fleetPage is the list of machines.
type fleetPage struct {
	base
	Enrolled   int
	Counts     []view.HealthCount
	AllHref    string // to the list without filter by health
	Query      view.Query
	Groups     []view.Group
	Tags       []view.Shared
	Installers []view.Shared
	Faults     []view.Shared
	Repeated   []view.Shared
	Groupings  []grouping
	Matching   int
	First      int // of the rows shown, from 1
	Last       int
	Previous   string
	Next       string
	Reload     string // how often the page asks for itself again, beside when it hears that something has changed
	Self       string
	Kelvin     string // the unit of differences
}

type grouping struct {
	Word, Href string
	Current    bool
}

// queryOf reads the list's query. What makes no sense is left out: an address that people edit by
// hand answers with a list and not with a complaint.
func queryOf(r *http.Request) view.Query {
	values := r.URL.Query()
	short := func(name string) string {
		if v := values.Get(name); len(v) <= 100 {
			return v
		}
		return ""
	}
	q := view.Query{Text: short("q"), Tag: short("tag"), Installer: short("installer"), Fault: dewline.Fault(short("fault")), Page: pageOf(r)}
	if h := dewline.Health(values.Get("health")); slices.Contains(view.Healths(), h) {
		q.Health = h
	}
	if by := view.Grouping(values.Get("by")); by == view.ByInstaller || by == view.ByFault {
		q.By = by
	}
	return q
}

func pageOf(r *http.Request) int {
	if n, err := strconv.Atoi(r.URL.Query().Get("page")); err == nil && n > 0 && n < 1_000_000 {
		return n
	}
	return 1
}

func (s *server) fleetList(w http.ResponseWriter, r *http.Request) {
	q := queryOf(r)
	o := s.overview.Read(r.Context(), s.Now)
	reader := s.reader(r, nil)
	p := fleetPage{
		base: s.base(r, s.idiom(r).Say("Fleet")), Enrolled: len(o.IDs), Counts: view.Counts(o.Counts, q, s.idiom(r)), Query: q, Self: q.Href(), Reload: "60s",
		Kelvin: view.KelvinWord(reader.Idiom),
	}
	p.Listens = lookAt(o.Alerts, 0).listens("")
	all := q
	all.Health, all.Page = "", 1
	p.AllHref = all.Href()
	for _, by := range []struct {
		word dewline.Phrase
		by   view.Grouping
	}{{dewline.Phrase("site"), view.BySite}, {dewline.Phrase("installer"), view.ByInstaller}, {dewline.Phrase("likely fault"), view.ByFault}} {
		to := q
		to.By, to.Page = by.by, 1
		p.Groupings = append(p.Groupings, grouping{by.word.Said(reader), to.Href(), q.By == by.by})
	}
	if len(p.Progress) > 0 {
		p.Reload = "4s"
	}
	s.listSystems(r, &p, o, q)
	s.pages.write(w, r, http.StatusOK, "fleet", p)
}

// matching returns the machines of a query in the order of its groups, and counts what all machines
// have in common.
func (s *server) matching(r *http.Request, p *fleetPage, o *overview.Overview, q view.Query) []*dewline.System {
	commons := view.NewCommons()
	var all []*dewline.System
	for _, sys := range o.Fleet.Systems() {
		site, _ := o.Fleet.Site(sys.ID.Site())
		fault := view.TopFault(o.AlertsOf(sys.ID))
		commons.Add(sys, fault)
		if q.Matches(sys, site, o.Assessment(sys.ID).Health, fault) {
			all = append(all, sys)
		}
	}
	p.Tags, p.Installers, p.Faults, p.Repeated = commons.Tags(q), commons.Installers(q), commons.Faults(q, s.idiom(r)), commons.Repeated(s.idiom(r))
	if q.By != view.BySite {
		group := func(sys *dewline.System) string { return q.GroupOf(sys, view.TopFault(o.AlertsOf(sys.ID)), s.idiom(r)) }
		slices.SortStableFunc(all, func(a, b *dewline.System) int { return cmp.Compare(group(a), group(b)) })
	}
	return all
}

func (s *server) listSystems(r *http.Request, p *fleetPage, o *overview.Overview, q view.Query) {
	matching := s.matching(r, p, o, q)
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
	fortnights, complete := s.glyphs.read(r.Context(), ids, s.Now, len(p.Progress) > 0)
	if !complete {
		p.Reload = "2s"
	}
	for _, sys := range shown {
		s.addRow(r, p, o, sys, fortnights)
	}
}

func (s *server) addRow(r *http.Request, p *fleetPage, o *overview.Overview, sys *dewline.System, fortnights map[dewline.SystemID]view.Fortnight) {
	site, ok := o.Fleet.Site(sys.ID.Site())
	if !ok {
		return // NewFleet makes every system from its site
	}
	group := view.Group{ID: p.Query.GroupOf(sys, view.TopFault(o.AlertsOf(sys.ID)), s.idiom(r))}
	group.Name = group.ID
	if p.Query.By == view.BySite {
		group = view.Group{ID: site.ID, Name: site.Name, Note: zoneNote(site, s.idiom(r))}
		if owner, ok := o.Fleet.Owner(site.Owner); ok {
			group.Owner = owner.Name
			if s.Owners != nil {
				group.OwnerHref = view.OwnerHref(owner.ID, "")
			}
		}
	}
	if n := len(p.Groups); n == 0 || p.Groups[n-1].ID != group.ID {
		p.Groups = append(p.Groups, group)
	}
	fortnight, ok := fortnights[sys.ID]
	if !ok {
		fortnight = view.NoFortnight()
	}
	state, _ := s.overview.State(sys.ID)
	row := view.NewRow(sys, state, o.Assessment(sys.ID), len(o.AlertsOf(sys.ID)), fortnight, s.reader(r, site))
	if p.Query.By != view.BySite {
		row.Site = site.Name
	}
	last := &p.Groups[len(p.Groups)-1]
	last.Rows = append(last.Rows, row)
}

// siteNote says whose a site is and by which clock its times are written.
func siteNote(fleet *dewline.Fleet, site *dewline.Site, u view.Idiom) string {
	var note string
	if owner, ok := fleet.Owner(site.Owner); ok {
		note = owner.Name
	}
	if zone := zoneNote(site, u); zone != "" {
		if note != "" {
			note += ", "
		}
		note += zone
	}
	return note
}

// zoneNote says by which clock the times of a site are written.
func zoneNote(site *dewline.Site, u view.Idiom) string {
	if site.Timezone == nil {
		return ""
	}
	return u.Say("{1} time", site.Timezone)
}
