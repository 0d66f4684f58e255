package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"time"

	"dewline"
	"dewline/ingest/senml"
)

// benchCommand measures the service on this machine. The figures of one machine are in BENCH.md.
type benchCommand struct {
	Ingest benchIngest `cmd:"" help:"Send as many readings as the service takes, or as --rate says, and measure what they cost."`
	Fleet  benchLive   `cmd:"" help:"Send a large fleet's readings as they come, or its gateways' return after an outage, and measure how late they are."`
	Store  benchStore  `cmd:"" help:"Fill the store with a year, and measure its size and how fast it is read."`
	Pages  benchPages  `cmd:"" help:"Measure the pages of a large fleet: how long they take, what a browser loads, and when something is seen."`
	Serve  benchServe  `cmd:"" hidden:""`
}

// benchSettings are what all benches can be told.
type benchSettings struct {
	Folder  string `placeholder:"DIR" help:"Where the run keeps its data; they are removed at the end (default: the system's folder for such)."`
	Report  string `placeholder:"FILE" help:"Keep the output in this file, in the place of the last one of the same command."`
	Seed    uint64 `default:"1" help:"Of the readings' noise."`
	Profile string `placeholder:"FILE" help:"Keep the profile of the service's processor use in this file, for go tool pprof."`
	Top     bool   `help:"Print the functions that take most, too."`
}

// benchRun is what a bench needs while it runs.
type benchRun struct {
	benchSettings
	*benchReport
	std     *streams
	folder  string
	command string // as typed
}

// begin makes the folder of a run. The command is the one to print above the results.
func (c benchSettings) begin(std *streams) (*benchRun, error) {
	folder, err := os.MkdirTemp(c.Folder, "dewline-bench-")
	if err != nil {
		return nil, err
	}
	return &benchRun{benchSettings: c, benchReport: &benchReport{out: std.out}, std: std, folder: folder, command: benchCommandLine(os.Args)}, nil
}

// benchCommandLine is the command without where its output goes, which changes no result.
func benchCommandLine(args []string) string {
	kept := []string{"dewline"}
	for i := 1; i < len(args); i++ {
		if name, _, joined := strings.Cut(args[i], "="); name == "--report" || name == "--folder" || name == "--profile" {
			if !joined {
				i++
			}
			continue
		}
		kept = append(kept, args[i])
	}
	return strings.Join(kept, " ")
}

// end keeps the report and removes the folder.
func (r *benchRun) end() error {
	return errors.Join(r.keep(r.Report, r.command, machineText()), os.RemoveAll(r.folder))
}

func (r *benchRun) say(format string, args ...any) { fmt.Fprintf(r.std.err, format+"\n", args...) }

// machineText says what the figures were measured on.
func machineText() string {
	model := runtime.GOARCH
	if text, err := os.ReadFile("/proc/cpuinfo"); err == nil {
		for line := range strings.Lines(string(text)) {
			if name, value, ok := strings.Cut(line, ":"); ok && strings.TrimSpace(name) == "model name" {
				model = strings.TrimSpace(value)
				break
			}
		}
	}
	return fmt.Sprintf("%d cores (%s), %s, %s", runtime.NumCPU(), model, runtime.GOOS, runtime.Version())
}

// child prepares a service under test and starts it.
func (r *benchRun) child(ctx context.Context, fleet *benchFleet, settings string, credentials bool) (*benchChild, error) {
	program, err := exec.LookPath(os.Args[0]) // a test's program tells by this name what it is
	if err != nil {
		return nil, err
	}
	plan := benchPlan{program: program, folder: r.folder, fleet: fleet.fleet, settings: settings, profiled: true}
	if credentials {
		plan.gateways = fleet.gateways()
	}
	c, err := prepareChild(ctx, plan)
	if err != nil {
		return nil, err
	}
	began := time.Now()
	if err := c.start(); err != nil {
		return nil, err
	}
	wait, cancel := context.WithTimeout(ctx, 5*time.Minute)
	defer cancel()
	if err := c.ready(wait); err != nil {
		c.kill()
		return nil, err
	}
	r.say("the service is ready after %.1f s, pages at http://%s", time.Since(began).Seconds(), c.http)
	return c, nil
}

// benchSenders are the gateways of a run and what they know of its acknowledgements.
type benchSenders struct {
	fleet    *benchFleet
	gateways []*benchGateway // one for each site; the probe's is the last
	cbor     bool

	mu       sync.Mutex
	puback   latencies
	counting bool
	readings int64 // acknowledged, all
}

// connectSenders connects all gateways at once and returns when they are.
func connectSenders(ctx context.Context, fleet *benchFleet, addr string, passwords map[dewline.GatewayID]string, window int, cbor bool) (*benchSenders, error) {
	s := &benchSenders{fleet: fleet, cbor: cbor}
	for _, id := range fleet.gateways() {
		g := newBenchGateway(addr, string(id), passwords[id], window, s.acked)
		s.gateways = append(s.gateways, g)
		go g.run(ctx)
	}
	deadline := time.Now().Add(time.Minute)
	for _, g := range s.gateways {
		for {
			times, refused := g.connected()
			if times > 0 {
				break
			}
			if ctx.Err() != nil || time.Now().After(deadline) {
				return nil, errors.Join(fmt.Errorf("gateway %s is not connected after a minute", g.user), refused)
			}
			time.Sleep(time.Millisecond)
		}
	}
	return s, nil
}

// acked counts an acknowledgement. A tag below zero marks what is not to be timed.
func (s *benchSenders) acked(m benchMessage, at time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.readings += int64(max(m.tag, -m.tag))
	if s.counting && m.tag > 0 {
		s.puback = append(s.puback, at.Sub(m.sent))
	}
}

// count begins or ends the timing of acknowledgements.
func (s *benchSenders) count(on bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.counting = on
}

func (s *benchSenders) total() int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.readings
}

func (s *benchSenders) encode(samples []dewline.Sample) []byte {
	if s.cbor {
		return senml.AppendCBOR(make([]byte, 0, 32*len(samples)), "", samples, nil)
	}
	return senml.AppendJSON(make([]byte, 0, 64*len(samples)), "", samples, nil)
}

// drain waits until all is acknowledged.
func (s *benchSenders) drain(ctx context.Context) error {
	for _, g := range s.gateways {
		if err := g.drained(ctx); err != nil {
			return err
		}
	}
	return nil
}

// probeEvery is how often a run finds out how long a reading takes until it can be read back.
const probeEvery = 250 * time.Millisecond

// probes publishes a reading now and again, at the event time that now returns, and times when the
// API gives it back, until ctx ends.
func (s *benchSenders) probes(ctx context.Context, c *benchChild, now func() dewline.Millis, result *latencies) error {
	gateway := s.gateways[len(s.gateways)-1]
	var last dewline.Millis
	tick := time.NewTicker(probeEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		last = max(last+1, now())
		sample := dewline.Sample{System: probeSystem, Point: dewline.SpaceTemp, At: last, Value: float64(last%1000) / 10}
		began := time.Now()
		if err := gateway.publish(ctx, "dewline/"+string(probeSystem)+"/readings", s.encode([]dewline.Sample{sample}), -1); err != nil {
			return nil
		}
		gateway.flush()
		if err := c.probe(ctx, sample); err != nil {
			if ctx.Err() != nil {
				return nil
			}
			return err
		}
		*result = append(*result, time.Since(began))
	}
}

// settled waits until the service has stored all that was acknowledged, and returns its metrics and
// how many readings are missing.
func (s *benchSenders) settled(ctx context.Context, c *benchChild) (metrics, int64, error) {
	for {
		m, err := c.metrics()
		if err != nil {
			return nil, 0, err
		}
		missing := s.total() - int64(m[metricStored])
		if missing == 0 || ctx.Err() != nil {
			return m, missing, nil
		}
		select {
		case <-ctx.Done():
		case <-time.After(200 * time.Millisecond):
		}
	}
}

// watched samples the memory of a process every second until ctx ends.
func watched(ctx context.Context, c *benchChild, each func(usage)) {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			if u, err := c.usage(); err == nil {
				each(u)
			}
		}
	}
}

// memoryText says how resident memory went: at the quarters of the run, and at most.
func memoryText(rss []float64) string {
	if len(rss) == 0 {
		return "not measured"
	}
	at := func(q float64) float64 { return rss[int(q*float64(len(rss)-1))] }
	most := 0.0
	for _, v := range rss {
		most = max(most, v)
	}
	return fmt.Sprintf("%s, %s, %s, %s, %s; at most %s", mib(at(0)), mib(at(0.25)), mib(at(0.5)), mib(at(0.75)), mib(at(1)), mib(most))
}

// memoryParts writes what the memory of the service consists of.
func (r *benchRun) memoryParts(ctx context.Context, c *benchChild) error {
	before, err := c.metrics()
	if err != nil {
		return err
	}
	u, err := c.usage()
	if err != nil {
		return err
	}
	parts, functions, err := c.heap(ctx)
	if err != nil {
		return err
	}
	live := total(parts)
	const pre = "go_memstats_"
	heap, idle, released, stacks := before[pre+"heap_inuse_bytes"], before[pre+"heap_idle_bytes"], before[pre+"heap_released_bytes"], before[pre+"stack_inuse_bytes"]
	r.entry("resident memory", "%s, of it", mib(float64(u.rss)))
	r.entry("  live on the heap", "%s, after a collection, by a sampled profile", mib(live))
	r.entry("  garbage and gaps on the heap", "%s", mib(heap-live))
	r.entry("  kept for the next garbage", "%s", mib(idle-released))
	r.entry("  stacks", "%s of %.0f goroutines", mib(stacks), before["go_goroutines"])
	r.entry("  mapped files", "%s (the program, blocks and chunks of the store: the system takes them back when it must)", mib(float64(u.rssFiles)))
	r.line("live on the heap by part")
	r.splitShares(parts, mib)
	if r.Top {
		r.line("live on the heap by function")
		r.splitShares(functions, mib)
	}
	return nil
}

// external is another program that a run uses: a broker or a database.
type external struct {
	address string // URL
	command *exec.Cmd
}

// stop ends a program of the run's own.
func (e *external) stop() {
	if e != nil && e.command != nil {
		e.kill()
	}
}

func (e *external) kill() {
	e.command.Process.Kill() //nolint:errcheck // it may have ended
	e.command.Wait()         //nolint:errcheck // it says "killed"
}

// start starts the program again with what it has kept.
func (e *external) start() error {
	again := exec.Command(e.command.Path, e.command.Args[1:]...)
	again.Env = e.command.Env
	e.command = again
	return again.Start()
}

// find looks for a program in the path, where Debian keeps servers, and where `make` builds tools.
func find(name string) (string, error) {
	if path, err := exec.LookPath(name); err == nil {
		return path, nil
	}
	for _, folder := range []string{"/usr/sbin", ".cache/bin"} {
		path := filepath.Join(folder, filepath.Base(name))
		if _, err := os.Stat(path); err == nil {
			return filepath.Abs(path)
		}
	}
	return "", fmt.Errorf("%s is not installed: make tools-%[1]s, or give the URL of one that runs", name)
}

// startMosquitto takes a broker's URL, or the word mosquitto for one of the run's own.
func (r *benchRun) startMosquitto(ctx context.Context, what string) (*external, error) {
	if strings.Contains(what, "://") {
		return &external{address: what}, nil
	}
	program, err := find(what)
	if err != nil {
		return nil, err
	}
	addr, err := freeAddr()
	if err != nil {
		return nil, err
	}
	_, port, _ := strings.Cut(addr, ":")
	folder := filepath.Join(r.folder, "mosquitto")
	config := fmt.Sprintf("listener %s 127.0.0.1\nallow_anonymous true\npersistence true\npersistence_location %s/\nmax_queued_messages 0\nmax_inflight_messages 512\n", port, folder)
	if os.Getuid() == 0 {
		config += "user root\n"
	}
	file := filepath.Join(r.folder, "mosquitto.conf")
	if err := errors.Join(os.Mkdir(folder, 0o750), os.WriteFile(file, []byte(config), 0o600)); err != nil {
		return nil, err
	}
	e := &external{address: "mqtt://" + addr, command: exec.Command(program, "-c", file)}
	if err := e.command.Start(); err != nil {
		return nil, err
	}
	return e, e.answers(ctx, addr)
}

// answers waits until something listens.
func (e *external) answers(ctx context.Context, addr string) error {
	wait, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	probe := newBenchGateway(addr, "", "", 1, nil)
	for {
		if conn, err := probe.dial(wait); err == nil {
			return conn.Close()
		}
		select {
		case <-wait.Done():
			e.stop()
			return fmt.Errorf("%s does not answer at %s", filepath.Base(e.command.Path), addr)
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// benchDatabase is the database of a run on an InfluxDB server.
const benchDatabase = "dewline_bench"

// startInflux takes the URL of an InfluxDB 1.8 server, or the word influxd for one of the run's own.
func (r *benchRun) startInflux(ctx context.Context, what string) (*external, error) {
	e := &external{address: what}
	if !strings.Contains(what, "://") {
		program, err := find(what)
		if err != nil {
			return nil, err
		}
		addr, err := freeAddr()
		if err != nil {
			return nil, err
		}
		folder := filepath.Join(r.folder, "influx")
		config := fmt.Sprintf("reporting-disabled = true\nbind-address = \"127.0.0.1:0\"\n[meta]\n dir = %q\n[data]\n dir = %q\n wal-dir = %q\n query-log-enabled = false\n"+
			"[http]\n bind-address = %q\n flux-enabled = true\n log-enabled = false\n[monitor]\n store-enabled = false\n[logging]\n level = \"error\"\n",
			filepath.Join(folder, "meta"), filepath.Join(folder, "data"), filepath.Join(folder, "wal"), addr)
		file := filepath.Join(r.folder, "influxdb.conf")
		if err := os.WriteFile(file, []byte(config), 0o600); err != nil {
			return nil, err
		}
		e.address, e.command = "http://"+addr, exec.Command(program, "-config", file)
		e.command.Env = []string{"HOME=" + r.folder}
		if err := e.command.Start(); err != nil {
			return nil, err
		}
		if err := e.answers(ctx, addr); err != nil {
			return nil, err
		}
	}
	var said string
	for wait := time.Now().Add(30 * time.Second); time.Now().Before(wait); time.Sleep(100 * time.Millisecond) {
		answer, err := http.PostForm(e.address+"/query", url.Values{"q": {"CREATE DATABASE " + benchDatabase}})
		if err != nil {
			said = err.Error()
			continue
		}
		said, _ = bufio.NewReader(answer.Body).ReadString('\n')
		answer.Body.Close()
		if answer.StatusCode == http.StatusOK && !strings.Contains(said, "error") {
			return e, nil
		}
	}
	e.stop()
	return nil, fmt.Errorf("the InfluxDB server does not make a database: %s", said)
}
