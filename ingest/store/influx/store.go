package influx

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"sync/atomic"
	"time"

	influxdb "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api"

	"dewline/ingest/store"
)

// Options of a Store. DefaultOptions is the start; URL and Bucket have no default.
type Options struct {
	store.Limits

	URL     string        // of the server: "https://influx.example:8086"
	Token   string        // "user:password" on a 1.8 server; empty where none is asked
	Org     string        // ignored by a 1.8 server
	Bucket  string        // "database/retention-policy" on a 1.8 server
	Timeout time.Duration // of one request
}

// DefaultOptions waits half a minute for a request.
func DefaultOptions() Options {
	return Options{Limits: store.DefaultLimits(), Timeout: 30 * time.Second}
}

// Validate says what is wrong with o.
func (o Options) Validate() error {
	u, err := url.Parse(o.URL)
	switch {
	case err != nil:
		return errors.New("influx store: the URL cannot be read; it looks like http://127.0.0.1:8086")
	case u.Scheme != "http" && u.Scheme != "https" || u.Host == "":
		return fmt.Errorf("influx store: the URL %q is not one of a server; it looks like http://127.0.0.1:8086", u.Redacted())
	case o.Bucket == "":
		return errors.New("influx store: the bucket is missing; on a 1.8 server it is database/retention-policy")
	case o.Timeout < time.Millisecond:
		return fmt.Errorf("influx store: a timeout of %v is too short", o.Timeout)
	}
	return o.Limits.Validate()
}

// Store is a dewline.Readings on an InfluxDB server. Append, Read and Newest are its Ledger's.
type Store struct {
	*store.Ledger

	options Options
	name    string // of the server, without secrets, for errors
	client  influxdb.Client
	write   api.WriteAPIBlocking
	closed  atomic.Bool
}

// Open makes a store. It does not wait for the server: Ready tells whether it answers.
func Open(o Options) (*Store, error) {
	if err := o.Validate(); err != nil {
		return nil, err
	}
	u, err := url.Parse(o.URL)
	if err != nil {
		return nil, err
	}
	settings := influxdb.DefaultOptions().
		SetApplicationName("dewline").
		SetPrecision(time.Millisecond).
		SetHTTPRequestTimeout(uint((o.Timeout + time.Second - 1) / time.Second))
	client := influxdb.NewClientWithOptions(o.URL, o.Token, settings)
	s := &Store{options: o, name: u.Redacted(), client: client, write: client.WriteAPIBlocking(o.Org, o.Bucket)}
	if s.Ledger, err = store.NewLedger(engine{s}, o.Limits); err != nil {
		return nil, err
	}
	return s, nil
}

// Close releases the connections. Nothing is pending: Append returns when the server has it.
func (s *Store) Close() error {
	if !s.closed.Swap(true) {
		s.client.Close()
	}
	return nil
}

// Ready says why readings would not be taken now: the server does not answer, or refuses to read
// the bucket.
func (s *Store) Ready(ctx context.Context) error {
	return s.query(ctx, s.from(0, 1)+filter(`r._measurement == "mode"`)+` |> limit(n: 1)`, func(row) {})
}

// unavailable wraps what the server, or the way to it, has answered.
func (s *Store) unavailable(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	return fmt.Errorf("influx store: bucket %s at %s: %w: %w", s.options.Bucket, s.name, err, store.ErrUnavailable)
}
