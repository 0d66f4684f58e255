package alerts

import (
	"context"
	"testing"

	"dewline"
)

// holdsOnly is a store of holds.
type holdsOnly struct {
	dewline.DeskStore
	dewline.DeskTx
	kept map[string]dewline.Hold
}

func (s *holdsOnly) Desk(_ context.Context, _ string, f func(dewline.DeskTx) error) error {
	return f(s)
}

func (s *holdsOnly) Hold(id string) (dewline.Hold, error) {
	if h, ok := s.kept[id]; ok {
		return h, nil
	}
	return dewline.Hold{}, &dewline.Error{Code: dewline.NotFound}
}

func (s *holdsOnly) LookAtDesk(_ context.Context, _ string, f func(dewline.DeskTx) error) error {
	return f(s)
}

func (s *holdsOnly) Holds(site string, at dewline.Millis) (list []dewline.Hold, err error) {
	for _, h := range s.kept {
		if dewline.Millis(h.Until) > at && (site == "" || site == h.Site) {
			list = append(list, h)
		}
	}
	return list, nil
}

func (s *holdsOnly) PutHold(h dewline.Hold) error { s.kept[h.ID] = h; return nil }

// TestHoldAgain: asking twice is one hold; one that somebody ended does not keep the same from being held
// again, and stays on record as it ended.
func TestHoldAgain(t *testing.T) {
	fleet := dewline.NewFleet(nil, []dewline.Site{{ID: "pier", Name: "Pier"}})
	store := &holdsOnly{kept: map[string]dewline.Hold{}}
	d := &Desk{Store: store, Fleet: func() *dewline.Fleet { return fleet }, Now: func() dewline.Millis { return 1000 }}
	hold := func(by string) dewline.Hold {
		t.Helper()
		h, err := d.Hold(t.Context(), dewline.Hold{Kind: dewline.HoldMaintenance, Site: "pier", From: 500, Until: 9000, By: by, Why: "a new fan"})
		if err != nil {
			t.Fatal(err)
		}
		return h
	}
	first := hold("Ana")
	if same := hold("Rui"); same != first || len(store.kept) != 1 {
		t.Errorf("asked twice: %+v and %+v", first, same)
	}
	for n := 2; n <= 4; n++ {
		last := hold("Rui")
		if _, err := d.EndHold(t.Context(), last.ID, dewline.Change{By: "Ana"}); err != nil {
			t.Fatal(err)
		}
		again := hold("Rui")
		if again.ID == last.ID || again.Until != 9000 || store.kept[again.ID] != again {
			t.Errorf("held again: %+v", again)
		}
		if ended := store.kept[last.ID]; ended.EndedBy != "Ana" || ended.Until != 1000 || len(store.kept) != n {
			t.Errorf("ended: %+v of %d", ended, len(store.kept))
		}
	}
}

// TestEndedHolds: what has ended since a time can be read, the last first; what lasts is not among it.
func TestEndedHolds(t *testing.T) {
	store := &holdsOnly{kept: map[string]dewline.Hold{}}
	for id, until := range map[string]dewline.Stamp{"long ago": 100, "first": 600, "second": 900, "now": 1000, "lasts": 1001} {
		store.kept[id] = dewline.Hold{ID: id, Site: "pier", Until: until}
	}
	d := &Desk{Store: store, Now: func() dewline.Millis { return 1000 }}
	list, err := d.EndedHolds(t.Context(), "pier", 500)
	if err != nil || len(list) != 3 || list[0].ID != "now" || list[1].ID != "second" || list[2].ID != "first" {
		t.Errorf("%v %+v", err, list)
	}
	if list, _ := d.EndedHolds(t.Context(), "quay", 500); len(list) > 0 {
		t.Errorf("of another site: %+v", list)
	}
}
