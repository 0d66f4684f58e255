package alerts

import (
	"cmp"
	"context"
	"slices"

	"dewline"
)

// taken is why alerts end whose systems are enrolled no more.
const taken = "taken out of the fleet: it is not watched any more, so nothing will be done about this and no reading can end it"

// Leave makes a fleet the book's, and ends the alerts in the store of which no system is enrolled any more.
// Nothing is deleted. They are dismissed and over, whatever people have done with them: what is enrolled
// again under an old id begins anew.
func (b *Book) Leave(ctx context.Context, store dewline.DeskStore, fleet *dewline.Fleet, now dewline.Millis) error {
	b.Fleet = fleet
	var left []subject
	for s, a := range b.open {
		if !enrolled(fleet, a.Systems) {
			left = append(left, s)
		}
	}
	if len(left) == 0 {
		return nil
	}
	slices.SortFunc(left, func(x, y subject) int { return cmp.Compare(b.open[x].ID, b.open[y].ID) })
	ended := make([]dewline.Alert, len(left))
	err := store.Desk(ctx, "end the alerts of what is not enrolled any more", func(tx dewline.DeskTx) error {
		for i, s := range left {
			kept, err := tx.Alert(b.open[s].ID)
			if err != nil {
				return err
			}
			if kept.Cleared == 0 {
				kept.State, kept.Cleared = dismissed, max(now, kept.Detected)
				if err := tx.PutAlert(dewline.AlertChange{Change: dewline.Change{By: dewline.ByDewline, At: now, Why: taken}, Alert: kept}); err != nil {
					return err
				}
			}
			ended[i] = kept
		}
		return nil
	})
	if err != nil {
		return err
	}
	for i, s := range left {
		b.keep(s, ended[i])
	}
	return nil
}

// enrolled says whether any of the systems is.
func enrolled(fleet *dewline.Fleet, systems []dewline.SystemID) bool {
	return slices.ContainsFunc(systems, func(id dewline.SystemID) bool {
		_, ok := fleet.System(id)
		return ok
	})
}
