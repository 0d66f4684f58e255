package dashboards

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"time"

	"dewline"
	"dewline/dashboards/view"
)

// reportsPage tells what became of predictions, calls and repairs.
type reportsPage struct {
	base
	Headline  string
	Spans     []view.PeriodLink
	SpanText  string
	Err       string
	Shares    []view.ShareLine
	Faults    []view.FaultLine
	States    []stateCount
	Calls     int // made in the span
	Times     []view.TimeLine
	CallsCSV  string // where they are exported, "" where nothing is
	FleetCSV  string // where all refrigerant records are, "" for who may not take them
	Records   []place
	MoreCount int // machines whose records are not listed
	Ledger    bool
}

// stateCount is how many calls stand somewhere.
type stateCount struct {
	Word  string
	Count int
}

// recordsListed is up to how many machines the page leads to the refrigerant records of.
const recordsListed = 40

func (s *server) reports(w http.ResponseWriter, r *http.Request) {
	ctx, now := r.Context(), s.Now()
	u := s.idiom(r)
	span := view.ReportSpanNamed(r.URL.Query().Get("span"))
	p := reportsPage{base: s.base(r, u.Say("Reports")), Headline: u.Say("Reports"), SpanText: span.Text(now, u), Ledger: s.Ledger != nil}
	for _, choice := range view.ReportSpans() {
		p.Spans = append(p.Spans, view.PeriodLink{Word: choice.Word.Said(u), Href: "/reports?span=" + choice.Name, Current: choice == span})
	}
	from, to := span.From(now), dewline.MillisOf(now)
	p.FleetCSV = s.fleetRecords(r)
	if s.Papers != nil {
		p.CallsCSV = "/api/v1/exports/service-calls.csv"
		if from != 0 {
			p.CallsCSV += "?" + url.Values{"from": {from.Time().UTC().Format(time.RFC3339)}}.Encode()
		}
	}
	if s.Service == nil {
		p.Err = u.Say("Service calls are not kept here, so that nothing can be said of them.")
	} else if err := s.report(ctx, &p, span, from, to, u); err != nil {
		s.Log.ErrorContext(ctx, "cannot report", "error", err)
		p.Err = u.Say("What became of calls cannot be read at the moment. Load the page again; /readyz says what is wrong.")
	}
	s.pages.write(w, r, http.StatusOK, "reports", p)
}

func (s *server) report(ctx context.Context, p *reportsPage, span view.ReportSpan, from, to dewline.Millis, u view.Idiom) error {
	report, err := s.Service.Report(ctx, from, to)
	if err != nil {
		return err
	}
	visits, err := s.Service.Visits(ctx, "", from, to)
	if err != nil {
		return err
	}
	calls, err := s.allCalls(ctx, dewline.CallFilter{From: from, To: to})
	if err != nil {
		return err
	}
	found, err := s.detections(ctx, calls, from)
	if err != nil {
		return err
	}
	p.Headline = u.ReportHeadline(report.Visits, span)
	p.Faults = view.FaultLines(report.Faults, u)
	p.Shares = []view.ShareLine{
		view.NewShareLine(u.Say("No trouble found"), report.NoTroubleFound, u.Say("of visits"), u),
		view.NewShareLine(u.Say("Callbacks"), report.Callbacks, u.Say("of repairs: came back within 30 days, or not verified"), u),
		view.NewShareLine(u.Say("Verified by readings"), report.Verified, u.Say("of visits with a verdict"), u),
	}
	p.Calls = len(calls)
	for _, state := range dewline.CallStates() {
		n := 0
		for _, c := range calls {
			if c.State == state {
				n++
			}
		}
		if n > 0 {
			p.States = append(p.States, stateCount{u.CallStateWord(state), n})
		}
	}
	p.Times = timesOf(calls, visits, found, u)
	p.Records, p.MoreCount = s.recordsOf(ctx, visits)
	return nil
}

// detections returns when each alert of the calls was detected, as far as they lasted into the time.
func (s *server) detections(ctx context.Context, calls []dewline.ServiceCall, from dewline.Millis) (map[string]dewline.Millis, error) {
	wanted, found := map[string]bool{}, map[string]dewline.Millis{}
	for _, c := range calls {
		for _, id := range c.Alerts {
			wanted[id] = true
		}
	}
	f := dewline.AlertFilter{From: from}
	for s.Alerts != nil && len(found) < len(wanted) {
		page, err := s.Alerts.AlertsIn(ctx, f)
		if err != nil {
			return nil, err
		}
		for i := range page.Alerts {
			if a := &page.Alerts[i]; wanted[a.ID] {
				found[a.ID] = a.Detected
			}
		}
		if f.After = page.Next; f.After == "" {
			break
		}
	}
	return found, nil
}

// timesOf returns how long it took from the first alert of each call to the call, to the first visit of it
// and to the proof of the repair.
func timesOf(calls []dewline.ServiceCall, visits []dewline.Visit, found map[string]dewline.Millis, u view.Idiom) []view.TimeLine {
	first := map[string]dewline.Millis{}
	for _, v := range visits {
		if at := dewline.Millis(v.Started); first[v.Call] == 0 || at < first[v.Call] {
			first[v.Call] = at
		}
	}
	var toCall, toVisit, toProof []time.Duration
	for _, c := range calls {
		alert := dewline.Millis(0)
		for _, id := range c.Alerts {
			if at := found[id]; at != 0 && (alert == 0 || at < alert) {
				alert = at
			}
		}
		if alert == 0 {
			continue
		}
		add := func(list *[]time.Duration, at dewline.Millis) {
			if at >= alert { // a clock that was wrong says nothing
				*list = append(*list, at.Sub(alert))
			}
		}
		add(&toCall, dewline.Millis(c.Made))
		add(&toVisit, first[c.ID])
		if c.State == dewline.CallProved && c.Verdict != nil {
			add(&toProof, dewline.Millis(c.Verdict.At))
		}
	}
	return []view.TimeLine{view.NewTimeLine(u.Say("From alert to call"), toCall, u), view.NewTimeLine(u.Say("From alert to first visit"), toVisit, u), view.NewTimeLine(u.Say("From alert to proof"), toProof, u)}
}

// recordsOf returns where the refrigerant records of machines are whose refrigerant was weighed at the
// visits, and how many more there are.
func (s *server) recordsOf(ctx context.Context, visits []dewline.Visit) (list []place, more int) {
	fleet, seen := s.overview.Fleet(ctx), map[dewline.SystemID]bool{}
	for _, v := range slices.Backward(visits) { // the latest first
		sys, ok := fleet.System(v.System)
		switch {
		case s.Ledger == nil || !ok || len(v.Refrigerant) == 0 || seen[v.System]:
			continue
		case len(list) == recordsListed:
			more++
		default:
			site, _ := fleet.Site(v.System.Site())
			list = append(list, place{sys.Name + ", " + site.Name, refrigerantHref(sys.ID)})
		}
		seen[v.System] = true
	}
	return list, more
}

// fleetRecords is where the refrigerant records of all that a visitor sees are exported, "" for who may not.
func (s *server) fleetRecords(r *http.Request) string {
	if s.Ledger == nil || !dewline.VisitorOf(r.Context()).May(dewline.TakeRecords) {
		return ""
	}
	return "/api/v1/exports/refrigerant.csv"
}

// refrigerantHref is where the refrigerant records of a machine are exported.
func refrigerantHref(id dewline.SystemID) string {
	return "/api/v1/systems/" + string(id) + "/refrigerant.csv"
}
