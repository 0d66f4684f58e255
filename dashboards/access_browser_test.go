package dashboards_test

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"dewline"
	"dewline/dashboards"
	"dewline/dashboards/access"
	"dewline/dashboards/access/accesstest"
	"dewline/dashboards/pagebook"
)

// typeSignIn signs in as people do: types both and presses Enter.
func typeSignIn(t *testing.T, ctx context.Context, _ *watch, login, words string) {
	t.Helper()
	arrives(t, ctx, `document.activeElement.name === "login" || document.activeElement.name === "password"`)
	if evaluate[string](t, ctx, `document.activeElement.name`) == "login" {
		if err := chromedp.Do(ctx, chromedp.KeyEvent(login), chromedp.KeyEvent("\t")); err != nil {
			t.Fatal(err)
		}
	}
	loads(t, ctx, func() error { return chromedp.Do(ctx, chromedp.KeyEvent(words), chromedp.KeyEvent("\r")) })
}

// loads does what makes another page load, and waits until that is there.
func loads(t *testing.T, ctx context.Context, do func() error) {
	t.Helper()
	evaluate[bool](t, ctx, `window.before = true`)
	if err := do(); err != nil {
		t.Fatal(err)
	}
	arrives(t, ctx, `!window.before && document.readyState === "complete"`)
}

// arrives waits until an expression is true of the page that is there by then. While one page takes the
// place of another nothing can be asked.
func arrives(t *testing.T, ctx context.Context, expression string) {
	t.Helper()
	for range 150 {
		if there, err := chromedp.Run(ctx, chromedp.Evaluate[bool](expression)); err == nil && there {
			return
		}
		if err := chromedp.Do(ctx, chromedp.Sleep(100*time.Millisecond)); err != nil {
			t.Fatal(err)
		}
	}
	t.Fatalf("it never came true: %s", expression)
}

// press clicks a button that leads to another page.
func press(t *testing.T, ctx context.Context, label string) {
	t.Helper()
	loads(t, ctx, func() error {
		_, err := chromedp.Run(ctx, chromedp.Evaluate[bool](
			`[...document.querySelectorAll("button")].find(b => b.textContent.startsWith("`+label+`")).click(), true`))
		return err
	})
}

// TestSignInInBrowser: who follows a link is led to sign in and from there to what they followed, by
// the keyboard alone, without a script of ours.
func TestSignInInBrowser(t *testing.T) {
	parent := browser(t)
	h := houseOf(t, nil, accountOf(t, "ana", dewline.RoleDispatcher, ""))
	ctx, w := newTab(t, parent)
	open(t, ctx, h.URL+"/systems/quay-library/hall-ac?window=7d")
	w.check(t, h.URL)
	typeSignIn(t, ctx, w, "ana@example.org", "not these words at all")
	arrives(t, ctx, `document.querySelector("[role=alert]") !== null`)
	if kept := evaluate[string](t, ctx, `document.querySelector("[name=login]").value`); kept != "ana@example.org" {
		t.Errorf("the login that was typed is %q", kept)
	}
	typeSignIn(t, ctx, w, "", rightWords)
	arrives(t, ctx, `location.pathname + location.search === "/systems/quay-library/hall-ac?window=7d"`)
	arrives(t, ctx, `document.querySelector(".me").textContent.includes("Name of ana")`)
	press(t, ctx, "Sign out")
	arrives(t, ctx, `location.pathname === "/sign-in" && document.querySelector(".done") !== null`)
	open(t, ctx, h.URL+"/")
	arrives(t, ctx, `location.pathname === "/sign-in"`)
}

func bookOf(t *testing.T, h *house) dewline.Directory {
	t.Helper()
	d, err := h.store.Directory(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// TestDoorsInBrowser looks at the pages of package access as TestPagesInBrowser does at the others.
func TestDoorsInBrowser(t *testing.T) {
	parent := browser(t)
	rui := accountOf(t, "rui", dewline.RoleAdministrator, "")
	rui.Person.Name = "Rui Salgado"
	waits := dewline.Account{Person: dewline.Person{ID: "ines", Name: "Ines Morel", Role: dewline.RoleTechnician}, SignIn: dewline.SignIn{Person: "ines", Login: "ines"}}
	closed := accountOf(t, "joao", dewline.RoleOwner, "city-buildings")
	closed.Person.Name, closed.SignIn.Disabled = "Joao Prior of the Department of Buildings", dewline.StampOf(noon.Add(-48*time.Hour))
	h := houseOf(t, nil, rui, accountOf(t, "ana", dewline.RoleDispatcher, ""), waits, closed)
	link := func(person string) string {
		path, err := access.Invite(t.Context(), h.store, person, dewline.MillisOf(time.Now()), dewline.AuditEntry{By: "rui"})
		if err != nil {
			t.Fatal(err)
		}
		return path
	}
	empty := houseOf(t, nil)
	first, err := access.Invite(t.Context(), empty.store, "", dewline.MillisOf(time.Now()), dewline.AuditEntry{})
	if err != nil {
		t.Fatal(err)
	}
	for i, v := range views {
		t.Run(v.name, func(t *testing.T) {
			ctx, w := v.tab(t, parent)
			look := func(name string) {
				t.Helper()
				v.look(t, ctx, name)
			}
			open(t, ctx, empty.URL+"/sign-in")
			look("sign-in-nobody")
			open(t, ctx, empty.URL+first)
			look("first-administrator")
			open(t, ctx, h.URL+link("ines"))
			look("new-password")
			open(t, ctx, h.URL+"/people")
			look("sign-in")
			typeSignIn(t, ctx, w, "rui@example.org", "wrong words and more")
			arrives(t, ctx, `document.querySelector("[role=alert]") !== null`)
			look("sign-in-refused")
			typeSignIn(t, ctx, w, "", rightWords)
			arrives(t, ctx, `location.pathname === "/people" && document.querySelector(".listing") !== null`)
			look("people")
			open(t, ctx, h.URL+"/people/joao")
			look("person-closed")
			open(t, ctx, h.URL+"/people/ines")
			press(t, ctx, "Make a link")
			arrives(t, ctx, `document.querySelector(".secret") !== null`)
			look("person-link")
			leaves := "leaves-" + v.name
			if err := errors.Join(h.store.PutPerson(t.Context(), dewline.Person{ID: leaves, Name: "Amaro Vidal", Role: dewline.RoleTechnician}),
				h.store.PutRoster(t.Context(), dewline.Roster{ID: "van", Name: "Van duty", People: []string{leaves}, First: "2031-06-30", Handover: "08:00", Days: 7})); err != nil {
				t.Fatal(err)
			}
			open(t, ctx, h.URL+"/people/"+leaves)
			press(t, ctx, "Take the name away")
			arrives(t, ctx, `document.querySelector(".asked") !== null`)
			look("person-asked")
			press(t, ctx, "Take the name away for good")
			arrives(t, ctx, `document.querySelector("#main").textContent.includes("was taken away for good")`)
			look("person-gone")
			if p, ok := bookOf(t, h).Person(leaves); !ok || p.Anonymised == 0 || p.Name != "" {
				t.Errorf("the name is still kept: %+v", p)
			}
			open(t, ctx, h.URL+"/account")
			evaluate[bool](t, ctx, `document.querySelector("[name=name]").value = "The board in the office, `+string(rune('0'+i))+`", true`)
			press(t, ctx, "Make a token")
			arrives(t, ctx, `document.querySelector(".secret") !== null`)
			look("account-token")
			open(t, ctx, h.URL+"/audit")
			look("audit")
			open(t, ctx, h.URL+"/")
			look("today-signed-in")
			press(t, ctx, "Sign out") // the next screen's tab has the same cookies
		})
	}
}

// TestStreamEndsInBrowser: the stream of a page that listens ends once its reader has signed out, or may not
// sign in any more. The page says so, and whatever is asked for next leads to where people sign in.
func TestStreamEndsInBrowser(t *testing.T) {
	parent := browser(t)
	for name, end := range map[string]func(t *testing.T, ctx context.Context, store *accesstest.Store, ana dewline.Account){
		"signed out elsewhere": func(t *testing.T, ctx context.Context, _ *accesstest.Store, _ dewline.Account) {
			if _, err := chromedp.Run(ctx, chromedp.Evaluate[bool](`fetch("/sign-out", {method: "POST"}).then(() => true)`, chromedp.EvalAwaitPromise)); err != nil {
				t.Fatal(err)
			}
		},
		"disabled": func(t *testing.T, _ context.Context, store *accesstest.Store, ana dewline.Account) {
			ana.SignIn.Disabled = dewline.StampOf(time.Now())
			if err := store.PutSignIn(t.Context(), ana.SignIn, dewline.AuditEntry{By: "rui"}); err != nil {
				t.Fatal(err)
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			ana := accountOf(t, "ana", dewline.RoleDispatcher, "")
			store := accesstest.New(ana)
			gate, err := access.New(access.Options{Store: store, Book: store, Now: time.Now})
			if err != nil {
				t.Fatal(err)
			}
			town := pagebook.Town(noon)
			o := optionsFor(town)
			o.Guest, o.Access, o.Contacts, o.Desk = nil, gate, store, &desk{book: town}
			began := time.Now()
			o.Now = func() time.Time { return noon.Add(time.Since(began)) }
			pages, err := dashboards.New(o)
			if err != nil {
				t.Fatal(err)
			}
			var listening atomic.Int32
			s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				if r.URL.Path == "/events" {
					listening.Add(1)
					defer listening.Add(-1)
				}
				pages.ServeHTTP(w, r)
			}))
			t.Cleanup(func() {
				s.CloseClientConnections()
				s.Close()
			})
			ctx, w := newTab(t, parent)
			listen := func(n int32) {
				t.Helper()
				for range 150 {
					if listening.Load() == n {
						return
					}
					if err := chromedp.Do(ctx, chromedp.Sleep(100*time.Millisecond)); err != nil {
						t.Fatal(err)
					}
				}
				t.Fatalf("%d pages listen, not %d", listening.Load(), n)
			}
			open(t, ctx, s.URL+"/")
			typeSignIn(t, ctx, w, "ana@example.org", rightWords)
			arrives(t, ctx, `document.querySelector("#today") !== null`)
			listen(1)
			end(t, ctx, store, ana)
			town.Raise("clinic/chapel-ac", dewline.HighHead, dewline.Urgent, dewline.CondenserAirflow)
			listen(0)
			arrives(t, ctx, `document.getElementById("news")?.textContent.includes("Your sign-in is over")`)
			follow(t, ctx, ".alert .who")
			if at := evaluate[string](t, ctx, `location.pathname + " " + new URLSearchParams(location.search).get("back")`); at != "/sign-in /systems/quay-library/hall-ac" {
				t.Errorf("the next step leads to %s", at)
			}
			w.checkBut(t, s.URL, "401")
		})
	}
}
