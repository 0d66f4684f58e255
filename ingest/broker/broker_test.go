package broker_test

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"math/big"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"dewline/ingest/broker"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
)

// logins are credentials in memory that a test can change.
type logins struct {
	mu        sync.Mutex
	passwords map[string]string
}

func newLogins(users ...string) *logins {
	l := &logins{passwords: map[string]string{}}
	for _, u := range users {
		l.set(u, "secret of "+u)
	}
	return l
}

func (l *logins) set(user, password string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.passwords[user] = password
}

func (l *logins) Verify(user, password string) (site, gateway string, ok bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if p := l.passwords[user]; p == "" || p != password {
		return "", "", false
	}
	site, gateway, _ = strings.Cut(user, "/")
	return site, gateway, true
}

func start(t *testing.T, o broker.Options) *broker.Server {
	t.Helper()
	if o.Dir == "" {
		o.Dir = t.TempDir()
	}
	if o.Addr == "" {
		o.Addr = "127.0.0.1:0"
	}
	if o.Credentials == nil && !o.Open {
		o.Credentials = newLogins("quay/gw", "pier/gw")
	}
	s, err := broker.Start(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Shutdown)
	return s
}

// gateway returns the options of a well-behaved gateway.
func gateway(s *broker.Server, user string) *paho.ClientOptions {
	return paho.NewClientOptions().AddBroker("mqtt://" + s.Addr().String()).
		SetProtocolVersion(4).SetAutoReconnect(false).SetCleanSession(false).
		SetClientID(user).SetUsername(user).SetPassword("secret of " + user)
}

func connect(t *testing.T, o *paho.ClientOptions) paho.Client {
	t.Helper()
	c := paho.NewClient(o)
	if err := wait(c.Connect()); err != nil {
		t.Fatalf("connect %s: %v", o.ClientID, err)
	}
	t.Cleanup(func() { c.Disconnect(50) })
	return c
}

func wait(token paho.Token) error {
	if !token.WaitTimeout(10 * time.Second) {
		return errors.New("no answer within 10 s")
	}
	return token.Error()
}

// ingest is the service's side: it collects messages and acknowledges them when told to.
type ingest struct {
	paho.Client
	got chan paho.Message
}

func subscribe(t *testing.T, s *broker.Server) *ingest {
	t.Helper()
	url, user, password := s.Service()
	in := &ingest{got: make(chan paho.Message, 10_000)}
	o := paho.NewClientOptions().AddBroker(url).SetProtocolVersion(4).SetCleanSession(false).SetAutoReconnect(false).
		SetClientID(broker.ServiceClientID).SetUsername(user).SetPassword(password).
		SetAutoAckDisabled(true).SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { in.got <- m })
	in.Client = connect(t, o)
	token := in.Subscribe("dewline/+/+/+", 1, nil).(*paho.SubscribeToken)
	if err := wait(token); err != nil || token.Result()["dewline/+/+/+"] != 1 {
		t.Fatalf("ingest may not subscribe: %v %v", err, token.Result())
	}
	s.Admit()
	return in
}

func (in *ingest) next(t *testing.T) paho.Message {
	t.Helper()
	select {
	case m := <-in.got:
		return m
	case <-time.After(10 * time.Second):
		t.Fatal("no message arrived")
		return nil
	}
}

func (in *ingest) nothing(t *testing.T) {
	t.Helper()
	select {
	case m := <-in.got:
		t.Fatalf("%s arrived: %s", m.Topic(), m.Payload())
	case <-time.After(200 * time.Millisecond):
	}
}

func TestAGatewayPublishesBelowItsOwnSite(t *testing.T) {
	s := start(t, broker.Options{})
	in := subscribe(t, s)
	gw := connect(t, gateway(s, "quay/gw"))
	for _, topic := range []string{"dewline/quay/hall-ac/readings", "dewline/quay/gw/status"} {
		if err := wait(gw.Publish(topic, 1, false, "x")); err != nil {
			t.Fatalf("%s: %v", topic, err)
		}
		m := in.next(t)
		if m.Topic() != topic {
			t.Fatalf("%s arrived as %s", topic, m.Topic())
		}
		m.Ack()
	}
}

// A forbidden message must not be acknowledged: the gateway would take it for delivered.
func TestForbiddenTopicsEndTheConnection(t *testing.T) {
	s := start(t, broker.Options{})
	in := subscribe(t, s)
	for _, topic := range []string{
		"dewline/pier/hall-ac/readings",       // another site
		"dewline/quay/other/status",           // another gateway's status
		"dewline/quay/hall-ac/commands",       // no such topic
		"dewline/quay/hall-ac/readings/more",  // below
		"dewline/quay/hall ac/readings",       // no id
		"dewline/quay/Hall/readings",          // no id
		"elsewhere/quay/hall-ac/readings",     // another root
		"$SYS/quay/hall-ac/readings",          // the broker's own
		"$MQTT/msgs/dewline/quay/gw/readings", // the broker's own
		"dewline/" + strings.Repeat("a", 300) + "/x/readings",
	} {
		gw := connect(t, gateway(s, "quay/gw"))
		token := gw.Publish(topic, 1, false, "x")
		waitFor(t, "the connection ends after "+topic, func() bool { return !gw.IsConnectionOpen() })
		if token.WaitTimeout(time.Millisecond) && token.Error() == nil {
			t.Errorf("%s was acknowledged", topic)
		}
		gw.Disconnect(0)
	}
	in.nothing(t)
}

func TestAGatewayMayNotSubscribe(t *testing.T) {
	s := start(t, broker.Options{})
	subscribe(t, s)
	gw := connect(t, gateway(s, "quay/gw"))
	for _, filter := range []string{"#", "dewline/quay/gw/status", "dewline/#", "$SYS/#", "$MQTT/#"} {
		token := gw.Subscribe(filter, 1, func(paho.Client, paho.Message) {}).(*paho.SubscribeToken)
		err := wait(token)
		if err == nil && token.Result()[filter] != 0x80 {
			t.Errorf("subscription to %s was granted: %v", filter, token.Result())
		}
	}
}

func TestLoginsAreRefused(t *testing.T) {
	s := start(t, broker.Options{})
	subscribe(t, s)
	_, serviceUser, servicePassword := s.Service()
	for name, change := range map[string]func(*paho.ClientOptions){
		"wrong password":               func(o *paho.ClientOptions) { o.SetPassword("guess") },
		"no password":                  func(o *paho.ClientOptions) { o.SetPassword("") },
		"no user":                      func(o *paho.ClientOptions) { o.SetUsername("").SetPassword("") },
		"unknown user":                 func(o *paho.ClientOptions) { o.SetUsername("quay/none") },
		"another gateway's client id":  func(o *paho.ClientOptions) { o.SetClientID("pier/gw") },
		"ingest's client id":           func(o *paho.ClientOptions) { o.SetClientID(broker.ServiceClientID) },
		"ingest's login from outside":  func(o *paho.ClientOptions) { o.SetUsername(serviceUser).SetPassword(servicePassword) },
		"a will for another's status":  func(o *paho.ClientOptions) { o.SetWill("dewline/pier/gw/status", "{}", 1, true) },
		"a will outside of all topics": func(o *paho.ClientOptions) { o.SetWill("$SYS/x", "{}", 1, true) },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			o := gateway(s, "quay/gw")
			change(o)
			c := paho.NewClient(o)
			err := wait(c.Connect())
			if err == nil {
				c.Disconnect(0)
				t.Fatal("it was let in")
			}
			if errors.Is(err, packets.ErrorNetworkError) {
				t.Errorf("it was not told why: %v", err)
			}
		})
	}
}

// The loopback port behind the front is open to every program on the machine.
func TestThePortBehindTheFrontTakesIngestOnly(t *testing.T) {
	s := start(t, broker.Options{})
	url, _, _ := s.Service()
	for _, user := range []string{"quay/gw", "dewline-ingest", ""} {
		o := gateway(s, "quay/gw")
		o.Servers = nil
		o.AddBroker(url).SetUsername(user)
		if err := wait(paho.NewClient(o).Connect()); err == nil {
			t.Errorf("%q was let in", user)
		}
	}
}

func TestAChangedCredentialEndsTheConnectionAtOnce(t *testing.T) {
	creds := newLogins("quay/gw", "pier/gw")
	s := start(t, broker.Options{Credentials: creds})
	in := subscribe(t, s)
	lost := make(chan error, 1)
	gw := connect(t, gateway(s, "quay/gw").SetWill("dewline/quay/gw/status", `{"online":false}`, 1, true).
		SetConnectionLostHandler(func(_ paho.Client, err error) { lost <- err }))
	other := connect(t, gateway(s, "pier/gw"))
	creds.set("quay/gw", "rotated")
	s.Recheck()
	select {
	case <-lost:
	case <-time.After(5 * time.Second):
		t.Fatal("the gateway is still connected")
	}
	if m := in.next(t); m.Topic() != "dewline/quay/gw/status" {
		t.Errorf("instead of the will came %s", m.Topic())
	}
	if !other.IsConnectionOpen() {
		t.Error("another gateway was dropped too")
	}
	if err := wait(gw.Connect()); err == nil {
		t.Error("the old password still works")
	}
	connect(t, gateway(s, "quay/gw").SetPassword("rotated"))
}

func TestGatewaysWaitForTheFirstSubscription(t *testing.T) {
	s := start(t, broker.Options{})
	gw := paho.NewClient(gateway(s, "quay/gw"))
	token := gw.Connect()
	if token.WaitTimeout(300 * time.Millisecond) {
		t.Fatalf("a gateway was let in though nobody would keep its readings: %v", token.Error())
	}
	subscribe(t, s)
	if err := wait(token); err != nil {
		t.Fatal(err)
	}
	gw.Disconnect(0)
}

// What ingest had in hand when it was interrupted comes again before anything newer, in order and
// flagged; what was acknowledged does not.
func TestAnInterruptionKeepsOrder(t *testing.T) {
	for _, restart := range []bool{false, true} {
		t.Run(fmt.Sprintf("broker restarted %v", restart), func(t *testing.T) {
			reg := prometheus.NewRegistry()
			o := broker.Options{Dir: t.TempDir(), Registerer: reg}
			s := start(t, o)
			in := subscribe(t, s)
			gw := connect(t, gateway(s, "quay/gw"))
			publish := func(from, to int) {
				for i := from; i < to; i++ {
					if err := wait(gw.Publish("dewline/quay/hall-ac/readings", 1, false, fmt.Sprint(i))); err != nil {
						t.Fatal(err)
					}
				}
			}
			publish(0, 30)
			holds(t, reg, 30)
			for i := range 30 {
				m := in.next(t)
				if i < 10 {
					m.Ack()
				}
			}
			holds(t, reg, 20) // an acknowledgement that the broker has not read yet would be lost
			in.Disconnect(100)
			publish(30, 60)
			if restart {
				s.Shutdown()
				o.Registerer = nil
				s = start(t, o)
			}
			in = subscribe(t, s)
			began := time.Now()
			inVain := true
			for i := 10; i < 60; i++ {
				m := in.next(t)
				if i >= 30 {
					// Sent to a subscriber that the broker had not yet seen go: the first ones only.
					inVain = inVain && m.Duplicate()
				}
				if string(m.Payload()) != fmt.Sprint(i) || m.Duplicate() != (i < 30 || inVain) {
					t.Fatalf("message %s (repeated: %v) came when %d was due", m.Payload(), m.Duplicate(), i)
				}
				m.Ack()
			}
			if took := time.Since(began); took > 5*time.Second {
				t.Errorf("they took %v", took)
			}
			in.nothing(t)
		})
	}
}

// Retained statuses of many gateways must not crowd out readings when ingest connects again.
func TestReconnectingWithManyStatusesIsQuick(t *testing.T) {
	reg := prometheus.NewRegistry()
	s := start(t, broker.Options{Open: true, InFlight: 20, Registerer: reg})
	in := subscribe(t, s)
	var inHand []paho.Message
	gw := connect(t, gateway(s, "quay/gw"))
	for i := range 50 {
		if err := wait(gw.Publish(fmt.Sprintf("dewline/quay/gw%d/status", i), 1, true, "{}")); err != nil {
			t.Fatal(err)
		}
		if m := in.next(t); i < 30 {
			m.Ack()
		} else {
			inHand = append(inHand, m)
		}
	}
	holds(t, reg, len(inHand))
	for _, m := range inHand {
		m.Ack()
	}
	holds(t, reg, 0) // an acknowledgement that the broker has not read yet would be lost
	in.Disconnect(100)
	in = subscribe(t, s)
	for i := range 50 {
		if err := wait(gw.Publish("dewline/quay/hall-ac/readings", 1, false, fmt.Sprint(i))); err != nil {
			t.Fatal(err)
		}
		m := in.next(t)
		if string(m.Payload()) != fmt.Sprint(i) {
			t.Fatalf("%s came when reading %d was due", m.Payload(), i)
		}
		m.Ack()
	}
}

func TestTooMuchFromOneGatewayIsReadSlowly(t *testing.T) {
	s := start(t, broker.Options{GatewayRate: 100_000})
	in := subscribe(t, s)
	hasty, other := connect(t, gateway(s, "quay/gw")), connect(t, gateway(s, "pier/gw"))
	began := time.Now()
	var tokens []paho.Token
	for range 20 {
		tokens = append(tokens, hasty.Publish("dewline/quay/hall-ac/readings", 1, false, make([]byte, 10_000)))
	}
	if err := wait(other.Publish("dewline/pier/hall-ac/readings", 1, false, "x")); err != nil || time.Since(began) > time.Second {
		t.Errorf("another gateway waited %v, %v", time.Since(began), err)
	}
	for _, token := range tokens {
		if err := wait(token); err != nil {
			t.Fatal(err)
		}
	}
	if took := time.Since(began); took < time.Second { // 200 kB less the burst of 64 KiB
		t.Errorf("200 kB at 100 kB a second took %v", took)
	}
	for range 21 {
		in.next(t).Ack()
	}
}

func TestConnectionsAreLimited(t *testing.T) {
	s := start(t, broker.Options{Open: true, MaxConnections: 2})
	subscribe(t, s)
	connect(t, gateway(s, "quay/a"))
	b := connect(t, gateway(s, "quay/b"))
	if err := wait(paho.NewClient(gateway(s, "quay/c")).Connect()); err == nil {
		t.Fatal("a third was let in")
	}
	b.Disconnect(50)
	waitFor(t, "there is room for another", func() bool {
		c := paho.NewClient(gateway(s, "quay/c"))
		return wait(c.Connect()) == nil
	})
}

func TestAFullDiskRefusesAndRecovers(t *testing.T) {
	s := start(t, broker.Options{MaxDisk: 3 << 20}) // less than what slows gateways down
	in := subscribe(t, s)
	in.Disconnect(100)
	pack := bytes.Repeat([]byte("x"), 250<<10)
	gw := connect(t, gateway(s, "quay/gw"))
	stored := 0
	for ; stored < 20; stored++ {
		token := gw.Publish("dewline/quay/hall-ac/readings", 1, false, pack)
		if !token.WaitTimeout(2*time.Second) || token.Error() != nil {
			break
		}
	}
	if stored < 10 || stored > 12 {
		t.Fatalf("%d packs of 250 KiB fitted into 3 MiB", stored)
	}
	waitFor(t, "the broker says that it is full", func() bool { return s.Ready() != nil })
	in = subscribe(t, s)
	for range stored {
		in.next(t).Ack()
	}
	gw.Disconnect(0)
	gw = connect(t, gateway(s, "quay/gw"))
	waitFor(t, "there is room again", func() bool { return s.Ready() == nil })
	if err := wait(gw.Publish("dewline/quay/hall-ac/readings", 1, false, pack)); err != nil {
		t.Fatal(err)
	}
	in.next(t).Ack()
}

// holds waits until the broker's metric says that it holds so many messages.
func holds(t *testing.T, reg *prometheus.Registry, messages int) {
	t.Helper()
	waitFor(t, fmt.Sprintf("the broker holds %d messages", messages), func() bool {
		return testutil.GatherAndCompare(reg, strings.NewReader(fmt.Sprintf(`
			# HELP dewline_broker_queue_messages Messages that the broker holds for ingest.
			# TYPE dewline_broker_queue_messages gauge
			dewline_broker_queue_messages %d
		`, messages)), "dewline_broker_queue_messages") == nil
	})
}

func waitFor(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(10 * time.Second); !ok(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("not within 10 s: %s", what)
		}
	}
}

func TestAPackOfTheGreatestSizePasses(t *testing.T) {
	s := start(t, broker.Options{})
	in := subscribe(t, s)
	gw := connect(t, gateway(s, "quay/gw"))
	pack := bytes.Repeat([]byte("x"), 256<<10)
	if err := wait(gw.Publish("dewline/quay/hall-ac/readings", 1, false, pack)); err != nil {
		t.Fatal(err)
	}
	m := in.next(t)
	if !bytes.Equal(m.Payload(), pack) {
		t.Error("it arrived changed")
	}
	m.Ack()
	token := gw.Publish("dewline/quay/hall-ac/readings", 1, false, make([]byte, 600<<10))
	waitFor(t, "the connection ends", func() bool { return !gw.IsConnectionOpen() })
	if token.WaitTimeout(time.Millisecond) && token.Error() == nil {
		t.Error("a message beyond the limit was acknowledged")
	}
}

func TestOpenTakesAnybodyButIngestsName(t *testing.T) {
	s := start(t, broker.Options{Open: true})
	in := subscribe(t, s)
	c := connect(t, gateway(s, "whoever").SetUsername("").SetPassword(""))
	if err := wait(c.Publish("dewline/pier/cold-room/readings", 1, false, "x")); err != nil {
		t.Fatal(err)
	}
	in.next(t).Ack()
	if err := wait(paho.NewClient(gateway(s, broker.ServiceClientID)).Connect()); err == nil {
		t.Error("a stranger took over ingest's session")
	}
}

func TestValidateSaysWhatIsWrong(t *testing.T) {
	creds := newLogins()
	for _, c := range []struct {
		o    broker.Options
		want string
	}{
		{broker.Options{Dir: "x", Addr: "0.0.0.0:1883", Credentials: creds}, "plaintext"},
		{broker.Options{Dir: "x", Addr: ":1883", Credentials: creds}, "plaintext"},
		{broker.Options{Dir: "x", Addr: "gateway.example:1883", Credentials: creds}, "plaintext"},
		{broker.Options{Dir: "x", Addr: ":1883", Open: true, Plaintext: true}, "loopback"},
		{broker.Options{Dir: "x", Addr: ":1883", Open: true, TLS: &tls.Config{}}, "loopback"},
		{broker.Options{Dir: "x", Addr: "127.0.0.1:1883"}, "credentials"},
		{broker.Options{Addr: "127.0.0.1:1883", Open: true}, "folder"},
		{broker.Options{Dir: "x", Addr: "127.0.0.1", Open: true}, "host:port"},
		{broker.Options{Dir: "x", Addr: "127.0.0.1:1", Open: true, Root: "a/b"}, "topic level"},
	} {
		if err := c.o.Validate(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v, want something about %q", c.o, err, c.want)
		}
	}
	for _, o := range []broker.Options{
		{Dir: "x", Addr: "0.0.0.0:1883", Credentials: creds, Plaintext: true},
		{Dir: "x", Addr: "0.0.0.0:8883", Credentials: creds, TLS: &tls.Config{}},
		{Dir: "x", Addr: "[::1]:1883", Open: true},
		{Dir: "x", Addr: "localhost:1883", Open: true},
	} {
		if err := o.Validate(); err != nil {
			t.Errorf("%+v: %v", o, err)
		}
	}
}

func TestTLS(t *testing.T) {
	server, client := certificate(t)
	s := start(t, broker.Options{TLS: server})
	in := subscribe(t, s)
	o := gateway(s, "quay/gw")
	o.Servers = nil
	gw := connect(t, o.AddBroker("mqtts://"+s.Addr().String()).SetTLSConfig(client))
	if err := wait(gw.Publish("dewline/quay/hall-ac/readings", 1, false, "x")); err != nil {
		t.Fatal(err)
	}
	in.next(t).Ack()
	if err := wait(paho.NewClient(gateway(s, "quay/gw")).Connect()); err == nil {
		t.Error("a client without TLS was let in")
	}
}

func certificate(t *testing.T) (server, client *tls.Config) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	roots := x509.NewCertPool()
	roots.AddCert(cert)
	return &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}},
		&tls.Config{RootCAs: roots}
}

func TestPasswordsAreNotLogged(t *testing.T) {
	var log lockedBuffer
	s := start(t, broker.Options{Log: slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug}))})
	in := subscribe(t, s)
	connect(t, gateway(s, "quay/gw"))
	if err := wait(paho.NewClient(gateway(s, "quay/gw").SetPassword("guessed-wrong")).Connect()); err == nil {
		t.Fatal("let in")
	}
	in.Disconnect(10)
	s.Shutdown()
	_, _, password := s.Service()
	text := log.String()
	for _, secret := range []string{"secret of", "guessed-wrong", password} {
		if strings.Contains(text, secret) {
			t.Errorf("the log contains %q", secret)
		}
	}
	if !strings.Contains(text, "bad_login") {
		t.Error("the log does not tell of the refused login")
	}
}

type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}
