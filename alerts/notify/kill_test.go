package notify

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"net/mail"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"dewline"
	"dewline/alerts/sqlstore"
)

// The courier of TestKilledWhileSending is this test binary, run again with these set.
const (
	killStore = "DEWLINE_KILL_STORE" // the database
	killMail  = "DEWLINE_KILL_MAIL"  // the port of the SMTP server
	killStart = "DEWLINE_KILL_START" // when the test's clock began, in Unix nanoseconds
)

// killSpeed is how much faster the courier's clock runs, so that waits of minutes take milliseconds.
const killSpeed = 600

func TestMain(m *testing.M) {
	if path := os.Getenv(killStore); path != "" {
		fmt.Println(courierUntilKilled(path))
		os.Exit(1)
	}
	os.Exit(m.Run())
}

func courierUntilKilled(path string) error {
	ctx := context.Background()
	store, err := sqlstore.Open(ctx, path, sqlstore.Options{})
	if err != nil {
		return err
	}
	port, err := strconv.Atoi(os.Getenv(killMail))
	if err != nil {
		return err
	}
	start, err := strconv.ParseInt(os.Getenv(killStart), 10, 64)
	if err != nil {
		return err
	}
	mails, err := NewMail(MailOptions{Host: "127.0.0.1", Port: port, Security: "none", From: "dewline@service.example.org"})
	if err != nil {
		return err
	}
	c, err := New(Options{
		Store: store, Senders: map[dewline.Channel]Sender{dewline.ByMail: mails, dewline.ByWebhook: NewWebhook(local, true)},
		Now: func() time.Time {
			return noon.Time().Add(killSpeed * time.Duration(time.Now().UnixNano()-start))
		},
		Jitter: rand.Float64, Every: 2 * time.Millisecond, AtOnce: 6,
	})
	if err != nil {
		return err
	}
	fmt.Println("up")
	c.Run(ctx)
	return nil
}

// receivers are what the courier sends to: they note what they take, and kill the courier at times.
type receivers struct {
	mu    sync.Mutex
	rng   *rand.Rand
	got   map[string]*receipt // by message id
	order []string            // ids as they first came
	open  int                 // connections that are not over
	kill  func()              // ends the courier now; nil when it is not to be
	after int                 // how many messages are taken before that
	t     *testing.T
}

// receipt is a message as its receivers saw it.
type receipt struct {
	to, body string
	times    int
}

// take notes one message before it is confirmed, and says whether to kill the courier right after.
func (r *receivers) take(id, to, body string) (kill func()) {
	r.mu.Lock()
	defer r.mu.Unlock()
	known, again := r.got[id]
	if !again {
		known = &receipt{to: to, body: body}
		r.got[id] = known
		r.order = append(r.order, id)
	}
	if known.times++; known.body != body || known.to != to {
		r.t.Errorf("message %s came again with other words", id)
	}
	if r.after--; r.after == 0 {
		kill, r.kill = r.kill, nil
	}
	return kill
}

func (r *receivers) connection(n int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.open += n
}

// quiet waits until what a dead courier has sent is read to its end.
func (r *receivers) quiet() {
	for {
		r.mu.Lock()
		open := r.open
		r.mu.Unlock()
		if open == 0 {
			return
		}
		time.Sleep(time.Millisecond)
	}
}

func (r *receivers) ServeHTTP(w http.ResponseWriter, q *http.Request) {
	body, err := io.ReadAll(q.Body)
	if err != nil {
		return // it died in the middle of a request
	}
	r.mu.Lock()
	fails := r.rng.IntN(5) == 0
	r.mu.Unlock()
	if fails {
		w.WriteHeader(http.StatusBadGateway)
		return
	}
	kill := r.take(q.Header.Get("webhook-id"), strings.TrimPrefix(q.URL.Path, "/"), string(body))
	if kill != nil && len(body)%2 == 0 {
		kill() // before the answer
	}
	w.WriteHeader(http.StatusOK)
	_ = http.NewResponseController(w).Flush()
	if kill != nil {
		kill() // after it
	}
}

func (r *receivers) acceptMail(m received) error {
	parsed, err := mail.ReadMessage(strings.NewReader(m.data))
	if err != nil {
		r.t.Errorf("mail: %v", err)
		return nil
	}
	id, _, _ := strings.Cut(strings.Trim(parsed.Header.Get("Message-Id"), "<>"), "@")
	to, _, _ := strings.Cut(m.to[0], "@")
	if kill := r.take(id, to, parsed.Header.Get("Subject")); kill != nil {
		if len(m.data)%2 == 0 {
			kill()
		} else {
			time.AfterFunc(500*time.Microsecond, kill) // about when the answer arrives
		}
	}
	return nil
}

// countedListener counts connections that are not over.
type countedListener struct {
	net.Listener
	r *receivers
}

type countedConn struct {
	net.Conn
	once sync.Once
	r    *receivers
}

func (l countedListener) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	if err == nil {
		l.r.connection(1)
		c = &countedConn{Conn: c, r: l.r}
	}
	return c, err
}

func (c *countedConn) Close() error {
	c.once.Do(func() { c.r.connection(-1) })
	return c.Conn.Close()
}

// TestKilledWhileSending: the courier is killed by SIGKILL again and again while alerts come and it
// sends by SMTP and HTTP to real servers. No notice is lost; each message comes exactly once, except
// that one which was taken, and not yet committed when the courier died, comes again under its id.
func TestKilledWhileSending(t *testing.T) {
	const least, most, contacts, alertsInWave = 12, 60, 12, 3
	rng := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 0))
	r := &receivers{rng: rng, got: map[string]*receipt{}, t: t}
	mails := startSMTP(t, &smtpServer{accept: r.acceptMail, wrap: func(l net.Listener) net.Listener { return countedListener{l, r} }})
	hooks := httptest.NewUnstartedServer(r)
	hooks.Listener = countedListener{hooks.Listener, r}
	hooks.Start()
	defer hooks.Close()

	d := dewline.Directory{People: []dewline.Person{{ID: "p", Name: "P", Role: dewline.RoleDispatcher}}}
	var all []string
	for i := range contacts {
		c := dewline.Contact{ID: fmt.Sprint("c", i), Person: "p", Channel: dewline.ByMail, Address: fmt.Sprintf("c%d@example.org", i), Gather: 1, Apart: 1}
		if i%2 == 1 {
			c.Channel, c.Address, c.Secrets = dewline.ByWebhook, hooks.URL+"/"+c.ID, Rotate(nil, 0)
		}
		d.Contacts, all = append(d.Contacts, c), append(all, c.ID)
	}
	d.Plans = []dewline.ContactPlan{{ID: "all", Name: "All", Least: dewline.Watch, Steps: []dewline.PlanStep{{Contacts: all}}}}
	path := filepath.Join(t.TempDir(), "dewline.db")
	store := openStore(t, path, d)
	start := time.Now().UnixNano()

	wave := 0
	more := func() {
		var changes []dewline.AlertChange
		for i := range alertsInWave {
			a := alertOf(dewline.NewSystemID("site", fmt.Sprintf("unit-%d-%d", wave, i)), dewline.Urgent)
			changes = append(changes, dewline.AlertChange{Change: dewline.Change{By: dewline.ByDewline, At: a.Detected, Why: "found"}, Alert: a})
		}
		wave++
		if err := store.PutAlerts(t.Context(), changes); err != nil {
			t.Fatal(err)
		}
	}
	seen := map[string]int{}  // how often a message had come when the last courier died
	again := map[string]int{} // how often a message was taken and not committed when the courier died
	total := func() (n int) {
		for _, k := range again {
			n += k
		}
		return n
	}
	kills := 0
	for ; kills < least || total() == 0 && kills < most; kills++ {
		more()
		child := startCourier(t, path, mails.addr.Port, start)
		kill := sync.OnceFunc(func() { _ = child.Process.Kill() })
		r.mu.Lock()
		r.kill, r.after = kill, 1+rng.IntN(6) // at an answer
		deadline := 5 * time.Second
		if kills%3 == 0 {
			r.kill, r.after = nil, 0
			deadline = time.Duration(20+rng.IntN(400)) * time.Millisecond // at any instruction
		}
		r.mu.Unlock()
		end := time.AfterFunc(deadline, kill)
		feeding, fed := time.NewTicker(20*time.Millisecond), 0
		dead := make(chan error, 1)
		go func() { dead <- child.Wait() }()
		for alive := true; alive; {
			select {
			case <-feeding.C:
				if fed++; fed < 6 {
					more()
				}
			case err := <-dead:
				if err == nil || child.ProcessState.Exited() {
					t.Fatalf("the courier ended by itself: %v", err)
				}
				alive = false
			}
		}
		feeding.Stop()
		end.Stop()
		r.quiet()
		r.mu.Lock()
		for id, got := range r.got {
			m, err := store.MessageByID(t.Context(), id)
			if err != nil {
				t.Errorf("message %s was sent and is not in the outbox: %v", id, err)
			}
			switch came := got.times - seen[id]; {
			case came > 1:
				t.Errorf("message %s came %d times from one courier", id, came)
			case came == 1 && m.State == dewline.MessagePending:
				again[id]++
			}
			seen[id] = got.times
		}
		r.mu.Unlock()
	}

	child := startCourier(t, path, mails.addr.Port, start)
	waitForAll(t, store)
	_ = child.Process.Kill()
	_ = child.Wait()
	r.quiet()
	checkReceipts(t, r, store, again, wave*alertsInWave, all)
	t.Logf("%d alerts, %d messages to %d contacts, %d kills, %d taken and not committed", wave*alertsInWave, len(r.got), contacts, kills, total())
	if total() == 0 {
		t.Error("no kill fell between an answer and its commit: the test shows too little")
	}
}

func startCourier(t *testing.T, path string, port int, start int64) *exec.Cmd {
	t.Helper()
	child := exec.Command(os.Args[0])
	child.Env = append(os.Environ(), killStore+"="+path, fmt.Sprintf("%s=%d", killMail, port), fmt.Sprintf("%s=%d", killStart, start))
	child.Stderr = os.Stderr
	out, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	if line, err := bufio.NewReader(out).ReadString('\n'); err != nil || line != "up\n" {
		t.Fatalf("the courier says %q, %v", line, err)
	}
	return child
}

// waitForAll waits until every notice is settled.
func waitForAll(t *testing.T, store *sqlstore.Store) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		news, err := store.Unplanned(t.Context(), 1)
		if err != nil {
			t.Fatal(err)
		}
		left, err := store.NoticesIn(t.Context(), dewline.NoticeFilter{States: []dewline.NoticeState{dewline.NoticeWaiting, dewline.NoticeSending}, Limit: 1})
		if err != nil {
			t.Fatal(err)
		}
		if len(news)+len(left.Notices) == 0 {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("not settled: %d news, %+v", len(news), left.Notices)
		}
	}
}

func checkReceipts(t *testing.T, r *receivers, store *sqlstore.Store, again map[string]int, alerts int, contacts []string) {
	t.Helper()
	if states := noticeStates(t, store); states["sent"] != alerts*len(contacts) || len(states) != 1 {
		t.Errorf("notices %v, want %d sent", states, alerts*len(contacts))
	}
	told, last := map[string]int{}, map[string]dewline.Stamp{}
	for _, id := range r.order {
		got := r.got[id]
		m, err := store.MessageByID(t.Context(), id)
		if err != nil || m.Contact != got.to {
			t.Errorf("message %s to %s: %+v, %v", id, got.to, m, err)
		}
		if want := 1 + again[id]; got.times != want {
			t.Errorf("message %s to %s came %d times, want %d", id, got.to, got.times, want)
		}
		if m.Made < last[got.to] {
			t.Errorf("message %s to %s overtook another", id, got.to)
		}
		last[got.to] = m.Made
		told[got.to] += m.Notices
		if strings.HasPrefix(got.body, "{") {
			var p Payload
			if err := json.Unmarshal([]byte(got.body), &p); err != nil || p.Data.Count != m.Notices || p.Data.Message != id {
				t.Errorf("webhook %s: %v, %d alerts of %d", id, err, p.Data.Count, m.Notices)
			}
		}
	}
	slices.Sort(contacts)
	for _, c := range contacts {
		if told[c] != alerts {
			t.Errorf("%s was told of %d alerts, want %d", c, told[c], alerts)
		}
	}
}
