package api_test

import (
	"encoding/json"
	"net/http/httptest"
	"testing"

	"dewline"
	"dewline/dashboards/pagebook"
)

// TestOwnersMonth: the month as data and as PDF, each at its own address, and to others there is none.
func TestOwnersMonth(t *testing.T) {
	s := &office{}
	o := optionsFor(pagebook.Town(noon))
	o.Papers, o.Owners = s, s
	h := mount(t, o)
	_, w := send(h, "GET", "/owners/lighthouse-clinic/months/2031-06", "")
	var m dewline.OwnerMonth
	if err := json.Unmarshal(w.Body.Bytes(), &m); err != nil || w.Code != 200 || m.Name != "Lighthouse Clinic" || m.Total.Machines != 7 {
		t.Errorf("%d %v %.200s", w.Code, err, w.Body)
	}
	_, w = send(h, "GET", "/owners/lighthouse-clinic/reports/2031-06?units=us", "")
	if w.Code != 200 || w.Header().Get("Content-Type") != "application/pdf" || s.asked != "lighthouse-clinic 2031-06 us" {
		t.Errorf("%d %s, asked %v", w.Code, w.Header().Get("Content-Type"), s.asked)
	}
	for _, path := range []string{"/owners/lighthouse-clinic/months/2031-06", "/owners/lighthouse-clinic/reports/2031-06"} {
		r := httptest.NewRequest("GET", "/api/v1"+path, nil)
		r = r.WithContext(dewline.WithVisitor(r.Context(), dewline.Visitor{Role: dewline.RoleOwner, Owner: "city-buildings"}))
		w := httptest.NewRecorder()
		if h.ServeHTTP(w, r); w.Code != 404 {
			t.Errorf("another owner at %s: %d %s", path, w.Code, w.Body)
		}
	}
	if _, w := send(h, "GET", "/owners/lighthouse-clinic/reports/2031-06?units=furlongs", ""); w.Code != 400 {
		t.Errorf("units: %d", w.Code)
	}
}

// TestReportsStayWithTheirOwner: that a report went is for the service company to see, what stands in it is not.
func TestReportsStayWithTheirOwner(t *testing.T) {
	o := optionsFor(pagebook.Town(noon))
	o.Notices = &telling{message: dewline.Message{ID: "r1", Files: []dewline.Paper{{Name: "report.pdf", Type: "application/pdf", Body: []byte("ran at night")}}}}
	_, w := send(mount(t, o), "GET", "/messages/r1", "")
	var m dewline.Message
	if err := json.Unmarshal(w.Body.Bytes(), &m); err != nil || len(m.Files) != 1 || m.Files[0].Name != "report.pdf" || m.Files[0].Body != nil {
		t.Errorf("%v: %s", err, w.Body)
	}
}
