package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humachi"
	"github.com/go-chi/chi/v5"

	"dewline"
	"dewline/dashboards/overview"
)

// Prefix is where the API lives.
const Prefix = "/api/v1"

// Version is the version of the contract that the document states.
const Version = "1.0.0"

// Rejects is the part of dewline.Rejects that reading needs.
type Rejects interface {
	ReadRejects(ctx context.Context, filter dewline.RejectFilter, limit int) ([]dewline.Reject, error)
	CountRejects(ctx context.Context) (map[dewline.Reason]int64, error)
}

// Options are what the API reads from. Series, Alerts and Rejects may be nil: asking for them is
// then answered by 503.
type Options struct {
	Overview *overview.Reader
	Series   dewline.SeriesReader
	Alerts   overview.Alerts
	Rejects  Rejects
	Desk     dewline.AlertDesk   // nil: alerts can be read and not worked on
	Service  dewline.ServiceDesk // nil: there are no service calls
	Contacts dewline.ContactBook // nil: nobody can be entered who hears of alerts
	Notices  Notices             // nil: nobody is told
	Courier  Courier             // nil: nothing is sent
	Ledger   dewline.Ledger      // nil: there are no refrigerant records
	Papers   dewline.Papers      // nil: no documents are made
	Owners   dewline.OwnerMonths // nil: owners are told of no months
	Calendar dewline.Calendar    // nil: there are no calendars
	Photos   dewline.Photos      // nil: no photos are kept
	Now      func() time.Time
	Log      *slog.Logger
}

type handler struct {
	Options
}

// Mount adds the API to a router, below Prefix. It fails only where its own document does not
// hold together.
func Mount(router chi.Router, options Options) error {
	h := &handler{options}
	sub := chi.NewRouter()
	sub.NotFound(func(w http.ResponseWriter, r *http.Request) {
		writeProblem(w, problem(http.StatusNotFound, "there is nothing at "+r.URL.Path+": see "+Prefix+"/openapi.json for what there is"))
	})
	sub.MethodNotAllowed(func(w http.ResponseWriter, r *http.Request) {
		writeProblem(w, problem(http.StatusMethodNotAllowed, "that can only be read, or not in this way: see "+Prefix+"/openapi.json"))
	})
	api := humachi.New(sub, config())
	api.UseMiddleware(h.onlyAllowed, h.onlyKnownParameters)
	h.registerSystems(api)
	h.registerSeries(api)
	h.registerAlerts(api)
	h.registerRejects(api)
	h.registerDesk(api)
	h.registerService(api)
	h.registerVisits(api)
	h.registerPhotos(api)
	h.registerPeople(api)
	h.registerNotices(api)
	h.registerRecords(api)
	h.registerOwners(api)
	document, err := json.Marshal(api.OpenAPI())
	if err != nil {
		return fmt.Errorf("describe the API: %w", err)
	}
	sub.Get("/openapi.json", func(w http.ResponseWriter, r *http.Request) {
		if p := refusal(dewline.VisitorOf(r.Context()), dewline.ReadMachines, true); p != nil {
			w.Header().Set("WWW-Authenticate", challenge)
			writeProblem(w, p)
			return
		}
		w.Header().Set("Content-Type", "application/openapi+json")
		w.Header().Set("Cache-Control", "no-cache")
		w.Write(document)
	})
	router.Mount(Prefix, sameOrigin(sub))
	return nil
}

// sameOrigin keeps another web site from acting in the name of a browser that can reach this one.
// Programs other than browsers are not concerned.
func sameOrigin(next http.Handler) http.Handler {
	guard := http.NewCrossOriginProtection()
	guard.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		writeProblem(w, problem(http.StatusForbidden, "a page of another origin asked for this change: use Dewline's own pages"))
	}))
	return guard.Handler(next)
}

func config() huma.Config {
	schemas := huma.NewMapRegistry("#/components/schemas/", huma.DefaultSchemaNamer)
	schemas.RegisterTypeAlias(typeOf[dewline.Stamp](), typeOf[time.Time]()) // which it is written as
	schemas.RegisterTypeAlias(typeOf[dewline.Cause](), typeOf[Cause]())
	c := huma.Config{
		OpenAPI: &huma.OpenAPI{
			OpenAPI: "3.1.0",
			Info: &huma.Info{
				Title:   "Dewline",
				Version: Version,
				Description: "What is enrolled and how it does, its readings and derived values, alerts, service calls and visits, and readings that were refused. " +
					"Times are RFC 3339 in UTC and are the times that devices gave their readings. Values are in SI: K for differences, Cel, Pa. " +
					"What is done is kept under the name of whose token it is: by can be left out, and any other name is refused.",
			},
			Servers: []*huma.Server{{URL: Prefix}},
			Components: &huma.Components{Schemas: schemas, SecuritySchemes: map[string]*huma.SecurityScheme{
				bearerScheme: {Type: "http", Scheme: "bearer", Description: "A token that a person made under Account, or an administrator for a program. " +
					"It may what that person may, and sees the machines that they see: of others the answer is 404. What is asked for is the right that the operation takes."},
			}},
		},
		Formats:       huma.DefaultFormats,
		DefaultFormat: "application/json",
	}
	c.AllowAdditionalPropertiesByDefault = true // the contract may grow
	return c
}

// operation is an operation that takes a right. Its parameters we read ourselves, so that an error can
// say what to do.
func operation(id string, right dewline.Right, path, summary, description string, errors ...int) huma.Operation {
	op := huma.Operation{
		OperationID: id, Method: http.MethodGet, Path: path, Summary: summary, Description: description,
		SkipValidateParams: true,
		Responses:          map[string]*huma.Response{},
		Metadata:           map[string]any{rightKey: right},
	}
	if right != dewline.Anyone {
		op.Security = []map[string][]string{{bearerScheme: {string(right)}}}
		errors = append(errors, http.StatusUnauthorized, http.StatusForbidden)
	}
	describeErrors(&op, errors)
	return op
}

// writing is an operation that changes something. Its body is held against the document before it
// comes to us.
func writing(id string, right dewline.Right, method, path, summary, description string, errors ...int) huma.Operation {
	op := operation(id, right, path, summary, description, errors...)
	op.Method = method
	describeErrors(&op, []int{http.StatusBadRequest, http.StatusForbidden, http.StatusConflict, http.StatusUnprocessableEntity, http.StatusServiceUnavailable})
	return op
}

// The right of an operation is in its metadata, where onlyAllowed reads it, and in the document as the
// role that a token needs.
const (
	rightKey     = "right"
	bearerScheme = "token"
)

// onlyAllowed refuses who may not. An operation that does not say which right it takes is for nobody.
func (h *handler) onlyAllowed(ctx huma.Context, next func(huma.Context)) {
	right, ok := ctx.Operation().Metadata[rightKey].(dewline.Right)
	if p := refusal(dewline.VisitorOf(ctx.Context()), right, ok); p != nil {
		if p.Status == http.StatusUnauthorized {
			ctx.SetHeader("WWW-Authenticate", challenge)
		}
		writeProblemTo(ctx, p)
		return
	}
	next(ctx)
}

const challenge = `Bearer realm="dewline"`

func refusal(v dewline.Visitor, right dewline.Right, said bool) *Problem {
	switch {
	case said && v.May(right):
		return nil
	case v.Role == "":
		return problem(http.StatusUnauthorized, "sign in first: send Authorization: Bearer and a token; who signs in on the pages makes one under Account")
	}
	return problem(http.StatusForbidden, fmt.Sprintf("whose token or sign-in this is does not have the right %q", right))
}

func describeErrors(op *huma.Operation, errors []int) {
	for _, status := range append(errors, http.StatusInternalServerError) {
		op.Responses[fmt.Sprint(status)] = &huma.Response{
			Description: http.StatusText(status),
			Content:     map[string]*huma.MediaType{"application/problem+json": {Schema: &huma.Schema{Ref: "#/components/schemas/Problem"}}},
		}
	}
}

// onlyKnownParameters refuses a misspelt parameter: left alone it would answer another question
// than the one that was asked.
func (h *handler) onlyKnownParameters(ctx huma.Context, next func(huma.Context)) {
	var known []string
	for _, p := range ctx.Operation().Parameters {
		if p.In == "query" {
			known = append(known, p.Name)
		}
	}
	url := ctx.URL()
	query := url.Query()
	for name, values := range query {
		switch {
		case !slices.Contains(known, name):
			may := "it takes none"
			if len(known) > 0 {
				may = "it takes " + strings.Join(known, ", ")
			}
			writeProblemTo(ctx, problem(http.StatusBadRequest, fmt.Sprintf("unknown parameter %q: %s", name, may)))
			return
		case len(values) > 1:
			writeProblemTo(ctx, problem(http.StatusBadRequest, fmt.Sprintf("%s is given twice: give it once", name)))
			return
		}
	}
	next(ctx)
}

// fail turns an error of what is read from into a problem. What went wrong inside is for the log,
// not for whoever asks.
func (h *handler) fail(ctx context.Context, what string, err error) error {
	if step, ok := errors.AsType[*dewline.StepError](err); ok {
		return tooManyRows(step.Smallest)
	}
	if incomplete, ok := errors.AsType[*dewline.Incomplete](err); ok {
		p := problem(http.StatusUnprocessableEntity, err.Error())
		p.Missing = incomplete.Missing
		return p
	}
	switch dewline.CodeOf(err) {
	case dewline.Forbidden:
		return problem(http.StatusForbidden, err.Error())
	case dewline.Clash:
		return problem(http.StatusConflict, err.Error())
	case dewline.Invalid, dewline.OutOfRange:
		return problem(http.StatusBadRequest, err.Error())
	case dewline.NotFound:
		return problem(http.StatusNotFound, err.Error())
	case dewline.Unavailable:
		h.log(ctx, what, err)
		return problem(http.StatusServiceUnavailable, what+" cannot be read at the moment: try again; /readyz says what is wrong")
	}
	if ctx.Err() != nil { // whoever asked has gone
		return problem(http.StatusServiceUnavailable, "the request was given up")
	}
	h.log(ctx, what, err)
	return problem(http.StatusInternalServerError, what+" could not be read because of a mistake inside Dewline; the log has the details")
}

func (h *handler) log(ctx context.Context, what string, err error) {
	if h.Log != nil {
		h.Log.ErrorContext(ctx, "api: cannot read "+what, "error", err)
	}
}

func unavailable(what string) error {
	return problem(http.StatusServiceUnavailable, "this service keeps no "+what)
}
