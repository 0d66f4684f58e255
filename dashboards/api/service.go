package api

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"dewline"
)

// CallCase is a service call with its visits and its history.
type CallCase struct {
	Call    dewline.ServiceCall `json:"call"`
	Visits  []ShownVisit        `json:"visits" doc:"By their beginning."`
	History []CallStep          `json:"history" doc:"Oldest first; nothing in it ever changes."`
	May     []dewline.CallDo    `json:"may" doc:"What people may do with it now."`
}

// CallStep is one change of a service call.
type CallStep struct {
	At    dewline.Stamp     `json:"at"`
	By    string            `json:"by"`
	Why   string            `json:"why"`
	State dewline.CallState `json:"state"`
}

type callCaseOutput struct{ Body CallCase }

func callCaseOf(c dewline.CallCase) *callCaseOutput {
	out := &callCaseOutput{CallCase{Call: c.Call, May: c.May, Visits: visitsOf(c.Visits), History: make([]CallStep, len(c.History))}}
	for i, h := range c.History {
		out.Body.History[i] = CallStep{dewline.Stamp(h.At), h.By, h.Why, h.Call.State}
	}
	return out
}

type makeCallInput struct{ Body dewline.CallRequest }

type callActInput struct {
	ID   string `path:"id"`
	Body dewline.CallAct
}

type callsInput struct {
	Limit  string `query:"limit" doc:"Most entries of a page, 1 to 1000; 100 if absent."`
	Cursor string `query:"cursor" doc:"next of the page before."`
	State  string `query:"state" doc:"Only calls in this state, or in any of several with commas between." example:"new,returned"`
	Site   string `query:"site"`
	System string `query:"system" doc:"Only calls that concern this system, <site>/<system>."`
	From   string `query:"from" format:"date-time" doc:"Only calls made at this time or later."`
	To     string `query:"to" format:"date-time" doc:"Only calls made before."`
}

type callsOutput struct {
	Link string `header:"Link" doc:"The next page, as RFC 8288 has it."`
	Body struct {
		Calls []dewline.ServiceCall `json:"service_calls" doc:"The newest first."`
		Next  string                `json:"next,omitempty" doc:"The cursor of the next page, absent on the last."`
	}
}

type reportInput struct {
	From string `query:"from" format:"date-time" doc:"Visits finished at this time or later; absent: a year back."`
	To   string `query:"to" format:"date-time" doc:"Visits finished before; absent: until now."`
}

type reportOutput struct{ Body dewline.ServiceReport }

type vanInput struct {
	Van string `path:"van" doc:"The technician whose van it is."`
}

type stockBody struct {
	Items []dewline.StockItem `json:"items"`
}

type putStockInput struct {
	Van  string `path:"van" doc:"The technician whose van it is."`
	Body stockBody
}

type stockOutput struct{ Body stockBody }

func (h *handler) registerService(api huma.API) {
	huma.Register(api, operation("list-service-calls", dewline.ReadMachines, "/service-calls", "List service calls", "The newest first.", 400, 503), h.calls)
	huma.Register(api, writing("make-service-call", dewline.WorkOnAlerts, http.MethodPost, "/service-calls", "Make a service call of alerts of one site",
		"What to bring, which skills it takes and the order of checks follow from the alerts and from what is enrolled.", 404),
		func(ctx context.Context, in *makeCallInput) (*callCaseOutput, error) {
			return h.callCase(ctx, func(d dewline.ServiceDesk) (dewline.CallCase, error) { return d.MakeCall(ctx, in.Body) })
		})
	huma.Register(api, operation("get-service-call", dewline.ReadMachines, "/service-calls/{id}", "A service call with its visits and history", "", 404, 503),
		func(ctx context.Context, in *idInput) (*callCaseOutput, error) {
			return h.callCase(ctx, func(d dewline.ServiceDesk) (dewline.CallCase, error) { return d.CallCase(ctx, in.ID) })
		})
	huma.Register(api, writing("act-on-service-call", dewline.WorkOnVisits, http.MethodPost, "/service-calls/{id}/actions", "Assign, schedule, follow or cancel a call",
		"That the work is done is said by closing its visits.", 404),
		func(ctx context.Context, in *callActInput) (*callCaseOutput, error) {
			return h.callCase(ctx, func(d dewline.ServiceDesk) (dewline.CallCase, error) { return d.ActOnCall(ctx, in.ID, in.Body) })
		})
	huma.Register(api, writing("verify-service-call", dewline.WorkOnVisits, http.MethodPost, "/service-calls/{id}/verification", "Hold a call against the readings so far",
		"Dewline does so by itself from time to time; this asks now. A verdict that is not final yet is answered and not kept.", 404),
		func(ctx context.Context, in *idInput) (*callCaseOutput, error) {
			return h.callCase(ctx, func(d dewline.ServiceDesk) (dewline.CallCase, error) { return d.Verify(ctx, in.ID) })
		})
	huma.Register(api, operation("report-service", dewline.ReadCompany, "/reports/service", "What became of predictions and repairs",
		"Precision by predicted cause, no-trouble-found and callback rates, each with its 95 % interval.", 400, 503), h.report)
	huma.Register(api, operation("get-stock", dewline.ReadCompany, "/vans/{van}/stock", "What a van carries", "", 503), h.stock)
	huma.Register(api, writing("put-stock", dewline.WorkOnVisits, http.MethodPut, "/vans/{van}/stock", "Keep what a van carries", "It takes the place of what was kept."), h.putStock)
}

func (h *handler) callCase(ctx context.Context, do func(dewline.ServiceDesk) (dewline.CallCase, error)) (*callCaseOutput, error) {
	if h.Service == nil {
		return nil, unavailable("service calls")
	}
	c, err := do(h.Service)
	if err != nil {
		return nil, h.fail(ctx, "service calls", err)
	}
	return callCaseOf(c), nil
}

func (h *handler) calls(ctx context.Context, in *callsInput) (*callsOutput, error) {
	if h.Service == nil {
		return nil, unavailable("service calls")
	}
	f, err := callFilter(in)
	if err != nil {
		return nil, err
	}
	limit := f.Limit
	if f.Limit++; limit == maxPage { // one more tells whether there is another page
		limit, f.Limit = maxPage-1, maxPage
	}
	list, err := h.Service.CallsIn(ctx, f)
	if err != nil {
		return nil, h.fail(ctx, "service calls", err)
	}
	var out callsOutput
	if len(list) > limit {
		list = list[:limit]
		out.Body.Next = list[limit-1].ID
		query := url.Values{"cursor": {out.Body.Next}, "limit": {strconv.Itoa(limit)}}
		for name, value := range map[string]string{"state": in.State, "site": in.Site, "system": in.System, "from": in.From, "to": in.To} {
			if value != "" {
				query.Set(name, value)
			}
		}
		out.Link = "<" + Prefix + "/service-calls?" + query.Encode() + `>; rel="next"`
	}
	out.Body.Calls = orEmpty(list)
	return &out, nil
}

func callFilter(in *callsInput) (f dewline.CallFilter, err error) {
	if f.Limit, err = parseLimit(in.Limit); err != nil {
		return f, err
	}
	if f.System, err = parseSystem(in.System); err != nil {
		return f, err
	}
	if f.From, f.To, err = parseSpan(in.From, in.To, 0, 0); err != nil {
		return f, err
	}
	if in.Site != "" {
		f.Sites = []string{in.Site}
	}
	if in.State != "" {
		for word := range strings.SplitSeq(in.State, ",") {
			s := dewline.CallState(strings.TrimSpace(word))
			if !slices.Contains(dewline.CallStates(), s) {
				return f, refused("state", "%q is no state of a service call: it is one of %s", word, join(dewline.CallStates()))
			}
			f.States = append(f.States, s)
		}
	}
	f.After = in.Cursor
	return f, nil
}

func (h *handler) report(ctx context.Context, in *reportInput) (*reportOutput, error) {
	if h.Service == nil {
		return nil, unavailable("service calls")
	}
	from, to, err := parseSpan(in.From, in.To, dewline.MillisOf(h.Now()), maxStep)
	if err != nil {
		return nil, err
	}
	r, err := h.Service.Report(ctx, from, to)
	if err != nil {
		return nil, h.fail(ctx, "the report", err)
	}
	r.Faults = orEmpty(r.Faults)
	return &reportOutput{r}, nil
}

func (h *handler) stock(ctx context.Context, in *vanInput) (*stockOutput, error) {
	if h.Service == nil {
		return nil, unavailable("service calls")
	}
	items, err := h.Service.Stock(ctx, in.Van)
	if err != nil {
		return nil, h.fail(ctx, "the stock", err)
	}
	return &stockOutput{stockBody{orEmpty(items)}}, nil
}

func (h *handler) putStock(ctx context.Context, in *putStockInput) (*stockOutput, error) {
	if h.Service == nil {
		return nil, unavailable("service calls")
	}
	if err := h.Service.PutStock(ctx, in.Van, in.Body.Items); err != nil {
		return nil, h.fail(ctx, "the stock", err)
	}
	return h.stock(ctx, &vanInput{in.Van})
}
