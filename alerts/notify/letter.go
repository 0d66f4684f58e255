package notify

import (
	"bytes"
	"cmp"
	"embed"
	"encoding/json"
	"fmt"
	htmltemplate "html/template"
	"net/url"
	"slices"
	"strings"
	texttemplate "text/template"
	"time"

	"dewline"
)

// mostShown is how many alerts a message tells one by one. The rest is a number and a link: who gets
// five hundred reads the first few, and programs ask the API for all.
const mostShown = 20

//go:embed templates
var templateFiles embed.FS

var (
	textLetter = texttemplate.Must(texttemplate.ParseFS(templateFiles, "templates/letter.txt"))
	htmlLetter = htmltemplate.Must(htmltemplate.ParseFS(templateFiles, "templates/letter.html"))
)

// letter is what the templates show.
type letter struct {
	Subject string
	Owner   bool // for an owner: what is known, and nothing to do
	Items   []letterItem
	More    int
	Link    string
	Caution string
}

// letterItem is one alert in a letter.
type letterItem struct {
	Head     string // how soon
	What     string
	Where    string
	Since    string
	Evidence string
	Causes   string
	Forecast string
	Settles  string
	Link     string
}

// told is the newest news of one alert in a message.
type told struct {
	notice dewline.Notice
	alert  dewline.Alert
	site   dewline.Site
}

// message makes the message of these notices, in words that stay.
func (p *Planner) message(c dewline.Contact, notices []*entry, alerts map[string]dewline.Alert, now dewline.Millis) dewline.Message {
	who, _ := p.Directory.Person(c.Person)
	ids := make([]string, len(notices))
	byAlert := map[string]told{}
	for i, e := range notices {
		ids[i] = e.ID
		if t, ok := byAlert[e.Alert]; !ok || t.notice.Change < e.Change {
			site, _ := p.site(alerts[e.Alert])
			byAlert[e.Alert] = told{e.Notice, alerts[e.Alert], site}
		}
	}
	slices.Sort(ids)
	list := make([]told, 0, len(byAlert))
	for _, t := range byAlert {
		list = append(list, t)
	}
	slices.SortFunc(list, p.gravestFirst)
	m := dewline.Message{
		ID: digest("m", append([]string{c.ID}, ids...)...), Contact: c.ID, Made: dewline.Stamp(now), Notices: len(notices),
		State: dewline.MessagePending, Next: dewline.Stamp(now),
	}
	p.fill(&m, who, list)
	return m
}

func (p *Planner) gravestFirst(a, b told) int {
	return cmp.Or(
		cmp.Compare(ended(a), ended(b)),
		cmp.Compare(b.alert.Severity.Rank(), a.alert.Severity.Rank()),
		cmp.Compare(p.importance(b.alert), p.importance(a.alert)),
		cmp.Compare(a.alert.Detected, b.alert.Detected),
		cmp.Compare(a.alert.ID, b.alert.ID))
}

func ended(t told) int {
	if t.notice.Kind == dewline.NoticeEnded {
		return 1
	}
	return 0
}

func (p *Planner) importance(a dewline.Alert) int {
	most := 0
	for _, id := range a.Systems {
		if s, ok := p.system(id); ok {
			most = max(most, s.Importance.Rank())
		}
	}
	return most
}

func (p *Planner) system(id dewline.SystemID) (*dewline.System, bool) {
	if p.Fleet == nil {
		return nil, false
	}
	return p.Fleet.System(id)
}

// fill writes the message's words.
func (p *Planner) fill(m *dewline.Message, who dewline.Person, list []told) {
	l := letter{Owner: who.Role == dewline.RoleOwner, Link: p.link(""), Caution: dewline.Caution}
	for _, t := range list[:min(len(list), mostShown)] {
		l.Items = append(l.Items, p.item(t, who))
	}
	l.More = len(list) - len(l.Items)
	l.Subject = short(line(p.subject(list, l)), 150)
	m.Subject = l.Subject
	m.Text, m.HTML = render(l)
	m.Short = short(m.Subject, 120)
	if link := cmp.Or(l.Items[0].Link, l.Link); link != "" && len(list) == 1 {
		m.Short += " " + link
	} else if l.Link != "" {
		m.Short += " " + l.Link
	}
	m.Payload = p.payload(m.ID, list)
}

// render fails only where a template does, which a test of every word would show.
func render(l letter) (text, html string) {
	var t, h bytes.Buffer
	if err := textLetter.Execute(&t, l); err != nil {
		return l.Subject, ""
	}
	if err := htmlLetter.Execute(&h, l); err != nil {
		return t.String(), ""
	}
	return t.String(), h.String()
}

func (p *Planner) subject(list []told, l letter) string {
	if len(list) == 1 {
		return l.Items[0].Head + ": " + l.Items[0].Where + ": " + l.Items[0].What
	}
	counts, over, sites := map[dewline.Severity]int{}, 0, map[string]bool{}
	for _, t := range list {
		sites[t.alert.Site] = true
		if t.notice.Kind == dewline.NoticeEnded {
			over++
			continue
		}
		counts[t.alert.Severity]++
	}
	var parts []string
	for _, s := range []dewline.Severity{dewline.Urgent, dewline.Soon, dewline.Watch} {
		if counts[s] > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", counts[s], s))
		}
	}
	if over > 0 {
		parts = append(parts, fmt.Sprintf("%d over", over))
	}
	where := fmt.Sprintf("%d sites", len(sites))
	if len(sites) == 1 {
		where = list[0].site.Name
	}
	return fmt.Sprintf("%d alerts at %s: %s", len(list), where, strings.Join(parts, ", "))
}

// item writes one alert for a reader.
func (p *Planner) item(t told, who dewline.Person) letterItem {
	owner := who.Role == dewline.RoleOwner
	a := t.alert
	it := letterItem{
		Head:  severityWords[a.Severity],
		What:  conditionWord(a.Condition, owner),
		Where: line(p.where(t)),
		Since: "Since " + p.when(a.Onset, t.site, who) + ", seen " + p.when(a.Detected, t.site, who),
		Link:  p.link(alertPath(a)),
	}
	switch t.notice.Kind {
	case dewline.NoticeEnded:
		it.Head = "Over"
		it.Since = "From " + p.when(a.Onset, t.site, who) + " to " + p.when(a.Cleared, t.site, who)
		return it
	case dewline.NoticeReopened:
		it.Head += ", back again"
	case dewline.NoticeWorsened:
		it.Head += ", worse than before"
	}
	if owner {
		return it
	}
	it.Evidence = capital(line(inUnits(t.notice.News, who.Units)))
	if f := a.Forecast; f != nil {
		it.Forecast = capital(line(inUnits(f.Limit, who.Units))) + ": " + days(f)
	}
	it.Causes, it.Settles = p.causes(a)
	return it
}

func (p *Planner) causes(a dewline.Alert) (causes, settles string) {
	if len(a.Causes) == 0 {
		return "", ""
	}
	words := make([]string, 0, 3)
	for _, c := range a.Causes[:min(3, len(a.Causes))] {
		words = append(words, line(faultWord(c)))
	}
	var metering dewline.Metering
	if s, ok := p.system(a.System); ok {
		metering = s.Metering
	}
	return strings.Join(words, "; "), dewline.AdviceFor(a.Causes[0], metering).Settles
}

func (p *Planner) where(t told) string {
	if t.alert.System == "" {
		return t.site.Name
	}
	name := string(t.alert.System)
	if s, ok := p.system(t.alert.System); ok {
		name = s.Name
	}
	return name + ", " + t.site.Name
}

// when writes a time in the reader's zone, or the site's, with its name where it is not both.
func (p *Planner) when(at dewline.Millis, site dewline.Site, who dewline.Person) string {
	zone := zoneOf(site)
	if who.Timezone != "" {
		if z, err := time.LoadLocation(who.Timezone); err == nil {
			zone = z
		}
	}
	text := at.Time().In(zone).Format("Mon 2 Jan 2006 15:04")
	if zone.String() != zoneOf(site).String() {
		return text + " " + zone.String() + " (" + at.Time().In(zoneOf(site)).Format("15:04") + " at the site)"
	}
	return text
}

func alertPath(a dewline.Alert) string {
	if a.System == "" {
		return ""
	}
	return "systems/" + url.PathEscape(a.Site) + "/" + url.PathEscape(a.System.System())
}

func (p *Planner) link(path string) string {
	if p.Link == "" {
		return ""
	}
	return strings.TrimSuffix(p.Link, "/") + "/" + path
}

// Payload is what a program gets, by webhook or MQTT: the kind of event, when it happened, and the
// alerts as the API has them, the gravest first.
type Payload struct {
	Type      string        `json:"type"` // alert.opened, alert.reopened, alert.worsened, alert.ended, alerts.digest or contact.test
	Timestamp dewline.Stamp `json:"timestamp"`
	Data      PayloadData   `json:"data"`
}

// PayloadData tells the alerts of a message.
type PayloadData struct {
	Message string         `json:"message"` // its id
	Count   int            `json:"count"`   // how many alerts it is about
	Alerts  []PayloadAlert `json:"alerts"`
	More    int            `json:"more"` // how many of them are not in Alerts: ask /api/v1/notices?message=
	Link    string         `json:"link,omitempty"`
	Caution string         `json:"caution"`
}

// PayloadAlert is one alert and what there is to tell of it.
type PayloadAlert struct {
	News  dewline.NoticeKind `json:"news"`
	Says  string             `json:"says,omitempty"` // the evidence
	Alert dewline.Alert      `json:"alert"`
	Link  string             `json:"link,omitempty"`
}

func (p *Planner) payload(id string, list []told) json.RawMessage {
	out := Payload{Type: "alerts.digest", Data: PayloadData{Message: id, Count: len(list), Link: p.link(""), Caution: dewline.Caution}}
	if len(list) == 1 {
		out.Type = "alert." + string(list[0].notice.Kind)
	}
	for i, t := range list {
		out.Timestamp = max(out.Timestamp, dewline.Stamp(max(t.alert.Detected, t.alert.Cleared)))
		if i < mostShown {
			out.Data.Alerts = append(out.Data.Alerts, PayloadAlert{t.notice.Kind, t.notice.News, t.alert, p.link(alertPath(t.alert))})
		}
	}
	out.Data.More = len(list) - len(out.Data.Alerts)
	text, err := json.Marshal(out)
	if err != nil { // an alert that is stored can be written
		return json.RawMessage(`{}`)
	}
	return text
}

// testMessage is what the test button sends.
func (p *Planner) testMessage(c dewline.Contact, now dewline.Millis) dewline.Message {
	const words = "This is a test from Dewline. Whoever reads it will be told of alerts at this address."
	m := dewline.Message{
		ID: digest("t", c.ID, fmt.Sprint(now)), Contact: c.ID, Made: dewline.Stamp(now),
		Subject: "Test of this address", Text: words + "\n", HTML: "<p>" + words + "</p>\n", Short: words,
		State: dewline.MessagePending, Next: dewline.Stamp(now),
	}
	m.Payload, _ = json.Marshal(Payload{Type: "contact.test", Timestamp: dewline.Stamp(now),
		Data: PayloadData{Message: m.ID, Alerts: []PayloadAlert{}, Link: p.link(""), Caution: dewline.Caution}})
	return m
}
