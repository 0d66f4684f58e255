package broker

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/subtle"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"dewline"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/prometheus/client_golang/prometheus"
)

// ServiceClientID is the MQTT client id under which ingest connects. Its session, with all that
// waits for it, is kept across restarts, so the id must not change.
const ServiceClientID = "dewline-ingest"

// serviceUser is the user of ingest and of the broker's own look at its queue. Gateways cannot
// have the name, as theirs contain a slash.
const serviceUser = "dewline-ingest"

// Options say how the broker runs. Dir and Addr are required, and Credentials unless Open is set.
type Options struct {
	Dir  string // folder for messages and sessions; it must stay the same across restarts
	Addr string // host:port to listen on for MQTT; port 0 takes a free one
	Root string // first level of all topics, "dewline" if empty

	// TLS encrypts the connections of gateways. Without it the broker listens on loopback
	// addresses only, unless Plaintext asks for passwords and readings to cross the network in
	// the clear.
	TLS       *tls.Config
	Plaintext bool

	// Credentials knows the gateways. Open takes any client instead, on loopback addresses only.
	Credentials Credentials
	Open        bool

	// SyncEvery is how often JetStream calls fsync. The death of the process loses nothing either
	// way; a power cut may lose what was acknowledged since the last fsync, two minutes with the
	// default. SyncAlways calls it before every acknowledgement and loses nothing, at the price of
	// delivery: hundreds of messages a second instead of thousands on an ordinary disk.
	SyncEvery  time.Duration
	SyncAlways bool

	MaxDisk        int64 // bytes for messages that wait for ingest, 8 GiB if 0; when full, gateways get no acknowledgement and keep theirs
	MaxMemory      int64 // bytes of JetStream's in-memory storage, which nothing uses by default; 64 MiB if 0
	MaxPayload     int   // bytes of one message, 512 KiB if 0: more than a pack may have, so that ingest can refuse it with a reason
	MaxConnections int   // of gateways, 10,000 if 0

	// InFlight is how many messages ingest may have in hand without acknowledging them, 512 if 0.
	// Ingest must be able to hold that many, since the broker sends them without being asked.
	InFlight int

	// GatewayRate is what one gateway may send in bytes a second, each message counted as 512 at
	// least; 4 MiB/s if 0. A gateway that sends more is read more slowly. When ingest falls behind
	// all get less (see the package comment).
	GatewayRate float64

	Log        *slog.Logger          // nothing is logged if nil
	Registerer prometheus.Registerer // where the metrics go, nowhere if nil
}

// withDefaults returns o with its empty fields filled in.
func (o Options) withDefaults() Options {
	o.Root = cmp.Or(o.Root, "dewline")
	o.SyncEvery = cmp.Or(o.SyncEvery, 2*time.Minute)
	o.MaxDisk = cmp.Or(o.MaxDisk, 8<<30)
	o.MaxMemory = cmp.Or(o.MaxMemory, 64<<20)
	o.MaxPayload = cmp.Or(o.MaxPayload, 512<<10)
	o.MaxConnections = cmp.Or(o.MaxConnections, 10_000)
	o.InFlight = cmp.Or(o.InFlight, 512)
	o.GatewayRate = cmp.Or(o.GatewayRate, 4<<20)
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return o
}

// Validate says what is wrong with the options, in words for who wrote the settings.
func (o Options) Validate() error {
	o = o.withDefaults()
	switch {
	case o.Dir == "":
		return errors.New("the embedded broker needs a folder for its messages")
	case !dewline.ValidID(o.Root):
		return fmt.Errorf("the first topic level %q must be made of a-z, 0-9 and -", o.Root)
	case !o.Open && o.Credentials == nil:
		return errors.New("the embedded broker needs the gateways' credentials, or must be opened to any client on loopback")
	case o.InFlight < 1 || o.InFlight > 65535:
		return fmt.Errorf("%d messages in flight: MQTT numbers at most 65535 and at least 1 is needed", o.InFlight)
	case o.MaxPayload < 256<<10:
		return fmt.Errorf("a greatest message of %d bytes is below the 256 KiB that a pack may have", o.MaxPayload)
	case o.GatewayRate < floorRate:
		return fmt.Errorf("a gateway's rate of %.0f bytes a second is below the %d that live readings need", o.GatewayRate, floorRate)
	}
	return o.validateAddr()
}

func (o Options) validateAddr() error {
	host, _, err := net.SplitHostPort(o.Addr)
	if err != nil {
		return fmt.Errorf("the MQTT address must be host:port: %w", err)
	}
	if loopback(host) {
		return nil
	}
	if o.Open {
		return fmt.Errorf("an MQTT broker that is open to any client listens on loopback only, not on %s: create credentials for the gateways, or use 127.0.0.1", o.Addr)
	}
	if o.TLS == nil && !o.Plaintext {
		return fmt.Errorf("MQTT on %s without TLS would send passwords and readings in the clear: give a certificate and key, or ask for plaintext in words", o.Addr)
	}
	return nil
}

// loopback says whether host can be reached from this machine alone. A name is not resolved: what
// it resolves to may change.
func loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.IsLoopback()
}

// Server is a running broker.
type Server struct {
	opts     Options
	nats     *server.Server
	front    *front
	queue    *queue
	metrics  *metrics
	password string // of serviceUser, made anew at each start
	fatal    chan string
	stop     context.CancelFunc
	work     sync.WaitGroup
	health   atomic.Pointer[string]
	closing  sync.Once

	mu      sync.Mutex
	service uint64 // the NATS server's number of ingest's connection, 0 before the first
}

// startWithin is how long JetStream may take to read a large queue from disk.
const startWithin = 2 * time.Minute

// Start starts a broker and returns when it takes connections. Gateways are let in after Admit.
func Start(opts Options) (*Server, error) {
	if err := opts.Validate(); err != nil {
		return nil, err
	}
	s := &Server{opts: opts.withDefaults(), password: rand.Text(), fatal: make(chan string, 1)}
	s.metrics = newMetrics(s.opts.Registerer)
	var err error
	if s.front, err = newFront(s.opts, s.metrics); err != nil {
		return nil, fmt.Errorf("MQTT: %w", err)
	}
	if err = s.startNATS(); err == nil {
		err = s.startQueue()
	}
	if err != nil {
		s.Shutdown()
		return nil, fmt.Errorf("embedded broker: %w", err)
	}
	s.startWork()
	return s, nil
}

// startNATS starts the server that the front stands before.
func (s *Server) startNATS() error {
	o := &server.Options{
		ServerName: "dewline", // sessions are stored under it
		DontListen: true,      // NATS clients connect inside the process only
		NoSigs:     true,
		StoreDir:   filepath.Clean(s.opts.Dir),
		JetStream:  true,

		JetStreamMaxStore:  s.opts.MaxDisk + s.opts.MaxDisk/8, // sessions must fit beside a full queue
		JetStreamMaxMemory: s.opts.MaxMemory,
		SyncInterval:       s.opts.SyncEvery,
		SyncAlways:         s.opts.SyncAlways,
		MaxPayload:         int32(s.opts.MaxPayload + messageCost),
		// A full window of the greatest messages may stand in ingest's connection.
		MaxPending: max(64<<20, int64(s.opts.InFlight)*int64(s.opts.MaxPayload)),
		MQTT: server.MQTTOpts{
			Host:          "127.0.0.1",
			Port:          -1,
			MaxAckPending: uint16(s.opts.InFlight),
			AckWait:       ackWait,
		},
		CustomClientAuthentication: s,
	}
	var err error
	if s.nats, err = server.NewServer(o); err != nil {
		return err
	}
	s.nats.SetLoggerV2(natsLog{s.opts.Log, s.fatal}, false, false, false)
	s.work.Go(s.nats.Start)
	deadline := time.Now().Add(startWithin)
	for !s.nats.ReadyForConnections(100 * time.Millisecond) {
		select {
		case why := <-s.fatal:
			return errors.New(why)
		default:
		}
		if time.Now().After(deadline) {
			return fmt.Errorf("not ready after %v", startWithin)
		}
	}
	s.front.backend = fmt.Sprintf("127.0.0.1:%d", o.MQTT.Port)
	return nil
}

func (s *Server) startQueue() error {
	var err error
	if s.queue, err = openQueue(s.nats, s.password, s.opts); err != nil {
		return err
	}
	waited, err := s.queue.awaited()
	if waited {
		s.Admit()
	}
	return err
}

func (s *Server) startWork() {
	ctx, stop := context.WithCancel(context.Background())
	s.stop = stop
	s.work.Go(s.front.run)
	s.work.Go(func() { every(ctx, time.Second, s.front.recheck) })
	s.work.Go(func() { s.govern(ctx) })
}

// every calls do at each interval until ctx ends.
func every(ctx context.Context, interval time.Duration, do func()) {
	tick := time.NewTicker(interval)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			do()
		}
	}
}

// governEvery is how often the gateways' rate is set.
const governEvery = 250 * time.Millisecond

// govern keeps the gateways' rate, the metrics and the health up to date.
func (s *Server) govern(ctx context.Context) {
	g := governor{most: s.opts.GatewayRate, share: s.opts.GatewayRate}
	last := time.Now()
	var sent []int64
	every(ctx, governEvery, func() {
		state, err := s.queue.state()
		if err != nil {
			s.unwell(fmt.Sprintf("the broker's queue cannot be read: %v", err))
			return
		}
		sent = s.front.sentSince(sent[:0])
		now := time.Now()
		rate := g.step(state.bytes, sent, now.Sub(last))
		last = now
		s.front.setRate(rate)
		s.metrics.rate.Set(rate)
		s.metrics.queueMessages.Set(float64(state.messages))
		s.metrics.queueBytes.Set(float64(state.bytes))
		s.unwell(fullness(state.bytes, s.opts.MaxDisk))
	})
}

// fullness says in words that the queue nears its limit.
func fullness(used, limit int64) string {
	if used < limit/10*9 {
		return ""
	}
	return fmt.Sprintf("the broker holds %d MiB of readings that ingest has not taken, of %d MiB: when full, gateways get no acknowledgement", used>>20, limit>>20)
}

func (s *Server) unwell(why string) { s.health.Store(&why) }

// Ready returns nil while the broker works, else what is wrong.
func (s *Server) Ready() error {
	if !s.nats.Running() {
		return errors.New("the broker is not running")
	}
	if why := s.health.Load(); why != nil && *why != "" {
		return errors.New(*why)
	}
	return nil
}

// Waiting returns how many messages ingest has not acknowledged yet.
func (s *Server) Waiting() (int64, error) {
	state, err := s.queue.state()
	return state.messages, err
}

// Addr returns the address that gateways connect to.
func (s *Server) Addr() net.Addr { return s.front.ln.Addr() }

// Service returns what ingest needs to connect: an address inside the machine, which takes nobody
// else, and a password that changes with each start.
func (s *Server) Service() (url, user, password string) {
	return "mqtt://" + s.front.backend, serviceUser, s.password
}

// Admit lets gateways in. It is for ingest to call once it has subscribed: what is published
// without a subscription is kept by nobody.
func (s *Server) Admit() { s.front.open() }

// Recheck asks Credentials about every connected gateway now, rather than within a second, and
// ends the connections that no longer hold.
func (s *Server) Recheck() { s.front.recheck() }

// Shutdown ends all connections, writes what is pending and stops.
func (s *Server) Shutdown() {
	s.closing.Do(func() {
		if s.stop != nil {
			s.stop()
		}
		s.front.close()
		if s.queue != nil {
			s.queue.close()
		}
		if s.nats != nil {
			s.nats.Shutdown()
			s.nats.WaitForShutdown()
		}
		s.work.Wait()
	})
}

// Check is called by the NATS server for every connection. It takes the front's, with the rights
// that the front found for the client, and the service's own.
func (s *Server) Check(c server.ClientAuthentication) bool {
	if gateway := s.front.at(c.RemoteAddress()); gateway != nil {
		c.RegisterUser(&server.User{Username: gateway.user, Permissions: gateway.rights.permissions()})
		return true
	}
	login := c.GetOpts()
	if login.Username != serviceUser || subtle.ConstantTimeCompare([]byte(login.Password), []byte(s.password)) != 1 {
		return false
	}
	if _, tcp := c.RemoteAddress().(*net.TCPAddr); tcp {
		s.welcomeIngest(c.GetID())
	}
	c.RegisterUser(&server.User{Username: serviceUser})
	return true
}

// welcomeIngest makes ready for ingest's connection: an earlier one ends, and what that one had
// in hand is sent again first.
func (s *Server) welcomeIngest(id uint64) {
	s.mu.Lock()
	earlier := s.service
	s.service = id
	s.mu.Unlock()
	if earlier != 0 {
		s.nats.DisconnectClientByID(earlier) //nolint:errcheck // mostly it is gone already
	}
	if err := s.queue.rewind(); err != nil {
		s.opts.Log.Warn("readings in hand when ingest was interrupted may arrive up to a minute late", "err", err)
	}
}
