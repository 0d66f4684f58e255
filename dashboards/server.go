package dashboards

import (
	"io/fs"
	"log/slog"
	"net/http"
	"runtime/debug"
	"slices"
	"strings"

	"github.com/go-chi/chi/v5"
	"github.com/go-chi/chi/v5/middleware"
	"github.com/klauspost/compress/gzhttp"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"dewline"
	"dewline/dashboards/api"
	"dewline/dashboards/overview"
	"dewline/dashboards/words"
)

// server holds what the handlers share. It is not changed after New.
type server struct {
	Options
	overview *overview.Reader
	assets   *assets
	pages    *pages
	glyphs   *glyphs
	streams  streams
}

// New returns the handler of all pages and of the API. It is safe for concurrent use and starts
// nothing: no goroutine runs when no request does.
func New(options Options) (http.Handler, error) {
	languages, err := words.All()
	if err != nil {
		return nil, err
	}
	return newWith(options, assetFiles, languages)
}

// newWith is New with other assets, since tests look at pages without the npm parts, and in other languages.
func newWith(options Options, embedded fs.FS, languages []*words.Language) (http.Handler, error) {
	if err := options.Validate(); err != nil {
		return nil, err
	}
	if options.Log == nil {
		options.Log = slog.New(slog.DiscardHandler)
	}
	files, err := newAssets(embedded)
	if err != nil {
		return nil, err
	}
	templates, err := newPages(files, languages)
	if err != nil {
		return nil, err
	}
	whole := overview.New(overview.Source{Fleet: options.Fleet, States: options.States, Alerts: options.Alerts})
	options = options.scoped(whole.Fleet)
	s := &server{
		Options:  options,
		overview: whole,
		assets:   files,
		pages:    templates,
		glyphs:   newGlyphs(options.Series),
	}
	return s.routes()
}

func (s *server) routes() (http.Handler, error) {
	compress, err := gzhttp.NewWrapper(gzhttp.MinSize(1024), gzhttp.CompressionLevel(3))
	if err != nil {
		return nil, err
	}
	r := chi.NewRouter()
	r.Use(func(h http.Handler) http.Handler { return compress(h) })
	r.Use(secure, s.recoverPanics, s.visitors, s.pages.speak, middleware.GetHead)
	r.NotFound(s.notFound)
	r.MethodNotAllowed(func(w http.ResponseWriter, r *http.Request) {
		s.fail(w, r, http.StatusMethodNotAllowed, "This page can only be read.")
	})
	routes := []route{
		{"GET /", needs(dewline.ReadMachines), s.first},
		{"GET /fleet", needs(dewline.ReadMachines), s.fleetList},
		{"GET /owners/{owner}", needs(dewline.ReadMachines), s.owner},
		{"GET /owners/{owner}/reports/{file}", needs(dewline.ReadMachines), s.ownerReport},
		{"GET /systems/{site}/{system}", needs(dewline.ReadMachines), s.system},
		{"GET /systems/{site}/{system}/live", needs(dewline.ReadMachines), s.live},
		{"POST /alerts", needs(dewline.WorkOnAlerts), s.workOnAlerts},
		{"GET /reports", needs(dewline.ReadCompany), s.reports},
		{"POST /units", needs(dewline.ReadMachines), s.chooseUnits},
		{"GET /events", needs(dewline.ReadMachines), s.events},
		{"GET /progress", needs(dewline.ReadMachines), s.progressLine},
		{"GET /healthz", needs(dewline.Anyone), s.healthz},
		{"GET /readyz", needs(dewline.Anyone), s.readyz},
		{"GET /assets/{name}", needs(dewline.Anyone), s.assets.serve},
	}
	if s.Metrics != nil {
		metrics := promhttp.HandlerFor(s.Metrics, promhttp.HandlerOpts{DisableCompression: true})
		routes = append(routes, route{"GET /metrics", needs(dewline.Anyone), s.metrics(metrics)})
	}
	if err := s.add(r, slices.Concat(routes, s.callRoutes(), s.holdRoutes(), s.setUpRoutes(), s.accessRoutes())); err != nil {
		return nil, err
	}
	return r, api.Mount(r, api.Options{
		Overview: s.overview, Series: s.Series, Alerts: s.Alerts, Rejects: s.Rejects, Desk: s.Desk, Service: s.Service,
		Contacts: s.Contacts, Notices: s.Messages, Courier: s.Courier,
		Ledger: s.Ledger, Papers: s.Papers, Owners: s.Owners, Calendar: s.Calendar, Photos: s.Photos,
		Now: s.Now, Log: s.Log,
	})
}

// policy lets a page load from this host alone, run no script and no style that stands in the page
// itself, and appear in no frame.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; worker-src 'self'; " +
	"base-uri 'none'; form-action 'self'; frame-ancestors 'none'"

func secure(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
		next.ServeHTTP(w, r)
	})
}

// ownPagesOnly refuses what a page of another origin would change in a reader's name.
func (s *server) ownPagesOnly(next http.Handler) http.Handler {
	guard := http.NewCrossOriginProtection()
	guard.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.fail(w, r, http.StatusForbidden, "Another web site asked for this change, so it was not made. Make it from Dewline's own page.")
	}))
	return guard.Handler(next)
}

// recoverPanics answers a mistake of ours with an error, so that it costs one answer and not the
// connection.
func (s *server) recoverPanics(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		defer func() {
			cause := recover()
			if cause == nil {
				return
			}
			if cause == http.ErrAbortHandler {
				panic(cause)
			}
			s.Log.ErrorContext(r.Context(), "panic while answering", "path", r.URL.Path, "cause", cause, "stack", string(debug.Stack()))
			s.fail(w, r, http.StatusInternalServerError, "This page could not be made because of a mistake inside Dewline; the log has the details.")
		}()
		next.ServeHTTP(w, r)
	})
}

func (s *server) notFound(w http.ResponseWriter, r *http.Request) {
	s.fail(w, r, http.StatusNotFound, "There is nothing at this address. It may have been enrolled under another name, or not yet.")
}

// fail answers with an error, said in English here: a page for people in their language, a problem for programs.
func (s *server) fail(w http.ResponseWriter, r *http.Request, status int, text string) {
	if strings.HasPrefix(r.URL.Path, api.Prefix+"/") {
		api.WriteProblem(w, status, text)
		return
	}
	u := s.idiom(r)
	page := errorPage{base: s.base(r, u.Say(http.StatusText(status))), Text: u.Say(text)}
	s.pages.write(w, r, status, "error", page)
}
