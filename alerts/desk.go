package alerts

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"dewline"
)

// lookAgain is how long a hold that was found out stands before it is looked at again.
const lookAgain = time.Hour

// longestHold keeps somebody from holding notices back for ever by a slip of the pen.
const longestHold = 366 * 24 * time.Hour

// Desk is where people work on alerts. It implements dewline.AlertDesk. It keeps nothing itself: each
// act is one transaction of the store, in which it sees the alert as analytics and others left it.
type Desk struct {
	Store dewline.DeskStore
	Fleet func() *dewline.Fleet
	Now   func() dewline.Millis // for people's deadlines; what alerts say never depends on it
}

func invalid(op, format string, args ...any) error {
	return &dewline.Error{Code: dewline.Invalid, Op: op, Err: fmt.Errorf(format, args...)}
}

// Act implements dewline.AlertDesk.
func (d *Desk) Act(ctx context.Context, id string, act dewline.AlertAct) (dewline.AlertCase, error) {
	var c dewline.AlertCase
	if err := checkAct(act, d.Now()); err != nil {
		return c, err
	}
	err := d.Store.Desk(ctx, string(act.Do)+" alert "+id, func(tx dewline.DeskTx) error {
		if err := d.act(tx, id, act); err != nil {
			return err
		}
		var err error
		c, err = d.caseOf(tx, id)
		return err
	})
	return c, err
}

func checkAct(act dewline.AlertAct, now dewline.Millis) error {
	op := string(act.Do)
	if err := dewline.CheckPerson(act.By); err != nil {
		return err
	}
	switch act.Do {
	case dewline.Acknowledge, dewline.Unshelve:
	case dewline.Shelve, dewline.Dismiss, dewline.Reopen:
		if strings.TrimSpace(act.Why) == "" {
			return invalid(op, "say why: the reason is kept with the alert")
		}
	default:
		return invalid("alert", "%q is nothing that can be done with an alert", act.Do)
	}
	if act.Do == dewline.Shelve {
		return checkSpan(op, now, dewline.Millis(act.Until), now)
	}
	if act.Until != 0 {
		return invalid(op, "until is for shelving only")
	}
	return nil
}

func checkSpan(op string, from, until, now dewline.Millis) error {
	switch {
	case until <= max(from, now):
		return invalid(op, "until must lie ahead: %s does not", until.Time().Format(time.RFC3339))
	case until.Sub(from) > longestHold:
		return invalid(op, "nothing is held back for more than a year")
	}
	return nil
}

func (d *Desk) act(tx dewline.DeskTx, id string, act dewline.AlertAct) error {
	now := d.Now()
	why := string(act.Do)
	if act.Do == dewline.Shelve {
		why += " until " + act.Until.Time().Format("2006-01-02 15:04 UTC")
	}
	if act.Why != "" {
		why += ": " + act.Why
	}
	if act.Do == dewline.Unshelve {
		if h, err := shelf(tx, id); err != nil || now >= dewline.Millis(h.Until) {
			return errors.Join(err, clash(id, "it is not shelved"))
		}
	}
	a, err := Step(tx, id, Move(act.Do), dewline.Change{By: act.By, At: now, Why: why})
	if err != nil {
		return err
	}
	switch act.Do {
	case dewline.Shelve:
		return tx.PutHold(dewline.Hold{ID: shelfID(id), Kind: dewline.HoldShelved, Site: a.Site, System: a.System, Alert: id,
			From: dewline.Stamp(now), Until: act.Until, By: act.By, Why: act.Why})
	case dewline.Unshelve:
		h, err := shelf(tx, id)
		if err != nil {
			return err
		}
		h.Until = dewline.Stamp(now)
		return tx.PutHold(h)
	}
	return nil
}

func clash(id, text string) error {
	return &dewline.Error{Code: dewline.Clash, Op: "alert " + id, Err: errors.New(text + ": look at it again")}
}

func shelfID(alert string) string { return "shelf-" + alert }

// shelf returns the hold of a shelved alert, which may be over, and a zero one where it never was.
func shelf(tx dewline.DeskTx, alert string) (dewline.Hold, error) {
	h, err := tx.Hold(shelfID(alert))
	if dewline.CodeOf(err) == dewline.NotFound {
		return dewline.Hold{}, nil
	}
	return h, err
}

// Case implements dewline.AlertDesk.
func (d *Desk) Case(ctx context.Context, id string) (c dewline.AlertCase, err error) {
	err = d.Store.LookAtDesk(ctx, "look at alert "+id, func(tx dewline.DeskTx) error {
		c, err = d.caseOf(tx, id)
		return err
	})
	return c, err
}

func (d *Desk) caseOf(tx dewline.DeskTx, id string) (c dewline.AlertCase, err error) {
	if c.Alert, err = tx.Alert(id); err != nil {
		return c, err
	}
	if c.History, err = tx.AlertHistory(id); err != nil {
		return c, err
	}
	if c.Calls, err = tx.CallsOfAlert(id); err != nil {
		return c, err
	}
	if c.Holds, err = d.held(tx, c.Alert); err != nil {
		return c, err
	}
	c.Ranking = d.Ranking(c.Alert)
	c.May = may(c.Alert, slices.ContainsFunc(c.Holds, func(h dewline.Hold) bool { return h.Kind == dewline.HoldShelved }))
	return c, nil
}

// Ranking returns the rank of an alert among what is enrolled.
func (d *Desk) Ranking(a dewline.Alert) dewline.Ranking {
	s, _ := d.Fleet().System(a.System)
	return Rank(a, s)
}

// Held implements dewline.AlertDesk.
func (d *Desk) Held(ctx context.Context, a dewline.Alert) (holds []dewline.Hold, err error) {
	err = d.Store.LookAtDesk(ctx, "look at holds", func(tx dewline.DeskTx) error {
		holds, err = d.held(tx, a)
		return err
	})
	return holds, err
}

func (d *Desk) held(tx dewline.DeskTx, a dewline.Alert) ([]dewline.Hold, error) {
	now := d.Now()
	holds, err := tx.Holds(a.Site, now)
	if err != nil {
		return nil, err
	}
	siblings, err := tx.OpenAlerts(a.Site)
	if err != nil {
		return nil, err
	}
	return dewline.HoldsOn(a, append(holds, silentSite(siblings, now)...), now), nil
}

// Hold implements dewline.AlertDesk.
func (d *Desk) Hold(ctx context.Context, h dewline.Hold) (dewline.Hold, error) {
	const op = "hold back notices"
	if err := dewline.CheckPerson(h.By); err != nil {
		return h, err
	}
	site, known := d.Fleet().Site(h.Site)
	_, system := d.Fleet().System(h.System)
	switch {
	case !slices.Contains(dewline.HoldKinds(), h.Kind):
		return h, invalid(op, "kind %q: it is one of %v", h.Kind, dewline.HoldKinds())
	case !known:
		return h, &dewline.Error{Code: dewline.NotFound, Op: op, Err: fmt.Errorf("%q is no site", h.Site)}
	case h.System != "" && (!system || h.System.Site() != site.ID):
		return h, &dewline.Error{Code: dewline.NotFound, Op: op, Err: fmt.Errorf("%q is no system of %s", h.System, h.Site)}
	case h.Alert != "":
		return h, invalid(op, "one alert is shelved, not held")
	case strings.TrimSpace(h.Why) == "":
		return h, invalid(op, "say why: each notice that is not sent must be explained")
	}
	h.EndedBy, h.EndedWhy = "", ""
	if h.From == 0 {
		h.From = dewline.Stamp(d.Now())
	}
	if err := checkSpan(op, dewline.Millis(h.From), dewline.Millis(h.Until), d.Now()); err != nil {
		return h, err
	}
	asked := fmt.Sprintf("%s\n%s\n%s\n%d\n%d", h.Kind, h.Site, h.System, h.From, h.Until)
	var held dewline.Hold
	err := d.Store.Desk(ctx, op, func(tx dewline.DeskTx) error {
		held = h
		for again := ""; ; again += "\nagain" {
			sum := sha256.Sum256([]byte(asked + again))
			held.ID = hex.EncodeToString(sum[:8])
			kept, err := tx.Hold(held.ID)
			switch {
			case dewline.CodeOf(err) == dewline.NotFound:
				return tx.PutHold(held)
			case err != nil:
				return err
			case kept.EndedBy == "":
				held = kept // it stands already
				return nil
			} // else somebody ended it before its time, which stays on record
		}
	})
	return held, err
}

// EndHold implements dewline.AlertDesk.
func (d *Desk) EndHold(ctx context.Context, id string, c dewline.Change) (h dewline.Hold, err error) {
	if err := dewline.CheckPerson(c.By); err != nil {
		return h, err
	}
	err = d.Store.Desk(ctx, "end hold "+id, func(tx dewline.DeskTx) (err error) {
		if h, err = tx.Hold(id); err != nil {
			return err
		}
		if h.Kind == dewline.HoldShelved {
			return invalid("end hold", "an alert is unshelved at the alert, where its history says so")
		}
		if now := dewline.Stamp(d.Now()); h.Until > now {
			h.From, h.Until, h.EndedBy, h.EndedWhy = min(h.From, now), now, c.By, c.Why
			return tx.PutHold(h)
		}
		return nil
	})
	return h, err
}

// EndedHolds implements dewline.AlertDesk.
func (d *Desk) EndedHolds(ctx context.Context, site string, since dewline.Millis) (holds []dewline.Hold, err error) {
	err = d.Store.LookAtDesk(ctx, "look at holds that have ended", func(tx dewline.DeskTx) error {
		holds, err = tx.Holds(site, since)
		return err
	})
	holds = slices.DeleteFunc(holds, func(h dewline.Hold) bool { return dewline.Millis(h.Until) > d.Now() })
	slices.SortStableFunc(holds, func(a, b dewline.Hold) int { return cmp.Compare(b.Until, a.Until) })
	return holds, err
}

// HoldsIn implements dewline.AlertDesk.
func (d *Desk) HoldsIn(ctx context.Context, site string) (holds []dewline.Hold, err error) {
	err = d.Store.LookAtDesk(ctx, "look at holds", func(tx dewline.DeskTx) error {
		holds, err = tx.Holds(site, d.Now())
		return err
	})
	return holds, err
}
