package scope

import (
	"context"

	"dewline"
)

// Readers of alerts, series, events, refused readings and what people were told, as pages and API
// have them.
type (
	alertsReader interface {
		AlertsIn(ctx context.Context, f dewline.AlertFilter) (dewline.AlertPage, error)
	}
	historian interface {
		AlertHistory(ctx context.Context, id string) ([]dewline.AlertChange, error)
	}
	eventsReader interface {
		EventsOf(ctx context.Context, id dewline.SystemID, from, to dewline.Millis) ([]dewline.Event, error)
	}
	rejectsReader interface {
		ReadRejects(ctx context.Context, f dewline.RejectFilter, limit int) ([]dewline.Reject, error)
		CountRejects(ctx context.Context) (map[dewline.Reason]int64, error)
	}
	noticesReader interface {
		NoticesIn(ctx context.Context, f dewline.NoticeFilter) (dewline.NoticePage, error)
		MessageByID(ctx context.Context, id string) (dewline.Message, error)
	}
)

// Alerts reads alerts.
type Alerts struct {
	Scope
	Of alertsReader
}

// AlertsIn returns alerts at sites that the visitor may know of.
func (a Alerts) AlertsIn(ctx context.Context, f dewline.AlertFilter) (page dewline.AlertPage, err error) {
	none := false
	if f.Sites, none = a.sites(ctx, f.Sites); none {
		return page, nil
	}
	return a.Of.AlertsIn(ctx, f)
}

// AlertHistory returns what became of an alert, nothing where that is not kept.
func (a Alerts) AlertHistory(ctx context.Context, id string) ([]dewline.AlertChange, error) {
	h, ok := a.Of.(historian)
	if !ok {
		return nil, nil
	}
	list, err := h.AlertHistory(ctx, id)
	return seen(ctx, a.Scope, "alert", list, err, func(list []dewline.AlertChange) string {
		if len(list) == 0 {
			return ""
		}
		return list[0].Alert.Site
	})
}

// Series reads series.
type Series struct {
	Scope
	Of dewline.SeriesReader
}

// ReadSeries implements dewline.SeriesReader.
func (r Series) ReadSeries(ctx context.Context, q dewline.SeriesQuery) (dewline.Series, error) {
	if err := r.at(ctx, "series", q.System.Site()); err != nil {
		return dewline.Series{}, err
	}
	return r.Of.ReadSeries(ctx, q)
}

// Events reads events.
type Events struct {
	Scope
	Of eventsReader
}

// EventsOf returns the events of a system.
func (e Events) EventsOf(ctx context.Context, id dewline.SystemID, from, to dewline.Millis) ([]dewline.Event, error) {
	if err := e.at(ctx, "events", id.Site()); err != nil {
		return nil, err
	}
	return e.Of.EventsOf(ctx, id, from, to)
}

// Rejects reads refused readings.
type Rejects struct {
	Scope
	Of rejectsReader
}

// ReadRejects returns refusals of systems that the visitor may know of. What names no system is for
// those alone who see everything.
func (r Rejects) ReadRejects(ctx context.Context, f dewline.RejectFilter, limit int) ([]dewline.Reject, error) {
	if dewline.VisitorOf(ctx).SeesAll() {
		return r.Of.ReadRejects(ctx, f, limit)
	}
	var asked []string
	if f.Site != "" {
		asked = []string{f.Site}
	}
	sites, _ := r.sites(ctx, asked)
	var all []dewline.Reject
	for _, f.Site = range sites {
		list, err := r.Of.ReadRejects(ctx, f, limit)
		if err != nil {
			return nil, err
		}
		all = append(all, list...)
	}
	sortRejects(all)
	return all[:min(limit, len(all))], nil
}

// CountRejects returns the counts, which are over all owners and so for those alone who see everything.
func (r Rejects) CountRejects(ctx context.Context) (map[dewline.Reason]int64, error) {
	if !dewline.VisitorOf(ctx).SeesAll() {
		return nil, nil
	}
	return r.Of.CountRejects(ctx)
}

// Notices reads what people were told.
type Notices struct {
	Scope
	Of noticesReader
}

// NoticesIn returns notices of alerts at sites that the visitor may know of.
func (n Notices) NoticesIn(ctx context.Context, f dewline.NoticeFilter) (page dewline.NoticePage, err error) {
	none := false
	if f.Sites, none = n.sites(ctx, f.Sites); none {
		return page, nil
	}
	return n.Of.NoticesIn(ctx, f)
}

// MessageByID returns a message. One may tell of machines of several owners, so it is for those alone
// who see everything.
func (n Notices) MessageByID(ctx context.Context, id string) (dewline.Message, error) {
	if !dewline.VisitorOf(ctx).SeesAll() {
		return dewline.Message{}, hidden("message")
	}
	return n.Of.MessageByID(ctx, id)
}

// Papers makes documents.
type Papers struct {
	Scope
	Of   dewline.Papers
	Desk dewline.ServiceDesk // says at which site a call is, and is scoped itself
}

// ClosingPack implements dewline.Papers.
func (p Papers) ClosingPack(ctx context.Context, call string, u dewline.Units) (dewline.Paper, error) {
	if !dewline.VisitorOf(ctx).SeesAll() {
		if p.Desk == nil {
			return dewline.Paper{}, hidden("service call")
		}
		if _, err := p.Desk.CallCase(ctx, call); err != nil {
			return dewline.Paper{}, err
		}
	}
	return p.Of.ClosingPack(ctx, call, u)
}

// Commissioning implements dewline.Papers.
func (p Papers) Commissioning(ctx context.Context, id dewline.SystemID, from, to dewline.Millis, u dewline.Units) (dewline.Paper, error) {
	if err := p.at(ctx, "system", id.Site()); err != nil {
		return dewline.Paper{}, err
	}
	return p.Of.Commissioning(ctx, id, from, to, u)
}

// OwnerReport implements dewline.Papers.
func (p Papers) OwnerReport(ctx context.Context, owner string, month dewline.Month, u dewline.Units) (dewline.Paper, error) {
	if !dewline.VisitorOf(ctx).Sees(owner) {
		return dewline.Paper{}, hidden("owner")
	}
	return p.Of.OwnerReport(ctx, owner, month, u)
}

// CallsCSV implements dewline.Papers.
func (p Papers) CallsCSV(ctx context.Context, f dewline.CallFilter) (dewline.Paper, error) {
	f.Sites = p.atLeastOne(ctx, f.Sites)
	return p.Of.CallsCSV(ctx, f)
}

// CallsJSON implements dewline.Papers.
func (p Papers) CallsJSON(ctx context.Context, f dewline.CallFilter) (dewline.Paper, error) {
	f.Sites = p.atLeastOne(ctx, f.Sites)
	return p.Of.CallsJSON(ctx, f)
}

// atLeastOne narrows sites; where none is left, to one that there is not, so that a document without
// lines comes out.
func (p Papers) atLeastOne(ctx context.Context, asked []string) []string {
	sites, none := p.sites(ctx, asked)
	if none {
		return []string{"."} // no id has a dot
	}
	return sites
}

// Owners tells owners of their months.
type Owners struct {
	Scope
	Of dewline.OwnerMonths
}

// OwnerMonth implements dewline.OwnerMonths.
func (o Owners) OwnerMonth(ctx context.Context, owner string, month dewline.Month) (dewline.OwnerMonth, error) {
	if !dewline.VisitorOf(ctx).Sees(owner) {
		return dewline.OwnerMonth{}, hidden("owner")
	}
	return o.Of.OwnerMonth(ctx, owner, month)
}
