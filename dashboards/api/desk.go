package api

import (
	"context"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"dewline"
)

// AlertCase is an alert with what people need to decide about it.
type AlertCase struct {
	Alert   listedAlert       `json:"alert"`
	Ranking dewline.Ranking   `json:"ranking" doc:"How soon somebody has to act, and why."`
	Holds   []dewline.Hold    `json:"holds" doc:"What keeps notices of it back now."`
	History []AlertStep       `json:"history" doc:"Oldest first; nothing in it ever changes."`
	Calls   []string          `json:"service_calls" doc:"Those that it is or was part of, oldest first."`
	May     []dewline.AlertDo `json:"may" doc:"What people may do with it now."`
	Caution string            `json:"caution"`
}

// AlertStep is one change of an alert.
type AlertStep struct {
	At       dewline.Stamp      `json:"at"`
	By       string             `json:"by"`
	Why      string             `json:"why"`
	State    dewline.AlertState `json:"state"`
	Severity dewline.Severity   `json:"severity"`
}

func alertCaseOf(c dewline.AlertCase) *alertCaseOutput {
	out := &alertCaseOutput{AlertCase{
		Alert: listedAlert{c.Alert}, Ranking: c.Ranking, Holds: c.Holds, Calls: c.Calls, May: c.May, Caution: dewline.Caution,
		History: make([]AlertStep, len(c.History)),
	}}
	for i, h := range c.History {
		out.Body.History[i] = AlertStep{dewline.Stamp(h.At), h.By, h.Why, h.Alert.State, h.Alert.Severity}
	}
	return out
}

type idInput struct {
	ID string `path:"id"`
}

type alertCaseOutput struct{ Body AlertCase }

type actInput struct {
	ID   string `path:"id"`
	Body dewline.AlertAct
}

type holdsInput struct {
	Site  string `query:"site" doc:"Only holds of this site."`
	Ended string `query:"ended_since" format:"date-time" doc:"Those instead that have ended since then, the last first."`
}

type holdsOutput struct {
	Body struct {
		Holds []dewline.Hold `json:"holds" doc:"Those that last now or will, by their beginning, or those that have ended."`
	}
}

// HoldRequest asks to keep notices back for a time.
type HoldRequest struct {
	Kind   dewline.HoldKind `json:"kind" enum:"maintenance,commissioning,seasonal_shutdown,power_cut"`
	Site   string           `json:"site"`
	System dewline.SystemID `json:"system,omitempty" doc:"Absent: the whole site."`
	From   dewline.Stamp    `json:"from,omitzero" doc:"Absent: now."`
	Until  dewline.Stamp    `json:"until"`
	By     string           `json:"by" required:"false" doc:"Who does it: the name of who is signed in, which is also taken where this is absent."`
	Why    string           `json:"why"`
}

type holdInput struct{ Body HoldRequest }

type holdOutput struct{ Body dewline.Hold }

type endHoldInput struct {
	ID   string `path:"id"`
	Body struct {
		By  string `json:"by" required:"false" doc:"Who does it: the name of who is signed in, which is also taken where this is absent."`
		Why string `json:"why,omitempty"`
	}
}

func (h *handler) registerDesk(api huma.API) {
	huma.Register(api, operation("get-alert", dewline.ReadMachines, "/alerts/{id}", "An alert with its history", "What people need to decide about an alert.", 404, 503),
		func(ctx context.Context, in *idInput) (*alertCaseOutput, error) {
			return h.alertCase(ctx, func(d dewline.AlertDesk) (dewline.AlertCase, error) { return d.Case(ctx, in.ID) })
		})
	huma.Register(api, writing("act-on-alert", dewline.WorkOnAlerts, http.MethodPost, "/alerts/{id}/actions", "Work on an alert",
		"Acknowledge, shelve until a time, dismiss or reopen. What is not possible as things stand is answered by 409.", 404),
		func(ctx context.Context, in *actInput) (*alertCaseOutput, error) {
			return h.alertCase(ctx, func(d dewline.AlertDesk) (dewline.AlertCase, error) { return d.Act(ctx, in.ID, in.Body) })
		})
	huma.Register(api, operation("list-holds", dewline.ReadMachines, "/holds", "What keeps notices back", "Maintenance windows, commissioning, shutdowns, power cuts and shelved alerts.", 503), h.holds)
	huma.Register(api, writing("hold-notices", dewline.WorkOnAlerts, http.MethodPost, "/holds", "Keep notices back for a time",
		"Alerts are found and kept all the same. Asking again is the same hold.", 404), h.hold)
	huma.Register(api, writing("end-hold", dewline.WorkOnAlerts, http.MethodPost, "/holds/{id}/end", "End a hold before its time", "", 404), h.endHold)
}

func (h *handler) alertCase(ctx context.Context, do func(dewline.AlertDesk) (dewline.AlertCase, error)) (*alertCaseOutput, error) {
	if h.Desk == nil {
		return nil, unavailable("desk for alerts")
	}
	c, err := do(h.Desk)
	if err != nil {
		return nil, h.fail(ctx, "alerts", err)
	}
	return alertCaseOf(c), nil
}

func (h *handler) holds(ctx context.Context, in *holdsInput) (*holdsOutput, error) {
	if h.Desk == nil {
		return nil, unavailable("desk for alerts")
	}
	read := h.Desk.HoldsIn
	if in.Ended != "" {
		since, err := parseTime("ended_since", in.Ended)
		if err != nil {
			return nil, err
		}
		read = func(ctx context.Context, site string) ([]dewline.Hold, error) {
			return h.Desk.EndedHolds(ctx, site, since)
		}
	}
	holds, err := read(ctx, in.Site)
	if err != nil {
		return nil, h.fail(ctx, "holds", err)
	}
	var out holdsOutput
	out.Body.Holds = orEmpty(holds)
	return &out, nil
}

func (h *handler) hold(ctx context.Context, in *holdInput) (*holdOutput, error) {
	if h.Desk == nil {
		return nil, unavailable("desk for alerts")
	}
	b := in.Body
	hold, err := h.Desk.Hold(ctx, dewline.Hold{Kind: b.Kind, Site: b.Site, System: b.System, From: b.From, Until: b.Until, By: b.By, Why: b.Why})
	if err != nil {
		return nil, h.fail(ctx, "holds", err)
	}
	return &holdOutput{hold}, nil
}

func (h *handler) endHold(ctx context.Context, in *endHoldInput) (*holdOutput, error) {
	if h.Desk == nil {
		return nil, unavailable("desk for alerts")
	}
	hold, err := h.Desk.EndHold(ctx, in.ID, dewline.Change{By: in.Body.By, Why: in.Body.Why})
	if err != nil {
		return nil, h.fail(ctx, "holds", err)
	}
	return &holdOutput{hold}, nil
}
