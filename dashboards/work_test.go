package dashboards_test

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"

	"dewline"
	"dewline/dashboards/pagebook"
)

// desk takes down what people do. It refuses one alert, as a desk does with what has ended meanwhile.
type desk struct {
	dewline.AlertDesk
	dewline.ServiceDesk
	book *pagebook.Book

	mu    sync.Mutex
	acts  map[string]dewline.AlertAct
	calls []dewline.CallRequest
	holds []dewline.Hold
}

const refusedWhy = "the alert has ended: load the list again"

func (d *desk) Act(_ ctx, id string, act dewline.AlertAct) (dewline.AlertCase, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if id == "ended" {
		return dewline.AlertCase{}, &dewline.Error{Code: dewline.Clash, Op: "act on alert", Err: errorText(refusedWhy)}
	}
	if d.acts == nil {
		d.acts = map[string]dewline.AlertAct{}
	}
	d.acts[id] = act
	switch act.Do {
	case dewline.Acknowledge:
		d.book.SetState(id, dewline.AlertAcknowledged)
	case dewline.Shelve:
		d.holds = append(d.holds, dewline.Hold{ID: "h" + id, Alert: id, Until: act.Until, Why: act.Why, By: act.By})
	}
	return dewline.AlertCase{}, nil
}

func (d *desk) Case(_ ctx, id string) (dewline.AlertCase, error) {
	for _, a := range d.book.Alerts() {
		if a.ID == id {
			return dewline.AlertCase{Alert: a}, nil
		}
	}
	return dewline.AlertCase{}, &dewline.Error{Code: dewline.NotFound, Op: "alert", Err: errorText("no such alert")}
}

func (d *desk) HoldsIn(ctx, string) ([]dewline.Hold, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return append([]dewline.Hold(nil), d.holds...), nil
}

func (d *desk) EndedHolds(ctx, string, dewline.Millis) ([]dewline.Hold, error) { return nil, nil }

func (d *desk) MakeCall(_ ctx, r dewline.CallRequest) (dewline.CallCase, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.calls = append(d.calls, r)
	for _, id := range r.Alerts {
		d.book.SetState(id, dewline.AlertDispatched)
	}
	return dewline.CallCase{}, nil
}

func (d *desk) CallsIn(ctx, dewline.CallFilter) ([]dewline.ServiceCall, error) { return nil, nil }

func (d *desk) done(id string) dewline.AlertAct {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.acts[id]
}

type errorText string

func (e errorText) Error() string { return string(e) }

// send posts a form as a browser does from our own page, or from another one.
func send(t *testing.T, h http.Handler, path, origin string, form url.Values, cookies ...*http.Cookie) *http.Response {
	t.Helper()
	r := httptest.NewRequest(http.MethodPost, path, strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Sec-Fetch-Site", origin)
	for _, c := range cookies {
		r.AddCookie(c)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w.Result()
}

func text(t *testing.T, r *http.Response) string {
	t.Helper()
	var b strings.Builder
	if err := r.Write(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func alertIDs(b *pagebook.Book, c dewline.Condition) (ids []string) {
	for _, a := range b.Alerts() {
		if a.Condition == c && !a.State.Ended() {
			ids = append(ids, a.ID)
		}
	}
	return ids
}

func TestWorkOnAlerts(t *testing.T) {
	town := pagebook.Town(noon)
	d := &desk{book: town}
	o := optionsFor(town)
	o.Desk, o.Service = d, d
	h := handler(t, o)
	flooding, drifting := alertIDs(town, dewline.Flooding)[0], alertIDs(town, dewline.ChargeDrift)[0]

	r := send(t, h, "/alerts", "same-origin", url.Values{"do": {"acknowledge"}, "by": {"Ana Prumo"}, "id": {flooding, drifting}, "back": {"/?severity=urgent"}})
	if r.StatusCode != http.StatusSeeOther || r.Header.Get("Location") != "/?severity=urgent" {
		t.Fatalf("acknowledged: %s to %s", r.Status, r.Header.Get("Location"))
	}
	if d.done(flooding).Do != dewline.Acknowledge || d.done(drifting).By != "Ana Prumo" {
		t.Errorf("done: %+v", d.acts)
	}
	name := r.Cookies()
	if len(name) != 1 || !name[0].HttpOnly || name[0].SameSite != http.SameSiteLaxMode {
		t.Errorf("cookies: %v", name)
	}
	contains(t, page(t, h, "/"), "today, acknowledged") // at once, not after the moment for which a list is kept

	// Without a name or a reason nothing happens, and what was typed stays.
	for _, c := range []struct {
		form url.Values
		says string
	}{
		{url.Values{"do": {"acknowledge"}, "id": {flooding}, "why": {"typed"}}, "Say who you are"},
		{url.Values{"do": {"acknowledge"}, "id": {flooding}, "by": {dewline.ByDewline}}, "Say who you are"},
		{url.Values{"do": {"acknowledge"}, "by": {"Ana"}}, "Choose at least one alert"},
		{url.Values{"do": {"shelve"}, "id": {flooding}, "by": {"Ana"}, "hours": {"24"}}, "Say why it can wait"},
		{url.Values{"do": {"shelve"}, "id": {flooding}, "by": {"Ana"}, "hours": {"9000"}, "why": {"x"}}, "for how long"},
		{url.Values{"do": {"burn"}, "id": {flooding}, "by": {"Ana"}}, "Choose what to do"},
		{url.Values{"do": {"acknowledge"}, "id": {"ended"}, "by": {"Ana"}}, refusedWhy},
	} {
		r := send(t, h, "/alerts", "same-origin", c.form)
		body := text(t, r)
		if r.StatusCode != http.StatusConflict || !strings.Contains(body, c.says) {
			t.Errorf("%v: %s, not %q", c.form, r.Status, c.says)
		}
		if typed := c.form.Get("why"); typed != "" && !strings.Contains(body, `value="`+typed+`"`) {
			t.Errorf("%v: what was typed is gone", c.form)
		}
	}

	r = send(t, h, "/alerts", "same-origin", url.Values{"do": {"shelve"}, "id": {drifting}, "by": {"Ana"}, "hours": {"24"}, "why": {"part ordered"}})
	if until := d.done(drifting).Until; r.StatusCode != http.StatusSeeOther || until != dewline.Stamp(dewline.MillisOf(noon.AddDate(0, 0, 1))) {
		t.Errorf("shelved: %s until %v", r.Status, until)
	}
	if list := page(t, h, "/"); !strings.Contains(list, "1 shelved.") || strings.Contains(list, `id="alert-`+drifting) {
		t.Error("a shelved alert is not out of sight, or nothing says that there is one")
	}
	contains(t, page(t, h, "/?state=shelved"), `id="alert-`+drifting, "These are shelved.")

	// One call for each site.
	starving := alertIDs(town, dewline.Starving)[0]
	r = send(t, h, "/alerts", "same-origin", url.Values{"do": {"call"}, "id": {flooding, starving}, "by": {"Ana"}, "why": {"key at the desk"}})
	if r.StatusCode != http.StatusSeeOther || len(d.calls) != 2 || d.calls[0].Note != "key at the desk" {
		t.Errorf("called: %s %+v", r.Status, d.calls)
	}

	// No other web site works in somebody's name, and no form leads away.
	if r := send(t, h, "/alerts", "cross-site", url.Values{"do": {"acknowledge"}, "id": {starving}, "by": {"Mallory"}}); r.StatusCode != http.StatusForbidden {
		t.Errorf("from another site: %s", r.Status)
	}
	for _, back := range []string{"https://elsewhere.example/", "//elsewhere.example/", `/\elsewhere.example`, "javascript:alert(1)", "elsewhere"} {
		r := send(t, h, "/units", "same-origin", url.Values{"units": {"us"}, "back": {back}})
		if to := r.Header.Get("Location"); to != "/" {
			t.Errorf("back to %q leads to %q", back, to)
		}
	}
	if town := pagebook.Town(noon); strings.Contains(page(t, handler(t, optionsFor(town)), "/"), `name="id"`) {
		t.Error("the list offers work where there is no desk")
	}
}

// TestUnits: a reader's choice holds on every page and in no answer of the API. 5/9 K is a Fahrenheit
// degree and 6,894.757 Pa are a psi (NIST SP 811, appendix B.8).
func TestUnits(t *testing.T) {
	h := handler(t, optionsFor(pagebook.Town(noon)))
	r := send(t, h, "/units", "same-origin", url.Values{"units": {"us"}, "back": {"/fleet?by=fault"}})
	if r.StatusCode != http.StatusSeeOther || r.Header.Get("Location") != "/fleet?by=fault" || len(r.Cookies()) != 1 {
		t.Fatalf("%s to %s", r.Status, r.Header.Get("Location"))
	}
	if bad := send(t, h, "/units", "same-origin", url.Values{"units": {"cubits"}}); bad.StatusCode != http.StatusBadRequest {
		t.Errorf("units that there are not: %s", bad.Status)
	}
	read := func(path string) string {
		q := httptest.NewRequest(http.MethodGet, path, nil)
		q.AddCookie(r.Cookies()[0])
		w := httptest.NewRecorder()
		h.ServeHTTP(w, q)
		return w.Body.String()
	}
	for path, wants := range map[string][]string{
		"/":      {"Subcooling below 1.8 °F in about 11 days", "orifice of 0.065\u00a0in", "6.8\u00a0lb R-410A"},
		"/fleet": {"Superheat, °F", "above 5.0"},
		"/systems/quay-library/hall-ac": {"Superheat 10.6 °F below what is usual for such a machine (±2.9)", "psi", "3.0\u00a0ton", "0.073\u00a0in",
			"Btu/lb", "6.8\u00a0lb", "target of the equipment, within 3.1 °F"},
	} {
		body := read(path)
		contains(t, body, wants...)
		for _, si := range []string{"\u00a0K<", "\u00a0K,", "\u00a0K ", "kPa<", "°C<", "°C,"} {
			if strings.Contains(strings.ReplaceAll(body, "K, °C, kPa</button>", ""), si) {
				t.Errorf("%s still says %q", path, si)
			}
		}
	}
	if a, b := read("/api/v1/systems/quay-library/hall-ac"), page(t, h, "/api/v1/systems/quay-library/hall-ac"); a != b {
		t.Error("the API follows the reader's units")
	}
}
