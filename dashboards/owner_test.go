package dashboards_test

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"dewline"
	"dewline/dashboards"
	"dewline/dashboards/pagebook"
)

// reports makes the name of a report its body, so that a test sees what was asked for.
type reports struct{ dewline.Papers }

func (reports) OwnerReport(_ ctx, owner string, month dewline.Month, u dewline.Units) (dewline.Paper, error) {
	if month == "2031-01" {
		return dewline.Paper{}, &dewline.Error{Code: dewline.Unavailable, Op: "report"}
	}
	return dewline.Paper{Name: "x", Type: "application/pdf", Body: []byte(owner + " " + string(month) + " " + string(u))}, nil
}

// owning are options for a visitor who owns something, and who else may look.
func owning(b *pagebook.Book, v dewline.Visitor) dashboards.Options {
	o := optionsFor(b)
	o.Owners, o.Papers, o.Ledger = b, reports{}, ledgerOf{&twoOwners{}}
	o.Guest = func(*http.Request) (dewline.Visitor, bool) { return v, true }
	return o
}

var (
	clinicOwner = dewline.Visitor{Person: "o", Name: "Otto", Role: dewline.RoleOwner, Owner: "lighthouse-clinic"}
	dispatch    = dewline.Visitor{Person: "d", Name: "Dora", Role: dewline.RoleDispatcher}
)

func TestOwnerPage(t *testing.T) {
	h := handler(t, owning(pagebook.Town(noon), clinicOwner))
	body := page(t, h, "/owners/lighthouse-clinic")
	contains(t, body, "Lighthouse Clinic, July\u00a02031", "The month is under way", "/owners/lighthouse-clinic?month=2031-06", "/owners/lighthouse-clinic/reports/2031-07.pdf",
		"Ward heat pump", "silent", "under repair", "being proved", "proved", "well", "no reading tells whether it ran", "not known",
		"Agree the visit of Friday 4 July", "Leave machines closed", "for licensed people only",
		"Proved by readings:", "subcooling, K", "1.4", "5.2", "3.3 to 6.7", "1.40\u00a0kg in, 1.05\u00a0kg out", "/api/v1/service-calls/call-office-ac/closing-pack.pdf",
		"31.2 % a year by the annualizing method", "not legal advice", "Hours run on each day", `href="/systems/clinic/office-ac"`, `href="/api/v1/exports/refrigerant.csv"`)
	for _, others := range []string{"Quay Library", "Cold Store", "Today</a> / <a"} {
		if strings.Contains(body, others) {
			t.Errorf("an owner's page shows %q", others)
		}
	}
	for _, not := range []string{"<form action=\"/alerts\"", "score", "progress max"} {
		if strings.Contains(body, not) {
			t.Errorf("the page has %q", not)
		}
	}
	june := page(t, h, "/owners/lighthouse-clinic?month=2031-06")
	if contains(t, june, "June\u00a02031", "month=2031-07"); strings.Contains(june, "under way; this") {
		t.Error("June is taken for under way")
	}
	contains(t, page(t, h, "/owners/lighthouse-clinic?month=2999-01"), "July\u00a02031") // not begun: the one that is
	contains(t, page(t, h, "/owners/lighthouse-clinic?month=%22%3E%3Cb"), "July\u00a02031")
}

// TestFirstPage: who owns machines comes to them at once; who works on them, to what needs someone.
func TestFirstPage(t *testing.T) {
	r, _ := get(t, handler(t, owning(pagebook.Town(noon), clinicOwner)), "/")
	if r.StatusCode != http.StatusSeeOther || r.Header.Get("Location") != "/owners/lighthouse-clinic" {
		t.Errorf("%s to %s", r.Status, r.Header.Get("Location"))
	}
	contains(t, page(t, handler(t, owning(pagebook.Town(noon), dispatch)), "/"), "What needs someone")
}

// TestOwnersSeeTheirOwn: another owner's page and report are not there, neither is any for a stranger.
func TestOwnersSeeTheirOwn(t *testing.T) {
	town := pagebook.Town(noon)
	own, all := handler(t, owning(town, clinicOwner)), handler(t, owning(town, dispatch))
	for _, path := range []string{"/owners/city-buildings", "/owners/city-buildings/reports/2031-06.pdf", "/owners/nobody", "/owners/lighthouse-clinic/reports/2031-06",
		"/owners/lighthouse-clinic/reports/june.pdf", "/owners/lighthouse-clinic/reports/..pdf"} {
		if r, body := get(t, own, path); r.StatusCode != http.StatusNotFound || strings.Contains(body, "City Buildings") {
			t.Errorf("%s: %s", path, r.Status)
		}
	}
	for path, want := range map[string]string{"/owners/lighthouse-clinic/reports/2031-06.pdf": "lighthouse-clinic 2031-06 metric"} {
		r, body := get(t, own, path)
		if r.StatusCode != http.StatusOK || r.Header.Get("Content-Type") != "application/pdf" || body != want || !strings.Contains(r.Header.Get("Content-Disposition"), "2031-06.pdf") {
			t.Errorf("%s: %s %q", path, r.Status, body)
		}
	}
	if r, _ := get(t, own, "/owners/lighthouse-clinic/reports/2031-01.pdf"); r.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("a store that does not answer: %s", r.Status)
	}
	contains(t, page(t, all, "/owners/city-buildings"), "City Buildings", `<a href="/fleet">Fleet</a>`)
	stranger := owning(town, dewline.Visitor{})
	w := httptest.NewRecorder()
	handler(t, stranger).ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/owners/city-buildings", nil))
	if w.Code == http.StatusOK {
		t.Errorf("a stranger sees an owner's page")
	}
}

func TestOwnerPageFailsOpenly(t *testing.T) {
	town := pagebook.Town(noon)
	town.Err = &dewline.Error{Code: dewline.Unavailable, Op: "read alerts"}
	if r, body := get(t, handler(t, owning(town, clinicOwner)), "/owners/lighthouse-clinic"); r.StatusCode != http.StatusServiceUnavailable || strings.Contains(body, "How each machine stands") {
		t.Errorf("%s: %.200s", r.Status, body)
	}
	o := owning(pagebook.Town(noon), clinicOwner)
	o.Owners = nil
	if r, _ := get(t, handler(t, o), "/owners/lighthouse-clinic"); r.StatusCode != http.StatusNotFound {
		t.Errorf("without months: %s", r.Status)
	}
}

// TestOwnersHostileNames: what people call things is text.
func TestOwnersHostileNames(t *testing.T) {
	const evil = `<script>alert("x")</script>' onload=`
	town := pagebook.Town(noon)
	for i := range town.Fleet.Sites {
		town.Fleet.Sites[i].Name = evil
		for j := range town.Fleet.Sites[i].Systems {
			town.Fleet.Sites[i].Systems[j].Name = evil
		}
	}
	for i := range town.Fleet.Owners {
		town.Fleet.Owners[i].Name = evil
	}
	body := page(t, handler(t, owning(town, clinicOwner)), "/owners/lighthouse-clinic")
	if strings.Contains(body, "<script>alert") || !strings.Contains(body, "&lt;script&gt;alert") {
		t.Error("a name becomes a script")
	}
}

// TestOwnerInBrowser looks at the page as its owner does, and on paper.
func TestOwnerInBrowser(t *testing.T) {
	parent := browser(t)
	for _, p := range []struct {
		name  string
		owner string
		path  string
	}{{"owner", "lighthouse-clinic", "/owners/lighthouse-clinic?month=2031-06"}, {"owner-under-way", "city-buildings", "/owners/city-buildings"}} {
		v := clinicOwner
		v.Owner = p.owner
		base := serve(t, owning(pagebook.Town(noon), v))
		for _, screen := range views {
			t.Run(p.name+" "+screen.name, func(t *testing.T) {
				ctx, w := screen.tab(t, parent)
				open(t, ctx, base+p.path)
				screen.look(t, ctx, p.name)
				w.check(t, base)
				if screen.name == "desktop-light" {
					media(t, ctx, "print", "light")
					if shown := evaluate[string](t, ctx, `getComputedStyle(document.querySelector(".months")).display`); shown != "none" {
						t.Error("paper has links to other months")
					}
					printed(t, ctx, p.name)
				}
			})
		}
	}
}

// TestOwnersMachinePage: an owner who follows the link to a machine reads how it does and why, and not
// what those are to do who work on it.
func TestOwnersMachinePage(t *testing.T) {
	town := pagebook.Town(noon)
	v := clinicOwner
	v.Owner = "city-buildings"
	const path = "/systems/quay-library/hall-ac"
	own, work := page(t, handler(t, owning(town, v)), path), page(t, handler(t, owning(town, dispatch)), path)
	contains(t, own, "Likely causes", "Your equipment</a>")
	for _, instruction := range []string{"Checks, cheapest first", "read the bore off the part", "What would settle it", "Bring:", "<form action=\"/alerts\""} {
		if strings.Contains(own, instruction) {
			t.Errorf("an owner reads %q", instruction)
		}
	}
	contains(t, work, "Checks, cheapest first", "read the bore off the part", "What would settle it", `<a href="/">Today</a>`)
}

// TestFleetLeadsToOwners: the service company's people come from the list of machines to its owners.
func TestFleetLeadsToOwners(t *testing.T) {
	body := page(t, handler(t, owning(pagebook.Town(noon), dispatch)), "/fleet")
	contains(t, body, `<a href="/owners/city-buildings">City Buildings</a>`, `<a href="/owners/lighthouse-clinic">Lighthouse Clinic</a>`, "Europe/Lisbon time")
	if o := optionsFor(pagebook.Town(noon)); strings.Contains(page(t, handler(t, o), "/fleet"), "/owners/") {
		t.Error("a service that tells no months leads to them")
	}
}

// TestOwnersCountTheirOwn: what machines have in common is counted over an owner's machines alone, however
// many others the same people installed.
func TestOwnersCountTheirOwn(t *testing.T) {
	town := pagebook.Town(noon)
	own, all := handler(t, owning(town, clinicOwner)), handler(t, owning(town, dispatch))
	contains(t, page(t, all, "/fleet?by=installer"), "2 of 4: too little charge (of all machines 2 of 14)")
	contains(t, page(t, own, "/fleet?by=installer"), "1 of 2: too little charge (of all machines 1 of 7)")
	for _, path := range []string{"/fleet?by=installer", "/fleet?by=model", "/fleet?by=fault", "/fleet?by=worst", "/fleet?site=quay-library", "/fleet?installer=North+Pier+Cooling", "/fleet?q=quay"} {
		body := page(t, own, path)
		for _, others := range []string{"Reading hall", "Quay Library", "Quay Street", "City Buildings", "of 14)", "of the 4"} {
			if strings.Contains(body, others) {
				t.Errorf("%s tells an owner of %q", path, others)
			}
		}
	}
}
