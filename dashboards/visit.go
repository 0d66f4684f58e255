package dashboards

import (
	"cmp"
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"io"
	"mime/multipart"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/go-chi/chi/v5"

	"dewline"
	"dewline/dashboards/view"
)

// Sizes of what a form of a visit may send: its fields, and with its photos.
const (
	formBytes     = 1 << 20
	formAllBytes  = 8 * dewline.MaxPhotoBytes
	formInMemory  = 4 << 20
	visitTemplate = "visit"
)

// visitPage is where a technician records what was found and done at one machine of a call.
type visitPage struct {
	base
	Call     string // the address of the call
	Place    string
	Name     string
	Machine  string // the address of the machine
	About    string
	Cautions view.VisitCautions
	Live     visitLivePart
	Form     *view.VisitForm   // nil where there is nothing to type any more
	Record   *view.VisitRecord // what was recorded, once it is closed
	Before   []view.VisitRecord
	Proving  *view.Proving
	Ended    string // why nothing can be recorded, "" where it can
	Action   string
	New      bool
	Messages []string
	Missing  []view.Lack
	Photos   bool   // they can be kept
	Worker   string // the address of the script that keeps the page for when there is no signal
	AskName  bool
}

// visitLivePart is what the page asks for again every few seconds.
type visitLivePart struct {
	view.VisitLive
	Href string
	At   string // when it was read, for a page that hears nothing any more
}

// visitAt is one machine of a service call.
type visitAt struct {
	c      dewline.CallCase
	site   *dewline.Site
	sys    *dewline.System
	reader view.Reader
}

func (s *server) visitFor(w http.ResponseWriter, r *http.Request) (at visitAt, ok bool) {
	c, site, ok := s.callFor(w, r)
	if !ok {
		return at, false
	}
	id := dewline.NewSystemID(chi.URLParam(r, "site"), chi.URLParam(r, "system"))
	sys, enrolled := s.overview.Fleet(r.Context()).System(id)
	if !enrolled || site == nil || !slices.Contains(c.Call.Systems, id) {
		s.notFound(w, r)
		return at, false
	}
	return visitAt{c, site, sys, s.reader(r, site)}, true
}

// current returns the visit that goes on: the newest that is not closed.
func (at visitAt) current() (v dewline.Visit, ok bool) {
	for _, v := range slices.Backward(at.c.Visits) {
		if v.System == at.sys.ID && v.Closed == 0 {
			return v, true
		}
	}
	return v, false
}

// closed returns what is recorded of the machine, oldest first.
func (at visitAt) closed() (all []dewline.Visit) {
	for _, v := range at.c.Visits {
		if v.System == at.sys.ID && v.Closed != 0 {
			all = append(all, v)
		}
	}
	return all
}

// goesOn says whether another visit can be recorded: where one is closed, only once the call came back.
func (at visitAt) goesOn() bool {
	call, closed := at.c.Call, at.closed()
	switch {
	case call.State.Ended() || call.State == dewline.CallDone:
		return false
	case len(closed) == 0:
		return true
	}
	return call.Verdict != nil && closed[len(closed)-1].Closed < call.Verdict.At
}

func (at visitAt) paper() view.Paper { return view.Paper{Idiom: at.reader.Idiom, Zone: at.reader.Zone} }

func (at visitAt) predicted() (all []dewline.Cause) {
	for _, b := range at.c.Call.Briefs {
		if b.System == at.sys.ID {
			all = append(all, b.Causes...)
		}
	}
	slices.SortStableFunc(all, func(a, b dewline.Cause) int { return cmp.Compare(b.Probability, a.Probability) })
	return all
}

func (s *server) visit(w http.ResponseWriter, r *http.Request) {
	at, ok := s.visitFor(w, r)
	if !ok {
		return
	}
	if units := r.URL.Query().Get("units"); units != "" { // those in which somebody has begun to type
		at.reader.System = view.UnitsOf(dewline.Units(units))
	}
	s.pages.write(w, r, http.StatusOK, visitTemplate, s.visitPage(r, at, nil))
}

// newVisit is a visit that nobody has typed into yet.
func (s *server) newVisit(r *http.Request) dewline.Visit {
	visitor := dewline.VisitorOf(r.Context())
	return dewline.Visit{ID: rand.Text(), Started: dewline.StampOf(s.Now()), Technician: visitor.Name, Certification: s.certificate(r.Context(), visitor.Person)}
}

// certificate returns the number of the first certificate of a person that has not run out, so that nobody
// has to type it with gloves on.
func (s *server) certificate(ctx context.Context, person string) string {
	if s.Contacts == nil || person == "" {
		return ""
	}
	directory, err := s.Contacts.Directory(ctx)
	if err != nil {
		s.Log.ErrorContext(ctx, "cannot read who there is", "error", err)
	}
	p, _ := directory.Person(person)
	for _, c := range p.Certifications {
		if c.Until == 0 || c.Until > dewline.StampOf(s.Now()) {
			return c.Number
		}
	}
	return ""
}

// visitPage lays out the visit, as it is kept or, where they are given, with the fields that were sent.
func (s *server) visitPage(r *http.Request, at visitAt, typed url.Values) visitPage {
	ctx, fleet := r.Context(), s.overview.Fleet(r.Context())
	p := visitPage{
		base: s.base(r, at.reader.Say("{1}, visit", at.sys.Name)), Call: view.CallHref(at.c.Call.ID), Place: at.site.Name, Name: at.sys.Name, Machine: view.SystemHref(at.sys.ID),
		About:    at.reader.About(at.sys),
		Cautions: view.CautionsFor(at.sys, at.reader.Idiom), Live: s.readVisitLive(ctx, at), Action: view.VisitHref(at.c.Call.ID, at.sys.ID),
		Photos: s.Photos != nil, Worker: "/calls/worker.js", AskName: dewline.VisitorOf(ctx).Name == "",
	}
	p.Here = p.Action
	for _, v := range at.closed() {
		p.Before = append(p.Before, view.NewVisitRecord(v, fleet, at.reader))
	}
	current, going := at.current()
	if !going && !at.goesOn() {
		if n := len(p.Before); n > 0 {
			p.Record, p.Before = &p.Before[n-1], p.Before[:n-1]
		} else {
			p.Ended = at.reader.Say("The call is {1}, so nothing can be recorded on it.", at.reader.CallStateWord(at.c.Call.State))
		}
		p.Proving = s.proving(ctx, at.c, fleet, at.reader)
		return p
	}
	if at.c.Call.State == dewline.CallReturned || at.c.Call.Verdict != nil {
		p.Proving = s.proving(ctx, at.c, fleet, at.reader)
	}
	if !going {
		current, p.New = s.newVisit(r), true
	}
	values := view.VisitValues(current, at.paper())
	values.Set("revision", strconv.Itoa(current.Revision+1))
	if typed != nil {
		values = typed
	}
	form := view.NewVisitForm(values, at.sys, at.predicted(), at.paper())
	form.Vacuum = view.VacuumSentence(current.Evacuation, at.reader.Idiom)
	p.Form = &form
	return p
}

// readVisitLive reads the newest values of the machine.
func (s *server) readVisitLive(ctx context.Context, at visitAt) visitLivePart {
	return visitLivePart{s.readNow(ctx, at.sys, at.reader), view.VisitHref(at.c.Call.ID, at.sys.ID) + "/live", at.reader.Now.In(at.reader.Zone).Format("15:04:05")}
}

// readNow reads the newest values of a machine, without waiting for readings that may come late.
func (s *server) readNow(ctx context.Context, sys *dewline.System, reader view.Reader) view.VisitLive {
	state, _ := s.overview.State(sys.ID)
	var series dewline.Series
	if s.Series != nil {
		to := dewline.MillisOf(reader.Now)
		var err error
		series, err = s.Series.ReadSeries(ctx, dewline.SeriesQuery{System: sys.ID, Quantities: view.LiveQuantities(sys), From: to.Add(-view.LiveSpan), To: to.Add(1)})
		if err != nil {
			s.Log.ErrorContext(ctx, "cannot read live values", "system", sys.ID, "error", err)
		}
	}
	return view.NewVisitLive(sys, series, state, reader)
}

func (s *server) visitLive(w http.ResponseWriter, r *http.Request) {
	if at, ok := s.visitFor(w, r); ok {
		s.pages.writePart(w, r, http.StatusOK, visitTemplate, "visit-live", s.readVisitLive(r.Context(), at))
	}
}

// visitAnswer is what the script of the page is told.
type visitAnswer struct {
	Revision int         `json:"revision"` // that is kept here
	Kept     bool        `json:"kept"`
	Closed   bool        `json:"closed"`
	Clash    bool        `json:"clash"`    // somebody else went on: what was sent is not kept
	Problems []string    `json:"problems"` // what of it made no sense
	Missing  []view.Lack `json:"missing"`  // what it lacks to be closed
	Vacuum   string      `json:"vacuum"`
	status   int
}

// asksForJSON says whether a script asks, and not a form.
func asksForJSON(r *http.Request) bool {
	return strings.Contains(r.Header.Get("Accept"), "application/json")
}

// answerJSON tells a script what became of what it sent.
func answerJSON(w http.ResponseWriter, status int, answer any) {
	h := w.Header()
	h.Set("Content-Type", "application/json")
	h.Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	json.NewEncoder(w).Encode(answer) //nolint:errcheck // who does not hear it asks again
}

// putVisit keeps what a form says. A script that asks for JSON gets an answer, people get the page.
func (s *server) putVisit(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, formAllBytes)
	pictures, err := parseVisitForm(r)
	if r.MultipartForm != nil {
		defer r.MultipartForm.RemoveAll()
	}
	asks := asksForJSON(r)
	if err != nil {
		text := s.idiom(r).Say("This form could not be read: send it again.")
		if _, tooLarge := errors.AsType[*http.MaxBytesError](err); tooLarge {
			text = s.idiom(r).Say("That is too much at once: send fewer or smaller photos.")
		}
		s.answerVisit(w, r, asks, visitAt{}, nil, visitAnswer{Problems: []string{text}, status: http.StatusBadRequest})
		return
	}
	at, ok := s.visitFor(w, r)
	if !ok {
		return
	}
	form := r.PostForm
	if by := strings.TrimSpace(form.Get("technician")); dewline.VisitorOf(r.Context()).Name == "" && dewline.CheckPerson(by) == nil {
		keepChoice(w, r, nameCookie, url.QueryEscape(by))
	}
	at.reader.System = view.UnitsOf(dewline.Units(form.Get("units"))) // those in which it was typed
	answer := s.keepVisit(r.Context(), at, form, pictures, actor(r, form.Get("technician")))
	s.answerVisit(w, r, asks, at, form, answer)
}

// parseVisitForm reads a form with or without photos.
func parseVisitForm(r *http.Request) ([]*multipart.FileHeader, error) {
	if !strings.HasPrefix(r.Header.Get("Content-Type"), "multipart/") {
		r.Body = http.MaxBytesReader(nil, r.Body, formBytes)
		return nil, r.ParseForm()
	}
	if err := r.ParseMultipartForm(formInMemory); err != nil {
		return nil, err
	}
	return r.MultipartForm.File["picture"], nil
}

// keepVisit keeps a visit with its photos, and closes it where the form says so.
func (s *server) keepVisit(ctx context.Context, at visitAt, form url.Values, pictures []*multipart.FileHeader, by string) visitAnswer {
	now := dewline.StampOf(s.Now())
	v, problems := view.VisitOf(form, at.paper(), now)
	v.Call, v.System = at.c.Call.ID, at.sys.ID
	closing := form.Get("do") == "close"
	if closing && v.Finished == 0 {
		v.Finished = now
	}
	answer := visitAnswer{Problems: problems, status: http.StatusOK}
	stored, err := s.Service.PutVisit(ctx, v)
	if err == nil && stored.Revision == v.Revision && stored.Closed == 0 && s.keepPictures(ctx, form, pictures, &v, &answer, at.reader.Idiom) {
		v.Revision++
		stored, err = s.Service.PutVisit(ctx, v)
	}
	answer.Revision, answer.Closed = stored.Revision, stored.Closed != 0
	if err != nil || stored.Revision > v.Revision {
		return s.notKept(ctx, answer, stored, v, err, at.reader.Idiom)
	}
	answer.Kept, answer.Vacuum = true, view.VacuumSentence(stored.Evacuation, at.reader.Idiom)
	if len(answer.Problems) > 0 {
		answer.status = http.StatusUnprocessableEntity
	}
	if !closing || answer.Closed || len(answer.Problems) > 0 {
		return answer
	}
	_, err = s.Service.CloseVisit(ctx, v.ID, dewline.Closing{By: cmp.Or(by, v.Technician), Finished: v.Finished})
	if incomplete, ok := errors.AsType[*dewline.Incomplete](err); ok {
		answer.Missing, answer.status = at.reader.Lacks(incomplete.Missing), http.StatusUnprocessableEntity
	} else if err != nil {
		answer.Problems, answer.status = []string{s.problemOf(ctx, at.reader.Say("The visit is kept and not closed:")+" ", err)}, http.StatusConflict
	} else {
		answer.Closed = true
		s.overview.Forget()
	}
	return answer
}

// notKept says why a visit was not kept as it was sent.
func (s *server) notKept(ctx context.Context, answer visitAnswer, stored, sent dewline.Visit, err error, u view.Idiom) visitAnswer {
	answer.status = http.StatusConflict
	switch {
	case err == nil || dewline.CodeOf(err) == dewline.Clash && stored.ID == sent.ID && stored.Closed == 0 && stored.Revision >= sent.Revision:
		answer.Clash = true
		answer.Problems = append(answer.Problems, u.Say("Somebody has gone on with this visit on another device. What you typed is still here and not kept there: look at both before you go on."))
	case dewline.CodeOf(err) == dewline.Invalid:
		answer.status = http.StatusBadRequest
		fallthrough
	default:
		answer.Problems = append(answer.Problems, s.problemOf(ctx, u.Say("The visit was not kept:")+" ", err))
	}
	if code := dewline.CodeOf(err); code == dewline.Unavailable || code == dewline.Internal {
		answer.status = http.StatusServiceUnavailable // worth another attempt
	}
	return answer
}

// keepPictures keeps the photos of a form with its visit, which is there already. It returns whether there
// are any that were not there before.
func (s *server) keepPictures(ctx context.Context, form url.Values, pictures []*multipart.FileHeader, v *dewline.Visit, answer *visitAnswer, u view.Idiom) (added bool) {
	for _, picture := range pictures {
		photo, problem := s.keepPicture(ctx, v.ID, picture, u)
		switch {
		case problem == noPicture:
		case problem != "":
			answer.Problems = append(answer.Problems, problem)
		default:
			view.AddPhoto(form, photo) // so that it is not lost where the form comes back
			v.Photos, added = append(v.Photos, photo), true
		}
	}
	return added
}

const noPicture = "nothing chosen"

func (s *server) keepPicture(ctx context.Context, visit string, picture *multipart.FileHeader, u view.Idiom) (photo dewline.Photo, problem string) {
	if picture.Filename == "" && picture.Size == 0 {
		return photo, noPicture
	}
	what := u.Say("The photo {1} was not kept:", strconv.Quote(picture.Filename)) + " "
	if s.Photos == nil {
		return photo, what + u.Say("no photos are kept here.")
	}
	f, err := picture.Open()
	if err != nil {
		return photo, what + u.Say("it could not be read.")
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, dewline.MaxPhotoBytes+1))
	if err != nil {
		return photo, what + u.Say("it could not be read.")
	}
	if photo, err = s.Photos.KeepPhoto(ctx, visit, data); err != nil {
		return photo, s.problemOf(ctx, what, err)
	}
	return photo, ""
}

func (s *server) answerVisit(w http.ResponseWriter, r *http.Request, asks bool, at visitAt, form url.Values, a visitAnswer) {
	switch {
	case asks:
		a.Problems, a.Missing = append([]string{}, a.Problems...), append([]view.Lack{}, a.Missing...) // [] rather than null
		answerJSON(w, a.status, a)
	case at.sys == nil:
		s.fail(w, r, a.status, a.Problems[0])
	case a.status == http.StatusOK:
		http.Redirect(w, r, view.VisitHref(at.c.Call.ID, at.sys.ID)+"#visit", http.StatusSeeOther)
	default:
		if a.Kept { // what is typed now goes on from there
			form.Set("revision", strconv.Itoa(a.Revision+1))
		}
		p := s.visitPage(r, at, form)
		p.Messages, p.Missing = a.Problems, a.Missing
		s.pages.write(w, r, a.status, visitTemplate, p)
	}
}
