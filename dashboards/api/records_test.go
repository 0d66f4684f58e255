package api_test

import (
	"context"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"

	"dewline"
	"dewline/dashboards/pagebook"
)

// office answers about records and papers with what a test sets.
type office struct {
	account dewline.RefrigerantAccount
	links   []dewline.CalendarLink
	dues    []dewline.Due
	err     error
	asked   any
}

func (o *office) Account(context.Context, dewline.SystemID) (dewline.RefrigerantAccount, error) {
	return o.account, o.err
}
func (o *office) AddEntry(_ context.Context, e dewline.LedgerEntry) (dewline.RefrigerantAccount, error) {
	o.asked = e
	return o.account, o.err
}
func (o *office) LedgerCSV(context.Context, dewline.SystemID) ([]byte, error) {
	return []byte("\"a\"\r\n"), o.err
}
func (o *office) FleetCSV(_ context.Context, sites []string) ([]byte, error) {
	return fmt.Appendf(nil, "%v\r\n", sites), o.err
}
func (o *office) DuesOf(context.Context, string) ([]dewline.Due, error) { return o.dues, o.err }
func (o *office) NewLink(_ context.Context, l dewline.CalendarLink) (dewline.CalendarLink, string, error) {
	o.asked = l
	l.ID = "link"
	return l, "token-abc", o.err
}
func (o *office) Links(context.Context) ([]dewline.CalendarLink, error) { return o.links, o.err }
func (o *office) RevokeLink(_ context.Context, id, by string) (dewline.CalendarLink, error) {
	return dewline.CalendarLink{ID: id, By: "J.", Made: 1, Revoked: 5, RevokedBy: by}, o.err
}
func (o *office) Feed(_ context.Context, token string) (dewline.Paper, error) {
	o.asked = token
	return dewline.Paper{Name: "c.ics", Type: "text/calendar; charset=utf-8", Body: []byte("BEGIN:VCALENDAR\r\n")}, o.err
}
func (o *office) ClosingPack(_ context.Context, id string, u dewline.Units) (dewline.Paper, error) {
	o.asked = u
	return dewline.Paper{Name: `pack "` + id + ".pdf\r\nX: y", Type: "application/pdf", Body: []byte("%PDF-1.3")}, o.err
}
func (o *office) Commissioning(_ context.Context, id dewline.SystemID, from, to dewline.Millis, _ dewline.Units) (dewline.Paper, error) {
	o.asked = fmt.Sprint(id, " ", from, " ", to)
	return dewline.Paper{Name: "c.pdf", Type: "application/pdf", Body: []byte("%PDF-1.3")}, o.err
}
func (o *office) CallsCSV(_ context.Context, f dewline.CallFilter) (dewline.Paper, error) {
	o.asked = f
	return dewline.Paper{Name: "c.csv", Type: "text/csv; charset=utf-8; header=present", Body: []byte("\"id\"\r\n")}, o.err
}
func (o *office) OwnerReport(_ context.Context, owner string, month dewline.Month, u dewline.Units) (dewline.Paper, error) {
	o.asked = owner + " " + string(month) + " " + string(u)
	return dewline.Paper{Name: "report.pdf", Type: "application/pdf", Body: []byte("%PDF-1.3")}, o.err
}

func (o *office) OwnerMonth(_ context.Context, owner string, month dewline.Month) (dewline.OwnerMonth, error) {
	if o.err != nil {
		return dewline.OwnerMonth{}, o.err
	}
	return pagebook.Town(noon).OwnerMonth(context.Background(), owner, month)
}

func (o *office) CallsJSON(_ context.Context, f dewline.CallFilter) (dewline.Paper, error) {
	return dewline.Paper{Name: "c.json", Type: "application/json", Body: []byte(`{"service_calls":[]}`)}, o.err
}

const typedEntry = `{"id":"entry-0001","system":"quay-library/hall-ac","kind":"weighing","at":"2031-07-03T10:00:00+02:00","by":"J.","refrigerant":"R-410A","charged_kg":0.4,"by_scale":true}`

// TestRecordsDocument holds every answer about records and papers to the document: full, empty, away
// and not wired.
func TestRecordsDocument(t *testing.T) {
	ten, rate := 10.0, 16.9
	full := &office{
		account: dewline.RefrigerantAccount{Appliance: "quay-library/hall-ac", Systems: []dewline.SystemID{"quay-library/hall-ac"}, Refrigerant: "R-410A", Category: dewline.ComfortCooling,
			FullCharge: 3.1, ChargeBy: dewline.ChargeByMaker, Method: dewline.Annualizing, Rules: []dewline.RuleStanding{{Rule: "r", Applies: true, Why: "w", Trigger: &ten}},
			Additions: []dewline.Addition{{Visit: "v", Day: "2031-07-03", At: 1, Refrigerant: "R-410A", Charged: 1, Net: 1, Weighings: []string{"v"}}},
			Rates:     []dewline.LeakRate{{Day: "2031-07-03", At: 1, Added: 1, Annualizing: dewline.LeakFigure{Percent: &rate, Days: 180}, Rolling: dewline.LeakFigure{Missing: "m"}, Over: []string{"r"}}},
			Dues:      []dewline.Due{{System: "quay-library/hall-ac", Kind: dewline.DueRepair, Rule: "r", Because: "b", By: "2031-08-02", State: dewline.DueOpen}},
			Entries:   []dewline.LedgerEntry{{ID: "entry-0001", System: "quay-library/hall-ac", Kind: dewline.LedgerRepair, At: 1, By: "J.", Entered: 2}}, Notice: "n"},
		links: []dewline.CalendarLink{{ID: "l", By: "J.", Made: 1, Revoked: 2, RevokedBy: "K."}},
		dues:  []dewline.Due{{System: "quay-library/hall-ac", Kind: dewline.DueRepair, Rule: "r", Because: "b", By: "2031-08-02", State: dewline.DueOverdue}},
	}
	empty := &office{account: dewline.RefrigerantAccount{Method: dewline.Rolling}}
	away := &office{err: &dewline.Error{Code: dewline.Unavailable, Op: "read", Retry: true}}
	clash := &office{err: &dewline.Error{Code: dewline.Clash, Op: "keep"}}
	for name, source := range map[string]*office{"full": full, "empty": empty, "away": away, "clash": clash, "not wired": nil} {
		o := optionsFor(pagebook.Town(noon))
		if source != nil {
			o.Ledger, o.Papers, o.Calendar, o.Owners = source, source, source, source
		}
		h := mount(t, o)
		document, err := libopenapi.NewDocument(get(t, h, "/api/v1/openapi.json").Body.Bytes())
		if err != nil {
			t.Fatal(err)
		}
		check, errs := validator.NewValidator(document)
		if len(errs) > 0 {
			t.Fatal(errs)
		}
		for _, c := range []struct{ method, path, body string }{
			{"GET", "/systems/quay-library/hall-ac/refrigerant", ""}, {"POST", "/refrigerant/entries", typedEntry}, {"GET", "/systems/quay-library/hall-ac/refrigerant.csv", ""}, {"GET", "/exports/refrigerant.csv", ""},
			{"GET", "/sites/quay-library/refrigerant-dues", ""}, {"GET", "/calendar-links", ""}, {"POST", "/calendar-links", `{"by":"J."}`},
			{"POST", "/calendar-links/l/revocation", `{"by":"J."}`}, {"GET", "/calendar/token.ics", ""}, {"GET", "/service-calls/c1/closing-pack.pdf?units=us", ""},
			{"GET", "/systems/quay-library/hall-ac/commissioning.pdf", ""}, {"GET", "/exports/service-calls.csv?state=new", ""}, {"GET", "/owners/lighthouse-clinic/months/2031-06", ""}, {"GET", "/owners/lighthouse-clinic/reports/2031-06?units=us", ""}, {"GET", "/exports/service-calls.json", ""},
		} {
			if name == "clash" && c.method == "GET" {
				continue
			}
			r, w := send(h, c.method, c.path, c.body)
			want := map[string]int{"full": 200, "empty": 200, "away": 503, "clash": 409, "not wired": 503}[name]
			if w.Code != want {
				t.Errorf("%s: %s %s: %d %s", name, c.method, c.path, w.Code, w.Body)
			}
			if ok, errs := check.ValidateHttpResponse(r, w.Result()); !ok {
				for _, e := range errs {
					t.Errorf("%s: %s %s: %s: %s %v: %s", name, c.method, c.path, e.Message, e.Reason, e.SchemaValidationErrors, w.Body)
				}
			}
		}
	}
}

func TestPapersAnswer(t *testing.T) {
	s := &office{}
	o := optionsFor(pagebook.Town(noon))
	o.Ledger, o.Papers, o.Calendar = s, s, s
	h := mount(t, o)
	_, w := send(h, "GET", "/service-calls/c1/closing-pack.pdf?units=us", "")
	if got := w.Header(); got.Get("Content-Type") != "application/pdf" || got.Get("X") != "" || got.Get("Content-Disposition") != `inline; filename="pack__c1.pdf__X__y"` ||
		got.Get("Cache-Control") != "private, no-cache" || w.Body.String() != "%PDF-1.3" || s.asked != dewline.USUnits {
		t.Errorf("%d %v %s, asked %v", w.Code, got, w.Body, s.asked)
	}
	_, w = send(h, "GET", "/calendar/AbC_d-9.ics", "")
	if w.Header().Get("Content-Type") != "text/calendar; charset=utf-8" || s.asked != "AbC_d-9" {
		t.Errorf("%d %v, asked %v", w.Code, w.Header(), s.asked)
	}
	if send(h, "GET", "/systems/quay-library/hall-ac/commissioning.pdf?from=1970-01-01T00:00:01Z&to=1970-01-01T00:00:02Z", ""); s.asked != "quay-library/hall-ac 1000 2000" {
		t.Errorf("asked %v", s.asked)
	}
	send(h, "POST", "/refrigerant/entries", typedEntry)
	if e, ok := s.asked.(dewline.LedgerEntry); !ok || e.Charged != 0.4 || !e.Scale || e.At.Time().Hour() != 8 {
		t.Errorf("asked %+v", s.asked)
	}
	_, w = send(h, "POST", "/calendar-links", `{"by":"J.","technician":"K.","site":"quay-library"}`)
	if text := w.Body.String(); !strings.Contains(text, `"token":"token-abc"`) || !strings.Contains(text, `"path":"/api/v1/calendar/token-abc.ics"`) || s.asked.(dewline.CalendarLink).Technician != "K." {
		t.Errorf("%s, asked %+v", text, s.asked)
	}
	for _, path := range []string{"/service-calls/c1/closing-pack.pdf?units=furlongs", "/systems/a/b/commissioning.pdf?from=2031-01-02T00:00:00Z&to=2031-01-01T00:00:00Z", "/exports/service-calls.csv?state=lost"} {
		if _, w := send(h, "GET", path, ""); w.Code != http.StatusBadRequest {
			t.Errorf("%s: %d %s", path, w.Code, w.Body)
		}
	}
	if _, w := send(h, "POST", "/calendar-links", `{"by":"J."}`, "Sec-Fetch-Site", "cross-site"); w.Code != http.StatusForbidden {
		t.Errorf("a page of another origin made a link: %d", w.Code)
	}
}
