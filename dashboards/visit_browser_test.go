package dashboards_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"image"
	"image/png"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/network"
	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"dewline"
	"dewline/dashboards"
	"dewline/dashboards/access"
	"dewline/dashboards/access/accesstest"
	"dewline/dashboards/pagebook"
)

// album keeps photos as they come.
type album struct {
	mu   sync.Mutex
	kept map[string][]byte
}

func (a *album) KeepPhoto(_ ctx, visit string, picture []byte) (dewline.Photo, error) {
	if http.DetectContentType(picture) != "image/jpeg" && http.DetectContentType(picture) != "image/png" {
		return dewline.Photo{}, &dewline.Error{Code: dewline.Invalid, Op: "keep a photo", Err: errors.New("this is no photo that can be kept: it must be JPEG, PNG or WebP, whatever its name says")}
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.kept == nil {
		a.kept = map[string][]byte{}
	}
	sum := sha256.Sum256(picture)
	digest := hex.EncodeToString(sum[:])
	a.kept[visit+digest] = picture
	return dewline.Photo{Digest: digest, Type: "image/jpeg", Bytes: int64(len(picture))}, nil
}

func (a *album) KeepOnly(ctx, string, []string) error { return nil }

func (a *album) PhotoOf(_ ctx, visit, digest string, _ bool) ([]byte, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if data, ok := a.kept[visit+digest]; ok {
		return data, nil
	}
	return nil, &dewline.Error{Code: dewline.NotFound, Op: "read a photo", Err: errors.New("there is no such photo")}
}

func plate(t testing.TB) []byte {
	t.Helper()
	var out bytes.Buffer
	if err := png.Encode(&out, image.NewGray(image.Rect(0, 0, 64, 48))); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// roof is a service on a roof: it can lose its signal.
type roof struct {
	calls *pagebook.Calls
	base  string
	away  atomic.Bool
	deaf  atomic.Bool  // pages come, and nothing that is sent arrives
	mute  atomic.Int32 // so many of the next things that are sent arrive, and their answers do not
}

func newRoof(t *testing.T, v dewline.Visitor) *roof {
	t.Helper()
	town := pagebook.Town(noon)
	r := &roof{calls: pagebook.NewCalls(town)}
	o := callOptions(town, r.calls, v)
	h := handler(t, o)
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		if r.away.Load() || r.deaf.Load() && q.Method == http.MethodPost {
			panic(http.ErrAbortHandler) // the line is cut
		}
		if q.Method == http.MethodPost && r.mute.Add(-1) >= 0 {
			h.ServeHTTP(httptest.NewRecorder(), q)
			panic(http.ErrAbortHandler)
		}
		h.ServeHTTP(w, q)
	}))
	s.Config.ErrorLog = nil
	t.Cleanup(s.Close)
	r.base = s.URL
	return r
}

func callOptions(town *pagebook.Book, calls dewline.ServiceDesk, v dewline.Visitor) dashboards.Options {
	o := optionsFor(town)
	o.Service, o.Desk, o.Photos, o.Guest = calls, &desk{book: town}, &album{}, as(v)
	return o
}

var technician = dewline.Visitor{Person: "salgado", Name: "T. Salgado", Role: dewline.RoleTechnician}

// fill types into a field as a person does, as far as the page can tell.
func fill(t *testing.T, ctx context.Context, name string, n int, value string) {
	t.Helper()
	evaluate[bool](t, ctx, `(() => { const e = document.querySelectorAll('[name="`+name+`"]')[`+string(rune('0'+n))+`]; e.value = "`+value+`"; e.dispatchEvent(new Event("input", {bubbles: true})); return true; })()`)
}

func typed(t *testing.T, ctx context.Context, name string, n int) string {
	t.Helper()
	return evaluate[string](t, ctx, `document.querySelectorAll('[name="`+name+`"]')[`+string(rune('0'+n))+`].value`)
}

// TestVisitInBrowser is a technician's visit on a roof where the signal comes and goes: nothing that is
// typed is lost, and what is sent is there once.
func TestVisitInBrowser(t *testing.T) {
	parent := browser(t)
	for _, v := range []screen{{"phone", 390, 844, "light"}, {"desktop", 1280, 900, "light"}} {
		t.Run(v.name, func(t *testing.T) {
			r := newRoof(t, technician)
			ctx, w := v.tab(t, parent)
			fits := func(what string) {
				t.Helper()
				v.look(t, ctx, "visit-"+what)
			}

			open(t, ctx, r.base+"/calls")
			w.wait(t, ctx, `navigator.serviceWorker.controller !== null`)
			if mine := evaluate[string](t, ctx, `[...document.querySelectorAll(".call .who")].map(e => e.textContent).join()`); strings.Contains(mine, "Cold Store") || !strings.Contains(mine, "Quay Library") {
				t.Errorf("a technician's calls are %q", mine)
			}
			fits("calls")
			follow(t, ctx, `.call .who[href="/calls/call-library"]`)
			fits("call")
			follow(t, ctx, `button[value="on_site"]`)
			w.wait(t, ctx, `document.body.textContent.includes("On site, planned for Thu 3 Jul 19:12 to 21:12, T. Salgado")`)
			w.wait(t, ctx, `(async () => (await (await caches.open("dewline-visits")).keys()).some(k => k.url.endsWith("/visit/quay-library/hall-ac")))()`)
			follow(t, ctx, `.go`)
			if size := evaluate[float64](t, ctx, `parseFloat(getComputedStyle(document.querySelector("#visit-live .value")).fontSize)`); size < 48 {
				t.Errorf("the values of now are %.0f pixels high", size)
			}
			if says := evaluate[string](t, ctx, `document.querySelector("#visit-live .means").textContent`); !strings.Contains(says, "Wet") {
				t.Errorf("superheat at nothing is called %q", says)
			}

			// With signal: what is typed arrives by itself.
			fill(t, ctx, "reading.found", 0, "812")
			fill(t, ctx, "reading.found", 1, "2344.5")
			evaluate[bool](t, ctx, `dispatchEvent(new Event("dewline-send")), true`)
			w.wait(t, ctx, `document.getElementById("kept").textContent.startsWith("Everything is sent")`)

			// Without: it is kept, says so, and outlives the page.
			r.away.Store(true)
			fill(t, ctx, "notes", 0, "Bore 1.85 read off the part. <b>No</b> label.")
			fill(t, ctx, "weigh.in", 0, "3,1")
			fill(t, ctx, "weigh.out", 1, "2.9")
			fill(t, ctx, "part.part", 0, "orifice")
			fill(t, ctx, "part.bore_was", 0, "1.85")
			fill(t, ctx, "part.bore_now", 0, "1.65")
			fill(t, ctx, "found", 0, "overfeed orifice_too_large")
			evaluate[bool](t, ctx, `dispatchEvent(new Event("dewline-live")), dispatchEvent(new Event("dewline-send")), true`)
			w.wait(t, ctx, `document.getElementById("kept").textContent.startsWith("Kept on this phone, not sent yet: 1")`)
			w.wait(t, ctx, `document.getElementById("live-says").textContent.startsWith("No signal")`)
			fits("no-signal")
			open(t, ctx, r.base+"/calls/call-library/visit/quay-library/hall-ac")
			w.wait(t, ctx, `document.getElementById("kept")?.textContent.startsWith("Kept on this phone, not sent yet: 1")`)
			for field, want := range map[string]string{"notes": "Bore 1.85 read off the part. <b>No</b> label.", "weigh.in": "3,1", "part.bore_was": "1.85", "found": "overfeed orifice_too_large", "reading.found": "812"} {
				if got := typed(t, ctx, field, 0); got != want {
					t.Errorf("after the page was loaded without signal, %s is %q", field, got)
				}
			}
			if got := typed(t, ctx, "weigh.out", 1); got != "2.9" {
				t.Errorf("the second weighing is %q", got)
			}
			addPhoto(t, ctx)
			w.wait(t, ctx, `document.getElementById("kept").textContent.includes("with 1 photo")`)
			evaluate[bool](t, ctx, `document.querySelector('button[value="close"]').click(), true`)
			before := r.calls.Sent()
			open(t, ctx, r.base+"/calls")
			w.wait(t, ctx, `document.getElementById("unsent")?.textContent.includes("not sent yet: 1")`)

			// The signal returns: it is sent, once, with its photo, and closed.
			r.away.Store(false)
			evaluate[bool](t, ctx, `dispatchEvent(new Event("online")), true`)
			w.wait(t, ctx, `document.getElementById("unsent").textContent === ""`)
			if n := r.calls.Sent() - before; n != 2 { // the words, then with the photo
				t.Errorf("sent %d times", n)
			}
			c, err := r.calls.CallCase(t.Context(), "call-library")
			if err != nil || len(c.Visits) != 1 {
				t.Fatalf("%d visits, %v", len(c.Visits), err)
			}
			visit := c.Visits[0]
			if visit.Closed == 0 || len(visit.Photos) != 1 || visit.Notes != "Bore 1.85 read off the part. <b>No</b> label." || len(visit.Refrigerant) != 2 || float64(visit.Refrigerant[0].Charged) != 3.1 ||
				visit.Found == nil || visit.Found.Detail != "orifice_too_large" || visit.AsFound[0].Value != 812_000 || visit.Technician != "T. Salgado" {
				t.Errorf("what arrived: %+v", visit)
			}
			open(t, ctx, r.base+"/calls/call-library/visit/quay-library/hall-ac")
			w.wait(t, ctx, `document.body.textContent.includes("This visit is closed") && document.body.textContent.includes("has run steadily for 1.5 of 3.0 h")`)
			w.wait(t, ctx, `document.querySelector(".photo img").complete && document.querySelector(".photo img").naturalWidth > 0`)
			fits("closed")
			w.checkBut(t, r.base, "net::ERR_", "503")
		})
	}
}

// eventually is wait for a page that takes the place of another meanwhile: then nothing can be asked.
func eventually(t *testing.T, ctx context.Context, expression string) {
	t.Helper()
	for range 150 {
		if is, err := chromedp.Run(ctx, chromedp.Evaluate[bool](expression)); err == nil && is {
			return
		}
		if err := chromedp.Do(ctx, chromedp.Sleep(100*time.Millisecond)); err != nil {
			t.Fatal(err)
		}
	}
	t.Fatalf("it never came true: %s", expression)
}

// addPhoto chooses a file as a person does.
func addPhoto(t *testing.T, ctx context.Context) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "plate <img src=x>.png")
	if err := os.WriteFile(path, plate(t), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := chromedp.Do(ctx, chromedp.SetUploadFiles(chromedp.CSS(`input[name="picture"]`), []string{path})); err != nil {
		t.Fatal(err)
	}
}

// checkBut is check, but for complaints about a line that the test has cut.
func (w *watch) checkBut(t *testing.T, base string, cut ...string) {
	t.Helper()
	w.mu.Lock()
	var left []string
	for _, c := range w.complaints {
		expected := false
		for _, word := range cut {
			expected = expected || strings.Contains(c, word)
		}
		if !expected {
			left = append(left, c)
		}
	}
	w.complaints = left
	w.mu.Unlock()
	w.check(t, base)
}

// TestVisitOfTwoInBrowser: two devices at one visit are asked what is to stand, and what comes after the
// visit was closed is shown until somebody has read it.
func TestVisitOfTwoInBrowser(t *testing.T) {
	r := newRoof(t, technician)
	ctx, w := newTab(t, browser(t))
	page := r.base + "/calls/call-library/visit/quay-library/hall-ac"
	kept := func() dewline.Visit {
		t.Helper()
		c, err := r.calls.CallCase(t.Context(), "call-library")
		if err != nil || len(c.Visits) != 1 {
			t.Fatalf("%d visits, %v", len(c.Visits), err)
		}
		return c.Visits[0]
	}
	type0 := func(notes string) {
		t.Helper()
		fill(t, ctx, "notes", 0, notes)
		evaluate[bool](t, ctx, `dispatchEvent(new Event("dewline-send")), true`)
	}
	open(t, ctx, page)
	type0("mine")
	w.wait(t, ctx, `document.getElementById("kept").textContent.startsWith("Everything is sent")`)
	other := kept()
	other.Revision, other.Notes = other.Revision+4, "theirs"
	if _, err := r.calls.PutVisit(t.Context(), other); err != nil {
		t.Fatal(err)
	}
	type0("mine, longer")
	w.wait(t, ctx, `document.getElementById("problems").textContent.includes("on another device")`)
	picture(t, ctx, "visit-of-two")
	axe(t, ctx)
	if kept().Notes != "theirs" {
		t.Errorf("overwritten: %q", kept().Notes)
	}
	evaluate[bool](t, ctx, `document.querySelector("#problems button").click(), true`)
	w.wait(t, ctx, `document.getElementById("kept").textContent.startsWith("Everything is sent")`)
	if v := kept(); v.Notes != "mine, longer" || v.Revision != other.Revision+1 {
		t.Errorf("kept: %+v", v)
	}

	closed := kept()
	closed.Revision++
	closed.Found = &dewline.FoundCause{Fault: dewline.Overcharge}
	if _, err := r.calls.PutVisit(t.Context(), closed); err != nil {
		t.Fatal(err)
	}
	if _, err := r.calls.CloseVisit(t.Context(), closed.ID, dewline.Closing{By: "R. Bastos"}); err != nil {
		t.Fatal(err)
	}
	loaded := chromedp.Events(ctx, cdppage.LoadEventFired) // the page is left for that of the closed visit
	type0("too late <b>for</b> it")
	for _, err := range loaded {
		if err != nil {
			t.Fatal(err)
		}
		break
	}
	w.wait(t, ctx, `document.querySelector(".held")?.textContent.includes("notes: too late <b>for</b> it")`)
	if kept().Notes != "mine, longer" {
		t.Errorf("a closed visit says %q", kept().Notes)
	}
	picture(t, ctx, "visit-too-late")
	axe(t, ctx)
	evaluate[bool](t, ctx, `document.querySelector(".held").open = true, document.querySelector(".held button").click(), true`)
	w.wait(t, ctx, `document.querySelector(".held") === null && document.getElementById("kept").textContent === ""`)
	w.checkBut(t, r.base, "409")
}

// TestVisitKeepsItsUnitsInBrowser: what was typed in one system of units is shown in no other.
func TestVisitKeepsItsUnitsInBrowser(t *testing.T) {
	r := newRoof(t, technician)
	ctx, w := newTab(t, browser(t))
	open(t, ctx, r.base+visitPath)
	w.wait(t, ctx, `(async () => (await (await caches.open("dewline-visits")).keys()).some(k => k.url.endsWith("/hall-ac")))()`)
	r.away.Store(true)
	fill(t, ctx, "reading.found", 0, "812")
	fill(t, ctx, "reading.left", 2, "9.5")
	evaluate[bool](t, ctx, `document.cookie = "dewline_units=us; path=/", true`)
	open(t, ctx, r.base+visitPath)
	w.wait(t, ctx, `document.getElementById("kept").textContent.startsWith("Kept on this phone")`)
	if typed(t, ctx, "reading.found", 0) != "812" || typed(t, ctx, "units", 0) != "metric" {
		t.Errorf("%q in %q", typed(t, ctx, "reading.found", 0), typed(t, ctx, "units", 0))
	}
	r.away.Store(false)
	evaluate[bool](t, ctx, `dispatchEvent(new Event("online")), true`)
	w.wait(t, ctx, `document.getElementById("kept").textContent.startsWith("Everything is sent")`)
	c, err := r.calls.CallCase(t.Context(), "call-library")
	if err != nil || len(c.Visits) != 1 || c.Visits[0].AsFound[0].Value != 812_000 || c.Visits[0].AsLeft[0].Value != 9.5 {
		t.Errorf("%+v %v", c.Visits, err)
	}
	// Sent and shown anew, it is in the units that are chosen.
	open(t, ctx, r.base+visitPath)
	w.wait(t, ctx, `document.querySelector('[name="units"]').value === "us"`)
	if got := typed(t, ctx, "reading.found", 0); !strings.HasPrefix(got, "117.77") {
		t.Errorf("812 kPa are %s psi", got)
	}
	// Typed in psi, with kPa chosen meanwhile: the page comes in psi.
	r.deaf.Store(true)
	evaluate[bool](t, ctx, `document.cookie = "dewline_units=metric; path=/", true`)
	fill(t, ctx, "reading.found", 0, "118")
	fill(t, ctx, "notes", 0, "psi")
	open(t, ctx, r.base+visitPath)
	eventually(t, ctx, `document.querySelector('[name="units"]')?.value === "us" && document.querySelector('[name="notes"]').value === "psi" && document.querySelector('[name="reading.found"]').value === "118"`)
	r.deaf.Store(false)
	evaluate[bool](t, ctx, `dispatchEvent(new Event("online")), true`)
	w.wait(t, ctx, `document.getElementById("kept").textContent.startsWith("Everything is sent")`)
	if c, err = r.calls.CallCase(t.Context(), "call-library"); err != nil || int(c.Visits[0].AsFound[0].Value) != 813_581 {
		t.Errorf("118 psi: %+v %v", c.Visits[0].AsFound, err)
	}
	w.checkBut(t, r.base, "net::ERR_", "503")
}

// TestVisitOutlivesSessionInBrowser: a session that ends on the roof costs nothing of what is typed.
func TestVisitOutlivesSessionInBrowser(t *testing.T) {
	parent := browser(t)
	store := accesstest.New(accountOf(t, "tea", dewline.RoleTechnician, ""))
	gate, err := access.New(access.Options{Store: store, Book: store, Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	town := pagebook.Town(noon)
	calls := pagebook.NewCalls(town)
	o := callOptions(town, calls, dewline.Visitor{})
	o.Guest, o.Access, o.Contacts = nil, gate, store
	pages, err := dashboards.New(o)
	if err != nil {
		t.Fatal(err)
	}
	var sent atomic.Int64
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodPost && r.URL.Path == visitPath {
			sent.Add(1)
		}
		pages.ServeHTTP(w, r)
	}))
	t.Cleanup(s.Close)
	ctx, w := newTab(t, parent)
	open(t, ctx, s.URL+visitPath)
	typeSignIn(t, ctx, w, "tea@example.org", rightWords)
	w.wait(t, ctx, `location.pathname === "`+visitPath+`" && document.getElementById("kept") !== null`)
	if by := typed(t, ctx, "technician", 0); by != "Name of tea" {
		t.Errorf("the technician is %q", by)
	}
	if _, err := chromedp.Call(ctx, network.ClearBrowserCookies, cdp.Empty{}); err != nil {
		t.Fatal(err)
	}
	fill(t, ctx, "notes", 0, "typed after the session ended")
	evaluate[bool](t, ctx, `dispatchEvent(new Event("dewline-send")), true`)
	w.wait(t, ctx, `document.getElementById("problems").textContent.includes("You are not signed in any more") && document.getElementById("kept").textContent.startsWith("Kept on this phone")`)
	picture(t, ctx, "visit-signed-out")
	// It is sent again while somebody reaches for the link, which stays where it is.
	evaluate[bool](t, ctx, `window.signIn = document.querySelector("#problems a"), true`)
	for from := sent.Load(); sent.Load() < from+2; {
		evaluate[bool](t, ctx, `dispatchEvent(new Event("dewline-send")), true`)
		if err := chromedp.Do(ctx, chromedp.Sleep(100*time.Millisecond)); err != nil {
			t.Fatal(err)
		}
	}
	if !evaluate[bool](t, ctx, `window.signIn.isConnected`) {
		t.Error("the link goes from under the finger each time that the visit is sent again")
	}
	follow(t, ctx, `#problems a`)
	typeSignIn(t, ctx, w, "tea@example.org", rightWords)
	w.wait(t, ctx, `document.getElementById("kept")?.textContent.startsWith("Everything is sent")`)
	c, err := calls.CallCase(t.Context(), "call-library")
	if err != nil || len(c.Visits) != 1 || c.Visits[0].Notes != "typed after the session ended" {
		t.Errorf("%+v %v", c.Visits, err)
	}
	w.checkBut(t, s.URL, "401")
}

// TestPagesForgottenInBrowser: the pages that a phone keeps are gone when its owner signs out.
func TestPagesForgottenInBrowser(t *testing.T) {
	parent := browser(t)
	h := houseOf(t, nil, accountOf(t, "tea", dewline.RoleTechnician, ""))
	ctx, w := newTab(t, parent)
	open(t, ctx, h.URL+"/calls")
	typeSignIn(t, ctx, w, "tea@example.org", rightWords)
	w.wait(t, ctx, `location.pathname === "/calls" && document.getElementById("unsent") !== null`)
	w.wait(t, ctx, `(async () => (await (await caches.open("dewline-visits")).keys()).length > 0)()`)
	press(t, ctx, "Sign out")
	w.wait(t, ctx, `location.pathname === "/sign-in" && document.querySelector(".done") !== null`)
	w.wait(t, ctx, `(async () => !(await caches.has("dewline-visits")))()`)
	w.check(t, h.URL)
}

// tabTo moves on by the Tab key until an element has the focus, which must be visible and not be covered, and
// types into it.
func tabTo(t *testing.T, ctx context.Context, selector, keys string) {
	t.Helper()
	for range 100 {
		if err := chromedp.Do(ctx, chromedp.KeyEvent("\t")); err != nil {
			t.Fatal(err)
		}
		if !evaluate[bool](t, ctx, "document.activeElement.matches(`"+selector+"`)") {
			continue
		}
		if seen := evaluate[bool](t, ctx, `(() => {
			const e = document.activeElement, r = e.getBoundingClientRect(), at = document.elementFromPoint(r.left + r.width / 2, r.top + r.height / 2);
			return getComputedStyle(e).outlineStyle !== "none" && (e === at || e.contains(at));
		})()`); !seen {
			t.Errorf("%s has the focus, and nobody sees it", selector)
		}
		if err := chromedp.Do(ctx, chromedp.KeyEvent(keys)); err != nil {
			t.Fatal(err)
		}
		return
	}
	t.Fatalf("Tab does not lead to %s", selector)
}

// TestStepsInBrowser: that somebody is on the way and on site is kept without signal, outlives the page, and
// is there once when it is sent, though the first answer is lost. What is refused is shown until it was read.
func TestStepsInBrowser(t *testing.T) {
	r := newRoof(t, technician)
	v := screen{"phone-dark", 390, 844, "dark"}
	ctx, w := v.tab(t, browser(t))
	page := r.base + "/calls/call-library"
	open(t, ctx, page)
	w.wait(t, ctx, `navigator.serviceWorker.controller !== null && (async () => (await (await caches.open("dewline-visits")).keys()).filter(k => k.url.endsWith("/call-library") || k.url.endsWith("/calls")).length === 2)()`)
	kept := func(n string) {
		t.Helper()
		w.wait(t, ctx, `document.getElementById("unsent")?.textContent.startsWith("Kept on this phone, not sent yet: `+n+`")`)
	}
	state := func() (dewline.CallCase, int) {
		t.Helper()
		c, err := r.calls.CallCase(t.Context(), "call-library")
		if err != nil {
			t.Fatal(err)
		}
		return c, len(c.History)
	}
	_, before := state()

	r.away.Store(true)
	evaluate[bool](t, ctx, `document.querySelector('button[value="on_the_way"]').click(), true`)
	kept("1")
	open(t, ctx, page)
	kept("1")
	if again := evaluate[bool](t, ctx, `document.querySelector('button[value="on_the_way"]').disabled`); !again {
		t.Error("what is kept can be said a second time")
	}
	tabTo(t, ctx, `button[value="on_site"]`, "\r")
	kept("2")
	v.look(t, ctx, "call-steps-kept")
	open(t, ctx, r.base+"/calls")
	w.wait(t, ctx, `document.getElementById("unsent")?.textContent.includes("Quay Library: I am on site")`)
	open(t, ctx, page)
	kept("2")

	r.away.Store(false)
	r.mute.Store(1)
	evaluate[bool](t, ctx, `dispatchEvent(new Event("online")), true`)
	w.wait(t, ctx, `document.getElementById("unsent").textContent !== ""`)
	for range 150 {
		if _, n := state(); n > before {
			break
		}
		if err := chromedp.Do(ctx, chromedp.Sleep(100*time.Millisecond)); err != nil {
			t.Fatal(err)
		}
	}
	kept("2") // the answer was lost
	evaluate[bool](t, ctx, `dispatchEvent(new Event("online")), true`)
	eventually(t, ctx, `document.getElementById("unsent")?.textContent === "" && document.body.textContent.includes("On site, planned for")`)
	c, after := state()
	if after != before+2 || c.History[before].Call.State != dewline.CallOnTheWay || c.Call.State != dewline.CallOnSite || c.History[before].At >= c.History[before+1].At {
		t.Errorf("%d steps, now %s: %+v", after-before, c.Call.State, c.History[before:])
	}

	// Cancelled while it was kept.
	open(t, ctx, r.base+"/calls/call-roof")
	r.away.Store(true)
	evaluate[bool](t, ctx, `document.querySelector('button[value="on_the_way"]').click(), true`)
	kept("1")
	if _, err := r.calls.ActOnCall(t.Context(), "call-roof", dewline.CallAct{Do: dewline.CancelCall, By: "J. Marinho", Why: "not needed"}); err != nil {
		t.Fatal(err)
	}
	r.away.Store(false)
	evaluate[bool](t, ctx, `dispatchEvent(new Event("online")), true`)
	w.wait(t, ctx, `document.querySelector(".held.step")?.textContent.includes("it is cancelled")`)
	v.look(t, ctx, "call-step-refused")
	tabTo(t, ctx, ".held.step button", "\r")
	w.wait(t, ctx, `document.querySelector(".held.step") === null && document.getElementById("unsent").textContent === ""`)

	// And on with the visit, by keys alone.
	open(t, ctx, page)
	loads(t, ctx, func() error { tabTo(t, ctx, ".go", "\r"); return nil })
	w.wait(t, ctx, `document.getElementById("kept").textContent !== ""`)
	tabTo(t, ctx, `[name="reading.found"]`, "812")
	tabTo(t, ctx, "#refrigerant summary", "\r")
	tabTo(t, ctx, `[name="weigh.in"]`, "3.1")
	tabTo(t, ctx, `button[value="save"]`, "\r")
	w.wait(t, ctx, `document.getElementById("kept").textContent.startsWith("Everything is sent")`)
	if c, _ := state(); len(c.Visits) != 1 || c.Visits[0].AsFound[0].Value != 812_000 || len(c.Visits[0].Refrigerant) != 1 {
		t.Errorf("by keys: %+v", c.Visits)
	}
	w.checkBut(t, r.base, "net::ERR_", "503", "409")
}
