// Package alerts makes alerts, which people deal with, out of findings, which analytics makes of
// readings, and is where people deal with them.
//
// What an alert says (conditions, severity, onset, detected, cleared, causes) depends on the event times
// in the findings and on what is enrolled alone; the same findings make the same alerts, to the byte. A
// [Book] makes them. Where an alert stands is decided by people through a [Desk]; the store joins the
// two in one transaction (see dewline.Alert.WithEvidence), so that neither takes the other back. What
// may follow what is one table in life.go. [Rank] says how soon somebody has to act, and why.
//
// A hold keeps notices back and changes no alert; the Desk can always tell which holds do.
//
// The package reads no clock: people's deadlines use one that is passed in. It sends nothing, knows
// nothing of refrigerants, and leaves service calls to package service.
package alerts
