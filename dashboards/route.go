package dashboards

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"

	"github.com/go-chi/chi/v5"

	"dewline"
)

// route is an address, the rights that it takes, all of them, and what answers it. There is no other
// way to add a page, so that none is shown before it says who may see it.
//
// A right says nothing of whose machines: that follows from what a page reads. The fleet of
// s.overview, and all that Options name, know only what the visitor may know of; of the rest they say
// that there is no such thing.
type route struct {
	pattern string // GET /systems/{site}/{system}
	needs   []dewline.Right
	handle  http.HandlerFunc
}

func needs(rights ...dewline.Right) []dewline.Right { return rights }

// add adds routes to a router.
func (s *server) add(r chi.Router, routes []route) error {
	for _, p := range routes {
		method, path, ok := strings.Cut(p.pattern, " ")
		if !ok || p.handle == nil {
			return fmt.Errorf("page %q: give method, address and what answers", p.pattern)
		}
		if len(p.needs) == 0 {
			return fmt.Errorf("page %q: say which right it needs", p.pattern)
		}
		handle := s.guarded(p)
		if method != http.MethodGet {
			handle = s.ownPagesOnly(handle)
		}
		r.Method(method, path, handle)
	}
	return nil
}

// guarded answers a route for those who may, and nothing of it for others.
func (s *server) guarded(p route) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		v := dewline.VisitorOf(r.Context())
		for _, right := range p.needs {
			if v.May(right) {
				continue
			}
			if v.Role == "" {
				s.askToSignIn(w, r)
				return
			}
			s.fail(w, r, http.StatusForbidden, "Your sign-in does not allow this. Somebody who keeps the accounts here can change that.")
			return
		}
		p.handle(w, r)
	})
}

// signInPath is where people sign in.
const signInPath = "/sign-in"

// askToSignIn leads who has not signed in to where they do, and from there back to what they asked for.
func (s *server) askToSignIn(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Cache-Control", "no-store")
	switch {
	case r.Header.Get("HX-Request") != "": // a part of a page, whose session is over: the page is to load again
		w.Header().Set("HX-Refresh", "true")
		w.WriteHeader(http.StatusUnauthorized)
	case r.Header.Get("Accept") == "text/event-stream": // a page that listens: it stops
		w.WriteHeader(http.StatusUnauthorized)
	case r.Method != http.MethodGet && r.Method != http.MethodHead:
		s.fail(w, r, http.StatusUnauthorized, "You are not signed in any more, so nothing was changed. Sign in and send it again.")
	default:
		http.Redirect(w, r, signInPath+"?"+url.Values{"back": {r.URL.RequestURI()}}.Encode(), http.StatusSeeOther)
	}
}

// asGuest lets who has not signed in be whom Options.Guest says.
func (s *server) asGuest(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if s.Guest != nil && dewline.VisitorOf(r.Context()).Role == "" {
			if v, ok := s.Guest(r); ok {
				r = r.WithContext(dewline.WithVisitor(r.Context(), v))
			}
		}
		next.ServeHTTP(w, r)
	})
}
