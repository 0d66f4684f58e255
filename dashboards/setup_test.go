package dashboards_test

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"dewline"
	"dewline/dashboards"
	"dewline/dashboards/access"
	"dewline/dashboards/access/accesstest"
)

// townFile enrols what the table of rights asks for.
var townFile = func() string {
	text := "owners: [{id: harbour, name: Harbour}, {id: mill, name: Mill}]\nsites:\n"
	for site, owner := range map[string]string{own: "harbour", other: "mill"} {
		text += fmt.Sprintf("- id: %s\n  owner: %s\n  altitude: 12 m\n  systems:\n  - {id: a, kind: split_ac, refrigerant: R-410A, metering: txv, charge: 3.1 kg, points: {suction_pressure: , liquid_pressure: , suction_temp: , liquid_temp: }}\n", site, owner)
	}
	return text
}()

// keeper keeps a fleet file and the credentials of gateways in memory.
type keeper struct {
	mu       sync.Mutex
	text     []byte
	version  int
	fixed    string
	gateways []dewline.Gateway
	err      error
}

func (k *keeper) Designation(name string) (string, error) {
	if name != "R-410A" && name != "R-290" {
		return "", fmt.Errorf("unknown refrigerant %q, did you mean R-410A?", name)
	}
	return name, nil
}

func (k *keeper) Facts() dewline.RefrigerantFacts { return k }

func (k *keeper) fleet() *dewline.Fleet {
	k.mu.Lock()
	defer k.mu.Unlock()
	f, err := dewline.ReadFleet("fleet.yaml", k.text, k)
	if err != nil {
		return dewline.NewFleet(nil, nil)
	}
	return f
}

func (k *keeper) FleetFile(context.Context) (dewline.FleetFile, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	return dewline.FleetFile{Text: k.text, Version: fmt.Sprint("v", k.version), Fixed: k.fixed}, k.err
}

func (k *keeper) PutFleetFile(_ context.Context, text []byte, version string) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	if _, err := dewline.ReadFleet("fleet.yaml", text, k); err != nil {
		return err
	}
	if version != fmt.Sprint("v", k.version) {
		return &dewline.Error{Code: dewline.Clash, Err: errors.New("somebody else changed it")}
	}
	k.text, k.version = text, k.version+1
	return nil
}

func (k *keeper) AddGateway(_ context.Context, id dewline.GatewayID, now dewline.Millis) (string, error) {
	if slices.ContainsFunc(k.gateways, func(g dewline.Gateway) bool { return g.ID == id }) {
		return "", &dewline.Error{Code: dewline.Invalid, Err: fmt.Errorf("%s has a credential", id)}
	}
	k.gateways = append(k.gateways, dewline.Gateway{ID: id, Created: now})
	slices.SortFunc(k.gateways, func(a, b dewline.Gateway) int { return cmp.Compare(a.ID, b.ID) })
	return "PASSWORD-OF-ONCE", nil
}

func (k *keeper) RotateGateway(_ context.Context, id dewline.GatewayID, now dewline.Millis) (string, error) {
	for i := range k.gateways {
		if k.gateways[i].ID == id {
			k.gateways[i].Rotated = now
			return "ANOTHER-PASSWORD", nil
		}
	}
	return "", &dewline.Error{Code: dewline.NotFound, Err: errors.New("it has no credential")}
}

func (k *keeper) RemoveGateway(_ context.Context, id dewline.GatewayID) error {
	before := len(k.gateways)
	k.gateways = slices.DeleteFunc(k.gateways, func(g dewline.Gateway) bool { return g.ID == id })
	if len(k.gateways) == before {
		return &dewline.Error{Code: dewline.NotFound, Err: errors.New("it has no credential")}
	}
	return nil
}

func (k *keeper) ListGateways(context.Context) ([]dewline.Gateway, error) {
	return slices.Clone(k.gateways), k.err
}
func (k *keeper) Verify(string, string) (string, string, bool)               { return "", "", false }
func (k *keeper) WatchGateways(context.Context, time.Duration, func()) error { return nil }

// yard is a service that is being set up, by somebody of a role.
type yard struct {
	*keeper
	store   *accesstest.Store
	options dashboards.Options
	pages   http.Handler
}

// alertsOf are the alerts that there are.
type alertsOf []dewline.Alert

func (a alertsOf) AlertsIn(context.Context, dewline.AlertFilter) (dewline.AlertPage, error) {
	return dewline.AlertPage{Alerts: a}, nil
}

// rebuild makes the pages anew of changed options.
func (y *yard) rebuild(t testing.TB) {
	t.Helper()
	var err error
	if y.pages, err = dashboards.New(y.options); err != nil {
		t.Fatal(err)
	}
}

// unheardOf are the states of systems that have never sent.
type unheardOf struct{}

func (unheardOf) State(id dewline.SystemID) (dewline.SystemState, bool) {
	return dewline.SystemState{System: id}, true
}

func yardOf(t testing.TB, text string) *yard {
	t.Helper()
	y := &yard{keeper: &keeper{text: []byte(text)}, store: accesstest.New()}
	gate, err := access.New(access.Options{Store: y.store, Book: y.store, Now: func() time.Time { return noon }})
	if err != nil {
		t.Fatal(err)
	}
	y.options = dashboards.Options{
		Fleet: y.fleet, States: unheardOf{}, Enrolment: y, Gateways: y, GatewaysAt: func() string { return "127.0.0.1:1883" }, Contacts: y.store,
		Log: slog.New(slog.NewTextHandler(t.Output(), nil)), Now: func() time.Time { return noon }, Access: gate, Guest: as(visitor(dewline.RoleManager, "")),
	}
	y.rebuild(t)
	return y
}

func (y *yard) send(path string, form url.Values) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodPost, path, strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	w := httptest.NewRecorder()
	y.pages.ServeHTTP(w, r)
	return w
}

func (y *yard) get(path string) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	y.pages.ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
	return w
}

// did returns what the audit log says last.
func (y *yard) did(t testing.TB) string {
	t.Helper()
	list, err := y.store.Audit(t.Context(), 0, 1)
	if err != nil || len(list) == 0 {
		return ""
	}
	return list[0].Of + " " + list[0].Detail
}

func goodForm() url.Values {
	form := url.Values{
		"version": {"v0"}, "site.id": {"quay-library"}, "site.name": {"Quay Library"}, "owner.name": {"City Buildings"}, "site.timezone": {"Europe/Lisbon"},
		"site.altitude": {"40 ft"}, "system.id": {"hall-ac"}, "system.name": {"Reading hall split"}, "system.kind": {"split_ac"},
		"system.refrigerant": {"R-410A"}, "system.metering": {"fixed_orifice"}, "system.charge": {"6.8 lb"}, "system.orifice": {"1.65 mm"},
		"system.orifice_installed": {"1.85 mm"}, "system.points.suction_temp.accuracy": {"0.5 K"}, "system.points.suction_temp.sampling.interval": {"60 s"},
		"system.points.suction_temp.sampling.how": {"mean end"},
	}
	for _, p := range []string{"suction_pressure", "liquid_pressure", "suction_temp", "liquid_temp"} {
		form.Set("system.points."+p, "fitted")
	}
	return form
}

func TestEnrolByForm(t *testing.T) {
	y := yardOf(t, "sites: []")
	if body := y.get("/").Body.String(); !strings.Contains(body, "Nothing is enrolled yet") || !strings.Contains(body, "/setup/systems/new") {
		t.Errorf("the first page does not lead to the form:\n%s", body)
	}
	if w := y.get("/setup/systems/new"); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), "value=\"v0\"") {
		t.Errorf("the form: %d", w.Code)
	}
	w := y.send("/setup/systems/new", goodForm())
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/setup/systems/quay-library/hall-ac?enrolled" {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	sys, ok := y.fleet().System("quay-library/hall-ac")
	want := dewline.Sampling{Kind: dewline.SampledMean, Interval: time.Minute, Stamp: dewline.StampEnd}
	if !ok || sys.Fitting(dewline.SuctionTemp).Sampling != want || sys.Charge < 3.08 || sys.Charge > 3.09 {
		t.Errorf("enrolled: %+v", sys)
	}
	if did := y.did(t); did != "quay-library/hall-ac system enrolled" {
		t.Errorf("the audit log says %q", did)
	}
	body := y.get("/setup/systems/quay-library/hall-ac?enrolled").Body.String()
	for _, says := range []string{"It is enrolled", "is not the one called for", "passes more refrigerant", "mean end\" selected"} {
		if !strings.Contains(body, says) {
			t.Errorf("its page lacks %q", says)
		}
	}
	if body := y.get("/").Body.String(); !strings.Contains(body, "No reading has arrived yet") || strings.Contains(body, "Nothing is enrolled") {
		t.Errorf("the first page does not say that nothing was heard:\n%s", body)
	}

	change := goodForm()
	change.Set("version", "v1")
	change.Set("system.charge", "3.2 kg")
	change.Del("system.orifice_installed")
	if w := y.send("/setup/systems/quay-library/hall-ac", change); w.Code != http.StatusSeeOther {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	if sys, _ := y.fleet().System("quay-library/hall-ac"); sys.Charge != 3.2 || sys.OrificeInstalled != 0 {
		t.Errorf("changed: %+v", sys)
	}
	// The second of two people, who began from what the first saw.
	change.Set("system.charge", "3.3 kg")
	w = y.send("/setup/systems/quay-library/hall-ac", change)
	if body := w.Body.String(); w.Code != http.StatusConflict || !strings.Contains(body, "Somebody else changed the fleet file") ||
		!strings.Contains(body, `value="3.3 kg"`) || !strings.Contains(body, "The file says now: 3.2 kg") || !strings.Contains(body, `value="v2"`) {
		t.Errorf("two at once: %d\n%s", w.Code, body)
	}
	if sys, _ := y.fleet().System("quay-library/hall-ac"); sys.Charge != 3.2 {
		t.Errorf("the second overwrote the first: %v", sys.Charge)
	}
}

// TestEnrolSaysWhere: what is wrong stands at its field, what was typed is kept, and nothing is changed.
func TestEnrolSaysWhere(t *testing.T) {
	hostile := `"><script>alert(1)</script>` + "\x00\u202e"
	for name, c := range map[string]struct{ key, value, says string }{
		"refrigerant":  {"system.refrigerant", "R-401O", `id="f-system-refrigerant-wrong"`},
		"unit":         {"system.charge", "3.1", `id="f-system-charge-wrong"`},
		"point":        {"system.points.suction_temp", "", `id="f-system-points-suction_temp-wrong"`},
		"accuracy":     {"system.points.suction_temp.accuracy", "5 kPa", `id="f-system-points-suction_temp-accuracy-wrong"`},
		"owner":        {"owner.name", "", `id="f-site-owner-wrong"`},
		"height":       {"site.altitude", "", `id="f-site-altitude-wrong"`},
		"hostile id":   {"system.id", hostile, `id="f-system-id-wrong"`},
		"hostile name": {"system.name", hostile, `id="f-system-name-wrong"`},
		"path":         {"site.id", "../../etc", `id="f-site-id-wrong"`},
		"yaml":         {"system.kind", "split_ac}\nsites: []", `id="f-system-kind-wrong"`},
		"model":        {"system.model", hostile, `id="f-system-model-wrong"`},
		"address":      {"site.address", hostile, `id="f-site-address-wrong"`},
		"tag":          {"system.tags", "roof\r\n" + hostile, `id="f-system-tags-wrong"`},
		"tag twice":    {"system.tags", "roof\r\nroof", `id="f-system-tags-wrong"`},
		"coefficients": {"system.compressor.map.power", "1 2 " + hostile, `id="f-system-compressor-map-power-wrong"`},
		"half a map":   {"system.compressor.map.rated_superheat", "11.1 K", `id="f-system-compressor-map"`},
		"known":        {"known-site", "nowhere at all", `id="f-site-id-wrong"`},
	} {
		y := yardOf(t, "sites: []")
		form := goodForm()
		form.Set(c.key, c.value)
		w := y.send("/setup/systems/new", form)
		body := w.Body.String()
		if w.Code != http.StatusUnprocessableEntity || !strings.Contains(body, c.says) || !strings.Contains(body, "Nothing was changed yet") {
			t.Errorf("%s: %d, want %s\n%s", name, w.Code, c.says, body)
		}
		if strings.Contains(body, "<script>alert") || !strings.Contains(body, `value="6.8 lb"`) && c.key != "system.charge" {
			t.Errorf("%s: the page is not safe, or lost what was typed", name)
		}
		if y.version != 0 || y.did(t) != "" {
			t.Errorf("%s: something was changed", name)
		}
	}
	y := yardOf(t, "sites: []")
	if w := y.send("/setup/systems/new", url.Values{"x": {strings.Repeat("y", 1<<19)}}); w.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("half a megabyte: %d", w.Code)
	}
	if w := y.get("/setup/systems/no/where"); w.Code != http.StatusNotFound {
		t.Errorf("a system that is not there: %d", w.Code)
	}
}

// hostileWords can stand in a fleet file, and must not become markup on any page.
const hostileWords = `"><script>alert(1)</script> & O'Hara`

// TestEditKnown: every field of a system that is enrolled comes with its form and goes by it; what is
// hostile in them is text on every page.
func TestEditKnown(t *testing.T) {
	y := yardOf(t, townFile)
	form := url.Values{
		"version": {"v0"}, "system.name": {hostileWords}, "system.kind": {"split_ac"}, "system.refrigerant": {"R-410A"}, "system.metering": {"txv"},
		"system.model": {"WA " + hostileWords}, "system.tags": {"roof\r\n" + hostileWords + "\r\n"}, "system.importance": {"critical"}, "system.installer": {"By " + hostileWords},
		"system.compressor.map.mass_flow": {"0.02\r\n1e-3\r\n-2e-5\r\n0\r\n0\r\n0\r\n0\r\n0\r\n0\r\n0"}, "system.compressor.map.power": {"900 1 2 3 4 5 6 7 8 9"},
		"system.compressor.map.rated_superheat": {"20 degF"}, "system.contract": {hostileWords}, "system.target_superheat": {"5 K"}, "system.target_superheat_at": {"coil"}, "system.space_limit": {"5 degC"},
	}
	for _, p := range []string{"suction_pressure", "liquid_pressure", "suction_temp", "liquid_temp"} {
		form.Set("system.points."+p, "fitted")
	}
	if w := y.send("/setup/systems/pier/a", form); w.Code != http.StatusSeeOther {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	sys, _ := y.fleet().System("pier/a")
	if !slices.Equal(sys.Tags, []string{"roof", hostileWords}) || sys.Model != "WA "+hostileWords || sys.Importance != dewline.Critical || sys.CompressorMap == nil ||
		sys.CompressorMap.Power[9] != 9 || sys.CompressorMap.MassFlow[2] != -2e-5 || sys.TargetSuperheat != 5 || sys.Charge != 0 {
		t.Errorf("changed: %+v %+v", sys, sys.CompressorMap)
	}
	body := y.get("/setup/systems/pier/a?changed").Body.String()
	for _, says := range []string{"The change is kept", "roof\n&#34;&gt;&lt;script&gt;", `value="WA &#34;`, "0.02\n0.001\n-2e-05\n0\n", "900\n1\n2", `href="/setup/sites/pier"`, `href="/setup/systems/pier/a/remove"`} {
		if !strings.Contains(body, says) {
			t.Errorf("its form lacks %q\n%s", says, body)
		}
	}
	form.Set("version", "v1")
	if w := y.send("/setup/systems/pier/a", form); w.Code != http.StatusSeeOther {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	if again, _ := y.fleet().System("pier/a"); fmt.Sprint(*again.CompressorMap) != fmt.Sprint(*sys.CompressorMap) {
		t.Error("the map is another after it was sent once more")
	}
	form.Set("version", "v0") // of somebody who began before
	form.Set("system.tags", "cellar")
	if body := y.send("/setup/systems/pier/a", form).Body.String(); !strings.Contains(body, "The file says now: roof, &#34;") {
		t.Errorf("two at once:\n%s", body)
	}
	site := url.Values{"version": {"v2"}, "site.name": {"At " + hostileWords}, "site.address": {"Behind " + hostileWords}, "owner.name": {"Of " + hostileWords}, "site.timezone": {"Europe/Lisbon"}, "site.altitude": {"40 ft"}}
	if w := y.send("/setup/sites/pier", site); w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/setup/sites/pier?changed" {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	if s, _ := y.fleet().Site("pier"); s.Address != "Behind "+hostileWords || s.Owner != "of-script-alert-1-script-o-hara" || s.Altitude < 12.1 || len(s.Systems) != 1 {
		t.Errorf("the site: %+v", s)
	}
	if did := y.did(t); did != "pier site changed" {
		t.Errorf("the audit log says %q", did)
	}
	for _, path := range []string{"/setup", "/setup/sites/pier", "/setup/systems/pier/a", "/setup/systems/pier/a/remove", "/setup/systems/new", "/setup/fleet", "/setup/gateways", "/fleet", "/fleet?by=installer", "/systems/pier/a"} {
		w := y.get(path)
		if body := w.Body.String(); w.Code != http.StatusOK || strings.Contains(body, "<script>alert") {
			t.Errorf("%s: %d, or a name is markup", path, w.Code)
		}
	}
	for _, c := range [][3]string{{"site.altitude", "twelve", "f-site-altitude-wrong"}, {"site.timezone", "Nowhere", "f-site-timezone-wrong"}, {"owner.name", "!", "f-owner-name-wrong"}, {"site.name", "a\x00b", "f-site-name-wrong"}} {
		wrong := url.Values{"version": {"v3"}, "site.name": {"Pier"}, "site.owner": {"harbour"}, "site.altitude": {"1 m"}}
		wrong.Set(c[0], c[1])
		if w := y.send("/setup/sites/pier", wrong); w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), `id="`+c[2]+`"`) {
			t.Errorf("%s=%s: %d\n%s", c[0], c[1], w.Code, w.Body)
		}
	}
	if w := y.send("/setup/sites/pier", url.Values{"version": {"v2"}, "site.owner": {"harbour"}, "site.altitude": {"1 m"}}); w.Code != http.StatusConflict || !strings.Contains(w.Body.String(), "The file says now: At &#34;") {
		t.Errorf("two at once: %d\n%s", w.Code, w.Body)
	}
	if y.version != 3 {
		t.Errorf("the file was changed %d times, want 3", y.version)
	}
}

// underWay is where a service call to a system of the pier is under way, or none.
type underWay struct {
	dewline.ServiceDesk
	dewline.OwnerMonths
	calls []dewline.ServiceCall
}

func (u *underWay) CallsIn(_ context.Context, f dewline.CallFilter) ([]dewline.ServiceCall, error) {
	return slices.DeleteFunc(slices.Clone(u.calls), func(c dewline.ServiceCall) bool {
		return f.System != "" && !slices.Contains(c.Systems, f.System) || len(f.States) > 0 && !slices.Contains(f.States, c.State)
	}), nil
}

// TestRemove: a system goes after somebody was told what that means and said why; a site goes once it has
// no system. Nobody takes a machine away to which somebody drives.
func TestRemove(t *testing.T) {
	y := yardOf(t, townFile)
	desk := &underWay{calls: []dewline.ServiceCall{{ID: "c1", Site: own, Systems: []dewline.SystemID{"pier/a"}, State: dewline.CallAssigned, Made: dewline.StampOf(noon)}}}
	alert := alertAt(own)
	y.options.Service, y.options.Alerts, y.options.Ledger = desk, alertsOf{alert}, ledgerOf{&twoOwners{}}
	y.rebuild(t)
	const system, site = "/setup/systems/pier/a/remove", "/setup/sites/pier/remove"
	why := func(version string) url.Values {
		return url.Values{"version": {version}, "why": {"Sold " + hostileWords}}
	}
	if body := y.get(system).Body.String(); !strings.Contains(body, `href="/calls/c1"`) || strings.Contains(body, `name="why"`) {
		t.Errorf("a call under way is not said:\n%s", body)
	}
	if w := y.send(system, why("v0")); w.Code != http.StatusConflict || y.version != 0 {
		t.Errorf("while somebody drives there: %d", w.Code)
	}
	if w := y.send(site, why("v0")); w.Code != http.StatusConflict || y.version != 0 || !strings.Contains(w.Body.String(), "has systems") {
		t.Errorf("a site with systems: %d", w.Code)
	}
	desk.calls[0].State = dewline.CallCancelled
	body := y.get(system).Body.String()
	for _, says := range []string{"Take a out of the fleet?", "What ends", "flooding", "Nothing is deleted", "Its site stays", `name="why"`, "/api/v1/systems/pier/a/refrigerant.csv"} {
		if !strings.Contains(strings.ToLower(body), strings.ToLower(says)) {
			t.Errorf("the page lacks %q\n%s", says, body)
		}
	}
	if w := y.send(system, url.Values{"version": {"v0"}, "why": {" "}}); w.Code != http.StatusUnprocessableEntity || y.version != 0 {
		t.Errorf("without a reason: %d", w.Code)
	}
	if w := y.send(system, why("v7")); w.Code != http.StatusConflict || y.version != 0 || !strings.Contains(w.Body.String(), "Sold &#34;") {
		t.Errorf("of another file: %d\n%s", w.Code, w.Body)
	}
	w := y.send(system, why("v0"))
	if w.Code != http.StatusSeeOther {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	if _, there := y.fleet().System("pier/a"); there || len(y.fleet().Sites) != 2 || len(y.fleet().Systems()) != 1 {
		t.Error("the system is still there, or something else is gone")
	}
	if did := y.did(t); did != "pier/a system removed: Sold "+hostileWords {
		t.Errorf("the audit log says %q", did)
	}
	if body := y.get(w.Header().Get("Location")).Body.String(); !strings.Contains(body, "It is taken out of the fleet. Nothing that was recorded was deleted") || !strings.Contains(body, `href="/setup/sites/pier"`) {
		t.Errorf("after it:\n%s", body)
	}
	if w := y.send(system, why("v1")); w.Code != http.StatusNotFound {
		t.Errorf("twice: %d", w.Code)
	}
	if body := y.get("/setup/sites/pier").Body.String(); !strings.Contains(body, `href="/setup/sites/pier/remove"`) {
		t.Error("a site without systems does not lead to its removal")
	}
	if body := y.get(site).Body.String(); !strings.Contains(body, "It has no systems") {
		t.Errorf("%s", body)
	}
	if w := y.send(site, why("v1")); w.Code != http.StatusSeeOther || len(y.fleet().Sites) != 1 {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	y.fixed = "It is the truth."
	if w := y.send("/setup/systems/loft/a/remove", why("v2")); w.Code != http.StatusOK || strings.Contains(w.Body.String(), "R-410A") || y.version != 2 {
		t.Errorf("where a file is given: %d\n%s", w.Code, w.Body)
	}
}

// TestFixedFleet: where a file was given to the service, the form gives the changed one.
func TestFixedFleet(t *testing.T) {
	y := yardOf(t, "sites: []")
	y.fixed = "It is the truth."
	w := y.send("/setup/systems/new", goodForm())
	if w.Code != http.StatusOK || w.Header().Get("Content-Disposition") == "" {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	if f, err := dewline.ReadFleet("fleet.yaml", w.Body.Bytes(), y); err != nil || len(f.Systems()) != 1 || y.version != 0 {
		t.Errorf("%v %v", f, err)
	}
}

func (y *yard) sendFile(t testing.TB, text string) *httptest.ResponseRecorder {
	t.Helper()
	var body bytes.Buffer
	m := multipart.NewWriter(&body)
	part, err := m.CreateFormFile("file", "fleet.yaml")
	if err != nil {
		t.Fatal(err)
	}
	fmt.Fprint(part, text)
	m.Close()
	r := httptest.NewRequest(http.MethodPost, "/setup/fleet", &body)
	r.Header.Set("Content-Type", m.FormDataContentType())
	w := httptest.NewRecorder()
	y.pages.ServeHTTP(w, r)
	return w
}

func TestImportFleet(t *testing.T) {
	y := yardOf(t, townFile)
	w := y.sendFile(t, strings.Replace(townFile, "metering: txv", "metering: <b>txv", 1))
	if body := w.Body.String(); w.Code != http.StatusUnprocessableEntity || !strings.Contains(body, "<code>metering</code>") || strings.Contains(body, "<b>txv") {
		t.Errorf("a file with a mistake: %d\n%s", w.Code, body)
	}
	next := strings.Replace(townFile, "charge: 3.1 kg", "charge: 3.4 kg", 1) + "  - {id: b, kind: packaged, refrigerant: R-290, metering: eev, points: {suction_pressure: , liquid_pressure: , suction_temp: , liquid_temp: }}\n"
	w = y.sendFile(t, next)
	body := w.Body.String()
	for _, says := range []string{"charge from 3.1 kg to 3.4 kg", "/b): packaged", "R-290", `name="text"`} {
		if w.Code != http.StatusOK || !strings.Contains(body, says) {
			t.Errorf("what would change lacks %q: %d\n%s", says, w.Code, body)
		}
	}
	if y.version != 0 {
		t.Error("it was taken before anybody said so")
	}
	take := url.Values{"do": {"take"}, "version": {"v0"}, "text": {strings.ReplaceAll(next, "\n", "\r\n")}}
	if w := y.send("/setup/fleet", take); w.Code != http.StatusSeeOther {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	if len(y.fleet().Systems()) != 3 || !strings.Contains(y.did(t), "1 system added, 0 removed, 1 changed") {
		t.Errorf("%d systems, the audit log says %q", len(y.fleet().Systems()), y.did(t))
	}
	if w := y.send("/setup/fleet", take); w.Code != http.StatusConflict || y.version != 1 {
		t.Errorf("the second of two people: %d", w.Code)
	}
	if w := y.sendFile(t, "sites: []"); !strings.Contains(w.Body.String(), "Removes") || !strings.Contains(w.Body.String(), "What was recorded of it stays") {
		t.Errorf("an empty fleet: %s", w.Body)
	}
	if w := y.sendFile(t, ""); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("no file: %d", w.Code)
	}
	if w := y.get("/setup/fleet.yaml"); w.Body.String() != next {
		t.Errorf("the download is not the file: %s", w.Body)
	}
}

func TestGatewayPage(t *testing.T) {
	y := yardOf(t, strings.Replace(townFile, "charge: 3.1 kg", "gateway: gw", 1))
	body := y.get("/setup/gateways").Body.String()
	if !strings.Contains(body, "/gw</code>") {
		t.Errorf("the gateway that a system names is not offered:\n%s", body)
	}
	w := y.send("/setup/gateways", url.Values{"do": {"add"}, "gateway": {"pier/gw"}})
	if w.Code != http.StatusOK || !strings.Contains(w.Body.String(), "PASSWORD-OF-ONCE") || w.Header().Get("Cache-Control") != "no-store" {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	if strings.Contains(y.get("/setup/gateways").Body.String(), "PASSWORD") {
		t.Error("the password is shown twice")
	}
	if did := y.did(t); did != "pier/gw gateway credential made" {
		t.Errorf("the audit log says %q", did)
	}
	if w := y.send("/setup/gateways", url.Values{"do": {"rotate"}, "gateway": {"pier/gw"}}); !strings.Contains(w.Body.String(), "ANOTHER-PASSWORD") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w := y.send("/setup/gateways", url.Values{"do": {"rotate?"}, "gateway": {"pier/gw"}}); strings.Contains(w.Body.String(), "PASSWORD") || !strings.Contains(w.Body.String(), "Make a new password") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if y.send("/setup/gateways", url.Values{"do": {"remove?"}, "gateway": {"pier/gw"}}); len(y.gateways) != 1 {
		t.Error("it was removed without a second word")
	}
	if w := y.send("/setup/gateways", url.Values{"do": {"remove"}, "gateway": {"pier/gw"}}); w.Code != http.StatusSeeOther || len(y.gateways) != 0 {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	for form, code := range map[string]int{
		"do=add&gateway=%3Cscript%3E": http.StatusUnprocessableEntity, "do=rotate&gateway=a/b": http.StatusNotFound, "do=fly&gateway=a/b": http.StatusUnprocessableEntity,
		"do=add": http.StatusUnprocessableEntity,
	} {
		values, _ := url.ParseQuery(form)
		if w := y.send("/setup/gateways", values); w.Code != code || strings.Contains(w.Body.String(), "<script>") && strings.Contains(w.Body.String(), "&lt;script") {
			t.Errorf("%s: %d", form, w.Code)
		}
	}
}
