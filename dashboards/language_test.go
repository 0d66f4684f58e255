package dashboards_test

import (
	"cmp"
	"maps"
	"net/http"
	"net/http/httptest"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"
	"golang.org/x/text/language"

	"dewline"
	"dewline/dashboards"
	"dewline/dashboards/access"
	"dewline/dashboards/access/accesstest"
	"dewline/dashboards/pagebook"
	"dewline/dashboards/words"
)

// accented is an alphabet that no data is written in: what the pseudo-language has said is seen by it.
var accented = strings.NewReplacer(strings.Split("a,á,b,ƀ,c,ç,d,đ,e,é,f,ƒ,g,ĝ,h,ĥ,i,í,j,ĵ,k,ķ,l,ł,m,ɱ,n,ñ,o,ó,p,þ,q,ɋ,r,ŕ,s,š,t,ŧ,u,ú,v,ṽ,w,ŵ,x,ẋ,y,ý,z,ž,"+
	"A,Á,B,Ɓ,C,Ç,D,Đ,E,É,F,Ƒ,G,Ĝ,H,Ĥ,I,Í,J,Ĵ,K,Ķ,L,Ł,M,Ṁ,N,Ñ,O,Ó,P,Þ,Q,Ɋ,R,Ŕ,S,Š,T,Ŧ,U,Ú,V,Ṽ,W,Ŵ,X,Ẋ,Y,Ý,Z,Ž", ",")...)

// pseudo returns en-XA: what the catalogue has, in accented letters, which say of each word on a page whether
// it came from there.
func pseudo(t *testing.T) *words.Language {
	t.Helper()
	catalogue, err := words.Said()
	if err != nil {
		t.Fatal(err)
	}
	known := map[string]bool{}
	for _, m := range catalogue.Messages() {
		known[m.English], known[m.Many] = true, true
	}
	return words.Invented(language.MustParse("en-XA"), func(english string) string {
		if !known[english] {
			return english
		}
		return accented.Replace(english)
	})
}

// notWords are units, abbreviations and names that are the same in every language. What else a page may show
// that nobody can translate stands in elements that say so: lang="en" for sentences that are kept as
// analytics and alerts wrote them, translate="no" for names.
var notWords = strings.Fields("Pa kPa min kW kWh kJ kg mm psi psig micron EUR UTC Europe Lisbon Dewline English Deutsch PDF CSV API MQTT HC Marinho Salgado Bastos Farol Dora Otto")

// TestEveryTextThroughCatalogue asks for every page in the pseudo-language and looks for words that are
// neither said by it nor data.
func TestEveryTextThroughCatalogue(t *testing.T) {
	town := pagebook.Town(noon)
	data := map[string]bool{}
	for _, w := range notWords {
		data[w] = true
	}
	learn := func(values ...any) {
		for _, v := range values {
			stringsIn(reflect.ValueOf(v), func(text string) {
				for _, w := range word.FindAllString(text, -1) {
					data[w] = true
				}
			})
		}
	}
	learn(town.Fleet.Sites, town.Fleet.Owners, "pier loft Harbour Mill")
	kept := map[string]bool{} // whole sentences that are kept as they are: those of alerts and, in this book, of an owner's month
	keep := func(values ...any) {
		for _, v := range values {
			stringsIn(reflect.ValueOf(v), func(text string) {
				if strings.Contains(text, " ") || strings.ContainsAny(text, ".@<") {
					kept[strings.TrimSuffix(text, ".")] = true
				}
			})
		}
	}
	keep("Name of me", "Name of his", "me@example.org", "his@example.org", `<script>alert("found")</script>`, "filter drier: ", "his me") // people and what they typed
	keep("The key is at the desk; the roof door sticks.", "Strap was loose; fixed at four o'clock, insulated.", "Oil at the flare of the liquid valve; cut and flared anew.", "bulb strap: ", ", insulated")
	keep("no discharge sensor is fitted", "the liquid pressure sensor reads outside its range", "the high side is above the critical point") // why the book knows no value
	alerts, err := town.AlertsIn(t.Context(), dewline.AlertFilter{})
	if err != nil {
		t.Fatal(err)
	}
	keep(alerts.Alerts)
	for _, month := range []dewline.Month{"2031-06", "2031-07"} {
		m, err := town.OwnerMonth(t.Context(), "lighthouse-clinic", month)
		if err != nil {
			t.Fatal(err)
		}
		keep(m)
	}
	calls := pagebook.NewCalls(town)
	servers := map[string]struct {
		options dashboards.Options
		paths   []string
	}{
		"work": {func() dashboards.Options {
			o := optionsFor(town)
			hands := &desk{book: town}
			o.Desk, o.Service = hands, hands
			return o
		}(), []string{"/", "/?severity=urgent", "/?state=shelved", "/fleet", "/fleet?by=fault", "/fleet?by=installer", "/holds", "/nowhere"}},
		"owner": {owning(town, clinicOwner), []string{"/owners/lighthouse-clinic", "/owners/lighthouse-clinic?month=2031-06"}},
		"calls": {callOptions(town, calls, dewline.Visitor{Name: "J. Marinho", Role: dewline.RoleDispatcher}), []string{"/calls", "/calls?technician=T.+Salgado",
			"/calls/call-library", "/calls/call-server", "/calls/call-shop", "/calls/call-office", "/calls/call-fish", "/calls/call-library/visit/quay-library/hall-ac", "/calls/call-library/visit/quay-library/hall-ac/live",
			"/calls/call-server/visit/clinic/server-ac", "/calls/call-roof/visit/quay-library/roof-north", "/calls/call-shop/visit/cold-store/shop-case", "/calls/call-kitchen/visit/clinic/kitchen-ac", "/calls/call-office/visit/clinic/office-ac"}},
		"access":  {doorsOf(t, town), []string{"/account", "/people", "/people/me", "/audit", "/sign-in", "/sign-in?done=out", "/new-password/none"}},
		"setup":   {setUpOf(t, town), []string{"/setup", "/setup/systems/new", "/setup/systems/pier/a", "/setup/systems/quay-library/hall-ac/check", "/setup/fleet", "/setup/gateways", "/setup/contacts"}},
		"reports": {reportOptions(newReporter(9), visitor(dewline.RoleManager, "")), []string{"/reports", "/reports?span=all"}},
		"empty":   {optionsFor(pagebook.Empty(noon)), []string{"/", "/fleet"}},
	}
	systems := servers["work"]
	for _, sys := range town.Fleet.Systems() {
		systems.paths = append(systems.paths, "/systems/"+string(sys.ID)+"?window=7d")
	}
	servers["work"] = systems
	language := pseudo(t)
	for name, s := range servers {
		h, err := dashboards.NewIn(s.options, language)
		if err != nil {
			t.Fatal(err)
		}
		for _, path := range s.paths {
			w := httptest.NewRecorder()
			h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
			body := w.Body.String()
			if !strings.HasSuffix(path, "/live") && !strings.Contains(body, `<html lang="en-XA">`) {
				t.Fatalf("%s %s: %d is not in the language: %.200s", name, path, w.Code, body)
			}
			for _, text := range untranslated(body, data, kept) {
				t.Errorf("%s %s: %s", name, path, text)
			}
		}
	}
}

// doorsOf are options with people who may sign in.
func doorsOf(t *testing.T, b *pagebook.Book) dashboards.Options {
	t.Helper()
	store := accesstest.New(accountOf(t, "me", dewline.RoleAdministrator, ""), accountOf(t, "his", dewline.RoleOwner, "lighthouse-clinic"))
	gate, err := access.New(access.Options{Store: store, Book: store, Now: func() time.Time { return noon }})
	if err != nil {
		t.Fatal(err)
	}
	o := optionsFor(b)
	o.Access, o.Contacts = gate, store
	o.Guest = as(dewline.Visitor{Person: "me", Name: "Marinho", Role: dewline.RoleAdministrator})
	return o
}

// setUpOf are options with everything that can be set up.
func setUpOf(t *testing.T, b *pagebook.Book) dashboards.Options {
	o := doorsOf(t, b)
	kept := &keeper{text: []byte(townFile)}
	o.Enrolment, o.Gateways = kept, kept
	return o
}

var word = regexp.MustCompile(`[A-Za-z]{2,}`)

// untranslated returns the texts of a page that hold a plain word that is neither data nor in a sentence
// that is kept as it is.
func untranslated(body string, data, kept map[string]bool) (found []string) {
	root, err := html.Parse(strings.NewReader(body))
	if err != nil {
		return []string{err.Error()}
	}
	look := func(text string) {
		for _, sentence := range slices.SortedFunc(maps.Keys(kept), func(a, b string) int { return cmp.Compare(len(b), len(a)) }) {
			text = strings.ReplaceAll(text, sentence, "")
			text = strings.ReplaceAll(text, strings.ToUpper(sentence[:1])+sentence[1:], "")
		}
		plain := slices.DeleteFunc(word.FindAllString(text, -1), func(w string) bool { return data[w] })
		if len(plain) > 0 {
			found = append(found, strings.Join(plain, " ")+" in: "+strings.Join(strings.Fields(text), " "))
		}
	}
	var walk func(n *html.Node)
	walk = func(n *html.Node) {
		switch n.Type {
		case html.TextNode:
			look(n.Data)
		case html.ElementNode:
			if slices.Contains([]string{"script", "style", "code", "kbd"}, n.Data) {
				return
			}
			for _, a := range n.Attr {
				if a.Key == "translate" && a.Val == "no" || a.Key == "lang" && a.Val == "en" {
					return
				}
				if slices.Contains([]string{"title", "aria-label", "placeholder", "alt", "label", "data-name", "data-label", "data-line"}, a.Key) {
					look(a.Val)
				}
			}
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c)
		}
	}
	walk(root)
	return found
}

// stringsIn gives every string that a value holds.
func stringsIn(v reflect.Value, do func(string)) {
	switch v.Kind() {
	case reflect.String:
		do(v.String())
	case reflect.Pointer, reflect.Interface:
		if !v.IsNil() && v.Type().String() != "*time.Location" {
			stringsIn(v.Elem(), do)
		}
	case reflect.Slice, reflect.Array:
		for i := range v.Len() {
			stringsIn(v.Index(i), do)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			stringsIn(v.Field(i), do)
		}
	}
}

// TestGermanInBrowser looks at what owners and technicians see in German, whose words are longer: nothing may
// be wider than its screen or cut off.
func TestGermanInBrowser(t *testing.T) {
	parent := browser(t)
	in := func(o dashboards.Options, v dewline.Visitor) string {
		v.Language = "de"
		o.Guest = as(v)
		return serve(t, o)
	}
	called := pagebook.Town(noon)
	callBase := in(callOptions(called, pagebook.NewCalls(called), dewline.Visitor{}), dewline.Visitor{Name: "J. Marinho", Role: dewline.RoleDispatcher})
	ownerBase := in(owning(called, clinicOwner), clinicOwner)
	for _, v := range views {
		for name, address := range map[string]string{
			"owner": ownerBase + "/owners/lighthouse-clinic", "visit": callBase + "/calls/call-server/visit/clinic/server-ac",
			"calls": callBase + "/calls", "call": callBase + "/calls/call-library", "today": callBase + "/", "system": callBase + "/systems/quay-library/hall-ac?window=7d",
		} {
			t.Run(name+"-"+v.name, func(t *testing.T) {
				ctx, w := v.tab(t, parent)
				open(t, ctx, address)
				if got := evaluate[string](t, ctx, `document.documentElement.lang`); got != "de" {
					t.Fatalf("the page is in %q", got)
				}
				v.look(t, ctx, "de-"+name)
				cut := evaluate[[]string](t, ctx, `[...document.querySelectorAll("main *")].filter(e =>
					e.scrollWidth > e.clientWidth + 1 && e.clientWidth > 0 && ["hidden", "clip"].includes(getComputedStyle(e).overflowX) && !e.closest(".sr, svg, select, input")
				).map(e => e.tagName + "." + e.className + ": " + e.textContent.slice(0, 60))`)
				for _, c := range cut {
					t.Errorf("cut off: %s", c)
				}
				w.check(t, address[:strings.Index(address[8:], "/")+8])
			})
		}
	}
}

// TestLanguageOfAccount: a browser's language holds until a person has chosen one, in every browser of theirs.
func TestLanguageOfAccount(t *testing.T) {
	h := houseOf(t, nil, accountOf(t, "me", dewline.RoleManager, ""))
	ask := func(b *visitorBrowser, path, accept string) string {
		t.Helper()
		r, err := http.NewRequest(http.MethodGet, b.home+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Accept-Language", accept)
		answer, body := b.do(r)
		if !slices.Contains(answer.Header.Values("Vary"), "Accept-Language") {
			t.Errorf("%s varies by %q", path, answer.Header.Values("Vary"))
		}
		return body
	}
	b := h.browser(t)
	contains(t, ask(b, "/sign-in", "de-CH,de;q=0.9"), `<html lang="de">`, "Anmeldename")
	contains(t, ask(b, "/sign-in", "fr"), `<html lang="en">`, "Password")
	contains(t, ask(b, "/nowhere", "de"), `<html lang="de">`)
	b = h.enter(t, "me")
	contains(t, ask(b, "/account", "de"), `<html lang="de">`, "Größen zeigen in", `<option value="">die des Browsers</option>`)
	if r, _ := b.post("/account", "do", "units", "units", "us", "language", "de"); r.StatusCode != http.StatusSeeOther {
		t.Fatal(r.StatusCode)
	}
	contains(t, ask(b, "/account?done=units", "en"), `<html lang="de">`, "Einheiten und Sprache sind gespeichert.", `<option value="de" lang="de" selected>Deutsch</option>`)
	contains(t, ask(h.enter(t, "me"), "/fleet", "en"), `<html lang="de">`, "Überhitzung, °F")
	b.post("/account", "do", "units", "units", "us", "language", `"><script>`) // this store takes what the real one refuses
	contains(t, ask(b, "/account", "fr"), `<html lang="en">`)
	if r, _ := b.post("/account", "do", "units", "units", "us", "language", ""); r.StatusCode != http.StatusSeeOther {
		t.Fatal(r.StatusCode)
	}
	contains(t, ask(b, "/fleet", "en"), `<html lang="en">`)
	contains(t, ask(b, "/fleet", "de"), `<html lang="de">`)
}
