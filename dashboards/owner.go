package dashboards

import (
	"cmp"
	"net/http"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"dewline"
	"dewline/dashboards/view"
)

// ownerPage is what an owner sees of their machines in one month.
type ownerPage struct {
	base
	Name      string
	Company   bool // who looks is of the service company
	Month     string
	UnderWay  string // until when it is told, "" for a month that is over
	Earlier   string
	Later     string
	Report    string // the address of the PDF
	Summary   []string
	Sites     []view.OwnerSite
	Why       []string // what the figures of several machines lack
	Days      view.ChartSet[view.Days]
	HasDays   bool
	Changes   []view.OwnerChange
	Works     []view.OwnerWork
	Advice    []dewline.OwnerAdvice
	AdviceAt  string
	Records   []view.OwnerRecord
	NoRecords int    // appliances to which nothing was ever added
	FleetCSV  string // where all of them are, for who owns the machines
	Notice    string
	Notes     []string
	Sources   []string
	Caution   string
}

// ownsOnly says whether a visitor owns machines and does not work on them. They are shown how those do,
// and never what is to be done at one.
func ownsOnly(v dewline.Visitor) bool {
	return v.Owner != "" && !v.May(dewline.WorkOnAlerts) && !v.May(dewline.WorkOnVisits)
}

// first leads who owns machines, and does not work on them, to their own page, and everybody else to
// what needs someone.
func (s *server) first(w http.ResponseWriter, r *http.Request) {
	if v := dewline.VisitorOf(r.Context()); ownsOnly(v) {
		http.Redirect(w, r, view.OwnerHref(v.Owner, ""), http.StatusSeeOther)
		return
	}
	s.today(w, r)
}

// monthOf returns the month that is under way for an owner, by the clocks of their first site.
func (s *server) monthOf(r *http.Request, owner string) dewline.Month {
	zone := time.UTC
	fleet := s.overview.Fleet(r.Context())
	for i := range fleet.Sites {
		if site := &fleet.Sites[i]; site.Owner == owner && site.Timezone != nil {
			zone = site.Timezone
			break
		}
	}
	return dewline.MonthOf(dewline.MillisOf(s.Now()), zone)
}

func (s *server) owner(w http.ResponseWriter, r *http.Request) {
	id := chi.URLParam(r, "owner")
	if s.Owners == nil || !dewline.VisitorOf(r.Context()).Sees(id) {
		s.notFound(w, r)
		return
	}
	now := s.monthOf(r, id)
	month := dewline.Month(r.URL.Query().Get("month"))
	if !month.Valid() || month > now {
		month = now
	}
	m, err := s.Owners.OwnerMonth(dewline.WithTongue(r.Context(), s.idiom(r)), id, month)
	if err != nil {
		s.failOwner(w, r, err)
		return
	}
	s.pages.write(w, r, http.StatusOK, "owner", s.newOwnerPage(r, m, now))
}

// failOwner answers where a month or its report cannot be had.
func (s *server) failOwner(w http.ResponseWriter, r *http.Request, err error) {
	switch dewline.CodeOf(err) {
	case dewline.NotFound, dewline.Invalid:
		s.notFound(w, r)
		return
	case dewline.Unavailable:
		s.fail(w, r, http.StatusServiceUnavailable, "What is kept of this month cannot be read at the moment. Load the page again; /readyz says what is wrong.")
	default:
		s.fail(w, r, http.StatusInternalServerError, "This month could not be put together because of a mistake inside Dewline; the log has the details.")
	}
	s.Log.ErrorContext(r.Context(), "cannot tell of an owner's month", "path", r.URL.Path, "error", err)
}

func (s *server) newOwnerPage(r *http.Request, m dewline.OwnerMonth, now dewline.Month) ownerPage {
	zone := time.UTC
	if len(m.Sites) > 0 {
		if site, ok := s.overview.Fleet(r.Context()).Site(m.Sites[0].Site); ok && site.Timezone != nil {
			zone = site.Timezone
		}
	}
	reader := s.reader(r, nil)
	reader.Zone = zone
	p := ownerPage{
		base: s.base(r, m.Name+", "+view.MonthWord(m.Month, reader.Idiom)), Name: m.Name, Company: dewline.VisitorOf(r.Context()).SeesAll(), Month: view.MonthWord(m.Month, reader.Idiom),
		Earlier: view.OwnerHref(m.Owner, m.Month.Add(-1)), Report: view.ReportHref(m.Owner, m.Month),
		Summary: m.Summary(reader), Changes: view.OwnerChanges(m, reader.Idiom), Works: view.OwnerWorks(m, reader),
		Advice: m.Advice, AdviceAt: reader.Clock(dewline.Millis(m.Made)), Notes: m.Notes, Sources: m.Sources(), Caution: reader.Say(m.Caution),
	}
	p.Sites, p.Why = view.OwnerSites(m, reader.Idiom)
	if s.Papers == nil {
		p.Report = ""
	}
	if m.Month < now {
		p.Later = view.OwnerHref(m.Owner, m.Month.Add(1))
	}
	if !m.Over {
		p.UnderWay = reader.Time(reader.In(dewline.Millis(m.AsOf)), "2 January, 15:04")
	}
	p.Days, p.HasDays = view.NewDays(m, reader.Idiom)
	p.Records, p.NoRecords = view.OwnerRecords(m, reader)
	if !p.Company {
		p.FleetCSV = s.fleetRecords(r)
	}
	for _, x := range m.Records {
		p.Notice = cmp.Or(p.Notice, x.Notice)
	}
	return p
}

// ownerReport answers with the report of a month as PDF.
func (s *server) ownerReport(w http.ResponseWriter, r *http.Request) {
	id := chi.URLParam(r, "owner")
	month, ok := strings.CutSuffix(chi.URLParam(r, "file"), ".pdf")
	if !ok || s.Papers == nil || !dewline.Month(month).Valid() || !dewline.VisitorOf(r.Context()).Sees(id) {
		s.notFound(w, r)
		return
	}
	p, err := s.Papers.OwnerReport(r.Context(), id, dewline.Month(month), unitsOf(r))
	if err != nil {
		s.failOwner(w, r, err)
		return
	}
	h := w.Header()
	h.Set("Content-Type", p.Type)
	h.Set("Content-Disposition", `inline; filename="dewline-`+month+`.pdf"`) // the month is valid, so it ends no quotes
	h.Set("Cache-Control", "private, no-cache")
	w.Write(p.Body)
}
