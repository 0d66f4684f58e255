package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"

	"dewline"
	"dewline/dashboards"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
)

// serveHTTP answers pages and API from the first moment; what is not up yet is said to be missing.
func (s *service) serveHTTP(ctx context.Context) error {
	notices := s.o.Notices
	if s.o.Plaintext {
		notices = append(notices, "Plaintext: readings, and the passwords of gateways and people, cross the network without TLS.")
	}
	if s.o.OpenMQTT {
		notices = append(notices, "Open: any MQTT client on this machine may send readings.")
	}
	tlsConfig, err := s.tls()
	if err != nil {
		return err
	}
	gate, err := s.openGate(tlsConfig != nil)
	if err != nil {
		return err
	}
	closing := make(chan struct{})
	handler, err := dashboards.New(dashboards.Options{
		Fleet: s.fleet.Load, States: late{s}, Series: late{s}, Alerts: s.relational, Rejects: s.relational, Events: s.relational,
		Desk: s.desks.alerts, Service: s.desks.calls, Contacts: s.relational, Messages: s.relational, Courier: s.courier,
		Ledger: s.records.ledger, Papers: s.records.papers, Owners: s.records.owners, Calendar: s.records.calendar, Photos: s.desks.photos,
		Checks: s.checks, Metrics: late{s}, Progress: s.progress, Now: time.Now, Notices: notices, Log: s.log,
		Access: gate, Guest: s.guests(), Enrolment: &fleetFile{s: s}, Gateways: s.credentials(), GatewaysAt: s.MQTTAddr, Closing: closing,
	})
	if err != nil {
		return err
	}
	listener, err := (&net.ListenConfig{}).Listen(ctx, "tcp", s.o.HTTP)
	if err != nil {
		return fmt.Errorf("HTTP: %w", err)
	}
	s.webAddr, s.webTLS = listener.Addr(), tlsConfig != nil
	if err := s.inviteFirst(ctx, s.PagesURL()); err != nil {
		return errors.Join(err, listener.Close())
	}
	s.web = &http.Server{Handler: handler, TLSConfig: tlsConfig, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: 5 * time.Minute, IdleTimeout: 2 * time.Minute}
	s.web.RegisterOnShutdown(sync.OnceFunc(func() { close(closing) }))
	s.work.Go(func() {
		var err error
		if tlsConfig != nil {
			err = s.web.ServeTLS(listener, "", "")
		} else {
			err = s.web.Serve(listener)
		}
		if !errors.Is(err, http.ErrServerClosed) {
			s.log.Error("pages are not answered any more", "err", err)
		}
	})
	s.control, err = startControl(s)
	return err
}

// late answers from the parts that come up after the pages.
type late struct{ s *service }

// State implements dewline.StateReader.
func (l late) State(id dewline.SystemID) (dewline.SystemState, bool) {
	if p := l.s.running.Load(); p != nil {
		return p.analyst.engine.State(id)
	}
	return dewline.SystemState{}, false
}

// ReadSeries implements dewline.SeriesReader.
func (l late) ReadSeries(ctx context.Context, q dewline.SeriesQuery) (dewline.Series, error) {
	p := l.s.running.Load()
	if p == nil {
		return dewline.Series{}, &dewline.Error{Code: dewline.Unavailable, Op: "read series", Retry: true, Err: errors.New("the service is still starting")}
	}
	return p.series.ReadSeries(ctx, q)
}

// Gather implements prometheus.Gatherer for the service's own metrics and the store's.
func (l late) Gather() ([]*dto.MetricFamily, error) {
	all := prometheus.Gatherers{l.s.registry}
	if p := l.s.running.Load(); p != nil {
		if g, ok := p.readings.(prometheus.Gatherer); ok {
			all = append(all, g)
		}
	}
	return all.Gather()
}

// checks looks at everything that the service needs.
func (s *service) checks() []dashboards.Check {
	if err := s.failed.Load(); err != nil {
		return []dashboards.Check{{Name: "start", Detail: fmt.Sprintf("the service could not start: %v", *err)}}
	}
	p := s.running.Load()
	if p == nil {
		detail := "starting"
		if now := s.starting.Load(); now != nil {
			detail = now.what
			if now.total > 0 {
				detail = fmt.Sprintf("%s: %d of %d", now.what, now.done, now.total)
			}
		}
		return []dashboards.Check{{Name: "start", Detail: detail}}
	}
	ctx, cancel := context.WithTimeout(s.ctx, 2*time.Second)
	defer cancel()
	check := func(name, well string, err error) dashboards.Check {
		if err != nil {
			return dashboards.Check{Name: name, Detail: err.Error()}
		}
		return dashboards.Check{Name: name, OK: true, Detail: well}
	}
	list := []dashboards.Check{
		check("store", "readings are taken", p.readings.Ready(ctx)),
		check("ingest", "readings are stored as they come", p.pipeline.Health()),
		check("subscription", "connected to the MQTT broker", p.client.Health()),
		check("database", "alerts are stored", s.ping(ctx)),
	}
	if failing := s.courier.Failing(); len(failing) > 0 {
		list = append(list, dashboards.Check{Name: "contacts", OK: true, Warns: true, Detail: notTold(failing)})
	}
	if p.broker != nil {
		list = append(list, check("broker", "gateways connect to "+p.broker.Addr().String(), p.broker.Ready()))
	}
	if p.disk != nil {
		use, err := p.disk()
		well := fmt.Sprintf("readings take %.1f of %.1f GB", float64(use.Used)/1e9, float64(use.Budget)/1e9)
		if err == nil && use.Full {
			err = fmt.Errorf("the disk is full: %s; nothing is acknowledged until there is room", well)
		} else if use.Nearly {
			well += ": nearly full, make room or keep readings for less time"
		}
		list = append(list, check("disk", well, err))
	}
	return list
}

// notTold says who cannot be told of alerts; a broken server of e-mail fails them all with the same words.
func notTold(failing []string) string {
	const most = 3
	text := strings.Join(failing[:min(most, len(failing))], "; ")
	if more := len(failing) - most; more > 0 {
		text += fmt.Sprintf("; and %d more", more)
	}
	return "not everybody is told of alerts: " + text
}

// ping asks the database for something small.
func (s *service) ping(ctx context.Context) error {
	_, err := s.relational.CountRejects(ctx)
	return err
}

// progress tells what is going on that takes a while.
func (s *service) progress() []dashboards.Progress {
	if now := s.starting.Load(); now != nil && now.total > 0 {
		return []dashboards.Progress{{Label: now.what, Unit: "parts", Done: int64(now.done), Total: int64(now.total)}}
	}
	if s.o.Progress != nil {
		return s.o.Progress()
	}
	return nil
}
