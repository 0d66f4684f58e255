package notify

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"sync"
	"testing"
	"time"
	_ "time/tzdata"

	"dewline"
)

var noon = dewline.MillisOf(time.Date(2031, 7, 2, 11, 0, 0, 0, time.UTC)) // 12:00 in Lisbon, a Wednesday

const minute dewline.Millis = 60_000

func lisbon(t testing.TB) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

// town is a fleet of two owners with a site each.
func town(t testing.TB) *dewline.Fleet {
	system := func(id dewline.SystemID, name string, i dewline.Importance) dewline.System {
		return dewline.System{ID: id, Name: name, Importance: i, Metering: dewline.FixedOrifice}
	}
	return dewline.NewFleet(
		[]dewline.Owner{{ID: "city", Name: "City"}, {ID: "market", Name: "Market"}},
		[]dewline.Site{
			{ID: "quay-library", Name: "Quay Library", Owner: "city", Timezone: lisbon(t), Systems: []dewline.System{
				system("quay-library/hall-ac", "Reading hall split", dewline.Ordinary), system("quay-library/server-ac", "Server room", dewline.Critical)}},
			{ID: "fish-market", Name: "Fish Market", Owner: "market", Timezone: lisbon(t), Systems: []dewline.System{
				system("fish-market/cold-room", "Cold room", dewline.High)}},
		})
}

func alertOf(system dewline.SystemID, s dewline.Severity) dewline.Alert {
	onset := noon - 50*minute
	return dewline.Alert{
		ID: dewline.AlertID(system, dewline.Overfeed, onset), Site: system.Site(), System: system, Systems: []dewline.SystemID{system},
		Condition: dewline.Flooding, Conditions: []dewline.Condition{dewline.Flooding}, Severity: s, State: dewline.AlertOpen,
		Onset: onset, Detected: noon,
		Causes: []dewline.Cause{{Fault: dewline.Overfeed, Detail: "orifice_too_large", Probability: 0.72}, {Fault: dewline.Overcharge, Probability: 0.21}, {Fault: dewline.NoFault, Probability: 0.07}},
		Forecast: &dewline.Forecast{Limit: "superheat below 2.8 K", Quantity: "superheat", Value: 2.8, Unit: "K", At: noon,
			DaysP10: 1, DaysP50: 3.5, DaysP90: 9},
	}
}

// people: Ana dispatches, Rui and Eva take turns of a week, Otto owns the market, a program listens.
func people() dewline.Directory {
	person := func(id string, role dewline.Role, owner string) dewline.Person {
		return dewline.Person{ID: id, Name: id, Role: role, Owner: owner}
	}
	contact := func(id, person string, c dewline.Channel, address string) dewline.Contact {
		return dewline.Contact{ID: id, Person: person, Channel: c, Address: address, Gather: 120, Apart: 900}
	}
	return dewline.Directory{
		People: []dewline.Person{
			person("ana", dewline.RoleDispatcher, ""), person("rui", dewline.RoleTechnician, ""), person("eva", dewline.RoleTechnician, ""),
			person("otto", dewline.RoleOwner, "market"), person("erp", dewline.RoleProgram, ""),
		},
		Contacts: []dewline.Contact{
			contact("ana-mail", "ana", dewline.ByMail, "ana@example.org"), contact("rui-mail", "rui", dewline.ByMail, "rui@example.org"),
			contact("eva-mail", "eva", dewline.ByMail, "eva@example.org"), contact("otto-mail", "otto", dewline.ByMail, "otto@example.org"),
		},
		Rosters: []dewline.Roster{{ID: "week", Name: "Week", Timezone: "Europe/Lisbon", People: []string{"rui", "eva"}, First: "2031-06-30", Handover: "08:00", Days: 7}},
		Plans: []dewline.ContactPlan{{ID: "all", Name: "All", Least: dewline.Soon, Ends: true, Steps: []dewline.PlanStep{
			{Contacts: []string{"ana-mail"}}, {After: 1800, Roster: "week"}}}},
	}
}

func opened(a dewline.Alert) dewline.News {
	return dewline.News{AlertChange: dewline.AlertChange{Change: dewline.Change{By: dewline.ByDewline, At: a.Detected,
		Why: "superheat 0.4 ±1.1 K (k = 2), below the limit of 2.8 K while running steadily"}, Alert: a}, Change: 1}
}

func then(n dewline.News, by string, change func(*dewline.Alert)) dewline.News {
	before := n.Alert
	n.Before, n.Change, n.By, n.Why = &before, n.Change+1, by, "because"
	change(&n.Alert)
	return n
}

// memory is a Store in memory, of one plan's worth of people, for tests of what happens in time.
type memory struct {
	dewline.ContactBook
	mu       sync.Mutex
	d        dewline.Directory
	news     []dewline.News
	alerts   map[string]dewline.Alert
	notices  map[string]dewline.Notice
	messages map[string]dewline.Message
	settled  []dewline.SendOutcome
}

func newMemory(d dewline.Directory) *memory {
	return &memory{d: d, alerts: map[string]dewline.Alert{}, notices: map[string]dewline.Notice{}, messages: map[string]dewline.Message{}}
}

func (m *memory) put(n dewline.News) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.alerts[n.Alert.ID] = n.Alert
	m.news = append(m.news, n)
}

func (m *memory) Directory(context.Context) (dewline.Directory, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.d, nil
}

func (m *memory) PutContact(_ context.Context, c dewline.Contact) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.d.Contacts = slices.Clone(m.d.Contacts)
	i := slices.IndexFunc(m.d.Contacts, func(x dewline.Contact) bool { return x.ID == c.ID })
	m.d.Contacts[i] = c
	return nil
}

func (m *memory) Unplanned(_ context.Context, limit int) ([]dewline.News, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	list := slices.Clone(m.news[:min(limit, len(m.news))])
	for i := range list {
		list[i].Notices = m.noticesWhere(func(n dewline.Notice) bool { return n.Alert == list[i].Alert.ID })
	}
	return list, nil
}

// find is noticesWhere for tests.
func (m *memory) find(is func(dewline.Notice) bool) []dewline.Notice {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.noticesWhere(is)
}

func (m *memory) message(id string) dewline.Message {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.messages[id]
}

func (m *memory) noticesWhere(is func(dewline.Notice) bool) []dewline.Notice {
	var list []dewline.Notice
	for _, n := range m.notices {
		if is(n) {
			list = append(list, n)
		}
	}
	slices.SortFunc(list, func(a, b dewline.Notice) int {
		return slices.Compare([]string{fmt.Sprint(a.Made), a.ID}, []string{fmt.Sprint(b.Made), b.ID})
	})
	return list
}

func (m *memory) DueContacts(_ context.Context, now dewline.Millis) ([]string, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var list []string
	for _, n := range m.noticesWhere(func(n dewline.Notice) bool {
		return n.State == dewline.NoticeWaiting && dewline.Millis(n.Due) <= now
	}) {
		if !slices.Contains(list, n.Contact) {
			list = append(list, n.Contact)
		}
	}
	return list, nil
}

func (m *memory) WaitingFor(_ context.Context, contact string, now dewline.Millis) ([]dewline.Waiting, dewline.Recipient, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var list []dewline.Waiting
	for _, n := range m.noticesWhere(func(n dewline.Notice) bool {
		return n.Contact == contact && n.State == dewline.NoticeWaiting && (dewline.Millis(n.Due) <= now || n.Reason == dewline.BecauseGathering)
	}) {
		list = append(list, dewline.Waiting{Notice: n, Alert: m.alerts[n.Alert]})
	}
	var to dewline.Recipient
	for _, x := range m.messages {
		if x.Contact == contact {
			to.Last = max(to.Last, dewline.Millis(x.Made))
			to.Pending = to.Pending || x.State == dewline.MessagePending
		}
	}
	return list, to, nil
}

func (m *memory) SaveNotices(_ context.Context, w dewline.NoticeWork) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, n := range w.Add {
		if _, known := m.notices[n.ID]; !known {
			m.notices[n.ID] = n
		}
	}
	for _, n := range w.Change {
		if _, known := m.notices[n.ID]; known {
			m.notices[n.ID] = n
		}
	}
	for _, x := range w.Messages {
		for _, other := range m.messages {
			if other.ID == x.ID || other.Contact == x.Contact && other.State == dewline.MessagePending {
				return fmt.Errorf("message %s cannot be under way beside %s", x.ID, other.ID)
			}
		}
		m.messages[x.ID] = x
	}
	m.news = m.news[len(w.Planned):]
	return nil
}

func (m *memory) DueMessages(_ context.Context, now dewline.Millis, limit int) ([]dewline.Message, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var list []dewline.Message
	for _, x := range m.messages {
		if x.State == dewline.MessagePending && dewline.Millis(x.Next) <= now {
			list = append(list, x)
		}
	}
	return list[:min(limit, len(list))], nil
}

func (m *memory) MessageByID(_ context.Context, id string) (dewline.Message, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.messages[id], nil
}

func (m *memory) Untaken(context.Context) ([]dewline.Message, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	newest := map[string]dewline.Message{}
	for _, x := range m.messages {
		if x.Made >= newest[x.Contact].Made {
			newest[x.Contact] = x
		}
	}
	var list []dewline.Message
	for _, contact := range slices.Sorted(maps.Keys(newest)) {
		if newest[contact].State != dewline.MessageSent {
			list = append(list, newest[contact])
		}
	}
	return list, nil
}

func (m *memory) Settle(_ context.Context, o dewline.SendOutcome) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.settled = append(m.settled, o)
	x := m.messages[o.Message]
	x.State, x.Attempts, x.Next, x.Failure = o.State, o.Attempts, dewline.Stamp(o.Next), o.Failure
	if o.State != dewline.MessagePending {
		x.Done = dewline.Stamp(o.At)
	}
	m.messages[o.Message] = x
	for id, n := range m.notices {
		switch {
		case o.State == dewline.MessagePending:
		case n.Message == o.Message && o.State == dewline.MessageSent:
			n.State, n.Settled = dewline.NoticeSent, dewline.Stamp(o.At)
		case n.Message == o.Message:
			n.State, n.Reason, n.Why, n.Settled = dewline.NoticeNotSent, o.Reason, o.Failure, dewline.Stamp(o.At)
		case n.Contact == x.Contact && n.State == dewline.NoticeWaiting && n.Reason == dewline.BecauseBehind:
			n.Due = dewline.Stamp(o.At)
		}
		m.notices[id] = n
	}
	return nil
}

func (m *memory) NoticesIn(_ context.Context, f dewline.NoticeFilter) (dewline.NoticePage, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return dewline.NoticePage{Notices: m.noticesWhere(func(n dewline.Notice) bool {
		return (f.Contact == "" || n.Contact == f.Contact) && (f.Message == "" || n.Message == f.Message)
	})}, nil
}
