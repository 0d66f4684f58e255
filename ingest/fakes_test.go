package ingest_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"dewline"
	"dewline/ingest"
	"dewline/ingest/mqtt"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
)

type seriesTime struct {
	system dewline.SystemID
	point  dewline.Point
	at     dewline.Millis
}

// memory is everything that ingest writes to, in memory. before is called ahead of each Append.
type memory struct {
	mu       sync.Mutex
	before   func(batch []dewline.Sample) error
	noEvents error
	noKeep   error

	values   map[seriesTime]float64
	appends  int
	events   []dewline.Event
	rejects  []dewline.Reject
	statuses []dewline.GatewayStatus
	offered  []dewline.Sample
}

func newMemory() *memory { return &memory{values: map[seriesTime]float64{}} }

func (m *memory) lock() func() { m.mu.Lock(); return m.mu.Unlock }

func (m *memory) Append(ctx context.Context, batch []dewline.Sample, dst []dewline.Outcome) ([]dewline.Outcome, error) {
	m.mu.Lock()
	before := m.before
	m.mu.Unlock()
	if before != nil {
		if err := before(batch); err != nil {
			return dst, err
		}
	}
	if err := ctx.Err(); err != nil {
		return dst, err
	}
	return m.put(batch, dst), nil
}

// put stores batch as the contract says.
func (m *memory) put(batch []dewline.Sample, dst []dewline.Outcome) []dewline.Outcome {
	defer m.lock()()
	m.appends++
	for _, s := range batch {
		key := seriesTime{s.System, s.Point, s.At}
		old, stands := m.values[key]
		switch {
		case s.At < 1_000_000_000_000: // September 2001
			dst = append(dst, dewline.TooOld)
		case !stands:
			m.values[key] = s.Value
			dst = append(dst, dewline.Stored)
		case old == s.Value:
			dst = append(dst, dewline.Repeated)
		default:
			dst = append(dst, dewline.Conflict)
		}
	}
	return dst
}

func (m *memory) Offer(batch []dewline.Sample, _ ...dewline.Event) {
	defer m.lock()()
	m.offered = append(m.offered, batch...)
}

func (m *memory) RecordEvents(_ context.Context, events []dewline.Event) error {
	defer m.lock()()
	if m.noEvents != nil {
		return m.noEvents
	}
	m.events = append(m.events, events...)
	return nil
}

func (m *memory) KeepRejects(_ context.Context, rejects []dewline.Reject) error {
	defer m.lock()()
	if m.noKeep != nil {
		return m.noKeep
	}
	m.rejects = append(m.rejects, rejects...)
	return nil
}

func (m *memory) RecordGatewayStatus(_ context.Context, statuses ...dewline.GatewayStatus) error {
	defer m.lock()()
	if m.noKeep != nil && len(statuses) > 0 {
		return m.noKeep
	}
	m.statuses = append(m.statuses, statuses...)
	return nil
}

func (m *memory) set(before func([]dewline.Sample) error) {
	defer m.lock()()
	m.before = before
}

func (m *memory) stored() int { defer m.lock()(); return len(m.values) }

// reasons returns the reasons of all rejects, in order.
func (m *memory) reasons() string {
	defer m.lock()()
	var all []string
	for _, r := range m.rejects {
		all = append(all, string(r.Reason))
	}
	return strings.Join(all, " ")
}

// The parts of interfaces that ingest does not call.
func (m *memory) Read(context.Context, dewline.SystemID, dewline.Point, dewline.Millis, dewline.Millis, []dewline.Value) ([]dewline.Value, error) {
	return nil, errNotHere
}
func (m *memory) Newest(context.Context, dewline.SystemID) ([]dewline.Sample, error) {
	return nil, errNotHere
}
func (m *memory) Close() error { return nil }
func (m *memory) EventsOf(context.Context, dewline.SystemID, dewline.Millis, dewline.Millis) ([]dewline.Event, error) {
	return nil, errNotHere
}
func (m *memory) ReadRejects(context.Context, dewline.RejectFilter, int) ([]dewline.Reject, error) {
	return nil, errNotHere
}
func (m *memory) CountRejects(context.Context) (map[dewline.Reason]int64, error) {
	return nil, errNotHere
}
func (m *memory) ReadGatewayStatus(context.Context, dewline.GatewayID) (dewline.GatewayStatus, error) {
	return dewline.GatewayStatus{}, errNotHere
}

var errNotHere = errors.New("not part of this fake")

// fleet returns a fleet of n systems quay/s0, quay/s1, ... with one pressure and one temperature.
func fleet(n int) *dewline.Fleet {
	var systems []dewline.System
	for i := range n {
		systems = append(systems, dewline.System{ID: dewline.NewSystemID("quay", fmt.Sprintf("s%d", i)),
			Points: []dewline.PointFitting{{Point: dewline.SuctionPressure}, {Point: dewline.SuctionTemp}}})
	}
	return dewline.NewFleet([]dewline.Owner{{ID: "city"}}, []dewline.Site{{ID: "quay", Owner: "city", Systems: systems}})
}

func options(m *memory, reg prometheus.Registerer) ingest.Options {
	return ingest.Options{Readings: m, Events: m, Rejects: m, Statuses: m, Sink: m, Registerer: reg}
}

func start(t *testing.T, o ingest.Options, f *dewline.Fleet) *ingest.Pipeline {
	t.Helper()
	p, err := ingest.Start(o, f)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// sender delivers messages to a pipeline and notes the acknowledgements.
type sender struct {
	p     *ingest.Pipeline
	mu    sync.Mutex
	acked []int
	next  int
}

func (s *sender) send(topic, payload string) {
	s.deliver(mqtt.Message{Topic: topic, Payload: []byte(payload)})
}

func (s *sender) deliver(m mqtt.Message) {
	s.mu.Lock()
	n := s.next
	s.next++
	s.mu.Unlock()
	m.Received = time.Now()
	m.Ack = func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.acked = append(s.acked, n)
	}
	s.p.Deliver(m)
}

func (s *sender) acks() int { s.mu.Lock(); defer s.mu.Unlock(); return len(s.acked) }

const topic = "dewline/quay/s0/readings"

// pack is one reading of suction_temp, at seconds after 2026-01-01.
func pack(seconds int, value float64) string {
	return fmt.Sprintf(`[{"n":"suction_temp","u":"Cel","t":%d,"v":%g}]`, 1_767_225_600+seconds, value)
}

// metric returns the value of the metric with the name and labels, as in `name{label="x"}`.
func metric(t *testing.T, reg *prometheus.Registry, name string) float64 {
	t.Helper()
	families, err := reg.Gather()
	if err != nil {
		t.Fatal(err)
	}
	bare, label, _ := strings.Cut(strings.TrimSuffix(name, "}"), "{")
	for _, f := range families {
		if f.GetName() != bare {
			continue
		}
		for _, m := range f.GetMetric() {
			var labels []string
			for _, l := range m.GetLabel() {
				labels = append(labels, fmt.Sprintf("%s=%q", l.GetName(), l.GetValue()))
			}
			if strings.Join(labels, ",") == label {
				return m.GetCounter().GetValue() + m.GetGauge().GetValue()
			}
		}
	}
	t.Fatalf("no metric %s", name)
	return 0
}

// Every metric keeps the rules of the format (names, help, units).
func TestMetricsKeepTheRules(t *testing.T) {
	reg := prometheus.NewRegistry()
	p := start(t, options(newMemory(), reg), fleet(1))
	defer p.Close(t.Context())
	problems, err := testutil.GatherAndLint(reg)
	if err != nil {
		t.Fatal(err)
	}
	for _, problem := range problems {
		t.Errorf("%s: %s", problem.Metric, problem.Text)
	}
}
