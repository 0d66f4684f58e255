package overview_test

import (
	"context"
	"errors"
	"testing"
	"time"

	"dewline"
	"dewline/dashboards/overview"
)

// source counts how often it is asked.
type source struct {
	fleet  *dewline.Fleet
	alerts []dewline.Alert
	err    error
	asked  int
}

func (s *source) AlertsIn(_ context.Context, f dewline.AlertFilter) (dewline.AlertPage, error) {
	s.asked++
	if s.err != nil {
		return dewline.AlertPage{}, s.err
	}
	// Two to a page, so that pages are followed.
	begin := len(f.After)
	end := min(begin+2, len(s.alerts))
	page := dewline.AlertPage{Alerts: s.alerts[begin:end]}
	if end < len(s.alerts) {
		page.Next = "xxxxxxxxxxxxxxxx"[:end]
	}
	return page, nil
}

func fleetOf(ids ...dewline.SystemID) *dewline.Fleet {
	site := dewline.Site{ID: "pier"}
	for _, id := range ids {
		site.Systems = append(site.Systems, dewline.System{ID: id})
	}
	return dewline.NewFleet(nil, []dewline.Site{site})
}

func alert(id string, onset dewline.Millis, sev dewline.Severity, state dewline.AlertState, systems ...dewline.SystemID) dewline.Alert {
	return dewline.Alert{ID: id, Site: "pier", Systems: systems, Condition: dewline.Flooding, Severity: sev, State: state, Onset: onset}
}

func seeingAll(t testing.TB) context.Context {
	return dewline.WithVisitor(t.Context(), dewline.Visitor{Role: dewline.RoleDispatcher})
}

func TestOrderAndHealth(t *testing.T) {
	s := &source{fleet: fleetOf("pier/b", "pier/a", "pier/c"), alerts: []dewline.Alert{
		alert("watch", 1, dewline.Watch, dewline.AlertOpen, "pier/a"),
		alert("late", 9, dewline.Urgent, dewline.AlertOpen, "pier/b"),
		alert("hand", 1, dewline.Urgent, dewline.AlertDispatched, "pier/c"),
		alert("early", 3, dewline.Urgent, dewline.AlertAcknowledged, "pier/a", "pier/b"),
		alert("soon", 1, dewline.Soon, dewline.AlertOpen, "pier/c"),
	}}
	r := overview.New(overview.Source{Fleet: func() *dewline.Fleet { return s.fleet }, Alerts: s})
	o := r.Read(seeingAll(t), func() time.Time { return time.Unix(0, 0) })
	var order []string
	for _, a := range o.Alerts {
		order = append(order, a.ID)
	}
	want := []string{"early", "late", "soon", "watch", "hand"}
	for i := range want {
		if len(order) != len(want) || order[i] != want[i] {
			t.Fatalf("alerts in the order %v, want %v", order, want)
		}
	}
	if o.IDs[0] != "pier/a" || o.IDs[2] != "pier/c" {
		t.Errorf("ids %v", o.IDs)
	}
	if o.Counts[dewline.HealthUrgent] != 2 || o.Counts[dewline.HealthSoon] != 1 || len(o.AlertsOf("pier/b")) != 2 {
		t.Errorf("%v %v", o.Counts, o.AlertsOf("pier/b"))
	}
	if h := o.Assessment("pier/c").Health; h != dewline.HealthSoon {
		t.Errorf("one alert in hand, one soon: %s", h)
	}
}

// TestKept: many readers within a moment cost one read; a new fleet and a failure are seen at once;
// an overview that takes long is made seldom.
func TestKept(t *testing.T) {
	s := &source{fleet: fleetOf("pier/a")}
	r := overview.New(overview.Source{Fleet: func() *dewline.Fleet { return s.fleet }, Alerts: s})
	now := time.Unix(1000, 0)
	slow := time.Duration(0)
	clock := func() time.Time { now = now.Add(slow); return now }
	read := func(after time.Duration) *overview.Overview {
		now = now.Add(after)
		return r.Read(seeingAll(t), clock)
	}
	first := read(0)
	if read(900*time.Millisecond) != first || s.asked != 1 {
		t.Errorf("asked %d times within a second", s.asked)
	}
	if read(200*time.Millisecond) == first || s.asked != 2 {
		t.Errorf("asked %d times after a second", s.asked)
	}
	s.fleet = fleetOf("pier/a", "pier/b")
	if o := read(0); len(o.IDs) != 2 || s.asked != 3 {
		t.Errorf("the new fleet is not seen: %v", o.IDs)
	}
	s.alerts = []dewline.Alert{alert("x", 1, dewline.Urgent, dewline.AlertOpen, "pier/a")}
	read(2 * time.Second)
	s.err = errors.New("disk on fire")
	broken := read(2 * time.Second)
	if broken.AlertsErr == nil || len(broken.Alerts) != 1 || broken.Counts[dewline.HealthUrgent] != 1 {
		t.Errorf("a failure loses what was known: %+v", broken)
	}
	s.err = nil
	if o := read(0); o.AlertsErr != nil {
		t.Error("it does not try again at once")
	}
	slow = 500 * time.Millisecond // each look at the clock comes half a second later
	read(2 * time.Second)
	asked := s.asked
	read(5 * time.Second)
	if s.asked != asked {
		t.Error("what takes half a second is made again within ten")
	}
	read(6 * time.Second)
	if s.asked == asked {
		t.Error("it is never made again")
	}
}

func TestNothingThere(t *testing.T) {
	r := overview.New(overview.Source{})
	o := r.Read(seeingAll(t), func() time.Time { return time.Unix(0, 0) })
	if o.Fleet == nil || len(o.IDs) != 0 || o.AlertsErr != nil {
		t.Errorf("%+v", o)
	}
	if _, known := r.State("pier/a"); known {
		t.Error("a state out of nothing")
	}
	if alerts, err := r.UnendedOf(seeingAll(t), "pier/a"); alerts != nil || err != nil {
		t.Error(alerts, err)
	}
}

// TestOfOneOwner: what another owner has is not there, and one visitor's part is never another's whole.
func TestOfOneOwner(t *testing.T) {
	pier := dewline.Site{ID: "pier", Owner: "harbour", Systems: []dewline.System{{ID: "pier/a"}}}
	loft := dewline.Site{ID: "loft", Owner: "mill", Systems: []dewline.System{{ID: "loft/b"}}}
	s := &source{fleet: dewline.NewFleet([]dewline.Owner{{ID: "harbour"}, {ID: "mill"}}, []dewline.Site{pier, loft}), alerts: []dewline.Alert{
		alert("own", 1, dewline.Urgent, dewline.AlertOpen, "pier/a"),
		{ID: "other", Site: "loft", Systems: []dewline.SystemID{"loft/b"}, Severity: dewline.Urgent, State: dewline.AlertOpen},
	}}
	r := overview.New(overview.Source{Fleet: func() *dewline.Fleet { return s.fleet }, Alerts: s})
	now := func() time.Time { return time.Unix(0, 0) }
	for _, tt := range []struct {
		visitor      dewline.Visitor
		ids, alerts  int
		own, another int // alerts of a system of each
	}{
		{dewline.Visitor{Role: dewline.RoleOwner, Owner: "harbour"}, 1, 1, 1, 0},
		{dewline.Visitor{Role: dewline.RoleManager}, 2, 2, 1, 1},
		{dewline.Visitor{Role: dewline.RoleOwner, Owner: "mill"}, 1, 1, 0, 1},
		{dewline.Visitor{Role: dewline.RoleOwner}, 0, 0, 0, 0},
		{dewline.Visitor{}, 0, 0, 0, 0},
	} {
		ctx := dewline.WithVisitor(t.Context(), tt.visitor)
		o := r.Read(ctx, now)
		if len(o.IDs) != tt.ids || len(o.Alerts) != tt.alerts || o.Counts[dewline.HealthUrgent] != tt.ids || len(r.Fleet(ctx).Systems()) != tt.ids {
			t.Errorf("%+v: %v, %d alerts, %v", tt.visitor, o.IDs, len(o.Alerts), o.Counts)
		}
		for id, want := range map[dewline.SystemID]int{"pier/a": tt.own, "loft/b": tt.another} {
			s.alerts = s.alerts[:2]
			if got, err := r.UnendedOf(ctx, id); err != nil || (len(got) > 0) != (want > 0) {
				t.Errorf("%+v: alerts of %s: %v, %v", tt.visitor, id, got, err)
			}
		}
	}
}

// TestReadDoesNotWait: while one request makes the overview anew, others get the last one; but not after
// somebody has changed something, who must see it.
func TestReadDoesNotWait(t *testing.T) {
	fleet, noon := fleetOf("a/x"), time.Date(2031, 7, 3, 12, 0, 0, 0, time.UTC)
	slow := &slowAlerts{Alerts: &source{}}
	r := overview.New(overview.Source{Fleet: func() *dewline.Fleet { return fleet }, Alerts: slow})
	ctx := seeingAll(t)
	first := r.Read(ctx, func() time.Time { return noon })
	later := func() time.Time { return noon.Add(5 * time.Second) }
	slow.begun, slow.goOn = make(chan struct{}), make(chan struct{})
	made := make(chan *overview.Overview)
	go func() { made <- r.Read(ctx, later) }()
	<-slow.begun
	if r.Read(ctx, later) != first {
		t.Error("who comes meanwhile does not get the last overview")
	}
	close(slow.goOn)
	second := <-made
	if second == first || r.Read(ctx, later) != second {
		t.Error("the overview was not made anew")
	}
	slow.begun = nil
	r.Forget()
	if r.Read(ctx, later) == second {
		t.Error("what was changed is not seen")
	}
}

// slowAlerts answers when it may.
type slowAlerts struct {
	overview.Alerts
	begun, goOn chan struct{}
}

func (s *slowAlerts) AlertsIn(ctx context.Context, f dewline.AlertFilter) (dewline.AlertPage, error) {
	if s.begun != nil {
		close(s.begun)
		<-s.goOn
	}
	return s.Alerts.AlertsIn(ctx, f)
}
