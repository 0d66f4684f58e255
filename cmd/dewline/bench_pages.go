package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"regexp"
	"runtime/pprof"
	"slices"
	"time"

	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"

	"dewline"
)

// benchPages measures the pages of a large fleet as whoever inspects them from outside would: the whole
// service in this process, its store and its database filled, asked by HTTP on loopback. Of the systems,
// those of one site have a month behind them, all others their readings of now.
type benchPages struct {
	benchSettings
	Sites   int `default:"500" help:"Sites (default ${default})."`
	Systems int `default:"20000" help:"Systems (default ${default})."`
	Alerts  int `default:"500" help:"Open alerts, as many of them as there can be on the systems with a history (default ${default})."`
	Times   int `default:"100" help:"How often each page is asked for (default ${default})."`
}

// What pages have to keep to.
const (
	todayGoal  = 150 * time.Millisecond
	systemGoal = 200 * time.Millisecond
	sizeGoal   = 300_000 // bytes, compressed
)

// pagesDays is how long the history of a system is whose page is measured.
const pagesDays = 30

// Run measures.
func (c *benchPages) Run(ctx context.Context, std *streams) (err error) {
	r, err := c.begin(std)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.end()) }()
	p := pagesRun{benchPages: c, benchRun: r}
	if p.fleet, err = newBenchFleet(c.Sites, c.Systems, c.Seed); err != nil {
		return err
	}
	if err := p.fill(ctx); err != nil {
		return err
	}
	service, err := startService(ctx, serviceOptions{Fleet: p.fleet.fleet, Data: r.folder, HTTP: "127.0.0.1:0", MQTT: "127.0.0.1:0"})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, service.Stop()) }()
	if err := service.WaitReady(ctx); err != nil {
		return err
	}
	p.base = service.PagesURL()
	if err := p.profiled(func() error { return p.ask(ctx) }); err != nil {
		return err
	}
	return p.look(ctx)
}

// pagesRun is one run of it.
type pagesRun struct {
	*benchPages
	*benchRun
	fleet *benchFleet
	base  string
}

// fill makes the data folder of a service that has run for a month.
func (p *pagesRun) fill(ctx context.Context) (err error) {
	quiet := &benchRun{benchSettings: p.benchPages.benchSettings, benchReport: &benchReport{out: io.Discard}, std: p.std, folder: p.folder}
	s := storeRun{benchStore: &benchStore{Systems: len(p.fleet.sites[0]), Days: pagesDays, Interval: 15 * time.Minute, Block: 12 * time.Hour}, benchRun: quiet, fleet: p.fleet}
	if err := s.open(ctx); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.readings.Close(), s.database.Close()) }()
	if err := s.fill(ctx); err != nil {
		return err
	}
	s.now = time.Now()
	var outcomes []dewline.Outcome
	for _, back := range []time.Duration{50 * time.Minute, 40 * time.Minute, 30 * time.Minute, 20 * time.Minute, 10 * time.Minute, 0} {
		at := dewline.MillisOf(s.now.Add(-back))
		for _, site := range p.fleet.sites {
			var batch []dewline.Sample
			for _, m := range site {
				batch = m.readings(at, batch)
			}
			if outcomes, err = s.readings.Append(ctx, batch, outcomes[:0]); err != nil {
				return err
			}
			s.analyst.Offer(batch)
		}
	}
	s.analyst.flush(ctx, s.analyst.systems)
	found, err := s.database.AlertsIn(ctx, dewline.AlertFilter{States: []dewline.AlertState{dewline.AlertOpen}})
	if err != nil {
		return err
	}
	alerts := p.alerts(p.Alerts-len(found.Alerts), dewline.MillisOf(s.now), found.Alerts)
	if err := s.database.PutAlerts(ctx, alerts); err != nil {
		return err
	}
	p.entry("fleet", "%d systems at %d sites, %d open alerts; %d days of history every 15 min for %d systems", p.Systems, p.Sites, len(found.Alerts)+len(alerts), pagesDays, len(p.fleet.sites[0]))
	return nil
}

// alerts are n more, first on the systems with a history, so that those are what Today shows.
func (p *pagesRun) alerts(n int, now dewline.Millis, there []dewline.Alert) []dewline.AlertChange {
	taken := map[dewline.SystemID]bool{}
	for _, a := range there {
		taken[a.System] = true
	}
	var all []dewline.AlertChange
	add := func(m *benchMachine, severity dewline.Severity) {
		if len(all) >= n || taken[m.id] {
			return
		}
		taken[m.id] = true
		onset := now.Add(-26 * time.Hour)
		all = append(all, dewline.AlertChange{Change: dewline.Change{By: dewline.ByDewline, At: onset, Why: "measuring pages"}, Alert: dewline.Alert{
			ID: dewline.AlertID(m.id, dewline.Undercharge, onset), Site: m.id.Site(), System: m.id, Systems: []dewline.SystemID{m.id},
			Condition: dewline.ChargeDrift, Conditions: []dewline.Condition{dewline.ChargeDrift}, Severity: severity, State: dewline.AlertOpen, Onset: onset, Detected: onset,
			Causes: []dewline.Cause{{Fault: dewline.Undercharge, Probability: 0.74}, {Fault: dewline.NoFault, Probability: 0.26}},
		}})
	}
	for _, m := range p.fleet.sites[0] {
		add(m, dewline.Urgent)
	}
	for k := 0; len(all) < n && k < p.Systems; k++ {
		for _, site := range p.fleet.sites[1:] {
			if k < len(site) {
				add(site[k], dewline.Soon)
			}
		}
	}
	return all
}

// profiled runs something and keeps the profile of its processor use, where one is asked for.
func (p *pagesRun) profiled(run func() error) (err error) {
	if p.benchRun.Profile == "" {
		return run()
	}
	f, err := os.Create(p.benchRun.Profile)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	if err := pprof.StartCPUProfile(f); err != nil {
		return err
	}
	defer pprof.StopCPUProfile()
	return run()
}

func (p *pagesRun) systemPath(i int) string {
	site := p.fleet.sites[0]
	return "/systems/" + string(site[i%len(site)].id) + "?window=30d"
}

// ask asks for each page over and over, as a browser does, and says what it took until the last byte.
// Meanwhile one page listens for changes, as the dispatcher's does all day.
func (p *pagesRun) ask(ctx context.Context) error {
	stop, err := p.listen(ctx)
	if err != nil {
		return err
	}
	defer stop()
	for _, page := range []struct {
		label string
		path  func(i int) string
		goal  time.Duration
	}{
		{"Today", func(int) string { return "/" }, todayGoal},
		{"Fleet", func(int) string { return "/fleet" }, 0},
		{"Fleet, a page each", func(i int) string { return fmt.Sprintf("/fleet?page=%d", 1+i%max(1, p.Systems/100)) }, 0},
		{"a system, 30 days", p.systemPath, systemGoal},
		{"a system, live part", func(i int) string {
			return "/systems/" + string(p.fleet.sites[0][i%len(p.fleet.sites[0])].id) + "/live"
		}, 0},
	} {
		if err := p.askPage(ctx, page.label, page.path, page.goal); err != nil {
			return err
		}
	}
	for _, cold := range []struct{ label, path string }{{"Today", "/"}, {"a system", p.systemPath(0)}} {
		if err := p.cold(ctx, cold.label, cold.path); err != nil {
			return err
		}
	}
	return nil
}

// listen opens a stream of changes and lets it run.
func (p *pagesRun) listen(ctx context.Context) (stop func(), err error) {
	ctx, cancel := context.WithCancel(ctx)
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, p.base+"/events", nil)
	if err != nil {
		cancel()
		return nil, err
	}
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		cancel()
		return nil, err
	}
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		io.Copy(io.Discard, answer.Body) //nolint:errcheck // it ends by being cut
	}()
	return func() {
		cancel()
		<-ended
		answer.Body.Close()
	}, nil
}

func (p *pagesRun) askPage(ctx context.Context, label string, path func(int) string, goal time.Duration) error {
	var took latencies
	var first time.Duration
	largest := 0
	for i := range p.Times {
		began := time.Now()
		body, err := p.get(ctx, path(i))
		if err != nil {
			return err
		}
		last := time.Since(began)
		if i == 0 {
			first = last
		}
		took, largest = append(took, last), max(largest, len(body))
		if err := pause(ctx, 50*time.Millisecond, nil); err != nil { // what is kept for a moment is made anew now and then
			return err
		}
	}
	slices.Sort(took)
	goals := ""
	if goal > 0 {
		goals = fmt.Sprintf(" (goal %v)", goal)
	}
	p.entry(label, "p50 %s, p95 %s, worst %s of %d, the first %s%s; %s compressed (goal %s)", ms(took.at(0.5)), ms(took.at(0.95)), ms(took[len(took)-1]), len(took), ms(first), goals, kB(largest), kB(sizeGoal))
	return nil
}

func kB(bytes int) string { return fmt.Sprintf("%.1f kB", float64(bytes)/1000) }

// get returns the body as it was sent, compressed.
func (p *pagesRun) get(ctx context.Context, path string) ([]byte, error) {
	body, _, err := p.getAs(ctx, path, "gzip")
	return body, err
}

func (p *pagesRun) getAs(ctx context.Context, path, encoding string) ([]byte, http.Header, error) {
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, p.base+path, nil)
	if err != nil {
		return nil, nil, err
	}
	r.Header.Set("Accept-Encoding", encoding)
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		return nil, nil, err
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	if err == nil && answer.StatusCode != http.StatusOK {
		err = fmt.Errorf("GET %s: %s", path, answer.Status)
	}
	return body, answer.Header, err
}

var assetAddress = regexp.MustCompile(`(?:src|href)="(/assets/[^"]+)"`)

// cold says what a browser that has nothing yet loads with a page.
func (p *pagesRun) cold(ctx context.Context, label, path string) error {
	plain, _, err := p.getAs(ctx, path, "identity")
	if err != nil {
		return err
	}
	small, err := p.get(ctx, path)
	if err != nil {
		return err
	}
	bytes, files := 0, map[string]bool{}
	for _, m := range assetAddress.FindAllSubmatch(plain, -1) {
		if name := string(m[1]); !files[name] {
			files[name] = true
			asset, err := p.get(ctx, name)
			if err != nil {
				return err
			}
			bytes += len(asset)
		}
	}
	p.entry(label+", nothing cached", "%d requests: the page with %s compressed (%s plain), %d assets with %s", 1+len(files), kB(len(small)), kB(len(plain)), len(files), kB(bytes))
	return nil
}

// look opens pages in a browser, where there is one, and says when something was to be seen.
func (p *pagesRun) look(ctx context.Context) error {
	path, err := exec.LookPath("chromium")
	if err != nil {
		p.entry("in a browser", "not measured: chromium is not installed")
		return nil
	}
	profile, err := os.MkdirTemp(p.folder, "chromium")
	if err != nil {
		return err
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(profile))
	ctx, stop := chromedp.NewExecAllocator(ctx, options...)
	defer stop()
	ctx, cancel := chromedp.NewContext(ctx)
	defer cancel()
	if err := chromedp.Do(ctx); err != nil {
		return err
	}
	for _, page := range []struct{ label, path string }{{"Today", "/"}, {"Fleet", "/fleet"}, {"a system, 30 days", p.systemPath(0)}} {
		if err := p.paint(ctx, page.label, page.path); err != nil {
			return fmt.Errorf("%s in a browser: %w", page.label, err)
		}
	}
	return nil
}

// painted is what a browser says of a load, in milliseconds from when it was asked for.
type painted struct {
	FCP, LCP, Load float64
	Requests       int
	Bytes          float64
}

// paintScript waits for a moment after the load: the largest paint is known when nothing larger follows.
const paintScript = `new Promise(done => {
  const p = {FCP: 0, LCP: 0, Load: 0, Requests: 0, Bytes: 0};
  new PerformanceObserver(l => { for (const e of l.getEntries()) p.LCP = e.startTime; }).observe({type: "largest-contentful-paint", buffered: true});
  setTimeout(() => {
    const own = performance.getEntriesByType("navigation")[0], parts = performance.getEntriesByType("resource");
    p.FCP = performance.getEntriesByName("first-contentful-paint")[0]?.startTime ?? 0;
    p.Load = own.loadEventEnd;
    p.Requests = 1 + parts.length;
    p.Bytes = parts.reduce((sum, e) => sum + e.transferSize, own.transferSize);
    done(JSON.stringify(p));
  }, 1000);
})`

// paint loads a page several times with nothing kept, as on a first visit.
func (p *pagesRun) paint(ctx context.Context, label, path string) error {
	tab, cancel := chromedp.NewContext(ctx)
	defer cancel()
	tab, cancelTime := context.WithTimeout(tab, 2*time.Minute)
	defer cancelTime()
	if _, err := chromedp.Call(tab, network.Enable, network.EnableParams{}); err != nil {
		return err
	}
	if _, err := chromedp.Call(tab, network.SetCacheDisabled, network.SetCacheDisabledParams{CacheDisabled: true}); err != nil {
		return err
	}
	var first, largest latencies
	var last painted
	for range 5 {
		if err := chromedp.Do(tab, chromedp.EmulateViewport(1280, 900), chromedp.Navigate(p.base+path)); err != nil {
			return err
		}
		text, err := chromedp.Run(tab, chromedp.Evaluate[string](paintScript, chromedp.EvalAwaitPromise))
		if err != nil {
			return err
		}
		if err := json.Unmarshal([]byte(text), &last); err != nil {
			return err
		}
		if last.FCP == 0 || last.LCP == 0 {
			return fmt.Errorf("the browser does not say when it painted: %s", text)
		}
		first = append(first, time.Duration(last.FCP*float64(time.Millisecond)))
		largest = append(largest, time.Duration(last.LCP*float64(time.Millisecond)))
	}
	slices.Sort(first)
	slices.Sort(largest)
	p.entry(label+" in a browser", "first contentful paint p50 %s, worst %s; largest p50 %s, worst %s of %d, nothing cached; %d requests, %s", ms(first.at(0.5)), ms(first.at(1)), ms(largest.at(0.5)), ms(largest.at(1)), len(first), last.Requests, kB(int(last.Bytes)))
	return nil
}
