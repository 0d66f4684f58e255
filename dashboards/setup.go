package dashboards

import (
	"errors"
	"net/http"
	"strings"

	"dewline"
	"dewline/dashboards/overview"
	"dewline/dashboards/view"
)

// setUpRoutes returns the routes of the pages by which a service is set up, each where there is what it
// needs.
func (s *server) setUpRoutes() []route {
	var routes []route
	add := func(pattern string, handle http.HandlerFunc) {
		routes = append(routes, route{pattern, needs(dewline.SetUp), handle})
	}
	add("GET /setup", s.setUp)
	add("GET /setup/systems/{site}/{system}/check", s.sensorCheck)
	if s.Enrolment != nil {
		add("GET /setup/systems/new", s.newSystem)
		add("POST /setup/systems/new", s.enrolSystem)
		add("GET /setup/systems/{site}/{system}", s.editSystem)
		add("POST /setup/systems/{site}/{system}", s.enrolSystem)
		add("GET /setup/systems/{site}/{system}/remove", s.removal)
		add("POST /setup/systems/{site}/{system}/remove", s.remove)
		add("GET /setup/sites/{site}", s.editSite)
		add("POST /setup/sites/{site}", s.changeSite)
		add("GET /setup/sites/{site}/remove", s.removal)
		add("POST /setup/sites/{site}/remove", s.remove)
		add("GET /setup/fleet", s.fleetFile)
		add("POST /setup/fleet", s.importFleet)
		add("GET /setup/fleet.yaml", s.exportFleet)
	}
	if s.Gateways != nil {
		add("GET /setup/gateways", s.gatewayList)
		add("POST /setup/gateways", s.changeGateway)
	}
	if s.Contacts != nil {
		add("GET /setup/contacts", s.contactList)
		add("POST /setup/contacts", s.changeContacts)
	}
	return routes
}

// step is one of those from nothing to the first reading.
type step struct {
	Title, Say string
	Href, Link string // where it is done, "" for who may not
	Done       bool
}

// firstSteps are shown until the first reading of all.
type firstSteps struct {
	Steps []step
	Topic string // of the first system, "" before there is one
}

// steps returns the first steps, and false where a reading has arrived. Of the visitor's fleet.
func (s *server) steps(r *http.Request, fleet *dewline.Fleet) (firstSteps, bool) {
	systems := fleet.Systems()
	if s.States == nil && len(systems) > 0 {
		return firstSteps{}, false // nobody can say whether they were heard
	}
	for _, sys := range systems {
		if s.heard(sys.ID) {
			return firstSteps{}, false
		}
	}
	u := s.idiom(r)
	may := dewline.VisitorOf(r.Context()).May(dewline.SetUp)
	enrol := step{Title: u.Say("Enrol a site and a system"), Done: len(systems) > 0,
		Say: u.Say("What the machine is, its refrigerant and metering device, what its data plate says, and which sensors are fitted.")}
	give := step{Title: u.Say("Give its gateway a credential"), Say: u.Say("The password is shown once; the gateway sends it with every connection.")}
	first := step{Title: u.Say("See the first reading"), Say: u.Say("Line by line: what has arrived, how old it is, and what is missing.")}
	if may && s.Enrolment != nil {
		enrol.Href, enrol.Link = "/setup/systems/new", u.Say("Enrol a system")
	}
	switch {
	case s.Gateways == nil:
		give.Say = u.Say("An MQTT broker of your own takes the readings: make a user for the gateway there.")
	case may:
		give.Href, give.Link = "/setup/gateways", u.Say("Gateways")
		list, err := s.Gateways.ListGateways(r.Context())
		if err != nil {
			s.Log.ErrorContext(r.Context(), "cannot list gateways", "error", err)
		}
		give.Done = len(list) > 0
	}
	all := firstSteps{}
	if len(systems) > 0 {
		if give.Href != "" && !give.Done {
			give.Href += "?new=" + systems[0].ID.Site() + "/gw"
		}
		all.Topic = "…/" + string(systems[0].ID) + "/readings"
		if may {
			first.Href, first.Link = checkHref(systems[0].ID), u.Say("Look at {1}", systems[0].Name)
		}
	}
	all.Steps = []step{enrol, give, first}
	return all, true
}

// heard says whether a system has ever sent.
func (s *server) heard(id dewline.SystemID) bool {
	state, ok := s.overview.State(id)
	return ok && (state.At != 0 || state.Received != 0)
}

// unheard are systems that are enrolled and have never sent: some, and how many more.
type unheard struct {
	Some []place
	More int
}

// place is something with a name and where to see it.
type place struct{ Name, Href string }

func unheardIn(r *http.Request, o *overview.Overview) (u unheard) {
	href := func(id dewline.SystemID) string { return "/systems/" + string(id) }
	if dewline.VisitorOf(r.Context()).May(dewline.SetUp) {
		href = checkHref
	}
	for _, sys := range o.Fleet.Systems() {
		switch {
		case !o.Assessment(sys.ID).NeverHeard():
		case len(u.Some) == 5:
			u.More++
		default:
			u.Some = append(u.Some, place{sys.Name, href(sys.ID)})
		}
	}
	return u
}

func setUpHref(id dewline.SystemID) string { return "/setup/systems/" + string(id) }
func checkHref(id dewline.SystemID) string { return setUpHref(id) + "/check" }

// setUpPage leads to what can be set up.
type setUpPage struct {
	base
	First     *firstSteps
	Enrolment bool
	Gateways  bool
	Contacts  bool
	Unheard   unheard
	Sites     []siteLinks
	Many      bool // there are too many systems to list: only sites without any are
	Done      string
}

type systemLink struct{ Name, Edit, Check string }

func linkTo(sys *dewline.System) systemLink {
	return systemLink{sys.Name, setUpHref(sys.ID), checkHref(sys.ID)}
}

type siteLinks struct {
	Name, Href string
	Systems    []systemLink
}

// setUpSystems is up to how many systems the page lists; of more, the list of the fleet leads to each.
const setUpSystems = 300

func (s *server) setUp(w http.ResponseWriter, r *http.Request) {
	fleet := s.overview.Fleet(r.Context())
	p := setUpPage{base: s.base(r, s.idiom(r).Say("Set-up")), Enrolment: s.Enrolment != nil, Gateways: s.Gateways != nil, Contacts: s.Contacts != nil}
	if first, ok := s.steps(r, fleet); ok {
		p.First = &first
	}
	p.Unheard = unheardIn(r, s.overview.Read(r.Context(), s.Now))
	p.Many = len(fleet.Systems()) > setUpSystems
	for i := range fleet.Sites {
		site := siteLinks{Name: fleet.Sites[i].Name, Href: setUpSiteHref(fleet.Sites[i].ID)}
		if p.Many && len(fleet.Sites[i].Systems) > 0 {
			continue
		}
		for j := range fleet.Sites[i].Systems {
			site.Systems = append(site.Systems, linkTo(&fleet.Sites[i].Systems[j]))
		}
		p.Sites = append(p.Sites, site)
	}
	if r.URL.Query().Has("removed") { // without its name: whoever makes up an address says nothing here
		p.Done = "It is taken out of the fleet. Nothing that was recorded was deleted."
	}
	s.pages.write(w, r, http.StatusOK, "setup", p)
}

// readForm reads a form of at most so many bytes, or answers that it cannot.
func (s *server) readForm(w http.ResponseWriter, r *http.Request, most int64) bool {
	r.Body = http.MaxBytesReader(w, r.Body, most)
	err := r.ParseForm()
	if err == nil {
		if err = r.ParseMultipartForm(most); errors.Is(err, http.ErrNotMultipart) {
			err = nil // a plain form
		}
	}
	if tooLarge, ok := errors.AsType[*http.MaxBytesError](err); ok {
		s.fail(w, r, http.StatusRequestEntityTooLarge, "This is more than the "+view.Count(tooLarge.Limit)+" bytes that can be taken at once.")
		return false
	}
	if err != nil {
		s.fail(w, r, http.StatusBadRequest, "This form could not be read: send it again.")
		return false
	}
	return true
}

// notDone says why something was not done, and with which status. What is inside stays in the log.
func (s *server) notDone(r *http.Request, err error) (status int, text string) {
	status = map[dewline.Code]int{
		dewline.Invalid: http.StatusUnprocessableEntity, dewline.Clash: http.StatusConflict,
		dewline.NotFound: http.StatusNotFound, dewline.Forbidden: http.StatusForbidden,
	}[dewline.CodeOf(err)]
	if e, ok := errors.AsType[*dewline.Error](err); ok && e.Err != nil && status != 0 {
		return status, "This was not done: " + strings.TrimSuffix(e.Err.Error(), ".") + "."
	}
	s.Log.ErrorContext(r.Context(), "cannot change the set-up", "error", err)
	return http.StatusServiceUnavailable, "This was not done: the set-up cannot be changed at the moment. Try again."
}

// recordSetUp keeps what was changed.
func (s *server) recordSetUp(r *http.Request, of, detail string) {
	if s.Access != nil {
		s.Access.Record(r.Context(), dewline.AuditSetUp, of, detail)
	}
}
