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
	By         string         // the word for what the list is grouped by
	Patterns   []view.Pattern // of the groups, where they are no sites
	MoreGroups int            // that Patterns leaves out
	Only       []string       // what the list is narrowed to, beside health and text
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
	q := view.Query{Text: short("q"), Site: short("site"), Tag: short("tag"), Installer: short("installer"), Model: short("model"), Fault: dewline.Fault(short("fault")), Page: pageOf(r)}
	if h := dewline.Health(values.Get("health")); slices.Contains(view.Healths(), h) {
		q.Health = h
	}
	if by := view.Grouping(values.Get("by")); slices.Contains(view.Groupings(), by) {
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
	for _, by := range view.Groupings() {
		to := q
		to.By, to.Page = by, 1
		p.Groupings = append(p.Groupings, grouping{s.idiom(r).GroupingWord(by), to.Href(), q.By == by})
	}
	p.By = s.idiom(r).GroupingWord(q.By)
	if site, ok := o.Fleet.Site(q.Site); ok {
		p.Only = append(p.Only, site.Name)
	}
	for _, narrow := range []string{q.Installer, q.Model, q.Tag} {
		if narrow != "" {
			p.Only = append(p.Only, narrow)
		}
	}
	if q.Fault != "" {
		p.Only = append(p.Only, s.idiom(r).FaultWord(q.Fault))
	}
	if len(p.Progress) > 0 {
		p.Reload = "4s"
	}
	s.listSystems(r, &p, o, q)
	s.pages.write(w, r, http.StatusOK, "fleet", p)
}

// found is a machine of the list.
type found struct {
	*dewline.System
	site   *dewline.Site
	health dewline.Health
	group  string // its key
}

// matching returns the machines of a query in the order of its groups, and counts what all machines
// have in common.
func (s *server) matching(r *http.Request, p *fleetPage, o *overview.Overview, q view.Query) []found {
	commons, u := view.NewCommons(), s.idiom(r)
	var all []found
	for i := range o.Fleet.Sites {
		site, whose := &o.Fleet.Sites[i], ""
		if owner, ok := o.Fleet.Owner(site.Owner); ok {
			whose = owner.Name
		}
		for j := range site.Systems {
			sys := &site.Systems[j]
			fault, health := view.TopFault(o.AlertsOf(sys.ID)), o.Assessment(sys.ID).Health
			commons.Add(sys, fault)
			if q.Matches(sys, site, whose, health, fault) {
				all = append(all, found{sys, site, health, q.GroupOf(sys, fault)})
			}
		}
	}
	p.Tags, p.Installers, p.Faults, p.Repeated = commons.Tags(q), commons.Installers(q), commons.Faults(q, u), commons.Repeated(u)
	p.Patterns, p.MoreGroups = commons.Patterns(q, u)
	switch {
	case q.By == view.ByWorst:
		worstFirst(all)
	case !q.By.OfSites():
		before := commons.Before(q.By)
		slices.SortStableFunc(all, func(a, b found) int { return before(a.group, b.group) })
	}
	return all
}

// worstFirst puts the site first where it is worst, and there the machine that is.
func worstFirst(all []found) {
	worst := map[string]int{}
	for _, f := range all {
		rank := view.HealthRank(f.health)
		if w, ok := worst[f.group]; !ok || rank < w {
			worst[f.group] = rank
		}
	}
	slices.SortStableFunc(all, func(a, b found) int {
		return cmp.Or(cmp.Compare(worst[a.group], worst[b.group]), cmp.Compare(a.group, b.group), cmp.Compare(view.HealthRank(a.health), view.HealthRank(b.health)))
	})
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
	for i, f := range shown {
		ids[i] = f.ID
	}
	fortnights, complete := s.glyphs.read(r.Context(), ids, s.Now, len(p.Progress) > 0)
	if !complete {
		p.Reload = "2s"
	}
	stands := map[string]map[dewline.Health]int{} // the groups that begin here, whichever page they end on
	for _, f := range shown {
		stands[f.group] = map[dewline.Health]int{}
	}
	for _, f := range matching {
		if counts, ok := stands[f.group]; ok {
			counts[f.health]++
		}
	}
	for _, f := range shown {
		s.addRow(r, p, o, f, fortnights, stands[f.group])
	}
}

func (s *server) addRow(r *http.Request, p *fleetPage, o *overview.Overview, f found, fortnights map[dewline.SystemID]view.Fortnight, stands map[dewline.Health]int) {
	if n := len(p.Groups); n == 0 || p.Groups[n-1].ID != f.group {
		p.Groups = append(p.Groups, s.groupOf(r, p.Query, o, f, stands))
	}
	fortnight, ok := fortnights[f.ID]
	if !ok {
		fortnight = view.NoFortnight()
	}
	state, _ := s.overview.State(f.ID)
	row := view.NewRow(f.System, state, o.Assessment(f.ID), len(o.AlertsOf(f.ID)), fortnight, s.reader(r, f.site))
	if !p.Query.By.OfSites() {
		row.Site = f.site.Name
	}
	last := &p.Groups[len(p.Groups)-1]
	last.Rows = append(last.Rows, row)
}

// groupOf returns the group that a machine is the first of, without rows.
func (s *server) groupOf(r *http.Request, q view.Query, o *overview.Overview, f found, stands map[dewline.Health]int) view.Group {
	u := s.idiom(r)
	group := view.Group{ID: f.group, Name: q.GroupName(f.group, u), Says: u.Standing(stands)}
	if f.group != "" {
		group.Href = q.OfGroup(f.group).Href()
	}
	if !q.By.OfSites() {
		return group
	}
	group.Name, group.Note = f.site.Name, placeNote(f.site, u)
	if owner, ok := o.Fleet.Owner(f.site.Owner); ok {
		group.Owner = owner.Name
		if s.Owners != nil {
			group.OwnerHref = view.OwnerHref(owner.ID, "")
		}
	}
	return group
}

// placeNote says where a site is, and by which clock its times are written.
func placeNote(site *dewline.Site, u view.Idiom) string {
	note, zone := site.Address, zoneNote(site, u)
	if note != "" && zone != "" {
		note += ", "
	}
	return note + zone
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
