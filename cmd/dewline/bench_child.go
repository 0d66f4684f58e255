package main

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"dewline"
	"dewline/alerts/sqlstore"
)

// benchChild is a service in a process of its own, so that what it uses can be told from what the
// publisher uses, and so that it can be killed.
type benchChild struct {
	command   *exec.Cmd
	ended     chan struct{} // closed when the process has ended
	end       error         // how, after that
	http      string
	mqtt      string
	profiles  string // address of its profiles, "" for none
	log       string // file
	passwords map[dewline.GatewayID]string
}

// freeAddr returns a loopback address that nobody listens on. Its port is below those that systems
// give to outgoing connections: one of them would have taken it while a service is killed and
// started again, be it the gateway's own attempt to reach it.
func freeAddr() (string, error) {
	const first, ports = 20_000, 10_000
	var err error
	for range 100 {
		var l net.Listener
		if l, err = net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", first+rand.IntN(ports))); err == nil {
			return l.Addr().String(), l.Close()
		}
	}
	return "", err
}

// benchPlan says how a child is run.
type benchPlan struct {
	program  string // this program
	folder   string // for fleet file, data, settings and log
	fleet    *dewline.Fleet
	gateways []dewline.GatewayID // that get a credential
	settings string              // text of the settings file, "" for none
	profiled bool
}

// prepareChild writes what a child needs. It can be started and killed any number of times.
func prepareChild(ctx context.Context, plan benchPlan) (*benchChild, error) {
	c := &benchChild{log: filepath.Join(plan.folder, "service.log"), passwords: map[dewline.GatewayID]string{}}
	text, err := plan.fleet.Marshal()
	if err != nil {
		return nil, err
	}
	data, fleet := filepath.Join(plan.folder, "data"), filepath.Join(plan.folder, "fleet.yaml")
	if err := errors.Join(os.MkdirAll(data, 0o750), os.WriteFile(fleet, text, 0o600)); err != nil {
		return nil, err
	}
	if err := c.enroll(ctx, data, plan.gateways); err != nil {
		return nil, err
	}
	for _, addr := range []*string{&c.http, &c.mqtt, &c.profiles} {
		if *addr, err = freeAddr(); err != nil {
			return nil, err
		}
	}
	args := []string{"serve"}
	if plan.profiled {
		args = []string{"bench", "serve", "--profiles", c.profiles}
	} else {
		c.profiles = ""
	}
	args = append(args, "--data", data, "--fleet", fleet, "--http", c.http, "--mqtt", c.mqtt)
	if plan.settings != "" {
		settings := filepath.Join(plan.folder, "settings.yaml")
		if err := os.WriteFile(settings, []byte(plan.settings), 0o600); err != nil {
			return nil, err
		}
		args = append(args, "--config", settings)
	}
	c.command = exec.Command(plan.program, args...)
	return c, nil
}

// enroll makes the gateways' credentials, as `dewline gateway add` does.
func (c *benchChild) enroll(ctx context.Context, data string, gateways []dewline.GatewayID) error {
	if len(gateways) == 0 {
		return nil
	}
	db, err := sqlstore.Open(ctx, databasePath(data), sqlstore.Options{})
	if err != nil {
		return err
	}
	for _, id := range gateways {
		if c.passwords[id], err = db.AddGateway(ctx, id, dewline.MillisOf(time.Now())); err != nil {
			break
		}
	}
	return errors.Join(err, db.Close())
}

// start starts the process; ready waits for it.
func (c *benchChild) start() error {
	log, err := os.OpenFile(c.log, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer log.Close()
	again := exec.Command(c.command.Path, c.command.Args[1:]...)
	again.Stderr = log
	if err := again.Start(); err != nil {
		return err
	}
	ended := make(chan struct{})
	c.command, c.ended = again, ended
	go func() {
		c.end = again.Wait()
		close(ended)
	}()
	return nil
}

// ready waits until the service says that it is.
func (c *benchChild) ready(ctx context.Context) error {
	for {
		answer, err := http.Get("http://" + c.http + "/readyz")
		if err == nil {
			answer.Body.Close()
			if answer.StatusCode == http.StatusOK {
				return nil
			}
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("the service is not ready: %w\n%s", ctx.Err(), c.lastWords())
		case <-c.ended:
			return fmt.Errorf("the service ended: %w\n%s", cmp.Or(c.end, errors.New("without an error")), c.lastWords())
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// lastWords is the end of the service's log.
func (c *benchChild) lastWords() []byte {
	text, _ := os.ReadFile(c.log)
	return text[max(0, len(text)-4000):]
}

// kill ends the service as the death of its process does.
func (c *benchChild) kill() {
	c.command.Process.Kill() //nolint:errcheck // it may have ended
	<-c.ended
}

// stop tells the service to end in order, and waits.
func (c *benchChild) stop() error {
	if err := c.command.Process.Signal(syscall.SIGTERM); err != nil {
		return err
	}
	if <-c.ended; c.end != nil {
		return fmt.Errorf("the service ended badly: %w\n%s", c.end, c.lastWords())
	}
	return nil
}

// metrics is what the service counts, by name with labels.
type metrics map[string]float64

func (c *benchChild) metrics() (metrics, error) {
	answer, err := http.Get("http://" + c.http + "/metrics")
	if err != nil {
		return nil, err
	}
	defer answer.Body.Close()
	m := metrics{}
	for lines := bufio.NewScanner(answer.Body); lines.Scan(); {
		line := lines.Text()
		i := strings.LastIndexByte(line, ' ')
		if i < 0 || line[0] == '#' {
			continue
		}
		if v, err := strconv.ParseFloat(line[i+1:], 64); err == nil {
			m[line[:i]] = v
		}
	}
	return m, nil
}

// The metrics that benches look at.
const (
	metricStored     = `dewline_ingest_readings_total{outcome="stored"}`
	metricRepeated   = `dewline_ingest_readings_total{outcome="repeated"}`
	metricQueue      = "dewline_broker_queue_messages"
	metricQueueBytes = "dewline_broker_queue_bytes"
	metricLate       = "dewline_analytics_late_not_analysed_total"
	metricAnalysed   = "dewline_analytics_readings_total"
	metricRollUps    = "dewline_analytics_rollups_total"
	metricAge        = "dewline_ingest_age_seconds"
)

// above returns how many observations of a histogram were above the bound, which must be one of its
// bucket's, and the lowest bound that holds all of them ("+Inf" if none does).
func (m metrics) above(histogram string, bound float64) (count float64, within string) {
	total := m[histogram+"_count"]
	lowest := -1.0
	within = "+Inf"
	for name, n := range m {
		le, ok := strings.CutPrefix(name, histogram+`_bucket{le="`)
		if !ok {
			continue
		}
		le = strings.TrimSuffix(le, `"}`)
		v, err := strconv.ParseFloat(le, 64)
		if err != nil {
			continue
		}
		if v == bound {
			count = total - n
		}
		if n == total && (lowest < 0 || v < lowest) {
			lowest, within = v, le
		}
	}
	return count, within
}

// probe waits until one reading can be read back over HTTP.
func (c *benchChild) probe(ctx context.Context, s dewline.Sample) error {
	stamp := func(m dewline.Millis) string { return m.Time().Format("2006-01-02T15:04:05.000Z") }
	url := fmt.Sprintf("http://%s/api/v1/systems/%s/series?points=%s&from=%s&to=%s", c.http, s.System, s.Point, stamp(s.At), stamp(s.At+1))
	began := time.Now()
	for {
		found, err := hasRow(ctx, url)
		if found || err != nil {
			return err
		}
		// A twentieth of the time so far is exact enough, and spares the service.
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(max(2*time.Millisecond, time.Since(began)/20)):
		}
	}
}

func hasRow(ctx context.Context, url string) (bool, error) {
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return false, err
	}
	answer, err := http.DefaultClient.Do(request)
	if err != nil {
		return false, err
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	if err != nil {
		return false, err
	}
	if answer.StatusCode != http.StatusOK {
		return false, fmt.Errorf("%s: %s: %s", url, answer.Status, body)
	}
	var series struct {
		Times []string `json:"times"`
	}
	err = json.Unmarshal(body, &series)
	return len(series.Times) > 0, err
}

// usage is what a process has used up to now.
type usage struct {
	cpu           time.Duration
	rss, rssFiles int64 // bytes; rssFiles is the part that is mapped files
}

// usageOf reads /proc.
func usageOf(pid int) (usage, error) {
	var u usage
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return u, fmt.Errorf("benches need Linux's /proc: %w", err)
	}
	// Fields 14 and 15, counted from 1; the second is a name in parentheses that may hold spaces.
	fields := strings.Fields(string(stat[bytes.LastIndexByte(stat, ')')+1:]))
	const tick = 10 * time.Millisecond // USER_HZ is 100 on every Linux that Go runs on
	for _, f := range fields[11:13] {
		n, err := strconv.ParseInt(f, 10, 64)
		if err != nil {
			return u, err
		}
		u.cpu += time.Duration(n) * tick
	}
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return u, err
	}
	for line := range strings.Lines(string(status)) {
		name, value, _ := strings.Cut(line, ":")
		var to *int64
		switch name {
		case "VmRSS":
			to = &u.rss
		case "RssFile":
			to = &u.rssFiles
		default:
			continue
		}
		kb, err := strconv.ParseInt(strings.Fields(value)[0], 10, 64)
		if err != nil {
			return u, err
		}
		*to = kb << 10
	}
	return u, nil
}

func (c *benchChild) usage() (usage, error) { return usageOf(c.command.Process.Pid) }
