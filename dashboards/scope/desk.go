package scope

import (
	"cmp"
	"context"
	"slices"

	"dewline"
)

func sortRejects(list []dewline.Reject) {
	slices.SortStableFunc(list, func(a, b dewline.Reject) int { return cmp.Compare(b.Received, a.Received) })
}

// Desk is where people work on alerts.
type Desk struct {
	Scope
	Of dewline.AlertDesk
}

func siteOfCase(c dewline.AlertCase) string { return c.Alert.Site }

// Case implements dewline.AlertDesk.
func (d Desk) Case(ctx context.Context, id string) (dewline.AlertCase, error) {
	c, err := d.Of.Case(ctx, id)
	return seen(ctx, d.Scope, "alert", c, err, siteOfCase)
}

// Act implements dewline.AlertDesk.
func (d Desk) Act(ctx context.Context, id string, act dewline.AlertAct) (c dewline.AlertCase, err error) {
	if !dewline.VisitorOf(ctx).SeesAll() {
		if c, err = d.Case(ctx, id); err != nil {
			return c, err
		}
	}
	if act.By, err = by(ctx, act.By); err != nil {
		return c, err
	}
	return d.Of.Act(ctx, id, act)
}

// Held implements dewline.AlertDesk.
func (d Desk) Held(ctx context.Context, a dewline.Alert) ([]dewline.Hold, error) {
	if err := d.at(ctx, "alert", a.Site); err != nil {
		return nil, err
	}
	return d.Of.Held(ctx, a)
}

// Hold implements dewline.AlertDesk.
func (d Desk) Hold(ctx context.Context, h dewline.Hold) (_ dewline.Hold, err error) {
	if err := d.at(ctx, "site", h.Site); err != nil {
		return dewline.Hold{}, err
	}
	if h.By, err = by(ctx, h.By); err != nil {
		return dewline.Hold{}, err
	}
	return d.Of.Hold(ctx, h)
}

// EndHold implements dewline.AlertDesk.
func (d Desk) EndHold(ctx context.Context, id string, c dewline.Change) (_ dewline.Hold, err error) {
	if !dewline.VisitorOf(ctx).SeesAll() {
		all, err := d.HoldsIn(ctx, "")
		if err != nil {
			return dewline.Hold{}, err
		}
		if !slices.ContainsFunc(all, func(h dewline.Hold) bool { return h.ID == id }) {
			return dewline.Hold{}, hidden("hold")
		}
	}
	if c.By, err = by(ctx, c.By); err != nil {
		return dewline.Hold{}, err
	}
	return d.Of.EndHold(ctx, id, c)
}

// HoldsIn implements dewline.AlertDesk.
func (d Desk) HoldsIn(ctx context.Context, site string) ([]dewline.Hold, error) {
	list, err := d.Of.HoldsIn(ctx, site)
	return slices.DeleteFunc(list, func(h dewline.Hold) bool { return !d.sees(ctx, h.Site) }), err
}

// EndedHolds implements dewline.AlertDesk.
func (d Desk) EndedHolds(ctx context.Context, site string, since dewline.Millis) ([]dewline.Hold, error) {
	list, err := d.Of.EndedHolds(ctx, site, since)
	return slices.DeleteFunc(list, func(h dewline.Hold) bool { return !d.sees(ctx, h.Site) }), err
}

// Service is where people work on service calls and visits.
type Service struct {
	Scope
	Of dewline.ServiceDesk
	// Alerts says at which site an alert is, and is scoped itself; nil where there is no desk for alerts.
	Alerts dewline.AlertDesk
}

func siteOfCall(c dewline.CallCase) string { return c.Call.Site }

// MakeCall implements dewline.ServiceDesk.
func (d Service) MakeCall(ctx context.Context, r dewline.CallRequest) (_ dewline.CallCase, err error) {
	if !dewline.VisitorOf(ctx).SeesAll() {
		for _, id := range r.Alerts {
			if d.Alerts == nil {
				return dewline.CallCase{}, hidden("alert")
			}
			if _, err := d.Alerts.Case(ctx, id); err != nil {
				return dewline.CallCase{}, err
			}
		}
	}
	if r.By, err = by(ctx, r.By); err != nil {
		return dewline.CallCase{}, err
	}
	return d.Of.MakeCall(ctx, r)
}

// travelling are what somebody who goes to calls does with one. The rest is the dispatcher's.
var travelling = []dewline.CallDo{dewline.OnTheWay, dewline.OnSite}

// ActOnCall implements dewline.ServiceDesk.
func (d Service) ActOnCall(ctx context.Context, id string, act dewline.CallAct) (_ dewline.CallCase, err error) {
	if err := d.call(ctx, id); err != nil {
		return dewline.CallCase{}, err
	}
	if !slices.Contains(travelling, act.Do) {
		if err := must(ctx, dewline.WorkOnAlerts, "assign, schedule or cancel a service call"); err != nil {
			return dewline.CallCase{}, err
		}
	}
	if act.By, err = by(ctx, act.By); err != nil {
		return dewline.CallCase{}, err
	}
	return d.Of.ActOnCall(ctx, id, act)
}

// call returns an error unless the visitor may know of a call.
func (d Service) call(ctx context.Context, id string) error {
	if dewline.VisitorOf(ctx).SeesAll() {
		return nil
	}
	_, err := d.CallCase(ctx, id)
	return err
}

// CallCase implements dewline.ServiceDesk.
func (d Service) CallCase(ctx context.Context, id string) (dewline.CallCase, error) {
	c, err := d.Of.CallCase(ctx, id)
	return seen(ctx, d.Scope, "service call", c, err, siteOfCall)
}

// CallsIn implements dewline.ServiceDesk.
func (d Service) CallsIn(ctx context.Context, f dewline.CallFilter) ([]dewline.ServiceCall, error) {
	none := false
	if f.Sites, none = d.sites(ctx, f.Sites); none {
		return []dewline.ServiceCall{}, nil
	}
	return d.Of.CallsIn(ctx, f)
}

// PutVisit implements dewline.ServiceDesk. A visit stays at the system and the call that it is of.
func (d Service) PutVisit(ctx context.Context, v dewline.Visit) (dewline.Visit, error) {
	if !dewline.VisitorOf(ctx).SeesAll() {
		if err := d.at(ctx, "system", v.System.Site()); err != nil {
			return dewline.Visit{}, err
		}
		if err := d.call(ctx, v.Call); err != nil {
			return dewline.Visit{}, err
		}
		// The id is the sender's: that of another owner's visit must not be told by what happens to it.
		if kept, err := d.Of.VisitByID(ctx, v.ID); err == nil && !d.sees(ctx, kept.System.Site()) {
			return dewline.Visit{}, hidden("visit")
		}
	}
	return d.Of.PutVisit(ctx, v)
}

// CloseVisit implements dewline.ServiceDesk.
func (d Service) CloseVisit(ctx context.Context, id string, c dewline.Closing) (_ dewline.CallCase, err error) {
	if _, err := d.VisitByID(ctx, id); err != nil {
		return dewline.CallCase{}, err
	}
	if c.By, err = by(ctx, c.By); err != nil {
		return dewline.CallCase{}, err
	}
	return d.Of.CloseVisit(ctx, id, c)
}

// VisitByID implements dewline.ServiceDesk.
func (d Service) VisitByID(ctx context.Context, id string) (dewline.Visit, error) {
	v, err := d.Of.VisitByID(ctx, id)
	return seen(ctx, d.Scope, "visit", v, err, func(v dewline.Visit) string { return v.System.Site() })
}

// Visits implements dewline.ServiceDesk.
func (d Service) Visits(ctx context.Context, system dewline.SystemID, from, to dewline.Millis) ([]dewline.Visit, error) {
	if system != "" && !d.sees(ctx, system.Site()) {
		return []dewline.Visit{}, nil
	}
	list, err := d.Of.Visits(ctx, system, from, to)
	return slices.DeleteFunc(list, func(v dewline.Visit) bool { return !d.sees(ctx, v.System.Site()) }), err
}

// Verify implements dewline.ServiceDesk.
func (d Service) Verify(ctx context.Context, call string) (dewline.CallCase, error) {
	if err := d.call(ctx, call); err != nil {
		return dewline.CallCase{}, err
	}
	return d.Of.Verify(ctx, call)
}

// Report implements dewline.ServiceDesk. Its figures are over all owners.
func (d Service) Report(ctx context.Context, from, to dewline.Millis) (dewline.ServiceReport, error) {
	if err := must(ctx, dewline.ReadCompany, "figures over all owners"); err != nil {
		return dewline.ServiceReport{}, err
	}
	return d.Of.Report(ctx, from, to)
}

// PutStock implements dewline.ServiceDesk.
func (d Service) PutStock(ctx context.Context, van string, items []dewline.StockItem) error {
	if err := must(ctx, dewline.ReadCompany, "what vans carry"); err != nil {
		return err
	}
	return d.Of.PutStock(ctx, van, items)
}

// Stock implements dewline.ServiceDesk.
func (d Service) Stock(ctx context.Context, van string) ([]dewline.StockItem, error) {
	if err := must(ctx, dewline.ReadCompany, "what vans carry"); err != nil {
		return nil, err
	}
	return d.Of.Stock(ctx, van)
}

// Ledger keeps refrigerant records.
type Ledger struct {
	Scope
	Of dewline.Ledger
}

// Account implements dewline.Ledger.
func (l Ledger) Account(ctx context.Context, id dewline.SystemID) (dewline.RefrigerantAccount, error) {
	if err := l.at(ctx, "system", id.Site()); err != nil {
		return dewline.RefrigerantAccount{}, err
	}
	return l.Of.Account(ctx, id)
}

// AddEntry implements dewline.Ledger.
func (l Ledger) AddEntry(ctx context.Context, e dewline.LedgerEntry) (a dewline.RefrigerantAccount, err error) {
	if err := l.at(ctx, "system", e.System.Site()); err != nil {
		return a, err
	}
	if e.By, err = by(ctx, e.By); err != nil {
		return a, err
	}
	return l.Of.AddEntry(ctx, e)
}

// LedgerCSV implements dewline.Ledger.
func (l Ledger) LedgerCSV(ctx context.Context, id dewline.SystemID) ([]byte, error) {
	if err := l.at(ctx, "system", id.Site()); err != nil {
		return nil, err
	}
	return l.Of.LedgerCSV(ctx, id)
}

// FleetCSV implements dewline.Ledger.
func (l Ledger) FleetCSV(ctx context.Context, sites []string) ([]byte, error) {
	if err := must(ctx, dewline.TakeRecords, "refrigerant records"); err != nil {
		return nil, err
	}
	sites, none := l.sites(ctx, sites)
	if none {
		sites = []string{}
	}
	return l.Of.FleetCSV(ctx, sites)
}

// DuesOf implements dewline.Ledger.
func (l Ledger) DuesOf(ctx context.Context, site string) ([]dewline.Due, error) {
	if err := l.at(ctx, "site", site); err != nil {
		return nil, err
	}
	return l.Of.DuesOf(ctx, site)
}

// Calendar gives out service calls to calendar programs.
type Calendar struct {
	Scope
	Of dewline.Calendar
}

// NewLink implements dewline.Calendar. Who sees one owner's machines gets a link for one of the sites.
func (c Calendar) NewLink(ctx context.Context, l dewline.CalendarLink) (_ dewline.CalendarLink, token string, err error) {
	if err := c.at(ctx, "site", l.Site); err != nil {
		return dewline.CalendarLink{}, "", err
	}
	if l.By, err = by(ctx, l.By); err != nil {
		return dewline.CalendarLink{}, "", err
	}
	return c.Of.NewLink(ctx, l)
}

// Links implements dewline.Calendar.
func (c Calendar) Links(ctx context.Context) ([]dewline.CalendarLink, error) {
	list, err := c.Of.Links(ctx)
	return slices.DeleteFunc(list, func(l dewline.CalendarLink) bool { return !c.sees(ctx, l.Site) }), err
}

// RevokeLink implements dewline.Calendar.
func (c Calendar) RevokeLink(ctx context.Context, id, name string) (l dewline.CalendarLink, err error) {
	if !dewline.VisitorOf(ctx).SeesAll() {
		list, err := c.Links(ctx)
		if err != nil {
			return l, err
		}
		if !slices.ContainsFunc(list, func(l dewline.CalendarLink) bool { return l.ID == id }) {
			return l, hidden("calendar link")
		}
	}
	if name, err = by(ctx, name); err != nil {
		return l, err
	}
	return c.Of.RevokeLink(ctx, id, name)
}

// Feed implements dewline.Calendar. Its token says all that has to be known of who asks.
func (c Calendar) Feed(ctx context.Context, token string) (dewline.Paper, error) {
	return c.Of.Feed(ctx, token)
}

// Photos keeps pictures of visits.
type Photos struct {
	Scope
	Of   dewline.Photos
	Desk dewline.ServiceDesk // says at which system a visit is, and is scoped itself
}

func (p Photos) visit(ctx context.Context, id string) error {
	if dewline.VisitorOf(ctx).SeesAll() {
		return nil
	}
	if p.Desk == nil {
		return hidden("visit")
	}
	_, err := p.Desk.VisitByID(ctx, id)
	return err
}

// KeepPhoto implements dewline.Photos.
func (p Photos) KeepPhoto(ctx context.Context, visit string, picture []byte) (dewline.Photo, error) {
	if err := p.visit(ctx, visit); err != nil {
		return dewline.Photo{}, err
	}
	return p.Of.KeepPhoto(ctx, visit, picture)
}

// KeepOnly implements dewline.Photos.
func (p Photos) KeepOnly(ctx context.Context, visit string, digests []string) error {
	if err := p.visit(ctx, visit); err != nil {
		return err
	}
	return p.Of.KeepOnly(ctx, visit, digests)
}

// PhotoOf implements dewline.Photos.
func (p Photos) PhotoOf(ctx context.Context, visit, digest string, small bool) ([]byte, error) {
	if err := p.visit(ctx, visit); err != nil {
		return nil, err
	}
	return p.Of.PhotoOf(ctx, visit, digest, small)
}
