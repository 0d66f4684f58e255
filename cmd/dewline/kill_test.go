package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"dewline"
	"dewline/alerts"
	"dewline/alerts/sqlstore"
	"dewline/analytics"
	"dewline/ingest/senml"
	"dewline/ingest/store/embedded"
)

// The kill test: gateways publish a story of several days at 2,000 messages a second, each message
// until its PUBACK, while the service is killed by SIGKILL at random moments and started again. In
// the end every reading that was acknowledged must be in the store exactly once, and alerts and
// roll-ups must be those of the same story told undisturbed.
//
// DEWLINE_KILL_SEED=N repeats the moments of a run. `make kill-long` is the long form.

// killStory is what the gateways publish. Event time runs much faster than the clock; the gateways
// keep in step, as live ones would by nature.
type killStory struct {
	program  string // under test
	fleet    *benchFleet
	start    dewline.Millis
	interval dewline.Millis
	rounds   int
	rate     float64 // messages a second, of all gateways
}

// The story's fleet. What happens in it is in tells.
const (
	killGateways   = 6
	killSystems    = 30
	killInterval   = dewline.Millis(5 * 60_000)
	killRate       = 2000
	killDay        = dewline.Millis(24 * 3_600_000)
	killHour       = dewline.Millis(3_600_000)
	killStepRounds = 5 // 25 min of event time: within what makes a system silent
)

func newKillStory(t *testing.T, program string, messages int) *killStory {
	t.Helper()
	fleet, err := newBenchFleet(killGateways, killSystems, 1)
	if err != nil {
		t.Fatal(err)
	}
	s := &killStory{program: program, fleet: fleet, interval: killInterval, rounds: messages / killSystems, rate: killRate}
	// It ends well before now, so that nothing is from the future, and begins at midnight, so that
	// every run has the same days.
	length := time.Duration(s.rounds) * time.Duration(killInterval) * time.Millisecond
	s.start = dewline.MillisOf(time.Now().Add(-length - 24*time.Hour).Truncate(24 * time.Hour))
	for _, site := range fleet.sites {
		for _, m := range site {
			m.wet = false
		}
	}
	return s
}

func (s *killStory) at(round int) dewline.Millis { return s.start + dewline.Millis(round)*s.interval }

// tells appends what a system sends in a round, nothing when it is cut off. Of the machines, two
// flood for a day, one of them again two days later; one system and one whole site fall silent for
// hours, twice; all that again every four days; one is cut off to the end. The last hours are quiet for all others, so that nothing
// is under way when the story ends.
func (s *killStory) tells(gateway, system int, m *benchMachine, round int, dst []dewline.Sample) []dewline.Sample {
	at := s.at(round)
	age, left := at-s.start, s.at(s.rounds)-at
	between := func(from, to dewline.Millis) bool {
		again := age % (4 * killDay)
		return from <= again && again < to && left > 6*killHour
	}
	m.wet = false
	switch {
	case gateway == 1 && system == 0:
		m.wet = between(3*killHour, 20*killHour)
	case gateway == 2 && system == 1:
		m.wet = between(10*killHour, 14*killHour) || between(2*killDay+5*killHour, 2*killDay+15*killHour)
	}
	all := m.readings(at, dst) // in any case, so that the noise is the same
	switch {
	case gateway == 3 && system == 2 && between(5*killHour, 11*killHour),
		gateway == 4 && (between(8*killHour, 10*killHour) || between(killDay+8*killHour, killDay+9*killHour)),
		gateway == 5 && system == 3 && age > killDay:
		return dst
	}
	return all
}

// messages calls each for every message of one gateway in one round.
func (s *killStory) messages(gateway, round int, each func(m *benchMachine, samples []dewline.Sample) error) error {
	var samples []dewline.Sample
	for i, m := range s.fleet.sites[gateway] {
		if samples = s.tells(gateway, i, m, round, samples[:0]); len(samples) == 0 {
			continue
		}
		if err := each(m, samples); err != nil {
			return err
		}
	}
	return nil
}

// killRun is the gateways that tell a story.
type killRun struct {
	story    *killStory
	gateways []*benchGateway
	step     *inStep
	acked    atomic.Int64
	sent     []map[dewline.SystemID]map[dewline.Point][]dewline.Value // by gateway
}

// newKillRun makes the gateways of a story. Without a password they log in at a broker that asks
// for none.
func newKillRun(story *killStory, addr string, passwords map[dewline.GatewayID]string) *killRun {
	r := &killRun{story: story, step: newInStep(killGateways, killStepRounds), sent: make([]map[dewline.SystemID]map[dewline.Point][]dewline.Value, killGateways)}
	for g, id := range story.fleet.gateways()[:killGateways] {
		gw := newBenchGateway(addr, string(id), passwords[id], 256, func(benchMessage, time.Time) { r.acked.Add(1) })
		r.gateways = append(r.gateways, gw)
		r.sent[g] = map[dewline.SystemID]map[dewline.Point][]dewline.Value{}
	}
	return r
}

// tell publishes the whole story and returns when everything is acknowledged.
func (r *killRun) tell(ctx context.Context) error {
	var work sync.WaitGroup
	problems := make([]error, killGateways)
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	for g := range r.gateways {
		go r.gateways[g].run(ctx)
		work.Go(func() { problems[g] = r.tellOne(ctx, g) })
	}
	work.Wait()
	return errors.Join(problems...)
}

// tellOne publishes the story of one gateway. A round is done when it is acknowledged: the broker
// has it then, in this order, whatever happens.
func (r *killRun) tellOne(ctx context.Context, gateway int) error {
	g := r.gateways[gateway]
	pace := newPace(r.story.rate, killSystems, len(r.story.fleet.sites[gateway]))
	for round := range r.story.rounds {
		if err := r.step.wait(ctx, round); err != nil {
			return err
		}
		left := &atomic.Int64{}
		left.Add(1) // until all are published
		landed := func() {
			if left.Add(-1) == 0 {
				r.step.finished(gateway, round)
			}
		}
		err := r.story.messages(gateway, round, func(m *benchMachine, samples []dewline.Sample) error {
			if err := pace.wait(ctx, g); err != nil {
				return err
			}
			r.note(gateway, samples)
			left.Add(1)
			return g.publishThen(ctx, m.topic, senml.AppendJSON(nil, "", samples, nil), len(samples), landed)
		})
		if err != nil {
			return err
		}
		g.flush()
		landed()
	}
	return g.drained(ctx)
}

// note remembers what is published, which in the end is what is acknowledged.
func (r *killRun) note(gateway int, samples []dewline.Sample) {
	of := r.sent[gateway][samples[0].System]
	if of == nil {
		of = map[dewline.Point][]dewline.Value{}
		r.sent[gateway][samples[0].System] = of
	}
	for _, s := range samples {
		of[s.Point] = append(of[s.Point], dewline.Value{At: s.At, Value: s.Value})
	}
}

// killResult is what stands in a data folder after a run.
type killResult struct {
	alerts   string // as the API lists them
	open     int
	cleared  int
	rollUps  []dewline.RollUp
	readings int
}

// killService prepares a service for the story and starts it.
func killService(t *testing.T, story *killStory, settings string) (*benchChild, string) {
	t.Helper()
	folder := t.TempDir()
	c, err := prepareChild(t.Context(), benchPlan{program: story.program, folder: folder, fleet: story.fleet.fleet, gateways: story.fleet.gateways(), settings: settings})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.kill)
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("the last that the service said:\n%s", c.lastWords())
		}
	})
	waitReady(t, c)
	return c, filepath.Join(folder, "data")
}

// killProgram returns the program under test: this test binary, which testscript.Main makes a
// dewline. The race detector would make it five times slower and finds nothing in a process that is
// killed; then a plain one is built.
func killProgram(t *testing.T) string {
	t.Helper()
	info, _ := debug.ReadBuildInfo()
	if !slices.Contains(info.Settings, debug.BuildSetting{Key: "-race", Value: "true"}) {
		program, err := exec.LookPath("dewline")
		if err != nil {
			t.Fatal(err)
		}
		return program
	}
	folder := t.TempDir()
	if said, err := exec.Command("go", "build", "-o", folder, ".").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, said)
	}
	return filepath.Join(folder, "dewline")
}

func waitReady(t *testing.T, c *benchChild) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	if err := c.ready(ctx); err != nil {
		t.Fatal(err)
	}
}

// finishService waits until the service has taken everything, ends it in order and checks what it
// has kept against what was sent.
func finishService(t *testing.T, c *benchChild, data string, r *killRun, lossAllowed bool) (result killResult, lost int) {
	t.Helper()
	waitReady(t, c)
	waitTaken(t, c)
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	result.readings, lost = checkReadings(t, data, r, lossAllowed)
	readResult(t, data, r.story, &result)
	return result, lost
}

// waitTaken waits until nothing waits at the broker. The embedded one says so; of another one only
// the silence tells.
func waitTaken(t *testing.T, c *benchChild) {
	t.Helper()
	const taken = "dewline_ingest_messages_total"
	before, quiet := -1.0, 0
	for deadline := time.Now().Add(2 * time.Minute); ; time.Sleep(500 * time.Millisecond) { // the queue's gauge is up to 250 ms old
		m, err := c.metrics()
		if quiet++; err != nil || m[metricQueue] != 0 || m[taken] != before {
			quiet = 0
		}
		_, embedded := m[metricQueue]
		if quiet > 0 && embedded || quiet >= 6 {
			return
		}
		before = m[taken]
		if time.Now().After(deadline) {
			t.Fatalf("the service has not taken all messages in two minutes: %v in the queue, %v\n%s", m[metricQueue], err, c.lastWords())
		}
	}
}

// checkReadings opens the store and compares it with all that was sent: nothing is missing, nothing
// is there twice, nothing is there that was not sent.
func checkReadings(t *testing.T, data string, r *killRun, lossAllowed bool) (found, lost int) {
	t.Helper()
	store, err := embedded.Open(readingsPath(data), embedded.DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	wrong := 0
	for _, gateway := range r.sent {
		for id, points := range gateway {
			for _, p := range dewline.Points() {
				if p.Dimension() == dewline.EventText {
					continue
				}
				got, err := store.Read(t.Context(), id, p, 0, r.story.start*2, nil)
				if err != nil {
					t.Fatal(err)
				}
				found += len(got)
				missing, strange := compare(points[p], got)
				lost += len(missing)
				if (len(missing) > 0 && !lossAllowed || len(strange) > 0) && wrong < 5 {
					wrong++
					t.Errorf("%s %s: of %d acknowledged readings %d are missing %v, %d of %d found were not sent or are there twice %v",
						id, p, len(points[p]), len(missing), firstTimes(missing), len(strange), len(got), firstTimes(strange))
				}
			}
		}
	}
	return found, lost
}

// compare returns what of want is not in got, and what of got has no partner in want. Both are in
// the order of time.
func compare(want, got []dewline.Value) (missing, strange []dewline.Value) {
	for len(want) > 0 && len(got) > 0 {
		switch c := cmp.Compare(want[0].At, got[0].At); {
		case c == 0 && want[0].Value == got[0].Value:
			want, got = want[1:], got[1:]
		case c < 0:
			missing, want = append(missing, want[0]), want[1:]
		default:
			strange, got = append(strange, got[0]), got[1:]
		}
	}
	return append(missing, want...), append(strange, got...)
}

func firstTimes(values []dewline.Value) []string {
	var times []string
	for _, v := range values[:min(3, len(values))] {
		times = append(times, v.At.Time().Format(time.RFC3339))
	}
	return times
}

// readResult reads alerts and roll-ups.
func readResult(t *testing.T, data string, story *killStory, result *killResult) {
	t.Helper()
	db, err := sqlstore.Open(t.Context(), databasePath(data), sqlstore.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	page, err := db.AlertsIn(t.Context(), dewline.AlertFilter{})
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range page.Alerts {
		if a.Cleared == 0 {
			result.open++
		} else {
			result.cleared++
		}
	}
	var text bytes.Buffer
	if err := writeAlerts(&text, page.Alerts); err != nil {
		t.Fatal(err)
	}
	result.alerts = text.String()
	for _, s := range story.fleet.fleet.Systems() {
		all, err := db.ReadRollUps(t.Context(), s.ID, []string{"suction_pressure", "superheat"}, 0, story.start*2)
		if err != nil {
			t.Fatal(err)
		}
		result.rollUps = append(result.rollUps, slices.Concat(all...)...)
	}
}

// replayed returns the alerts of the story by the engine alone, as `dewline replay` has them.
func (s *killStory) replayed(t *testing.T) string {
	t.Helper()
	engine := analytics.NewEngine(analytics.DefaultOptions())
	if err := engine.SetFleet(s.fleet.fleet); err != nil {
		t.Fatal(err)
	}
	book, kept := alerts.NewBook(), map[string]dewline.Alert{}
	book.Fleet = s.fleet.fleet
	take := func() {
		var out analytics.Output
		engine.Drain(&out)
		for _, c := range book.Apply(out.Findings) {
			kept[c.Alert.ID] = c.Alert
		}
	}
	for round := range s.rounds {
		for g := range killGateways {
			if err := s.messages(g, round, func(_ *benchMachine, samples []dewline.Sample) error {
				engine.Offer(samples)
				return nil
			}); err != nil {
				t.Fatal(err)
			}
		}
		take()
	}
	engine.Finish()
	take()
	list := []dewline.Alert{}
	for _, a := range kept {
		list = append(list, a)
	}
	alerts.Sort(list)
	var text bytes.Buffer
	if err := writeAlerts(&text, list); err != nil {
		t.Fatal(err)
	}
	return text.String()
}

// disturb kills and restarts processes in turn, at random moments, until the story is told or they
// were killed often enough. It returns how often it did.
func disturb(t *testing.T, rng *rand.Rand, plan killPlan, done <-chan struct{}, victims ...victim) int {
	t.Helper()
	for n := range plan.kills {
		// Some kills hit a service that has only just begun to start.
		wait := time.Duration(rng.Int64N(int64(2 * plan.between)))
		select {
		case <-done:
			return n
		case <-time.After(wait):
		}
		v := victims[n%len(victims)]
		v.kill()
		if err := v.start(); err != nil {
			t.Error(err)
			return n
		}
	}
	return plan.kills
}

// victim is a process that is killed.
type victim interface {
	kill()
	start() error
}

// killPlan says how often something is killed while how many messages are sent.
type killPlan struct {
	messages, kills int
	between         time.Duration // two kills, on average
}

var (
	// shortKills are 3.5 days of 30 systems.
	shortKills = killPlan{messages: 30_000, kills: 4, between: 1700 * time.Millisecond}
	// longKills are 17 days.
	longKills = killPlan{messages: 150_000, kills: 20, between: 1700 * time.Millisecond}
)

var killLong = flag.Bool("kill.long", false, "run the long form of the kill test")

func killSeed(t *testing.T) *rand.Rand {
	t.Helper()
	seed := uint64(time.Now().UnixNano())
	if text := os.Getenv("DEWLINE_KILL_SEED"); text != "" {
		var err error
		if seed, err = strconv.ParseUint(text, 10, 64); err != nil {
			t.Fatalf("DEWLINE_KILL_SEED: %v", err)
		}
	}
	t.Logf("DEWLINE_KILL_SEED=%d", seed)
	return rand.New(rand.NewPCG(seed, 1))
}

// tellWhileKilling tells a story to a service that is killed meanwhile.
func tellWhileKilling(t *testing.T, story *killStory, rng *rand.Rand, plan killPlan) killResult {
	t.Helper()
	c, data := killService(t, story, "")
	r := newKillRun(story, c.mqtt, c.passwords)
	r.tellAndDisturb(t, rng, plan, c)
	result, _ := finishService(t, c, data, r, false)
	t.Log(result)
	return result
}

// tellAndDisturb tells the story while the victims are killed.
func (r *killRun) tellAndDisturb(t *testing.T, rng *rand.Rand, plan killPlan, c *benchChild, others ...victim) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Minute)
	defer cancel()
	done := make(chan struct{})
	began := time.Now()
	var err error
	go func() { defer close(done); err = r.tell(ctx) }()
	killed := disturb(t, rng, plan, done, append([]victim{c}, others...)...)
	<-done
	if err != nil {
		t.Fatalf("%v\n%s", err, c.lastWords())
	}
	took := time.Since(began)
	t.Logf("%d messages acknowledged in %.1f s (%.0f a second) with %d kills", r.acked.Load(), took.Seconds(), float64(r.acked.Load())/took.Seconds(), killed)
	if killed < plan.kills {
		t.Errorf("the story was over after %d of %d kills: tell a longer one", killed, plan.kills)
	}
}

// sameResult compares the results of two runs.
func sameResult(t *testing.T, got, want killResult) {
	t.Helper()
	if got.alerts != want.alerts {
		t.Errorf("the alerts of the killed service differ from those of an undisturbed one:\n%s", lineDiff(want.alerts, got.alerts))
	}
	if !slices.Equal(got.rollUps, want.rollUps) {
		t.Errorf("the roll-ups of the killed service differ from those of an undisturbed one: %s", firstRowDiff(want.rollUps, got.rollUps))
	}
}

func firstRowDiff(want, got []dewline.RollUp) string {
	for i := range min(len(want), len(got)) {
		if want[i] != got[i] {
			return fmt.Sprintf("of %d and %d rows number %d is\n%+v, not\n%+v", len(want), len(got), i, got[i], want[i])
		}
	}
	return fmt.Sprintf("%d rows, not %d", len(got), len(want))
}

// lineDiff shows the lines of one text that are not in the other.
func lineDiff(want, got string) string {
	var b strings.Builder
	w, g := strings.Split(want, "\n"), strings.Split(got, "\n")
	for _, line := range w {
		if !slices.Contains(g, line) {
			fmt.Fprintln(&b, "- "+line)
		}
	}
	for _, line := range g {
		if !slices.Contains(w, line) {
			fmt.Fprintln(&b, "+ "+line)
		}
	}
	return b.String()
}

func (r killResult) String() string {
	return fmt.Sprintf("%d readings stored, %d alerts open, %d cleared, %d roll-ups", r.readings, r.open, r.cleared, len(r.rollUps))
}

func TestKill(t *testing.T) {
	rng, program, plan := killSeed(t), killProgram(t), shortKills
	if *killLong {
		plan = longKills
	}
	killed := tellWhileKilling(t, newKillStory(t, program, plan.messages), rng, plan)

	undisturbed := newKillStory(t, program, plan.messages)
	undisturbed.rate = 0 // as fast as it goes
	calm := tellWhileKilling(t, undisturbed, rng, killPlan{})
	sameResult(t, killed, calm)
	if replayed := newKillStory(t, program, plan.messages).replayed(t); replayed != calm.alerts {
		t.Errorf("the alerts of the service differ from those of a replay:\n%s", lineDiff(replayed, calm.alerts))
	}
	// The story must have something in it, or the comparison says nothing.
	for _, word := range []string{`"flooding"`, `"silent"`, `"system":null`, `"resolved"`, `"open"`} {
		if !strings.Contains(calm.alerts, word) {
			t.Errorf("the story has no alert with %s", word)
		}
	}
	if *killLong {
		t.Run("service beside Mosquitto", func(t *testing.T) { killBesideMosquitto(t, program, rng, false) })
		t.Run("service and Mosquitto", func(t *testing.T) { killBesideMosquitto(t, program, rng, true) })
	}
}

// killBesideMosquitto tells the story through an external broker. While that lives nothing may be
// lost. Mosquitto 2.0 keeps sessions and queues in memory and saves them every half hour (its
// autosave_interval), so that its own death loses what was acknowledged and not yet taken: how much
// is said here, and is no error of Dewline. What is left must still be there once.
func killBesideMosquitto(t *testing.T, program string, rng *rand.Rand, both bool) {
	run := &benchRun{folder: t.TempDir()}
	m, err := run.startMosquitto(t.Context(), "mosquitto")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(m.stop)
	plan := longKills
	story := newKillStory(t, program, plan.messages)
	c, data := killService(t, story, "broker: {url: "+m.address+"}\n")
	r := newKillRun(story, strings.TrimPrefix(m.address, "mqtt://"), nil)
	var others []victim
	if both {
		others = append(others, m)
	}
	r.tellAndDisturb(t, rng, plan, c, others...)
	result, lost := finishService(t, c, data, r, both)
	t.Logf("%v, %d acknowledged readings lost by the death of Mosquitto", result, lost)
	if both {
		return
	}
	if replayed := newKillStory(t, program, plan.messages).replayed(t); replayed != result.alerts {
		t.Errorf("the alerts of the killed service differ from those of a replay:\n%s", lineDiff(replayed, result.alerts))
	}
}
