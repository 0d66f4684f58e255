package dashboards

import (
	"cmp"
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"dewline"
	"dewline/dashboards/view"
)

// endedShown is how many calls that have ended a list shows at its end.
const endedShown = 20

// callsPage lists service calls: a technician's next ones, or everybody's.
type callsPage struct {
	base
	Headline    string
	Mine        string // whose calls these are, "" for everybody's
	Technicians []view.Choice
	States      []view.Choice
	Groups      []view.CallGroup
	ListErr     string
	Link        string // the address of a calendar that was just made
	Links       []view.CalendarLine
	CanLink     bool
	Messages    []string
	Self        string
}

// callPage is one service call.
type callPage struct {
	base
	Line     view.CallLine
	About    string
	Reasons  []string
	Note     string
	Follows  string
	Briefs   []view.CallBrief
	Bring    []view.BringLine
	Van      string // whose stock the list is held against, "" where none is kept
	Skills   []string
	Caution  string
	Visits   []view.VisitRecord
	Proving  *view.Proving
	Steps    []view.Step
	Do       []callDo // what comes next
	Also     []callDo // what else can be done
	Typed    url.Values
	Pack     string
	Zone     string
	Messages []string
	People   []string // technicians who may be sent
	Name     string   // of whoever acts, where nobody is signed in
	AskName  bool
}

// callDo is something that can be done with the call, and what has to be typed for it.
type callDo struct {
	Do, Word string
}

// actForm is the form of one of them.
type actForm struct {
	callDo
	Page *callPage
}

// Form lays out what has to be typed for something.
func (p callPage) Form(do callDo) actForm { return actForm{do, &p} }

var callDoWords = map[dewline.CallDo]dewline.Phrase{
	dewline.Assign: "Assign", dewline.Schedule: "Plan", dewline.OnTheWay: "I am on the way", dewline.OnSite: "I am on site", dewline.CancelCall: "Cancel the call",
}

// dispatchers are the acts that are the dispatcher's; the others are whoever's who goes.
var dispatchers = []dewline.CallDo{dewline.Assign, dewline.Schedule, dewline.CancelCall}

// nextDo is what usually comes next with a call.
var nextDo = map[dewline.CallState][]dewline.CallDo{
	dewline.CallNew: {dewline.Assign}, dewline.CallReturned: {dewline.Assign}, dewline.CallAssigned: {dewline.Schedule, dewline.OnTheWay, dewline.OnSite},
	dewline.CallScheduled: {dewline.OnTheWay, dewline.OnSite}, dewline.CallOnTheWay: {dewline.OnSite},
}

// callRoutes are the pages of service calls and visits.
func (s *server) callRoutes() []route {
	visits := needs(dewline.WorkOnVisits)
	return []route{
		{"GET /calls", visits, s.callsList},
		{"POST /calls/calendar", visits, s.makeCalendar},
		{"GET /calls/worker.js", needs(dewline.Anyone), s.visitWorker},
		{"GET /calls/{id}", visits, s.callOne},
		{"POST /calls/{id}", visits, s.actOnCall},
		{"GET /calls/{id}/visit/{site}/{system}", visits, s.visit},
		{"POST /calls/{id}/visit/{site}/{system}", visits, s.putVisit},
		{"GET /calls/{id}/visit/{site}/{system}/live", visits, s.visitLive},
	}
}

// actor is under whose name something is done: whoever is signed in or, where nobody has to be, who a form
// says.
func actor(r *http.Request, typed string) string {
	return cmp.Or(dewline.VisitorOf(r.Context()).Name, strings.TrimSpace(typed), nameOf(r))
}

func (s *server) callsList(w http.ResponseWriter, r *http.Request) {
	s.pages.write(w, r, http.StatusOK, "calls", s.callsPage(r))
}

func (s *server) callsPage(r *http.Request) callsPage {
	ctx := r.Context()
	p := callsPage{base: s.base(r, s.idiom(r).Say("Service calls")), Self: r.URL.RequestURI(), CanLink: s.Calendar != nil}
	visitor := dewline.VisitorOf(ctx)
	p.Mine = r.URL.Query().Get("technician")
	if _, asked := r.URL.Query()["technician"]; !asked && !visitor.May(dewline.WorkOnAlerts) {
		p.Mine = visitor.Name
	}
	state := dewline.CallState(r.URL.Query().Get("state"))
	if s.Service == nil {
		p.Headline, p.ListErr = s.idiom(r).Say("Service calls"), s.idiom(r).Say("Service calls cannot be made here.")
		return p
	}
	calls, err := s.callsOpenAndLately(ctx)
	if err != nil {
		s.Log.ErrorContext(ctx, "cannot list service calls", "error", err)
		p.ListErr = s.idiom(r).Say("Service calls cannot be read at the moment. Load the page again; /readyz says what is wrong.")
	}
	fleet := s.overview.Fleet(ctx)
	p.Technicians, p.States = view.CallFilters(calls, p.Mine, string(state), s.idiom(r))
	calls = slices.DeleteFunc(calls, func(c dewline.ServiceCall) bool {
		return p.Mine != "" && !sameName(c.Technician, p.Mine) || state != "" && c.State != state
	})
	view.SortCalls(calls, fleet)
	open := 0
	for _, c := range calls {
		if !c.State.Ended() && c.State != dewline.CallDone {
			open++
		}
	}
	p.Headline = s.idiom(r).CallsHeadline(open, p.Mine)
	reader := func(c dewline.ServiceCall) view.Reader {
		site, _ := fleet.Site(c.Site)
		return s.reader(r, site)
	}
	p.Groups = s.idiom(r).GroupCalls(calls, func(c dewline.ServiceCall) view.CallLine { return view.NewCallLine(c, fleet, reader(c)) },
		func(c dewline.ServiceCall) string { return view.DayTitle(dewline.Millis(c.From), reader(c)) })
	if s.Calendar != nil {
		links, err := s.Calendar.Links(ctx)
		if err != nil {
			s.Log.ErrorContext(ctx, "cannot list calendars", "error", err)
		}
		p.Links = view.CalendarLines(links, p.Mine, s.reader(r, nil))
	}
	return p
}

func sameName(a, b string) bool { return strings.EqualFold(strings.TrimSpace(a), strings.TrimSpace(b)) }

// callsOpenAndLately returns every call that has not ended, and the last that have.
func (s *server) callsOpenAndLately(ctx context.Context) ([]dewline.ServiceCall, error) {
	var open, ended []dewline.CallState
	for _, state := range dewline.CallStates() {
		if state.Ended() {
			ended = append(ended, state)
		} else {
			open = append(open, state)
		}
	}
	all, err := s.allCalls(ctx, dewline.CallFilter{States: open})
	if err != nil {
		return all, err
	}
	lately, err := s.Service.CallsIn(ctx, dewline.CallFilter{States: ended, Limit: endedShown})
	return append(all, lately...), err
}

// allCalls returns every call that a filter lets through.
func (s *server) allCalls(ctx context.Context, f dewline.CallFilter) (all []dewline.ServiceCall, err error) {
	for {
		page, err := s.Service.CallsIn(ctx, f)
		if err != nil {
			return all, err
		}
		all = append(all, page...)
		if len(page) < dewline.MaxAlertsPage {
			return all, nil
		}
		f.After = page[len(page)-1].ID
	}
}

// callsOfAlerts returns the addresses of the calls that alerts are part of, for those who may open them.
func (s *server) callsOfAlerts(ctx context.Context, f dewline.CallFilter) map[string]string {
	if s.Service == nil || !dewline.VisitorOf(ctx).May(dewline.WorkOnVisits) {
		return nil
	}
	f.States = slices.DeleteFunc(dewline.CallStates(), dewline.CallState.Ended)
	calls, err := s.Service.CallsIn(ctx, f)
	if err != nil {
		s.Log.ErrorContext(ctx, "cannot list service calls", "error", err)
	}
	all := map[string]string{}
	for _, c := range slices.Backward(calls) { // of several the newest stays
		for _, alert := range c.Alerts {
			all[alert] = view.CallHref(c.ID)
		}
	}
	return all
}

// callFor returns the call that the address names, with its site where that is still enrolled, or answers
// that there is none.
func (s *server) callFor(w http.ResponseWriter, r *http.Request) (c dewline.CallCase, site *dewline.Site, ok bool) {
	if s.Service == nil {
		s.notFound(w, r)
		return c, nil, false
	}
	ctx := r.Context()
	c, err := s.Service.CallCase(ctx, chi.URLParam(r, "id"))
	site, enrolled := s.overview.Fleet(ctx).Site(c.Call.Site)
	switch {
	case dewline.CodeOf(err) == dewline.NotFound, err == nil && !enrolled && !dewline.VisitorOf(ctx).SeesAll():
		s.notFound(w, r)
		return c, nil, false
	case err != nil:
		s.Log.ErrorContext(ctx, "cannot read a service call", "error", err)
		s.fail(w, r, http.StatusServiceUnavailable, "The service call cannot be read at the moment. Load the page again; /readyz says what is wrong.")
		return c, nil, false
	}
	return c, site, true
}

func (s *server) callOne(w http.ResponseWriter, r *http.Request) {
	c, site, ok := s.callFor(w, r)
	if ok {
		s.pages.write(w, r, http.StatusOK, "call", s.callPage(r, c, site, nil))
	}
}

func (s *server) callPage(r *http.Request, c dewline.CallCase, site *dewline.Site, typed url.Values) callPage {
	ctx, reader, fleet := r.Context(), s.reader(r, site), s.overview.Fleet(r.Context())
	call := c.Call
	p := callPage{
		Line: view.NewCallLine(call, fleet, reader), Note: call.Note, Skills: reader.Kept(call.Skills), Caution: reader.Say(cmp.Or(call.Caution, dewline.Caution)),
		Bring: view.BringLines(call.Bring, reader.Idiom), Steps: view.CallSteps(c.History, reader), Zone: reader.Zone.String(),
		Typed: typed, Name: nameOf(r), AskName: dewline.VisitorOf(ctx).Name == "",
	}
	p.base = s.base(r, reader.Say("{1}, service call", p.Line.Place))
	p.About = view.CallAbout(call, reader)
	for _, reason := range call.Reasons {
		p.Reasons = append(p.Reasons, view.InUnits(reader.Say(reason), reader.Idiom))
	}
	if call.Follows != "" {
		p.Follows = view.CallHref(call.Follows)
	}
	if slices.ContainsFunc(call.Bring, func(item dewline.StockItem) bool { return item.InVan != nil }) {
		p.Van = call.Technician
	}
	for _, b := range call.Briefs {
		sys, enrolled := fleet.System(b.System)
		brief := view.NewCallBrief(call, b, sys, reader)
		if enrolled && !call.State.Ended() {
			brief.Now = s.readNow(ctx, sys, reader).Sentences(reader.Idiom)
		}
		brief.Before = s.lastVisit(ctx, b.System, call, fleet, reader)
		p.Briefs = append(p.Briefs, brief)
	}
	for _, v := range c.Visits {
		p.Visits = append(p.Visits, view.NewVisitRecord(v, fleet, reader))
	}
	p.Proving = s.proving(ctx, c, fleet, reader)
	may := dewline.VisitorOf(ctx)
	for _, do := range c.May {
		switch {
		case !may.May(dewline.WorkOnAlerts) && slices.Contains(dispatchers, do):
		case slices.Contains(nextDo[call.State], do):
			p.Do = append(p.Do, callDo{string(do), callDoWords[do].Said(reader)})
		default:
			p.Also = append(p.Also, callDo{string(do), callDoWords[do].Said(reader)})
		}
	}
	if len(p.Do)+len(p.Also) > 0 && may.May(dewline.WorkOnAlerts) {
		p.People = s.technicians(ctx)
	}
	if s.Papers != nil {
		p.Pack = "/api/v1/service-calls/" + url.PathEscape(call.ID) + "/closing-pack.pdf?units=" + string(unitsOf(r))
	}
	return p
}

// technicians returns the names of those who go to calls, as far as they are entered.
func (s *server) technicians(ctx context.Context) (names []string) {
	if s.Contacts == nil {
		return nil
	}
	directory, err := s.Contacts.Directory(ctx)
	if err != nil {
		s.Log.ErrorContext(ctx, "cannot read who there is", "error", err)
	}
	for _, p := range directory.People {
		if p.Role == dewline.RoleTechnician && p.Anonymised == 0 {
			names = append(names, p.Shown())
		}
	}
	slices.Sort(names)
	return names
}

// lastVisit tells what the last visit before this call found, which says a lot about the next.
func (s *server) lastVisit(ctx context.Context, id dewline.SystemID, call dewline.ServiceCall, fleet *dewline.Fleet, reader view.Reader) string {
	if id == "" {
		return ""
	}
	visits, err := s.Service.Visits(ctx, id, dewline.MillisOf(reader.Now.Add(-historyDays*24*time.Hour)), dewline.MillisOf(reader.Now.Add(time.Hour)))
	if err != nil {
		s.Log.ErrorContext(ctx, "cannot read earlier visits", "system", id, "error", err)
	}
	visits = slices.DeleteFunc(visits, func(v dewline.Visit) bool { return v.Call == call.ID })
	return view.LastVisit(visits, fleet, reader)
}

// proving tells how far the proof of a call has come: the verdict, or where there is none yet what the
// readings say so far.
func (s *server) proving(ctx context.Context, c dewline.CallCase, fleet *dewline.Fleet, reader view.Reader) *view.Proving {
	verdict := c.Call.Verdict
	if c.Call.State == dewline.CallDone {
		told, err := s.Service.Verify(ctx, c.Call.ID)
		if err != nil {
			s.Log.ErrorContext(ctx, "cannot hold a call against the readings", "call", c.Call.ID, "error", err)
		} else {
			verdict = told.Call.Verdict
		}
	}
	if verdict == nil {
		return nil
	}
	p := view.NewProving(*verdict, fleet, reader)
	return &p
}

// callAnswer is what the script of a page is told of an act that it kept until there was a signal.
type callAnswer struct {
	Done    bool   `json:"done"`
	Problem string `json:"problem"` // why it cannot be done
}

// actOnCall does with a call what its form asks for. A script that asks for JSON gets an answer, people get
// the page.
func (s *server) actOnCall(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, 1<<16)
	if err := r.ParseForm(); err != nil {
		s.fail(w, r, http.StatusBadRequest, "This form could not be read: send it again.")
		return
	}
	c, site, ok := s.callFor(w, r)
	if !ok {
		return
	}
	ctx, form := r.Context(), r.PostForm
	asks := asksForJSON(r)
	by := actor(r, form.Get("by"))
	if dewline.VisitorOf(ctx).Name == "" && dewline.CheckPerson(by) == nil {
		keepChoice(w, r, nameCookie, url.QueryEscape(by))
	}
	u := s.idiom(r)
	act, unclear := callActOf(form, by, s.reader(r, site).Zone)
	problem := unclear.Said(u)
	if problem == "" && slices.Contains(dispatchers, act.Do) && !dewline.VisitorOf(ctx).May(dewline.WorkOnAlerts) {
		s.fail(w, r, http.StatusForbidden, "Assigning, planning and cancelling calls is the dispatcher's.")
		return
	}
	status := http.StatusConflict
	if problem == "" {
		if _, err := s.Service.ActOnCall(ctx, c.Call.ID, act); err != nil {
			problem = s.problemOf(ctx, u.Say("This was not done:")+" ", err)
			if code := dewline.CodeOf(err); code == dewline.Unavailable || code == dewline.Internal {
				status = http.StatusServiceUnavailable // worth another attempt
			}
		} else {
			s.overview.Forget()
			status = http.StatusOK
		}
	}
	switch {
	case asks:
		answerJSON(w, status, callAnswer{problem == "", problem})
	case problem == "":
		http.Redirect(w, r, view.CallHref(c.Call.ID), http.StatusSeeOther)
	default:
		p := s.callPage(r, c, site, form)
		p.Here = view.CallHref(c.Call.ID)
		p.Messages = []string{problem}
		s.pages.write(w, r, http.StatusConflict, "call", p)
	}
}

// callActOf reads what is to be done with a call. Times are those of the site.
func callActOf(form url.Values, by string, zone *time.Location) (act dewline.CallAct, problem dewline.Phrase) {
	act = dewline.CallAct{ID: form.Get("id"), Do: dewline.CallDo(form.Get("do")), By: by, Why: strings.TrimSpace(form.Get("why"))}
	if at, err := time.Parse(time.RFC3339, form.Get("at")); err == nil {
		act.At = dewline.StampOf(at)
	}
	switch {
	case dewline.CheckPerson(by) != nil:
		return act, "Say who you are: every change is kept with the name of who made it."
	case act.Do == dewline.Assign:
		if act.Technician = strings.TrimSpace(form.Get("technician")); dewline.CheckPerson(act.Technician) != nil {
			return act, "Say who goes."
		}
	case act.Do == dewline.CancelCall && act.Why == "":
		return act, "Say why the call is cancelled: the reason is kept with it."
	case act.Do == dewline.Schedule:
		from, err1 := time.ParseInLocation("2006-01-02T15:04", form.Get("from"), zone)
		to, err2 := time.ParseInLocation("15:04", form.Get("to"), zone)
		if errors.Join(err1, err2) != nil {
			return act, "Say on which day and from when to when the visit is planned."
		}
		end := time.Date(from.Year(), from.Month(), from.Day(), to.Hour(), to.Minute(), 0, 0, zone)
		if !end.After(from) {
			end = end.AddDate(0, 0, 1) // past midnight
		}
		act.From, act.To = dewline.StampOf(from), dewline.StampOf(end)
	}
	return act, ""
}

// makeCalendar makes or revokes a link by which a calendar program reads calls.
func (s *server) makeCalendar(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, 1<<14)
	if s.Calendar == nil {
		s.fail(w, r, http.StatusServiceUnavailable, "There are no calendars here.")
		return
	}
	ctx := r.Context()
	by, technician := actor(r, r.PostFormValue("by")), strings.TrimSpace(r.PostFormValue("technician"))
	page := r.Clone(ctx)
	page.URL = &url.URL{Path: "/calls", RawQuery: url.Values{"technician": {technician}}.Encode()}
	switch err := s.calendar(ctx, r.PostFormValue("revoke"), technician, by, s.idiom(r)); {
	case err.problem != "":
		p := s.callsPage(page)
		p.Messages = []string{err.problem}
		s.pages.write(w, r, http.StatusConflict, "calls", p)
	case err.token == "":
		http.Redirect(w, r, page.URL.String(), http.StatusSeeOther)
	default:
		scheme := "http"
		if r.TLS != nil {
			scheme = "https"
		}
		p := s.callsPage(page)
		p.Link = scheme + "://" + r.Host + "/api/v1/calendar/" + err.token + ".ics"
		w.Header().Set("Referrer-Policy", "no-referrer")
		s.pages.write(w, r, http.StatusOK, "calls", p)
	}
}

// calendarDone is a token that was made, or why nothing was done.
type calendarDone struct{ token, problem string }

func (s *server) calendar(ctx context.Context, revoke, technician, by string, u view.Idiom) calendarDone {
	if dewline.CheckPerson(by) != nil {
		return calendarDone{problem: u.Say("Say who you are: every link is kept with the name of who made it.")}
	}
	if revoke != "" {
		if _, err := s.Calendar.RevokeLink(ctx, revoke, by); err != nil {
			return calendarDone{problem: s.problemOf(ctx, u.Say("The link was not revoked:")+" ", err)}
		}
		return calendarDone{}
	}
	_, token, err := s.Calendar.NewLink(ctx, dewline.CalendarLink{Technician: technician, By: by})
	if err != nil {
		return calendarDone{problem: s.problemOf(ctx, u.Say("No link was made:")+" ", err)}
	}
	return calendarDone{token: token}
}
