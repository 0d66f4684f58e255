package dashboards_test

import (
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"dewline"
	"dewline/dashboards"
	"dewline/dashboards/pagebook"
)

// TestSetUpInBrowser enrols a system as people do, from nothing, on a desk and on a phone, by day and by
// night, and looks at every page on the way as TestPagesInBrowser does.
func TestSetUpInBrowser(t *testing.T) {
	parent := browser(t)
	for _, v := range views {
		t.Run(v.name, func(t *testing.T) {
			y, book := bookYard(t)
			y.text = []byte("sites: []")
			site := httptest.NewServer(y.pages)
			defer site.Close()
			ctx, w := v.tab(t, parent)
			look := func(name string) {
				t.Helper()
				v.look(t, ctx, "setup-"+name)
			}
			fill := func(values map[string]string) {
				t.Helper()
				for key, value := range values {
					evaluate[bool](t, ctx, `(e => (e.value = "`+value+`", true))(document.querySelector("[name='`+key+`']"))`)
				}
			}
			open(t, ctx, site.URL+"/")
			look("nothing")
			follow(t, ctx, `a[href="/setup/systems/new"]`)
			arrives(t, ctx, `location.pathname === "/setup/systems/new" && document.readyState === "complete"`)
			look("new")
			w.check(t, site.URL)
			fill(map[string]string{"site.id": "quay-library", "site.name": "Quay Library", "owner.name": "City Buildings", "site.altitude": "40 ft",
				"system.id": "hall-ac", "system.name": "Reading hall split", "system.kind": "split_ac", "system.refrigerant": "R-401O", "system.metering": "fixed_orifice",
				"system.charge": "3.1", "system.orifice": "1.65 mm", "system.orifice_installed": "1.85 mm", "system.points.suction_temp.accuracy": "0.5 K"})
			press(t, ctx, "Enrol it")
			arrives(t, ctx, `document.querySelectorAll(".wrong").length === 2 && document.querySelector("[name='site.altitude']").value === "40 ft"`)
			look("refused")
			w.mu.Lock()
			w.complaints = nil // a browser complains of each answer that refuses
			w.mu.Unlock()
			fill(map[string]string{"system.refrigerant": "R-410A", "system.charge": "3.1 kg"})
			press(t, ctx, "Enrol it")
			arrives(t, ctx, `location.pathname === "/setup/systems/quay-library/hall-ac" && document.querySelector(".done") !== null && document.querySelector(".warning") !== null`)
			if s, ok := y.fleet().System("quay-library/hall-ac"); !ok || s.Charge != 3.1 {
				t.Fatalf("enrolled: %+v", s)
			}
			look("enrolled")
			open(t, ctx, site.URL+"/")
			look("unheard")
			open(t, ctx, site.URL+"/setup")
			look("index")
			open(t, ctx, site.URL+"/setup/gateways?new=quay-library/hall-gw")
			press(t, ctx, "Make a credential")
			arrives(t, ctx, `document.querySelector(".secret code") !== null`)
			look("gateways")
			open(t, ctx, site.URL+"/setup/fleet")
			look("fleet")
			send := func(text string) {
				t.Helper()
				loads(t, ctx, func() error {
					_, err := chromedp.Run(ctx, chromedp.Evaluate[bool](`(f => {f.method = "post"; f.action = "/setup/fleet"; f.innerHTML = "<textarea name=text></textarea>";
						f.firstChild.value = `+strconv.Quote(text)+`; document.body.append(f); f.submit(); return true})(document.createElement("form"))`))
					return err
				})
			}
			send(townFile)
			arrives(t, ctx, `document.querySelector("button[value=take]") !== null`)
			look("fleet-changes")
			send(strings.ReplaceAll(townFile, "R-410A", "R-401O") + "  colour: blue\n")
			arrives(t, ctx, `document.querySelectorAll(".listing tbody tr").length === 3`)
			look("fleet-mistakes")
			w.mu.Lock()
			w.complaints = nil
			w.mu.Unlock()
			open(t, ctx, site.URL+"/setup/systems/quay-library/hall-ac/check")
			look("check-nothing")
			book.d.Contacts = []dewline.Contact{{ID: "marta-email", Person: "marta", Channel: dewline.ByMail, Address: "marta@example.org", Monthly: true},
				{ID: "ana-webhook", Person: "ana", Channel: dewline.ByWebhook, Address: "https://example.org/hook/of/a/long/name/that/a/telephone/has/to/break"}}
			book.d.Rosters = []dewline.Roster{{ID: "van", Name: "Van duty", People: []string{"ana", "marta"}, First: "2031-06-30", Handover: "08:00", Days: 7}}
			book.d.Plans = []dewline.ContactPlan{{ID: "nights", Name: "Nights", Least: dewline.Soon, Steps: []dewline.PlanStep{{Contacts: []string{"ana-webhook"}},
				{After: 1800, Roster: "van", Hours: []dewline.Hours{{From: "18:00", To: "07:00", Days: []string{"sat", "sun"}}}}}}}
			open(t, ctx, site.URL+"/setup/contacts?plan=nights")
			look("contacts")
			send(townFile)
			press(t, ctx, "Take it")
			arrives(t, ctx, `location.search === "?taken" && document.querySelector(".done") !== null`)
			if _, ok := y.fleet().System("pier/a"); !ok {
				t.Error("the file that was sent is not taken")
			}
			w.check(t, site.URL)
		})
	}
}

// TestCheckInBrowser looks at the check of sensors that read something.
func TestCheckInBrowser(t *testing.T) {
	parent := browser(t)
	o := optionsFor(pagebook.Town(noon))
	o.Guest = as(visitor(dewline.RoleManager, ""))
	pages, err := dashboards.New(o)
	if err != nil {
		t.Fatal(err)
	}
	site := httptest.NewServer(pages)
	defer site.Close()
	for _, v := range views {
		for name, path := range map[string]string{"running": "quay-library/hall-ac", "silent": "clinic/ward-hp"} {
			ctx, w := v.tab(t, parent)
			open(t, ctx, site.URL+"/setup/systems/"+path+"/check")
			v.look(t, ctx, "check-"+name)
			if v.name == "phone-dark" { // it looks again by itself
				evaluate[bool](t, ctx, `document.querySelector("#check").dataset.old = "yes", true`)
				arrives(t, ctx, `!document.querySelector("#check").dataset.old && document.querySelector("#check .check-lines") !== null`)
			}
			w.check(t, site.URL)
		}
	}
}

// TestEditInBrowser: somebody gives a system that is enrolled tags and its compressor's map, changes its
// site, and takes it out of the fleet.
func TestEditInBrowser(t *testing.T) {
	parent := browser(t)
	for _, v := range views {
		t.Run(v.name, func(t *testing.T) {
			y := yardOf(t, townFile)
			y.options.Alerts, y.options.Ledger = alertsOf{alertAt(own)}, ledgerOf{&twoOwners{}}
			y.rebuild(t)
			site := httptest.NewServer(y.pages)
			defer site.Close()
			ctx, w := v.tab(t, parent)
			look := func(name string) {
				t.Helper()
				v.look(t, ctx, "edit-"+name)
			}
			fill := func(key, value string) {
				t.Helper()
				evaluate[bool](t, ctx, `(e => (e.closest("details")?.setAttribute("open", ""), e.value = `+strconv.Quote(value)+`, true))(document.querySelector("[name='`+key+`']"))`)
			}
			open(t, ctx, site.URL+"/setup")
			follow(t, ctx, `a[href="/setup/systems/pier/a"]`)
			arrives(t, ctx, `document.querySelector("[name='system.tags']") !== null`)
			fill("system.model", "WA 105/2")
			fill("system.tags", "roof\nservers")
			fill("system.compressor.map.mass_flow", "0.021 0.0009 -0.00002 0 0 0 0 0 0")
			fill("system.compressor.map.rated_superheat", "20 degF")
			press(t, ctx, "Keep the change")
			arrives(t, ctx, `document.querySelector("#f-system-compressor-map-mass_flow-wrong") !== null && document.querySelector("[name='system.tags']").value === "roof\nservers"`)
			look("refused")
			w.mu.Lock()
			w.complaints = nil // a browser complains of each answer that refuses
			w.mu.Unlock()
			fill("system.compressor.map.mass_flow", "0.021\n0.0009\n-0.00002\n0\n0\n0\n0\n0\n0\n0")
			press(t, ctx, "Keep the change")
			arrives(t, ctx, `document.querySelector(".done") !== null`)
			look("kept")
			if s, _ := y.fleet().System("pier/a"); len(s.Tags) != 2 || s.CompressorMap == nil || s.CompressorMap.MassFlow[1] != 0.0009 || s.Model != "WA 105/2" {
				t.Fatalf("kept: %+v", s)
			}
			follow(t, ctx, `a[href="/setup/sites/pier"]`)
			arrives(t, ctx, `document.querySelector("[name='site.address']") !== null`)
			fill("site.address", "1 Pier Road, by the crane")
			fill("owner.name", "Friends of the Pier")
			press(t, ctx, "Keep the change")
			arrives(t, ctx, `document.querySelector(".done") !== null`)
			look("site")
			if s, _ := y.fleet().Site("pier"); s.Address != "1 Pier Road, by the crane" || s.Owner != "friends-of-the-pier" {
				t.Fatalf("kept: %+v", s)
			}
			open(t, ctx, site.URL+"/setup/systems/pier/a")
			follow(t, ctx, `a[href="/setup/systems/pier/a/remove"]`)
			arrives(t, ctx, `document.querySelector("[name=why]") !== null`)
			look("remove")
			fill("why", "Sold with the building")
			press(t, ctx, "Take it out of the fleet")
			arrives(t, ctx, `location.pathname === "/setup" && document.querySelector(".done") !== null`)
			look("removed")
			if _, there := y.fleet().System("pier/a"); there {
				t.Error("it is still there")
			}
			open(t, ctx, site.URL+"/setup/sites/pier/remove")
			look("remove-site")
			w.check(t, site.URL)
		})
	}
}
