package api

import (
	"context"
	"slices"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"dewline"
)

// Reject is a record, or a whole message, that was refused.
type Reject struct {
	Received time.Time        `json:"received" doc:"When it arrived."`
	Reason   dewline.Reason   `json:"reason"`
	System   dewline.SystemID `json:"system,omitempty"`
	Record   int              `json:"record,omitempty" doc:"Its place in the pack, the first is 1; absent where the whole message is meant."`
	Name     string           `json:"name,omitempty" doc:"What the record called itself."`
	Detail   string           `json:"detail,omitempty" doc:"What was found and what would be right."`
}

type rejectsInput struct {
	Limit  string `query:"limit" doc:"Most entries, 1 to 1000; 100 if absent." example:"100"`
	Reason string `query:"reason" doc:"Only those of this reason." example:"wrong_unit"`
	System string `query:"system" doc:"Only those of this system, <site>/<system>."`
}

type rejectsOutput struct {
	Body struct {
		Counts  map[dewline.Reason]int64 `json:"counts" doc:"How many there have been of each reason, kept or not."`
		Rejects []Reject                 `json:"rejects" doc:"Those that are kept, a bounded number of each reason, newest first."`
	}
}

func (h *handler) registerRejects(api huma.API) {
	huma.Register(api, operation("list-rejects", dewline.ReadMachines, "/rejects", "List refused readings",
		"Readings that were refused, with the reason of each and what would be right.", 400, 503), h.rejects)
}

func (h *handler) rejects(ctx context.Context, in *rejectsInput) (*rejectsOutput, error) {
	if h.Rejects == nil {
		return nil, unavailable("rejects")
	}
	limit, err := parseLimit(in.Limit)
	if err != nil {
		return nil, err
	}
	filter := dewline.RejectFilter{Reason: dewline.Reason(in.Reason)}
	if filter.Reason != "" && !slices.Contains(dewline.Reasons(), filter.Reason) {
		return nil, refused("reason", "%q is no reason: it is one of %s", in.Reason, join(dewline.Reasons()))
	}
	if filter.System, err = parseSystem(in.System); err != nil {
		return nil, err
	}
	kept, err := h.Rejects.ReadRejects(ctx, filter, limit)
	if err != nil {
		return nil, h.fail(ctx, "rejects", err)
	}
	var out rejectsOutput
	if out.Body.Counts, err = h.Rejects.CountRejects(ctx); err != nil {
		return nil, h.fail(ctx, "rejects", err)
	}
	if out.Body.Counts == nil {
		out.Body.Counts = map[dewline.Reason]int64{}
	}
	out.Body.Rejects = make([]Reject, len(kept))
	for i, r := range kept {
		out.Body.Rejects[i] = Reject{r.Received.Time(), r.Reason, r.System, r.Record, r.Name, r.Detail}
	}
	return &out, nil
}
