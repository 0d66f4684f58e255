package dashboards

import (
	"net/http"
	"net/url"
	"time"

	"dewline"
	"dewline/dashboards/access"
	"dewline/dashboards/view"
)

// What a reader has chosen is kept by their browser, for a year from when they last chose.
const (
	unitsCookie = "dewline_units"
	nameCookie  = "dewline_name" // who works on alerts; nobody has to type it twice
	choiceKept  = 365 * 24 * 60 * 60
)

// unitsOf returns the units that a reader has chosen in this browser, or else in their account.
func unitsOf(r *http.Request) dewline.Units {
	units := dewline.VisitorOf(r.Context()).Units
	if c, err := r.Cookie(unitsCookie); err == nil {
		units = dewline.Units(c.Value)
	}
	if units == dewline.USUnits {
		return dewline.USUnits
	}
	return dewline.MetricUnits
}

// idiom is how who asks reads.
func (s *server) idiom(r *http.Request) view.Idiom {
	return view.Idiom{System: view.UnitsOf(unitsOf(r)), Language: s.pages.language(r)}
}

// reader is for whom a page is written, at a site.
func (s *server) reader(r *http.Request, site *dewline.Site) view.Reader {
	reader := view.Reader{Now: s.Now(), Zone: time.UTC, Idiom: s.idiom(r)}
	if site != nil && site.Timezone != nil {
		reader.Zone = site.Timezone
	}
	return reader
}

// chooseUnits keeps a reader's units and leads back to where they were.
func (s *server) chooseUnits(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, 1<<14)
	units := dewline.Units(r.PostFormValue("units"))
	if units != dewline.MetricUnits && units != dewline.USUnits {
		s.fail(w, r, http.StatusBadRequest, "Choose one of the two systems of units that the page offers.")
		return
	}
	keepChoice(w, r, unitsCookie, string(units))
	http.Redirect(w, r, ownPath(r.PostFormValue("back")), http.StatusSeeOther)
}

func keepChoice(w http.ResponseWriter, r *http.Request, name, value string) {
	http.SetCookie(w, &http.Cookie{Name: name, Value: value, Path: "/", MaxAge: choiceKept, HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteLaxMode})
}

// ownPath returns an address of this service: whatever else a form says leads to the first page.
func ownPath(text string) string { return access.OwnPath(text) }

// nameOf returns the name under which a reader last worked on alerts.
func nameOf(r *http.Request) string {
	c, err := r.Cookie(nameCookie)
	if err != nil {
		return ""
	}
	name, err := url.QueryUnescape(c.Value)
	if err != nil || dewline.CheckPerson(name) != nil {
		return ""
	}
	return name
}
