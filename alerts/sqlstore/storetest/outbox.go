package storetest

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"dewline"
)

// must1 returns what a call answered, or ends the test: must1(call())(t).
func must1[T any](v T, err error) func(t *testing.T) T {
	return func(t *testing.T) T {
		t.Helper()
		must(t, err)
		return v
	}
}

func contains(text, part string) bool { return strings.Contains(text, part) }

func notice(id, alert, contact string) dewline.Notice {
	return dewline.Notice{
		ID: id, Alert: alert, Change: 1, Kind: dewline.NoticeOpened, Severity: dewline.Urgent, Plan: "all", Step: 1, Contact: contact, Person: "a", News: hostile[9],
		Made: dewline.Stamp(now), Due: dewline.Stamp(now + 1000), State: dewline.NoticeWaiting, Reason: dewline.BecauseStep, Why: hostile[0],
	}
}

func message(id, contact string) dewline.Message {
	return dewline.Message{
		ID: id, Contact: contact, Made: dewline.Stamp(now), Notices: 1, Subject: hostile[9], Text: "text", HTML: "<p>", Short: "short",
		Payload: json.RawMessage(`{"a":1}`), State: dewline.MessagePending, Next: dewline.Stamp(now),
	}
}

// news: each change of an alert's history is told once, with what stood before, by whichever way it
// was stored.
func news(t *testing.T, open Opener) {
	s, ctx := opened(t, open), t.Context()
	a, b := alert(hall, dewline.Overfeed, now), alert(cold, dewline.Undercharge, now)
	worse := a
	worse.Severity, worse.Conditions = dewline.Watch, []dewline.Condition{a.Condition, dewline.HighHead}
	must(t, s.PutAlerts(ctx, byDewline(now, "first", a)))
	must(t, s.SaveProgress(ctx, dewline.Progress{Version: 1, Alerts: byDewline(now+1, "second", b)}))
	must(t, s.PutAlerts(ctx, byDewline(now+2, "third", worse)))
	must(t, s.PutAlerts(ctx, byDewline(now+3, "no change", worse)))
	n := notice("n1", a.ID, "a-mail")
	must(t, s.SaveNotices(ctx, dewline.NoticeWork{Add: []dewline.Notice{n}}))

	list := must1(s.Unplanned(ctx, 10))(t)
	var why []string
	for _, n := range list {
		why = append(why, fmt.Sprint(n.Why, " ", n.Change))
	}
	want(t, "news", why, []string{"first 1", "second 1", "third 2"})
	want(t, "before", *list[2].Before, a)
	want(t, "now", list[2].Alert, worse)
	want(t, "notices", list[2].Notices, []dewline.Notice{n})
	if list[0].Before != nil || list[1].Before != nil || len(list[1].Notices) != 0 {
		t.Errorf("a new alert has something before it: %+v", list[:2])
	}
	want(t, "limit", len(must1(s.Unplanned(ctx, 1))(t)), 1)
	must(t, s.SaveNotices(ctx, dewline.NoticeWork{Planned: list[:2]}))
	want(t, "left", must1(opened(t, open).Unplanned(ctx, 10))(t), list[2:])
}

func outbox(t *testing.T, open Opener) {
	s, ctx := opened(t, open), t.Context()
	a := alert(hall, dewline.Overfeed, now)
	must(t, s.PutAlerts(ctx, byDewline(now, "wet", a)))
	due, later, gathering := notice("due", a.ID, "x"), notice("later", a.ID, "x"), notice("gathering", a.ID, "x")
	later.Due, gathering.Due, gathering.Reason = due.Due+1, due.Due+1, dewline.BecauseGathering
	other := notice("other", a.ID, "y")
	other.Due = later.Due
	must(t, s.SaveNotices(ctx, dewline.NoticeWork{Add: []dewline.Notice{due, later, gathering, other}}))
	changed := due
	changed.Why = "must not be taken"
	must(t, s.SaveNotices(ctx, dewline.NoticeWork{Add: []dewline.Notice{changed}})) // is there already

	at := dewline.Millis(due.Due)
	want(t, "nobody yet", must1(s.DueContacts(ctx, at-1))(t), nil)
	want(t, "whose time has come", must1(s.DueContacts(ctx, at))(t), []string{"x"})
	waiting, to, err := s.WaitingFor(ctx, "x", at)
	must(t, err)
	want(t, "waiting", waiting, []dewline.Waiting{{Notice: due, Alert: a}, {Notice: gathering, Alert: a}})
	want(t, "nothing went there", to, dewline.Recipient{})

	m := message("m1", "x")
	for _, n := range []*dewline.Notice{&due, &gathering} {
		n.State, n.Reason, n.Why, n.Message = dewline.NoticeSending, "", "", m.ID
	}
	later.Reason, later.Due = dewline.BecauseBehind, dewline.Stamp(at+1e6)
	must(t, s.SaveNotices(ctx, dewline.NoticeWork{Change: []dewline.Notice{due, gathering, later}, Messages: []dewline.Message{m}}))
	_, to, err = s.WaitingFor(ctx, "x", at)
	must(t, err)
	want(t, "recipient", to, dewline.Recipient{Last: dewline.Millis(m.Made), Pending: true})
	if err := s.SaveNotices(ctx, dewline.NoticeWork{Change: []dewline.Notice{changed}, Messages: []dewline.Message{message("m2", "x")}}); err == nil {
		t.Error("two messages to one contact may be under way: they could change places")
	}
	want(t, "nothing of what failed", must1(s.NoticesIn(ctx, dewline.NoticeFilter{Message: "m1"}))(t).Notices, []dewline.Notice{gathering, due})

	want(t, "to send", must1(s.DueMessages(ctx, now, 10))(t), []dewline.Message{m})
	must(t, s.Settle(ctx, dewline.SendOutcome{Message: "m1", State: dewline.MessagePending, Attempts: 1, At: now, Next: now + 5000, Failure: "no answer"}))
	want(t, "not yet", must1(s.DueMessages(ctx, now+4999, 10))(t), nil)
	again := must1(s.DueMessages(ctx, now+5000, 10))(t)
	want(t, "attempts", [2]any{again[0].Attempts, again[0].Failure}, [2]any{1, "no answer"})

	must(t, s.Settle(ctx, dewline.SendOutcome{Message: "m1", State: dewline.MessageSent, Attempts: 2, At: now + 6000}))
	must(t, s.Settle(ctx, dewline.SendOutcome{Message: "m1", State: dewline.MessageGivenUp, Attempts: 3, At: now + 7000})) // stays sent
	sent := must1(opened(t, open).MessageByID(ctx, "m1"))(t)
	m.State, m.Attempts, m.Next, m.Done = dewline.MessageSent, 2, 0, dewline.Stamp(now+6000)
	want(t, "sent", sent, m)
	for _, n := range []*dewline.Notice{&due, &gathering} {
		n.State, n.Settled = dewline.NoticeSent, dewline.Stamp(now+6000)
	}
	want(t, "notices sent", must1(s.NoticesIn(ctx, dewline.NoticeFilter{States: []dewline.NoticeState{dewline.NoticeSent}}))(t).Notices, []dewline.Notice{gathering, due})
	want(t, "behind no more", must1(s.DueContacts(ctx, now+6000))(t), []string{"x", "y"})
	_, err = s.MessageByID(ctx, "m2")
	wantCode(t, "no such message", err, dewline.NotFound)
}

func outboxGivesUp(t *testing.T, open Opener) {
	s, ctx := opened(t, open), t.Context()
	a := alert(hall, dewline.Overfeed, now)
	must(t, s.PutAlerts(ctx, byDewline(now, "wet", a)))
	n, m := notice("n1", a.ID, "x"), message("m1", "x")
	n.State, n.Message = dewline.NoticeSending, m.ID
	must(t, s.SaveNotices(ctx, dewline.NoticeWork{Add: []dewline.Notice{n}, Messages: []dewline.Message{m}}))
	must(t, s.Settle(ctx, dewline.SendOutcome{Message: "m1", State: dewline.MessageGivenUp, Attempts: 9, At: now + 1, Failure: hostile[1], Reason: dewline.BecauseGaveUp}))
	n.State, n.Reason, n.Why, n.Settled = dewline.NoticeNotSent, dewline.BecauseGaveUp, hostile[1], dewline.Stamp(now+1)
	want(t, "given up", must1(s.NoticesIn(ctx, dewline.NoticeFilter{}))(t).Notices, []dewline.Notice{n})
	want(t, "nothing to send", must1(s.DueMessages(ctx, now+1e9, 10))(t), nil)
	must(t, s.SaveNotices(ctx, dewline.NoticeWork{Messages: []dewline.Message{message("m2", "x")}})) // the way is free
	wantCode(t, "no such message", s.Settle(ctx, dewline.SendOutcome{Message: "m3", State: dewline.MessageSent}), dewline.NotFound)
}

// untaken: of each contact that is still there, the newest message decides.
func untaken(t *testing.T, open Opener) {
	s, ctx := opened(t, open), t.Context()
	must(t, s.PutPerson(ctx, dewline.Person{ID: "a", Name: "A", Role: dewline.RoleDispatcher}))
	for _, id := range []string{"sent", "lost", "tried"} {
		must(t, s.PutContact(ctx, dewline.Contact{ID: id, Person: "a", Channel: dewline.ByMail, Address: "a@example.org"}))
	}
	want(t, "none", must1(s.Untaken(ctx))(t), nil)
	var all []dewline.Message
	for i, m := range []struct {
		contact string
		state   dewline.MessageState
	}{{"sent", dewline.MessageGivenUp}, {"sent", dewline.MessageSent}, {"lost", dewline.MessageSent}, {"lost", dewline.MessageGivenUp}, {"tried", dewline.MessagePending}, {"removed", dewline.MessageGivenUp}} {
		made := message(fmt.Sprint("m", i), m.contact)
		made.State, made.Made, made.Failure = m.state, made.Made+dewline.Stamp(i), hostile[9]
		all = append(all, made)
	}
	must(t, s.SaveNotices(ctx, dewline.NoticeWork{Messages: all}))
	want(t, "untaken", must1(opened(t, open).Untaken(ctx))(t), []dewline.Message{all[3], all[4]})
}

func noticePages(t *testing.T, open Opener) {
	s, ctx := opened(t, open), t.Context()
	a, b := alert(hall, dewline.Overfeed, now), alert(cold, dewline.Undercharge, now)
	must(t, s.PutAlerts(ctx, byDewline(now, "first", a, b)))
	var all []dewline.Notice
	for i := range 7 {
		n := notice(fmt.Sprint("n", i), []string{a.ID, b.ID}[i%2], []string{"x", "y"}[i%2])
		n.Made = dewline.Stamp(now) + dewline.Stamp(i/3) // several of one time
		all = append(all, n)
	}
	must(t, s.SaveNotices(ctx, dewline.NoticeWork{Add: all}))
	slices.Reverse(all)
	var got []dewline.Notice
	f := dewline.NoticeFilter{Limit: 2}
	for {
		page := must1(s.NoticesIn(ctx, f))(t)
		got = append(got, page.Notices...)
		if f.After = page.Next; page.Next == "" {
			break
		}
	}
	want(t, "pages", got, all)
	for _, f := range []dewline.NoticeFilter{{Alert: a.ID}, {Contact: "x"}, {Sites: []string{hall.Site()}}} {
		want(t, fmt.Sprintf("filter %+v", f), len(must1(s.NoticesIn(ctx, f))(t).Notices), 4)
	}
	_, err := s.NoticesIn(ctx, dewline.NoticeFilter{After: "made up"})
	wantCode(t, "a cursor of no list", err, dewline.Invalid)
}

// noticesPruned: what was settled long ago goes, with its message. Nothing goes that is still to be sent,
// however old, that tells who is to hear of an alert's end, or that is not old.
func noticesPruned(t *testing.T, open Opener) {
	s, ctx := opened(t, open), t.Context()
	over, lasts, planned := alert(hall, dewline.Overfeed, now), alert(cold, dewline.Undercharge, now), alert(attic, dewline.Overfeed, now)
	over.State, planned.State = dewline.AlertDismissed, dewline.AlertDismissed
	must(t, s.PutAlerts(ctx, byDewline(now, "first", over, lasts, planned)))
	news := must1(s.Unplanned(ctx, 10))(t)
	news = slices.DeleteFunc(news, func(n dewline.News) bool { return n.Alert.ID == planned.ID }) // its end is not planned for yet
	work := dewline.NoticeWork{Planned: news}
	add := func(id, alert, message string, state dewline.NoticeState, settled dewline.Millis) {
		n := notice(id, alert, "x")
		n.Message, n.State, n.Settled = message, state, dewline.Stamp(settled)
		work.Add = append(work.Add, n)
	}
	put := func(id, contact string, state dewline.MessageState, made dewline.Millis) {
		m := message(id, contact)
		m.State, m.Made = state, dewline.Stamp(made)
		work.Messages = append(work.Messages, m)
	}
	add("told", over.ID, "old", dewline.NoticeSent, now+1)
	add("dropped", over.ID, "", dewline.NoticeNotSent, now+1)
	for i := range 2500 { // more than one transaction deletes
		add(fmt.Sprint("storm", i), over.ID, "old", dewline.NoticeSent, now+1)
	}
	put("old", "x", dewline.MessageSent, now)
	put("report", "x", dewline.MessageGivenUp, now) // a month's report has no notices
	gone := len(work.Add)
	add("waits", over.ID, "", dewline.NoticeWaiting, 0)
	add("on its way", over.ID, "under way", dewline.NoticeSending, 0)
	put("under way", "y", dewline.MessagePending, now)
	add("of one that lasts", lasts.ID, "spoken of", dewline.NoticeSent, now+1)
	put("spoken of", "x", dewline.MessageSent, now)
	add("of one with news", planned.ID, "", dewline.NoticeSent, now+1)
	add("settled late", over.ID, "", dewline.NoticeNotSent, now+100)
	put("new", "x", dewline.MessageSent, now+100)
	must(t, s.SaveNotices(ctx, work))
	must(t, s.PruneNotices(ctx, now+100))
	var left []string
	for _, n := range must1(s.NoticesIn(ctx, dewline.NoticeFilter{}))(t).Notices {
		left = append(left, n.ID)
	}
	var stay []string
	for _, n := range work.Add[gone:] {
		stay = append(stay, n.ID)
	}
	slices.Sort(left)
	slices.Sort(stay)
	want(t, "left", left, stay)
	for _, id := range []string{"under way", "spoken of", "new"} {
		must1(s.MessageByID(ctx, id))(t)
	}
	for _, id := range []string{"old", "report"} {
		_, err := s.MessageByID(ctx, id)
		wantCode(t, id, err, dewline.NotFound)
	}
	must1(s.AlertHistory(ctx, over.ID))(t)
}
