package dashboards

import (
	"bytes"
	"context"
	"embed"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"dewline"
	"dewline/dashboards/access"
	"dewline/dashboards/view"
	"dewline/dashboards/words"
)

//go:embed templates
var templateFiles embed.FS

// pages are the parsed templates: in each language one set for each page.
type pages struct {
	sets      map[*words.Language]map[string]*template.Template
	languages words.Chooser
}

type languageKey struct{}

// speak finds once for each request in which language it is answered.
func (p *pages) speak(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), languageKey{}, p.language(r))))
	})
}

// language is the one in which who asks is answered: that of their account, or else of their browser.
func (p *pages) language(r *http.Request) *words.Language {
	if l, ok := r.Context().Value(languageKey{}).(*words.Language); ok {
		return l
	}
	return p.languages.Choose(dewline.VisitorOf(r.Context()).Language, r.Header.Get("Accept-Language"))
}

// partNames are the templates that every page may use.
var partNames = []string{"base", "parts", "visitparts", "setupparts"}

// pageNames are the files in templates that are pages; base.html and those of parts belong to each.
var pageNames = []string{"today", "fleet", "system", "owner", "calls", "call", "visit", "error", "signin", "newpassword", "account", "people", "person", "audit", "setup", "setupsystem", "setupsite", "setupremove", "setupfleet", "setupgateways", "setupcheck", "setupcontacts", "holds", "reports"}

func newPages(files *assets, languages []*words.Language) (*pages, error) {
	p := &pages{sets: map[*words.Language]map[string]*template.Template{}, languages: words.NewChooser(languages)}
	for _, l := range languages {
		sets, err := p.parse(files, l)
		if err != nil {
			return nil, fmt.Errorf("templates in %s: %w", l.Tag(), err)
		}
		p.sets[l] = sets
	}
	return p, nil
}

// parse parses the templates as they read in a language.
func (p *pages) parse(files *assets, l *words.Language) (map[string]*template.Template, error) {
	scripts, err := scriptMessages()
	if err != nil {
		return nil, err
	}
	scriptWords := l.ForScripts(scripts)
	funcs := template.FuncMap{"asset": files.url, "count": func(n int) string { return view.Count(int64(n)) }, "language": l.Tag, "languages": p.languages.All, "scriptWords": func() string { return scriptWords }, "say": func(text any) string { return l.Say(fmt.Sprint(text)) }}
	parse := func(t *template.Template, name string) error {
		source, err := templateFiles.ReadFile("templates/" + name + ".html")
		if err != nil {
			return err
		}
		_, err = t.New(name + ".html").Parse(words.Rewrite(string(source), l))
		return err
	}
	parts := template.New("").Funcs(funcs).Option("missingkey=error")
	for _, name := range partNames {
		if err := parse(parts, name); err != nil {
			return nil, err
		}
	}
	sets := map[string]*template.Template{}
	for _, name := range pageNames {
		t, err := parts.Clone()
		if err != nil {
			return nil, err
		}
		if err := parse(t, name); err != nil {
			return nil, err
		}
		sets[name] = t
	}
	return sets, nil
}

// scriptMessages are what the scripts of pages say.
func scriptMessages() (all []string, err error) {
	names, err := fs.Glob(assetFiles, "assets/*.js")
	if err != nil {
		return nil, err
	}
	for _, name := range names {
		source, err := assetFiles.ReadFile(name)
		if err != nil {
			return nil, err
		}
		all = append(all, words.ScriptMessages(string(source))...)
	}
	return all, nil
}

// write renders a page as a whole before it writes anything, so that a mistake becomes an error
// and not half a page.
func (p *pages) write(w http.ResponseWriter, r *http.Request, status int, name string, data any) {
	p.writePart(w, r, status, name, "base.html", data)
}

// writePart renders one template of a page's set.
func (p *pages) writePart(w http.ResponseWriter, r *http.Request, status int, name, part string, data any) {
	var body bytes.Buffer
	if err := p.sets[p.language(r)][name].ExecuteTemplate(&body, part, data); err != nil {
		panic(fmt.Errorf("template %s: %w", name, err))
	}
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Add("Vary", "Accept-Language")
	if h.Get("Cache-Control") == "" {
		h.Set("Cache-Control", "private, no-cache")
	}
	w.WriteHeader(status)
	w.Write(body.Bytes())
}

// base is what every page has.
type base struct {
	Title    string
	Notices  []string
	Failing  []Check // what the service needs and does not have
	Warnings []Check // what is to be looked at, for the service company
	Progress []progressView
	Drawn    view.Age
	Moving   bool   // the npm parts are built in: the page follows what happens
	Owning   bool   // the visitor owns machines and does not work on them
	SetsUp   bool   // the visitor may set up
	Enrols   bool   // and enrol systems by pages
	Calls    bool   // there are service calls, and the visitor works on them
	Reports  bool   // there are reports, and the visitor may read of the whole company
	US       bool   // the reader reads °F, psi and lb
	Listens  string // where the page hears of changes, "" where it does not
	Here     string // the address of the page, to come back to
	Visitor  dewline.Visitor
	SignsIn  bool // people sign in here
	SignedIn bool // this visitor has, in this browser
}

// progressView is a Progress in words.
type progressView struct {
	Text    string
	Percent int  // for a bar
	Known   bool // the whole is known
}

type errorPage struct {
	base
	Text string
}

func (s *server) base(r *http.Request, title string) base {
	visitor := dewline.VisitorOf(r.Context())
	b := base{Title: title, Visitor: visitor, SignsIn: s.Access != nil, SignedIn: access.SignedIn(r.Context()), US: unitsOf(r) == dewline.USUnits, Here: r.URL.RequestURI(), Notices: s.Notices, Progress: s.progressViews(s.idiom(r)), Moving: s.assets.url(htmxFile) != ""}
	b.Owning = ownsOnly(visitor)
	b.SetsUp = visitor.May(dewline.SetUp)
	b.Enrols = b.SetsUp && s.Enrolment != nil
	b.Calls = s.Service != nil && dewline.VisitorOf(r.Context()).May(dewline.WorkOnVisits)
	b.Reports = s.Service != nil && visitor.May(dewline.ReadCompany)
	now := s.Now()
	b.Drawn.At = now.UTC().Format("2006-01-02T15:04:05Z")
	b.Drawn.Text = now.UTC().Format("15:04:05") + " UTC"
	if s.Access != nil && visitor.Role != "" && visitor.Person == "" {
		b.Notices = append(slices.Clip(b.Notices), s.idiom(r).Say("Open: there are no users yet, so whoever sits at this machine sees and changes everything. "+
			"The log of the service has a link for its first administrator."))
	}
	if visitor.Role == "" {
		b.Progress = nil // what goes on here is nothing for strangers
		return b
	}
	for _, c := range s.checks() {
		switch {
		case !c.OK:
			b.Failing = append(b.Failing, c)
		case c.Warns && visitor.May(dewline.ReadCompany):
			b.Warnings = append(b.Warnings, c)
		}
	}
	return b
}

// Current is the attribute that marks the link of the menu that leads to this page, or to what it is a part of.
func (b base) Current(href string) template.HTMLAttr {
	switch path, _, _ := strings.Cut(b.Here, "?"); {
	case path == href:
		return ` aria-current="page"`
	case href != "/" && strings.HasPrefix(path, href+"/"):
		return ` aria-current="true"`
	}
	return ""
}

func (s *server) progressViews(u view.Idiom) []progressView {
	var all []progressView
	for _, p := range s.progress() {
		v := progressView{Text: u.Say(p.Label) + ": " + view.Count(p.Done)}
		if p.Total > 0 {
			v.Known = true
			v.Percent = int(min(100, max(0, 100*p.Done/p.Total)))
			v.Text = u.Say("{1} of {2}", v.Text, view.Count(p.Total))
		}
		if p.Unit != "" {
			v.Text += " " + u.Say(p.Unit)
		}
		if v.Known {
			v.Text += ", " + strconv.Itoa(v.Percent) + " %"
		}
		all = append(all, v)
	}
	return all
}

// progressLine is the part of a page that tells how far things have come; the page asks for it
// again while there is anything to tell.
func (s *server) progressLine(w http.ResponseWriter, r *http.Request) {
	s.pages.writePart(w, r, http.StatusOK, "today", "progress", s.base(r, ""))
}
