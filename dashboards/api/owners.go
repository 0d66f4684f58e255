package api

import (
	"context"

	"github.com/danielgtaylor/huma/v2"

	"dewline"
)

type monthInput struct {
	Owner string `path:"owner" example:"city-buildings"`
	Month string `path:"month" example:"2031-06" doc:"A month of the sites' calendars; the one that is under way is told up to now."`
}

type ownerReportInput struct {
	Owner string `path:"owner"`
	Month string `path:"month"`
	Units string `query:"units" doc:"metric (if absent) or us."`
}

type monthOutput struct{ Body dewline.OwnerMonth }

func (h *handler) registerOwners(api huma.API) {
	huma.Register(api, operation("get-owner-month", dewline.ReadMachines, "/owners/{owner}/months/{month}", "What a month was for an owner",
		"How each machine stood, what changed and what was done, run hours, energy and what faults cost of it as far as they are known, refrigerant records. "+
			"The run hours of homes are told to their owner only.", 400, 404, 503), h.ownerMonth)
	huma.Register(api, paper("get-owner-report", dewline.ReadMachines, "/owners/{owner}/reports/{month}", "The same as a report", "application/pdf", 400, 404), h.ownerReport)
}

func (h *handler) ownerMonth(ctx context.Context, in *monthInput) (*monthOutput, error) {
	if h.Owners == nil {
		return nil, unavailable("months of owners")
	}
	if !dewline.VisitorOf(ctx).Sees(in.Owner) {
		return nil, noOwner(in.Owner)
	}
	m, err := h.Owners.OwnerMonth(ctx, in.Owner, dewline.Month(in.Month))
	if err != nil {
		return nil, h.fail(ctx, "the owner's month", err)
	}
	return &monthOutput{m}, nil
}

func (h *handler) ownerReport(ctx context.Context, in *ownerReportInput) (*paperOutput, error) {
	if !dewline.VisitorOf(ctx).Sees(in.Owner) {
		return nil, noOwner(in.Owner)
	}
	return h.paperBy(ctx, in.Units, func(p dewline.Papers, u dewline.Units) (dewline.Paper, error) {
		return p.OwnerReport(ctx, in.Owner, dewline.Month(in.Month), u)
	})
}

func noOwner(id string) error { return problem(404, "there is no owner "+id) }
