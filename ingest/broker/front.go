package broker

import (
	"bufio"
	"context"
	"crypto/tls"
	"errors"
	"io"
	"log/slog"
	"math"
	"net"
	"sync"
	"sync/atomic"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

const (
	// connectWithin is how long a client may take to say who it is, TLS included.
	connectWithin = 10 * time.Second
	// refusalDelay slows down who tries passwords.
	refusalDelay = time.Second
	// bufferSize holds the frames of ordinary packs; larger ones pass in pieces.
	bufferSize = 8 << 10
)

// front is the gateways' side of the broker.
type front struct {
	opts    Options
	log     *slog.Logger
	metrics *metrics
	ln      net.Listener
	backend string // address of the NATS server's MQTT listener

	ctx     context.Context
	stop    context.CancelFunc
	admit   chan struct{} // closed by Admit
	admitMu sync.Once
	slots   chan struct{} // one per connection
	work    sync.WaitGroup
	share   atomic.Uint64 // bits of the rate that a gateway may use, bytes a second

	mu      sync.Mutex
	clients map[string]*client // by the address that the NATS server sees
}

// client is one connection of a gateway.
type client struct {
	user, password string
	rights         rights
	near, far      net.Conn // to the gateway, to the NATS server
	wire           net.Conn // near without TLS, whose Close would wait to say goodbye
	pace           pacer
	counted        int64 // of pace.sent, by the governor
}

func (c *client) close() {
	c.wire.Close()
	c.far.Close()
}

func newFront(opts Options, m *metrics) (*front, error) {
	ln, err := net.Listen("tcp", opts.Addr)
	if err != nil {
		return nil, err
	}
	f := &front{
		opts:    opts,
		log:     opts.Log,
		metrics: m,
		ln:      ln,
		admit:   make(chan struct{}),
		slots:   make(chan struct{}, opts.MaxConnections),
		clients: map[string]*client{},
	}
	f.ctx, f.stop = context.WithCancel(context.Background())
	f.setRate(opts.GatewayRate)
	return f, nil
}

func (f *front) setRate(bytesPerSecond float64) {
	f.share.Store(math.Float64bits(bytesPerSecond))
}

func (f *front) rate() float64 { return math.Float64frombits(f.share.Load()) }

// open lets gateways in. Those that knocked before wait in the listener's queue.
func (f *front) open() { f.admitMu.Do(func() { close(f.admit) }) }

// run accepts connections until close.
func (f *front) run() {
	select {
	case <-f.admit:
	case <-f.ctx.Done():
		return
	}
	for {
		near, err := f.ln.Accept()
		if f.ctx.Err() != nil {
			return
		}
		if err != nil { // out of file descriptors, say: others may leave
			f.log.Warn("cannot accept an MQTT connection", "err", err)
			time.Sleep(paceStep)
			continue
		}
		f.admitOne(near)
	}
}

func (f *front) admitOne(near net.Conn) {
	select {
	case f.slots <- struct{}{}:
	default:
		f.metrics.refused.WithLabelValues("too_many_connections").Inc()
		near.Close()
		return
	}
	f.work.Go(func() {
		defer func() { <-f.slots }()
		defer near.Close()
		f.serve(near)
	})
}

// close ends all connections and waits for them.
func (f *front) close() {
	f.stop()
	f.ln.Close()
	f.each(func(c *client) { c.close() })
	f.work.Wait()
}

// serve carries one connection from CONNECT to its end.
func (f *front) serve(wire net.Conn) {
	unhang := context.AfterFunc(f.ctx, func() { wire.Close() })
	defer unhang()
	near := wire
	near.SetDeadline(time.Now().Add(connectWithin)) //nolint:errcheck // a closed connection shows in the read
	if f.opts.TLS != nil {
		near = tls.Server(near, f.opts.TLS)
	}
	in := bufio.NewReaderSize(near, bufferSize)
	hello, err := readConnect(in)
	if err != nil {
		f.metrics.refused.WithLabelValues("no_connect").Inc()
		f.log.Debug("an MQTT client did not introduce itself", "from", near.RemoteAddr(), "err", err)
		return
	}
	c, reason := f.login(hello)
	if reason != "" {
		f.turnAway(near, hello, reason)
		return
	}
	near.SetDeadline(time.Time{}) //nolint:errcheck // as above
	c.near, c.wire = near, wire
	if err := f.attach(c, hello); err != nil {
		f.log.Warn("the broker does not take an MQTT connection", "user", c.user, "err", err)
		return
	}
	f.carry(c, in)
}

// turnAway says no to a CONNECT.
func (f *front) turnAway(near net.Conn, hello *packets.ConnectPacket, reason string) {
	f.metrics.refused.WithLabelValues(reason).Inc()
	f.log.Warn("MQTT login refused", "reason", reason, "user", hello.Username, "client", hello.ClientIdentifier, "from", near.RemoteAddr())
	select {
	case <-f.ctx.Done():
	case <-time.After(refusalDelay):
	}
	refuse(near, returnCodes[reason]) //nolint:errcheck // it may be gone
}

// The reasons to refuse a login, as counted, and how MQTT 3.1.1 (table 3.1) says them.
var returnCodes = map[string]byte{
	"protocol":      packets.ErrRefusedBadProtocolVersion,
	"client_id":     packets.ErrRefusedIDRejected,
	"bad_login":     packets.ErrRefusedNotAuthorised,
	"will_topic":    packets.ErrRefusedNotAuthorised,
	"reserved_name": packets.ErrRefusedIDRejected,
}

// login decides whether a CONNECT is welcome; otherwise it says the reason.
func (f *front) login(hello *packets.ConnectPacket) (*client, string) {
	if hello.ProtocolName != "MQTT" || hello.ProtocolVersion != 4 {
		return nil, "protocol"
	}
	c := &client{user: hello.Username, password: string(hello.Password), rights: rights{root: f.opts.Root}}
	if f.opts.Open {
		if hello.ClientIdentifier == ServiceClientID {
			return nil, "reserved_name"
		}
	} else {
		site, gateway, ok := f.opts.Credentials.Verify(c.user, c.password)
		if !ok {
			return nil, "bad_login"
		}
		if hello.ClientIdentifier != hello.Username {
			return nil, "client_id"
		}
		c.rights.site, c.rights.gateway = site, gateway
	}
	if hello.WillFlag && !c.rights.mayPublish([]byte(hello.WillTopic)) {
		return nil, "will_topic"
	}
	return c, ""
}

// attach opens the way to the NATS server and introduces the client there.
func (f *front) attach(c *client, hello *packets.ConnectPacket) error {
	far, err := net.Dial("tcp", f.backend)
	if err != nil {
		return err
	}
	c.far = far
	c.pace.at = time.Now()
	f.mu.Lock()
	f.clients[far.LocalAddr().String()] = c
	f.mu.Unlock()
	if f.ctx.Err() != nil { // close may have looked before the client was entered
		c.close()
	}
	// The NATS server knows the connection by its address, so the password stays here.
	hello.Username, hello.UsernameFlag = "gateway", true
	hello.Password, hello.PasswordFlag = nil, false
	if hello.WillFlag { // see forward; and a will waits for ingest like any reading
		hello.WillRetain, hello.WillQos = false, 1
	}
	if err := hello.Write(far); err != nil {
		f.detach(c)
		return err
	}
	f.metrics.connections.Inc()
	return nil
}

func (f *front) detach(c *client) {
	c.close()
	f.mu.Lock()
	delete(f.clients, c.far.LocalAddr().String())
	f.mu.Unlock()
}

// carry moves packets both ways until one side ends.
func (f *front) carry(c *client, in *bufio.Reader) {
	defer f.metrics.connections.Dec()
	defer f.detach(c)
	f.work.Go(func() {
		defer c.close()
		io.CopyBuffer(onlyWriter{c.near}, onlyReader{c.far}, make([]byte, 2<<10)) //nolint:errcheck // either side may end it
	})
	err := f.forward(c, in)
	level := slog.LevelWarn // the gateway broke a rule
	if network := net.Error(nil); errors.As(err, &network) || errors.Is(err, io.EOF) || errors.Is(err, net.ErrClosed) {
		level = slog.LevelDebug
	}
	f.log.Log(f.ctx, level, "an MQTT connection was closed", "user", c.user, "from", c.near.RemoteAddr(), "err", err)
}

// onlyReader and onlyWriter keep io.CopyBuffer from splicing: for answers of four bytes the
// detour through a kernel pipe costs more than it saves.
type onlyReader struct{ io.Reader }
type onlyWriter struct{ io.Writer }

// forward passes the gateway's packets on, each PUBLISH after a look at its topic and at the pace
// of the connection. It returns why it ended, io.EOF included.
//
// Nothing is retained: only ingest can subscribe, and its session misses no status. The NATS server
// would send it all retained statuses at each connect, in the same window as readings, and those
// that found no room in the window would come a minute late.
func (f *front) forward(c *client, in *bufio.Reader) error {
	out := bufio.NewWriterSize(c.far, bufferSize)
	for {
		if in.Buffered() == 0 { // about to wait
			if err := out.Flush(); err != nil {
				return err
			}
		}
		next, err := nextFrame(in, f.opts.MaxPayload+maxTopic)
		if err != nil {
			out.Flush() //nolint:errcheck // a last DISCONNECT, if the far side is there
			return err
		}
		if next.kind == packets.Publish {
			topic, err := next.topic(in)
			if err != nil {
				return err
			}
			if !c.rights.mayPublish(topic) {
				f.metrics.refused.WithLabelValues("topic").Inc()
				return forbiddenTopic(string(topic))
			}
			if err := unretain(in); err != nil {
				return err
			}
		}
		if err := next.copy(out, in); err != nil {
			return err
		}
		if err := f.slow(c, out, next); err != nil {
			return err
		}
	}
}

// slow lets a connection wait that has used up its rate.
func (f *front) slow(c *client, out *bufio.Writer, sent frame) error {
	f.metrics.bytes.Add(float64(sent.size))
	if sent.kind == packets.Publish {
		f.metrics.messages.Inc()
	}
	wait := c.pace.spend(sent.size, f.rate(), time.Now())
	if wait <= 0 {
		return nil
	}
	if err := out.Flush(); err != nil {
		return err
	}
	f.metrics.paced.Add(c.pace.rest(f.ctx, wait, f.rate).Seconds())
	return nil
}

type forbiddenTopic string

func (t forbiddenTopic) Error() string {
	return "it published to " + string(t) + ", where it has no right to: a gateway publishes the readings of its own site's systems and its own status"
}

// at returns the client whose connection the NATS server sees from addr.
func (f *front) at(addr net.Addr) *client {
	if addr == nil {
		return nil
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.clients[addr.String()]
}

// each calls do for every client.
func (f *front) each(do func(*client)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, c := range f.clients {
		do(c)
	}
}

// recheck ends the connections whose credential no longer holds.
func (f *front) recheck() {
	if f.opts.Open {
		return
	}
	f.each(func(c *client) {
		site, gateway, ok := f.opts.Credentials.Verify(c.user, c.password)
		if !ok || site != c.rights.site || gateway != c.rights.gateway {
			f.metrics.dropped.Inc()
			f.log.Info("an MQTT connection was ended: its credential was removed or changed", "user", c.user)
			c.close()
		}
	})
}

// sentSince appends what each connection sent since the last call.
func (f *front) sentSince(dst []int64) []int64 {
	f.each(func(c *client) {
		sent := c.pace.sent.Load()
		dst = append(dst, sent-c.counted)
		c.counted = sent
	})
	return dst
}
