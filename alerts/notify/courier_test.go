package notify

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"dewline"
)

// radio is a Sender that notes what it is given and answers as a test says.
type radio struct {
	mu     sync.Mutex
	sent   []dewline.Message // tests read them after synctest.Wait, when nothing is being sent
	at     []time.Time
	answer func(attempt int, to dewline.Contact, m dewline.Message) error
}

func (r *radio) Send(_ context.Context, to dewline.Contact, m dewline.Message, at time.Time) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.sent, r.at = append(r.sent, m), append(r.at, at)
	if r.answer != nil {
		return r.answer(len(r.sent), to, m)
	}
	return nil
}

func courierFor(t *testing.T, store Store, s Sender, change func(*Options)) *Courier {
	t.Helper()
	fleet := town(t)
	o := Options{Store: store, Fleet: func() *dewline.Fleet { return fleet }, Senders: map[dewline.Channel]Sender{dewline.ByMail: s},
		Now: time.Now, Jitter: func() float64 { return 0.5 }}
	if change != nil {
		change(&o)
	}
	c, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// inBubble runs a courier in fake time, from the bubble's beginning until f returns.
func inBubble(t *testing.T, d dewline.Directory, s Sender, f func(t *testing.T, m *memory, c *Courier)) {
	synctest.Test(t, func(t *testing.T) {
		m := newMemory(d)
		c := courierFor(t, m, s, nil)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { c.Run(ctx); close(done) }()
		f(t, m, c)
		cancel()
		<-done
	})
}

// TestNextWhenNobodyAcknowledges: the deadlines of people, in time.
func TestNextWhenNobodyAcknowledges(t *testing.T) {
	d := people()
	d.Rosters[0].First = "1999-12-27" // the bubble begins on Saturday, 1 January 2000
	r := &radio{}
	inBubble(t, d, r, func(t *testing.T, m *memory, c *Courier) {
		start := time.Now()
		hall, server := opened(alertOf("quay-library/hall-ac", dewline.Urgent)), opened(alertOf("quay-library/server-ac", dewline.Urgent))
		m.put(hall)
		m.put(server)
		time.Sleep(29 * time.Minute)
		synctest.Wait()
		if len(r.sent) != 1 || r.sent[0].Contact != "ana-mail" || r.at[0].Sub(start).Truncate(time.Minute) != 2*time.Minute {
			t.Fatalf("by then: %d messages at %v", len(r.sent), r.at)
		}
		m.put(then(server, "ana", func(a *dewline.Alert) { a.State = dewline.AlertAcknowledged }))
		time.Sleep(10 * time.Minute)
		synctest.Wait()
		if len(r.sent) != 2 || r.sent[1].Contact != "rui-mail" || !strings.Contains(r.sent[1].Subject, "Reading hall") || r.at[1].Sub(start).Truncate(time.Minute) != 32*time.Minute {
			t.Errorf("the next: %d messages at %v", len(r.sent), r.at)
		}
		time.Sleep(100 * time.Hour)
		synctest.Wait()
		if len(r.sent) != 2 {
			t.Errorf("told again: %d messages at %v", len(r.sent), r.at)
		}
		for _, n := range m.find(func(dewline.Notice) bool { return true }) {
			if n.State != dewline.NoticeSent && !(n.State == dewline.NoticeNotSent && n.Reason == dewline.BecauseAcknowledged) {
				t.Errorf("left: %s", said(n))
			}
		}
	})
}

// TestRetry: waits grow fourfold up to the longest, are spread by the jitter, end when the time is
// over, and then the notices say so; what came meanwhile goes after it, in one message.
func TestRetry(t *testing.T) {
	d := people()
	d.Plans[0].Steps = d.Plans[0].Steps[:1]
	var broken = errors.New("no answer\r\nX: y")
	r := &radio{answer: func(int, dewline.Contact, dewline.Message) error { return broken }}
	inBubble(t, d, r, func(t *testing.T, m *memory, c *Courier) {
		m.put(opened(alertOf("quay-library/hall-ac", dewline.Urgent)))
		time.Sleep(time.Hour)
		m.put(opened(alertOf("quay-library/server-ac", dewline.Urgent)))
		time.Sleep(70 * time.Hour)
		synctest.Wait()
		var waits []string
		for i := range r.at[1:] {
			waits = append(waits, r.at[i+1].Sub(r.at[i]).String())
		}
		if got := fmt.Sprint(waits[:8]); got != "[5s 20s 1m20s 5m20s 21m20s 1h25m20s 5h41m20s 6h0m0s]" {
			t.Errorf("waits %s", got)
		}
		first := r.sent[0].ID
		for _, x := range r.sent {
			if x.ID != first || x.Text != r.sent[0].Text {
				t.Errorf("another message before the first got through: %+v", x)
			}
		}
		behind := m.find(func(n dewline.Notice) bool { return n.Reason == dewline.BecauseBehind })
		if len(behind) != 1 || behind[0].State != dewline.NoticeWaiting {
			t.Errorf("behind: %+v", behind)
		}
		time.Sleep(2 * time.Hour) // beyond the 72 h after the message was made
		last := m.message(first)
		gone := m.find(func(n dewline.Notice) bool { return n.Message == first })
		if last.State != dewline.MessageGivenUp || gone[0].State != dewline.NoticeNotSent || gone[0].Reason != dewline.BecauseGaveUp ||
			!strings.Contains(gone[0].Why, "given up after") || strings.ContainsAny(gone[0].Why, "\r\n") {
			t.Errorf("%+v\n%+v", last, gone)
		}
		r.mu.Lock()
		broken = nil
		r.mu.Unlock()
		time.Sleep(time.Hour)
		synctest.Wait()
		if end := r.sent[len(r.sent)-1]; end.ID == first || !strings.Contains(end.Subject, "Server room") || m.message(end.ID).State != dewline.MessageSent {
			t.Errorf("what was behind: %+v", end)
		}
	})
}

func TestRefusals(t *testing.T) {
	d := people()
	d.Plans[0].Steps = d.Plans[0].Steps[:1]
	for _, c := range []struct {
		err      error
		attempts int
		state    dewline.MessageState
		off      bool
	}{
		{&Failure{Err: errors.New("550"), ForGood: true}, 1, dewline.MessageGivenUp, false},
		{fmt.Errorf("post: %w", &Failure{Err: errors.New("410"), Gone: true}), 1, dewline.MessageGivenUp, true},
		{&Failure{Err: errors.New("429"), After: 50 * time.Minute}, 1, dewline.MessagePending, false},
	} {
		r := &radio{answer: func(int, dewline.Contact, dewline.Message) error { return c.err }}
		inBubble(t, d, r, func(t *testing.T, m *memory, _ *Courier) {
			m.put(opened(alertOf("quay-library/hall-ac", dewline.Urgent)))
			time.Sleep(50 * time.Minute)
			synctest.Wait()
			off := func() string {
				d, _ := m.Directory(t.Context())
				return d.Contacts[0].Off
			}
			if len(r.sent) != c.attempts || m.message(r.sent[0].ID).State != c.state || (off() != "") != c.off {
				t.Errorf("%v: %d attempts, %+v, off %q", c.err, len(r.sent), m.message(r.sent[0].ID), off())
			}
		})
	}
}

// TestHoldsThatCannotBeRead: rather late than told against a hold.
func TestHoldsThatCannotBeRead(t *testing.T) {
	m := newMemory(people())
	fails := errors.New("the database is away")
	c := courierFor(t, m, &radio{}, func(o *Options) {
		o.Held = func(context.Context, dewline.Alert) ([]dewline.Hold, error) { return nil, fails }
	})
	m.put(opened(alertOf("quay-library/hall-ac", dewline.Urgent)))
	if err := c.Plan(t.Context()); !errors.Is(err, fails) || len(m.notices) != 0 || len(m.news) != 1 {
		t.Errorf("%v, %d notices, %d news", err, len(m.notices), len(m.news))
	}
}

// TestAnyStory: in random stories of alerts, people, holds, failing receivers and time, no news is
// lost, no notice is without a reason, no contact gets two messages closer than it asked for, and
// none gets another message before the one under way is settled.
func TestAnyStory(t *testing.T) {
	for seed := range uint64(40) {
		synctest.Test(t, func(t *testing.T) { story(t, rand.New(rand.NewPCG(seed, 6)), seed) })
	}
}

func story(t *testing.T, rng *rand.Rand, seed uint64) {
	m := newMemory(people())
	m.d.Plans[0].Least = dewline.Watch
	m.d.Rosters[0].First = "1999-12-27"
	m.d.Plans = append(m.d.Plans, dewline.ContactPlan{ID: "owner", Least: dewline.Urgent, Owners: []string{"market"}, Steps: []dewline.PlanStep{{Contacts: []string{"otto-mail"}}}})
	r := &radio{answer: func(int, dewline.Contact, dewline.Message) error {
		switch rng.IntN(10) {
		case 0:
			return &Failure{Err: errors.New("no"), ForGood: true}
		case 1, 2, 3:
			return errors.New("later")
		}
		return nil
	}}
	var heldUntil dewline.Millis
	var mu sync.Mutex
	c := courierFor(t, m, r, func(o *Options) {
		o.Jitter = func() float64 { mu.Lock(); defer mu.Unlock(); return rng.Float64() }
		o.AtOnce = 1 // one source of chance, in one order
		o.Held = func(context.Context, dewline.Alert) ([]dewline.Hold, error) {
			if now := dewline.MillisOf(time.Now()); now < heldUntil {
				return []dewline.Hold{{Kind: dewline.HoldShelved, Until: dewline.Stamp(heldUntil)}}, nil
			}
			return nil, nil
		}
	})
	step := func(d time.Duration) {
		for range int(d / (10 * time.Second)) {
			if err := c.Plan(t.Context()); err != nil {
				t.Fatalf("seed %d: %v", seed, err)
			}
			if err := c.Deliver(t.Context()); err != nil {
				t.Fatalf("seed %d: %v", seed, err)
			}
			time.Sleep(10 * time.Second)
		}
	}
	latest := map[string]dewline.News{}
	for range 25 {
		system := []dewline.SystemID{"quay-library/hall-ac", "quay-library/server-ac", "fish-market/cold-room", "nowhere/else"}[rng.IntN(4)]
		n, known := latest[string(system)]
		switch {
		case !known || n.Alert.State.Ended():
			n = opened(alertOf(system, []dewline.Severity{dewline.Watch, dewline.Soon, dewline.Urgent}[rng.IntN(3)]))
			n.Alert.ID = fmt.Sprint(system, len(m.alerts))
		default:
			n = then(n, "ana", func(a *dewline.Alert) {
				a.State = []dewline.AlertState{dewline.AlertOpen, dewline.AlertAcknowledged, dewline.AlertVerifying, dewline.AlertResolved, dewline.AlertDismissed}[rng.IntN(5)]
				a.Severity = []dewline.Severity{dewline.Watch, dewline.Soon, dewline.Urgent}[rng.IntN(3)]
			})
		}
		latest[string(system)] = n
		m.put(n)
		if rng.IntN(6) == 0 {
			heldUntil = dewline.MillisOf(time.Now()).Add(time.Duration(rng.IntN(90)) * time.Minute)
		}
		step(time.Duration(rng.IntN(20)) * time.Minute)
	}
	step(3 * time.Hour)
	checkStory(t, m, seed)
}

func checkStory(t *testing.T, m *memory, seed uint64) {
	t.Helper()
	if len(m.news) != 0 {
		t.Errorf("seed %d: news was left", seed)
	}
	told := map[string]bool{}
	for _, n := range m.notices {
		told[n.Alert] = true
		_, isMessage := m.messages[n.Message]
		switch n.State {
		case dewline.NoticeSent, dewline.NoticeSending:
			if !isMessage {
				t.Errorf("seed %d: %s in no message", seed, said(n))
			}
		default:
			if n.Reason == "" || n.Why == "" {
				t.Errorf("seed %d: %s without a reason", seed, said(n))
			}
		}
	}
	for id := range m.alerts {
		if !told[id] {
			t.Errorf("seed %d: alert %s left no notice", seed, id)
		}
	}
	byContact := map[string][]dewline.Message{}
	for _, x := range m.messages {
		byContact[x.Contact] = append(byContact[x.Contact], x)
	}
	for contact, list := range byContact {
		slices.SortFunc(list, func(a, b dewline.Message) int { return int(a.Made - b.Made) })
		for i := range list[1:] {
			if apart := list[i+1].Made - list[i].Made; apart < 900_000 {
				t.Errorf("seed %d: %s got two messages within %d s", seed, contact, apart/1000)
			}
		}
	}
	last := map[string]string{} // of each contact: the message under way
	for _, o := range m.settled {
		contact := m.messages[o.Message].Contact
		if under := last[contact]; under != "" && under != o.Message {
			t.Errorf("seed %d: %s was sent while %s was under way", seed, o.Message, under)
		}
		last[contact] = ""
		if o.State == dewline.MessagePending {
			last[contact] = o.Message
		}
	}
}

func TestTryOut(t *testing.T) {
	m := newMemory(people())
	r := &radio{}
	c := courierFor(t, m, r, nil)
	if err := c.Try(t.Context(), "ana-mail"); err != nil || len(r.sent) != 1 || len(m.messages) != 0 {
		t.Errorf("%v, sent %d, kept %d", err, len(r.sent), len(m.messages))
	}
	if err := c.Try(t.Context(), "nobody"); dewline.CodeOf(err) != dewline.NotFound {
		t.Error(err)
	}
	r.answer = func(int, dewline.Contact, dewline.Message) error { return errors.New("no answer") }
	if err := c.Try(t.Context(), "ana-mail"); dewline.CodeOf(err) != dewline.Unavailable || !strings.Contains(err.Error(), "no answer") {
		t.Error(err)
	}
	m.d.Contacts[0].Channel = dewline.ByMQTT
	if err := c.Try(t.Context(), "ana-mail"); err == nil || !strings.Contains(err.Error(), "not set up") {
		t.Error(err)
	}
}

func TestOptions(t *testing.T) {
	for _, o := range []Options{{}, {Store: newMemory(dewline.Directory{}), Now: time.Now}, {Store: newMemory(dewline.Directory{}), Now: time.Now, Jitter: rand.Float64, Retry: Retry{First: 1}}} {
		if _, err := New(o); err == nil {
			t.Errorf("%+v is taken", o)
		}
	}
}
