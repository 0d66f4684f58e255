package main

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"slices"
	"sync"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// benchGateway publishes by MQTT 3.1.1 with QoS 1 and repeats every message, in order, until it is
// acknowledged, across connections. A general client would do; this one costs a fraction of its
// processor time, which the publisher takes away from the service on the same machine.
type benchGateway struct {
	addr, user, password string // user is the client id as well; without password none is sent

	// acked is called for each acknowledgement, by one goroutine at a time.
	acked func(benchMessage, time.Time)

	slots chan struct{} // one for each message that is not acknowledged

	mu       sync.Mutex
	conn     net.Conn // nil while there is none
	out      *bufio.Writer
	pending  []benchMessage // not acknowledged, in order
	lastID   uint16
	connects int
	refused  error // why the broker does not take the gateway
}

// benchMessage is one message on its way.
type benchMessage struct {
	topic   string
	payload []byte
	tag     int       // the publisher's own mark
	sent    time.Time // when it was published
	then    func()    // called after the acknowledgement, nil for nothing
	id      uint16
	written bool // to some connection, so that the next time is a repetition
}

// newBenchGateway returns a gateway that has at most window messages on their way.
func newBenchGateway(addr, user, password string, window int, acked func(benchMessage, time.Time)) *benchGateway {
	return &benchGateway{addr: addr, user: user, password: password, acked: acked, slots: make(chan struct{}, window)}
}

// reconnectAfter is how long a gateway waits before it connects again.
const reconnectAfter = 50 * time.Millisecond

// run keeps the gateway connected until ctx ends.
func (g *benchGateway) run(ctx context.Context) {
	for ctx.Err() == nil {
		g.session(ctx)
		select {
		case <-ctx.Done():
		case <-time.After(reconnectAfter):
		}
	}
}

// session is one connection, from CONNECT to its end.
func (g *benchGateway) session(ctx context.Context) {
	conn, err := g.dial(ctx)
	if err != nil {
		return
	}
	defer conn.Close()
	unhang := context.AfterFunc(ctx, func() { conn.Close() })
	defer unhang()
	in := bufio.NewReader(conn)
	if err := g.introduce(conn, in); err != nil {
		g.mu.Lock()
		g.refused = err
		g.mu.Unlock()
		return
	}
	g.attach(conn)
	defer g.detach()
	for {
		id, err := readAck(in)
		if err != nil {
			return
		}
		g.settle(id, time.Now())
	}
}

func (g *benchGateway) dial(ctx context.Context) (net.Conn, error) {
	return (&net.Dialer{Timeout: 5 * time.Second}).DialContext(ctx, "tcp", g.addr)
}

// introduce logs in.
func (g *benchGateway) introduce(conn net.Conn, in *bufio.Reader) error {
	hello := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	hello.ProtocolName, hello.ProtocolVersion, hello.CleanSession = "MQTT", 4, true
	hello.ClientIdentifier = g.user
	if g.password != "" {
		hello.UsernameFlag, hello.Username = true, g.user
		hello.PasswordFlag, hello.Password = true, []byte(g.password)
	}
	conn.SetDeadline(time.Now().Add(time.Minute)) //nolint:errcheck // a closed connection shows in the read
	if err := hello.Write(conn); err != nil {
		return err
	}
	answer, err := packets.ReadPacket(in)
	if err != nil {
		return err
	}
	ack, ok := answer.(*packets.ConnackPacket)
	if !ok || ack.ReturnCode != packets.Accepted {
		return fmt.Errorf("the broker does not take gateway %s: %v", g.user, answer)
	}
	return conn.SetDeadline(time.Time{})
}

// attach makes conn the connection and repeats what was not acknowledged over an earlier one.
func (g *benchGateway) attach(conn net.Conn) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.conn, g.out, g.refused = conn, bufio.NewWriterSize(conn, 32<<10), nil
	g.connects++
	for i := range g.pending {
		writePublish(g.out, &g.pending[i])
	}
	g.out.Flush() //nolint:errcheck // the reader sees the connection end
}

func (g *benchGateway) detach() {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.conn, g.out = nil, nil
}

// settle takes the acknowledgement of message id.
func (g *benchGateway) settle(id uint16, at time.Time) {
	g.mu.Lock()
	i := slices.IndexFunc(g.pending, func(m benchMessage) bool { return m.id == id })
	if i < 0 { // a second acknowledgement, of a repeat
		g.mu.Unlock()
		return
	}
	m := g.pending[i]
	g.pending = slices.Delete(g.pending, i, i+1)
	g.mu.Unlock()
	if g.acked != nil {
		g.acked(m, at)
	}
	if m.then != nil {
		m.then()
	}
	<-g.slots
}

// publish sends a message, or has it sent at the next connect. It waits while as many as the window
// has are on their way. What it wrote may wait in a buffer until flush, or until the window is full.
func (g *benchGateway) publish(ctx context.Context, topic string, payload []byte, tag int) error {
	return g.publishThen(ctx, topic, payload, tag, nil)
}

// publishThen is publish with something to do when the message is acknowledged.
func (g *benchGateway) publishThen(ctx context.Context, topic string, payload []byte, tag int, then func()) error {
	select {
	case g.slots <- struct{}{}:
	default:
		g.flush()
		select {
		case g.slots <- struct{}{}:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.lastID++; g.lastID == 0 {
		g.lastID = 1 // MQTT has no packet 0
	}
	g.pending = append(g.pending, benchMessage{topic: topic, payload: payload, tag: tag, then: then, sent: time.Now(), id: g.lastID})
	if g.out != nil {
		writePublish(g.out, &g.pending[len(g.pending)-1])
	}
	return nil
}

// flush sends what waits in the buffer.
func (g *benchGateway) flush() {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.out != nil && g.out.Flush() != nil {
		g.conn.Close() // the reader ends the session
	}
}

// drained waits until everything is acknowledged.
func (g *benchGateway) drained(ctx context.Context) error {
	g.flush()
	for {
		g.mu.Lock()
		n, refused := len(g.pending), g.refused
		g.mu.Unlock()
		if n == 0 {
			return nil
		}
		select {
		case <-ctx.Done():
			return errors.Join(fmt.Errorf("%d messages of gateway %s were not acknowledged: %w", n, g.user, ctx.Err()), refused)
		case <-time.After(5 * time.Millisecond):
		}
	}
}

// connected says how often the gateway has connected, and why it cannot.
func (g *benchGateway) connected() (times int, refused error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.connects, g.refused
}

// writePublish writes a PUBLISH packet with QoS 1 (MQTT 3.1.1, section 3.3). An error stays in w.
func writePublish(w *bufio.Writer, m *benchMessage) {
	const qos1, dup = 0x32, 0x08
	first := byte(qos1)
	if m.written {
		first |= dup
	}
	m.written = true
	var head [7]byte
	h := append(head[:0], first)
	h = binary.AppendUvarint(h, uint64(2+len(m.topic)+2+len(m.payload))) // MQTT's length is the same code
	h = binary.BigEndian.AppendUint16(h, uint16(len(m.topic)))
	w.Write(h)             //nolint:errcheck // see above
	w.WriteString(m.topic) //nolint:errcheck
	w.Write(binary.BigEndian.AppendUint16(head[:0], m.id))
	w.Write(m.payload) //nolint:errcheck
}

// readAck reads the next PUBACK. The broker sends nothing else, as the gateway neither subscribes
// nor pings.
func readAck(in *bufio.Reader) (uint16, error) {
	var packet [4]byte
	if _, err := io.ReadFull(in, packet[:]); err != nil {
		return 0, err
	}
	if packet[0] != packets.Puback<<4 || packet[1] != 2 {
		return 0, fmt.Errorf("the broker sent a packet of type %d where an acknowledgement was due", packet[0]>>4)
	}
	return binary.BigEndian.Uint16(packet[2:]), nil
}

// inStep keeps gateways whose event time runs fast within a few rounds of one another, as live ones
// are by nature: a store takes what lies an hour behind the newest for late, and analytics takes a
// system for silent that is half an hour behind all others.
type inStep struct {
	lead int

	mu     sync.Mutex
	moved  chan struct{}      // closed and made anew when the slowest moves on
	done   []int              // rounds that each gateway has finished, without a gap
	early  []map[int]struct{} // rounds finished before one that came earlier
	behind int                // the least of done
}

func newInStep(gateways, lead int) *inStep {
	s := &inStep{lead: lead, done: make([]int, gateways), early: make([]map[int]struct{}, gateways), moved: make(chan struct{})}
	for i := range s.early {
		s.early[i] = map[int]struct{}{}
	}
	return s
}

// finished says that a gateway has done a round; it may say so of several in any order.
func (s *inStep) finished(gateway, round int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	early := s.early[gateway]
	early[round] = struct{}{}
	for {
		next := s.done[gateway]
		if _, ok := early[next]; !ok {
			break
		}
		delete(early, next)
		s.done[gateway]++
	}
	if least := slices.Min(s.done); least > s.behind {
		s.behind = least
		close(s.moved)
		s.moved = make(chan struct{})
	}
}

// wait returns when nobody is more than the lead behind a round.
func (s *inStep) wait(ctx context.Context, round int) error {
	for {
		s.mu.Lock()
		behind, moved := s.behind, s.moved
		s.mu.Unlock()
		if round-behind < s.lead {
			return nil
		}
		select {
		case <-moved:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// slowest returns how many rounds everybody has done.
func (s *inStep) slowest() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.behind
}
