package api

import (
	"context"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"dewline"
)

// ShownVisit is a visit with what follows from it.
type ShownVisit struct {
	dewline.Visit
	Vacuum *Vacuum `json:"vacuum,omitempty" readOnly:"true" doc:"What the limits that were entered say of the evacuation."`
}

// Vacuum is the verdict on an evacuation.
type Vacuum struct {
	Verdict dewline.VacuumVerdict `json:"verdict" enum:"held,failed,unknown"`
	Why     string                `json:"why"`
}

func visitOf(v dewline.Visit) ShownVisit {
	out := ShownVisit{Visit: v}
	if v.Evacuation != nil {
		verdict, why := v.Evacuation.Judge()
		out.Vacuum = &Vacuum{verdict, why}
	}
	return out
}

func visitsOf(list []dewline.Visit) []ShownVisit {
	out := make([]ShownVisit, len(list))
	for i, v := range list {
		out[i] = visitOf(v)
	}
	return out
}

type putVisitInput struct {
	ID   string `path:"id"`
	Body dewline.Visit
}

type visitOutput struct{ Body ShownVisit }

type closeInput struct {
	ID   string `path:"id"`
	Body dewline.Closing
}

type visitsInput struct {
	System string `query:"system" doc:"Only visits at this system, <site>/<system>."`
	From   string `query:"from" format:"date-time" doc:"Finished at this time or later; absent: a year back."`
	To     string `query:"to" format:"date-time" doc:"Finished before; absent: until now."`
}

type visitsOutput struct {
	Body struct {
		Visits []ShownVisit `json:"visits" doc:"Closed ones, by when they were finished."`
	}
}

func (h *handler) registerVisits(api huma.API) {
	huma.Register(api, writing("put-visit", dewline.WorkOnVisits, http.MethodPut, "/visits/{id}", "Keep what was typed of a visit so far",
		"The id is made by who types and the revision counts what they sent, so that sending again after a lost answer changes nothing, and what "+
			"arrives late changes nothing newer. The answer is what is kept: where its revision is higher than what was sent, somebody else went on.", 404),
		h.putVisit)
	huma.Register(api, operation("get-visit", dewline.ReadMachines, "/visits/{id}", "A visit", "", 404, 503), h.visit)
	huma.Register(api, writing("close-visit", dewline.WorkOnVisits, http.MethodPost, "/visits/{id}/close", "Close a visit",
		"What the cause that was found asks for and is missing is listed in the answer (422). Closing again changes nothing. "+
			"It tells analytics that the machine was serviced and which sensors were changed, and its alerts go on to be proved.", 404),
		func(ctx context.Context, in *closeInput) (*callCaseOutput, error) {
			return h.callCase(ctx, func(d dewline.ServiceDesk) (dewline.CallCase, error) { return d.CloseVisit(ctx, in.ID, in.Body) })
		})
	huma.Register(api, operation("list-visits", dewline.ReadMachines, "/visits", "List closed visits", "", 400, 503), h.visits)
}

func (h *handler) putVisit(ctx context.Context, in *putVisitInput) (*visitOutput, error) {
	if h.Service == nil {
		return nil, unavailable("service calls")
	}
	if in.Body.ID != in.ID {
		return nil, refused("id", "the address says %q and the visit %q", in.ID, in.Body.ID)
	}
	v, err := h.Service.PutVisit(ctx, in.Body)
	if err != nil {
		return nil, h.fail(ctx, "visits", err)
	}
	return &visitOutput{visitOf(v)}, nil
}

func (h *handler) visit(ctx context.Context, in *idInput) (*visitOutput, error) {
	if h.Service == nil {
		return nil, unavailable("service calls")
	}
	v, err := h.Service.VisitByID(ctx, in.ID)
	if err != nil {
		return nil, h.fail(ctx, "visits", err)
	}
	return &visitOutput{visitOf(v)}, nil
}

func (h *handler) visits(ctx context.Context, in *visitsInput) (*visitsOutput, error) {
	if h.Service == nil {
		return nil, unavailable("service calls")
	}
	system, err := parseSystem(in.System)
	if err != nil {
		return nil, err
	}
	from, to, err := parseSpan(in.From, in.To, dewline.MillisOf(h.Now()), maxStep)
	if err != nil {
		return nil, err
	}
	list, err := h.Service.Visits(ctx, system, from, to)
	if err != nil {
		return nil, h.fail(ctx, "visits", err)
	}
	var out visitsOutput
	out.Body.Visits = visitsOf(list)
	return &out, nil
}
