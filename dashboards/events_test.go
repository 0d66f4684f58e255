package dashboards_test

import (
	"bufio"
	"context"
	"encoding/json"
	"html"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"dewline"
	"dewline/dashboards"
	"dewline/dashboards/pagebook"
)

// listener is a reader of a stream inside a bubble: each write is seen at once.
type listener struct {
	mu     sync.Mutex
	header http.Header
	status int
	text   strings.Builder
	stuck  bool // it takes nothing more
}

func (l *listener) Header() http.Header    { return l.header }
func (l *listener) WriteHeader(status int) { l.status = status }
func (l *listener) Flush()                 {}

func (l *listener) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.stuck {
		return 0, http.ErrHandlerTimeout
	}
	return l.text.Write(b)
}

// heard returns what came since it was asked last.
func (l *listener) heard() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	defer l.text.Reset()
	return l.text.String()
}

// listen begins a stream; over is closed when its handler has returned.
func listen(ctx context.Context, h http.Handler, address, lastID string) (l *listener, over chan struct{}) {
	r := httptest.NewRequest(http.MethodGet, address, nil).WithContext(ctx)
	r.Header.Set("Accept", "text/event-stream")
	r.Header.Set("Accept-Encoding", "gzip")
	if lastID != "" {
		r.Header.Set("Last-Event-ID", lastID)
	}
	l, over = &listener{header: http.Header{}, status: http.StatusOK}, make(chan struct{})
	go func() {
		defer close(over)
		h.ServeHTTP(l, r)
	}()
	return l, over
}

// heardNews is one event.
type heardNews struct {
	id      string
	Alerts  []string `json:"alerts"`
	Systems []string `json:"systems"`
	All     bool     `json:"all"`
}

func newsOf(t *testing.T, text string) heardNews {
	t.Helper()
	var n heardNews
	for line := range strings.Lines(text) {
		if id, ok := strings.CutPrefix(line, "id: "); ok {
			n.id = strings.TrimSpace(id)
		}
		if data, ok := strings.CutPrefix(line, "data: "); ok {
			if err := json.Unmarshal([]byte(data), &n); err != nil {
				t.Fatalf("%v in %q", err, text)
			}
		}
	}
	if n.id == "" || !strings.HasSuffix(text, "\n\n") {
		t.Fatalf("%q is no event", text)
	}
	return n
}

func bubbleOptions(b *pagebook.Book) dashboards.Options {
	o := optionsFor(b)
	o.Now = time.Now // of the bubble
	return o
}

func TestEventsTellWhatChanges(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		town := pagebook.Town(noon)
		h := handler(t, bubbleOptions(town))
		ctx, leave := context.WithCancel(t.Context())
		l, over := listen(ctx, h, "/events", "")
		one, oneOver := listen(ctx, h, "/events?system=clinic/chapel-ac", "")
		other, otherOver := listen(ctx, h, "/events?system=quay-library/hall-ac", "")
		synctest.Wait()
		begin := newsOf(t, l.heard())
		if begin.All || len(begin.Alerts) > 0 {
			t.Errorf("who has just come is told of %+v", begin)
		}
		one.heard()
		other.heard()

		time.Sleep(10 * time.Second)
		synctest.Wait()
		if text := l.heard(); text != "" {
			t.Errorf("nothing has changed, and it tells %q", text)
		}
		time.Sleep(10 * time.Second)
		synctest.Wait()
		if text := l.heard(); !strings.HasPrefix(text, ":") {
			t.Errorf("no sign of life after 20 s: %q", text)
		}
		one.heard()
		other.heard()

		town.Raise("clinic/chapel-ac", dewline.HighHead, dewline.Urgent, dewline.CondenserAirflow)
		time.Sleep(5 * time.Second)
		synctest.Wait()
		raised := newsOf(t, l.heard())
		if len(raised.Alerts) != 1 || len(raised.Systems) != 1 || raised.Systems[0] != "clinic/chapel-ac" {
			t.Errorf("a new alert is told of as %+v", raised)
		}
		if n := newsOf(t, one.heard()); len(n.Alerts) != 1 || n.Alerts[0] != raised.Alerts[0] {
			t.Errorf("the machine's own page is told of %+v", n)
		}
		if text := other.heard(); text != "" {
			t.Errorf("another machine's page is told %q", text)
		}
		town.SetState(raised.Alerts[0], dewline.AlertAcknowledged)
		time.Sleep(5 * time.Second)
		synctest.Wait()
		taken := newsOf(t, l.heard())
		if len(taken.Alerts) != 1 || taken.Alerts[0] != raised.Alerts[0] || taken.id == raised.id {
			t.Errorf("an acknowledgement is told of as %+v", taken)
		}
		town.End(raised.Alerts[0])
		time.Sleep(5 * time.Second)
		synctest.Wait()
		if ended := newsOf(t, l.heard()); len(ended.Alerts) != 1 || ended.id != begin.id {
			t.Errorf("the end of an alert is told of as %+v; it looks as in the beginning, which was %s", ended, begin.id)
		}

		leave()
		<-over
		<-oneOver
		<-otherOver // the bubble would complain of any other goroutine that is left
		if l.header.Get("Content-Type") != "text/event-stream" || l.header.Get("Content-Encoding") != "" {
			t.Errorf("it came as %v", l.header)
		}
	})
}

var listensTo = regexp.MustCompile(`data-listens="([^"]+)"`)

// TestEventsComeBack: who was away is told that something has changed, and only then.
func TestEventsComeBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		town := pagebook.Town(noon)
		h := handler(t, bubbleOptions(town))
		first := func(address, lastID string) string {
			t.Helper()
			ctx, leave := context.WithCancel(t.Context())
			l, over := listen(ctx, h, address, lastID)
			synctest.Wait()
			leave()
			<-over
			return l.heard()
		}
		at := newsOf(t, first("/events", "")).id
		for _, text := range []string{first("/events", at), first("/events?after="+at, "")} {
			if strings.Contains(text, "event:") {
				t.Errorf("nothing has changed meanwhile, and it tells %q", text)
			}
		}
		for _, path := range []string{"/", "/systems/quay-library/hall-ac", "/systems/clinic/ward-hp", "/systems/clinic/new-ac"} {
			m := listensTo.FindStringSubmatch(page(t, h, path))
			if m == nil {
				t.Fatalf("%s does not listen", path)
			}
			if text := first(html.UnescapeString(m[1]), ""); strings.Contains(text, "event:") {
				t.Errorf("%s has just been drawn, and is told %q", path, text)
			}
		}
		town.Raise("clinic/chapel-ac", dewline.HighHead, dewline.Urgent, dewline.CondenserAirflow)
		time.Sleep(5 * time.Second)
		for _, text := range []string{first("/events", at), first("/events?after="+at, ""), first("/events?after=rubbish", "")} {
			if !newsOf(t, text).All {
				t.Errorf("something has changed meanwhile, and it tells %q", text)
			}
		}
	})
}

// TestEventsEnd: a stream ends with its reader, the reader's rights, the service, and when nobody reads.
func TestEventsEnd(t *testing.T) {
	for name, end := range map[string]func(l *listener, visitor *dewline.Visitor, closing chan struct{}){
		"signed out":     func(_ *listener, v *dewline.Visitor, _ chan struct{}) { *v = dewline.Visitor{} },
		"another's part": func(_ *listener, v *dewline.Visitor, _ chan struct{}) { v.Owner = "harbour" },
		"closing":        func(_ *listener, _ *dewline.Visitor, closing chan struct{}) { close(closing) },
		"stuck": func(l *listener, _ *dewline.Visitor, _ chan struct{}) {
			l.mu.Lock()
			defer l.mu.Unlock()
			l.stuck = true
		},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				town := pagebook.Town(noon)
				o := bubbleOptions(town)
				var mu sync.Mutex
				v, closing := visitor(dewline.RoleDispatcher, ""), make(chan struct{})
				o.Guest = func(*http.Request) (dewline.Visitor, bool) {
					mu.Lock()
					defer mu.Unlock()
					return v, v.Role != ""
				}
				o.Closing = closing
				l, over := listen(t.Context(), handler(t, o), "/events", "")
				synctest.Wait()
				l.heard()
				mu.Lock()
				end(l, &v, closing)
				mu.Unlock()
				town.Raise("clinic/chapel-ac", dewline.HighHead, dewline.Urgent, dewline.CondenserAirflow)
				select {
				case <-over:
				case <-time.After(time.Minute):
					t.Fatal("the stream goes on")
				}
				if text := l.heard(); text != "" {
					t.Errorf("it still tells %q", text)
				}
			})
		})
	}
}

// TestEventsOfOthers: an owner hears of their own machines alone, and a visitor has so many streams.
func TestEventsOfOthers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		town := pagebook.Town(noon)
		o := bubbleOptions(town)
		site, ok := town.Fleet.Site("quay-library")
		if !ok {
			t.Fatal("the town has no library")
		}
		o.Guest = as(visitor(dewline.RoleOwner, site.Owner))
		h := handler(t, o)
		ctx, leave := context.WithCancel(t.Context())
		l, over := listen(ctx, h, "/events", "")
		synctest.Wait()
		l.heard()
		town.Raise("clinic/chapel-ac", dewline.HighHead, dewline.Urgent, dewline.CondenserAirflow)
		time.Sleep(5 * time.Second)
		synctest.Wait()
		if text := l.heard(); text != "" {
			t.Errorf("of another owner's machine it tells %q", text)
		}
		town.Raise("quay-library/archive-ac", dewline.HighHead, dewline.Urgent, dewline.CondenserAirflow)
		time.Sleep(5 * time.Second)
		synctest.Wait()
		if n := newsOf(t, l.heard()); len(n.Systems) != 1 || n.Systems[0] != "quay-library/archive-ac" {
			t.Errorf("of the owner's machine it tells %+v", n)
		}
		all := []chan struct{}{over}
		for range 15 {
			_, over := listen(ctx, h, "/events", "")
			all = append(all, over)
		}
		synctest.Wait()
		refused, over := listen(ctx, h, "/events", "")
		<-over
		if refused.status != http.StatusTooManyRequests || refused.header.Get("Retry-After") == "" {
			t.Errorf("the 17th stream of one visitor: %d %v", refused.status, refused.header)
		}
		leave()
		for _, over := range all {
			<-over
		}
		ctx, leave = context.WithCancel(t.Context())
		again, over := listen(ctx, h, "/events", "")
		synctest.Wait()
		leave()
		<-over
		if again.status != http.StatusOK {
			t.Errorf("after all have gone: %d", again.status)
		}
	})
}

// TestEventsUnbuffered: by a real connection, a browser's request and everything in between, an event
// is there at once; and the stream ends when its session does.
func TestEventsUnbuffered(t *testing.T) {
	t.Parallel() // it waits for the next look at the session, by the clock of the network
	h := houseOf(t, nil, accountOf(t, "dora", dewline.RoleDispatcher, ""))
	b := h.browser(t)
	b.post("/sign-in", "login", "dora@example.org", "password", rightWords)
	r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, h.URL+"/events", nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Accept-Encoding", "gzip")
	r.Header.Set("Accept", "text/event-stream")
	answer, err := b.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	if answer.StatusCode != http.StatusOK || answer.Header.Get("Content-Encoding") != "" {
		t.Fatalf("%s %v", answer.Status, answer.Header)
	}
	lines := bufio.NewScanner(answer.Body)
	for lines.Scan() && !strings.HasPrefix(lines.Text(), "data:") {
	}
	if lines.Text() != "data: {}" {
		t.Fatalf("the first event is %q", lines.Text())
	}
	h.pass(5 * 24 * time.Hour) // unused for longer than a session lasts
	for lines.Scan() {
		if strings.HasPrefix(lines.Text(), "data:") {
			t.Errorf("after the session it tells %q", lines.Text())
		}
	}
	if err := lines.Err(); err != nil {
		t.Errorf("it does not end in order: %v", err)
	}
	again, err := b.Do(r.Clone(t.Context()))
	if err != nil {
		t.Fatal(err)
	}
	again.Body.Close()
	if again.StatusCode != http.StatusUnauthorized {
		t.Errorf("without a session: %s", again.Status)
	}
}
