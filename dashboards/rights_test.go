package dashboards_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/go-chi/chi/v5"
	"github.com/prometheus/client_golang/prometheus"

	"dewline"
	"dewline/dashboards"
	"dewline/dashboards/access"
	"dewline/dashboards/access/accesstest"
)

// Two owners: harbour has the site pier, mill has the site loft. Every id says at which site it is.
const (
	own   = "pier"
	other = "loft"
)

// asked is an address with the right that it takes, as the table below states it: independent of what
// the code says. An @ stands for a site and, where OWNER stands, for its owner.
type asked struct {
	route string // method and pattern, as the router or the document has it
	right dewline.Right
	path  string // an example
	body  string // of what changes something
	kind  whose
}

// whose says what the answer has to do with an owner.
type whose int

const (
	nobodys whose = iota // with none
	one                  // it is about one thing: of another owner's there is none
	many                 // it is a list: another owner's are not in it
)

const api = "/api/v1"

// rightsTable has every address of pages and API. What is not here fails the test.
var rightsTable = []asked{
	{"GET /", dewline.ReadMachines, "/", "", many},
	{"GET /fleet", dewline.ReadMachines, "/fleet", "", many},
	{"GET /owners/{owner}", dewline.ReadMachines, "/owners/OWNER", "", one},
	{"GET /owners/{owner}/reports/{file}", dewline.ReadMachines, "/owners/OWNER/reports/2031-06.pdf", "", one},
	{"GET /systems/{site}/{system}", dewline.ReadMachines, "/systems/@/a", "", one},
	{"GET /systems/{site}/{system}/live", dewline.ReadMachines, "/systems/@/a/live", "", one},
	{"POST /alerts", dewline.WorkOnAlerts, "/alerts", "do=acknowledge&id=alert-@", many},
	{"GET /reports", dewline.ReadCompany, "/reports?span=all", "", nobodys},
	{"POST /units", dewline.ReadMachines, "/units", "units=us", nobodys},
	{"GET /events", dewline.ReadMachines, "/events?system=@/a", "", one},
	{"GET /progress", dewline.ReadMachines, "/progress", "", nobodys},
	{"GET /healthz", dewline.Anyone, "/healthz", "", nobodys},
	{"GET /readyz", dewline.Anyone, "/readyz", "", nobodys},
	{"GET /assets/{name}", dewline.Anyone, "/assets/icon.svg", "", nobodys},
	{"GET /metrics", dewline.Anyone, "/metrics", "", nobodys}, // of this machine; TestStrangersSeeLittle asks from elsewhere
	{"GET /calls", dewline.WorkOnVisits, "/calls?technician=", "", many},
	{"POST /calls/calendar", dewline.WorkOnVisits, "/calls/calendar", "", nobodys},
	{"GET /calls/worker.js", dewline.Anyone, "/calls/worker.js", "", nobodys},
	{"GET /calls/{id}", dewline.WorkOnVisits, "/calls/call-@", "", one},
	{"POST /calls/{id}", dewline.WorkOnVisits, "/calls/call-@", "do=on_the_way", one},
	{"GET /calls/{id}/visit/{site}/{system}", dewline.WorkOnVisits, "/calls/call-@/visit/@/a", "", one},
	{"POST /calls/{id}/visit/{site}/{system}", dewline.WorkOnVisits, "/calls/call-@/visit/@/a", "id=visit-@&revision=1", one},
	{"GET /calls/{id}/visit/{site}/{system}/live", dewline.WorkOnVisits, "/calls/call-@/visit/@/a/live", "", one},

	{"GET /holds", dewline.WorkOnAlerts, "/holds", "", many},
	{"POST /holds", dewline.WorkOnAlerts, "/holds", "site=@&kind=maintenance&until=2031-08-01T08:00&why=x", one},
	{"POST /holds/{id}/end", dewline.WorkOnAlerts, "/holds/hold-@/end", "why=x", one},

	{"GET /setup", dewline.SetUp, "/setup", "", nobodys},
	{"GET /setup/systems/new", dewline.SetUp, "/setup/systems/new", "", nobodys},
	{"POST /setup/systems/new", dewline.SetUp, "/setup/systems/new", "system.id=x", nobodys},
	{"GET /setup/systems/{site}/{system}", dewline.SetUp, "/setup/systems/@/a", "", one},
	{"POST /setup/systems/{site}/{system}", dewline.SetUp, "/setup/systems/@/a", "version=v0&system.kind=x", one},
	{"GET /setup/systems/{site}/{system}/remove", dewline.SetUp, "/setup/systems/@/a/remove", "", one},
	{"POST /setup/systems/{site}/{system}/remove", dewline.SetUp, "/setup/systems/@/a/remove", "version=v0", one},
	{"GET /setup/sites/{site}", dewline.SetUp, "/setup/sites/@", "", one},
	{"POST /setup/sites/{site}", dewline.SetUp, "/setup/sites/@", "version=v0&site.altitude=x", one},
	{"GET /setup/sites/{site}/remove", dewline.SetUp, "/setup/sites/@/remove", "", one},
	{"POST /setup/sites/{site}/remove", dewline.SetUp, "/setup/sites/@/remove", "version=v0", one},
	{"GET /setup/systems/{site}/{system}/check", dewline.SetUp, "/setup/systems/@/a/check", "", one},
	{"GET /setup/contacts", dewline.SetUp, "/setup/contacts", "", nobodys},
	{"POST /setup/contacts", dewline.SetUp, "/setup/contacts", "do=contact&person=me&channel=email&address=x@example.org", nobodys},
	{"GET /setup/fleet", dewline.SetUp, "/setup/fleet", "", nobodys},
	{"POST /setup/fleet", dewline.SetUp, "/setup/fleet", "text=x", nobodys},
	{"GET /setup/fleet.yaml", dewline.SetUp, "/setup/fleet.yaml", "", nobodys},
	{"GET /setup/gateways", dewline.SetUp, "/setup/gateways", "", nobodys},
	{"POST /setup/gateways", dewline.SetUp, "/setup/gateways", "do=add&gateway=@/gw", nobodys},

	{"GET /sign-in", dewline.Anyone, "/sign-in", "", nobodys},
	{"POST /sign-in", dewline.Anyone, "/sign-in", "login=x&password=y", nobodys},
	{"POST /sign-out", dewline.ReadMachines, "/sign-out", "x=y", nobodys},
	{"GET /sign-in/elsewhere", dewline.Anyone, "/sign-in/elsewhere", "", nobodys},
	{"GET /sign-in/back", dewline.Anyone, "/sign-in/back", "", nobodys},
	{"GET /new-password/{secret}", dewline.Anyone, "/new-password/x", "", nobodys},
	{"POST /new-password/{secret}", dewline.Anyone, "/new-password/x", "new=x", nobodys},
	{"GET /account", dewline.ReadMachines, "/account", "", nobodys},
	{"POST /account", dewline.ReadMachines, "/account", "do=units&units=us", nobodys},
	{"GET /people", dewline.GrantAccess, "/people", "", nobodys},
	{"POST /people", dewline.GrantAccess, "/people", "id=x&name=X&role=technician", nobodys},
	{"GET /people/{person}", dewline.GrantAccess, "/people/me", "", nobodys},
	{"POST /people/{person}", dewline.GrantAccess, "/people/me", "do=link", nobodys},
	{"GET /audit", dewline.GrantAccess, "/audit", "", nobodys},

	{"GET " + api + "/openapi.json", dewline.ReadMachines, api + "/openapi.json", "", nobodys},
	{"GET " + api + "/systems", dewline.ReadMachines, api + "/systems", "", many},
	{"GET " + api + "/systems/{site}/{system}", dewline.ReadMachines, api + "/systems/@/a", "", one},
	{"GET " + api + "/systems/{site}/{system}/series", dewline.ReadMachines, api + "/systems/@/a/series?points=superheat", "", one},
	{"GET " + api + "/systems/{site}/{system}/refrigerant", dewline.ReadMachines, api + "/systems/@/a/refrigerant", "", one},
	{"GET " + api + "/systems/{site}/{system}/refrigerant.csv", dewline.ReadMachines, api + "/systems/@/a/refrigerant.csv", "", one},
	{"GET " + api + "/systems/{site}/{system}/commissioning.pdf", dewline.ReadMachines, api + "/systems/@/a/commissioning.pdf", "", one},
	{"GET " + api + "/sites/{site}/refrigerant-dues", dewline.ReadMachines, api + "/sites/@/refrigerant-dues", "", one},
	{"POST " + api + "/refrigerant/entries", dewline.WorkOnVisits, api + "/refrigerant/entries", `{"id":"entry-01","system":"@/a","kind":"repair","at":"2031-07-01T00:00:00Z"}`, one},
	{"GET " + api + "/alerts", dewline.ReadMachines, api + "/alerts", "", many},
	{"GET " + api + "/alerts/{id}", dewline.ReadMachines, api + "/alerts/alert-@", "", one},
	{"POST " + api + "/alerts/{id}/actions", dewline.WorkOnAlerts, api + "/alerts/alert-@/actions", `{"do":"acknowledge"}`, one},
	{"GET " + api + "/holds", dewline.ReadMachines, api + "/holds", "", many},
	{"POST " + api + "/holds", dewline.WorkOnAlerts, api + "/holds", `{"kind":"maintenance","site":"@","until":"2031-08-01T00:00:00Z","why":"x"}`, one},
	{"POST " + api + "/holds/{id}/end", dewline.WorkOnAlerts, api + "/holds/hold-@/end", `{}`, one},
	{"GET " + api + "/service-calls", dewline.ReadMachines, api + "/service-calls", "", many},
	{"POST " + api + "/service-calls", dewline.WorkOnAlerts, api + "/service-calls", `{"alerts":["alert-@"]}`, one},
	{"GET " + api + "/service-calls/{id}", dewline.ReadMachines, api + "/service-calls/call-@", "", one},
	{"POST " + api + "/service-calls/{id}/actions", dewline.WorkOnVisits, api + "/service-calls/call-@/actions", `{"do":"on_site"}`, one},
	{"POST " + api + "/service-calls/{id}/verification", dewline.WorkOnVisits, api + "/service-calls/call-@/verification", `x`, one},
	{"GET " + api + "/service-calls/{id}/closing-pack.pdf", dewline.ReadMachines, api + "/service-calls/call-@/closing-pack.pdf", "", one},
	{"GET " + api + "/visits", dewline.ReadMachines, api + "/visits", "", many},
	{"GET " + api + "/visits/{id}", dewline.ReadMachines, api + "/visits/visit-@", "", one},
	{"PUT " + api + "/visits/{id}", dewline.WorkOnVisits, api + "/visits/visit-@", `{"id":"visit-@","call":"call-@","system":"@/a","revision":1,"started":"2031-07-01T00:00:00Z"}`, one},
	{"POST " + api + "/visits/{id}/close", dewline.WorkOnVisits, api + "/visits/visit-@/close", `{}`, one},
	{"POST " + api + "/visits/{id}/photos", dewline.WorkOnVisits, api + "/visits/visit-@/photos", "picture", one},
	{"GET " + api + "/visits/{id}/photos/{digest}", dewline.ReadMachines, api + "/visits/visit-@/photos/" + strings.Repeat("0", 64), "", one},
	{"GET " + api + "/owners/{owner}/months/{month}", dewline.ReadMachines, api + "/owners/OWNER/months/2031-06", "", one},
	{"GET " + api + "/owners/{owner}/reports/{month}", dewline.ReadMachines, api + "/owners/OWNER/reports/2031-06", "", one},
	{"GET " + api + "/reports/service", dewline.ReadCompany, api + "/reports/service", "", nobodys},
	{"GET " + api + "/vans/{van}/stock", dewline.ReadCompany, api + "/vans/x/stock", "", nobodys},
	{"PUT " + api + "/vans/{van}/stock", dewline.WorkOnVisits, api + "/vans/x/stock", `{"items":[]}`, nobodys}, // and ReadCompany
	{"GET " + api + "/rejects", dewline.ReadMachines, api + "/rejects", "", many},
	{"GET " + api + "/exports/service-calls.csv", dewline.ReadMachines, api + "/exports/service-calls.csv", "", many},
	{"GET " + api + "/exports/refrigerant.csv", dewline.TakeRecords, api + "/exports/refrigerant.csv", "", many},
	{"GET " + api + "/exports/service-calls.json", dewline.ReadMachines, api + "/exports/service-calls.json", "", many},
	{"GET " + api + "/calendar-links", dewline.WorkOnVisits, api + "/calendar-links", "", many},
	{"POST " + api + "/calendar-links", dewline.WorkOnVisits, api + "/calendar-links", `{"site":"@"}`, one},
	{"POST " + api + "/calendar-links/{id}/revocation", dewline.WorkOnVisits, api + "/calendar-links/link-@/revocation", `{}`, one},
	{"GET " + api + "/calendar/{token}.ics", dewline.Anyone, api + "/calendar/x.ics", "", nobodys},
	{"GET " + api + "/notices", dewline.ReadCompany, api + "/notices", "", many},
	{"GET " + api + "/messages/{id}", dewline.ReadCompany, api + "/messages/message", "", nobodys},
	{"GET " + api + "/people", dewline.ReadCompany, api + "/people", "", nobodys},
	{"PUT " + api + "/people/{id}", dewline.SetUp, api + "/people/x", `{"name":"X","role":"technician"}`, nobodys},
	{"POST " + api + "/people/{id}/anonymise", dewline.SetUp, api + "/people/gone/anonymise", "x", nobodys},
	{"GET " + api + "/rosters", dewline.ReadCompany, api + "/rosters", "", nobodys},
	{"PUT " + api + "/rosters/{id}", dewline.SetUp, api + "/rosters/x", `{"name":"X","people":["me"],"first":"2031-07-01","handover":"08:00","days":7}`, nobodys},
	{"DELETE " + api + "/rosters/{id}", dewline.SetUp, api + "/rosters/x", "x", nobodys},
	{"GET " + api + "/plans", dewline.ReadCompany, api + "/plans", "", nobodys},
	{"PUT " + api + "/plans/{id}", dewline.SetUp, api + "/plans/x", `{"name":"X","least":"urgent","steps":[{"contacts":["c"]}]}`, nobodys},
	{"DELETE " + api + "/plans/{id}", dewline.SetUp, api + "/plans/x", "x", nobodys},
	{"GET " + api + "/contacts", dewline.ReadCompany, api + "/contacts", "", nobodys},
	{"PUT " + api + "/contacts/{id}", dewline.SetUp, api + "/contacts/x", `{"person":"me","channel":"email","address":"x@example.org"}`, nobodys},
	{"DELETE " + api + "/contacts/{id}", dewline.SetUp, api + "/contacts/x", "x", nobodys},
	{"POST " + api + "/contacts/{id}/test", dewline.SetUp, api + "/contacts/x/test", "x", nobodys},
	{"POST " + api + "/contacts/{id}/secret", dewline.SetUp, api + "/contacts/x/secret", "x", nobodys},
}

// who are the visitors of the table, with what they may and whose machines they see, stated here again.
var who = []struct {
	name    string
	visitor dewline.Visitor
	may     string // the words of the rights
	sees    string // sites
}{
	{"stranger", dewline.Visitor{}, "", ""},
	{"administrator", visitor(dewline.RoleAdministrator, ""), "read company records work visit set-up accounts", "pier loft"},
	{"manager", visitor(dewline.RoleManager, ""), "read company records work visit set-up", "pier loft"},
	{"dispatcher", visitor(dewline.RoleDispatcher, ""), "read company records work visit", "pier loft"},
	{"technician", visitor(dewline.RoleTechnician, ""), "read company visit", "pier loft"},
	{"program", visitor(dewline.RoleProgram, ""), "read", "pier loft"},
	{"owner", visitor(dewline.RoleOwner, "harbour"), "read records", "pier"},
	{"owner of nothing", visitor(dewline.RoleOwner, ""), "read records", ""},
	{"owner's dispatcher", visitor(dewline.RoleDispatcher, "harbour"), "read records work visit", "pier"},
	{"owner's technician", visitor(dewline.RoleTechnician, "harbour"), "read visit", "pier"},
	{"owner's manager", visitor(dewline.RoleManager, "harbour"), "read records work visit", "pier"},
	{"owner's program", visitor(dewline.RoleProgram, "harbour"), "read", "pier"},
	{"a role that is none", visitor("king", ""), "", ""},
}

func visitor(role dewline.Role, owner string) dewline.Visitor {
	return dewline.Visitor{Person: "me", Name: "Me Myself", Role: role, Owner: owner}
}

// TestRights asks for every address as everybody, for what is their own and for what is another
// owner's.
func TestRights(t *testing.T) {
	town := &twoOwners{}
	current := dewline.Visitor{}
	pages := town.pages(t, func(*http.Request) (dewline.Visitor, bool) { return current, current.Role != "" })
	for _, w := range who {
		t.Run(w.name, func(t *testing.T) {
			current = w.visitor
			for _, a := range rightsTable {
				for _, site := range []string{own, other} {
					may := a.right == dewline.Anyone || slices.Contains(strings.Fields(w.may), string(a.right))
					if a.route == "PUT "+api+"/vans/{van}/stock" {
						may = may && strings.Contains(w.may, "company")
					}
					check(t, pages, a, site, may, slices.Contains(strings.Fields(w.sees), site), w.visitor)
				}
			}
			for _, did := range town.acts {
				if did != "Me Myself" {
					t.Errorf("something is kept as done by %q", did)
				}
			}
			if strings.Contains(w.may, "visit") != (len(town.acts) > 0) {
				t.Errorf("%d acts are kept", len(town.acts))
			}
			town.acts = nil
		})
	}
}

func check(t *testing.T, pages http.Handler, a asked, site string, may, sees bool, v dewline.Visitor) {
	t.Helper()
	fill := strings.NewReplacer("@", site, "OWNER", map[string]string{own: "harbour", other: "mill"}[site])
	method, _, _ := strings.Cut(a.route, " ")
	r := httptest.NewRequest(method, fill.Replace(a.path), strings.NewReader(fill.Replace(a.body)))
	program := strings.HasPrefix(a.path, api)
	switch {
	case strings.HasPrefix(a.body, "{"):
		r.Header.Set("Content-Type", "application/json")
	case !program && a.body != "":
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	case a.body == "picture":
		r.Header.Set("Content-Type", "application/octet-stream")
	}
	r.Host, r.RemoteAddr = "127.0.0.1", "127.0.0.1:1" // of this machine: metrics and readyz
	if strings.HasPrefix(a.path, "/events") {         // which lasts until its reader is gone
		ctx, cancel := context.WithCancel(r.Context())
		cancel()
		r = r.WithContext(ctx)
	}
	w := httptest.NewRecorder()
	pages.ServeHTTP(w, r)
	body := w.Body.String()
	toSignIn := w.Code == http.StatusSeeOther && strings.HasPrefix(w.Header().Get("Location"), "/sign-in?back=")
	bad := func(want string) {
		t.Helper()
		t.Errorf("%s of %s: %d, want %s\n%.300s", a.route, site, w.Code, want, body)
	}
	if program && w.Code >= 400 && w.Header().Get("Content-Type") != "application/problem+json" {
		t.Errorf("%s: an error as %s", a.route, w.Header().Get("Content-Type"))
	}
	switch {
	case !may && v.Role == "" && !program && method == http.MethodGet:
		if !toSignIn {
			bad("to sign in")
		}
	case !may && v.Role == "":
		if w.Code != http.StatusUnauthorized {
			bad("401")
		}
	case !may:
		if w.Code != http.StatusForbidden {
			bad("403")
		}
	case a.kind == one && !sees:
		if w.Code != http.StatusNotFound {
			bad("404")
		}
	case a.kind == one:
		if w.Code >= 400 && w.Code != http.StatusUnprocessableEntity {
			bad("an answer")
		}
	case a.kind == many && method == http.MethodGet && w.Code == http.StatusOK:
		if strings.Contains(body, site) != sees {
			t.Errorf("%s: the list has %s: %v\n%.2000s", a.route, site, strings.Contains(body, site), body)
		}
	case a.right != dewline.Anyone && (w.Code == http.StatusUnauthorized || w.Code == http.StatusForbidden || w.Code >= 500 || toSignIn):
		bad("an answer")
	}
	if !sees && w.Code < 400 && method == http.MethodGet && a.kind != nobodys && strings.Contains(body, "Secret of "+site) {
		t.Errorf("%s tells of %s", a.route, site)
	}
}

// TestEveryAddressHasARight holds the table to the router and to the document of the API.
func TestEveryAddressHasARight(t *testing.T) {
	town := &twoOwners{}
	pages := town.pages(t, as(visitor(dewline.RoleAdministrator, "")))
	stated := map[string]dewline.Right{}
	for _, a := range rightsTable {
		if _, twice := stated[a.route]; twice {
			t.Errorf("%s stands twice", a.route)
		}
		stated[a.route] = a.right
	}
	there := map[string]bool{"GET " + api + "/openapi.json": true}
	routes, ok := pages.(chi.Routes)
	if !ok {
		t.Fatal("the pages are no router: routes cannot be listed")
	}
	err := chi.Walk(routes, func(method, route string, _ http.Handler, _ ...func(http.Handler) http.Handler) error {
		if route != api+"/*" { // what is below stands in the document
			there[method+" "+route] = true
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	var document struct {
		Paths map[string]map[string]struct {
			Security []map[string][]string `json:"security"`
		} `json:"paths"`
	}
	if err := json.Unmarshal([]byte(page(t, pages, api+"/openapi.json")), &document); err != nil {
		t.Fatal(err)
	}
	for path, methods := range document.Paths {
		for method, operation := range methods {
			route := strings.ToUpper(method) + " " + api + path
			there[route] = true
			said := dewline.Anyone
			if len(operation.Security) == 1 {
				said = dewline.Right(strings.Join(operation.Security[0]["token"], ","))
			}
			if right, ok := stated[route]; ok && right != said {
				t.Errorf("%s: the document says that it takes %q, the table %q", route, said, right)
			}
		}
	}
	if len(there) < 60 {
		t.Errorf("only %d addresses were found", len(there))
	}
	for route := range there {
		if _, ok := stated[route]; !ok {
			t.Errorf("%s: nobody has stated which right it takes: add it to rightsTable", route)
		}
	}
	for route := range stated {
		if !there[route] {
			t.Errorf("%s is in the table and nowhere else", route)
		}
	}
}

// TestReadmeNamesPages: whoever reads what there is finds every page to which no other leads by an id.
func TestReadmeNamesPages(t *testing.T) {
	readme, err := os.ReadFile("../README.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range rightsTable {
		path, ok := strings.CutPrefix(a.route, "GET ")
		if !ok || strings.ContainsAny(path, "{.") || strings.HasPrefix(path, api) || slices.Contains([]string{"/events", "/progress", "/healthz", "/readyz", "/metrics", "/sign-in/elsewhere", "/sign-in/back"}, path) {
			continue
		}
		if !strings.Contains(string(readme), "`"+path+"`") {
			t.Errorf("the README does not name %s", path)
		}
	}
}

// TestNoName: an act under another name than one's own is refused, whoever's token it is.
func TestNoName(t *testing.T) {
	town := &twoOwners{}
	pages := town.pages(t, as(visitor(dewline.RoleDispatcher, "")))
	for _, a := range rightsTable {
		method, _, _ := strings.Cut(a.route, " ")
		if !strings.HasPrefix(a.path, api) || !strings.HasPrefix(a.body, "{") || method != http.MethodPost || a.right != dewline.WorkOnAlerts && a.right != dewline.WorkOnVisits {
			continue
		}
		for by, want := range map[string]bool{"Me Myself": true, "Somebody Else": false, "": true} {
			body := strings.Replace(strings.ReplaceAll(a.body, "@", own), "{", fmt.Sprintf(`{"by":%q,`, by), 1)
			r := httptest.NewRequest(method, strings.ReplaceAll(a.path, "@", own), strings.NewReader(strings.Replace(body, ",}", "}", 1)))
			r.Header.Set("Content-Type", "application/json")
			w := httptest.NewRecorder()
			pages.ServeHTTP(w, r)
			if (w.Code == http.StatusForbidden) == want || want && w.Code >= 300 {
				t.Errorf("%s by %q: %d %s", a.route, by, w.Code, w.Body)
			}
		}
	}
	for _, did := range town.acts {
		if did != "Me Myself" {
			t.Errorf("something is kept as done by %q", did)
		}
	}
}

// TestNobodyMakesThemselvesMore: who sets up and does not grant access changes nobody's role.
func TestNobodyMakesThemselvesMore(t *testing.T) {
	town := &twoOwners{}
	for role, want := range map[dewline.Role]int{dewline.RoleManager: http.StatusForbidden, dewline.RoleAdministrator: http.StatusNoContent} {
		pages := town.pages(t, as(visitor(role, "")))
		for path, body := range map[string]string{
			"/people/me":  `{"name":"Me Myself","role":"administrator"}`,
			"/people/new": `{"name":"New","role":"administrator"}`,
			"/people/his": `{"name":"His","role":"owner","owner":"mill"}`, // the owner of another
		} {
			r := httptest.NewRequest(http.MethodPut, api+path, strings.NewReader(body))
			r.Header.Set("Content-Type", "application/json")
			w := httptest.NewRecorder()
			pages.ServeHTTP(w, r)
			if w.Code != want {
				t.Errorf("%s %s: %d %s", role, path, w.Code, w.Body)
			}
		}
	}
}

// TestNobodyShutsOthersOut: taking the name of somebody who can sign in away also shuts them out, so that
// only who grants access does it.
func TestNobodyShutsOthersOut(t *testing.T) {
	for role, want := range map[dewline.Role]int{dewline.RoleManager: http.StatusForbidden, dewline.RoleAdministrator: http.StatusNoContent} {
		w := httptest.NewRecorder()
		(&twoOwners{}).pages(t, as(visitor(role, ""))).ServeHTTP(w, httptest.NewRequest(http.MethodPost, api+"/people/boss/anonymise", nil))
		if w.Code != want {
			t.Errorf("%s: %d %s", role, w.Code, w.Body)
		}
	}
}

// twoOwners answers for everything that pages and API read from and change by, whoever asks.
type twoOwners struct {
	acts []string // who did something, of each act
}

func (o *twoOwners) did(by string) { o.acts = append(o.acts, by) }

func (o *twoOwners) pages(t *testing.T, guest func(*http.Request) (dewline.Visitor, bool)) http.Handler {
	t.Helper()
	system := func(site string) dewline.System {
		return dewline.System{ID: dewline.SystemID(site + "/a"), Name: "Secret of " + site, Kind: dewline.SplitAC, Refrigerant: "R-410A", Metering: dewline.TXV}
	}
	fleet := dewline.NewFleet([]dewline.Owner{{ID: "harbour", Name: "Harbour"}, {ID: "mill", Name: "Mill"}}, []dewline.Site{
		{ID: own, Name: "Secret of pier", Owner: "harbour", Systems: []dewline.System{system(own)}},
		{ID: other, Name: "Secret of loft", Owner: "mill", Systems: []dewline.System{system(other)}},
	})
	person := func(id string, role dewline.Role, owner string) dewline.Account {
		return dewline.Account{Person: dewline.Person{ID: id, Name: "Name of " + id, Role: role, Owner: owner}, SignIn: dewline.SignIn{Person: id, Login: id}}
	}
	people := accesstest.New(person("me", dewline.RoleTechnician, ""), person("his", dewline.RoleOwner, "harbour"), person("boss", dewline.RoleAdministrator, ""))
	if err := people.PutPerson(t.Context(), dewline.Person{ID: "gone", Name: "Gone", Role: dewline.RoleTechnician}); err != nil {
		t.Fatal(err)
	}
	gate, err := access.New(access.Options{Store: people, Book: people, Now: func() time.Time { return noon },
		Provider: &access.Provider{Name: "elsewhere", Issuer: "http://127.0.0.1:1", ClientID: "x"}})
	if err != nil {
		t.Fatal(err)
	}
	options := dashboards.Options{Metrics: prometheus.NewRegistry()}
	options.Fleet, options.States = func() *dewline.Fleet { return fleet }, nil
	options.Series, options.Alerts, options.Rejects, options.Events = o, o, o, o
	options.Desk, options.Service, options.Contacts, options.Messages, options.Courier = deskOf{o}, o, people, o, o
	options.Ledger, options.Papers, options.Owners, options.Calendar, options.Photos = ledgerOf{o}, o, o, o, o
	options.Now = func() time.Time { return noon }
	kept := &keeper{text: []byte(townFile)}
	options.Enrolment, options.Gateways = kept, kept
	options.Access, options.Guest = gate, guest
	h, err := dashboards.New(options)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

var sites = []string{own, other}

// siteOf returns the site that an id names.
func siteOf(id string) string {
	if strings.Contains(id, other) {
		return other
	}
	return own
}

func alertAt(site string) dewline.Alert {
	id := dewline.SystemID(site + "/a")
	return dewline.Alert{ID: "alert-" + site, Site: site, System: id, Systems: []dewline.SystemID{id}, Condition: dewline.Flooding, Conditions: []dewline.Condition{dewline.Flooding},
		Severity: dewline.Urgent, State: dewline.AlertOpen, Onset: dewline.MillisOf(noon), Detected: dewline.MillisOf(noon), Causes: []dewline.Cause{{Fault: dewline.Overfeed, Probability: 1}}}
}

func at[T any](asked []string, make func(site string) T) (list []T) {
	for _, site := range sites {
		if len(asked) == 0 || slices.Contains(asked, site) {
			list = append(list, make(site))
		}
	}
	return list
}

func (o *twoOwners) AlertsIn(_ context.Context, f dewline.AlertFilter) (dewline.AlertPage, error) {
	list := at(f.Sites, alertAt)
	return dewline.AlertPage{Alerts: slices.DeleteFunc(list, func(a dewline.Alert) bool { return f.System != "" && f.System != a.System })}, nil
}

func (o *twoOwners) AlertHistory(_ context.Context, id string) ([]dewline.AlertChange, error) {
	return []dewline.AlertChange{{Alert: alertAt(siteOf(id))}}, nil
}

func (o *twoOwners) ReadSeries(_ context.Context, q dewline.SeriesQuery) (dewline.Series, error) {
	return dewline.Series{System: q.System}, nil
}

func (o *twoOwners) EventsOf(context.Context, dewline.SystemID, dewline.Millis, dewline.Millis) ([]dewline.Event, error) {
	return nil, nil
}

func (o *twoOwners) ReadRejects(_ context.Context, f dewline.RejectFilter, limit int) ([]dewline.Reject, error) {
	var asked []string
	if f.Site != "" {
		asked = []string{f.Site}
	}
	return at(asked, func(site string) dewline.Reject {
		return dewline.Reject{Received: 1, Refusal: dewline.Refusal{Reason: dewline.Reasons()[0], System: dewline.SystemID(site + "/a")}}
	}), nil
}

func (o *twoOwners) CountRejects(context.Context) (map[dewline.Reason]int64, error) { return nil, nil }

func (o *twoOwners) NoticesIn(_ context.Context, f dewline.NoticeFilter) (dewline.NoticePage, error) {
	return dewline.NoticePage{Notices: at(f.Sites, func(site string) dewline.Notice { return dewline.Notice{ID: "n", Alert: "alert-" + site} })}, nil
}

func (o *twoOwners) MessageByID(context.Context, string) (dewline.Message, error) {
	return dewline.Message{ID: "message", Payload: json.RawMessage("{}")}, nil
}

func (o *twoOwners) Try(context.Context, string) error                 { return nil }
func (o *twoOwners) NewSecret(context.Context, string) (string, error) { return "secret", nil }

// deskOf is where they work on alerts.
type deskOf struct{ *twoOwners }

func (o deskOf) Case(_ context.Context, id string) (dewline.AlertCase, error) {
	return dewline.AlertCase{Alert: alertAt(siteOf(id))}, nil
}

func (o deskOf) Act(ctx context.Context, id string, act dewline.AlertAct) (dewline.AlertCase, error) {
	o.did(act.By)
	return o.Case(ctx, id)
}

func (o deskOf) Held(context.Context, dewline.Alert) ([]dewline.Hold, error) { return nil, nil }

func (o deskOf) Hold(_ context.Context, h dewline.Hold) (dewline.Hold, error) {
	o.did(h.By)
	return h, nil
}

func (o deskOf) EndHold(_ context.Context, id string, c dewline.Change) (dewline.Hold, error) {
	o.did(c.By)
	return dewline.Hold{ID: id}, nil
}

func (o deskOf) HoldsIn(context.Context, string) ([]dewline.Hold, error) {
	return at(nil, func(site string) dewline.Hold { return dewline.Hold{ID: "hold-" + site, Site: site} }), nil
}

func (o deskOf) EndedHolds(context.Context, string, dewline.Millis) ([]dewline.Hold, error) {
	return at(nil, func(site string) dewline.Hold { return dewline.Hold{ID: "ended-" + site, Site: site, Until: 1} }), nil
}

func callAt(site string) dewline.ServiceCall {
	return dewline.ServiceCall{ID: "call-" + site, Site: site, Systems: []dewline.SystemID{dewline.SystemID(site + "/a")}, State: dewline.CallAssigned, Priority: dewline.P2,
		Briefs: []dewline.Brief{{Alert: "alert-" + site, System: dewline.SystemID(site + "/a"), Condition: dewline.Flooding, Severity: dewline.Urgent}}}
}

func (o *twoOwners) CallCase(_ context.Context, id string) (dewline.CallCase, error) {
	return dewline.CallCase{Call: callAt(siteOf(id)), May: []dewline.CallDo{dewline.OnTheWay}}, nil
}

func (o *twoOwners) MakeCall(ctx context.Context, r dewline.CallRequest) (dewline.CallCase, error) {
	o.did(r.By)
	return o.CallCase(ctx, r.Alerts[0])
}

func (o *twoOwners) ActOnCall(ctx context.Context, id string, act dewline.CallAct) (dewline.CallCase, error) {
	o.did(act.By)
	return o.CallCase(ctx, id)
}

func (o *twoOwners) CallsIn(_ context.Context, f dewline.CallFilter) ([]dewline.ServiceCall, error) {
	if f.After != "" || len(f.States) > 0 && !slices.Contains(f.States, dewline.CallAssigned) {
		return nil, nil
	}
	return at(f.Sites, callAt), nil
}

func visitAt(site string) dewline.Visit {
	return dewline.Visit{ID: "visit-" + site, Call: "call-" + site, System: dewline.SystemID(site + "/a"), Revision: 1, Started: dewline.StampOf(noon),
		Photos: []dewline.Photo{{Digest: strings.Repeat("0", 64), Type: "image/jpeg"}}}
}

func (o *twoOwners) PutVisit(_ context.Context, v dewline.Visit) (dewline.Visit, error) {
	return v, nil
}

func (o *twoOwners) CloseVisit(ctx context.Context, id string, c dewline.Closing) (dewline.CallCase, error) {
	o.did(c.By)
	return o.CallCase(ctx, id)
}

func (o *twoOwners) VisitByID(_ context.Context, id string) (dewline.Visit, error) {
	return visitAt(siteOf(id)), nil
}

func (o *twoOwners) Visits(context.Context, dewline.SystemID, dewline.Millis, dewline.Millis) ([]dewline.Visit, error) {
	return at(nil, visitAt), nil
}

func (o *twoOwners) Verify(ctx context.Context, id string) (dewline.CallCase, error) {
	return o.CallCase(ctx, id)
}

func (o *twoOwners) Report(context.Context, dewline.Millis, dewline.Millis) (dewline.ServiceReport, error) {
	return dewline.ServiceReport{}, nil
}

func (o *twoOwners) PutStock(context.Context, string, []dewline.StockItem) error { return nil }

func (o *twoOwners) Stock(context.Context, string) ([]dewline.StockItem, error) {
	return []dewline.StockItem{}, nil
}

// ledgerOf keeps their refrigerant records.
type ledgerOf struct{ *twoOwners }

func (o ledgerOf) Account(_ context.Context, id dewline.SystemID) (dewline.RefrigerantAccount, error) {
	return dewline.RefrigerantAccount{Systems: []dewline.SystemID{id}}, nil
}

func (o ledgerOf) AddEntry(ctx context.Context, e dewline.LedgerEntry) (dewline.RefrigerantAccount, error) {
	o.did(e.By)
	return o.Account(ctx, e.System)
}

func (o ledgerOf) LedgerCSV(_ context.Context, id dewline.SystemID) ([]byte, error) {
	return []byte(id), nil
}

func (o ledgerOf) FleetCSV(_ context.Context, sites []string) ([]byte, error) {
	var ids []byte
	for _, site := range []string{own, other} {
		if sites == nil || slices.Contains(sites, site) {
			ids = append(ids, "Secret of "+site+"\n"...)
		}
	}
	return ids, nil
}

func (o ledgerOf) DuesOf(_ context.Context, site string) ([]dewline.Due, error) {
	return []dewline.Due{{System: dewline.SystemID(site + "/a")}}, nil
}

func paperOf(text string) (dewline.Paper, error) {
	return dewline.Paper{Name: "paper", Type: "text/plain", Body: []byte(text)}, nil
}

func (o *twoOwners) ClosingPack(_ context.Context, call string, _ dewline.Units) (dewline.Paper, error) {
	return paperOf(call)
}

func (o *twoOwners) Commissioning(_ context.Context, id dewline.SystemID, _, _ dewline.Millis, _ dewline.Units) (dewline.Paper, error) {
	return paperOf(string(id))
}

func (o *twoOwners) OwnerReport(_ context.Context, owner string, _ dewline.Month, _ dewline.Units) (dewline.Paper, error) {
	return paperOf(owner)
}

func (o *twoOwners) CallsCSV(ctx context.Context, f dewline.CallFilter) (dewline.Paper, error) {
	list, err := o.CallsIn(ctx, f)
	return dewline.Paper{Name: "calls", Type: "text/csv", Body: fmt.Append(nil, list)}, err
}

func (o *twoOwners) CallsJSON(ctx context.Context, f dewline.CallFilter) (dewline.Paper, error) {
	return o.CallsCSV(ctx, f)
}

func (o *twoOwners) OwnerMonth(_ context.Context, owner string, month dewline.Month) (dewline.OwnerMonth, error) {
	if owner != "harbour" && owner != "mill" {
		return dewline.OwnerMonth{}, &dewline.Error{Code: dewline.NotFound, Err: errors.New("none")}
	}
	return dewline.OwnerMonth{Owner: owner, Name: owner, Month: month}, nil
}

func linkAt(site string) dewline.CalendarLink {
	return dewline.CalendarLink{ID: "link-" + site, Site: site}
}

func (o *twoOwners) NewLink(_ context.Context, l dewline.CalendarLink) (dewline.CalendarLink, string, error) {
	o.did(l.By)
	return l, "token", nil
}

func (o *twoOwners) Links(context.Context) ([]dewline.CalendarLink, error) {
	return at(nil, linkAt), nil
}

func (o *twoOwners) RevokeLink(_ context.Context, id, by string) (dewline.CalendarLink, error) {
	o.did(by)
	return linkAt(siteOf(id)), nil
}

func (o *twoOwners) Feed(context.Context, string) (dewline.Paper, error) { return paperOf("feed") }

func (o *twoOwners) KeepPhoto(context.Context, string, []byte) (dewline.Photo, error) {
	return dewline.Photo{Digest: strings.Repeat("0", 64)}, nil
}

func (o *twoOwners) KeepOnly(context.Context, string, []string) error { return nil }

func (o *twoOwners) PhotoOf(context.Context, string, string, bool) ([]byte, error) {
	return []byte("picture"), nil
}
