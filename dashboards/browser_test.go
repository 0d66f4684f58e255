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
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"dewline"
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
	if testing.Short() {
		t.Skip("starts a browser")
	}
	t.Parallel() // each test has a browser of its own, and mostly waits for it
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

// media sets what a style sheet may ask for: "" or "print", "light" or "dark".
func media(t *testing.T, ctx context.Context, medium, scheme string) {
	t.Helper()
	_, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Media: medium, Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}},
	})
	if err != nil {
		t.Fatal(err)
	}
}

// screen is what a page is looked at on.
type screen struct {
	name          string
	width, height int64
	scheme        string // light or dark
}

// tab opens a tab of the screen's size and colours.
func (v screen) tab(t *testing.T, parent context.Context) (context.Context, *watch) {
	t.Helper()
	ctx, w := newTab(t, parent)
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(v.width, v.height)); err != nil {
		t.Fatal(err)
	}
	media(t, ctx, "", v.scheme)
	return ctx, w
}

// look holds the page to what every page must do, and takes its picture.
func (v screen) look(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	if wide := evaluate[int64](t, ctx, `document.documentElement.scrollWidth`); wide > v.width {
		t.Errorf("%s is %d pixels wide on a screen of %d", name, wide, v.width)
	}
	picture(t, ctx, name+"-"+v.name)
	axe(t, ctx)
	other := map[string]string{"light": "dark", "dark": "light"}[v.scheme]
	media(t, ctx, "", other)
	axeRules(t, ctx, `{type: "rule", values: ["color-contrast", "link-in-text-block"]}`)
	media(t, ctx, "", v.scheme)
}

// views are the screens that pages must suit. Every look checks the contrast by the other light too.
var views = []screen{
	{"desktop-light", 1280, 900, "light"},
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

// printed writes what a page is on paper (A4).
func printed(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	if *screenshots == "" {
		return
	}
	media(t, ctx, "", "light")
	paper, err := chromedp.Call(ctx, cdppage.PrintToPDF, cdppage.PrintToPDFParams{PaperWidth: 8.27, PaperHeight: 11.69})
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(*screenshots, name+"-print.pdf"), paper.Data, 0o644); err != nil {
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
	axeRules(t, ctx, `["wcag2a","wcag2aa","wcag21a","wcag21aa","wcag22aa"]`)
}

// axeRules is axe for some rules only, in axe's own words: those of colours, in the other scheme.
func axeRules(t *testing.T, ctx context.Context, rules string) {
	t.Helper()
	source, err := os.ReadFile("node_modules/axe-core/axe.min.js")
	if err != nil {
		missing(t, "axe-core is missing: make tools-npm fetches it")
	}
	if _, err := chromedp.Run(ctx, chromedp.Evaluate[any](string(source)+";0")); err != nil {
		t.Fatal(err)
	}
	found, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](
		`axe.run({runOnly: `+rules+`}).then(r => r.violations.flatMap(v => v.nodes.map(n => v.impact+": "+v.id+": "+n.html.slice(0,160)+" "+n.failureSummary)))`,
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
	t.Cleanup(func() {
		s.CloseClientConnections() // a page may listen still
		s.Close()
	})
	return s.URL
}

// bookPage is a page of the book.
type bookPage struct {
	name, base, path string
	charts           bool
	when             visit
}

// visit is how often a page is looked at without -screenshots.
type visit int

const (
	forPictures visit = iota // made of the parts of other pages
	once
	everywhere // on every screen
)

func bookPages(t *testing.T) []bookPage {
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
	crowdBase := serve(t, optionsFor(pagebook.Crowd(noon, 20_000)))
	worked := pagebook.Town(noon)
	working := optionsFor(worked)
	hands := &desk{book: worked}
	working.Desk, working.Service = hands, hands
	workBase := serve(t, working)
	called := pagebook.Town(noon)
	callBase := serve(t, callOptions(called, pagebook.NewCalls(called), dewline.Visitor{Name: "J. Marinho", Role: dewline.RoleDispatcher}))
	return []bookPage{
		{"today", workBase, "/", false, everywhere},
		{"fleet", base, "/fleet", false, once},
		{"urgent", base, "/systems/quay-library/hall-ac?window=7d", true, everywhere},
		{"below-zero", base, "/systems/cold-store/ice-room?window=7d", true, once},
		{"doubtful", base, "/systems/cold-store/shop-case", true, once},
		{"silent", base, "/systems/clinic/ward-hp", true, once},
		{"today-read-only", base, "/?severity=urgent", false, once},
		{"fleet-by-installer", base, "/fleet?by=installer", false, everywhere},
		{"fleet-by-model", base, "/fleet?by=model", false, forPictures},
		{"fleet-by-fault", base, "/fleet?by=fault", false, once},
		{"fleet-worst", base, "/fleet?by=worst", false, once},
		{"crowd-by-installer", crowdBase, "/fleet?by=installer", false, forPictures},
		{"well", base, "/systems/quay-library/archive-ac", true, forPictures},
		{"drifting", base, "/systems/quay-library/roof-north?window=30d", true, forPictures},
		{"transcritical", base, "/systems/cold-store/blast-freezer", true, forPictures},
		{"learning", base, "/systems/clinic/lab-ac", true, forPictures},
		{"under-repair", base, "/systems/clinic/server-ac?window=7d", true, forPictures},
		{"being-proved", base, "/systems/clinic/kitchen-ac?window=7d", true, forPictures},
		{"proved", base, "/systems/clinic/office-ac?window=30d", true, forPictures},
		{"unheard", base, "/systems/clinic/new-ac", false, forPictures},
		{"arriving", arrivingBase, "/fleet", false, once},
		{"empty", emptyBase, "/", false, once},
		{"crowd", crowdBase, "/?page=3", false, forPictures},
		{"crowd-fleet", crowdBase, "/fleet?page=3", false, forPictures},
		{"calls", callBase, "/calls", false, once},
		{"call", callBase, "/calls/call-library", false, once},
		{"call-returned", callBase, "/calls/call-shop", false, once},
		{"call-proved", callBase, "/calls/call-office", false, forPictures},
		{"visit", callBase, "/calls/call-library/visit/quay-library/hall-ac", false, everywhere},
		{"visit-filled", callBase, "/calls/call-server/visit/clinic/server-ac", false, once},
		{"visit-a2l", callBase, "/calls/call-roof/visit/quay-library/roof-north", false, forPictures},
		{"visit-a3", callBase, "/calls/call-shop/visit/cold-store/shop-case", false, forPictures},
		{"visit-proving", callBase, "/calls/call-kitchen/visit/clinic/kitchen-ac", false, once},
	}
}

// TestPagesInBrowser looks at pages as people do: on a desk and on a phone, by day and by night. No
// page may complain, ask another host, be wider than its screen, or fail WCAG 2.2 AA as far as axe
// can tell. Without -screenshots the two main pages are looked at everywhere, what else differs once.
func TestPagesInBrowser(t *testing.T) {
	parent := browser(t)
	pages := bookPages(t)
	for i, v := range views {
		t.Run(v.name, func(t *testing.T) {
			for j, p := range pages {
				if *screenshots == "" && (p.when == forPictures || p.when == once && i != j%len(views)) {
					continue
				}
				t.Run(p.name, func(t *testing.T) {
					ctx, w := v.tab(t, parent)
					open(t, ctx, p.base+p.path)
					if p.charts {
						w.wait(t, ctx, `document.querySelectorAll("#charts .uplot canvas").length >= 2`)
					}
					v.look(t, ctx, p.name)
					w.check(t, p.base)
					if *screenshots != "" && v.name == "desktop-light" {
						printed(t, ctx, p.name)
					}
				})
			}
		})
	}
}

// TestTasksInBrowser does what people come for, with the mouse and without.
func TestTasksInBrowser(t *testing.T) {
	parent := browser(t)

	t.Run("from the list to the machine and back in time", func(t *testing.T) {
		base := serve(t, optionsFor(pagebook.Town(noon)))
		ctx, w := newTab(t, parent)
		open(t, ctx, base+"/")
		follow(t, ctx, ".alert .who")
		if at := evaluate[string](t, ctx, `location.pathname`); at != "/systems/quay-library/hall-ac" {
			t.Fatalf("the first alert leads to %s", at)
		}
		w.wait(t, ctx, `document.querySelectorAll("#charts .uplot canvas").length >= 3`)
		// Pulling a stretch of the chart open is an address like any other.
		loaded := chromedp.Events(ctx, cdppage.LoadEventFired)
		drag(t, ctx, `.u-over`, 0.25, 0.5)
		for _, err := range loaded {
			if err != nil {
				t.Fatal(err)
			}
			break
		}
		from := evaluate[string](t, ctx, `new URLSearchParams(location.search).get("from")`)
		to := evaluate[string](t, ctx, `new URLSearchParams(location.search).get("to")`)
		begin, err1 := time.Parse(time.RFC3339, from)
		end, err2 := time.Parse(time.RFC3339, to)
		if err1 != nil || err2 != nil || end.Sub(begin) < 5*time.Hour || end.Sub(begin) > 7*time.Hour {
			t.Errorf("a quarter of a day pulled open is %s to %s", from, to)
		}
		w.check(t, base)
	})

	t.Run("history arrives and the page follows", func(t *testing.T) {
		var done atomic.Int64
		done.Store(100)
		o := optionsFor(pagebook.Town(noon))
		o.Progress = func() []dashboards.Progress {
			if n := done.Load(); n < 1000 {
				return []dashboards.Progress{{Label: "History is arriving", Done: n, Total: 1000, Unit: "readings"}}
			}
			return nil
		}
		base := serve(t, o)
		ctx, w := newTab(t, parent)
		open(t, ctx, base+"/fleet")
		w.wait(t, ctx, `document.querySelector("#progress").textContent.includes("100 of 1")`)
		done.Store(700)
		w.wait(t, ctx, `document.querySelector("#progress").textContent.includes("700 of 1")`)
		done.Store(1000)
		w.wait(t, ctx, `document.querySelector("#progress").textContent.trim() === ""`)
		evaluate[bool](t, ctx, `document.querySelector("#q").value = "typed", document.querySelector("#q").focus(), true`)
		w.wait(t, ctx, `document.querySelector("#again-60s") !== null && document.querySelector("#again-4s") === null`)
		if kept := evaluate[string](t, ctx, `document.activeElement.id + " " + document.querySelector("#q").value`); kept != "q typed" {
			t.Errorf("the list followed and what was typed is %q", kept)
		}
		w.check(t, base)
	})

	t.Run("the list of machines hears of an alert", func(t *testing.T) {
		town := pagebook.Town(noon)
		o := optionsFor(town)
		var moves atomic.Int64
		o.Now = func() time.Time { return noon.Add(time.Duration(moves.Load()) * 2 * time.Second) }
		base := serve(t, o)
		ctx, w := newTab(t, parent)
		open(t, ctx, base+"/fleet?q=chapel")
		const health = `document.querySelector(".row").dataset.health`
		if is := evaluate[string](t, ctx, health); is != "well" {
			t.Fatalf("it begins as %q", is)
		}
		w.wait(t, ctx, `document.querySelector("#again-60s") !== null`)
		town.Raise("clinic/chapel-ac", dewline.HighHead, dewline.Urgent, dewline.CondenserAirflow)
		moves.Add(1)
		w.wait(t, ctx, health+` === "urgent"`)
		w.check(t, base)
	})

	t.Run("a machine's page hears of its alert", func(t *testing.T) {
		town := pagebook.Town(noon)
		o := optionsFor(town)
		var moves atomic.Int64
		o.Now = func() time.Time { return noon.Add(time.Duration(moves.Load()) * 2 * time.Second) }
		base := serve(t, o)
		ctx, w := newTab(t, parent)
		open(t, ctx, base+"/systems/clinic/chapel-ac")
		if health := evaluate[string](t, ctx, `document.querySelector("#live").dataset.health + document.querySelector("#news").textContent`); health != "well" {
			t.Fatalf("it begins as %q", health)
		}
		town.Raise("clinic/chapel-ac", dewline.HighHead, dewline.Urgent, dewline.CondenserAirflow)
		moves.Add(1)
		w.wait(t, ctx, `document.querySelector("#live").dataset.health === "urgent"`)
		w.wait(t, ctx, `document.querySelector("#news a").textContent.includes("show it")`)
		if shown := evaluate[int](t, ctx, `document.querySelectorAll("#open").length`); shown != 0 {
			t.Error("what is open moved the page by itself")
		}
		follow(t, ctx, "#news a")
		if shown := evaluate[int](t, ctx, `document.querySelectorAll("#open").length`); shown != 1 {
			t.Error("the line leads to no alert")
		}
		w.check(t, base)
	})

	t.Run("the list is filtered by keyboard alone", func(t *testing.T) {
		base := serve(t, optionsFor(pagebook.Town(noon)))
		ctx, w := newTab(t, parent)
		open(t, ctx, base+"/fleet")
		if err := chromedp.Do(ctx, chromedp.KeyEvent("\t"), chromedp.KeyEvent("\t")); err != nil {
			t.Fatal(err)
		}
		if first := evaluate[string](t, ctx, `document.activeElement.className`); first != "mark" {
			t.Errorf("the second stop of the keyboard is %q", first)
		}
		if outline := evaluate[string](t, ctx, `getComputedStyle(document.activeElement).outlineStyle`); outline == "none" {
			t.Error("the focus is invisible")
		}
		loaded := chromedp.Events(ctx, cdppage.LoadEventFired)
		if err := chromedp.Do(ctx, chromedp.Focus(chromedp.ID("q")), chromedp.KeyEvent("freezer\r")); err != nil {
			t.Fatal(err)
		}
		for range loaded {
			break
		}
		if rows := evaluate[int](t, ctx, `document.querySelectorAll(".row").length`); rows != 1 {
			t.Errorf("%d machines", rows)
		}
		w.check(t, base)
	})
}

// TestDeskInBrowser is the dispatcher's morning, without a mouse.
func TestDeskInBrowser(t *testing.T) {
	parent := browser(t)
	town := pagebook.Town(noon)
	d := &desk{book: town}
	o := optionsFor(town)
	o.Desk, o.Service = d, d
	var moves atomic.Int64 // the clock, so that what is kept for a moment is made anew
	o.Now = func() time.Time { return noon.Add(time.Duration(moves.Load()) * 2 * time.Second) }
	base := serve(t, o)
	ctx, w := newTab(t, parent)
	open(t, ctx, base+"/")
	press := func(keys string) {
		t.Helper()
		if err := chromedp.Do(ctx, chromedp.KeyEvent(keys)); err != nil {
			t.Fatal(err)
		}
	}
	focused := func() string {
		return evaluate[string](t, ctx, `document.activeElement.closest(".alert")?.dataset.id || document.activeElement.name || ""`)
	}
	flooding, drifting := alertIDs(town, dewline.Flooding)[0], alertIDs(town, dewline.ChargeDrift)[0]

	press("j")
	if focused() != flooding {
		t.Fatalf("j leads to %q, not to the most pressing alert", focused())
	}
	if outline := evaluate[string](t, ctx, `getComputedStyle(document.activeElement).outlineStyle`); outline == "none" {
		t.Error("the focus is invisible")
	}
	press("j")
	if focused() != drifting {
		t.Errorf("j leads on to %q", focused())
	}
	press("k")

	press("?")
	w.wait(t, ctx, `document.querySelector("#keys").open`)
	picture(t, ctx, "keys")
	axe(t, ctx)
	press("\r") // the dialog's only button has the focus, or its checkbox
	evaluate[bool](t, ctx, `document.querySelector("#keys").close(), true`)

	// An alert that has just been found waits behind a line, and the list stays where it is.
	before := evaluate[string](t, ctx, `[...document.querySelectorAll(".alert")].map(r => r.id).join()`)
	town.Raise("clinic/chapel-ac", dewline.HighHead, dewline.Urgent, dewline.CondenserAirflow)
	town.End(drifting)
	typed := evaluate[string](t, ctx, `(() => { const w = document.querySelector("#why"); w.value = "half a sentence"; w.focus(); w.setSelectionRange(2, 6); scrollTo(0, 120); return String(document.querySelectorAll(".alert")[2].getBoundingClientRect().top); })()`)
	moves.Add(1)
	w.wait(t, ctx, `document.querySelector("#news").textContent === "1 new alert"`)
	if after := evaluate[string](t, ctx, `[...document.querySelectorAll(".alert")].map(r => r.id).join()`); after != before {
		t.Error("the list moved under the hand")
	}
	if gone := evaluate[string](t, ctx, `[...document.querySelectorAll(".alert.gone")].map(r => r.dataset.id).join()`); gone != drifting {
		t.Errorf("what has ended is %q", gone)
	}
	if kept := evaluate[string](t, ctx, `(() => { const w = document.activeElement; return [w.id, w.value, w.selectionStart, w.selectionEnd, document.querySelectorAll(".alert")[2].getBoundingClientRect().top].join(); })()`); kept != "why,half a sentence,2,6,"+typed {
		t.Errorf("the list followed, and where the reader was is %q, not %s", kept, typed)
	}
	picture(t, ctx, "new-rows-wait")
	evaluate[bool](t, ctx, `document.querySelector("#why").value = "", true`)

	// Acknowledging asks for the name once.
	evaluate[bool](t, ctx, `document.querySelector(".alert .who").focus(), true`)
	press("a")
	if focused() != "by" {
		t.Fatalf("without a name the focus goes to %q", focused())
	}
	// The tool sends the letter once more where a keyboard would not, whose key press was taken.
	evaluate[bool](t, ctx, `document.activeElement.value = "", true`)
	loaded := chromedp.Events(ctx, cdppage.LoadEventFired)
	press("Ana Prumo")
	if err := chromedp.Do(ctx, chromedp.Click(chromedp.CSS(`button[value="acknowledge"]`))); err != nil {
		t.Fatal(err)
	}
	for range loaded {
		break
	}
	if act := d.done(flooding); act.Do != dewline.Acknowledge || act.By != "Ana Prumo" {
		t.Errorf("done: %+v", act)
	}
	if all := evaluate[string](t, ctx, `document.querySelector("#work").elements.by.value + " " + document.querySelectorAll(".alert").length`); all != "Ana Prumo 7" {
		t.Errorf("afterwards the name and the number of rows are %q", all)
	}

	// Keys can be put off, for those whose speech or hands would press them by accident (WCAG 2.1.4).
	evaluate[bool](t, ctx, `document.querySelector("#keys-on").click(), true`)
	press("j")
	if at := evaluate[string](t, ctx, `document.activeElement.tagName`); at != "BODY" {
		t.Errorf("keys are off, and j leads to %s", at)
	}
	evaluate[bool](t, ctx, `document.querySelector("#keys-on").click(), true`)
	press("j")
	loaded = chromedp.Events(ctx, cdppage.LoadEventFired)
	press("\r")
	for range loaded {
		break
	}
	if at := evaluate[string](t, ctx, `location.pathname`); !strings.HasPrefix(at, "/systems/") {
		t.Errorf("Enter leads to %s", at)
	}
	w.check(t, base)
}

// follow clicks a link and waits for its page.
func follow(t *testing.T, ctx context.Context, selector string) {
	t.Helper()
	if _, err := chromedp.RunResponse(ctx, chromedp.Click(chromedp.CSS(selector))); err != nil {
		t.Fatal(err)
	}
}

// drag pulls the mouse over an element from one share of its width to another.
func drag(t *testing.T, ctx context.Context, selector string, from, to float64) {
	t.Helper()
	if err := chromedp.Do(ctx, chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := chromedp.Evaluate[bool](`document.querySelector("`+selector+`").scrollIntoView({block: "center"}), true`)(ctx, tab)
		return err
	})); err != nil {
		t.Fatal(err)
	}
	box := evaluate[[4]float64](t, ctx, `(() => { const r = document.querySelector("`+selector+`").getBoundingClientRect(); return [r.left, r.top, r.width, r.height]; })()`)
	x := func(share float64) float64 { return box[0] + share*box[2] }
	y := box[1] + box[3]/2
	err := chromedp.Do(ctx,
		chromedp.MouseEvent("mouseMoved", x(from), y),
		chromedp.MouseEvent("mousePressed", x(from), y, chromedp.ButtonLeft, chromedp.ClickCount(1)),
		chromedp.MouseEvent("mouseMoved", x((from+to)/2), y, chromedp.ButtonLeft),
		chromedp.MouseEvent("mouseMoved", x(to), y, chromedp.ButtonLeft),
		chromedp.MouseEvent("mouseReleased", x(to), y, chromedp.ButtonLeft, chromedp.ClickCount(1)),
	)
	if err != nil {
		t.Fatal(err)
	}
}
