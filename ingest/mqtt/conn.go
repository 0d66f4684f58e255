package mqtt

import (
	"bufio"
	"context"
	"crypto/tls"
	"fmt"
	"net"
	"net/url"
	"sync"
	"time"
)

// dial opens a connection to a broker. The schemes are those that the paho client documents.
func dial(ctx context.Context, broker *url.URL, config *tls.Config) (net.Conn, error) {
	plain := &net.Dialer{}
	switch broker.Scheme {
	case "mqtt", "tcp":
		return plain.DialContext(ctx, "tcp", withPort(broker, "1883"))
	case "mqtts", "ssl", "tls":
		return (&tls.Dialer{NetDialer: plain, Config: config}).DialContext(ctx, "tcp", withPort(broker, "8883"))
	}
	return nil, fmt.Errorf("the broker's address %s must begin with mqtt:// or mqtts://", broker.Redacted())
}

func withPort(u *url.URL, usual string) string {
	if u.Port() != "" {
		return u.Host
	}
	return net.JoinHostPort(u.Hostname(), usual)
}

// gather is how long a write waits for others. The acknowledgements of a batch come one after the
// other in microseconds; each on its own would cost a system call here and one at the broker.
const gather = time.Millisecond

// bufferedConn reads ahead and gathers writes that follow one another, so that they leave together.
// Order is kept, and Close sends what is still there.
type bufferedConn struct {
	net.Conn
	in *bufio.Reader

	mu     sync.Mutex
	out    []byte // not yet written
	spare  []byte
	err    error // of an earlier write
	closed bool
	due    chan struct{}
	done   chan struct{}
}

const readAhead = 64 << 10

func newBufferedConn(c net.Conn) *bufferedConn {
	b := &bufferedConn{Conn: c, in: bufio.NewReaderSize(c, readAhead), due: make(chan struct{}, 1), done: make(chan struct{})}
	go b.flush()
	return b
}

func (b *bufferedConn) Read(p []byte) (int, error) { return b.in.Read(p) }

func (b *bufferedConn) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closed {
		return 0, net.ErrClosed
	}
	if b.err != nil {
		return 0, b.err
	}
	b.out = append(b.out, p...)
	b.wake()
	return len(p), nil
}

// wake tells flush that something is to do. The lock is held.
func (b *bufferedConn) wake() {
	select {
	case b.due <- struct{}{}:
	default:
	}
}

// flush writes what has gathered until the connection is closed.
func (b *bufferedConn) flush() {
	defer close(b.done)
	for range b.due {
		time.Sleep(gather)
		b.mu.Lock()
		batch, closed := b.out, b.closed
		b.out = b.spare[:0]
		b.mu.Unlock()
		_, err := b.Conn.Write(batch)
		b.mu.Lock()
		b.spare = batch
		if b.err == nil {
			b.err = err
		}
		b.mu.Unlock()
		if closed || err != nil {
			return
		}
	}
}

// Close sends what has gathered, for at most closeWithin, and closes the connection.
func (b *bufferedConn) Close() error {
	b.mu.Lock()
	first := !b.closed
	b.closed = true
	b.wake()
	b.mu.Unlock()
	if !first {
		return nil
	}
	b.Conn.SetWriteDeadline(closeBy()) //nolint:errcheck // then the write fails by itself
	<-b.done
	return b.Conn.Close()
}
