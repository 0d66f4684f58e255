package dashboards_test

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/prometheus/client_golang/prometheus"

	"dewline"
	"dewline/dashboards"
	"dewline/dashboards/pagebook"
)

// noon is when the book is opened: a summer's day, so that the town runs.
var noon = time.Date(2031, 7, 3, 16, 12, 20, 0, time.UTC)

// optionsFor joins a book to the handler's options.
func optionsFor(b *pagebook.Book) dashboards.Options {
	return dashboards.Options{
		Guest: as(dewline.Visitor{Role: dewline.RoleAdministrator}),
		Fleet: func() *dewline.Fleet { return b.Fleet }, States: b, Series: b, Alerts: b, Rejects: b, Events: b,
		Metrics: prometheus.NewRegistry(),
		Now:     func() time.Time { return b.Now },
		Checks: func() []dashboards.Check {
			return []dashboards.Check{{Name: "broker", OK: true}, {Name: "store", OK: true}}
		},
	}
}

// as takes everybody who asks for one visitor.
func as(v dewline.Visitor) func(*http.Request) (dewline.Visitor, bool) {
	return func(*http.Request) (dewline.Visitor, bool) { return v, true }
}

func handler(t testing.TB, o dashboards.Options) http.Handler {
	t.Helper()
	if o.Guest == nil {
		o.Guest = as(dewline.Visitor{Role: dewline.RoleAdministrator})
	}
	h, err := dashboards.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// get returns the answer to a request and its body.
func get(t testing.TB, h http.Handler, path string) (*http.Response, string) {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
	r := w.Result()
	body, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return r, string(body)
}

// page returns the body of a page that must be there.
func page(t testing.TB, h http.Handler, path string) string {
	t.Helper()
	r, body := get(t, h, path)
	if r.StatusCode != http.StatusOK {
		t.Fatalf("GET %s: %s\n%s", path, r.Status, body)
	}
	return body
}

func contains(t testing.TB, body string, wants ...string) {
	t.Helper()
	for _, want := range wants {
		if !strings.Contains(body, want) {
			t.Errorf("the answer lacks %q", want)
		}
	}
}
