// Package alerts makes alerts, which people deal with, out of findings, which analytics makes of
// readings.
//
// What an alert says (conditions, onset, detected, cleared, causes) depends on the event times in
// the findings alone; the same findings make the same alerts, to the byte. What people do with an
// alert is kept apart from that and never changes it.
//
// The package reads no clock and knows nothing of refrigerants.
package alerts
