package notify

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"dewline"
)

// Store is what the courier works on.
type Store interface {
	dewline.Outbox
	dewline.ContactBook
}

// Sender sends a message to one contact, and returns nil once whoever it was sent to has taken it.
// An error is worth another try, unless it is a [Failure] that says otherwise. at is the time of
// the attempt.
type Sender interface {
	Send(ctx context.Context, to dewline.Contact, m dewline.Message, at time.Time) error
}

// Failure is a failure to send of which more is known.
type Failure struct {
	Err     error
	ForGood bool          // this message will never be taken
	Gone    bool          // nothing will ever be taken at this address
	After   time.Duration // the receiver asks to be left alone for so long
}

// Error returns the cause.
func (f *Failure) Error() string { return f.Err.Error() }

// Unwrap returns the cause.
func (f *Failure) Unwrap() error { return f.Err }

// Retry says how often and how long a message is tried.
type Retry struct {
	First  time.Duration // from the first attempt to the second; each later wait is four times as long
	Most   time.Duration // the longest wait
	GiveUp time.Duration // after so long the message is given up
}

// DefaultRetry spans three days, as the Standard Webhooks specification recommends.
func DefaultRetry() Retry {
	return Retry{First: 5 * time.Second, Most: 6 * time.Hour, GiveUp: 72 * time.Hour}
}

// wait returns how long to wait after so many attempts. jitter, in [0, 1), spreads the waits of many
// contacts from half to one and a half times, so that a receiver that comes back is not met by all
// at once.
func (r Retry) wait(attempts int, jitter float64) time.Duration {
	wait := float64(r.First) * math.Pow(4, float64(max(attempts, 1)-1))
	return time.Duration(min(wait, float64(r.Most)) * (0.5 + jitter))
}

// Options say how a Courier works. Store, Senders, Now and Jitter are needed.
type Options struct {
	Store   Store
	Fleet   func() *dewline.Fleet
	Senders map[dewline.Channel]Sender
	Held    func(ctx context.Context, a dewline.Alert) ([]dewline.Hold, error) // nil: nothing is ever held back
	Reports Reports                                                            // nil: no monthly reports
	Link    string                                                             // where pages are, "" for no links
	Now     func() time.Time
	Jitter  func() float64 // in [0, 1)
	Retry   Retry          // DefaultRetry if zero
	Every   time.Duration  // how often to look for news, 1 s if 0
	Timeout time.Duration  // of one attempt, 30 s if 0
	AtOnce  int            // attempts under way at most, 16 if 0
	Log     *slog.Logger
	Metrics prometheus.Registerer
}

// Courier plans notices and sends messages. One works on a store at a time.
type Courier struct {
	Options
	slots chan struct{}

	mu   sync.Mutex
	busy map[string]bool // messages that are being sent
	work sync.WaitGroup

	making sync.Mutex // of messages: a contact has one under way at most

	reporting sync.Mutex               // one round of reports at a time; guards reported
	reported  map[string]dewline.Month // by contact: the newest report that is known to be in the outbox

	looked  dewline.Millis // when contacts were looked at, by Run alone
	failing []string       // what was found

	sent, failed, givenUp *prometheus.CounterVec
	failingContacts       prometheus.Gauge
}

// New returns a courier that does nothing yet.
func New(o Options) (*Courier, error) {
	if o.Store == nil || o.Now == nil || o.Jitter == nil {
		return nil, errors.New("notify: Store, Now and Jitter are needed")
	}
	if o.Retry == (Retry{}) {
		o.Retry = DefaultRetry()
	}
	if o.Retry.First <= 0 || o.Retry.Most < o.Retry.First || o.Retry.GiveUp <= 0 {
		return nil, fmt.Errorf("notify: retry %+v: the first wait and the time to give up must be positive, the longest wait not less than the first", o.Retry)
	}
	if o.Every <= 0 {
		o.Every = time.Second
	}
	if o.Timeout <= 0 {
		o.Timeout = 30 * time.Second
	}
	if o.AtOnce <= 0 {
		o.AtOnce = 16
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	c := &Courier{Options: o, slots: make(chan struct{}, o.AtOnce), busy: map[string]bool{}, reported: map[string]dewline.Month{}}
	c.sent = c.counter("messages_sent_total", "Messages that a receiver has taken.")
	c.failed = c.counter("attempts_failed_total", "Attempts to send a message that failed.")
	c.givenUp = c.counter("messages_given_up_total", "Messages that were given up.")
	c.failingContacts = prometheus.NewGauge(prometheus.GaugeOpts{Namespace: "dewline", Subsystem: "notify", Name: "contacts_failing", Help: "Contacts that cannot be told of alerts at the moment."})
	if c.Metrics != nil {
		c.Metrics.MustRegister(c.failingContacts)
	}
	return c, nil
}

func (c *Courier) counter(name, help string) *prometheus.CounterVec {
	v := prometheus.NewCounterVec(prometheus.CounterOpts{Namespace: "dewline", Subsystem: "notify", Name: name, Help: help}, []string{"channel"})
	if c.Metrics != nil {
		c.Metrics.MustRegister(v)
	}
	return v
}

// Run plans and sends until ctx ends. Attempts that are under way then may finish within 5 s: an
// answer that is not stored makes the message go again.
func (c *Courier) Run(ctx context.Context) {
	sending, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	tick := time.NewTicker(c.Every)
	defer tick.Stop()
	var reports sync.WaitGroup // not among the work, which Deliver waits for
	reports.Go(func() { c.runReports(ctx) })
	defer reports.Wait()
	for ctx.Err() == nil {
		c.pass(ctx, sending)
		select {
		case <-ctx.Done():
		case <-tick.C:
		}
	}
	grace := time.AfterFunc(5*time.Second, stop)
	defer grace.Stop()
	c.work.Wait()
}

func (c *Courier) pass(ctx, sending context.Context) {
	if err := c.Plan(ctx); err != nil && ctx.Err() == nil {
		c.Log.Error("notices cannot be planned; the next attempt follows", "err", err)
	}
	if err := c.send(ctx, sending); err != nil && ctx.Err() == nil {
		c.Log.Error("messages cannot be read; the next attempt follows", "err", err)
	}
	if err := c.lookAtContacts(ctx); err != nil && ctx.Err() == nil {
		c.Log.Error("which contacts fail cannot be read; the next attempt follows", "err", err)
	}
}

// newsAtOnce is how much news is planned in one transaction.
const newsAtOnce = 500

// Plan makes notices of all news, and messages of the notices whose time has come.
func (c *Courier) Plan(ctx context.Context) error {
	planner, heldErr, err := c.planner(ctx)
	if err != nil {
		return err
	}
	for {
		news, err := c.Store.Unplanned(ctx, newsAtOnce)
		if err != nil || len(news) == 0 {
			return errors.Join(err, c.gather(ctx, planner, heldErr))
		}
		if err := c.store(ctx, planner.News(news, c.now()), heldErr); err != nil {
			return err
		}
	}
}

func (c *Courier) gather(ctx context.Context, planner *Planner, heldErr *error) error {
	contacts, err := c.Store.DueContacts(ctx, c.now())
	if err != nil {
		return err
	}
	for _, contact := range contacts {
		if err := c.gatherFor(ctx, planner, contact, heldErr); err != nil {
			return err
		}
	}
	return nil
}

func (c *Courier) gatherFor(ctx context.Context, planner *Planner, contact string, heldErr *error) error {
	c.making.Lock()
	defer c.making.Unlock()
	waiting, to, err := c.Store.WaitingFor(ctx, contact, c.now())
	if err != nil {
		return err
	}
	return c.store(ctx, planner.Gather(contact, waiting, to, c.now()), heldErr)
}

// store keeps what the planner came to, unless it could not learn of holds: rather late than told
// against a hold.
func (c *Courier) store(ctx context.Context, work dewline.NoticeWork, heldErr *error) error {
	if *heldErr != nil {
		return *heldErr
	}
	return c.Store.SaveNotices(ctx, work)
}

// planner returns the planner of this pass. Holds are looked up when they are first asked for, and
// *heldErr says whether that failed.
func (c *Courier) planner(ctx context.Context) (p *Planner, heldErr *error, err error) {
	directory, err := c.Store.Directory(ctx)
	if err != nil {
		return nil, nil, err
	}
	p, heldErr = &Planner{Directory: directory, Link: c.Link}, new(error)
	if c.Fleet != nil {
		p.Fleet = c.Fleet()
	}
	if c.Held != nil {
		known := map[string][]dewline.Hold{}
		p.Held = func(a dewline.Alert) []dewline.Hold {
			holds, ok := known[a.ID]
			if !ok {
				var err error
				holds, err = c.Held(ctx, a)
				*heldErr = errors.Join(*heldErr, err)
				known[a.ID] = holds
			}
			return holds
		}
	}
	return p, heldErr, nil
}

func (c *Courier) now() dewline.Millis { return dewline.MillisOf(c.Now()) }

// Deliver sends every message that is due, and waits for the answers. It is not for use beside Run.
func (c *Courier) Deliver(ctx context.Context) error {
	err := c.send(ctx, ctx)
	c.work.Wait()
	return err
}

// send begins to send the messages that are due and not under way.
func (c *Courier) send(ctx, sending context.Context) error {
	list, err := c.Store.DueMessages(ctx, c.now(), 4*c.AtOnce)
	if err != nil || len(list) == 0 {
		return err
	}
	directory, err := c.Store.Directory(ctx)
	if err != nil {
		return err
	}
	for _, m := range list {
		if !c.begin(m.ID) {
			continue
		}
		select {
		case c.slots <- struct{}{}:
		case <-ctx.Done():
			c.end(m.ID)
			return ctx.Err()
		}
		c.work.Go(func() {
			defer func() { <-c.slots; c.end(m.ID) }()
			c.attempt(sending, directory, m)
		})
	}
	return nil
}

func (c *Courier) begin(message string) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.busy[message] {
		return false
	}
	c.busy[message] = true
	return true
}

func (c *Courier) end(message string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.busy, message)
}

// attempt sends a message once and stores what became of it.
func (c *Courier) attempt(ctx context.Context, d dewline.Directory, m dewline.Message) {
	// The list may have been read before an attempt that has just ended was stored.
	if fresh, err := c.Store.MessageByID(ctx, m.ID); err != nil || fresh.State != dewline.MessagePending || dewline.Millis(fresh.Next) > c.now() {
		return
	}
	contact, ok := d.Contact(m.Contact)
	err := &Failure{Err: errors.New("the contact was removed"), ForGood: true}
	var failed error = err
	switch {
	case !ok:
	case contact.Off != "":
		err.Err = errors.New("nothing is sent to this contact: " + contact.Off)
	default:
		failed = c.deliver(ctx, contact, m)
	}
	if failed != nil && ctx.Err() != nil {
		return // it was ended from here: nothing is known of the receiver
	}
	o := c.outcome(m, failed)
	c.report(contact, m, o)
	c.switchOff(ctx, contact, failed)
	if err := c.Store.Settle(ctx, o); err != nil {
		c.Log.Error("what became of a message cannot be stored; it will go again under the same id", "message", m.ID, "err", err)
	}
}

func (c *Courier) deliver(ctx context.Context, to dewline.Contact, m dewline.Message) error {
	sender, ok := c.Senders[to.Channel]
	if !ok {
		return fmt.Errorf("the channel %s is not set up: see the settings", to.Channel)
	}
	limited, cancel := context.WithTimeout(ctx, c.Timeout)
	defer cancel()
	return sender.Send(limited, to, m, c.Now())
}

// outcome says what an attempt means for its message.
func (c *Courier) outcome(m dewline.Message, failed error) dewline.SendOutcome {
	o := dewline.SendOutcome{Message: m.ID, Attempts: m.Attempts + 1, At: c.now(), State: dewline.MessageSent}
	if failed == nil {
		return o
	}
	o.State, o.Failure = dewline.MessagePending, line(failed.Error())
	f, known := errors.AsType[*Failure](failed)
	end := dewline.Millis(m.Made).Add(c.Retry.GiveUp)
	switch {
	case known && (f.ForGood || f.Gone):
		o.State, o.Reason = dewline.MessageGivenUp, dewline.BecauseRefused
	case o.At >= end:
		o.State, o.Reason = dewline.MessageGivenUp, dewline.BecauseGaveUp
		o.Failure = fmt.Sprintf("given up after %d attempts in %s; the last: %s", o.Attempts, o.At.Sub(dewline.Millis(m.Made)).Round(time.Second), o.Failure)
	default:
		wait := c.Retry.wait(o.Attempts, c.Jitter())
		if known {
			wait = max(wait, f.After)
		}
		o.Next = min(o.At.Add(wait), end)
	}
	return o
}

func (c *Courier) report(to dewline.Contact, m dewline.Message, o dewline.SendOutcome) {
	channel := string(to.Channel)
	switch o.State {
	case dewline.MessageSent:
		c.sent.WithLabelValues(channel).Inc()
	case dewline.MessagePending:
		c.failed.WithLabelValues(channel).Inc()
		c.Log.Warn("a message could not be sent; the next attempt follows", "contact", m.Contact, "message", m.ID, "attempts", o.Attempts, "next", o.Next.Time(), "err", o.Failure)
	case dewline.MessageGivenUp:
		c.givenUp.WithLabelValues(channel).Inc()
		c.Log.Error("a message was given up: its notices are not sent", "contact", m.Contact, "message", m.ID, "notices", m.Notices, "err", o.Failure)
	}
}

// switchOff ends sending to an address whose receiver says that it is gone for ever.
func (c *Courier) switchOff(ctx context.Context, to dewline.Contact, failed error) {
	if f, known := errors.AsType[*Failure](failed); known && f.Gone {
		to.Off = line(failed.Error())
		if err := c.Store.PutContact(ctx, to); err != nil {
			c.Log.Error("a contact that is gone cannot be switched off", "contact", to.ID, "err", err)
		}
	}
}

// Try sends a test to a contact at once, and returns what became of it. Nothing of it is kept.
func (c *Courier) Try(ctx context.Context, contact string) error {
	op := "test contact " + contact
	planner, _, err := c.planner(ctx)
	if err != nil {
		return err
	}
	to, ok := planner.Directory.Contact(contact)
	if !ok {
		return &dewline.Error{Code: dewline.NotFound, Op: op, Err: errors.New("there is no such contact")}
	}
	if to.Address == "" {
		return &dewline.Error{Code: dewline.Clash, Op: op, Err: errors.New("it has no address any more")}
	}
	if err := c.deliver(ctx, to, planner.testMessage(to, c.now())); err != nil {
		return &dewline.Error{Code: dewline.Unavailable, Op: op, Err: errors.New(line(err.Error()))}
	}
	return nil
}

// keepSecret is how long an old secret signs along after a new one was made.
const keepSecret = 24 * time.Hour

// NewSecret makes a new secret for a webhook and returns it, which nothing does again. The old one
// signs along for a day, so that the receiver can change over.
func (c *Courier) NewSecret(ctx context.Context, contact string) (string, error) {
	op := "new secret for " + contact
	directory, err := c.Store.Directory(ctx)
	if err != nil {
		return "", err
	}
	to, ok := directory.Contact(contact)
	switch {
	case !ok:
		return "", &dewline.Error{Code: dewline.NotFound, Op: op, Err: errors.New("there is no such contact")}
	case to.Channel != dewline.ByWebhook || to.Address == "":
		return "", &dewline.Error{Code: dewline.Clash, Op: op, Err: errors.New("only a webhook with an address has a secret")}
	}
	to.Secrets = Rotate(to.Secrets, c.now().Add(keepSecret))
	return to.Secrets[0].Key, c.Store.PutContact(ctx, to)
}
