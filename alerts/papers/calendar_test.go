package papers_test

import (
	"context"
	"crypto/sha256"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"dewline"
	"dewline/alerts/papers"
)

// lines checks what RFC 5545, 3.1, asks of every line and returns them unfolded.
func lines(t *testing.T, body []byte) []string {
	t.Helper()
	text := string(body)
	if !strings.HasSuffix(text, "\r\n") || strings.Contains(strings.ReplaceAll(text, "\r\n", ""), "\n") || strings.Contains(strings.ReplaceAll(text, "\r\n", ""), "\r") {
		t.Fatalf("lines must end with CR LF: %q", text)
	}
	for line := range strings.SplitSeq(text, "\r\n") {
		if len(line) > 75 {
			t.Errorf("a line of %d bytes, more than 75: %q", len(line), line)
		}
		if !utf8.ValidString(line) {
			t.Errorf("a character is cut by folding: %q", line)
		}
	}
	return strings.Split(strings.TrimSuffix(strings.ReplaceAll(text, "\r\n ", ""), "\r\n"), "\r\n")
}

func property(lines []string, name string) (value string, count int) {
	for _, l := range lines {
		if head, rest, _ := strings.Cut(l, ":"); strings.Split(head, ";")[0] == name {
			value, count = rest, count+1
		}
	}
	return value, count
}

func TestFeed(t *testing.T) {
	c := call()
	c.Note = "Ring the bell; back door, by the quay \\ crane\nBEGIN:VALARM\r\nACTION:DISPLAY " + strings.Repeat("\u0141\u00f3d\u017a ", 40)
	cancelled := call()
	cancelled.ID, cancelled.State, cancelled.To = "call-8", dewline.CallCancelled, 0
	body := papers.Feed([]papers.Event{{Call: c, Changed: dewline.Millis(at("2031-07-02T16:00"))}, {Call: cancelled, Changed: 1}}, fleet())
	got := lines(t, body)
	if got[0] != "BEGIN:VCALENDAR" || got[len(got)-1] != "END:VCALENDAR" {
		t.Errorf("it begins with %s and ends with %s", got[0], got[len(got)-1])
	}
	first := got[slices.Index(got, "BEGIN:VEVENT"):slices.Index(got, "END:VEVENT")]
	for name, want := range map[string]string{ // 3.6.1: UID and DTSTAMP are required, each once
		"UID": "call-7@dewline", "DTSTAMP": "20310702T160000Z", "DTSTART": "20310703T080000Z", "DTEND": "20310703T120000Z", "SEQUENCE": "6", "STATUS": "CONFIRMED",
		"SUMMARY": "Quay Library: flooding (P2)", "LOCATION": "Quay Library",
	} {
		if value, n := property(first, name); value != want || n != 1 {
			t.Errorf("%s is %q, %d times; want %q", name, value, n, want)
		}
	}
	description, _ := property(first, "DESCRIPTION")
	for _, want := range []string{ // 3.3.11: comma, semicolon, backslash and line breaks are escaped
		`Ring the bell\; back door\, by the quay \\ crane\nBEGIN:VALARM\nACTION:DISPLAY`, `likely overfeed\, orifice too large (72 %)`, `Bring: R-410A\, 3.1 kg`, "\u0141\u00f3d\u017a",
		"Pressure\\, electricity and refrigerant can injure",
	} {
		if !strings.Contains(description, want) {
			t.Errorf("the description lacks %q: %s", want, description)
		}
	}
	if _, n := property(got, "ACTION"); n != 0 || slices.Contains(got, "BEGIN:VALARM") {
		t.Error("a note has become a part of the calendar")
	}
	second := got[slices.Index(got, "END:VEVENT")+1:]
	if status, _ := property(second, "STATUS"); status != "CANCELLED" {
		t.Errorf("a call that was cancelled is %s", status)
	}
	if end, _ := property(second, "DTEND"); end != "20310703T100000Z" {
		t.Errorf("a visit without an end lasts until %s, want two hours", end)
	}
	for _, name := range []string{"PRODID", "VERSION"} { // 3.6: required
		if _, n := property(got, name); n != 1 {
			t.Errorf("%d %s", n, name)
		}
	}
	again := papers.Feed([]papers.Event{{Call: c, Changed: dewline.Millis(at("2031-07-02T16:00"))}, {Call: cancelled, Changed: 1}}, fleet())
	if string(again) != string(body) {
		t.Error("the same calls make another calendar")
	}
}

// FuzzFeed: whatever is typed stays in its property.
func FuzzFeed(f *testing.F) {
	for _, seed := range []string{"a", "x\r\nEND:VEVENT", "\u2028BEGIN:VEVENT", "\x00\x01", strings.Repeat("\u65e5", 80), "\\", `\n`} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		c := call()
		c.ID, c.Note, c.Technician, c.Briefs[0].Condition = text, text, text, dewline.Condition(text)
		c.Site = text
		got := lines(t, papers.Feed([]papers.Event{{Call: c}}, fleet()))
		if n := len(slices.DeleteFunc(slices.Clone(got), func(l string) bool { return !strings.HasPrefix(l, "BEGIN:") && !strings.HasPrefix(l, "END:") })); n != 4 {
			t.Fatalf("%d beginnings and ends: %q", n, got)
		}
		for _, name := range []string{"UID", "SUMMARY", "DESCRIPTION", "LOCATION"} {
			if _, n := property(got, name); n != 1 {
				t.Fatalf("%d of %s: %q", n, name, got)
			}
		}
	})
}

// links keeps links in memory, as the store does.
type links struct {
	dewline.CalendarLinkStore
	list    []dewline.CalendarLink
	digests []dewline.TokenDigest
}

func (l *links) AddCalendarLink(_ context.Context, link dewline.CalendarLink, d dewline.TokenDigest) error {
	l.list, l.digests = append(l.list, link), append(l.digests, d)
	return nil
}

func (l *links) CalendarLinkOf(_ context.Context, d dewline.TokenDigest) (dewline.CalendarLink, error) {
	if i := slices.Index(l.digests, d); i >= 0 {
		return l.list[i], nil
	}
	return dewline.CalendarLink{}, &dewline.Error{Code: dewline.NotFound, Op: "link"}
}

func (l *links) RevokeCalendarLink(_ context.Context, id, by string, at dewline.Millis) (dewline.CalendarLink, error) {
	i := slices.IndexFunc(l.list, func(l dewline.CalendarLink) bool { return l.ID == id })
	l.list[i].Revoked, l.list[i].RevokedBy = dewline.Stamp(at), by
	return l.list[i], nil
}

func TestCalendarLinks(t *testing.T) {
	var cases []dewline.CallCase
	for i, who := range []string{"A. Pinto", "J. Morel", "A. Pinto", ""} {
		c := call()
		c.ID, c.Technician = fmt.Sprint("call-", i), who
		if i == 2 {
			c.From, c.To = 0, 0 // not planned yet
		}
		cases = append(cases, dewline.CallCase{Call: c, History: []dewline.CallChange{{Change: dewline.Change{At: now - 5}}}})
	}
	store := &links{}
	calendar := &papers.Calendar{Fleet: fleet, Store: store, Calls: service{cases: cases}, Now: func() dewline.Millis { return now }}
	link, token, err := calendar.NewLink(t.Context(), dewline.CalendarLink{Technician: "A. Pinto", By: "M. Vale", Revoked: 7, ID: "chosen"})
	if err != nil {
		t.Fatal(err)
	}
	if len(token) != 43 || link.ID == "chosen" || link.Revoked != 0 || store.digests[0] != sha256.Sum256([]byte(token)) {
		t.Errorf("link %+v, token %q", link, token)
	}
	if text := fmt.Sprintf("%+v", store); strings.Contains(text, token) {
		t.Error("the token is kept in the clear")
	}
	_, other, err := calendar.NewLink(t.Context(), dewline.CalendarLink{By: "M. Vale", Site: "quay-library"})
	if err != nil || other == token {
		t.Fatalf("another link: %v, %q", err, other)
	}
	events := func(token string) int {
		t.Helper()
		p, err := calendar.Feed(t.Context(), token)
		if err != nil {
			t.Fatal(err)
		}
		return strings.Count(string(p.Body), "BEGIN:VEVENT")
	}
	if mine, all := events(token), events(other); mine != 1 || all != 3 {
		t.Errorf("%d events of one technician and %d of all, want 1 and 3", mine, all)
	}
	if _, err := calendar.RevokeLink(t.Context(), link.ID, "M. Vale"); err != nil {
		t.Fatal(err)
	}
	_, revoked := calendar.Feed(t.Context(), token)
	_, guessed := calendar.Feed(t.Context(), "guess")
	if dewline.CodeOf(revoked) != dewline.NotFound || guessed == nil || revoked.Error() != guessed.Error() {
		t.Errorf("revoked: %v, guessed: %v: they must look alike", revoked, guessed)
	}
	for _, bad := range []dewline.CalendarLink{{}, {By: "M. Vale", Site: "nowhere"}, {By: "M. Vale", Technician: "a\nb"}} {
		if _, _, err := calendar.NewLink(t.Context(), bad); dewline.CodeOf(err) != dewline.Invalid {
			t.Errorf("%+v: %v", bad, err)
		}
	}
}

func TestExports(t *testing.T) {
	d := desk()
	c := call()
	c.Note = "=1+1"
	cases := []dewline.CallCase{{Call: c, Visits: []dewline.Visit{visit()}, History: []dewline.CallChange{{Change: dewline.Change{By: "M. Vale", At: now}, Call: c}}}}
	for i := range 1500 { // more than a page
		more := call()
		more.ID = fmt.Sprint("more-", i)
		cases = append(cases, dewline.CallCase{Call: more})
	}
	d.Calls = service{cases: cases}
	p, err := d.CallsCSV(t.Context(), dewline.CallFilter{})
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(strings.NewReader(string(p.Body))).ReadAll()
	if err != nil || len(rows) != len(cases)+1 {
		t.Fatalf("%d rows: %v", len(rows), err)
	}
	for name, want := range map[string]string{"id": "call-7", "state": "proved", "likeliest_causes": "overfeed, orifice too large", "verdict": "verified", "note": "'=1+1",
		"from": "2031-07-03T08:00:00Z", "bring": "refrigerant:R-410A; orifice:1.65mm"} {
		if got := rows[1][slices.Index(rows[0], name)]; got != want {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
	if p, err = d.CallsJSON(t.Context(), dewline.CallFilter{}); err != nil {
		t.Fatal(err)
	}
	var got struct {
		Calls []struct {
			ID      string
			Note    string
			Visits  []dewline.Visit
			History []struct{ By, State string }
		} `json:"service_calls"`
	}
	if err := json.Unmarshal(p.Body, &got); err != nil || len(got.Calls) != len(cases) {
		t.Fatalf("%d calls: %v", len(got.Calls), err)
	}
	if one := got.Calls[0]; one.ID != "call-7" || one.Note != "=1+1" || len(one.Visits) != 1 || one.Visits[0].Technician != visit().Technician || one.History[0].By != "M. Vale" {
		t.Errorf("got %+v", one)
	}
}
