package api

import (
	"context"
	"net/http"
	"strconv"

	"github.com/danielgtaylor/huma/v2"

	"dewline"
)

type systemPath struct {
	Site   string `path:"site"`
	System string `path:"system"`
}

func (in systemPath) id() dewline.SystemID { return dewline.NewSystemID(in.Site, in.System) }

type sitePath struct {
	Site string `path:"site"`
}

type accountOutput struct{ Body dewline.RefrigerantAccount }

type entryInput struct{ Body dewline.LedgerEntry }

type duesOutput struct {
	Body struct {
		Dues []dewline.Due `json:"dues" doc:"The earliest first, without what is done."`
	}
}

type linksOutput struct {
	Body struct {
		Links []dewline.CalendarLink `json:"calendar_links" doc:"The oldest first."`
	}
}

type newLinkInput struct {
	Body struct {
		Technician string `json:"technician,omitempty" doc:"Only the calls of this technician."`
		Site       string `json:"site,omitempty" doc:"Only the calls at this site."`
		By         string `json:"by" required:"false" doc:"Who does it: the name of who is signed in, which is also taken where this is absent."`
	}
}

type newLinkOutput struct {
	Body struct {
		dewline.CalendarLink
		Token string `json:"token" doc:"Shown this once. Whoever has it can read the calendar, until the link is revoked."`
		Path  string `json:"path" doc:"What to subscribe to, below the address of this service."`
	}
}

type revokeInput struct {
	ID   string `path:"id"`
	Body struct {
		By string `json:"by" required:"false" doc:"Who does it: the name of who is signed in, which is also taken where this is absent."`
	}
}

type linkOutput struct{ Body dewline.CalendarLink }

type feedInput struct {
	Token string `path:"token"`
}

type closingInput struct {
	ID    string `path:"id"`
	Units string `query:"units" doc:"metric (if absent) or us." example:"metric"`
}

type commissioningInput struct {
	Site   string `path:"site"`
	System string `path:"system"`
	From   string `query:"from" format:"date-time" doc:"The beginning of the period; absent: two weeks before its end."`
	To     string `query:"to" format:"date-time" doc:"Its end; absent: now."`
	Units  string `query:"units" doc:"metric (if absent) or us."`
}

type exportInput struct {
	State  string `query:"state" doc:"Only calls in this state, or in any of several with commas between."`
	Site   string `query:"site"`
	System string `query:"system" doc:"Only calls that concern this system, <site>/<system>."`
	From   string `query:"from" format:"date-time" doc:"Only calls made at this time or later."`
	To     string `query:"to" format:"date-time" doc:"Only calls made before."`
}

// paperOutput is a document as it stands.
type paperOutput struct {
	Type        string `header:"Content-Type"`
	Disposition string `header:"Content-Disposition"`
	Cache       string `header:"Cache-Control"`
	Body        []byte
}

func (h *handler) registerRecords(api huma.API) {
	huma.Register(api, operation("get-refrigerant", dewline.ReadMachines, "/systems/{site}/{system}/refrigerant", "The refrigerant records of an appliance",
		"What each visit moved, off the scale; leak rates by both methods of the rules, or why one cannot be computed; what is due by when. Not legal advice.", 404, 503), h.account)
	huma.Register(api, writing("add-refrigerant-entry", dewline.WorkOnVisits, http.MethodPost, "/refrigerant/entries", "Enter something into the refrigerant records",
		"Weights of closed visits are there already. Entries are never changed: a mistake is taken back by one of kind void. An estimate is refused.", 404), h.addEntry)
	huma.Register(api, paper("export-refrigerant", dewline.ReadMachines, "/systems/{site}/{system}/refrigerant.csv", "The refrigerant records as CSV", "text/csv", 404), h.accountCSV)
	huma.Register(api, paper("export-fleet-refrigerant", dewline.TakeRecords, "/exports/refrigerant.csv", "How the refrigerant records of every appliance stand, as CSV (RFC 4180): of all sites that one sees", "text/csv"), h.fleetCSV)
	huma.Register(api, operation("list-refrigerant-dues", dewline.ReadMachines, "/sites/{site}/refrigerant-dues", "What leak repair rules ask for at a site", "Not legal advice.", 404, 503), h.dues)

	huma.Register(api, operation("list-calendar-links", dewline.WorkOnVisits, "/calendar-links", "List links to calendars", "Revoked ones too; never their tokens.", 503), h.links)
	huma.Register(api, writing("make-calendar-link", dewline.WorkOnVisits, http.MethodPost, "/calendar-links", "Make a link to a calendar of service calls",
		"A calendar program needs no sign-in with it."), h.newLink)
	huma.Register(api, writing("revoke-calendar-link", dewline.WorkOnVisits, http.MethodPost, "/calendar-links/{id}/revocation", "Revoke a link for good", "", 404), h.revokeLink)
	huma.Register(api, paper("get-calendar", dewline.Anyone, "/calendar/{token}.ics", "The calendar of a link (RFC 5545)", "text/calendar", 404), h.feed)

	huma.Register(api, paper("get-closing-pack", dewline.ReadMachines, "/service-calls/{id}/closing-pack.pdf", "The closing pack of a service call", "application/pdf", 400, 404), h.closingPack)
	huma.Register(api, paper("get-commissioning-report", dewline.ReadMachines, "/systems/{site}/{system}/commissioning.pdf", "The commissioning report of a system", "application/pdf", 400, 404), h.commissioning)
	huma.Register(api, paper("export-service-calls-csv", dewline.ReadMachines, "/exports/service-calls.csv", "Service calls as CSV (RFC 4180), the newest first", "text/csv", 400),
		func(ctx context.Context, in *exportInput) (*paperOutput, error) {
			return h.exported(ctx, in, dewline.Papers.CallsCSV)
		})
	huma.Register(api, paper("export-service-calls-json", dewline.ReadMachines, "/exports/service-calls.json", "Service calls with visits and histories as JSON, the newest first", "application/json", 400),
		func(ctx context.Context, in *exportInput) (*paperOutput, error) {
			return h.exported(ctx, in, dewline.Papers.CallsJSON)
		})
}

// paper is an operation that answers with a document of a type of its own.
func paper(id string, right dewline.Right, path, summary, media string, errors ...int) huma.Operation {
	op := operation(id, right, path, summary, "", append(errors, http.StatusServiceUnavailable)...)
	schema := &huma.Schema{Type: huma.TypeString, Format: "binary"}
	if media == "application/json" {
		schema = &huma.Schema{Type: huma.TypeObject}
	}
	op.Responses[strconv.Itoa(http.StatusOK)] = &huma.Response{Description: summary, Content: map[string]*huma.MediaType{media: {Schema: schema}}}
	return op
}

func shown(p dewline.Paper) *paperOutput {
	return &paperOutput{Type: p.Type, Disposition: `inline; filename="` + filename(p.Name) + `"`, Cache: "private, no-cache", Body: p.Body}
}

// filename keeps what cannot end the header's quotes or begin another folder.
func filename(name string) string {
	kept := []byte(name)
	for i, c := range kept {
		if (c < 'a' || c > 'z') && (c < 'A' || c > 'Z') && (c < '0' || c > '9') && c != '-' && c != '.' && c != '_' {
			kept[i] = '_'
		}
	}
	return string(kept)
}

func parseUnits(text string) (dewline.Units, error) {
	switch u := dewline.Units(text); u {
	case "", dewline.MetricUnits, dewline.USUnits:
		return u, nil
	}
	return "", refused("units", "%q: they are metric or us", text)
}

func (h *handler) account(ctx context.Context, in *systemPath) (*accountOutput, error) {
	return h.accountBy(ctx, func(l dewline.Ledger) (dewline.RefrigerantAccount, error) { return l.Account(ctx, in.id()) })
}

func (h *handler) addEntry(ctx context.Context, in *entryInput) (*accountOutput, error) {
	return h.accountBy(ctx, func(l dewline.Ledger) (dewline.RefrigerantAccount, error) { return l.AddEntry(ctx, in.Body) })
}

func (h *handler) accountBy(ctx context.Context, do func(dewline.Ledger) (dewline.RefrigerantAccount, error)) (*accountOutput, error) {
	if h.Ledger == nil {
		return nil, unavailable("refrigerant records")
	}
	a, err := do(h.Ledger)
	if err != nil {
		return nil, h.fail(ctx, "refrigerant records", err)
	}
	return &accountOutput{a}, nil
}

func (h *handler) accountCSV(ctx context.Context, in *systemPath) (*paperOutput, error) {
	return h.recordsCSV(ctx, "refrigerant-"+in.Site+"-"+in.System, func(l dewline.Ledger) ([]byte, error) { return l.LedgerCSV(ctx, in.id()) })
}

func (h *handler) fleetCSV(ctx context.Context, _ *nothing) (*paperOutput, error) {
	return h.recordsCSV(ctx, "refrigerant", func(l dewline.Ledger) ([]byte, error) { return l.FleetCSV(ctx, nil) })
}

func (h *handler) recordsCSV(ctx context.Context, name string, do func(dewline.Ledger) ([]byte, error)) (*paperOutput, error) {
	if h.Ledger == nil {
		return nil, unavailable("refrigerant records")
	}
	body, err := do(h.Ledger)
	if err != nil {
		return nil, h.fail(ctx, "refrigerant records", err)
	}
	return shown(dewline.Paper{Name: name + ".csv", Type: "text/csv; charset=utf-8; header=present", Body: body}), nil
}

func (h *handler) dues(ctx context.Context, in *sitePath) (*duesOutput, error) {
	if h.Ledger == nil {
		return nil, unavailable("refrigerant records")
	}
	list, err := h.Ledger.DuesOf(ctx, in.Site)
	if err != nil {
		return nil, h.fail(ctx, "refrigerant records", err)
	}
	var out duesOutput
	out.Body.Dues = orEmpty(list)
	return &out, nil
}

func (h *handler) links(ctx context.Context, _ *struct{}) (*linksOutput, error) {
	if h.Calendar == nil {
		return nil, unavailable("calendars")
	}
	list, err := h.Calendar.Links(ctx)
	if err != nil {
		return nil, h.fail(ctx, "calendars", err)
	}
	var out linksOutput
	out.Body.Links = orEmpty(list)
	return &out, nil
}

func (h *handler) newLink(ctx context.Context, in *newLinkInput) (*newLinkOutput, error) {
	if h.Calendar == nil {
		return nil, unavailable("calendars")
	}
	link, token, err := h.Calendar.NewLink(ctx, dewline.CalendarLink{Technician: in.Body.Technician, Site: in.Body.Site, By: in.Body.By})
	if err != nil {
		return nil, h.fail(ctx, "calendars", err)
	}
	var out newLinkOutput
	out.Body.CalendarLink, out.Body.Token, out.Body.Path = link, token, Prefix+"/calendar/"+token+".ics"
	return &out, nil
}

func (h *handler) revokeLink(ctx context.Context, in *revokeInput) (*linkOutput, error) {
	if h.Calendar == nil {
		return nil, unavailable("calendars")
	}
	link, err := h.Calendar.RevokeLink(ctx, in.ID, in.Body.By)
	if err != nil {
		return nil, h.fail(ctx, "calendars", err)
	}
	return &linkOutput{link}, nil
}

func (h *handler) feed(ctx context.Context, in *feedInput) (*paperOutput, error) {
	if h.Calendar == nil {
		return nil, unavailable("calendars")
	}
	p, err := h.Calendar.Feed(ctx, in.Token)
	if err != nil {
		return nil, h.fail(ctx, "calendars", err)
	}
	return shown(p), nil
}

func (h *handler) paperBy(ctx context.Context, units string, do func(dewline.Papers, dewline.Units) (dewline.Paper, error)) (*paperOutput, error) {
	if h.Papers == nil {
		return nil, unavailable("papers")
	}
	u, err := parseUnits(units)
	if err != nil {
		return nil, err
	}
	p, err := do(h.Papers, u)
	if err != nil {
		return nil, h.fail(ctx, "papers", err)
	}
	return shown(p), nil
}

func (h *handler) closingPack(ctx context.Context, in *closingInput) (*paperOutput, error) {
	return h.paperBy(ctx, in.Units, func(p dewline.Papers, u dewline.Units) (dewline.Paper, error) { return p.ClosingPack(ctx, in.ID, u) })
}

func (h *handler) commissioning(ctx context.Context, in *commissioningInput) (*paperOutput, error) {
	from, to, err := parseSpan(in.From, in.To, 0, 0)
	if err != nil {
		return nil, err
	}
	return h.paperBy(ctx, in.Units, func(p dewline.Papers, u dewline.Units) (dewline.Paper, error) {
		return p.Commissioning(ctx, dewline.NewSystemID(in.Site, in.System), from, to, u)
	})
}

func (h *handler) exported(ctx context.Context, in *exportInput, do func(dewline.Papers, context.Context, dewline.CallFilter) (dewline.Paper, error)) (*paperOutput, error) {
	f, err := callFilter(&callsInput{State: in.State, Site: in.Site, System: in.System, From: in.From, To: in.To})
	if err != nil {
		return nil, err
	}
	return h.paperBy(ctx, "", func(p dewline.Papers, _ dewline.Units) (dewline.Paper, error) { return do(p, ctx, f) })
}
