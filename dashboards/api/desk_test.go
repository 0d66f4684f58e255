package api_test

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"

	"dewline"
	"dewline/dashboards/api"
	"dewline/dashboards/pagebook"
)

// desk answers what people ask with canned cases; what it was asked is kept.
type desk struct {
	dewline.AlertDesk
	dewline.ServiceDesk
	err   error
	asked any
}

var cannedAlert = dewline.Alert{ID: "a1", Site: "quay-library", System: "quay-library/hall-ac", Systems: []dewline.SystemID{"quay-library/hall-ac"},
	Condition: dewline.Flooding, Conditions: []dewline.Condition{dewline.Flooding}, Severity: dewline.Urgent, State: dewline.AlertAcknowledged,
	Onset: dewline.MillisOf(noon), Detected: dewline.MillisOf(noon), Causes: []dewline.Cause{{Fault: dewline.Overfeed, Probability: 1}}}

func (d *desk) cannedCase() dewline.AlertCase {
	at := dewline.Stamp(cannedAlert.Onset)
	return dewline.AlertCase{Alert: cannedAlert, Ranking: dewline.Ranking{Severity: dewline.Urgent, Priority: dewline.P2, Reasons: []string{"flooding"}},
		Holds:   []dewline.Hold{{ID: "h", Kind: dewline.HoldShelved, Site: "quay-library", Alert: "a1", From: at, Until: at + 1000, By: "J.", Why: "parts"}},
		History: []dewline.AlertChange{{Change: dewline.Change{By: "J.", At: cannedAlert.Onset, Why: "acknowledge"}, Alert: cannedAlert}},
		Calls:   []string{"c1"}, May: []dewline.AlertDo{dewline.Shelve}}
}

func (d *desk) Act(_ context.Context, id string, act dewline.AlertAct) (dewline.AlertCase, error) {
	d.asked = act
	return d.cannedCase(), d.err
}

func (d *desk) Case(context.Context, string) (dewline.AlertCase, error) {
	return d.cannedCase(), d.err
}

func (d *desk) Hold(_ context.Context, h dewline.Hold) (dewline.Hold, error) {
	d.asked = h
	return h, d.err
}

func (d *desk) HoldsIn(context.Context, string) ([]dewline.Hold, error) {
	return d.cannedCase().Holds, d.err
}

func (d *desk) EndedHolds(_ context.Context, site string, since dewline.Millis) ([]dewline.Hold, error) {
	d.asked = since
	return []dewline.Hold{{ID: "over", Kind: dewline.HoldMaintenance, Site: site, From: 1, Until: 2, By: "J.", Why: "done", EndedBy: "M."}}, d.err
}

func (d *desk) cannedCall() dewline.CallCase {
	low := 2.8
	proof := dewline.Proof{System: "quay-library/hall-ac", From: 1, To: 2, Measures: []dewline.Measure{{Quantity: "superheat", Unit: "K", Mean: 6, Low: &low}}}
	call := dewline.ServiceCall{ID: "c1", Site: "quay-library", Alerts: []string{"a1"}, Systems: []dewline.SystemID{"quay-library/hall-ac"}, Priority: dewline.P2, Reasons: []string{"r"},
		State: dewline.CallProved, Skills: []string{}, Bring: []dewline.StockItem{{Key: "gauges", Amount: 1}}, Made: dewline.Stamp(cannedAlert.Onset),
		Briefs:  []dewline.Brief{{Alert: "a1", System: "quay-library/hall-ac", Condition: dewline.Flooding, Severity: dewline.Urgent, Onset: 1, Causes: cannedAlert.Causes, Checks: []string{"look"}}},
		Verdict: &dewline.Verification{Verdict: dewline.Verified, At: 5, Why: []string{"w"}, Before: []dewline.Proof{proof}, After: []dewline.Proof{proof}}}
	visit := dewline.Visit{ID: "visit-0001", Call: "c1", System: "quay-library/hall-ac", Revision: 1, Started: 1, Finished: 2, Closed: 3, NoTroubleFound: true,
		Evacuation: &dewline.Evacuation{Points: []dewline.VacuumPoint{{At: 1, Pressure: 60}}}}
	return dewline.CallCase{Call: call, Visits: []dewline.Visit{visit}, History: []dewline.CallChange{{Change: dewline.Change{By: "J.", At: 1, Why: "made"}, Call: call}}, May: []dewline.CallDo{}}
}

func (d *desk) MakeCall(_ context.Context, r dewline.CallRequest) (dewline.CallCase, error) {
	d.asked = r
	return d.cannedCall(), d.err
}

func (d *desk) CallCase(context.Context, string) (dewline.CallCase, error) {
	return d.cannedCall(), d.err
}

func (d *desk) CallsIn(_ context.Context, f dewline.CallFilter) ([]dewline.ServiceCall, error) {
	d.asked = f
	return []dewline.ServiceCall{d.cannedCall().Call, d.cannedCall().Call}, d.err
}

func (d *desk) PutVisit(_ context.Context, v dewline.Visit) (dewline.Visit, error) {
	d.asked = v
	return v, d.err
}

func (d *desk) CloseVisit(_ context.Context, _ string, c dewline.Closing) (dewline.CallCase, error) {
	d.asked = c
	return d.cannedCall(), d.err
}

func (d *desk) Report(context.Context, dewline.Millis, dewline.Millis) (dewline.ServiceReport, error) {
	return dewline.ServiceReport{From: 1, To: 2, Faults: []dewline.FaultReport{{Fault: dewline.Overfeed}}}, d.err
}

func deskOptions(d *desk) api.Options {
	o := optionsFor(pagebook.Town(noon))
	o.Desk, o.Service = d, d
	return o
}

func send(h http.Handler, method, path, body string, header ...string) (*http.Request, *httptest.ResponseRecorder) {
	r := httptest.NewRequest(method, "/api/v1"+path, strings.NewReader(body))
	r.Header.Set("Content-Type", "application/json")
	for i := 0; i < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return r, w
}

const typedVisit = `{"id":"visit-0001","call":"c1","system":"quay-library/hall-ac","revision":3,"started":"2031-07-03T10:00:00Z",
	"as_found":[{"point":"suction_pressure","at":"2031-07-03T10:05:00+02:00","value":905000}],"found":{"fault":"overfeed"}}`

// TestDeskAnswers holds answers about work to the document, and what was asked to what arrives.
func TestDeskAnswers(t *testing.T) {
	d := &desk{}
	h := mount(t, deskOptions(d))
	document, err := libopenapi.NewDocument(get(t, h, "/api/v1/openapi.json").Body.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	check, errs := validator.NewValidator(document)
	if len(errs) > 0 {
		t.Fatal(errs)
	}
	for _, c := range []struct{ method, path, body, says string }{
		{"GET", "/alerts/a1", "", `"priority":"p2"`},
		{"POST", "/alerts/a1/actions", `{"do":"shelve","by":"J.","why":"parts","until":"2031-07-04T10:00:00Z"}`, `"may":["shelve"]`},
		{"GET", "/holds?site=quay-library", "", `"until":"2031`},
		{"GET", "/holds?ended_since=2031-04-01T00:00:00Z&site=clinic", "", `"ended_by":"M."`},
		{"POST", "/holds", `{"kind":"maintenance","site":"quay-library","until":"2031-07-04T10:00:00Z","by":"J.","why":"painting"}`, `"kind":"maintenance"`},
		{"POST", "/service-calls", `{"alerts":["a1"],"by":"J."}`, `"verdict":"verified"`},
		{"GET", "/service-calls/c1", "", `"no limits are entered`},
		{"GET", "/service-calls?limit=1&state=new,returned", "", `"next":"c1"`},
		{"PUT", "/visits/visit-0001", typedVisit, `"at":"2031-07-03T08:05:00Z"`},
		{"POST", "/visits/visit-0001/close", `{"by":"T."}`, `"closed":"1970`},
		{"GET", "/reports/service", "", `"precision"`},
	} {
		r, w := send(h, c.method, c.path, c.body)
		if w.Code != http.StatusOK || !strings.Contains(w.Body.String(), c.says) {
			t.Errorf("%s %s: %d %s, want %s", c.method, c.path, w.Code, w.Body, c.says)
			continue
		}
		if ok, errs := check.ValidateHttpResponse(r, w.Result()); !ok {
			for _, e := range errs {
				t.Errorf("%s %s: %s: %s %v", c.method, c.path, e.Message, e.Reason, e.SchemaValidationErrors)
			}
		}
	}
	if f, ok := func() (dewline.CallFilter, bool) {
		send(h, "GET", "/service-calls?site=s&system=s/a&cursor=x", "")
		f, ok := d.asked.(dewline.CallFilter)
		return f, ok
	}(); !ok || f.Sites[0] != "s" || f.System != "s/a" || f.After != "x" || f.Limit != 101 {
		t.Errorf("asked %+v", d.asked)
	}
}

func TestDeskRefuses(t *testing.T) {
	clash := &dewline.Error{Code: dewline.Clash, Op: "alert a1", Err: errors.New("it is dispatched")}
	ack := `{"do":"acknowledge","by":"J."}`
	for _, c := range []struct {
		name, method, path, body string
		err                      error
		header                   []string
		status                   int
		says                     string
	}{
		{"as things stand", "POST", "/alerts/a1/actions", ack, clash, nil, 409, "it is dispatched"},
		{"incomplete", "POST", "/visits/v/close", `{"by":"T."}`, &dewline.Incomplete{Missing: []string{"notes: where"}}, nil, 422, `"missing":["notes: where"]`},
		{"unknown act", "POST", "/alerts/a1/actions", `{"do":"explode","by":"J."}`, nil, nil, 422, "problem"},
		{"no JSON", "POST", "/alerts/a1/actions", `acknowledge`, nil, nil, 400, ""},
		{"two ids", "PUT", "/visits/visit-0002", typedVisit, nil, nil, 400, "visit-0001"},
		{"another site's page", "POST", "/alerts/a1/actions", ack, nil, []string{"Sec-Fetch-Site", "cross-site"}, 403, "another origin"},
		{"another origin", "POST", "/alerts/a1/actions", ack, nil, []string{"Origin", "https://elsewhere.example"}, 403, "another origin"},
		{"our own page", "POST", "/alerts/a1/actions", ack, nil, []string{"Sec-Fetch-Site", "same-origin"}, 200, "a1"},
		{"a state that is none", "GET", "/service-calls?state=lost", "", nil, nil, 400, "lost"},
		{"a broken store", "POST", "/alerts/a1/actions", ack, &dewline.Error{Code: dewline.Unavailable, Err: errors.New("secret path")}, nil, 503, "/readyz"},
	} {
		_, w := send(mount(t, deskOptions(&desk{err: c.err})), c.method, c.path, c.body, c.header...)
		if w.Code != c.status || c.says != "problem" && !strings.Contains(w.Body.String(), c.says) || strings.Contains(w.Body.String(), "secret") {
			t.Errorf("%s: %d %s, want %d %q", c.name, w.Code, w.Body, c.status, c.says)
		}
		if c.status != 200 && w.Header().Get("Content-Type") != "application/problem+json" {
			t.Errorf("%s: %s", c.name, w.Header().Get("Content-Type"))
		}
	}
	h := mount(t, optionsFor(pagebook.Town(noon)))
	for _, c := range []struct{ method, path, body string }{{"GET", "/alerts/a1", ""}, {"POST", "/alerts/a1/actions", ack}, {"GET", "/service-calls", ""}, {"PUT", "/visits/visit-0001", typedVisit}, {"GET", "/reports/service", ""}} {
		if _, w := send(h, c.method, c.path, c.body); w.Code != http.StatusServiceUnavailable {
			t.Errorf("not wired: %s %s: %d %s", c.method, c.path, w.Code, w.Body)
		}
	}
}
