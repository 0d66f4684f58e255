package alerts

import (
	"context"
	"errors"
	"testing"

	"dewline"
)

// alertsOnly keeps alerts in memory and fails as long as it is told to.
type alertsOnly struct {
	dewline.DeskStore
	dewline.DeskTx
	kept    map[string]dewline.Alert
	changes []dewline.AlertChange
	err     error
}

func (s *alertsOnly) Desk(_ context.Context, _ string, f func(dewline.DeskTx) error) error {
	return errors.Join(s.err, f(s))
}

func (s *alertsOnly) Alert(id string) (dewline.Alert, error) { return s.kept[id], nil }

func (s *alertsOnly) PutAlert(c dewline.AlertChange) error {
	s.kept[c.Alert.ID] = c.Alert
	s.changes = append(s.changes, c)
	return c.Alert.Validate()
}

func fleetOf(ids ...dewline.SystemID) *dewline.Fleet {
	site := dewline.Site{ID: "quay"}
	for _, id := range ids {
		site.Systems = append(site.Systems, dewline.System{ID: id})
	}
	return dewline.NewFleet(nil, []dewline.Site{site})
}

// TestLeave: what is taken out of the fleet has no open alert any more, whatever people have done with it,
// and what is enrolled again begins anew.
func TestLeave(t *testing.T) {
	b := NewBook()
	silence := dewline.Finding{Systems: []dewline.SystemID{"quay/hall", "quay/store"}, Key: "silent", Condition: dewline.Silent, Conditions: []dewline.Condition{dewline.Silent}, Severity: dewline.Soon,
		Onset: day, Detected: 2 * day, Causes: []dewline.Cause{{Fault: dewline.Communication, Probability: 1}}}
	opened := b.Apply([]dewline.Finding{flooding(day, 0), silence})
	store := &alertsOnly{kept: map[string]dewline.Alert{}}
	for _, c := range opened {
		store.kept[c.Alert.ID] = c.Alert
	}
	hall := opened[0].Alert
	hall.State = dispatched // which a reading or a person's dismissal does not end
	store.kept[hall.ID] = hall

	if err := b.Leave(t.Context(), store, fleetOf("quay/hall", "quay/store"), 3*day); err != nil || len(store.changes) > 0 {
		t.Fatalf("nothing was taken out: %v %+v", err, store.changes)
	}
	store.err = errors.New("no disk")
	if err := b.Leave(t.Context(), store, fleetOf("quay/store"), 3*day); err == nil || len(b.open) != 2 {
		t.Fatalf("what could not be stored is done: %v, %d open", err, len(b.open))
	}
	store.err, store.changes, store.kept[hall.ID] = nil, nil, hall
	if err := b.Leave(t.Context(), store, fleetOf("quay/store"), 3*day); err != nil || len(store.changes) != 1 {
		t.Fatalf("%v, %d changes, want that of the hall", err, len(store.changes))
	}
	if c := store.changes[0]; c.Alert.ID != hall.ID || c.Alert.State != dismissed || c.Alert.Cleared != 3*day || c.By != dewline.ByDewline || c.Why != taken {
		t.Errorf("%+v", c)
	}
	if again := b.Apply([]dewline.Finding{flooding(day, 4*day), flooding(4*day, 0)}); len(again) != 0 {
		t.Errorf("something is found of what is not enrolled: %+v", again)
	}
	if err := b.Leave(t.Context(), store, fleetOf(), 4*day); err != nil || len(store.changes) != 2 || store.changes[1].Alert.System != "" || len(b.open) != 0 {
		t.Errorf("the alert of the whole site: %v %+v", err, store.changes)
	}
	b.Fleet = fleetOf("quay/hall")
	next := b.Apply([]dewline.Finding{flooding(5*day, 0)})
	if len(next) != 1 || next[0].Alert.State != open || next[0].Alert.ID == hall.ID || next[0].Alert.Follows != hall.ID {
		t.Errorf("enrolled again: %+v", next)
	}
}
