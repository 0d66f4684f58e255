package dashboards

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"dewline"
	"dewline/dashboards/access"
	"dewline/dashboards/api"
	"dewline/dashboards/overview"
)

// Events is the part of dewline.Events that pages read.
type Events interface {
	EventsOf(ctx context.Context, id dewline.SystemID, from, to dewline.Millis) ([]dewline.Event, error)
}

// Check is the outcome of one look at something that the service needs.
type Check struct {
	Name   string // "broker", "store", "disk"
	OK     bool
	Warns  bool   // it is OK, and Detail says what somebody should look at all the same
	Detail string // what is wrong and what to do; what is well, where that is worth a word
}

// Progress is how far something that takes a while has come.
type Progress struct {
	Label string // "History is arriving"
	Unit  string // "readings"
	Done  int64
	Total int64 // 0 where nobody knows
}

// Options are what pages and API read from, and what they have to know. All but Now may be left
// out: what is missing is then said to be missing.
type Options struct {
	Fleet    func() *dewline.Fleet // what is enrolled; may be exchanged at any time
	States   dewline.StateReader   // the latest state of each system
	Series   dewline.SeriesReader  // stored and derived series
	Alerts   overview.Alerts       // a dewline.Alerts
	Rejects  api.Rejects           // a dewline.Rejects
	Desk     dewline.AlertDesk     // where people work on alerts
	Service  dewline.ServiceDesk   // service calls and visits
	Contacts dewline.ContactBook   // who hears of alerts
	Messages api.Notices           // what they were told, of a dewline.Outbox
	Courier  api.Courier           // sends tests
	Ledger   dewline.Ledger        // refrigerant records
	Papers   dewline.Papers        // documents
	Owners   dewline.OwnerMonths   // what a month was for an owner
	Calendar dewline.Calendar      // feeds of service calls
	Photos   dewline.Photos        // pictures of visits
	Events   Events                // a dewline.Events
	// Enrolment keeps what is enrolled, Gateways the credentials by which gateways connect at the address
	// of GatewaysAt: nil where an MQTT broker of one's own does.
	Enrolment  dewline.Enrolment
	Gateways   dewline.Gateways
	GatewaysAt func() string
	Checks     func() []Check      // for /readyz and the pages; the service is ready when all are OK
	Metrics    prometheus.Gatherer // for /metrics
	Progress   func() []Progress   // what is going on, nothing when empty
	Now        func() time.Time    // the wall clock: ages, and the end of a chart
	Notices    []string            // sentences that every page shows: that it is open, that it is plaintext
	Log        *slog.Logger        // nil: no log

	// Access lets people and programs in; nil: nobody can sign in.
	Access *access.Gate
	// Guest is whom a request counts as that nobody has signed in for; nil, or false: a stranger.
	Guest func(r *http.Request) (dewline.Visitor, bool)
	// Closing is closed when the service begins to end: streams then do, that no answer is waited for in
	// vain; nil: never.
	Closing <-chan struct{}
}

// Validate says what is missing.
func (o Options) Validate() error {
	if o.Now == nil {
		return errors.New("dashboards: Options.Now is missing: pass time.Now")
	}
	return nil
}

func (o Options) checks() []Check {
	if o.Checks == nil {
		return nil
	}
	return o.Checks()
}

func (o Options) progress() []Progress {
	if o.Progress == nil {
		return nil
	}
	return o.Progress()
}
