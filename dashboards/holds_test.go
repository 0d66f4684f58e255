package dashboards_test

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"dewline"
	"dewline/dashboards/pagebook"
)

// holdDesk keeps holds in memory.
type holdDesk struct {
	dewline.AlertDesk
	mu    sync.Mutex
	holds []dewline.Hold
}

func (d *holdDesk) Hold(_ ctx, h dewline.Hold) (dewline.Hold, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if h.Until <= dewline.StampOf(noon) {
		return h, &dewline.Error{Code: dewline.Invalid, Err: errorText("until must lie ahead")}
	}
	h.ID = "hold " + string(rune('0'+len(d.holds)))
	d.holds = append(d.holds, h)
	return h, dewline.CheckPerson(h.By)
}

func (d *holdDesk) EndHold(_ ctx, id string, c dewline.Change) (dewline.Hold, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for i := range d.holds {
		if h := &d.holds[i]; h.ID == id {
			h.Until, h.EndedBy, h.EndedWhy = dewline.StampOf(noon), c.By, c.Why
			return *h, nil
		}
	}
	return dewline.Hold{}, &dewline.Error{Code: dewline.NotFound, Err: errorText("no such hold")}
}

func (d *holdDesk) HoldsIn(_ ctx, site string) ([]dewline.Hold, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return slices.DeleteFunc(slices.Clone(d.holds), func(h dewline.Hold) bool { return h.Until <= dewline.StampOf(noon) || site != "" && h.Site != site }), nil
}

func (d *holdDesk) EndedHolds(_ ctx, site string, since dewline.Millis) ([]dewline.Hold, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return slices.DeleteFunc(slices.Clone(d.holds), func(h dewline.Hold) bool {
		return h.Until > dewline.StampOf(noon) || dewline.Millis(h.Until) <= since || site != "" && h.Site != site
	}), nil
}

func (d *holdDesk) last() dewline.Hold { return d.holds[len(d.holds)-1] }

const nasty = `"><script>alert(1)</script> fan's coil & more`

func TestHolds(t *testing.T) {
	d := &holdDesk{}
	o := optionsFor(pagebook.Town(noon))
	o.Desk, o.Guest = d, as(visitor(dewline.RoleDispatcher, ""))
	h := handler(t, o)
	if body := page(t, h, "/holds"); !strings.Contains(body, "No notice is held back") || !strings.Contains(body, "Alerts go on being found and kept") {
		t.Errorf("the empty page:\n%s", body)
	}
	if body := page(t, h, "/"); !strings.Contains(body, `href="/holds">Notices held: 0`) {
		t.Error("the first page does not lead to what is held")
	}
	if body := page(t, h, "/systems/quay-library/hall-ac"); !strings.Contains(body, `href="/holds?site=quay-library&amp;system=quay-library%2Fhall-ac#new"`) {
		t.Error("the machine does not lead to the form")
	}
	if body := page(t, h, "/holds?site=quay-library&system=quay-library/hall-ac"); !strings.Contains(body, `<option value="quay-library/hall-ac" selected>`) {
		t.Error("the form does not have the machine")
	}
	form := func(change ...string) url.Values {
		v := url.Values{"site": {"quay-library"}, "system": {"quay-library/hall-ac"}, "kind": {"maintenance"}, "until": {noon.AddDate(0, 0, 2).Format("2006-01-02") + "T18:30"}, "why": {nasty}}
		for i := 0; i < len(change); i += 2 {
			v.Set(change[i], change[i+1])
		}
		return v
	}
	for _, c := range []struct {
		name, value, says string
		code              int
	}{
		{"why", "  ", "say why", 422}, {"kind", "power_cut", "choose why", 422}, {"kind", nasty, "choose why", 422},
		{"until", "", "say until when", 422}, {"from", "yesterday", "say from when", 422}, {"until", "2001-01-01T00:00", "must lie ahead", 422},
		{"site", "nowhere", "no such site", 404}, {"site", "", "no such site", 404},
		{"until", "2032-03-28T01:30", "no such hour", 422}, // clocks go forward then
	} {
		r := send(t, h, "/holds", "same-origin", form(c.name, c.value))
		body := text(t, r)
		if r.StatusCode != c.code || !strings.Contains(body, c.says) || strings.Contains(body, "<script>alert") {
			t.Errorf("%s=%s: %d, want %d and %q\n%s", c.name, c.value, r.StatusCode, c.code, c.says, body)
		}
		if c.code == 422 && c.name != "why" && !strings.Contains(body, "&#34;&gt;&lt;script&gt;") {
			t.Errorf("%s=%s: what was typed is gone", c.name, c.value)
		}
	}
	if r := send(t, h, "/holds", "cross-site", form()); r.StatusCode != http.StatusForbidden || len(d.holds) > 0 {
		t.Errorf("another web site: %d, %d holds", r.StatusCode, len(d.holds))
	}
	if r := send(t, h, "/holds", "same-origin", form()); r.StatusCode != http.StatusSeeOther {
		t.Fatalf("%d\n%s", r.StatusCode, text(t, r))
	}
	site, _ := o.Fleet().Site("quay-library")
	kept := d.last()
	if kept.By != "Me Myself" || kept.Why != nasty || kept.From != dewline.StampOf(noon.Truncate(time.Minute)) || kept.System != "quay-library/hall-ac" {
		t.Errorf("kept: %+v", kept)
	}
	if until := kept.Until.Time().In(site.Timezone).Format("15:04"); until != "18:30" {
		t.Errorf("it ends at %s of the site", until)
	}
	send(t, h, "/holds", "same-origin", form("system", "", "kind", "seasonal_shutdown", "from", "2031-11-01T00:00", "until", "2032-03-01T00:00", "why", "Winter."))
	body := page(t, h, "/holds?kept")
	for _, says := range []string{"Held now: 1, planned: 1", "Planned work", "Out of season", "the whole site", "Entered by Me Myself", "only their notices wait",
		"&#34;&gt;&lt;script&gt;alert(1)&lt;/script&gt; fan&#39;s coil &amp; more", "from Sat 1 Nov 2031 00:00 until Mon 1 Mar 2032 00:00, " + site.Timezone.String(), `action="/holds/hold%200/end"`} {
		if !strings.Contains(body, says) {
			t.Errorf("the list lacks %q\n%s", says, body)
		}
	}
	if body := page(t, h, "/systems/quay-library/hall-ac"); !strings.Contains(body, "Notices are held</strong>: Planned work") || strings.Contains(body, "Out of season") {
		t.Error("the machine does not say what holds its notices now")
	}
	if body := page(t, h, "/"); !strings.Contains(body, "Notices held: 1") {
		t.Error("the first page does not count it")
	}

	// Who is bound to another owner knows of none of it; who may not work on alerts sees no page.
	bound := func(v dewline.Visitor) http.Handler { o := o; o.Guest = as(v); return handler(t, o) }
	other := bound(visitor(dewline.RoleDispatcher, "lighthouse-clinic"))
	if body := page(t, other, "/holds?site=quay-library"); strings.Contains(body, "Quay Library") || strings.Contains(body, "script&gt;") {
		t.Error("another owner's dispatcher sees it")
	}
	for path, v := range map[string]url.Values{"/holds": form(), "/holds/hold%200/end": {}} {
		if r := send(t, other, path, "same-origin", v); r.StatusCode != http.StatusNotFound {
			t.Errorf("another owner's dispatcher, %s: %d", path, r.StatusCode)
		}
		for _, v := range []dewline.Visitor{visitor(dewline.RoleOwner, site.Owner), visitor(dewline.RoleTechnician, "")} {
			if r := send(t, bound(v), path, "same-origin", form()); r.StatusCode != http.StatusForbidden {
				t.Errorf("%s, %s: %d", v.Role, path, r.StatusCode)
			}
		}
	}
	if r, _ := get(t, bound(visitor(dewline.RoleOwner, site.Owner)), "/holds"); r.StatusCode != http.StatusForbidden {
		t.Errorf("an owner: %d", r.StatusCode)
	}
	if body := page(t, bound(visitor(dewline.RoleOwner, site.Owner)), "/systems/quay-library/hall-ac"); strings.Contains(body, "/holds") {
		t.Error("an owner is led to the form")
	}
	if len(d.holds) != 2 || d.holds[0].EndedBy != "" {
		t.Fatalf("somebody else changed something: %+v", d.holds)
	}

	if r := send(t, h, "/holds/gone/end", "same-origin", url.Values{}); r.StatusCode != http.StatusNotFound {
		t.Errorf("ending what is not there: %d", r.StatusCode)
	}
	r := send(t, h, "/holds/hold%200/end", "same-origin", url.Values{"why": {nasty}})
	if body := text(t, r); r.StatusCode != http.StatusOK || !strings.Contains(body, "was ended by Me Myself at ") || !strings.Contains(body, "planned: 1") || strings.Contains(body, "<script>alert") {
		t.Errorf("ended: %d\n%s", r.StatusCode, body)
	}
	day := func(n int) dewline.Stamp { return dewline.StampOf(noon.AddDate(0, 0, n)) }
	d.holds = append(d.holds,
		dewline.Hold{ID: "long ago", Kind: dewline.HoldMaintenance, Site: "clinic", From: day(-100), Until: day(-91), By: "Ana", Why: "Too long ago"},
		dewline.Hold{ID: "itself", Kind: dewline.HoldMaintenance, Site: "clinic", From: day(-40), Until: day(-39), By: "Ana", Why: "Painting."},
		dewline.Hold{ID: "called off", Kind: dewline.HoldCommissioning, Site: "quay-library", System: "quay-library/gone", From: day(-3), Until: day(-3), By: "Ana", Why: "A new coil", EndedBy: nasty, EndedWhy: nasty})
	over := page(t, h, "/holds")
	for _, says := range []string{"Ended in the last 90 days", "Ended before its time by Me Myself. &#34;&gt;&lt;script&gt;", "It ended by itself.", "Painting. Entered by Ana", "gone, from Mon 30 Jun 2031", "before it began. &#34;&gt;&lt;script"} {
		if !strings.Contains(over, says) {
			t.Errorf("what has ended lacks %q\n%s", says, over)
		}
	}
	if strings.Contains(over, "Too long ago") || strings.Contains(over, "<script>alert") || strings.Contains(over, `href="/systems/quay-library/gone"`) {
		t.Error("something too old is told, leads nowhere, or is markup")
	}
	if body := page(t, other, "/holds"); strings.Contains(body, "A new coil") || !strings.Contains(body, "Painting") {
		t.Error("another owner's dispatcher does not see what was theirs alone")
	}
	if d.holds[0].EndedBy != "Me Myself" || d.holds[0].EndedWhy != nasty {
		t.Errorf("ended: %+v", d.holds[0])
	}
}

// TestHoldsInBrowser holds the notices of a machine back and ends that, as people do.
func TestHoldsInBrowser(t *testing.T) {
	parent := browser(t)
	for _, v := range views {
		t.Run(v.name, func(t *testing.T) {
			o := optionsFor(pagebook.Town(noon))
			o.Desk = &holdDesk{holds: []dewline.Hold{
				{ID: "h-shelf", Kind: dewline.HoldShelved, Site: "clinic", System: "clinic/lab-ac", Alert: "a1", From: dewline.StampOf(noon) - 1, Until: dewline.StampOf(noon.AddDate(0, 0, 3)), By: "J. Marinho", Why: "Parts come on Thursday."},
				{ID: "h-winter", Kind: dewline.HoldSeasonal, Site: "cold-store", From: dewline.StampOf(noon.AddDate(0, 4, 0)), Until: dewline.StampOf(noon.AddDate(0, 8, 0)), By: "J. Marinho", Why: "Closed over the winter"}}}
			o.Guest = as(visitor(dewline.RoleDispatcher, ""))
			site := httptest.NewServer(handler(t, o))
			defer site.Close()
			ctx, w := v.tab(t, parent)
			look := func(name string) {
				t.Helper()
				v.look(t, ctx, "holds-"+name)
			}
			open(t, ctx, site.URL+"/systems/quay-library/hall-ac")
			follow(t, ctx, `a[href^="/holds?"]`)
			arrives(t, ctx, `location.pathname === "/holds" && document.querySelector("[name=until]") !== null`)
			evaluate[bool](t, ctx, `(document.querySelector("[name=until]").value = "`+noon.AddDate(0, 0, 1).Format("2006-01-02")+`T17:00", document.querySelector(".fields [name=why]").value = "The compressor is changed.", true)`)
			look("form")
			press(t, ctx, "Hold them back")
			arrives(t, ctx, `location.search === "?kept" && document.querySelector(".done") !== null`)
			look("list")
			open(t, ctx, site.URL+"/systems/quay-library/hall-ac")
			look("machine")
			open(t, ctx, site.URL+"/")
			arrives(t, ctx, `[...document.querySelectorAll("a")].some(a => a.textContent === "Notices held: 1")`)
			open(t, ctx, site.URL+"/holds")
			evaluate[bool](t, ctx, `document.querySelectorAll("details").forEach(d => d.open = true), true`)
			press(t, ctx, "End it now: Planned work")
			arrives(t, ctx, `document.querySelector(".done").textContent.includes("was ended by Me Myself")`)
			look("ended")
			w.check(t, site.URL)
		})
	}
}
