package main

import (
	"context"
	"fmt"
	"time"

	"dewline"
	"dewline/alerts/owners"
	"dewline/alerts/papers"
	"dewline/alerts/refrigerant"
	"dewline/thermo"
)

// paperwork is what is kept and handed out of refrigerant and service.
type paperwork struct {
	ledger   *refrigerant.Ledger
	papers   *papers.Desk
	owners   *owners.Desk
	calendar *papers.Calendar
}

// openRecords needs the desks.
func (s *service) openRecords() error {
	set := s.o.Settings.Refrigerant.orDefault()
	if err := set.Validate(); err != nil {
		return fmt.Errorf("settings: %w", err)
	}
	now := func() dewline.Millis { return dewline.MillisOf(time.Now()) }
	s.records.ledger = &refrigerant.Ledger{Fleet: s.fleet.Load, Store: s.relational, Visits: s.relational, Settings: set, GWPs: gwps{}, Now: now}
	s.records.owners = &owners.Desk{
		Fleet: s.fleet.Load, Alerts: s.relational, Calls: s.desks.calls, Ledger: s.records.ledger, Series: late{s}, States: late{s}, Tariff: s.o.Settings.Tariff, Now: now,
	}
	s.records.papers = &papers.Desk{
		Fleet: s.fleet.Load, Company: s.o.Settings.Company, Calls: s.desks.calls, Ledger: s.records.ledger, Series: late{s}, Prover: prover{s}, Owners: s.records.owners, Photos: s.desks.photos, Now: now,
	}
	s.records.calendar = &papers.Calendar{Fleet: s.fleet.Load, Store: s.relational, Calls: s.desks.calls, Now: now}
	return nil
}

// ownerReport makes the report of a month that goes to its owner, who may see all of it.
func (s *service) ownerReport(ctx context.Context, owner string, month dewline.Month, u dewline.Units) (dewline.Paper, error) {
	ctx = dewline.WithVisitor(ctx, dewline.Visitor{Role: dewline.RoleOwner, Owner: owner, Units: u})
	return s.records.papers.OwnerReport(ctx, owner, month, u)
}

// refrigerantSettings are the rules' own numbers where a settings file does not say otherwise.
type refrigerantSettings struct{ set *refrigerant.Settings }

// UnmarshalYAML reads over the defaults, so that a file says only what differs.
func (r *refrigerantSettings) UnmarshalYAML(decode func(any) error) error {
	set := refrigerant.DefaultSettings()
	r.set = &set
	return decode(r.set)
}

func (r refrigerantSettings) orDefault() refrigerant.Settings {
	if r.set == nil {
		return refrigerant.DefaultSettings()
	}
	return *r.set
}

// gwps is what the leak repair rules ask of refrigerants, answered by the properties.
type gwps struct{}

// GWP returns the 100-year potential where it is known.
func (gwps) GWP(designation string) (float64, bool) {
	r, err := thermo.Lookup(designation)
	if err != nil {
		return 0, false
	}
	gwp := r.Facts().GWP
	return gwp.Value, gwp.Known
}
