package dashboards

import (
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

// holdList is a list of the page, under its title.
type holdList struct {
	ID, Title string
	Lines     []view.HoldLine
}

// holdsPage lists what keeps notices back, now and later, and has a form to hold more.
type holdsPage struct {
	base
	Headline string
	ListErr  string
	Lists    [2]holdList // held now, and planned
	Ended    []view.HoldLine
	MoreOver int // that have ended too and are not listed
	Sites    []choice
	Form     *holdForm // once the site is chosen, whose zone it takes
	Done     string
	Message  string
	AskName  bool
	Name     string
}

// holdForm is a hold as it is typed.
type holdForm struct {
	Site, SiteName, Zone string
	Kinds, Systems       []choice
	From, Until, Why     string
}

// heldByHand are the kinds that the form offers: what people plan. Nobody plans a power cut.
var heldByHand = []dewline.HoldKind{dewline.HoldMaintenance, dewline.HoldCommissioning, dewline.HoldSeasonal}

// typedTime is how a browser writes a day and an hour.
const typedTime = "2006-01-02T15:04"

func (s *server) holdRoutes() []route {
	return []route{
		{"GET /holds", needs(dewline.WorkOnAlerts), s.listHolds},
		{"POST /holds", needs(dewline.WorkOnAlerts), s.makeHold},
		{"POST /holds/{id}/end", needs(dewline.WorkOnAlerts), s.endHold},
	}
}

// holds returns the holds of a site ("" for all) that last now or will.
func (s *server) holds(ctx context.Context, site string) ([]dewline.Hold, error) {
	if s.Desk == nil {
		return nil, nil
	}
	holds, err := s.Desk.HoldsIn(ctx, site)
	if err != nil {
		s.Log.ErrorContext(ctx, "cannot read holds", "error", err)
	}
	return holds, err
}

// lasts says whether a hold lasts now.
func (s *server) lasts(h dewline.Hold) bool {
	now := dewline.MillisOf(s.Now())
	return dewline.Millis(h.From) <= now && now < dewline.Millis(h.Until)
}

// holdsOf returns the holds of a system and of its whole site that last now. A shelved alert says so itself.
func (s *server) holdsOf(ctx context.Context, fleet *dewline.Fleet, id dewline.SystemID, reader view.Reader) (lines []view.HoldLine) {
	holds, _ := s.holds(ctx, id.Site())
	for _, h := range holds {
		if h.Alert == "" && h.Site == id.Site() && (h.System == "" || h.System == id) && s.lasts(h) {
			lines = append(lines, view.NewHoldLine(h, fleet, reader))
		}
	}
	return lines
}

func (s *server) listHolds(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	p := holdsPage{}
	if q.Has("kept") {
		p.Done = s.idiom(r).Say("It is kept.")
	}
	s.showHolds(w, r, http.StatusOK, q, p)
}

// showHolds writes the page. The form has what was typed, or what the address says.
func (s *server) showHolds(w http.ResponseWriter, r *http.Request, status int, typed url.Values, p holdsPage) {
	ctx, fleet := r.Context(), s.overview.Fleet(r.Context())
	p.base = s.base(r, s.idiom(r).Say("Notices held back"))
	p.AskName, p.Name = p.Visitor.Name == "", nameOf(r)
	holds, err := s.holds(ctx, "")
	if err != nil {
		p.ListErr = s.idiom(r).Say("What is held cannot be read at the moment. Load the page again; /readyz says what is wrong.")
	}
	now, planned := holdList{ID: "now", Title: s.idiom(r).Say("Held now")}, holdList{ID: "planned", Title: s.idiom(r).Say("Planned")}
	for _, h := range holds {
		site, _ := fleet.Site(h.Site)
		line := view.NewHoldLine(h, fleet, s.reader(r, site))
		list := &now
		if dewline.Millis(h.From) > dewline.MillisOf(s.Now()) {
			list = &planned
		}
		list.Lines = append(list.Lines, line)
	}
	p.Lists = [2]holdList{now, planned}
	if err := s.endedHolds(r, &p, fleet); err != nil {
		s.Log.ErrorContext(ctx, "cannot read holds that have ended", "error", err)
		p.ListErr = s.idiom(r).Say("What is held cannot be read at the moment. Load the page again; /readyz says what is wrong.")
	}
	p.Headline = s.idiom(r).HoldsHeadline(len(now.Lines), len(planned.Lines))
	chosen := typed.Get("site")
	if len(fleet.Sites) == 1 {
		chosen = fleet.Sites[0].ID
	}
	for i := range fleet.Sites {
		p.Sites = append(p.Sites, choice{fleet.Sites[i].ID, fleet.Sites[i].Name, fleet.Sites[i].ID == chosen})
	}
	if site, ok := fleet.Site(chosen); ok && s.Desk != nil {
		p.Form = s.holdFormOf(r, site, typed)
	}
	s.pages.write(w, r, status, "holds", p)
}

// How far back the page tells of holds that have ended, and of how many.
const (
	endedSpan = 90 * 24 * time.Hour
	endedMost = 100
)

func (s *server) endedHolds(r *http.Request, p *holdsPage, fleet *dewline.Fleet) error {
	if s.Desk == nil {
		return nil
	}
	holds, err := s.Desk.EndedHolds(r.Context(), "", dewline.MillisOf(s.Now().Add(-endedSpan)))
	if len(holds) > endedMost {
		p.MoreOver, holds = len(holds)-endedMost, holds[:endedMost]
	}
	for _, h := range holds {
		site, _ := fleet.Site(h.Site)
		p.Ended = append(p.Ended, view.NewEndedHold(h, fleet, s.reader(r, site)))
	}
	return err
}

func (s *server) holdFormOf(r *http.Request, site *dewline.Site, typed url.Values) *holdForm {
	f := &holdForm{Site: site.ID, SiteName: site.Name, Zone: s.reader(r, site).Zone.String(), From: typed.Get("from"), Until: typed.Get("until"), Why: typed.Get("why")}
	for _, kind := range heldByHand {
		f.Kinds = append(f.Kinds, choice{string(kind), s.idiom(r).HoldWord(kind), string(kind) == typed.Get("kind")})
	}
	f.Systems = []choice{{Word: "the whole site"}}
	for i := range site.Systems {
		id := string(site.Systems[i].ID)
		f.Systems = append(f.Systems, choice{id, site.Systems[i].Name, id == typed.Get("system")})
	}
	return f
}

// actorOf returns who does what a form asks for, and keeps a name that was typed for the next time.
func actorOf(w http.ResponseWriter, r *http.Request) string {
	by := actor(r, r.PostForm.Get("by"))
	if dewline.VisitorOf(r.Context()).Name == "" && dewline.CheckPerson(by) == nil {
		keepChoice(w, r, nameCookie, url.QueryEscape(by))
	}
	return by
}

// readHoldForm reads a form about a hold, and answers itself where nobody can work on holds.
func (s *server) readHoldForm(w http.ResponseWriter, r *http.Request) bool {
	if !s.readForm(w, r, 1<<16) {
		return false
	}
	if s.Desk == nil {
		s.fail(w, r, http.StatusServiceUnavailable, "Nobody can work on alerts here.")
	}
	return s.Desk != nil
}

func (s *server) makeHold(w http.ResponseWriter, r *http.Request) {
	if !s.readHoldForm(w, r) {
		return
	}
	form := r.PostForm
	site, ok := s.overview.Fleet(r.Context()).Site(form.Get("site"))
	if !ok {
		s.fail(w, r, http.StatusNotFound, "There is no such site: choose one again.")
		return
	}
	hold, err := holdFrom(form, s.reader(r, site))
	hold.By = actorOf(w, r)
	if err == nil {
		_, err = s.Desk.Hold(r.Context(), hold)
	}
	if err != nil {
		status, text := s.notDone(r, err)
		s.showHolds(w, r, status, form, holdsPage{Message: text})
		return
	}
	http.Redirect(w, r, "/holds?kept", http.StatusSeeOther)
}

// holdFrom reads the form. Times are those of the site; one that is left out begins now, on the minute,
// so that a form that is sent twice is one hold.
func holdFrom(form url.Values, reader view.Reader) (dewline.Hold, error) {
	h := dewline.Hold{Kind: dewline.HoldKind(form.Get("kind")), Site: form.Get("site"), System: dewline.SystemID(form.Get("system")), Why: strings.TrimSpace(form.Get("why"))}
	bad := func(text string) (dewline.Hold, error) {
		return h, &dewline.Error{Code: dewline.Invalid, Err: errors.New(text)}
	}
	if !slices.Contains(heldByHand, h.Kind) {
		return bad("choose why notices are held: planned work, commissioning or out of season")
	}
	if h.Why == "" {
		return bad("say why: the reason stands with each notice that waits")
	}
	from, until := reader.Now.Truncate(time.Minute), time.Time{}
	for _, t := range []struct {
		name string
		at   *time.Time
	}{{"from", &from}, {"until", &until}} {
		text := form.Get(t.name)
		if text == "" && t.name == "from" {
			continue
		}
		at, err := time.ParseInLocation(typedTime, text, reader.Zone)
		if err != nil {
			return bad("say " + t.name + " when: a day and an hour")
		}
		if at.Format(typedTime) != text {
			return bad("that day has no such hour at the site, whose clocks are changed then: choose another")
		}
		*t.at = at
	}
	h.From, h.Until = dewline.StampOf(from), dewline.StampOf(until)
	return h, nil
}

func (s *server) endHold(w http.ResponseWriter, r *http.Request) {
	if !s.readHoldForm(w, r) {
		return
	}
	by := actorOf(w, r)
	ended, err := s.Desk.EndHold(r.Context(), chi.URLParam(r, "id"), dewline.Change{By: by, Why: strings.TrimSpace(r.PostForm.Get("why"))})
	p, status := holdsPage{}, http.StatusOK
	switch {
	case dewline.CodeOf(err) == dewline.NotFound:
		s.notFound(w, r)
		return
	case err != nil:
		status, p.Message = s.notDone(r, err)
	default:
		fleet := s.overview.Fleet(r.Context())
		site, _ := fleet.Site(ended.Site)
		p.Done = view.HoldEnded(ended, fleet, s.reader(r, site))
	}
	s.showHolds(w, r, status, nil, p)
}
