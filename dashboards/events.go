package dashboards

import (
	"context"
	"encoding/json"
	"fmt"
	"hash/fnv"
	"net/http"
	"slices"
	"strconv"
	"sync"
	"time"

	"dewline"
	"dewline/dashboards/access"
	"dewline/dashboards/overview"
)

// Bounds of the streams by which pages hear at once of what changes. A stream looks by itself and keeps
// nothing but what it saw last, so that no queue grows behind a reader who is slow, and no goroutine is
// there beside those of the requests. Many streams share one look: the overview is kept for a moment.
const (
	lookEvery    = 2 * time.Second
	beatEvery    = 15 * time.Second // within what proxies in between allow; and who signed out is found
	writtenIn    = 10 * time.Second // or the reader is taken for gone
	streamsOfOne = 16               // of one visitor; a page in the background has none
	streamsOfAll = 2000
	namedMost    = 100 // alerts in one piece of news
)

// news is what a stream tells: what has changed, not how. Pages ask for that where they need it.
type news struct {
	Alerts  []string           `json:"alerts,omitempty"`
	Systems []dewline.SystemID `json:"systems,omitempty"`
	All     bool               `json:"all,omitempty"` // more than is named here
}

// streams counts who listens.
type streams struct {
	mu  sync.Mutex
	of  map[string]int
	all int
}

func (c *streams) begin(who string) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.all >= streamsOfAll || c.of[who] >= streamsOfOne {
		return false
	}
	if c.of == nil {
		c.of = map[string]int{}
	}
	c.of[who]++
	c.all++
	return true
}

func (c *streams) end(who string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.all--
	if c.of[who]--; c.of[who] == 0 {
		delete(c.of, who)
	}
}

// look is what a stream saw: of each alert a number that is another one after each change that people
// would call one.
type look struct {
	of     *overview.Overview
	alerts map[string]seenAlert
	at     dewline.Millis // the newest reading of the one system
}

type seenAlert struct {
	mark    uint64
	systems []dewline.SystemID
}

func markOf(a *dewline.Alert) uint64 {
	likeliest := dewline.Fault("")
	if len(a.Causes) > 0 {
		likeliest = a.Causes[0].Fault
	}
	h := fnv.New64a()
	fmt.Fprint(h, a.ID, a.State, a.Severity, a.Conditions, likeliest, a.Cleared)
	return h.Sum64()
}

// events answers with a stream of server-sent events about all that the visitor sees, or about one
// system. The id of an event stands for what was seen with it: whoever comes back with one, or has it
// from a page, is told only if something has changed since.
func (s *server) events(w http.ResponseWriter, r *http.Request) {
	id := dewline.SystemID(r.URL.Query().Get("system"))
	if _, ok := s.overview.Fleet(r.Context()).System(id); id != "" && !ok {
		s.notFound(w, r)
		return
	}
	who := dewline.VisitorOf(r.Context()).Person
	if who == "" {
		who = access.AddressOf(r)
	}
	if !s.streams.begin(who) {
		w.Header().Set("Retry-After", "60")
		http.Error(w, "too many pages listen already", http.StatusTooManyRequests)
		return
	}
	defer s.streams.end(who)
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no") // servers in front pass each event on at once
	h.Set("No-Gzip-Compression", "1")
	if r.Method == http.MethodHead {
		return
	}
	after := r.Header.Get("Last-Event-ID")
	if after == "" {
		after = r.URL.Query().Get("after")
	}
	out := &stream{w: w, control: http.NewResponseController(w)}
	out.control.SetReadDeadline(time.Time{}) //nolint:errcheck // where it cannot be set it does not end the stream either
	s.follow(r, out, id, after)
}

// follow tells what changes until the reader is gone, or is not who they were, or the service ends.
func (s *server) follow(r *http.Request, out *stream, id dewline.SystemID, after string) {
	ctx := r.Context()
	seen := s.look(ctx, id, look{})
	first := "retry: 3000\n\n"
	if after != seen.id() {
		first += event(seen.id(), news{All: after != ""})
	}
	if out.write(first) != nil {
		return
	}
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	for quiet := time.Duration(0); ; {
		select {
		case <-ctx.Done():
			return
		case <-s.Closing:
			return
		case <-tick.C:
		}
		text := ""
		now := s.look(ctx, id, seen)
		if now.id() != seen.id() {
			text = event(now.id(), now.since(seen, id))
		} else if quiet += lookEvery; quiet >= beatEvery {
			text = ": still here\n\n"
		}
		seen = now
		if text == "" {
			continue
		}
		if quiet = 0; !s.still(r) || out.write(text) != nil {
			return
		}
	}
}

// look looks again; what has not changed is taken from the look before.
func (s *server) look(ctx context.Context, id dewline.SystemID, before look) look {
	o := s.overview.Read(ctx, s.Now)
	if o == before.of {
		before.at = s.newest(id)
		return before
	}
	alerts := o.Alerts
	if id != "" {
		alerts = o.AlertsOf(id)
	}
	now := lookAt(alerts, s.newest(id))
	now.of = o
	return now
}

func lookAt(alerts []dewline.Alert, newest dewline.Millis) look {
	l := look{alerts: make(map[string]seenAlert, len(alerts)), at: newest}
	for i := range alerts {
		l.alerts[alerts[i].ID] = seenAlert{markOf(&alerts[i]), alerts[i].Systems}
	}
	return l
}

// newest returns when a system was heard last, 0 for all systems together.
func (s *server) newest(id dewline.SystemID) dewline.Millis {
	if id == "" {
		return 0
	}
	state, _ := s.overview.State(id)
	return max(state.At, state.Received)
}

// id is the same for all that look the same.
func (l look) id() string {
	sum := uint64(l.at)
	for _, a := range l.alerts {
		sum += a.mark
	}
	return strconv.FormatUint(sum, 36)
}

// since says what has changed.
func (l look) since(before look, id dewline.SystemID) news {
	var n news
	add := func(alert string, a seenAlert) {
		n.Alerts = append(n.Alerts, alert)
		n.Systems = append(n.Systems, a.systems...)
	}
	for alert, a := range l.alerts {
		if before.alerts[alert].mark != a.mark {
			add(alert, a)
		}
	}
	for alert, a := range before.alerts {
		if _, ok := l.alerts[alert]; !ok {
			add(alert, a)
		}
	}
	if id != "" {
		n.Systems = []dewline.SystemID{id}
	}
	slices.Sort(n.Alerts)
	slices.Sort(n.Systems)
	n.Systems = slices.Compact(n.Systems)
	if len(n.Alerts) > namedMost || len(n.Systems) > namedMost {
		n = news{All: true}
	}
	return n
}

// listens returns the address by which a page hears what has changed since it was drawn.
func (l look) listens(id dewline.SystemID) string {
	address := "/events?after=" + l.id()
	if id != "" {
		address += "&system=" + string(id)
	}
	return address
}

// still says whether a request's visitor may still be here, as who they were: they may have signed out,
// or their rights may have been changed.
func (s *server) still(r *http.Request) bool {
	var now dewline.Visitor
	if s.Access != nil {
		now, _ = s.Access.Still(r.Context())
	}
	if now.Role == "" && s.Guest != nil {
		now, _ = s.Guest(r)
	}
	return now.Role != "" && now == dewline.VisitorOf(r.Context())
}

func event(id string, n news) string {
	data, err := json.Marshal(n)
	if err != nil {
		panic(err) // it is strings
	}
	return "id: " + id + "\nevent: news\ndata: " + string(data) + "\n\n"
}

// stream is the answer of a request that lasts.
type stream struct {
	w       http.ResponseWriter
	control *http.ResponseController
}

// write sends text at once, or gives the reader up. The deadline is one of the network's, by its clock.
func (s *stream) write(text string) error {
	s.control.SetWriteDeadline(time.Now().Add(writtenIn)) //nolint:errcheck // tests' writers have none
	defer s.control.SetWriteDeadline(time.Time{})         //nolint:errcheck // the end of the answer has its own time
	if _, err := s.w.Write([]byte(text)); err != nil {
		return err
	}
	return s.control.Flush()
}
