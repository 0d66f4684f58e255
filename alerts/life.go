package alerts

import (
	"fmt"
	"slices"

	"dewline"
)

// Move is a step in the life of an alert that somebody takes: a person by an act of [dewline.AlertDo],
// or a service call. That a condition is over is no move: readings say so, in any state.
type Move string

// The moves.
const (
	MoveAcknowledge = Move(dewline.Acknowledge)
	MoveShelve      = Move(dewline.Shelve)
	MoveUnshelve    = Move(dewline.Unshelve)
	MoveDismiss     = Move(dewline.Dismiss)
	MoveReopen      = Move(dewline.Reopen)
	MoveDispatch    = Move("dispatch")     // a service call is made of it
	MoveWithdraw    = Move("withdraw")     // that call is cancelled
	MoveProve       = Move("prove")        // the work is finished
	MoveFail        = Move("not verified") // the readings do not prove it: the dispatcher's again
)

const (
	open         = dewline.AlertOpen
	acknowledged = dewline.AlertAcknowledged
	dispatched   = dewline.AlertDispatched
	verifying    = dewline.AlertVerifying
	resolved     = dewline.AlertResolved
	dismissed    = dewline.AlertDismissed
)

// moves is the life of an alert: from where each move leads where. What is not in the table is not
// allowed. The states are those of the contract; acknowledging and shelving mean what ANSI/ISA-18.2
// means by them (from memory). A call that is under way has to be cancelled or finished before its
// alert can be dismissed, or somebody drives for nothing.
var moves = map[Move]map[dewline.AlertState]dewline.AlertState{
	MoveAcknowledge: {open: acknowledged},
	MoveShelve:      {open: open, acknowledged: acknowledged, dispatched: dispatched, verifying: verifying},
	MoveUnshelve:    {open: open, acknowledged: acknowledged, dispatched: dispatched, verifying: verifying},
	MoveDismiss:     {open: dismissed, acknowledged: dismissed},
	MoveReopen:      {acknowledged: open, dismissed: open},
	MoveDispatch:    {open: dispatched, acknowledged: dispatched},
	MoveWithdraw:    {dispatched: acknowledged},
	MoveProve:       {dispatched: verifying},
	MoveFail:        {verifying: open},
}

// After returns the state to which a move leads, or an error with code Clash.
func After(a dewline.Alert, m Move) (dewline.AlertState, error) {
	from, known := moves[m]
	if !known {
		return "", &dewline.Error{Code: dewline.Invalid, Op: "alert " + a.ID, Err: fmt.Errorf("%q is nothing that can be done with an alert", m)}
	}
	if to, ok := from[a.State]; ok && a.Cleared == 0 {
		return to, nil
	}
	return "", &dewline.Error{Code: dewline.Clash, Op: "alert " + a.ID, Err: fmt.Errorf("it is %s, so %q is not possible: look at it again", a.State, m)}
}

// may returns what people may do with an alert.
func may(a dewline.Alert, shelved bool) []dewline.AlertDo {
	var list []dewline.AlertDo
	for _, do := range []dewline.AlertDo{dewline.Acknowledge, dewline.Shelve, dewline.Unshelve, dewline.Dismiss, dewline.Reopen} {
		if _, err := After(a, Move(do)); err == nil && (do != dewline.Unshelve || shelved) {
			list = append(list, do)
		}
	}
	return list
}

// Step moves a stored alert on, in a transaction of the store: the one place where somebody's state
// becomes the alert's.
func Step(tx dewline.DeskTx, id string, m Move, c dewline.Change) (dewline.Alert, error) {
	a, err := tx.Alert(id)
	if err != nil {
		return a, err
	}
	if a.State, err = After(a, m); err != nil {
		return a, err
	}
	return a, tx.PutAlert(dewline.AlertChange{Change: c, Alert: a})
}

// silentSite returns the hold that an open alert about a whole site amounts to: what its machines did
// when nothing came is not known, and one notice about the site is enough. The alert lasts until readings
// have come for a good hour again, so what machines do as they start together is held as well.
func silentSite(open []dewline.Alert, now dewline.Millis) []dewline.Hold {
	var holds []dewline.Hold
	for _, a := range open {
		if a.System != "" || !slices.Contains(a.Conditions, dewline.Silent) || a.State == dismissed {
			continue
		}
		h := dewline.Hold{
			ID: "silent-" + a.ID, Kind: dewline.HoldSilentSite, Site: a.Site, From: dewline.Stamp(min(a.Onset, now)), Until: dewline.Stamp(now.Add(lookAgain)), By: dewline.ByDewline,
		}
		since := a.Onset.Time().Format("2006-01-02 15:04 UTC")
		if len(a.Causes) > 0 && a.Causes[0].Detail == dewline.PowerCut {
			h.Kind, h.Why = dewline.HoldPowerCut, fmt.Sprintf("the site was silent from %s on and its machines have started together, as after a power cut: alert %s stands for all", since, a.ID)
		} else {
			h.Why = fmt.Sprintf("nothing came from the site from %s on, for want of power or of a connection: alert %s stands for all", since, a.ID)
		}
		holds = append(holds, h)
	}
	return holds
}
