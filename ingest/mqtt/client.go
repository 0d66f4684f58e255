package mqtt

import (
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"sync"
	"sync/atomic"
	"time"

	"dewline"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/prometheus/client_golang/prometheus"
)

// Message is one message from the broker. Payload belongs to the receiver.
type Message struct {
	Topic    string
	Payload  []byte
	Received time.Time // when it was read from the connection
	// Repeated says that the broker may have delivered the message before (the DUP flag).
	Repeated bool
	// Ack tells the broker to forget the message. It must be called in the order of the messages,
	// once, and may be called from any goroutine; after the connection has changed it does
	// nothing, since the broker sends the message again.
	Ack func()
}

// Options say which broker to use and how. URL and ClientID are required.
type Options struct {
	URL      string // mqtt://host:port, or mqtts:// for TLS
	ClientID string // the session's name; it must stay the same, and be nobody else's
	User     string
	Password string
	TLS      *tls.Config // for mqtts; the system's trusted roots if nil

	Root  string // first level of all topics, "dewline" if empty
	Group string // subscribe as a member of this `$share` group; not with the embedded broker

	// OnSubscribed is called each time the broker has granted the subscription.
	OnSubscribed func()

	Log        *slog.Logger          // nothing is logged if nil
	Registerer prometheus.Registerer // where the metrics go, nowhere if nil
}

// Validate says what is wrong with the options.
func (o Options) Validate() error {
	u, err := url.Parse(o.URL)
	switch {
	case err != nil:
		return errors.New("the broker's address is no URL: write mqtt://host:1883 or mqtts://host:8883")
	case u.Host == "":
		return errors.New("the broker's address names no host: write mqtt://host:1883 or mqtts://host:8883")
	case o.ClientID == "":
		return errors.New("a persistent session needs a client id")
	case !dewline.ValidID(cmp.Or(o.Root, "dewline")):
		return fmt.Errorf("the first topic level %q must be made of a-z, 0-9 and -", o.Root)
	case o.Group != "" && !dewline.ValidID(o.Group):
		return fmt.Errorf("the share group %q must be made of a-z, 0-9 and -", o.Group)
	}
	return nil
}

// filter is what is subscribed to: the readings of all systems and the status of all gateways in
// one subscription, so that one order and one limit of messages in hand hold for both.
func (o Options) filter() string {
	filter := cmp.Or(o.Root, "dewline") + "/+/+/+"
	if o.Group != "" {
		return "$share/" + o.Group + "/" + filter
	}
	return filter
}

const (
	keepAlive     = 20 * time.Second
	answerWithin  = 10 * time.Second // to a CONNECT or SUBSCRIBE, or to a ping
	retryAtMost   = 30 * time.Second
	retryAtFirst  = time.Second
	closeWithin   = 2 * time.Second
	qos           = 1
	refusedByAck  = 0x80 // MQTT 3.1.1, section 3.9.3
	mqttVersion   = 4    // without it a refused login reads "EOF"
	notConnected  = "not yet connected to the MQTT broker"
	connectionOut = "the connection to the MQTT broker is lost"
)

func closeBy() time.Time { return time.Now().Add(closeWithin) }

// Client is a connection that is opened again whenever it ends.
type Client struct {
	opts    Options
	log     *slog.Logger
	deliver func(Message)
	paho    paho.Client
	link    atomic.Pointer[link]
	health  atomic.Pointer[string] // empty when well
	ctx     context.Context
	stop    context.CancelFunc

	up         prometheus.Gauge
	reconnects prometheus.Counter
	repeats    prometheus.Counter
}

// link is what belongs to one connection: the packet identifiers of messages in hand. A broker
// does not use an identifier again before its acknowledgement, so a message that comes under one
// of them is the same again.
type link struct {
	mu     sync.Mutex
	inHand map[uint16]struct{}
}

// take says whether the message is not in hand yet, and notes it.
func (l *link) take(id uint16) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if _, has := l.inHand[id]; has {
		return false
	}
	l.inHand[id] = struct{}{}
	return true
}

func (l *link) give(id uint16) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.inHand, id)
}

// Connect begins to connect and to hand messages to deliver, one at a time. It does not wait for
// the broker; Health tells how it stands. While deliver does not return nothing more is read: a
// broker then holds the rest, and may end the connection if that lasts longer than half a minute.
func Connect(opts Options, deliver func(Message)) (*Client, error) {
	if err := opts.Validate(); err != nil {
		return nil, err
	}
	c := &Client{opts: opts, log: opts.Log, deliver: deliver}
	if c.log == nil {
		c.log = slog.New(slog.DiscardHandler)
	}
	c.unwell(notConnected)
	c.register(opts.Registerer)
	c.ctx, c.stop = context.WithCancel(context.Background())
	c.paho = paho.NewClient(c.settings())
	c.paho.Connect() // it retries for ever; Health tells
	return c, nil
}

func (c *Client) register(reg prometheus.Registerer) {
	c.up = prometheus.NewGauge(prometheus.GaugeOpts{Namespace: "dewline", Subsystem: "mqtt", Name: "subscribed",
		Help: "1 while ingest is subscribed at the broker."})
	c.reconnects = prometheus.NewCounter(prometheus.CounterOpts{Namespace: "dewline", Subsystem: "mqtt", Name: "connections_lost_total",
		Help: "Connections to the broker that ended and were opened again."})
	c.repeats = prometheus.NewCounter(prometheus.CounterOpts{Namespace: "dewline", Subsystem: "mqtt", Name: "repeats_dropped_total",
		Help: "Messages that the broker sent again while they were in hand."})
	if reg != nil {
		reg.MustRegister(c.up, c.reconnects, c.repeats)
	}
}

func (c *Client) settings() *paho.ClientOptions {
	return paho.NewClientOptions().AddBroker(c.opts.URL).
		SetProtocolVersion(mqttVersion).
		SetClientID(c.opts.ClientID).SetUsername(c.opts.User).SetPassword(c.opts.Password).
		SetCleanSession(false).
		SetOrderMatters(true). // acknowledgements must leave in the order of the messages
		SetAutoAckDisabled(true).
		SetStore(noStore{}).
		SetKeepAlive(keepAlive).SetPingTimeout(answerWithin).
		SetConnectTimeout(answerWithin).SetWriteTimeout(answerWithin).
		SetConnectRetry(true).SetConnectRetryInterval(retryAtFirst).
		SetAutoReconnect(true).SetMaxReconnectInterval(retryAtMost).
		SetDefaultPublishHandler(c.receive). // a session's messages may come before the SUBACK
		SetCustomOpenConnectionFn(c.open).
		SetOnConnectHandler(func(paho.Client) { c.subscribe() }).
		SetConnectionLostHandler(c.lost).
		SetConnectionNotificationHandler(c.notified)
}

// open is called for each attempt to connect. What was in hand before is sent again.
func (c *Client) open(broker *url.URL, _ paho.ClientOptions) (net.Conn, error) {
	if c.ctx.Err() != nil {
		return nil, c.ctx.Err()
	}
	c.link.Store(&link{inHand: map[uint16]struct{}{}})
	ctx, cancel := context.WithTimeout(c.ctx, answerWithin)
	defer cancel()
	conn, err := dial(ctx, broker, c.opts.TLS)
	if err != nil {
		return nil, err
	}
	return newBufferedConn(conn), nil
}

// receive is called by paho for each message, one at a time.
func (c *Client) receive(_ paho.Client, m paho.Message) {
	l, id := c.link.Load(), m.MessageID()
	if m.Qos() > 0 && !l.take(id) {
		c.repeats.Inc()
		return
	}
	c.deliver(Message{
		Topic:    m.Topic(),
		Payload:  m.Payload(),
		Received: time.Now(),
		Repeated: m.Duplicate(),
		Ack: func() {
			l.give(id) // first: the broker may use the identifier once it has the acknowledgement
			m.Ack()
		},
	})
}

// subscribe asks for the messages, after each connect and again while the broker refuses. It asks
// even when the broker remembers the session: what it remembers may be another filter.
func (c *Client) subscribe() {
	for wait := retryAtFirst; ; wait = min(2*wait, retryAtMost) {
		err := c.trySubscribe()
		if err == nil {
			c.unwell("")
			c.up.Set(1)
			c.log.Info("subscribed at the MQTT broker", "filter", c.opts.filter())
			if c.opts.OnSubscribed != nil {
				c.opts.OnSubscribed()
			}
			return
		}
		if !c.paho.IsConnectionOpen() {
			return // the next connect subscribes
		}
		c.unwell(err.Error())
		c.log.Warn("the MQTT subscription failed", "filter", c.opts.filter(), "err", err, "retry_in", wait)
		select {
		case <-c.ctx.Done():
			return
		case <-time.After(wait):
		}
	}
}

func (c *Client) trySubscribe() error {
	token := c.paho.Subscribe(c.opts.filter(), qos, nil).(*paho.SubscribeToken)
	if !token.WaitTimeout(answerWithin) {
		return errors.New("the MQTT broker does not answer the subscription")
	}
	if err := token.Error(); err != nil {
		return err
	}
	return granted(token.Result())
}

// granted looks at what the broker answered: a refusal is no error of the token.
func granted(result map[string]byte) error {
	for filter, code := range result {
		switch code {
		case qos:
		case refusedByAck:
			return fmt.Errorf("the MQTT broker refuses the subscription to %s: give the user the right to read it", filter)
		default:
			return fmt.Errorf("the MQTT broker grants %s at QoS %d only, which may lose readings: allow QoS 1", filter, code)
		}
	}
	return nil
}

func (c *Client) lost(_ paho.Client, err error) {
	c.up.Set(0)
	c.reconnects.Inc()
	c.unwell(fmt.Sprintf("%s: %v", connectionOut, err))
	c.log.Warn(connectionOut, "err", err)
}

// notified keeps why an attempt to connect failed.
func (c *Client) notified(_ paho.Client, n paho.ConnectionNotification) {
	failed, ok := n.(paho.ConnectionNotificationFailed)
	if !ok {
		return
	}
	why := fmt.Sprintf("cannot connect to the MQTT broker: %v", failed.Reason)
	if old := c.health.Swap(&why); old == nil || *old != why {
		c.log.Warn("cannot connect to the MQTT broker", "err", failed.Reason)
	}
}

func (c *Client) unwell(why string) { c.health.Store(&why) }

// Health returns nil while the broker delivers, else what is wrong.
func (c *Client) Health() error {
	if why := *c.health.Load(); why != "" {
		return errors.New(why)
	}
	return nil
}

// Close ends the connection; the session stays with the broker. deliver must not be blocking any
// more. Acknowledgements given before are sent.
func (c *Client) Close() {
	c.stop()
	c.paho.Disconnect(uint(closeWithin.Milliseconds()))
	c.up.Set(0)
	c.unwell(connectionOut)
}

// noStore keeps nothing. paho would keep messages in hand itself, beside the broker, which has
// them safely; nothing is published that would have to be sent again.
type noStore struct{}

func (noStore) Open()                             {}
func (noStore) Put(string, packets.ControlPacket) {}
func (noStore) Get(string) packets.ControlPacket  { return nil }
func (noStore) All() []string                     { return nil }
func (noStore) Del(string)                        {}
func (noStore) Close()                            {}
func (noStore) Reset()                            {}
