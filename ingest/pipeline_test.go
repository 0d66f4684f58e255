package ingest_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"dewline"
	"dewline/ingest"
	"dewline/ingest/mqtt"
	"dewline/ingest/store"

	"github.com/prometheus/client_golang/prometheus"
)

// The time in a synctest bubble begins at midnight UTC of 2000-01-01; readings of 2026 would be
// refused as future ones. Each test first lets the years pass.
func bubble(t *testing.T, run func(t *testing.T)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		time.Sleep(time.Until(time.Date(2026, 1, 2, 0, 0, 0, 0, time.UTC)))
		run(t)
	})
}

func TestAcknowledgedOnlyWhenDurable(t *testing.T) {
	bubble(t, func(t *testing.T) {
		m := newMemory()
		m.set(func([]dewline.Sample) error { time.Sleep(time.Second); return nil })
		p := start(t, options(m, nil), fleet(1))
		defer p.Close(t.Context())
		s := &sender{p: p}
		for i := range 100 {
			s.send(topic, pack(i, 4))
		}
		time.Sleep(900 * time.Millisecond)
		synctest.Wait()
		if n := s.acks(); n != 0 {
			t.Fatalf("%d messages were acknowledged before they were stored", n)
		}
		time.Sleep(time.Second)
		synctest.Wait()
		if n := s.acks(); n != 100 || m.stored() != 100 || len(m.offered) != 100 {
			t.Fatalf("%d acknowledged, %d stored, %d handed on of 100", n, m.stored(), len(m.offered))
		}
		if !slices.IsSorted(s.acked) {
			t.Error("acknowledged in another order than they came")
		}
	})
}

func TestAStoreThatFailsIsTriedAgainUntilItWorks(t *testing.T) {
	bubble(t, func(t *testing.T) {
		m, reg := newMemory(), prometheus.NewRegistry()
		down := errors.New("disk full")
		m.set(func([]dewline.Sample) error { return down })
		p := start(t, options(m, reg), fleet(1))
		defer p.Close(t.Context())
		s := &sender{p: p}
		s.send(topic, pack(0, 4))
		time.Sleep(time.Minute)
		s.send(topic, pack(1, 4))
		time.Sleep(time.Minute)
		synctest.Wait()
		if s.acks() != 0 {
			t.Fatal("acknowledged though nothing was stored")
		}
		err := p.Health()
		if !errors.Is(err, down) || !strings.Contains(err.Error(), "2026-01-02T00:00:00Z") {
			t.Errorf("health says %v: want the cause and since when", err)
		}
		if n := metric(t, reg, "dewline_ingest_store_failures_total"); n < 20 || n > 40 {
			t.Errorf("%v attempts in 2 minutes", n)
		}
		m.set(nil)
		time.Sleep(6 * time.Second)
		synctest.Wait()
		if s.acks() != 2 || m.stored() != 2 || p.Health() != nil {
			t.Errorf("after the store recovered: %d of 2 acknowledged, %d stored, health %v", s.acks(), m.stored(), p.Health())
		}
	})
}

// When an attempt stores half of a batch and fails, the rest of it and that half must both reach
// analytics, though the store calls the half repeated at the second attempt.
func TestWhatAFailedAttemptStoredReachesTheSink(t *testing.T) {
	bubble(t, func(t *testing.T) {
		m := newMemory()
		first := true
		m.set(func(batch []dewline.Sample) error {
			if !first {
				return nil
			}
			first = false
			m.put(batch[:len(batch)/2], nil)
			return errors.New("connection reset")
		})
		p := start(t, options(m, nil), fleet(1))
		defer p.Close(t.Context())
		s := &sender{p: p}
		for i := range 10 {
			s.send(topic, pack(i, 4))
		}
		time.Sleep(time.Second)
		synctest.Wait()
		if len(m.offered) != 10 || s.acks() != 10 {
			t.Errorf("%d of 10 readings were handed on, %d acknowledged", len(m.offered), s.acks())
		}
	})
}

func TestASlowStoreStallsTheReader(t *testing.T) {
	bubble(t, func(t *testing.T) {
		m := newMemory()
		release := make(chan bool)
		m.set(func([]dewline.Sample) error { <-release; return nil })
		o := options(m, nil)
		o.InFlight, o.BatchSamples = 10, 8
		p := start(t, o, fleet(1))
		s := &sender{p: p}
		go func() {
			for i := range 1000 {
				s.send(topic, pack(i, 4))
			}
		}()
		time.Sleep(time.Minute)
		synctest.Wait()
		s.mu.Lock()
		taken := s.next
		s.mu.Unlock()
		// 10 in the queue, two batches of 8 counts (a message and its reading: 4 messages), the next
		// message waits for a batch, and one is blocked in Deliver. The third batch is with neither.
		if taken > 10+3*4+2 {
			t.Errorf("%d messages were taken while the store stood still", taken)
		}
		close(release)
		time.Sleep(time.Minute)
		synctest.Wait()
		if s.acks() != 1000 || m.stored() != 1000 {
			t.Errorf("%d acknowledged, %d stored of 1000", s.acks(), m.stored())
		}
		p.Close(t.Context())
	})
}

func TestOutcomes(t *testing.T) {
	bubble(t, func(t *testing.T) {
		m, reg := newMemory(), prometheus.NewRegistry()
		o := options(m, reg)
		o.MaxAge = 30 * 365 * 24 * time.Hour // so that the store has to find what is too old
		p := start(t, o, fleet(1))
		defer p.Close(t.Context())
		s := &sender{p: p}
		s.send(topic, pack(0, 4))
		s.send(topic, pack(0, 4))
		s.send(topic, pack(0, 5))
		s.send(topic, `[{"n":"suction_temp","u":"Cel","t":999999999,"v":4}]`)
		time.Sleep(time.Second)
		synctest.Wait()
		if len(m.offered) != 1 || m.offered[0].Value != 4 {
			t.Errorf("handed on %v, want the first value only", m.offered)
		}
		if got := m.reasons(); got != "conflict too_old" {
			t.Errorf("refused %q", got)
		}
		for name, want := range map[string]float64{"stored": 1, "repeated": 1, "conflict": 1, "too_old": 1} {
			if got := metric(t, reg, fmt.Sprintf("dewline_ingest_readings_total{outcome=%q}", name)); got != want {
				t.Errorf("%s: counted %v, want %v", name, got, want)
			}
		}
		if s.acks() != 4 {
			t.Errorf("%d of 4 acknowledged", s.acks())
		}
	})
}

func TestWhatIsRefused(t *testing.T) {
	for _, c := range []struct {
		name    string
		m       mqtt.Message
		refused string
		stored  int
	}{
		{"a system that is not enrolled", mqtt.Message{Topic: "dewline/quay/none/readings", Payload: []byte(pack(0, 4))}, "unknown_system", 0},
		{"another topic", mqtt.Message{Topic: "dewline/quay/s0/other", Payload: []byte(pack(0, 4))}, "unknown_topic", 0},
		{"another root", mqtt.Message{Topic: "elsewhere/quay/s0/readings", Payload: []byte(pack(0, 4))}, "unknown_topic", 0},
		{"no payload", mqtt.Message{Topic: topic}, "malformed", 0},
		{"not SenML", mqtt.Message{Topic: topic, Payload: []byte("4.2")}, "malformed", 0},
		{"a pack that breaks off keeps its good readings", mqtt.Message{Topic: topic,
			Payload: []byte(`[{"n":"suction_temp","u":"Cel","t":1767225600,"v":4},{"n":"suction_pressure","u":"bar","t":1767225600,"v":8},{"n":"liq`)}, "malformed", 2},
		{"one bad record keeps the others", mqtt.Message{Topic: topic,
			Payload: []byte(`[{"n":"suction_temp","u":"Pa","t":1767225600,"v":4},{"n":"suction_pressure","u":"bar","t":1767225600,"v":8}]`)}, "wrong_unit", 1},
		{"a repeated message with relative times, as a whole", mqtt.Message{Topic: topic, Repeated: true,
			Payload: []byte(`[{"n":"suction_temp","u":"Cel","t":-5,"v":4},{"n":"suction_pressure","u":"bar","t":1767225600,"v":8}]`)}, "relative_time_repeated", 0},
		{"relative times in a first message", mqtt.Message{Topic: topic,
			Payload: []byte(`[{"n":"suction_temp","u":"Cel","t":-5,"v":4}]`)}, "", 1},
		{"absolute times in a repeated message", mqtt.Message{Topic: topic, Repeated: true, Payload: []byte(pack(0, 4))}, "", 1},
		{"a time ahead of its receipt", mqtt.Message{Topic: topic,
			Payload: []byte(`[{"n":"suction_temp","u":"Cel","t":660,"v":4}]`)}, "future", 0},
		{"a broken status", mqtt.Message{Topic: "dewline/quay/gw/status", Payload: []byte("{")}, "malformed", 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			bubble(t, func(t *testing.T) {
				m, reg := newMemory(), prometheus.NewRegistry()
				p := start(t, options(m, reg), fleet(1))
				defer p.Close(t.Context())
				s := &sender{p: p}
				s.deliver(c.m)
				time.Sleep(time.Second)
				synctest.Wait()
				if s.acks() != 1 {
					t.Error("it was not acknowledged and would come back for ever")
				}
				if got := m.reasons(); got != c.refused || m.stored() != c.stored {
					t.Errorf("refused %q, stored %d; want %q, %d", got, m.stored(), c.refused, c.stored)
				}
				if c.refused == "" {
					return
				}
				if n := metric(t, reg, fmt.Sprintf("dewline_ingest_refused_total{reason=%q}", c.refused)); n != 1 {
					t.Errorf("counted %v", n)
				}
				if r := m.rejects[0]; r.Received != dewline.MillisOf(time.Now().Add(-time.Second)) || r.Detail == "" {
					t.Errorf("kept as %+v: want the time of receipt and what to do", r)
				}
			})
		})
	}
}

func TestAPointThatIsNotListedIsKeptAndCounted(t *testing.T) {
	bubble(t, func(t *testing.T) {
		m, reg := newMemory(), prometheus.NewRegistry()
		p := start(t, options(m, reg), fleet(1))
		defer p.Close(t.Context())
		s := &sender{p: p}
		s.send(topic, `[{"bt":1767225600,"n":"suction_temp","u":"Cel","v":4},{"n":"discharge_temp","u":"Cel","v":70},{"n":"refrigerant_detector","vb":false}]`)
		time.Sleep(time.Second)
		synctest.Wait()
		if n := metric(t, reg, "dewline_ingest_unlisted_total"); n != 2 || m.stored() != 3 || m.reasons() != "" {
			t.Errorf("%v counted, %d stored, refused %q", n, m.stored(), m.reasons())
		}
	})
}

func TestAFleetCanBeReplacedWhileRunning(t *testing.T) {
	bubble(t, func(t *testing.T) {
		m := newMemory()
		p := start(t, options(m, nil), fleet(1))
		defer p.Close(t.Context())
		s := &sender{p: p}
		send := func() {
			s.send("dewline/quay/s1/readings", pack(0, 4))
			time.Sleep(time.Second)
			synctest.Wait()
		}
		send()
		p.SetFleet(fleet(2))
		send()
		p.SetFleet(fleet(1))
		send()
		if got := m.reasons(); got != "unknown_system unknown_system" || m.stored() != 1 {
			t.Errorf("refused %q, stored %d", got, m.stored())
		}
	})
}

func TestEventsAndStatuses(t *testing.T) {
	bubble(t, func(t *testing.T) {
		m := newMemory()
		m.noEvents = errors.New("locked")
		p := start(t, options(m, nil), fleet(1))
		defer p.Close(t.Context())
		s := &sender{p: p}
		s.send(topic, `[{"n":"serviced","t":1767225600,"vs":"filter changed"},{"n":"suction_temp","u":"Cel","t":1767225600,"v":4}]`)
		s.send("dewline/quay/gw/status", `{"online":false,"time":1767225000}`)
		time.Sleep(time.Second)
		synctest.Wait()
		if s.acks() != 0 || p.Health() == nil {
			t.Fatal("acknowledged though the event is not stored")
		}
		m.mu.Lock()
		m.noEvents = nil
		m.mu.Unlock()
		time.Sleep(6 * time.Second)
		synctest.Wait()
		if len(m.events) != 1 || m.events[0].Note != "filter changed" || m.appends != 1 || len(m.offered) != 1 {
			t.Errorf("events %v, %d appends, %d readings handed on", m.events, m.appends, len(m.offered))
		}
		want := dewline.GatewayStatus{Gateway: "quay/gw", At: 1_767_225_000_000, Received: dewline.MillisOf(time.Now().Add(-7 * time.Second))}
		if len(m.statuses) != 1 || m.statuses[0] != want {
			t.Errorf("statuses %+v, want %+v", m.statuses, want)
		}
	})
}

// What is kept for inspection only must not hold up readings.
func TestReadingsDoNotWaitForRejects(t *testing.T) {
	bubble(t, func(t *testing.T) {
		m, reg := newMemory(), prometheus.NewRegistry()
		m.noKeep = errors.New("locked")
		p := start(t, options(m, reg), fleet(1))
		defer p.Close(t.Context())
		s := &sender{p: p}
		s.send(topic, "broken")
		s.send("dewline/quay/gw/status", `{"online":true,"time":1767225000}`)
		s.send(topic, pack(0, 4))
		time.Sleep(time.Second)
		synctest.Wait()
		if s.acks() != 3 || m.stored() != 1 || metric(t, reg, "dewline_ingest_not_kept_total") != 2 {
			t.Errorf("%d acknowledged, %d stored", s.acks(), m.stored())
		}
	})
}

// One message that the store will never take must not hold up the others for ever.
func TestAMessageThatTheStoreRefusesIsTakenOut(t *testing.T) {
	for _, c := range []struct {
		err  error
		want string
	}{{store.ErrInvalid, "malformed"}, {store.ErrFuture, "future"}} {
		bubble(t, func(t *testing.T) {
			m := newMemory()
			m.set(func(batch []dewline.Sample) error {
				for _, s := range batch {
					if s.Value == 666 {
						return fmt.Errorf("append: %w", c.err)
					}
				}
				return nil
			})
			p := start(t, options(m, nil), fleet(1))
			defer p.Close(t.Context())
			s := &sender{p: p}
			for i := range 10 {
				value := 4.0
				if i == 5 {
					value = 666
				}
				s.send(topic, pack(i, value))
			}
			time.Sleep(time.Second)
			synctest.Wait()
			if s.acks() != 10 || m.stored() != 9 || len(m.offered) != 9 || m.reasons() != c.want {
				t.Errorf("%d acknowledged, %d stored, %d handed on, refused %q", s.acks(), m.stored(), len(m.offered), m.reasons())
			}
		})
	}
}

func TestABatchEndsWithItsSizeOrDelay(t *testing.T) {
	bubble(t, func(t *testing.T) {
		m := newMemory()
		var sizes []int
		m.set(func(batch []dewline.Sample) error { sizes = append(sizes, len(batch)); return nil })
		o := options(m, nil)
		o.BatchSamples, o.BatchDelay = 40, 50*time.Millisecond
		p := start(t, o, fleet(1))
		defer p.Close(t.Context())
		s := &sender{p: p}
		for i := range 50 {
			s.send(topic, pack(i, 4))
		}
		synctest.Wait()
		if s.acks() != 40 { // two batches of 20 messages with a reading each are full
			t.Errorf("%d acknowledged at once", s.acks())
		}
		time.Sleep(60 * time.Millisecond)
		synctest.Wait()
		if want := []int{20, 20, 10}; !slices.Equal(sizes, want) || s.acks() != 50 {
			t.Errorf("batches of %v, want %v", sizes, want)
		}
	})
}

func TestCloseFinishesWhatWasBegun(t *testing.T) {
	bubble(t, func(t *testing.T) {
		m := newMemory()
		m.set(func([]dewline.Sample) error { time.Sleep(3 * time.Second); return nil })
		p := start(t, options(m, nil), fleet(1))
		s := &sender{p: p}
		s.send(topic, pack(0, 4))
		time.Sleep(time.Second)
		s.send(topic, pack(1, 4))
		time.Sleep(time.Second)
		p.Close(t.Context())
		if s.acks() != 2 || m.stored() != 2 {
			t.Errorf("%d acknowledged, %d stored of 2", s.acks(), m.stored())
		}
		s.send(topic, pack(2, 4)) // must not block
		if s.acks() != 2 {
			t.Error("acknowledged after Close")
		}
	})
}

func TestCloseGivesUpWhenTheStoreDoesNotAnswer(t *testing.T) {
	bubble(t, func(t *testing.T) {
		m := newMemory()
		m.set(func([]dewline.Sample) error { return errors.New("down") })
		p := start(t, options(m, nil), fleet(1))
		s := &sender{p: p}
		for i := range 20 {
			s.send(topic, pack(i, 4))
			time.Sleep(20 * time.Millisecond)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		defer cancel()
		began := time.Now()
		p.Close(ctx)
		if took := time.Since(began); took > 11*time.Second || s.acks() != 0 {
			t.Errorf("closed after %v with %d acknowledged", took, s.acks())
		}
	})
}

func TestValidate(t *testing.T) {
	good := options(newMemory(), nil)
	if err := good.Validate(); err != nil {
		t.Fatal(err)
	}
	for name, change := range map[string]func(*ingest.Options){
		"no store":      func(o *ingest.Options) { o.Readings = nil },
		"no sink":       func(o *ingest.Options) { o.Sink = nil },
		"two levels":    func(o *ingest.Options) { o.Root = "a/b" },
		"negative size": func(o *ingest.Options) { o.BatchSamples = -1 },
	} {
		o := good
		change(&o)
		if err := o.Validate(); err == nil {
			t.Errorf("%s is taken", name)
		}
	}
}
