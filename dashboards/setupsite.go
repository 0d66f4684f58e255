package dashboards

import (
	"maps"
	"net/http"
	"net/url"
	"strings"

	"github.com/go-chi/chi/v5"

	"dewline"
)

// siteForm is the page by which a site that is enrolled is changed.
type siteForm struct {
	base
	ID       string
	Name     string
	Version  string
	Fixed    string
	Message  string
	Done     string
	Problems []field
	Fields   fieldSet
	Systems  []systemLink
	Another  string // where one more is enrolled there
	Remove   string
}

func setUpSiteHref(id string) string { return "/setup/sites/" + url.PathEscape(id) }

// siteOf returns the site of an address as the fleet file has it, or answers that there is none.
func (s *server) siteOf(w http.ResponseWriter, r *http.Request) (file dewline.FleetFile, fleet *dewline.Fleet, site *dewline.Site, ok bool) {
	file, fleet, err := s.fleetOfFile(r.Context())
	if err != nil {
		s.fileFails(w, r, err)
		return file, fleet, nil, false
	}
	if site, ok = fleet.Site(chi.URLParam(r, "site")); !ok {
		s.notFound(w, r)
	}
	return file, fleet, site, ok
}

func (s *server) editSite(w http.ResponseWriter, r *http.Request) {
	file, fleet, site, ok := s.siteOf(w, r)
	if !ok {
		return
	}
	p := siteForm{Version: file.Version, Fixed: file.Fixed}
	if r.URL.Query().Has("changed") {
		p.Done = s.idiom(r).Say("The change is kept and holds from now on.")
	}
	s.showSiteForm(w, r, http.StatusOK, p, fleet, site, filling{form: dewline.SiteForm(site)})
}

func (s *server) showSiteForm(w http.ResponseWriter, r *http.Request, status int, p siteForm, fleet *dewline.Fleet, site *dewline.Site, filled filling) {
	p.base, p.ID, p.Name = s.base(r, s.idiom(r).Say("Set up {1}", site.Name)), site.ID, site.Name
	p.Fields = fieldSet{Title: "The site", Say: "Whoever sees one owner's machines sees those of their sites, and no others."}
	for _, f := range siteFields(fleet.Owners, s.idiom(r)) {
		p.Fields.Fields = append(p.Fields.Fields, filled.fill(f))
	}
	p.Problems = filled.wrongFields()
	for i := range site.Systems {
		p.Systems = append(p.Systems, linkTo(&site.Systems[i]))
	}
	p.Another = "/setup/systems/new?site=" + url.QueryEscape(site.ID)
	p.Remove = removeHref(setUpSiteHref(site.ID))
	s.pages.write(w, r, status, "setupsite", p)
}

// changeSite takes the form of a site.
func (s *server) changeSite(w http.ResponseWriter, r *http.Request) {
	if !s.readForm(w, r, 1<<16) {
		return
	}
	file, fleet, site, ok := s.siteOf(w, r)
	if !ok {
		return
	}
	form := formFrom(r)
	maps.DeleteFunc(form, func(key, _ string) bool { return key == "site.id" || strings.HasPrefix(key, "system.") })
	text, problems := fleet.ChangeSite(form, site.ID, s.Enrolment.Facts())
	change := fleetChange{file: file, text: text, problems: problems, of: site.ID, detail: "site changed", then: setUpSiteHref(site.ID) + "?changed"}
	s.keepFleet(w, r, change, func(status int, message string) {
		filled := filling{form: form, problems: maps.Clone(problems)}
		if status == http.StatusConflict {
			filled.theirs = dewline.SiteForm(site)
		}
		s.showSiteForm(w, r, status, siteForm{Version: file.Version, Fixed: file.Fixed, Message: message}, fleet, site, filled)
	})
}
