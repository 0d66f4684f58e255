package dashboards

import (
	"net/http"
	"slices"
	"strings"

	"github.com/go-chi/chi/v5"

	"dewline"
	"dewline/dashboards/view"
)

// removePage says what it means to take a system, or a site without any, out of the fleet, and asks for it.
type removePage struct {
	base
	ID      string
	Name    string
	Back    string // to its set-up
	System  bool
	Version string
	Fixed   string
	Message string
	Why     string

	// Of a system.
	Alerts  []string // that are open on it and end
	Calls   []place  // that are under way to it, and have to be ended first
	Records string   // its refrigerant records, to be taken along
	Last    bool     // its site has no other

	Systems int // of a site, which have to be removed first
}

// removeHref is where what is set up at an address is taken out of the fleet.
func removeHref(of string) string { return of + "/remove" }

// removable reads what an address names, and says what its removal means.
func (s *server) removable(w http.ResponseWriter, r *http.Request) (p removePage, file dewline.FleetFile, next *dewline.Fleet, ok bool) {
	file, fleet, site, ok := s.siteOf(w, r)
	if !ok {
		return p, file, nil, false
	}
	p = removePage{Version: file.Version, Fixed: file.Fixed}
	name := chi.URLParam(r, "system")
	if name == "" {
		p.ID, p.Name, p.Back, p.Systems = site.ID, site.Name, setUpSiteHref(site.ID), len(site.Systems)
		return p, file, fleet.WithoutSite(site.ID), true
	}
	id := dewline.NewSystemID(site.ID, name)
	sys, ok := fleet.System(id)
	if !ok {
		s.notFound(w, r)
		return p, file, nil, false
	}
	p.ID, p.Name, p.Back, p.System, p.Last = string(id), sys.Name, setUpHref(id), true, len(site.Systems) == 1
	if s.Ledger != nil {
		p.Records = refrigerantHref(id)
	}
	reader := s.reader(r, site)
	for _, a := range s.overview.Read(r.Context(), s.Now).AlertsOf(id) {
		if a.System == id {
			p.Alerts = append(p.Alerts, reader.ConditionWord(a.Condition)+", since "+reader.Clock(a.Onset))
		}
	}
	if s.Service != nil {
		states := slices.DeleteFunc(dewline.CallStates(), dewline.CallState.Ended)
		calls, err := s.allCalls(r.Context(), dewline.CallFilter{System: id, States: states})
		if err != nil {
			s.Log.ErrorContext(r.Context(), "cannot list service calls", "error", err)
			s.fail(w, r, http.StatusServiceUnavailable, "Service calls cannot be read at the moment, so that nothing is taken out of the fleet: somebody may be on the way there. Try again.")
			return p, file, nil, false
		}
		for _, c := range calls {
			p.Calls = append(p.Calls, place{"The service call of " + reader.Clock(dewline.Millis(c.Made)) + ", " + reader.CallStateWord(c.State), view.CallHref(c.ID)})
		}
	}
	return p, file, fleet.Without(id), true
}

func (s *server) removal(w http.ResponseWriter, r *http.Request) {
	if p, _, _, ok := s.removable(w, r); ok {
		s.showRemoval(w, r, http.StatusOK, p)
	}
}

func (s *server) showRemoval(w http.ResponseWriter, r *http.Request, status int, p removePage) {
	p.base = s.base(r, "Take "+p.Name+" out of the fleet")
	s.pages.write(w, r, status, "setupremove", p)
}

// remove takes a system, or a site without any, out of the fleet file.
func (s *server) remove(w http.ResponseWriter, r *http.Request) {
	if !s.readForm(w, r, 1<<14) {
		return
	}
	p, file, next, ok := s.removable(w, r)
	if !ok {
		return
	}
	p.Why = strings.TrimSpace(r.PostForm.Get("why"))
	answer := func(status int, message string) {
		p.Message = message
		s.showRemoval(w, r, status, p)
	}
	text, err := next.Marshal()
	switch {
	case err != nil:
		answer(s.notDone(r, err))
	case p.Why == "":
		answer(http.StatusUnprocessableEntity, "Nothing was done: say why. The reason stands in the audit log.")
	case len(p.Calls) > 0:
		answer(http.StatusConflict, "Nothing was done: a service call there is under way. Cancel or finish it first, so that nobody drives for nothing.")
	case p.Systems > 0:
		answer(http.StatusConflict, "Nothing was done: the site has systems. Take each of them out first.")
	default:
		what := "site removed: "
		if p.System {
			what = "system removed: "
		}
		s.keepFleet(w, r, fleetChange{file: file, text: text, of: p.ID, detail: what + p.Why, then: "/setup?removed"}, answer)
	}
}
