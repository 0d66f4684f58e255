package notify

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline"
)

func planner(t testing.TB) *Planner {
	return &Planner{Fleet: town(t), Directory: people(), Link: "https://dewline.example.org/"}
}

// said is a notice in one line: whom, when from noon, state and reason.
func said(n dewline.Notice) string {
	due := ""
	if n.State == dewline.NoticeWaiting {
		due = fmt.Sprintf(" +%d min", (dewline.Millis(n.Due)-noon)/minute)
	}
	return strings.TrimSpace(fmt.Sprintf("%s %s %s%s %s", n.Contact, n.Kind, n.State, due, n.Reason))
}

func wantSaid(t *testing.T, what string, list []dewline.Notice, want ...string) {
	t.Helper()
	got := make([]string, len(list))
	for i, n := range list {
		got[i] = said(n)
	}
	slices.Sort(got)
	slices.Sort(want)
	if !slices.Equal(got, want) {
		t.Errorf("%s:\n got %q\nwant %q", what, got, want)
	}
}

func TestWhoHearsOfWhat(t *testing.T) {
	hall := alertOf("quay-library/hall-ac", dewline.Urgent)
	cold := alertOf("fish-market/cold-room", dewline.Watch)
	night := []dewline.Hours{{Days: []string{"mon", "tue", "wed", "thu", "fri"}, From: "22:00", To: "06:00"}}
	for what, c := range map[string]struct {
		change func(*Planner)
		news   []dewline.News
		want   []string
	}{
		"a plan and the next on duty": {nil, []dewline.News{opened(hall)},
			[]string{"ana-mail opened waiting +2 min gathering", "rui-mail opened waiting +30 min if_unacknowledged"}},
		"nobody asked for it": {nil, []dewline.News{opened(cold)}, []string{"opened not_sent no_plan"}},
		"another site's plan": {func(p *Planner) { p.Directory.Plans[0].Sites = []string{"fish-market"} }, []dewline.News{opened(hall)},
			[]string{"opened not_sent no_plan"}},
		"another owner's plan": {func(p *Planner) { p.Directory.Plans[0].Owners = []string{"market"} }, []dewline.News{opened(hall)},
			[]string{"opened not_sent no_plan"}},
		"an owner hears of the own machines only": {func(p *Planner) { p.Directory.Plans[0].Steps = []dewline.PlanStep{{Contacts: []string{"otto-mail"}}} },
			[]dewline.News{opened(hall)}, []string{"otto-mail opened not_sent other_owner"}},
		"nobody is on duty yet": {func(p *Planner) {
			p.Directory.Rosters[0].First = "2031-07-09"
			p.Directory.Plans[0].Steps = p.Directory.Plans[0].Steps[1:]
		}, []dewline.News{opened(hall)}, []string{"opened not_sent nobody"}},
		"the hours of the site": {func(p *Planner) {
			p.Directory.Plans[0].Steps = []dewline.PlanStep{{Contacts: []string{"ana-mail"}, Hours: night}}
		}, []dewline.News{opened(hall)}, []string{"ana-mail opened waiting +600 min outside_hours"}},
		"a contact that is off": {func(p *Planner) { p.Directory.Contacts[0].Off = "moved" }, []dewline.News{opened(hall)},
			[]string{"ana-mail opened not_sent contact_off", "rui-mail opened waiting +30 min if_unacknowledged"}},
		"held back": {func(p *Planner) {
			p.Held = func(dewline.Alert) []dewline.Hold {
				return []dewline.Hold{{Kind: dewline.HoldMaintenance, Until: dewline.Stamp(noon + 45*minute)}}
			}
		}, []dewline.News{opened(hall)}, []string{"ana-mail opened waiting +45 min suppressed", "rui-mail opened waiting +45 min suppressed"}},
		"acknowledged at once: the first step hears, nobody is called out": {nil,
			[]dewline.News{opened(hall), then(opened(hall), "ana", func(a *dewline.Alert) { a.State = dewline.AlertAcknowledged })},
			[]string{"ana-mail opened waiting +2 min gathering", "rui-mail opened not_sent acknowledged"}},
		"over before it was told": {nil,
			[]dewline.News{opened(hall), then(opened(hall), dewline.ByDewline, func(a *dewline.Alert) { a.State, a.Cleared = dewline.AlertResolved, noon })},
			[]string{"ana-mail opened not_sent ended", "rui-mail opened not_sent ended"}},
		"dismissed": {nil,
			[]dewline.News{opened(hall), then(opened(hall), "ana", func(a *dewline.Alert) { a.State = dewline.AlertDismissed })},
			[]string{"ana-mail opened not_sent acknowledged", "rui-mail opened not_sent acknowledged"}},
		"worse": {nil,
			[]dewline.News{opened(alertOf(hall.System, dewline.Soon)), then(opened(alertOf(hall.System, dewline.Soon)), dewline.ByDewline, func(a *dewline.Alert) { a.Severity = dewline.Urgent })},
			[]string{"ana-mail opened not_sent superseded", "rui-mail opened not_sent superseded",
				"ana-mail worsened waiting +2 min gathering", "rui-mail worsened waiting +30 min if_unacknowledged"}},
		"less grave is no news": {nil,
			[]dewline.News{then(opened(hall), dewline.ByDewline, func(a *dewline.Alert) { a.Severity = dewline.Soon })}, nil},
		"not cured": {nil, []dewline.News{then(then(opened(hall), "rui", func(a *dewline.Alert) { a.State = dewline.AlertVerifying }), dewline.ByDewline,
			func(a *dewline.Alert) { a.State = dewline.AlertOpen })},
			[]string{"ana-mail reopened waiting +2 min gathering", "rui-mail reopened waiting +30 min if_unacknowledged"}},
	} {
		t.Run(what, func(t *testing.T) {
			p := planner(t)
			if c.change != nil {
				c.change(p)
			}
			w := p.News(c.news, noon)
			wantSaid(t, what, w.Add, c.want...)
			for _, n := range w.Add {
				if n.State == dewline.NoticeNotSent && (n.Why == "" || n.Settled == 0) || n.State == dewline.NoticeWaiting && n.Why == "" {
					t.Errorf("%s does not say why: %+v", said(n), n)
				}
			}
			again := p.News(c.news, noon+minute)
			for i := range again.Add {
				if again.Add[i].ID != w.Add[i].ID {
					t.Error("planning again makes other notices")
				}
			}
		})
	}
}

// TestEndIsTold: whoever heard of the alert hears of its end, and nobody else.
func TestEndIsTold(t *testing.T) {
	p := planner(t)
	n := opened(alertOf("quay-library/hall-ac", dewline.Urgent))
	w := p.News([]dewline.News{n}, noon)
	end := then(n, dewline.ByDewline, func(a *dewline.Alert) { a.State, a.Cleared = dewline.AlertResolved, noon+20*minute })
	end.Notices = w.Add
	end.Notices[0].State = dewline.NoticeSent
	w = p.News([]dewline.News{end}, noon+20*minute)
	wantSaid(t, "added", w.Add, "ana-mail ended waiting +22 min gathering")
	wantSaid(t, "changed", w.Change, "rui-mail opened not_sent ended")
	p.Directory.Plans[0].Ends = false
	wantSaid(t, "not asked for", p.News([]dewline.News{end}, noon+20*minute).Add)
}

func gatherOf(t *testing.T, p *Planner, contact string, notices []dewline.Notice, to dewline.Recipient, now dewline.Millis, alerts ...dewline.Alert) dewline.NoticeWork {
	t.Helper()
	var waiting []dewline.Waiting
	for _, n := range notices {
		i := slices.IndexFunc(alerts, func(a dewline.Alert) bool { return a.ID == n.Alert })
		if n.Contact == contact {
			waiting = append(waiting, dewline.Waiting{Notice: n, Alert: alerts[i]})
		}
	}
	return p.Gather(contact, waiting, to, now)
}

func TestGather(t *testing.T) {
	hall, server := alertOf("quay-library/hall-ac", dewline.Soon), alertOf("quay-library/server-ac", dewline.Soon)
	p := planner(t)
	first := p.News([]dewline.News{opened(hall)}, noon).Add
	second := p.News([]dewline.News{opened(server)}, noon+1*minute).Add
	all := append(first, second...)

	w := gatherOf(t, p, "ana-mail", all, dewline.Recipient{}, noon+2*minute, hall, server)
	if len(w.Messages) != 1 || w.Messages[0].Notices != 2 {
		t.Fatalf("not one message of two: %+v", w.Messages)
	}
	if m := w.Messages[0]; m.Subject != "2 alerts at Quay Library: 2 soon" || strings.Index(m.Text, "Server room") > strings.Index(m.Text, "Reading hall") {
		t.Errorf("the more important one does not come first: %q\n%s", m.Subject, m.Text)
	}
	if again := gatherOf(t, p, "ana-mail", all, dewline.Recipient{}, noon+3*minute, hall, server); again.Messages[0].ID != w.Messages[0].ID {
		t.Error("the same notices make another message")
	}
	wantSaid(t, "a message went", gatherOf(t, p, "ana-mail", all, dewline.Recipient{Last: noon - 5*minute}, noon+2*minute, hall, server).Change,
		"ana-mail opened waiting +10 min apart", "ana-mail opened waiting +10 min apart")
	wantSaid(t, "one is under way", gatherOf(t, p, "ana-mail", all, dewline.Recipient{Last: 1, Pending: true}, noon+2*minute, hall, server).Change,
		"ana-mail opened waiting +62 min behind", "ana-mail opened waiting +62 min behind")

	// The next on duty, when nobody has acknowledged: it gathers with others first.
	w = gatherOf(t, p, "rui-mail", first, dewline.Recipient{}, noon+30*minute, hall)
	wantSaid(t, "next", w.Change, "rui-mail opened waiting +32 min gathering")
	known := hall
	known.State = dewline.AlertDispatched
	wantSaid(t, "somebody is on it", gatherOf(t, p, "rui-mail", first, dewline.Recipient{}, noon+30*minute, known).Change, "rui-mail opened not_sent acknowledged")

	// Duty was swapped meanwhile.
	p.Directory.Rosters[0].Swaps = []dewline.Swap{{Person: "eva", From: dewline.Stamp(noon), To: dewline.Stamp(noon + 600*minute)}}
	w = gatherOf(t, p, "rui-mail", first, dewline.Recipient{}, noon+30*minute, hall)
	wantSaid(t, "off duty", w.Change, "rui-mail opened not_sent off_duty")
	wantSaid(t, "on duty", w.Add, "eva-mail opened waiting +32 min gathering")

	// A hold began after planning, and explains the notice after its end too.
	p.Held = func(dewline.Alert) []dewline.Hold {
		return []dewline.Hold{{Kind: dewline.HoldPowerCut, Until: dewline.Stamp(noon + 60*minute), Why: "the grid"}}
	}
	w = gatherOf(t, p, "ana-mail", first, dewline.Recipient{}, noon+2*minute, hall)
	wantSaid(t, "held", w.Change, "ana-mail opened waiting +60 min suppressed")
	over := hall
	over.State = dewline.AlertResolved
	p.Held = nil
	w = gatherOf(t, p, "ana-mail", w.Change, dewline.Recipient{}, noon+60*minute, over)
	if !strings.Contains(w.Change[0].Why, "the grid") {
		t.Errorf("the reason is lost: %q", w.Change[0].Why)
	}
}

// TestWordsOfOneAlert holds the message of one alert to the text that people read.
func TestWordsOfOneAlert(t *testing.T) {
	a := alertOf("quay-library/hall-ac", dewline.Urgent)
	p := planner(t)
	write := func(contact string, change func(*dewline.Person)) dewline.Message {
		p := *p
		p.Directory = people()
		c, _ := p.Directory.Contact(contact)
		for i := range p.Directory.People {
			if change != nil && p.Directory.People[i].ID == c.Person {
				change(&p.Directory.People[i])
			}
		}
		n := newNotice(opened(a), dewline.NoticeOpened, "all", 0, contact, noon)
		return p.message(c, []*entry{{Notice: n}}, map[string]dewline.Alert{a.ID: a}, noon)
	}
	const wantText = `Urgent, today: Reading hall split, Quay Library
liquid is reaching the compressor, or superheat drifts to it.
Since Wed 2 Jul 2031 11:10, seen Wed 2 Jul 2031 12:00.
Superheat 0.4 ±1.1 K (k = 2), below the limit of 2.8 K while running steadily.
Superheat below 2.8 K: in about 3.5 days (1.0 to 9.0).
Likely: the metering device passes too much, orifice too large (72 %); too much charge (21 %); no fault (7 %).
What would settle it: the number on the installed orifice, read against the data plate and the maker's chart.
https://dewline.example.org/systems/quay-library/hall-ac

All of them: https://dewline.example.org/

` + dewline.Caution + "\n"
	if m := write("ana-mail", nil); m.Text != wantText {
		t.Errorf("got\n%s\nwant\n%s", m.Text, wantText)
	}
	us := write("ana-mail", func(p *dewline.Person) { p.Units, p.Timezone = dewline.USUnits, "America/New_York" })
	// 0.4 K = 0.72 °F, 1.1 K = 1.98 °F, 2.8 K = 5.04 °F, as differences: 9/5 without offset.
	for _, want := range []string{"0.7 ±2.0 °F", "limit of 5.0 °F", "below 5.0 °F", "Since Wed 2 Jul 2031 06:10 America/New_York (11:10 at the site)"} {
		if !strings.Contains(us.Text, want) {
			t.Errorf("US reader: no %q in\n%s", want, us.Text)
		}
	}
	for _, m := range []dewline.Message{us, write("otto-mail", nil)} {
		if !strings.Contains(m.HTML, "licensed people only") || !strings.Contains(m.Text, dewline.Caution) {
			t.Errorf("a message without caution: %s", m.Text)
		}
	}
}

// TestOwnersAreToldToDoNothing: no message to an owner, of any condition, news or number, has a word
// that could be taken for an instruction at the machine.
func TestOwnersAreToldToDoNothing(t *testing.T) {
	p := planner(t)
	otto, _ := p.Directory.Contact("otto-mail")
	for condition := range conditionWords {
		for _, kind := range []dewline.NoticeKind{dewline.NoticeOpened, dewline.NoticeReopened, dewline.NoticeWorsened, dewline.NoticeEnded} {
			a := alertOf("fish-market/cold-room", dewline.Urgent)
			b := a
			b.ID, b.Condition, a.Condition = "other", dewline.ChargeDrift, condition
			var list []*entry
			for _, x := range []dewline.Alert{a, b} {
				list = append(list, &entry{Notice: newNotice(opened(x), kind, "all", 0, "otto-mail", noon)})
			}
			for n := 1; n <= 2; n++ {
				m := p.message(otto, list[:n], map[string]dewline.Alert{a.ID: a, b.ID: b}, noon)
				words := strings.FieldsFunc(strings.ToLower(m.Subject+" "+m.Text+" "+m.Short), func(r rune) bool { return r < 'a' || r > 'z' })
				for _, forbidden := range []string{"open", "opened", "charge", "recharge", "reset", "restart", "refill", "add", "valve", "recover", "evacuate", "replace"} {
					if slices.Contains(words, forbidden) {
						t.Errorf("%s %s: an owner reads %q:\n%s", condition, kind, forbidden, m.Text)
					}
				}
				if !strings.Contains(m.Text, "Nothing needs doing at the machine") {
					t.Errorf("an owner is not told that nothing needs doing:\n%s", m.Text)
				}
			}
		}
	}
}

func TestEveryConditionHasWords(t *testing.T) {
	for _, c := range []dewline.Condition{dewline.Flooding, dewline.HotDischarge, dewline.HighHead, dewline.NotRunning, dewline.SpaceWarm, dewline.Freezing,
		dewline.Starving, dewline.ShortCycling, dewline.Hunting, dewline.CapacityLoss, dewline.EfficiencyLoss, dewline.ChargeDrift, dewline.SensorDoubt, dewline.Silent} {
		if conditionWords[c] == "" {
			t.Errorf("%s has no words", c)
		}
	}
}

// TestUnits: factors by NIST Special Publication 811 (2008), appendix B.8.
func TestUnits(t *testing.T) {
	for text, want := range map[string]string{
		"superheat falls 0.5 K a day":   "superheat falls 0.9 °F a day",
		"outdoor air 35.0 °C":           "outdoor air 95.0 °F",
		"reads 689 kPa ±20 kPa":         "reads 99.9 psi ±2.9 psi",
		"about 3.1 kg":                  "about 6.8 lb",
		"R-410A for 52 min, 72 % (k=2)": "R-410A for 52 min, 72 % (k=2)",
		"between -0.2 K and 19.9 K":     "between -0.4 °F and 35.8 °F",
	} {
		if got := inUnits(text, dewline.USUnits); got != want {
			t.Errorf("%q: got %q, want %q", text, got, want)
		}
		if got := inUnits(text, dewline.MetricUnits); got != text {
			t.Errorf("metric changes %q to %q", text, got)
		}
	}
}

func TestHoursAndRosters(t *testing.T) {
	at := func(text string) dewline.Millis {
		v, err := time.ParseInLocation("2006-01-02 15:04", text, lisbon(t))
		if err != nil {
			t.Fatal(err)
		}
		return dewline.MillisOf(v)
	}
	office := []dewline.Hours{{Days: []string{"mon", "tue", "wed", "thu", "fri"}, From: "08:00", To: "17:00"}, {Days: []string{"sat"}, From: "22:00", To: "02:00"}}
	for from, want := range map[string]string{
		"2031-07-02 07:59": "2031-07-02 08:00", "2031-07-02 08:00": "2031-07-02 08:00", "2031-07-02 17:00": "2031-07-03 08:00",
		"2031-07-04 17:01": "2031-07-05 22:00", "2031-07-06 01:59": "2031-07-06 01:59", "2031-07-06 02:00": "2031-07-07 08:00",
		"2031-03-30 00:30": "2031-03-30 00:30", // Saturday's hours in the night when clocks go forward at 01:00
		"2031-03-30 05:00": "2031-03-31 08:00",
	} {
		if got := dewline.NextWithin(office, at(from), lisbon(t)); got != at(want) {
			t.Errorf("%s: %s, want %s", from, got.Time().In(lisbon(t)), want)
		}
	}
	r := people().Rosters[0]
	for when, want := range map[string]string{
		"2031-06-30 07:59": "", "2031-06-30 08:00": "rui", "2031-07-07 07:59": "rui", "2031-07-07 08:00": "eva", "2031-07-14 08:00": "rui",
		"2031-10-27 07:59": "rui", "2031-10-27 08:00": "eva", // the day after clocks went back: still at eight
	} {
		if got := r.OnDuty(at(when)); got != want {
			t.Errorf("on duty at %s: %q, want %q", when, got, want)
		}
	}
}
