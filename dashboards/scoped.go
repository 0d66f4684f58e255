package dashboards

import (
	"context"

	"dewline"
	"dewline/dashboards/scope"
)

// scoped returns the options with everything that pages and API read from, and change by, narrowed to
// what the visitor of the context may know of. Fleet and States are not: pages have them of the overview.
func (o Options) scoped(fleet func(context.Context) *dewline.Fleet) Options {
	s := scope.Scope{Fleet: fleet}
	if o.Access != nil {
		s.Record = o.Access.Record
	}
	if o.Series != nil {
		o.Series = scope.Series{Scope: s, Of: o.Series}
	}
	if o.Alerts != nil {
		o.Alerts = scope.Alerts{Scope: s, Of: o.Alerts}
	}
	if o.Rejects != nil {
		o.Rejects = scope.Rejects{Scope: s, Of: o.Rejects}
	}
	if o.Desk != nil {
		o.Desk = scope.Desk{Scope: s, Of: o.Desk}
	}
	if o.Service != nil {
		o.Service = scope.Service{Scope: s, Of: o.Service, Alerts: o.Desk}
	}
	if o.Contacts != nil {
		contacts := scope.Contacts{Scope: s, Of: o.Contacts}
		if o.Access != nil {
			contacts.SignsIn = o.Access.SignsIn
		}
		o.Contacts = contacts
	}
	if o.Enrolment != nil {
		o.Enrolment = scope.Enrolment{Scope: s, Of: o.Enrolment}
	}
	if o.Gateways != nil {
		o.Gateways = scope.Gateways{Scope: s, Gateways: o.Gateways}
	}
	if o.Messages != nil {
		o.Messages = scope.Notices{Scope: s, Of: o.Messages}
	}
	if o.Ledger != nil {
		o.Ledger = scope.Ledger{Scope: s, Of: o.Ledger}
	}
	if o.Papers != nil {
		o.Papers = scope.Papers{Scope: s, Of: o.Papers, Desk: o.Service}
	}
	if o.Owners != nil {
		o.Owners = scope.Owners{Scope: s, Of: o.Owners}
	}
	if o.Calendar != nil {
		o.Calendar = scope.Calendar{Scope: s, Of: o.Calendar}
	}
	if o.Photos != nil {
		o.Photos = scope.Photos{Scope: s, Of: o.Photos, Desk: o.Service}
	}
	if o.Events != nil {
		o.Events = scope.Events{Scope: s, Of: o.Events}
	}
	return o
}
