package main

import (
	"sync"
	"time"

	"dewline"
	"dewline/alerts"
	"dewline/alerts/photos"
	servicedesk "dewline/alerts/service"
	"dewline/thermo"
)

// proveEvery is how often repairs are held against the readings: those move by quarter hours.
const proveEvery = 10 * time.Minute

// desks are where people work on alerts and service calls.
type desks struct {
	alerts *alerts.Desk
	calls  *servicedesk.Desk
	photos *photos.Folder

	mu      sync.Mutex
	waiting []dewline.Event // stored, and for the analyst once it runs
}

func (s *service) openDesks() {
	now := func() dewline.Millis { return dewline.MillisOf(time.Now()) }
	s.desks.alerts = &alerts.Desk{Store: s.relational, Fleet: s.fleet.Load, Now: now}
	s.desks.photos = &photos.Folder{Path: photosPath(s.o.Data)}
	s.desks.calls = &servicedesk.Desk{
		Photos: s.desks.photos,
		Store:  s.relational, Fleet: s.fleet.Load, Prover: prover{s}, Safety: safetyClasses{}, Now: now, Publish: s.publish,
	}
}

// publish tells the analyst of events that are stored. While it is not up yet they wait: it may have
// read the stored ones already.
func (s *service) publish(events []dewline.Event) {
	s.desks.mu.Lock()
	defer s.desks.mu.Unlock()
	s.desks.waiting = append(s.desks.waiting, events...)
	if p := s.running.Load(); p != nil {
		p.analyst.Offer(nil, s.desks.waiting...)
		s.desks.waiting = nil
	}
}

// proveRepairs holds finished service calls against the readings, until the service ends.
func (s *service) proveRepairs() {
	s.publish(nil)
	tick := time.NewTicker(proveEvery)
	defer tick.Stop()
	for {
		if err := s.desks.calls.VerifyAll(s.ctx); err != nil && s.ctx.Err() == nil {
			s.log.Warn("some repairs could not be held against the readings; the next attempt follows", "err", err)
		}
		select {
		case <-s.ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// safetyClasses is what a service call asks of refrigerants, answered by the properties.
type safetyClasses struct{}

// SafetyClass returns the ASHRAE 34 class, "" where it is not known.
func (safetyClasses) SafetyClass(refrigerant string) string {
	r, err := thermo.Lookup(refrigerant)
	if err != nil {
		return ""
	}
	return r.Facts().SafetyClass
}
