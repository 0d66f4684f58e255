package access_test

import (
	"crypto/sha256"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"dewline"
	"dewline/dashboards/access"
	"dewline/dashboards/access/accesstest"
)

// TestStill: a request that lasts is its visitor's for as long as their token is good, and a stranger's never.
func TestStill(t *testing.T) {
	const token = "dewline-secret"
	person := dewline.Person{ID: "dora", Name: "Dora", Role: dewline.RoleDispatcher}
	store := accesstest.New(dewline.Account{Person: person, SignIn: dewline.SignIn{Person: "dora", Login: "dora"}})
	if err := store.AddToken(t.Context(), dewline.Token{ID: "t", Person: "dora", Name: "board"}, sha256.Sum256([]byte(token)), dewline.AuditEntry{}); err != nil {
		t.Fatal(err)
	}
	gate, err := access.New(access.Options{Store: store, Book: store, Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	asked := 0
	pages := gate.Middleware(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		asked++
		v, ok := gate.Still(r.Context())
		if r.Header.Get("Authorization") == "" {
			if ok || v.Role != "" {
				t.Errorf("a stranger is still %+v", v)
			}
			return
		}
		if !ok || v != dewline.VisitorOf(r.Context()) || v.Person != "dora" {
			t.Errorf("still %+v, %v", v, ok)
		}
		if err := store.RevokeToken(r.Context(), "dora", "t", dewline.MillisOf(time.Now()), dewline.AuditEntry{}); err != nil {
			t.Fatal(err)
		}
		if _, ok := gate.Still(r.Context()); ok {
			t.Error("the token was revoked, and the request goes on")
		}
	}))
	r := httptest.NewRequest(http.MethodGet, "/events", nil)
	r.Header.Set("Authorization", "Bearer "+token)
	pages.ServeHTTP(httptest.NewRecorder(), r)
	pages.ServeHTTP(httptest.NewRecorder(), httptest.NewRequest(http.MethodGet, "/events", nil))
	if asked != 2 {
		t.Fatalf("%d requests came through", asked)
	}
}
