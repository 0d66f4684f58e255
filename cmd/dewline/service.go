package main

import (
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"dewline"
	"dewline/alerts/notify"
	"dewline/alerts/sqlstore"
	"dewline/analytics"
	"dewline/dashboards"
	"dewline/ingest"
	"dewline/ingest/broker"
	"dewline/ingest/mqtt"
	"dewline/ingest/store"
	"dewline/ingest/store/embedded"
	"dewline/ingest/store/influx"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
)

// serviceOptions say how a service runs.
type serviceOptions struct {
	Fleet     *dewline.Fleet
	FleetFile string // given by --fleet, which pages do not change; "" where it is in the data folder
	Data      string // folder
	HTTP      string // host:port
	MQTT      string // host:port of the embedded broker
	OpenMQTT  bool
	Plaintext bool
	Settings  settings
	Guest     string                       // the person that whoever asks on this machine counts as, without signing in; "" for nobody
	Notices   []string                     // what every page says beside what the service finds out itself
	Progress  func() []dashboards.Progress // of what the caller does with the service, nil for nothing
	Log       *slog.Logger
}

// readingStore is a time-series store as the service runs it.
type readingStore interface {
	dewline.Readings
	Ready(ctx context.Context) error
}

// service is the whole of Dewline in one process. Start returns when pages answer; everything else
// comes up behind them, and /readyz tells how far it is.
type service struct {
	o        serviceOptions
	log      *slog.Logger
	registry *prometheus.Registry
	fleet    atomic.Pointer[dewline.Fleet]
	fleets   chan *dewline.Fleet // to the analyst

	relational *sqlstore.Store
	lock       *os.File
	web        *http.Server
	webAddr    net.Addr
	webTLS     bool
	control    *control
	desks      desks
	records    paperwork
	courier    *notify.Courier

	starting atomic.Pointer[step]
	running  atomic.Pointer[parts] // nil until everything is up
	failed   atomic.Pointer[error]

	ctx  context.Context
	stop context.CancelFunc
	work sync.WaitGroup
}

// parts are what comes up after the pages.
type parts struct {
	readings readingStore
	disk     func() (embedded.DiskUse, error) // nil for an external store
	series   *analytics.SeriesStore
	analyst  *analyst
	pipeline *ingest.Pipeline
	broker   *broker.Server // nil when external
	client   *mqtt.Client
}

// step is what the service is doing while it starts.
type step struct {
	what        string
	done, total int
}

// startService opens the data folder, answers HTTP, and brings up the rest in the background.
func startService(ctx context.Context, o serviceOptions) (*service, error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	s := &service{o: o, log: o.Log, registry: prometheus.NewRegistry(), fleets: make(chan *dewline.Fleet, 1)}
	s.registry.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	s.fleet.Store(o.Fleet)
	s.ctx, s.stop = context.WithCancel(context.WithoutCancel(ctx))
	if err := s.open(ctx); err != nil {
		return nil, errors.Join(err, s.Stop())
	}
	s.work.Go(func() {
		if err := s.bringUp(); err != nil && s.ctx.Err() == nil {
			s.failed.Store(&err)
			s.log.Error("the service cannot start", "err", err)
		}
	})
	return s, nil
}

// open does what must succeed before anything is shown.
func (s *service) open(ctx context.Context) error {
	if err := s.checkAddresses(); err != nil {
		return err
	}
	if err := os.MkdirAll(s.o.Data, 0o750); err != nil {
		return fmt.Errorf("data folder: %w", err)
	}
	var err error
	if s.lock, err = lockFolder(s.o.Data); err != nil {
		return err
	}
	if err := settleDatabase(s.o.Data, s.o.Settings.Database); err != nil {
		return err
	}
	if s.relational, err = openDatabase(ctx, s.o.Data, sqlstore.Options{FullSync: s.o.Settings.FullSync}); err != nil {
		return err
	}
	s.openDesks()
	if err := s.openRecords(); err != nil {
		return err
	}
	if err := s.openCourier(); err != nil {
		return err
	}
	return s.serveHTTP(ctx)
}

func readingsPath(data string) string { return filepath.Join(data, "readings") }
func brokerPath(data string) string   { return filepath.Join(data, "broker") }
func photosPath(data string) string   { return filepath.Join(data, "photos") }

// checkAddresses refuses to let passwords of people cross the network in the clear, unless that is asked
// for in words. The broker checks its own address.
func (s *service) checkAddresses() error {
	host, _, err := net.SplitHostPort(s.o.HTTP)
	if err != nil {
		return fmt.Errorf("the HTTP address must be host:port: %w", err)
	}
	if !isLoopback(host) && s.o.Settings.TLS.Cert == "" && !s.o.Plaintext {
		return fmt.Errorf("HTTP on %s without TLS would let everybody on the way read passwords: give tls with cert and key in the settings, or use a loopback address such as 127.0.0.1:8080 behind a server that has TLS, or ask for it with --plaintext", s.o.HTTP)
	}
	return nil
}

func isLoopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

func (s *service) tls() (*tls.Config, error) {
	if s.o.Settings.TLS.Cert == "" {
		return nil, nil
	}
	cert, err := tls.LoadX509KeyPair(s.o.Settings.TLS.Cert, s.o.Settings.TLS.Key)
	if err != nil {
		return nil, fmt.Errorf("certificate: %w", err)
	}
	return &tls.Config{Certificates: []tls.Certificate{cert}, MinVersion: tls.VersionTLS12}, nil
}

// bringUp starts, in this order, the store of readings, analytics, ingest and the broker: each
// needs the one before.
func (s *service) bringUp() error {
	p, fleet := &parts{}, s.fleet.Load()
	s.say("opening the store of readings", 0, 0)
	if err := s.openReadings(p); err != nil {
		return err
	}
	p.series = &analytics.SeriesStore{Fleet: s.fleet.Load, Readings: p.readings, RollUps: s.relational}
	s.say("catching up with the store", 0, len(fleet.Systems()))
	var err error
	p.analyst, err = newAnalyst(s.ctx, fleet, s.relational, p.series, s.log, newAnalystMetrics(s.registry), func(done, total int) {
		s.say("catching up with the store", done, total)
	})
	if err != nil {
		return errors.Join(err, p.readings.Close())
	}
	s.say("starting ingest", 0, 0)
	p.pipeline, err = ingest.Start(ingest.Options{
		Readings: p.readings, Events: s.relational, Rejects: s.relational, Statuses: s.relational, Sink: p.analyst,
		Root: s.o.Settings.Topic, MaxAge: s.o.Settings.MaxAge, Log: s.log, Registerer: s.registry,
	}, fleet)
	if err != nil {
		return errors.Join(err, p.readings.Close())
	}
	if err := s.startBroker(p); err != nil {
		p.pipeline.Close(s.ctx)
		return errors.Join(err, p.readings.Close())
	}
	s.work.Go(func() { p.analyst.run(s.ctx, s.fleets) })
	s.work.Go(func() { s.keepHouse() })
	s.running.Store(p)
	if now := s.fleet.Load(); now != fleet { // somebody enrolled something meanwhile
		s.SetFleet(now)
	}
	s.work.Go(func() { s.proveRepairs() })
	s.work.Go(func() { s.courier.Run(s.ctx) })
	s.starting.Store(nil)
	s.log.Info("ready", "http", s.HTTPAddr(), "mqtt", s.MQTTAddr())
	return nil
}

func (s *service) say(what string, done, total int) { s.starting.Store(&step{what, done, total}) }

func (s *service) limits() store.Limits {
	l := store.DefaultLimits()
	if s.o.Settings.MaxAge > 0 {
		l.MaxAge = s.o.Settings.MaxAge
	}
	return l
}

func (s *service) openReadings(p *parts) error {
	set := s.o.Settings.Store
	if set.Kind == "influx" {
		token, err := secret(set.TokenFile)
		if err != nil {
			return fmt.Errorf("token of the InfluxDB server: %w", err)
		}
		o := influx.DefaultOptions()
		o.Limits, o.URL, o.Token, o.Org, o.Bucket = s.limits(), set.URL, token, set.Org, set.Bucket
		db, err := influx.Open(o)
		if err != nil {
			return err
		}
		p.readings = db
		return nil
	}
	o := embedded.DefaultOptions()
	o.Limits, o.NoFsync, o.Budget, o.Logger = s.limits(), set.NoFsync, set.BudgetMB<<20, s.log
	if set.Retention > 0 {
		o.Retention = set.Retention
	}
	if set.Block > 0 {
		o.Block = set.Block
	}
	o.Replayed = func(done, total int) { s.say("reading the log of the store", done, total) }
	db, err := embedded.Open(readingsPath(s.o.Data), o)
	if err != nil {
		return err
	}
	p.readings, p.disk = db, db.DiskUse
	return nil
}

// startBroker starts the embedded broker, or none, and connects ingest to it or to the external one.
func (s *service) startBroker(p *parts) error {
	set := s.o.Settings.Broker
	tlsConfig, err := s.tls()
	if err != nil {
		return err
	}
	o := mqtt.Options{Root: s.o.Settings.Topic, Log: s.log, Registerer: s.registry}
	if set.URL != "" {
		o.URL, o.User, o.Group = set.URL, set.User, set.Group
		o.ClientID = set.ClientID
		if o.ClientID == "" {
			o.ClientID = "dewline"
		}
		if o.Password, err = secret(set.PasswordFile); err != nil {
			return fmt.Errorf("password of the MQTT broker: %w", err)
		}
	} else {
		p.broker, err = broker.Start(broker.Options{
			Dir: brokerPath(s.o.Data), Addr: s.o.MQTT, Root: s.o.Settings.Topic, TLS: tlsConfig, Plaintext: s.o.Plaintext,
			Credentials: s.relational, Open: s.o.OpenMQTT, SyncAlways: set.SyncAlways, SyncEvery: set.SyncEvery,
			MaxDisk: set.MaxDiskMB << 20, Log: s.log, Registerer: s.registry,
		})
		if err != nil {
			return err
		}
		o.URL, o.User, o.Password = p.broker.Service()
		o.ClientID, o.OnSubscribed = broker.ServiceClientID, p.broker.Admit
		s.work.Go(func() {
			if err := s.relational.WatchGateways(s.ctx, time.Second, p.broker.Recheck); err != nil && s.ctx.Err() == nil {
				s.log.Error("changes of gateways' credentials are not seen any more", "err", err)
			}
		})
	}
	if p.client, err = mqtt.Connect(o, p.pipeline.Deliver); err != nil {
		if p.broker != nil {
			p.broker.Shutdown()
		}
		return err
	}
	return nil
}

// packAfter is how old a day's roll-ups are before they are packed: readings that come later than
// that are rare, and cost more then.
const packAfter = 48 * time.Hour

// keepHouse tidies up the database, until the service ends.
func (s *service) keepHouse() {
	tick := time.NewTicker(time.Hour)
	defer tick.Stop()
	for hours := 0; ; hours++ {
		err := s.tidyUp(time.Now())
		if hours%24 == 0 {
			err = errors.Join(err, s.desks.photos.DropUnnamed(s.ctx, time.Now().Add(-unnamedKept), s.photosNamed))
		}
		if err != nil && s.ctx.Err() == nil {
			s.log.Warn("not everything could be tidied up; the next attempt is in an hour", "err", err)
		}
		select {
		case <-s.ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// tidyUp packs the roll-ups of finished days, and drops what is older than it is kept. Alerts, calls and
// visits are never too old.
func (s *service) tidyUp(now time.Time) error {
	ago := func(set, usual time.Duration) dewline.Millis { return dewline.MillisOf(now.Add(-cmp.Or(set, usual))) }
	log := ago(s.o.Settings.LogRetention, logKept)
	_, err := s.relational.PackRollUps(s.ctx, ago(packAfter, 0))
	return errors.Join(err,
		s.relational.PruneRollUps(s.ctx, ago(s.o.Settings.RollUpRetention, 5*365*24*time.Hour)),
		s.relational.PruneAccess(s.ctx, dewline.MillisOf(now), log),
		s.relational.PruneNotices(s.ctx, log),
		s.relational.PruneRejects(s.ctx, log))
}

// unnamedKept is how long a photo may lie before a visit names it: a phone sends a visit as soon as there is
// a signal again.
const unnamedKept = 30 * 24 * time.Hour

// photosNamed returns the photos that a visit names, none where there is no such visit.
func (s *service) photosNamed(ctx context.Context, visit string) ([]string, error) {
	v, err := s.desks.calls.VisitByID(ctx, visit)
	if dewline.CodeOf(err) == dewline.NotFound {
		return nil, nil
	}
	var digests []string
	for _, p := range v.Photos {
		digests = append(digests, p.Digest)
	}
	return digests, err
}

// logKept is how long notices, the audit log and rejects are kept: as long as readings.
const logKept = 400 * 24 * time.Hour

// SetFleet makes f the fleet, in ingest, analytics and the pages.
func (s *service) SetFleet(f *dewline.Fleet) {
	s.fleet.Store(f)
	if p := s.running.Load(); p != nil {
		p.pipeline.SetFleet(f)
		select {
		case s.fleets <- f:
		case <-s.ctx.Done():
		}
	}
}

// PagesURL returns where the pages are, on this machine.
func (s *service) PagesURL() string {
	if s.webTLS {
		return "https://" + s.HTTPAddr()
	}
	return "http://" + s.HTTPAddr()
}

// HTTPAddr returns the address of the pages.
func (s *service) HTTPAddr() string { return s.webAddr.String() }

// MQTTAddr returns the address that gateways connect to, "" for an external broker or before it runs.
func (s *service) MQTTAddr() string {
	if p := s.running.Load(); p != nil && p.broker != nil {
		return p.broker.Addr().String()
	}
	return ""
}

// Waiting returns how many messages the embedded broker holds that are not stored yet.
func (s *service) Waiting() (int64, error) {
	if p := s.running.Load(); p != nil && p.broker != nil {
		return p.broker.Waiting()
	}
	return 0, nil
}

// WaitReady waits until everything runs.
func (s *service) WaitReady(ctx context.Context) error {
	for {
		if s.running.Load() != nil {
			return nil
		}
		if err := s.failed.Load(); err != nil {
			return *err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// Stop ends everything in the reverse order: no more messages, what is in hand is stored and
// acknowledged, alerts and states are stored, files are closed.
func (s *service) Stop() error {
	s.log.Info("stopping")
	if s.control != nil {
		s.control.close()
	}
	if s.web != nil {
		wait, cancel := context.WithTimeout(context.Background(), 2*time.Second)
		if s.web.Shutdown(wait) != nil {
			s.web.Close()
		}
		cancel()
	}
	p := s.running.Swap(nil)
	if p != nil {
		wait, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		p.pipeline.Close(wait)
		cancel()
		p.client.Close()
	}
	s.stop()
	if p != nil && p.broker != nil {
		p.broker.Shutdown()
	}
	s.work.Wait()
	if late := s.running.Swap(nil); late != nil { // it came up while it was being stopped
		late.pipeline.Close(s.ctx)
		late.client.Close()
		if late.broker != nil {
			late.broker.Shutdown()
		}
		p = late
	}
	var errs []error
	if p != nil {
		errs = append(errs, p.readings.Close())
	}
	if s.relational != nil {
		errs = append(errs, s.relational.Close())
	}
	if s.lock != nil {
		errs = append(errs, s.lock.Close())
	}
	return errors.Join(errs...)
}
