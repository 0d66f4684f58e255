package dashboards

import (
	"net/http"

	"dewline"
	"dewline/dashboards/access"
)

// doors draws the pages of package access.
type doors struct{ *server }

// doorPage is one of them.
type doorPage struct {
	base
	Body any
}

// accessRoutes returns the routes of the pages that let people in, none where nobody can sign in.
func (s *server) accessRoutes() []route {
	if s.Access == nil {
		return nil
	}
	var routes []route
	for _, r := range s.Access.Attach(doors{s}) {
		routes = append(routes, route{r.Pattern, needs(r.Needs), r.Handle})
	}
	return routes
}

// Show implements access.Pages.
func (d doors) Show(w http.ResponseWriter, r *http.Request, status int, page, title string, data any) {
	w.Header().Set("Cache-Control", "no-store") // a page may show a secret once
	d.pages.write(w, r, status, page, doorPage{d.base(r, d.idiom(r).Say(title)), data})
}

// Fail implements access.Pages.
func (d doors) Fail(w http.ResponseWriter, r *http.Request, status int, text string) {
	d.fail(w, r, status, text)
}

// KeepUnits implements access.Pages.
func (d doors) KeepUnits(w http.ResponseWriter, r *http.Request, units dewline.Units) {
	keepChoice(w, r, unitsCookie, string(units))
}

// Tongue implements access.Pages.
func (d doors) Tongue(r *http.Request) dewline.Tongue { return d.pages.language(r) }

// When implements access.Pages.
func (d doors) When(r *http.Request, at dewline.Stamp) string {
	if at == 0 {
		return ""
	}
	return d.reader(r, nil).Clock(dewline.Millis(at))
}

// visitors lets the gate say who asks, and then who is taken for whom where nobody has signed in.
func (s *server) visitors(next http.Handler) http.Handler {
	next = s.asGuest(next)
	if s.Access == nil {
		return next
	}
	return s.Access.Middleware(next)
}

// metrics answers programs of this machine, and those who see every owner's machines.
func (s *server) metrics(answer http.Handler) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if !access.Local(r) && !dewline.VisitorOf(r.Context()).SeesAll() {
			w.Header().Set("WWW-Authenticate", `Bearer realm="dewline"`)
			s.fail(w, r, http.StatusUnauthorized, "Metrics are for programs on this machine, and for tokens of people of the service company.")
			return
		}
		answer.ServeHTTP(w, r)
	}
}
