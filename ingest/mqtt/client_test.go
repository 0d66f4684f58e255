package mqtt

import (
	"fmt"
	"net"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"dewline/ingest/broker"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
)

// script is a broker that a test writes out packet by packet.
type script struct {
	t  *testing.T
	ln net.Listener
	net.Conn
}

func newScript(t *testing.T) *script {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { ln.Close() })
	return &script{t: t, ln: ln}
}

func (s *script) url() string { return "mqtt://" + s.ln.Addr().String() }

// accept takes the next connection and answers its CONNECT.
func (s *script) accept(code byte) {
	s.t.Helper()
	s.ln.(*net.TCPListener).SetDeadline(time.Now().Add(10 * time.Second))
	conn, err := s.ln.Accept()
	if err != nil {
		s.t.Fatal(err)
	}
	s.Conn = conn
	s.t.Cleanup(func() { conn.Close() })
	c := expect[*packets.ConnectPacket](s)
	if c.CleanSession || c.ProtocolVersion != 4 {
		s.t.Errorf("CONNECT %+v: want a persistent session of MQTT 3.1.1", c)
	}
	ack := packets.NewControlPacket(packets.Connack).(*packets.ConnackPacket)
	ack.ReturnCode = code
	s.send(ack)
}

// grant answers the next SUBSCRIBE.
func (s *script) grant(code byte) string {
	s.t.Helper()
	sub := expect[*packets.SubscribePacket](s)
	ack := packets.NewControlPacket(packets.Suback).(*packets.SubackPacket)
	ack.MessageID, ack.ReturnCodes = sub.MessageID, []byte{code}
	s.send(ack)
	return sub.Topics[0]
}

func (s *script) publish(id uint16, dup bool, payload string) {
	s.t.Helper()
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.Qos, p.MessageID, p.Dup, p.TopicName, p.Payload = 1, id, dup, "dewline/quay/hall-ac/readings", []byte(payload)
	s.send(p)
}

func (s *script) send(p packets.ControlPacket) {
	s.t.Helper()
	if err := p.Write(s); err != nil {
		s.t.Fatal(err)
	}
}

func expect[P packets.ControlPacket](s *script) P {
	s.t.Helper()
	s.SetReadDeadline(time.Now().Add(10 * time.Second))
	p, err := packets.ReadPacket(s)
	if err != nil {
		s.t.Fatal(err)
	}
	got, ok := p.(P)
	if !ok {
		s.t.Fatalf("instead of %T came %v", got, p)
	}
	return got
}

func open(t *testing.T, o Options, deliver func(Message)) *Client {
	t.Helper()
	if o.ClientID == "" {
		o.ClientID = "dewline-ingest"
	}
	c, err := Connect(o, deliver)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Close)
	return c
}

func waitFor(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(15 * time.Second); !ok(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("not within 15 s: %s", what)
		}
	}
}

func TestARefusedSubscriptionIsToldAndTriedAgain(t *testing.T) {
	s := newScript(t)
	subscribed := make(chan bool, 1)
	c := open(t, Options{URL: s.url(), OnSubscribed: func() { subscribed <- true }}, func(Message) {})
	s.accept(packets.Accepted)
	if filter := s.grant(0x80); filter != "dewline/+/+/+" {
		t.Errorf("subscribed to %s", filter)
	}
	waitFor(t, "health tells of the refusal", func() bool {
		err := c.Health()
		return err != nil && strings.Contains(err.Error(), "refuses the subscription")
	})
	s.grant(0)
	waitFor(t, "health tells of QoS 0", func() bool {
		err := c.Health()
		return err != nil && strings.Contains(err.Error(), "QoS 0 only")
	})
	s.grant(1)
	<-subscribed
	waitFor(t, "health is good", func() bool { return c.Health() == nil })
}

func TestAWrongPasswordIsTold(t *testing.T) {
	s := newScript(t)
	c := open(t, Options{URL: s.url(), User: "ingest", Password: "wrong-one"}, func(Message) {})
	s.accept(packets.ErrRefusedBadUsernameOrPassword)
	waitFor(t, "health tells", func() bool {
		return c.Health() != nil && strings.Contains(c.Health().Error(), "bad user name or password")
	})
	if strings.Contains(c.Health().Error(), "wrong-one") {
		t.Error("health tells the password")
	}
	s.accept(packets.Accepted) // it tries again
	s.grant(1)
	waitFor(t, "health is good", func() bool { return c.Health() == nil })
}

func TestShareGroupIsPartOfTheFilter(t *testing.T) {
	s := newScript(t)
	c := open(t, Options{URL: s.url(), Root: "trial", Group: "workers"}, func(Message) {})
	s.accept(packets.Accepted)
	if filter := s.grant(1); filter != "$share/workers/trial/+/+/+" {
		t.Errorf("subscribed to %s", filter)
	}
	waitFor(t, "health is good", func() bool { return c.Health() == nil })
}

// Nothing is acknowledged by itself, a repeat of what is in hand is dropped, acknowledgements
// leave in order, and after them the identifier is free for another message.
func TestAcknowledgementsAreTheCallers(t *testing.T) {
	s := newScript(t)
	got := make(chan Message, 100)
	open(t, Options{URL: s.url()}, func(m Message) { got <- m })
	s.accept(packets.Accepted)
	s.grant(1)
	for id := uint16(1); id <= 3; id++ {
		s.publish(id, false, fmt.Sprint(id))
	}
	for id := uint16(1); id <= 3; id++ {
		s.publish(id, true, fmt.Sprint(id))
	}
	s.publish(4, true, "4")
	var hand []Message
	for i := 1; i <= 4; i++ {
		m := <-got
		if string(m.Payload) != fmt.Sprint(i) || m.Repeated != (i == 4) || m.Received.IsZero() {
			t.Fatalf("message %d came as %s, repeated %v", i, m.Payload, m.Repeated)
		}
		hand = append(hand, m)
	}
	s.SetReadDeadline(time.Now().Add(100 * time.Millisecond))
	if p, err := packets.ReadPacket(s); err == nil {
		t.Fatalf("%v came before the caller acknowledged", p)
	}
	for i, m := range hand {
		m.Ack()
		if ack := expect[*packets.PubackPacket](s); int(ack.MessageID) != i+1 {
			t.Fatalf("acknowledgement %d names %d", i+1, ack.MessageID)
		}
	}
	s.publish(1, false, "another")
	if m := <-got; string(m.Payload) != "another" {
		t.Fatalf("%s came", m.Payload)
	}
}

// An acknowledgement that comes after the connection has changed must not reach the new one, where
// the identifier may name another message.
func TestALateAcknowledgementDoesNotReachANewConnection(t *testing.T) {
	s := newScript(t)
	got := make(chan Message, 100)
	c := open(t, Options{URL: s.url()}, func(m Message) { got <- m })
	s.accept(packets.Accepted)
	s.grant(1)
	s.publish(7, false, "first")
	late := <-got
	waitFor(t, "health is good", func() bool { return c.Health() == nil })
	s.Close()
	waitFor(t, "health tells of the loss", func() bool { return c.Health() != nil })
	s.accept(packets.Accepted)
	s.grant(1)
	s.publish(7, false, "another under the same number")
	next := <-got
	late.Ack()
	s.SetReadDeadline(time.Now().Add(200 * time.Millisecond))
	if p, err := packets.ReadPacket(s); err == nil {
		t.Fatalf("%v was sent for a message of the old connection", p)
	}
	next.Ack()
	if ack := expect[*packets.PubackPacket](s); ack.MessageID != 7 {
		t.Errorf("acknowledged %d", ack.MessageID)
	}
}

func TestValidate(t *testing.T) {
	for _, o := range []Options{
		{URL: "mqtt://host"},                          // no client id
		{URL: "host:1883", ClientID: "x"},             // no scheme
		{URL: "mqtt://", ClientID: "x"},               // no host
		{URL: "mqtt://h", ClientID: "x", Root: "a/b"}, // no single level
		{URL: "mqtt://h", ClientID: "x", Group: "a b"},
	} {
		if err := o.Validate(); err == nil {
			t.Errorf("%+v is taken", o)
		}
	}
}

type anybody struct{}

func (anybody) Verify(user, _ string) (site, gateway string, ok bool) {
	site, gateway, ok = strings.Cut(user, "/")
	return site, gateway, ok
}

// With the embedded broker: it is restarted under a client that stays, which subscribes again; what
// was not acknowledged comes again and first, and nothing is lost.
func TestABrokerThatIsRestarted(t *testing.T) {
	dir := t.TempDir()
	start := func() *broker.Server {
		s, err := broker.Start(broker.Options{Dir: dir, Addr: "127.0.0.1:0", Credentials: anybody{}})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(s.Shutdown)
		return s
	}
	var mu sync.Mutex
	var all []string
	hold := true
	deliver := func(m Message) {
		mu.Lock()
		defer mu.Unlock()
		all = append(all, string(m.Payload))
		if !hold {
			m.Ack()
		}
	}
	count := func() int { mu.Lock(); defer mu.Unlock(); return len(all) }

	s := start()
	url, user, password := s.Service()
	c, err := Connect(Options{URL: url, ClientID: broker.ServiceClientID, User: user, Password: password, OnSubscribed: s.Admit}, deliver)
	if err != nil {
		t.Fatal(err)
	}
	publish(t, s.Addr().String(), 0, 20)
	waitFor(t, "20 messages arrive", func() bool { return count() == 20 })
	s.Shutdown()
	waitFor(t, "health tells of the loss", func() bool { return c.Health() != nil })
	c.Close()

	mu.Lock()
	all, hold = nil, false
	mu.Unlock()
	s = start()
	publish(t, s.Addr().String(), 20, 40) // before ingest is back: the broker holds them
	url, user, password = s.Service()
	open(t, Options{URL: url, ClientID: broker.ServiceClientID, User: user, Password: password}, deliver)
	waitFor(t, "40 messages arrive", func() bool { return count() >= 40 })
	for i, text := range all {
		if text != fmt.Sprint(i) {
			t.Fatalf("message %s came in place %d", text, i)
		}
	}
}

func publish(t *testing.T, addr string, from, to int) {
	t.Helper()
	gw := paho.NewClient(paho.NewClientOptions().AddBroker("mqtt://" + addr).SetProtocolVersion(4).
		SetClientID("quay/gw").SetUsername("quay/gw").SetPassword("x"))
	if token := gw.Connect(); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		t.Fatal("the gateway cannot connect", token.Error())
	}
	defer gw.Disconnect(100)
	for i := from; i < to; i++ {
		token := gw.Publish("dewline/quay/hall-ac/readings", 1, false, fmt.Sprint(i))
		if !token.WaitTimeout(10*time.Second) || token.Error() != nil {
			t.Fatal("no acknowledgement", token.Error())
		}
	}
}

// A write that is on its way lets those behind it gather; order and content stay.
func TestBufferedConnKeepsOrder(t *testing.T) {
	near, far := net.Pipe()
	c := newBufferedConn(near)
	const n = 2000
	go func() {
		for i := range n {
			fmt.Fprintf(c, "%d\n", i)
		}
		c.Close()
	}()
	for i := range n {
		var got int
		if _, err := fmt.Fscanf(far, "%d\n", &got); err != nil || got != i {
			t.Fatalf("in place %d came %d, %v", i, got, err)
		}
	}
	if _, err := c.Write([]byte("x")); err == nil {
		t.Error("a closed connection takes more")
	}
}

func TestMain(m *testing.M) {
	paho.ERROR, paho.CRITICAL = paho.NOOPLogger{}, paho.NOOPLogger{}
	os.Exit(m.Run())
}
