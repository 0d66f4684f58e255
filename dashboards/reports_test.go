package dashboards_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"dewline"
	"dewline/dashboards"
	"dewline/dashboards/pagebook"
)

// reporter is a service desk with a past: calls whose alerts came from hour to hour, each answered,
// visited and proved the slower the later.
type reporter struct {
	dewline.ServiceDesk
	dewline.Ledger
	dewline.Papers
	alerts []dewline.Alert
	calls  []dewline.ServiceCall
	visits []dewline.Visit
	asked  []dewline.Millis
}

func newReporter(n int) *reporter {
	d := &reporter{}
	for i := range n {
		at := dewline.MillisOf(noon.Add(-time.Duration(i+10) * 24 * time.Hour))
		after := func(d time.Duration) dewline.Stamp { return dewline.Stamp(at.Add(time.Duration(i+1) * d)) }
		alert, call := fmt.Sprint("a", i), fmt.Sprint("c", i)
		d.alerts = append(d.alerts, dewline.Alert{ID: alert, Site: "quay-library", System: "quay-library/hall-ac", Detected: at, Onset: at, State: dewline.AlertResolved, Severity: dewline.Soon})
		c := dewline.ServiceCall{ID: call, Site: "quay-library", Alerts: []string{alert}, State: dewline.CallProved, Made: after(10 * time.Minute), Verdict: &dewline.Verification{Verdict: dewline.Verified, At: after(24 * time.Hour)}}
		if i%3 == 2 {
			c.State = dewline.CallReturned
		}
		d.calls = append(d.calls, c)
		d.visits = append(d.visits, dewline.Visit{ID: call + "-v2", Call: call, System: "quay-library/hall-ac", Started: after(3 * time.Hour), Finished: after(4 * time.Hour)},
			dewline.Visit{ID: call + "-v1", Call: call, System: "quay-library/hall-ac", Started: after(2 * time.Hour), Finished: after(2 * time.Hour), Refrigerant: []dewline.Weighing{{Charged: 1}}})
	}
	return d
}

func (d *reporter) Report(_ ctx, from, to dewline.Millis) (dewline.ServiceReport, error) {
	d.asked = []dewline.Millis{from, to}
	rate := func(count, of int, low, high float64) dewline.Rate {
		return dewline.Rate{Count: count, Of: of, Share: float64(count) / float64(of), Low: low, High: high}
	}
	return dewline.ServiceReport{Visits: 1240, NoTroubleFound: rate(62, 1240, 0.039, 0.064), Callbacks: rate(1, 4, 0.05, 0.7), Verified: rate(900, 1000, 0.88, 0.917),
		Faults: []dewline.FaultReport{
			{Fault: dewline.Undercharge, Precision: rate(41, 50, 0.69, 0.9), Other: 6, NoTrouble: 3},
			{Fault: dewline.Overfeed, Precision: rate(3, 4, 0.3, 0.95), Other: 1},
			{Fault: `<script>alert("found")</script>`, Precision: rate(0, 7, 0, 0.35), Other: 7}}}, nil
}

func (d *reporter) CallsIn(_ ctx, f dewline.CallFilter) (list []dewline.ServiceCall, _ error) {
	for _, c := range d.calls {
		if dewline.Millis(c.Made) >= f.From && (f.To == 0 || dewline.Millis(c.Made) < f.To) && f.After == "" && len(f.States) == 0 {
			list = append(list, c)
		}
	}
	return list, nil
}

func (d *reporter) Visits(ctx, dewline.SystemID, dewline.Millis, dewline.Millis) ([]dewline.Visit, error) {
	return d.visits, nil
}

// AlertsIn answers one alert at a time, as a store with many does.
func (d *reporter) AlertsIn(_ ctx, f dewline.AlertFilter) (p dewline.AlertPage, _ error) {
	if f.System != "" || len(f.States) > 0 {
		return p, nil
	}
	at := 0
	fmt.Sscan(f.After, &at)
	if at < len(d.alerts) {
		p.Alerts = d.alerts[at : at+1]
		if at+1 < len(d.alerts) {
			p.Next = fmt.Sprint(at + 1)
		}
	}
	return p, nil
}

func reportOptions(d *reporter, v dewline.Visitor) dashboards.Options {
	o := optionsFor(pagebook.Town(noon))
	o.Service, o.Alerts, o.Ledger, o.Papers, o.Guest = d, d, d, d, as(v)
	return o
}

func TestReports(t *testing.T) {
	d := newReporter(9)
	manager := visitor(dewline.RoleManager, "")
	h := handler(t, reportOptions(d, manager))
	body := page(t, h, "/reports")
	for _, says := range []string{
		"In the last 90 days, 1\u202f240 visits followed alerts.", "62 of 1\u202f240", "5\u00a0% (4 to 6\u00a0%)", "90\u00a0% (88 to 92\u00a0%)",
		`Callbacks</th><td data-label="Count">1 of 4</td><td data-label="Share">too few to say`,
		`<td data-label="Visits" class="num">50</td><td data-label="Found so" class="num">41</td><td data-label="Another cause" class="num">6</td><td data-label="Nothing found" class="num">3</td><td data-label="Share found so">82` + "\u00a0% (69 to 90\u00a0%)",
		`<td data-label="Visits" class="num">4</td><td data-label="Found so" class="num">3</td><td data-label="Another cause" class="num">1</td><td data-label="Nothing found" class="num">0</td><td data-label="Share found so">too few to say`,
		"Calls made in this time: 9", "6 proved; 3 came back",
		`From alert to call</th><td data-label="Median">50 min</td><td data-label="Calls" class="num">9`,
		`From alert to first visit</th><td data-label="Median">10 h</td>`,
		`From alert to proof</th><td data-label="Median">5 days</td><td data-label="Calls" class="num">6`, // 1, 2, 4, 5, 7 and 8 days: 4.5
		`href="/api/v1/exports/service-calls.csv?from=2031-04-04`, `href="/api/v1/exports/refrigerant.csv"`, `href="/api/v1/systems/quay-library/hall-ac/refrigerant.csv">Reading hall split, Quay Library`,
	} {
		if !strings.Contains(body, says) {
			t.Errorf("the report lacks %q", says)
		}
	}
	if strings.Contains(body, "<script>alert") || strings.Count(body, "hall-ac/refrigerant.csv") != 1 {
		t.Errorf("the report:\n%s", body)
	}
	if d.asked[1] != dewline.MillisOf(noon) || d.asked[1].Sub(d.asked[0]) != 90*24*time.Hour {
		t.Errorf("asked for %v", d.asked)
	}
	if body := page(t, h, "/reports?span=all"); d.asked[0] != 0 || !strings.Contains(body, "So far, ") || !strings.Contains(body, `service-calls.csv">`) {
		t.Errorf("all: asked from %v", d.asked[0])
	}
	page(t, h, "/reports?span=<script>") // none of ours: the first
	if d.asked[0] == 0 {
		t.Error("a span that is none is all")
	}
	few := page(t, handler(t, reportOptions(newReporter(4), manager)), "/reports")
	if !strings.Contains(few, `From alert to call</th><td data-label="Median">too few to say</td><td data-label="Calls" class="num">4`) {
		t.Error("a median of four")
	}
	if body := page(t, h, "/systems/quay-library/hall-ac"); !strings.Contains(body, `href="/api/v1/systems/quay-library/hall-ac/commissioning.pdf?units=metric"`) || !strings.Contains(body, `hall-ac/refrigerant.csv`) || !strings.Contains(body, `href="/reports"`) {
		t.Error("the machine does not lead to its papers")
	}

	for _, v := range []dewline.Visitor{visitor(dewline.RoleOwner, "harbour"), visitor(dewline.RoleManager, "harbour"), visitor(dewline.RoleProgram, "")} {
		h := handler(t, reportOptions(d, v))
		if r, body := get(t, h, "/reports"); r.StatusCode != http.StatusForbidden || strings.Contains(body, "followed alerts") {
			t.Errorf("%s of %q: %d", v.Role, v.Owner, r.StatusCode)
		}
		if strings.Contains(page(t, h, "/fleet"), `href="/reports"`) {
			t.Errorf("%s of %q is led to the reports", v.Role, v.Owner)
		}
	}
	o := reportOptions(d, manager)
	if body := page(t, handler(t, reportOptions(d, visitor(dewline.RoleTechnician, ""))), "/reports"); strings.Contains(body, "exports/refrigerant.csv") {
		t.Error("who may not take all records is led to them")
	}
	o.Service, o.Papers, o.Ledger = nil, nil, nil
	if body := page(t, handler(t, o), "/reports"); !strings.Contains(body, "not kept here") {
		t.Error("without service calls the page does not say so")
	}
}

// TestReportsInBrowser looks at the report, and follows it to another time.
func TestReportsInBrowser(t *testing.T) {
	parent := browser(t)
	site := httptest.NewServer(handler(t, reportOptions(newReporter(9), visitor(dewline.RoleManager, ""))))
	defer site.Close()
	for _, v := range views {
		t.Run(v.name, func(t *testing.T) {
			ctx, w := v.tab(t, parent)
			open(t, ctx, site.URL+"/fleet")
			follow(t, ctx, `nav a[href="/reports"]`)
			arrives(t, ctx, `location.pathname === "/reports" && document.readyState === "complete"`)
			follow(t, ctx, `a[href="/reports?span=year"]`)
			arrives(t, ctx, `document.querySelector("h1").textContent.startsWith("In the last year, ") && document.querySelector("main [aria-current]").textContent === "the last year"`)
			v.look(t, ctx, "reports")
			open(t, ctx, site.URL+"/systems/quay-library/hall-ac")
			picture(t, ctx, "reports-machine-"+v.name)
			w.check(t, site.URL)
		})
	}
}
