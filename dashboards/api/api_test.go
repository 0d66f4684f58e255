package api_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/go-chi/chi/v5"
	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"

	"dewline"
	"dewline/dashboards/api"
	"dewline/dashboards/overview"
	"dewline/dashboards/pagebook"
)

var update = flag.Bool("update", false, "rewrite the golden files")

var noon = time.Date(2031, 7, 3, 16, 12, 20, 0, time.UTC)

// series answers with what a test sets.
type series func(q dewline.SeriesQuery) (dewline.Series, error)

func (f series) ReadSeries(_ context.Context, q dewline.SeriesQuery) (dewline.Series, error) {
	return f(q)
}

func optionsFor(b *pagebook.Book) api.Options {
	return api.Options{
		Overview: overview.New(overview.Source{Fleet: func() *dewline.Fleet { return b.Fleet }, States: b, Alerts: b}),
		Series:   b, Alerts: b, Rejects: b, Now: func() time.Time { return b.Now },
	}
}

func mount(t testing.TB, o api.Options) http.Handler {
	t.Helper()
	r := chi.NewRouter()
	r.Use(func(next http.Handler) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if dewline.VisitorOf(r.Context()).Role == "" {
				r = r.WithContext(dewline.WithVisitor(r.Context(), dewline.Visitor{Role: dewline.RoleAdministrator}))
			}
			next.ServeHTTP(w, r)
		})
	})
	if err := api.Mount(r, o); err != nil {
		t.Fatal(err)
	}
	return r
}

func ask(t testing.TB, h http.Handler, method, path string) *httptest.ResponseRecorder {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(method, path, nil))
	return w
}

func get(t testing.TB, h http.Handler, path string) *httptest.ResponseRecorder {
	t.Helper()
	w := ask(t, h, http.MethodGet, path)
	if w.Code != http.StatusOK {
		t.Fatalf("GET %s: %d %s", path, w.Code, w.Body)
	}
	return w
}

func decode[T any](t testing.TB, w *httptest.ResponseRecorder) T {
	t.Helper()
	var v T
	if err := json.Unmarshal(w.Body.Bytes(), &v); err != nil {
		t.Fatalf("%v in %s", err, w.Body)
	}
	return v
}

// computed finds numbers with many digits: the last ones differ between machines, so they are
// rounded on both sides.
var computed = regexp.MustCompile(`-?\d+\.\d{6,}`)

func rounded(number []byte) []byte {
	v, err := strconv.ParseFloat(string(number), 64)
	if err != nil {
		return number
	}
	return strconv.AppendFloat(nil, v, 'g', 6, 64)
}

func golden(t *testing.T, name string, body []byte) {
	t.Helper()
	var indented bytes.Buffer
	if err := json.Indent(&indented, body, "", "  "); err != nil {
		t.Fatalf("%v in %s", err, body)
	}
	got := computed.ReplaceAllFunc(indented.Bytes(), rounded)
	file := filepath.Join("testdata", name+".json")
	if *update {
		if err := os.WriteFile(file, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s differs from its golden file; look at the difference and run with -update:\n%s", name, got)
	}
}

func TestGoldenAnswers(t *testing.T) {
	h := mount(t, optionsFor(pagebook.Town(noon)))
	for name, path := range map[string]string{
		"system":        "/api/v1/systems/quay-library/hall-ac",
		"system-new":    "/api/v1/systems/clinic/new-ac",
		"systems":       "/api/v1/systems?limit=2",
		"series-step":   "/api/v1/systems/quay-library/hall-ac/series?points=superheat,compressor_on&from=2031-07-03T15:00:00Z&to=2031-07-03T16:00:00Z&step=900",
		"series-stored": "/api/v1/systems/cold-store/blast-freezer/series?points=superheat,subcooling&from=2031-07-03T15:20:00Z&to=2031-07-03T15:23:00Z",
		"alerts":        "/api/v1/alerts",
		"rejects":       "/api/v1/rejects",
	} {
		t.Run(name, func(t *testing.T) { golden(t, name, get(t, h, path).Body.Bytes()) })
	}
}

// TestContractAlert holds an alert to the example of the outer contract, section 3.
func TestContractAlert(t *testing.T) {
	const example = `{"alerts":[{"id":"a1","site":"quay-library","system":"quay-library/hall-ac","systems":["quay-library/hall-ac"],
  "condition":"flooding","conditions":["flooding","high_head"],"severity":"urgent","state":"open",
  "onset":"2031-07-02T14:10:00Z","detected":"2031-07-02T15:02:00Z","cleared":null,"follows":null,
  "causes":[{"fault":"overfeed","detail":"orifice_too_large","probability":0.72},{"fault":"overcharge","probability":0.21},{"fault":"none","probability":0.07}],
  "forecast":{"limit":"superheat below 2.8 K","quantity":"superheat","value":2.8,"unit":"K","at":"2031-07-02T15:02:00Z","days_p10":1.0,"days_p50":3.5,"days_p90":9.0}}]}`
	at := func(text string) dewline.Millis {
		v, err := time.Parse(time.RFC3339, text)
		if err != nil {
			t.Fatal(err)
		}
		return dewline.MillisOf(v)
	}
	store := alertStore{page: dewline.AlertPage{Alerts: []dewline.Alert{{
		ID: "a1", Site: "quay-library", System: "quay-library/hall-ac", Systems: []dewline.SystemID{"quay-library/hall-ac"},
		Condition: dewline.Flooding, Conditions: []dewline.Condition{dewline.Flooding, dewline.HighHead}, Severity: dewline.Urgent, State: dewline.AlertOpen,
		Onset: at("2031-07-02T14:10:00Z"), Detected: at("2031-07-02T15:02:00Z"),
		Causes:   []dewline.Cause{{Fault: dewline.Overfeed, Detail: "orifice_too_large", Probability: 0.72}, {Fault: dewline.Overcharge, Probability: 0.21}, {Fault: dewline.NoFault, Probability: 0.07}},
		Forecast: &dewline.Forecast{Limit: "superheat below 2.8 K", Quantity: "superheat", Value: 2.8, Unit: "K", At: at("2031-07-02T15:02:00Z"), DaysP10: 1, DaysP50: 3.5, DaysP90: 9},
	}}}}
	o := optionsFor(pagebook.Town(noon))
	o.Alerts = &store
	got := get(t, mount(t, o), "/api/v1/alerts").Body.Bytes()
	if compact(t, got) != compact(t, []byte(example)) {
		t.Errorf("got  %s\nwant %s", compact(t, got), compact(t, []byte(example)))
	}
}

func compact(t *testing.T, text []byte) string {
	t.Helper()
	var b bytes.Buffer
	if err := json.Compact(&b, text); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// alertStore records what it is asked.
type alertStore struct {
	asked dewline.AlertFilter
	page  dewline.AlertPage
	err   error
}

func (s *alertStore) AlertsIn(_ context.Context, f dewline.AlertFilter) (dewline.AlertPage, error) {
	s.asked = f
	return s.page, s.err
}

func TestAlertFilter(t *testing.T) {
	const day = 24 * 60 * 60 * 1000
	base := dewline.MillisOf(time.Date(2031, 7, 1, 0, 0, 0, 0, time.UTC))
	for query, want := range map[string]dewline.AlertFilter{
		"":                                       {Limit: 100},
		"?state=open":                            {Limit: 100, States: []dewline.AlertState{dewline.AlertOpen}},
		"?state=open,resolved":                   {Limit: 100, States: []dewline.AlertState{dewline.AlertOpen, dewline.AlertResolved}},
		"?system=quay-library/hall-ac":           {Limit: 100, System: "quay-library/hall-ac"},
		"?system=quay-library%2Fhall-ac&limit=7": {Limit: 7, System: "quay-library/hall-ac"},
		"?from=2031-07-01T00:00:00Z":             {Limit: 100, From: base},
		"?to=2031-07-02T00:00:00Z":               {Limit: 100, To: base + day},
		"?from=2031-07-01T02:00:00%2B02:00&to=2031-07-02T00:00:00.5Z": {Limit: 100, From: base, To: base + day + 500},
		"?cursor=abc": {Limit: 100, After: "abc"},
	} {
		store := &alertStore{}
		o := optionsFor(pagebook.Town(noon))
		o.Alerts = store
		get(t, mount(t, o), "/api/v1/alerts"+query)
		if fmt.Sprint(store.asked) != fmt.Sprint(want) {
			t.Errorf("%q asks for %+v, want %+v", query, store.asked, want)
		}
	}
}

// TestCursors walks lists page by page: every entry comes once, in order, whatever the page's size,
// and a system that is enrolled in between neither hides nor repeats another.
func TestCursors(t *testing.T) {
	town := pagebook.Town(noon)
	o := optionsFor(town)
	h := mount(t, o)
	for _, limit := range []int{1, 3, 5, 1000} {
		var systems []string
		next := fmt.Sprintf("/api/v1/systems?limit=%d", limit)
		for next != "" {
			w := get(t, h, next)
			page := decode[struct {
				Systems []api.System `json:"systems"`
				Next    string       `json:"next"`
			}](t, w)
			for _, s := range page.Systems {
				systems = append(systems, string(s.System))
			}
			if next = linkNext(w); (next == "") != (page.Next == "") {
				t.Fatalf("link %q and next %q disagree", next, page.Next)
			}
		}
		if len(systems) != len(town.Fleet.Systems()) || !slices.IsSorted(systems) || len(slices.Compact(systems)) != len(systems) {
			t.Errorf("limit %d: %v", limit, systems)
		}
		var alerts int
		next = fmt.Sprintf("/api/v1/alerts?limit=%d&state=open,acknowledged,dispatched,verifying", limit)
		for next != "" {
			w := get(t, h, next)
			alerts += len(decode[struct{ Alerts []dewline.Alert }](t, w).Alerts)
			next = linkNext(w)
		}
		if alerts != 7 {
			t.Errorf("limit %d: %d alerts", limit, alerts)
		}
	}
}

func linkNext(w *httptest.ResponseRecorder) string {
	link := w.Header().Get("Link")
	if link == "" {
		return ""
	}
	address, _, _ := strings.Cut(strings.TrimPrefix(link, "<"), ">")
	return address
}

// problem is what RFC 9457 asks of an error.
type problem struct {
	Type, Title, Detail string
	Status              int
	SmallestStepS       int64 `json:"smallest_step_s"`
}

func TestErrorsSayWhatToDo(t *testing.T) {
	town := pagebook.Town(noon)
	h := mount(t, optionsFor(town))
	const one = "/api/v1/systems/quay-library/hall-ac/series?points=superheat"
	for path, want := range map[string]struct {
		status int
		says   string
	}{
		"/api/v1/nothing":                                             {404, "openapi.json"},
		"/api/v1/systems/quay-library/nobody":                         {404, "/api/v1/systems lists"},
		"/api/v1/systems/quay-library/nobody/series?points=superheat": {404, "is enrolled"},
		"/api/v1/systems?limit=0":                                     {400, "1 to 1000"},
		"/api/v1/systems?limit=ten":                                   {400, "1 to 1000"},
		"/api/v1/systems?cursor=%21":                                  {400, "next of the page before"},
		"/api/v1/systems?page=2":                                      {400, "it takes limit, cursor"},
		"/api/v1/systems?limit=2&limit=3":                             {400, "once"},
		"/api/v1/systems/quay-library/hall-ac?x":                      {400, "it takes none"},
		"/api/v1/systems/quay-library/hall-ac/series":                 {400, "points=superheat,subcooling"},
		one + ",superheat":                                            {400, "twice"},
		one + ",serviced":                                             {400, "neither a point nor a derived value"},
		one + "_x":                                                    {400, "suction_pressure"},
		one + "&step=0":                                               {400, "whole seconds"},
		one + "&step=1.5":                                             {400, "whole seconds"},
		one + "&step=-900":                                            {400, "whole seconds"},
		one + "&step=9223372036854775807":                             {400, "at most 366 days"},
		one + "&step=400d":                                            {400, "at most 366 days"},
		one + "&from=yesterday":                                       {400, "such as 2031-07-02T14:10:00Z"},
		one + "&from=2031-07-02T14:10:00+02:00":                       {400, "%2B"},
		one + "&from=2031-07-03T00:00:00Z&to=2031-07-02T00:00:00Z":    {400, "not before to"},
		one + "&from=2031-01-01T00:00:00Z&to=2031-07-02T00:00:00Z":    {400, "step="},
		"/api/v1/alerts?state=closed":                                 {400, "open, acknowledged, dispatched"},
		"/api/v1/alerts?system=hall-ac":                               {400, "<site>/<system>"},
		"/api/v1/alerts?cursor=zzz":                                   {400, "cursor"},
		"/api/v1/rejects?reason=ugly":                                 {400, "no_unit"},
		"/api/v1/rejects?limit=1001":                                  {400, "1 to 1000"},
	} {
		w := ask(t, h, http.MethodGet, path)
		p := decode[problem](t, w)
		if w.Code != want.status || p.Status != want.status || p.Title != http.StatusText(want.status) {
			t.Errorf("%s: %d, %+v", path, w.Code, p)
		}
		if got := w.Header().Get("Content-Type"); got != "application/problem+json" {
			t.Errorf("%s: content type %s", path, got)
		}
		if !strings.Contains(p.Detail, want.says) {
			t.Errorf("%s: %q does not say %q", path, p.Detail, want.says)
		}
	}
	if w := ask(t, h, http.MethodPost, "/api/v1/alerts"); w.Code != http.StatusMethodNotAllowed || !strings.Contains(w.Body.String(), "can only be read") {
		t.Errorf("POST: %d %s", w.Code, w.Body)
	}
}

func TestSmallestStep(t *testing.T) {
	var asked dewline.SeriesQuery
	o := optionsFor(pagebook.Town(noon))
	o.Series = series(func(q dewline.SeriesQuery) (dewline.Series, error) {
		asked = q
		if q.Step == 0 {
			return dewline.Series{}, fmt.Errorf("read: %w", &dewline.StepError{Smallest: 90*time.Second + time.Millisecond})
		}
		return dewline.Series{System: q.System, Step: q.Step}, nil
	})
	h := mount(t, o)
	address := func(span time.Duration, step string) string {
		q := url.Values{"points": {"superheat"}, "to": {noon.Format(time.RFC3339)}, "from": {noon.Add(-span).Format(time.RFC3339)}}
		if step != "" {
			q.Set("step", step)
		}
		return "/api/v1/systems/quay-library/hall-ac/series?" + q.Encode()
	}
	// The store's own refusal, rounded up to a step that can be asked for.
	if p := decode[problem](t, ask(t, h, http.MethodGet, address(24*time.Hour, ""))); p.Status != 400 || p.SmallestStepS != 91 {
		t.Errorf("as stored: %+v", p)
	}
	// 10,000 rows are answered, one more is not, and the step that is told is the smallest that will do.
	get(t, h, address(10_000*time.Minute, "60"))
	p := decode[problem](t, ask(t, h, http.MethodGet, address(10_000*time.Minute+time.Second, "1m")))
	if p.Status != 400 || p.SmallestStepS != 61 {
		t.Errorf("one row too many: %+v", p)
	}
	get(t, h, address(10_000*time.Minute+time.Second, fmt.Sprint(p.SmallestStepS)))
	if asked.Step != 61*time.Second || asked.To.Sub(asked.From) != 10_000*time.Minute+time.Second {
		t.Errorf("asked %+v", asked)
	}
	// The default is the day that ends now.
	get(t, h, "/api/v1/systems/quay-library/hall-ac/series?points=superheat,superheat_u&step=1h")
	if asked.To != dewline.MillisOf(noon) || asked.To.Sub(asked.From) != 24*time.Hour || asked.Step != time.Hour {
		t.Errorf("asked %+v", asked)
	}
	if !slices.Equal(asked.Quantities, []string{"superheat", "superheat_u"}) {
		t.Errorf("asked %+v", asked)
	}
}

func TestFailuresBelow(t *testing.T) {
	secret := errors.New("open /var/lib/secret: input/output error")
	for _, c := range []struct {
		err    error
		status int
		says   string
	}{
		{&dewline.Error{Code: dewline.Unavailable, Op: "read", Err: secret}, 503, "/readyz"},
		{&dewline.Error{Code: dewline.Invalid, Op: "read", Err: errors.New("unknown quantity \"x\"")}, 400, "unknown quantity"},
		{&dewline.Error{Code: dewline.NotFound, Op: "read", Err: errors.New("no such series")}, 404, "no such series"},
		{secret, 500, "the log has the details"},
	} {
		town := pagebook.Town(noon)
		town.Err = c.err
		h := mount(t, optionsFor(town))
		for _, path := range []string{"/api/v1/systems", "/api/v1/systems/quay-library/hall-ac", "/api/v1/alerts", "/api/v1/rejects",
			"/api/v1/systems/quay-library/hall-ac/series?points=superheat"} {
			w := ask(t, h, http.MethodGet, path)
			if w.Code != c.status || !strings.Contains(w.Body.String(), strings.Trim(fmt.Sprintf("%q", c.says), `"`)) && !strings.Contains(w.Body.String(), c.says) {
				t.Errorf("%v: %s: %d %s", c.err, path, w.Code, w.Body)
			}
			if strings.Contains(w.Body.String(), "secret") {
				t.Errorf("%s tells what is inside: %s", path, w.Body)
			}
		}
	}
}

func TestNothingWired(t *testing.T) {
	h := mount(t, api.Options{Overview: overview.New(overview.Source{}), Now: func() time.Time { return noon }})
	if got := get(t, h, "/api/v1/systems").Body.String(); strings.TrimSpace(got) != `{"systems":[]}` {
		t.Error(got)
	}
	for _, path := range []string{"/api/v1/alerts", "/api/v1/rejects"} {
		if w := ask(t, h, http.MethodGet, path); w.Code != http.StatusServiceUnavailable {
			t.Errorf("%s: %d", path, w.Code)
		}
	}
}

// TestSeriesNumbers reads back what is written by hand through encoding/json: every finite number
// exactly, and null for what is none.
func TestSeriesNumbers(t *testing.T) {
	values := []float64{0, math.Copysign(0, -1), 1, -1.5, 0.1, 6.3, 1e-7, -2.5e-9, 1e20, 1e21, 123456789.125, math.MaxFloat64, math.SmallestNonzeroFloat64, math.NaN(), math.Inf(1), math.Inf(-1)}
	times := make([]dewline.Millis, len(values))
	for i := range times {
		times[i] = dewline.MillisOf(noon).Add(time.Duration(i) * 1001 * time.Millisecond)
	}
	o := optionsFor(pagebook.Town(noon))
	o.Series = series(func(q dewline.SeriesQuery) (dewline.Series, error) {
		return dewline.Series{System: q.System, Times: times, Columns: []dewline.Column{{Quantity: "superheat", Unit: "K", Values: values}}}, nil
	})
	w := get(t, mount(t, o), "/api/v1/systems/quay-library/hall-ac/series?points=superheat")
	got := decode[struct {
		System string
		StepS  float64 `json:"step_s"`
		Times  []time.Time
		Points map[string]struct {
			Unit     string
			Values   []*float64
			Min, Max []*float64
		}
	}](t, w)
	if got.System != "quay-library/hall-ac" || got.StepS != 0 || got.Points["superheat"].Unit != "K" || got.Points["superheat"].Min != nil {
		t.Errorf("%+v", got)
	}
	for i, v := range values {
		p := got.Points["superheat"].Values[i]
		switch {
		case math.IsNaN(v) || math.IsInf(v, 0):
			if p != nil {
				t.Errorf("%v is written as %v", v, *p)
			}
		case p == nil || *p != v:
			t.Errorf("%v is written as %v", v, p)
		}
		if !got.Times[i].Equal(times[i].Time()) {
			t.Errorf("time %v is written as %v", times[i].Time(), got.Times[i])
		}
	}
}

// TestSeriesCostsNoMemory holds the promise that ten thousand rows are written without garbage.
func TestSeriesCostsNoMemory(t *testing.T) {
	big := dewline.Series{System: "quay-library/hall-ac", Step: time.Minute}
	for i := range dewline.MaxSeriesRows {
		big.Times = append(big.Times, dewline.MillisOf(noon).Add(time.Duration(i)*time.Minute))
	}
	column := make([]float64, len(big.Times))
	for i := range column {
		column[i] = float64(i) / 7
	}
	for _, q := range []string{"superheat", "subcooling", "suction_pressure_abs"} {
		big.Columns = append(big.Columns, dewline.Column{Quantity: q, Unit: "K", Values: column, Min: column, Max: column})
	}
	o := optionsFor(pagebook.Town(noon))
	o.Series = series(func(dewline.SeriesQuery) (dewline.Series, error) { return big, nil })
	h := mount(t, o)
	allocs := testing.AllocsPerRun(3, func() {
		h.ServeHTTP(discard{http.Header{}}, httptest.NewRequest(http.MethodGet, "/api/v1/systems/quay-library/hall-ac/series?points=superheat&step=60", nil))
	})
	if allocs > 300 {
		t.Errorf("%v allocations for 10,000 rows of 9 columns", allocs)
	}
}

type discard struct{ header http.Header }

func (d discard) Header() http.Header         { return d.header }
func (d discard) Write(p []byte) (int, error) { return len(p), nil }
func (d discard) WriteHeader(int)             {}

// TestDocument holds the document to the OpenAPI 3.1 schema (as published by the OpenAPI
// Initiative, in libopenapi-validator), and every answer, errors too, to the document.
func TestDocument(t *testing.T) {
	h := mount(t, optionsFor(pagebook.Town(noon)))
	text := get(t, h, "/api/v1/openapi.json").Body.Bytes()
	if version := decode[struct{ OpenAPI string }](t, get(t, h, "/api/v1/openapi.json")).OpenAPI; !strings.HasPrefix(version, "3.1.") {
		t.Errorf("OpenAPI %s, want 3.1", version)
	}
	document, err := libopenapi.NewDocument(text)
	if err != nil {
		t.Fatal(err)
	}
	check, errs := validator.NewValidator(document)
	if len(errs) > 0 {
		t.Fatal(errs)
	}
	if ok, errs := check.ValidateDocument(); !ok {
		for _, e := range errs {
			t.Errorf("document: %s: %s", e.Message, e.Reason)
		}
	}
	for _, path := range []string{
		"/systems", "/systems?limit=2", "/systems/quay-library/hall-ac", "/systems/clinic/new-ac", "/systems/quay-library/nobody",
		"/systems/quay-library/hall-ac/series?points=superheat,subcooling&step=3600",
		"/systems/cold-store/blast-freezer/series?points=superheat,subcooling&from=2031-07-03T15:00:00Z&to=2031-07-03T15:10:00Z",
		"/systems/quay-library/hall-ac/series?points=superheat&step=1&from=2031-07-01T00:00:00Z",
		"/alerts", "/alerts?state=open", "/alerts?state=x", "/rejects",
	} {
		r := httptest.NewRequest(http.MethodGet, "/api/v1"+path, nil)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if ok, errs := check.ValidateHttpResponse(r, w.Result()); !ok {
			for _, e := range errs {
				t.Errorf("%s: %s: %s %v", path, e.Message, e.Reason, e.SchemaValidationErrors)
			}
		}
	}
}

// TestHealthEverywhere: each health of the contract appears in the town, the same in list and page.
func TestHealthEverywhere(t *testing.T) {
	h := mount(t, optionsFor(pagebook.Town(noon)))
	list := decode[struct{ Systems []api.System }](t, get(t, h, "/api/v1/systems"))
	seen := map[dewline.Health]bool{}
	for _, s := range list.Systems {
		one := decode[api.System](t, get(t, h, "/api/v1/systems/"+string(s.System)))
		if one.Health != s.Health || one.HealthReason != s.HealthReason || s.HealthReason == "" {
			t.Errorf("%s: %s (%s) in the list, %s (%s) by itself", s.System, s.Health, s.HealthReason, one.Health, one.HealthReason)
		}
		seen[s.Health] = true
	}
	for _, want := range []dewline.Health{dewline.HealthLearning, dewline.HealthWell, dewline.HealthDrifting, dewline.HealthSoon,
		dewline.HealthUrgent, dewline.HealthDoubtful, dewline.HealthSilent, dewline.HealthUnderRepair} {
		if !seen[want] {
			t.Errorf("no system is %s", want)
		}
	}
}
