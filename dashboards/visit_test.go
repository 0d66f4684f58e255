package dashboards_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"dewline"
	"dewline/dashboards/pagebook"
)

const visitPath = "/calls/call-library/visit/quay-library/hall-ac"

// sendVisit posts a visit's form as a browser without scripts does, with files.
func sendVisit(t *testing.T, h http.Handler, path, accept string, form url.Values, files map[string][]byte) (*http.Response, string) {
	t.Helper()
	var body bytes.Buffer
	m := multipart.NewWriter(&body)
	for name, values := range form {
		for _, v := range values {
			if err := m.WriteField(name, v); err != nil {
				t.Fatal(err)
			}
		}
	}
	for name, data := range files {
		w, err := m.CreateFormFile("picture", name)
		if err == nil {
			_, err = w.Write(data)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := m.Close(); err != nil {
		t.Fatal(err)
	}
	r := httptest.NewRequest(http.MethodPost, path, &body)
	r.Header.Set("Content-Type", m.FormDataContentType())
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	r.Header.Set("Accept", accept)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	text, err := io.ReadAll(w.Result().Body)
	if err != nil {
		t.Fatal(err)
	}
	return w.Result(), string(text)
}

var inputs = regexp.MustCompile(`<input type="hidden" name="(id|revision|units)" value="([^"]*)"`)

// formOf reads the hidden fields of a visit's form.
func formOf(t *testing.T, page string) url.Values {
	t.Helper()
	form := url.Values{}
	for _, m := range inputs.FindAllStringSubmatch(page, -1) {
		form.Set(m[1], m[2])
	}
	if form.Get("id") == "" || form.Get("revision") == "" {
		t.Fatalf("no form: %.500s", page)
	}
	return form
}

func callsHandler(t *testing.T, v dewline.Visitor) (http.Handler, *pagebook.Calls) {
	t.Helper()
	town := pagebook.Town(noon)
	calls := pagebook.NewCalls(town)
	return handler(t, callOptions(town, calls, v)), calls
}

// TestVisitWithoutScripts: an ordinary form keeps what is typed, says what makes no sense and what is
// missing with everything still there, and closes the visit.
func TestVisitWithoutScripts(t *testing.T) {
	h, calls := callsHandler(t, technician)
	body := page(t, h, visitPath)
	contains(t, body, "<noscript>What you type is kept when you press Save.", "R-410A is a blend: charge it as liquid", "never charge more", "there is no usual value",
		"Switch off, lock out", "The circuit is under pressure", "maker&#39;s instructions come first", `<option value="overfeed orifice_too_large">`, "No trouble found")
	form := formOf(t, body)
	if form.Get("revision") != "1" || form.Get("units") != "metric" {
		t.Errorf("a fresh form: %v", form)
	}

	hostile := `"><img src=x onerror=alert(1)> & 'note'`
	form.Set("notes", hostile)
	form.Set("technician", "T. Salgado")
	form["reading.point"], form["reading.found"] = []string{"suction_pressure", "liquid_pressure"}, []string{"812", "many"}
	r, body := sendVisit(t, h, visitPath, "text/html", form, map[string][]byte{`"><script>alert(2)</script>.png`: plate(t), "notes.txt": []byte("<script>alert(3)</script>")})
	if r.StatusCode != http.StatusUnprocessableEntity {
		t.Fatalf("%s", r.Status)
	}
	contains(t, body, "Liquid pressure as found: &#34;many&#34; is no number; give it in kPa", "notes.txt", "it must be JPEG, PNG or WebP", `value="many"`, "onerror=alert(1)&gt; &amp; &#39;note&#39;")
	for _, bad := range []string{"<img src=x", "<script>alert"} {
		if strings.Contains(body, bad) {
			t.Errorf("the page holds %q", bad)
		}
	}
	c, err := calls.CallCase(t.Context(), "call-library")
	if err != nil || len(c.Visits) != 1 || c.Visits[0].AsFound[0].Value != 812_000 || len(c.Visits[0].Photos) != 1 || c.Visits[0].Notes != hostile {
		t.Fatalf("kept: %+v %v", c.Visits, err)
	}

	// The page that came back goes on: its photo is still there, and closing says what is missing.
	again := formOf(t, body)
	if again.Get("revision") != "3" || again.Get("id") != form.Get("id") {
		t.Errorf("the form goes on with %v", again)
	}
	photo := c.Visits[0].Photos[0]
	again["photo.digest"], again["photo.type"], again["photo.note"] = []string{photo.Digest}, []string{photo.Type}, []string{"Data plate"}
	again.Set("technician", "T. Salgado")
	again.Set("notes", hostile)
	again.Set("do", "close")
	r, body = sendVisit(t, h, visitPath, "text/html", again, nil)
	if r.StatusCode != http.StatusUnprocessableEntity {
		t.Fatalf("closed without a cause: %s", r.Status)
	}
	contains(t, body, "It is kept, and cannot be closed yet:", `<a href="#found">Cause: the cause as seen on the machine`, "Data plate", photo.Digest+"?size=small")
	last := formOf(t, body)
	last.Set("found", "overfeed orifice_too_large")
	last.Set("technician", "T. Salgado")
	last.Set("do", "close")
	if r, _ = sendVisit(t, h, visitPath, "text/html", last, nil); r.StatusCode != http.StatusSeeOther {
		t.Fatalf("closing: %s", r.Status)
	}
	contains(t, page(t, h, visitPath), "This visit is closed", "Found: the metering device passes too much: orifice too large.", "The machine is being proved by its readings",
		"Reading hall split has run steadily for 1.5 of 3.0 h, in 3 of 3 windows on 1 of 2 days")
	contains(t, page(t, h, "/calls/call-library"), "Being proved", "Does it hold?")

	// What comes late, or from another device, changes nothing and is told.
	r, body = sendVisit(t, h, visitPath, "application/json", last, nil)
	var told struct {
		Kept, Closed, Clash bool
		Problems            []string
	}
	if err := json.Unmarshal([]byte(body), &told); err != nil || !told.Closed {
		t.Errorf("late: %s %s %v", r.Status, body, err)
	}
}

// TestVisitOfTwo: what one device has not seen of another's is not overwritten.
func TestVisitOfTwo(t *testing.T) {
	h, calls := callsHandler(t, technician)
	form := formOf(t, page(t, h, visitPath))
	form.Set("notes", "first")
	for range 2 { // the answer was lost, so it is sent again
		if r, body := sendVisit(t, h, visitPath, "application/json", form, nil); r.StatusCode != http.StatusOK || !strings.Contains(body, `"kept":true`) {
			t.Fatalf("%s %s", r.Status, body)
		}
	}
	if calls.Sent() != 1 {
		t.Errorf("it is there %d times", calls.Sent())
	}
	form.Set("notes", "second, of the same revision")
	if r, body := sendVisit(t, h, visitPath, "application/json", form, nil); r.StatusCode != http.StatusConflict || !strings.Contains(body, `"clash":true`) || !strings.Contains(body, `"revision":1`) {
		t.Errorf("%s %s", r.Status, body)
	}
	c, err := calls.CallCase(t.Context(), "call-library")
	if err != nil || c.Visits[0].Notes != "first" {
		t.Errorf("%+v %v", c.Visits, err)
	}
	if r, body := sendVisit(t, h, visitPath, "application/json", url.Values{"id": {"x"}}, nil); r.StatusCode != http.StatusBadRequest || !strings.Contains(body, "its id must be") {
		t.Errorf("an id that is none: %s %s", r.Status, body)
	}
	for _, path := range []string{"/calls/nobody/visit/quay-library/hall-ac", "/calls/call-library/visit/quay-library/archive-ac", "/calls/call-library/visit/clinic/lab-ac"} {
		if r, _ := sendVisit(t, h, path, "application/json", form, nil); r.StatusCode != http.StatusNotFound {
			t.Errorf("%s: %s", path, r.Status)
		}
	}
}

// TestPhotosOfAVisit: they are shown to those who may know of the site, and what is too large or none is
// refused in words.
func TestPhotosOfAVisit(t *testing.T) {
	town := pagebook.Town(noon)
	calls, pictures := pagebook.NewCalls(town), &album{}
	o := callOptions(town, calls, technician)
	o.Photos = pictures
	h := handler(t, o)
	form := formOf(t, page(t, h, visitPath))
	if r, body := sendVisit(t, h, visitPath, "application/json", form, nil); r.StatusCode != http.StatusOK {
		t.Fatal(r.Status, body)
	}
	post := func(h http.Handler, visit string, data []byte) (int, string) {
		q := httptest.NewRequest(http.MethodPost, "/api/v1/visits/"+visit+"/photos", bytes.NewReader(data))
		q.Header.Set("Content-Type", "application/octet-stream")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, q)
		return w.Code, w.Body.String()
	}
	status, body := post(h, form.Get("id"), plate(t))
	var photo dewline.Photo
	if err := json.Unmarshal([]byte(body), &photo); status != http.StatusOK || err != nil || photo.Digest == "" {
		t.Fatalf("%d %s %v", status, body, err)
	}
	if status, body := post(h, form.Get("id"), []byte("GIF89a")); status != http.StatusBadRequest || !strings.Contains(body, "it must be JPEG, PNG or WebP") {
		t.Errorf("a GIF: %d %s", status, body)
	}
	if status, body := post(h, form.Get("id"), make([]byte, dewline.MaxPhotoBytes+10)); status != http.StatusRequestEntityTooLarge || !strings.Contains(body, "application/problem") && !strings.Contains(body, "large") {
		t.Errorf("too large: %d %.200s", status, body)
	}
	if status, _ := post(h, "nobody-knows-it", plate(t)); status != http.StatusNotFound {
		t.Errorf("a photo of no visit: %d", status)
	}
	address := "/api/v1/visits/" + form.Get("id") + "/photos/" + photo.Digest
	see := func(v dewline.Visitor) *http.Response {
		o.Guest = as(v)
		q := httptest.NewRequest(http.MethodGet, address+"?size=small", nil)
		w := httptest.NewRecorder()
		handler(t, o).ServeHTTP(w, q)
		return w.Result()
	}
	if r := see(technician); r.StatusCode != http.StatusOK || r.Header.Get("Content-Type") != "image/jpeg" || !strings.Contains(r.Header.Get("Cache-Control"), "private") {
		t.Errorf("seen: %s %v", r.Status, r.Header)
	}
	if r := see(dewline.Visitor{Role: dewline.RoleOwner, Owner: "city-buildings"}); r.StatusCode != http.StatusOK {
		t.Errorf("the owner of the site: %s", r.Status)
	}
	if r := see(dewline.Visitor{Role: dewline.RoleOwner, Owner: "quay-foods"}); r.StatusCode != http.StatusNotFound {
		t.Errorf("another owner: %s", r.Status)
	}
	if r := see(dewline.Visitor{}); r.StatusCode != http.StatusUnauthorized {
		t.Errorf("a stranger: %s", r.Status)
	}
}

// TestWhoSeesCalls: a technician's list is their own, planning is the dispatcher's, and an owner is shown
// no page that tells somebody to open a circuit.
func TestWhoSeesCalls(t *testing.T) {
	h, _ := callsHandler(t, technician)
	list := page(t, h, "/calls")
	contains(t, list, "2 service calls for T. Salgado.", "Today", "Quay Library", "Bring:", "Being proved by readings", "Assigned, no time yet")
	if strings.Contains(list, "Cold Store") {
		t.Error("a technician's list has another's calls")
	}
	contains(t, page(t, h, "/calls?technician="), "Waits for the dispatcher", "Cold Store", "now", "came back: not proved")
	one := page(t, h, "/calls/call-library")
	contains(t, one, "I am on site", "The van has 2.00\u00a0kg", "Not in the van", "In the van", "certified to open the circuit", "The number on the installed orifice",
		"72\u00a0%", "Superheat 0.2 ± 1.1\u00a0K, expected above 2.8\u00a0K.", "Record the visit", "maker&#39;s instructions come first")
	for _, not := range []string{`value="assign"`, `value="cancel"`} {
		if strings.Contains(one, not) {
			t.Errorf("a technician is offered %s", not)
		}
	}
	if r := send(t, h, "/calls/call-library", "same-origin", url.Values{"do": {"cancel"}, "why": {"rain"}}); r.StatusCode != http.StatusForbidden {
		t.Errorf("a technician cancels: %s", r.Status)
	}
	if r := send(t, h, "/calls/call-library", "same-origin", url.Values{"do": {"on_site"}}); r.StatusCode != http.StatusSeeOther {
		t.Errorf("on site: %s", r.Status)
	}
	if r := send(t, h, "/calls/call-roof", "cross-site", url.Values{"do": {"on_site"}}); r.StatusCode != http.StatusForbidden {
		t.Errorf("from another site: %s", r.Status)
	}

	dispatcher, calls := callsHandler(t, dewline.Visitor{Name: "J. Marinho", Role: dewline.RoleDispatcher})
	for _, c := range []struct {
		form   url.Values
		status int
		says   string
	}{
		{url.Values{"do": {"assign"}}, http.StatusConflict, "Say who goes."},
		{url.Values{"do": {"assign"}, "technician": {"R. <b>Bastos</b>"}}, http.StatusSeeOther, ""},
		{url.Values{"do": {"schedule"}, "from": {"soon"}, "technician": {"typed"}}, http.StatusConflict, "from when to when"},
		{url.Values{"do": {"schedule"}, "from": {"2031-07-04T22:00"}, "to": {"01:30"}}, http.StatusSeeOther, ""},
		{url.Values{"do": {"cancel"}}, http.StatusConflict, "Say why the call is cancelled"},
		{url.Values{"do": {"prove"}}, http.StatusConflict, "This was not done"},
		{url.Values{"do": {"cancel"}, "why": {"sold <i>it</i>"}}, http.StatusSeeOther, ""},
	} {
		r := send(t, dispatcher, "/calls/call-fish", "same-origin", c.form)
		if body := text(t, r); r.StatusCode != c.status || !strings.Contains(body, c.says) {
			t.Errorf("%v: %s, not %q", c.form, r.Status, c.says)
		}
	}
	c, err := calls.CallCase(t.Context(), "call-fish")
	if err != nil || c.Call.State != dewline.CallCancelled || c.Call.To.Time().Sub(c.Call.From.Time()).Hours() != 3.5 || c.History[len(c.History)-1].By != "J. Marinho" {
		t.Errorf("%+v %v", c.Call, err)
	}
	contains(t, page(t, dispatcher, "/calls/call-fish"), "R. &lt;b&gt;Bastos&lt;/b&gt;", "sold &lt;i&gt;it&lt;/i&gt;")
	contains(t, page(t, dispatcher, "/"), `<a href="/calls">Calls</a>`, `<a href="/calls/call-library">Service call</a>`)
	contains(t, page(t, dispatcher, "/systems/quay-library/hall-ac"), `<a href="/calls/call-library">Service call</a>`)

	owner, _ := callsHandler(t, dewline.Visitor{Role: dewline.RoleOwner, Owner: "city-buildings"})
	for _, path := range []string{"/calls", "/calls/call-library", visitPath, visitPath + "/live"} {
		if r, _ := get(t, owner, path); r.StatusCode != http.StatusForbidden {
			t.Errorf("an owner asks for %s: %s", path, r.Status)
		}
	}
	if home := page(t, owner, "/systems/quay-library/hall-ac"); strings.Contains(home, "/calls") {
		t.Error("an owner is led to service calls")
	}
}

// calendar makes links, and opens none.
type calendar struct {
	dewline.Calendar
	links []dewline.CalendarLink
}

func (c *calendar) NewLink(_ ctx, l dewline.CalendarLink) (dewline.CalendarLink, string, error) {
	l.ID = "link-1"
	c.links = append(c.links, l)
	return l, "the-token", nil
}

func (c *calendar) Links(ctx) ([]dewline.CalendarLink, error) { return c.links, nil }

func (c *calendar) RevokeLink(_ ctx, id, by string) (dewline.CalendarLink, error) {
	for i := range c.links {
		if c.links[i].ID == id {
			c.links[i].Revoked, c.links[i].RevokedBy = 1, by
			return c.links[i], nil
		}
	}
	return dewline.CalendarLink{}, &dewline.Error{Code: dewline.NotFound, Op: "revoke", Err: errors.New("there is no such link")}
}

// TestCalendarOfCalls: the address with its token is shown once.
func TestCalendarOfCalls(t *testing.T) {
	town := pagebook.Town(noon)
	links := &calendar{}
	o := callOptions(town, pagebook.NewCalls(town), technician)
	o.Calendar = links
	h := handler(t, o)
	r := send(t, h, "/calls/calendar", "same-origin", url.Values{"technician": {"T. Salgado"}})
	if body := text(t, r); r.StatusCode != http.StatusOK || !strings.Contains(body, "http://example.com/api/v1/calendar/the-token.ics") || links.links[0].By != "T. Salgado" || links.links[0].Technician != "T. Salgado" {
		t.Fatalf("%s %+v", r.Status, links.links)
	}
	list := page(t, h, "/calls")
	contains(t, list, "Of T. Salgado, made")
	if strings.Contains(list, "the-token") {
		t.Error("the token is shown again")
	}
	if r := send(t, h, "/calls/calendar", "same-origin", url.Values{"technician": {"T. Salgado"}, "revoke": {"link-1"}}); r.StatusCode != http.StatusSeeOther || links.links[0].RevokedBy != "T. Salgado" {
		t.Errorf("revoked: %s %+v", r.Status, links.links)
	}
	if r := send(t, h, "/calls/calendar", "same-origin", url.Values{"revoke": {"none"}}); r.StatusCode != http.StatusConflict {
		t.Errorf("revoking nothing: %s", r.Status)
	}
}

// whoIsThere is a directory of one technician, whose first certificate has run out.
type whoIsThere struct{ dewline.ContactBook }

func (whoIsThere) Directory(ctx) (dewline.Directory, error) {
	return dewline.Directory{People: []dewline.Person{
		{ID: "salgado", Name: "T. Salgado", Role: dewline.RoleTechnician, Certifications: []dewline.Certification{
			{Name: "refrigerants", Number: "OLD-1", Until: dewline.StampOf(noon.AddDate(-1, 0, 0))}, {Name: "refrigerants", Number: "HC-<2>", Until: dewline.StampOf(noon.AddDate(1, 0, 0))}}},
		{ID: "gone", Name: "G. One", Role: dewline.RoleTechnician, Anonymised: 5},
		{ID: "marinho", Name: "J. Marinho", Role: dewline.RoleDispatcher},
	}}, nil
}

// TestPeopleOnCalls: nobody has to type what is entered already.
func TestPeopleOnCalls(t *testing.T) {
	town := pagebook.Town(noon)
	o := callOptions(town, pagebook.NewCalls(town), technician)
	o.Contacts = whoIsThere{}
	contains(t, page(t, handler(t, o), visitPath), `name="certification" value="HC-&lt;2&gt;"`, `name="technician" value="T. Salgado"`)
	o.Guest = as(dewline.Visitor{Person: "marinho", Name: "J. Marinho", Role: dewline.RoleDispatcher})
	contains(t, page(t, handler(t, o), "/calls/call-fish"), `<datalist id="people"><option>T. Salgado</option></datalist>`)
}

// TestVisitInOtherUnits: a form is written and read in the units that its reader has chosen, whatever is
// chosen by the time that it arrives. 118 psi are 813.6 kPa, 500 micron 66.7 Pa (NIST SP 811, B.8).
func TestVisitInOtherUnits(t *testing.T) {
	us := technician
	us.Units = dewline.USUnits
	h, calls := callsHandler(t, us)
	body := page(t, h, visitPath)
	contains(t, body, "psi gauge", "micron abs.", "Bore that was in it, in", "In, lb", `value="us"`, "6.83\u00a0lb")
	form := formOf(t, body)
	form["reading.point"], form["reading.found"] = []string{"suction_pressure", "suction_temp"}, []string{"118", "48.2"}
	form["vacuum.pressure"], form["vacuum.at"] = []string{"480", "900"}, []string{"2031-07-03T16:30:00", "2031-07-03T16:50:00"}
	form.Set("vacuum_isolated", "2031-07-03T16:31:00")
	form.Set("vacuum_reach", "500")
	form.Set("vacuum_hold", "10")
	form.Set("vacuum_over", "800")
	r, told := sendVisit(t, h, visitPath, "application/json", form, nil)
	if r.StatusCode != http.StatusOK || !strings.Contains(told, "The vacuum failed: it rose to 900\u00a0micron, above 800\u00a0micron, within 10 min.") {
		t.Errorf("%s %s", r.Status, told)
	}
	c, err := calls.CallCase(t.Context(), "call-library")
	if err != nil {
		t.Fatal(err)
	}
	v := c.Visits[0]
	if got := v.AsFound[0].Value / 1000; got < 813.5 || got > 813.7 {
		t.Errorf("118 psi are %.2f kPa", got)
	}
	if got := v.AsFound[1].Value; got < 8.99 || got > 9.01 {
		t.Errorf("48.2 °F are %.2f °C", got)
	}
	if got := float64(v.Evacuation.Limits.Reach); got < 66.6 || got > 66.8 {
		t.Errorf("500 micron are %.2f Pa", got)
	}
}

// TestVisitWorker: the worker may keep the pages of calls, and knows every file that they load.
func TestVisitWorker(t *testing.T) {
	h, _ := callsHandler(t, technician)
	r, body := get(t, h, "/calls/worker.js")
	if r.StatusCode != http.StatusOK || !strings.HasPrefix(r.Header.Get("Content-Type"), "text/javascript") || r.Header.Get("Service-Worker-Allowed") != "/calls" || r.Header.Get("Cache-Control") != "no-cache" {
		t.Errorf("%s %v", r.Status, r.Header)
	}
	for _, m := range regexp.MustCompile(`"(/assets/[^"]+)"`).FindAllStringSubmatch(page(t, h, visitPath), -1) {
		if !strings.Contains(body, `"`+m[1]+`"`) {
			t.Errorf("it does not keep %s", m[1])
		}
	}
	if policy := r.Header.Get("Content-Security-Policy"); !strings.Contains(policy, "worker-src 'self'") {
		t.Errorf("policy %q", policy)
	}
}

// TestVisitLive: what is now is large, in words, and of the newest readings rather than of those judged.
func TestVisitLive(t *testing.T) {
	h, _ := callsHandler(t, technician)
	contains(t, page(t, h, visitPath+"/live"), `<section id="visit-live"`, "Wet: liquid may be reaching the compressor.", "As expected.", `data-sensor="suction_pressure"`, "How they come about")
	shop := page(t, h, "/calls/call-shop/visit/cold-store/shop-case")
	contains(t, shop, "R-290 burns fiercely (class A3)", "Unknown: ", "calls for 0.148\u00a0kg: never charge more", "Does it hold?")
	roof := page(t, h, "/calls/call-roof/visit/quay-library/roof-north")
	contains(t, roof, "R-454B burns, if slowly (class A2L)", "R-454B is a blend")
}
