package api

import (
	"context"
	"net/url"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"dewline"
)

// listedAlert is a dewline.Alert, which writes itself as the contract does, with a schema that says
// how.
type listedAlert struct{ dewline.Alert }

// Schema describes what the alert's MarshalJSON writes; a test holds the two together.
func (listedAlert) Schema(r huma.Registry) *huma.Schema {
	return r.Schema(typeOf[Alert](), true, "Alert")
}

// Alert describes the JSON of an alert for the document of the API.
type Alert struct {
	ID         string              `json:"id" doc:"Made from system, cause at opening and onset."`
	Site       string              `json:"site"`
	System     *string             `json:"system" doc:"null where a whole site is meant."`
	Systems    []string            `json:"systems"`
	Condition  dewline.Condition   `json:"condition" doc:"The gravest of conditions."`
	Conditions []dewline.Condition `json:"conditions"`
	Severity   dewline.Severity    `json:"severity" enum:"urgent,soon,watch"`
	State      dewline.AlertState  `json:"state" enum:"open,acknowledged,dispatched,verifying,resolved,dismissed"`
	Onset      string              `json:"onset" format:"date-time"`
	Detected   string              `json:"detected" format:"date-time"`
	Cleared    *string             `json:"cleared" format:"date-time"`
	Follows    *string             `json:"follows" doc:"The alert that this one is a return of."`
	Causes     []Cause             `json:"causes" doc:"Probabilities sum to 1."`
	Forecast   *Forecast           `json:"forecast" doc:"null without a trend."`
}

// Cause describes the JSON of a cause.
type Cause struct {
	Fault       dewline.Fault `json:"fault"`
	Detail      string        `json:"detail,omitempty"`
	Probability float64       `json:"probability"`
}

// Forecast describes the JSON of a forecast.
type Forecast struct {
	_        struct{} `nullable:"true"`
	Limit    string   `json:"limit"`
	Quantity string   `json:"quantity"`
	Value    float64  `json:"value"`
	Unit     string   `json:"unit"`
	At       string   `json:"at" format:"date-time"`
	DaysP10  float64  `json:"days_p10"`
	DaysP50  float64  `json:"days_p50"`
	DaysP90  float64  `json:"days_p90"`
}

func typeOf[T any]() reflect.Type { return reflect.TypeFor[T]() }

type alertsInput struct {
	Limit  string `query:"limit" doc:"Most entries of a page, 1 to 1000; 100 if absent." example:"100"`
	Cursor string `query:"cursor" doc:"next of the page before."`
	State  string `query:"state" doc:"Only alerts in this state, or in any of several with commas between." example:"open,acknowledged"`
	System string `query:"system" doc:"Only alerts that concern this system, <site>/<system>." example:"quay-library/hall-ac"`
	From   string `query:"from" format:"date-time" doc:"Only alerts that had not cleared before this time."`
	To     string `query:"to" format:"date-time" doc:"Only alerts whose onset lies before this time."`
}

type alertsOutput struct {
	Link string `header:"Link" doc:"The next page, as RFC 8288 has it."`
	Body struct {
		Alerts []listedAlert `json:"alerts" doc:"Ordered by detected, system, id."`
		Next   string        `json:"next,omitempty" doc:"The cursor of the next page, absent on the last."`
	}
}

func (h *handler) registerAlerts(api huma.API) {
	huma.Register(api, operation("list-alerts", dewline.ReadMachines, "/alerts", "List alerts",
		"Alerts whose time from onset to cleared (or to now) overlaps [from, to).", 400, 503), h.alerts)
}

func (h *handler) alerts(ctx context.Context, in *alertsInput) (*alertsOutput, error) {
	if h.Alerts == nil {
		return nil, unavailable("alerts")
	}
	filter, err := alertFilter(in)
	if err != nil {
		return nil, err
	}
	page, err := h.Alerts.AlertsIn(ctx, filter)
	if err != nil {
		return nil, h.fail(ctx, "alerts", err)
	}
	var out alertsOutput
	out.Body.Alerts = make([]listedAlert, len(page.Alerts))
	for i, a := range page.Alerts {
		out.Body.Alerts[i] = listedAlert{a}
	}
	if out.Body.Next = page.Next; page.Next != "" {
		query := url.Values{"cursor": {page.Next}, "limit": {strconv.Itoa(filter.Limit)}}
		for name, value := range map[string]string{"state": in.State, "system": in.System, "from": in.From, "to": in.To} {
			if value != "" {
				query.Set(name, value)
			}
		}
		out.Link = "<" + Prefix + "/alerts?" + query.Encode() + `>; rel="next"`
	}
	return &out, nil
}

func alertFilter(in *alertsInput) (f dewline.AlertFilter, err error) {
	if f.Limit, err = parseLimit(in.Limit); err != nil {
		return f, err
	}
	if f.States, err = parseStates(in.State); err != nil {
		return f, err
	}
	if f.System, err = parseSystem(in.System); err != nil {
		return f, err
	}
	f.From, f.To, err = parseSpan(in.From, in.To, 0, 0)
	f.After = in.Cursor
	return f, err
}

var alertStates = []dewline.AlertState{dewline.AlertOpen, dewline.AlertAcknowledged, dewline.AlertDispatched,
	dewline.AlertVerifying, dewline.AlertResolved, dewline.AlertDismissed}

func parseStates(text string) ([]dewline.AlertState, error) {
	if text == "" {
		return nil, nil
	}
	var states []dewline.AlertState
	for word := range strings.SplitSeq(text, ",") {
		s := dewline.AlertState(strings.TrimSpace(word))
		if !slices.Contains(alertStates, s) {
			return nil, refused("state", "%q is no state of an alert: it is one of %s", word, join(alertStates))
		}
		states = append(states, s)
	}
	return states, nil
}

func join[T ~string](words []T) string {
	texts := make([]string, len(words))
	for i, w := range words {
		texts[i] = string(w)
	}
	return strings.Join(texts, ", ")
}
