package dashboards_test

import (
	"context"
	"flag"
	"fmt"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"dewline/dashboards"
	"dewline/dashboards/pagebook"
)

var screenshots = flag.String("screenshots", "", "write a picture of each page into this `folder`")

// required says that a program which is missing fails the test instead of skipping it.
func required() bool { return os.Getenv("DEWLINE_REQUIRE") == "1" }

func missing(t *testing.T, format string, args ...any) {
	t.Helper()
	if required() {
		t.Fatalf(format, args...)
	}
	t.Skipf(format, args...)
}

// browser returns the context of a headless Chromium.
func browser(t *testing.T) context.Context {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		missing(t, "chromium is missing: make tools-chromium installs it")
	}
	if _, err := os.Stat("assets/vendor/htmx.min.js"); err != nil {
		missing(t, "the npm parts are missing: make tools-npm fetches them")
	}
	// The profile is kept outside of t.TempDir: the browser still writes into it while it ends.
	profile, err := os.MkdirTemp("", "dewline-chromium")
	if err != nil {
		t.Fatal(err)
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(profile),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true),
	)
	ctx, stop := chromedp.NewExecAllocator(t.Context(), options...)
	t.Cleanup(func() {
		stop()
		os.RemoveAll(profile)
	})
	ctx, cancel := chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	if err := chromedp.Do(ctx); err != nil {
		t.Fatal(err)
	}
	return ctx
}

// watch records what a tab complains of and whom it asks.
type watch struct {
	mu         sync.Mutex
	complaints []string
	hosts      map[string]bool
}

func newTab(t *testing.T, parent context.Context) (context.Context, *watch) {
	t.Helper()
	ctx, cancel := chromedp.NewContext(parent)
	t.Cleanup(cancel)
	ctx, cancelTime := context.WithTimeout(ctx, 60*time.Second)
	t.Cleanup(cancelTime)
	w := &watch{hosts: map[string]bool{}}
	err := chromedp.Listen(ctx, func(event any) {
		w.mu.Lock()
		defer w.mu.Unlock()
		switch e := event.(type) {
		case *network.EventRequestWillBeSent:
			if u, err := url.Parse(e.Request.URL); err == nil && u.Host != "" {
				w.hosts[u.Host] = true
			}
		case *runtime.EventExceptionThrown:
			w.complaints = append(w.complaints, "exception: "+e.ExceptionDetails.Text+" "+describe(e.ExceptionDetails))
		case *runtime.EventConsoleAPICalled:
			if e.Type == "error" || e.Type == "warning" {
				w.complaints = append(w.complaints, fmt.Sprintf("console %s: %v", e.Type, e.Args))
			}
		case *log.EventEntryAdded:
			if e.Entry.Level == "error" || e.Entry.Level == "warning" {
				w.complaints = append(w.complaints, "log: "+e.Entry.Text+" "+e.Entry.URL)
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := chromedp.Call(ctx, network.Enable, network.EnableParams{}); err != nil {
		t.Fatal(err)
	}
	return ctx, w
}

func describe(d *runtime.ExceptionDetails) string {
	if d.Exception != nil {
		return d.Exception.Description
	}
	return ""
}

func (w *watch) check(t *testing.T, base string) {
	t.Helper()
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, c := range w.complaints {
		t.Errorf("the browser complains: %s", c)
	}
	own := strings.TrimPrefix(base, "http://")
	for host := range w.hosts {
		if host != own {
			t.Errorf("the page asks another host: %s", host)
		}
	}
}

func scheme(t *testing.T, ctx context.Context, value string) {
	t.Helper()
	_, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: value}},
	})
	if err != nil {
		t.Fatal(err)
	}
}

// views are the screens that pages must suit.
var views = []struct {
	name          string
	width, height int64
	scheme        string
}{
	{"desktop-light", 1280, 900, "light"},
	{"desktop-dark", 1280, 900, "dark"},
	{"phone-light", 390, 844, "light"},
	{"phone-dark", 390, 844, "dark"},
}

func picture(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	if *screenshots == "" {
		return
	}
	data, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(*screenshots, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(*screenshots, name+".png"), data, 0o644); err != nil {
		t.Fatal(err)
	}
}

// evaluate runs an expression in the page.
func evaluate[T any](t *testing.T, ctx context.Context, expression string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression))
	if err != nil {
		t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// wait polls an expression until it is true.
func (w *watch) wait(t *testing.T, ctx context.Context, expression string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(ctx, 15*time.Second)
	defer cancel()
	if _, err := chromedp.Run(ctx, chromedp.Poll[bool](expression)); err != nil {
		w.mu.Lock()
		defer w.mu.Unlock()
		t.Fatalf("it never came true: %s: %v %q", expression, err, w.complaints)
	}
}

func open(t *testing.T, ctx context.Context, address string) {
	t.Helper()
	if err := chromedp.Do(ctx, chromedp.Navigate(address)); err != nil {
		t.Fatal(err)
	}
}

// axe runs the accessibility checker on the page and reports what is serious. It is a test's tool:
// it is read from where npm has put it and is not part of any page.
func axe(t *testing.T, ctx context.Context) {
	t.Helper()
	source, err := os.ReadFile("node_modules/axe-core/axe.min.js")
	if err != nil {
		missing(t, "axe-core is missing: make tools-npm fetches it")
	}
	if _, err := chromedp.Run(ctx, chromedp.Evaluate[any](string(source)+";0")); err != nil {
		t.Fatal(err)
	}
	found, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](
		`axe.run({runOnly:["wcag2a","wcag2aa","wcag21a","wcag21aa","wcag22aa"]}).then(r => r.violations.flatMap(v => v.nodes.map(n => v.impact+": "+v.id+": "+n.html.slice(0,160)+" "+n.failureSummary)))`,
		chromedp.EvalAwaitPromise))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range found {
		t.Errorf("axe: %s", f)
	}
}

func serve(t *testing.T, o dashboards.Options) string {
	t.Helper()
	s := httptest.NewServer(handler(t, o))
	t.Cleanup(s.Close)
	return s.URL
}

func TestPagesInBrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("starts a browser")
	}
	parent := browser(t)
	town := optionsFor(pagebook.Town(noon))
	town.Notices = []string{"Open: there are no users yet, so whoever reaches this address sees everything. It listens on this machine only."}
	base := serve(t, town)
	arriving := town
	arriving.Progress = func() []dashboards.Progress {
		return []dashboards.Progress{{Label: "History is arriving", Unit: "readings", Done: 1_234_567, Total: 4_012_800}}
	}
	arriving.Checks = func() []dashboards.Check {
		return []dashboards.Check{{Name: "store", OK: false, Detail: "The disk has 0.2 GB left of 5 GB that are asked for: free some, or raise the budget. Nothing that was acknowledged is lost."}}
	}
	arrivingBase := serve(t, arriving)
	emptyBase := serve(t, optionsFor(pagebook.Empty(noon)))
	pages := []struct {
		name, base, path string
		charts           bool
	}{
		{"today", base, "/", false},
		{"urgent", base, "/systems/quay-library/hall-ac?window=7d", true},
		{"well", base, "/systems/quay-library/archive-ac", true},
		{"drifting", base, "/systems/quay-library/roof-north?window=30d", true},
		{"doubtful", base, "/systems/cold-store/shop-case", true},
		{"below-zero", base, "/systems/cold-store/ice-room?window=7d", true},
		{"transcritical", base, "/systems/cold-store/blast-freezer", true},
		{"silent", base, "/systems/clinic/ward-hp", true},
		{"learning", base, "/systems/clinic/lab-ac", true},
		{"unheard", base, "/systems/clinic/new-ac", false},
		{"arriving", arrivingBase, "/", false},
		{"empty", emptyBase, "/", false},
		{"not-found", base, "/systems/clinic/nobody", false},
	}
	for _, v := range views {
		t.Run(v.name, func(t *testing.T) {
			for _, p := range pages {
				t.Run(p.name, func(t *testing.T) {
					if *screenshots == "" && v.scheme == "dark" && p.name != "today" && p.name != "urgent" {
						return // the colours are those of the two pages with most of them
					}
					ctx, w := newTab(t, parent)
					if err := chromedp.Do(ctx, chromedp.EmulateViewport(v.width, v.height)); err != nil {
						t.Fatal(err)
					}
					scheme(t, ctx, v.scheme)
					open(t, ctx, p.base+p.path)
					if p.charts {
						w.wait(t, ctx, `document.querySelectorAll("#charts .uplot canvas").length >= 2`)
					}
					if wide := evaluate[int64](t, ctx, `document.documentElement.scrollWidth`); wide > v.width {
						t.Errorf("the page is %d pixels wide on a screen of %d", wide, v.width)
					}
					picture(t, ctx, p.name+"-"+v.name)
					axe(t, ctx)
					if p.name == "not-found" {
						w.complaints = nil // the browser logs the status of the page itself
					}
					w.check(t, p.base)
				})
			}
		})
	}
}
