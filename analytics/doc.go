// Package analytics turns readings into findings: what is wrong with which machine, since when.
//
// The Engine takes samples of any systems in batches of any split. Each system has a watermark in
// its own event time: readings may come out of order within an allowance, are put in order, and
// are then evaluated once. What the engine says depends on the times and values of readings alone,
// never on a clock or on arrival, so a replay says the same.
//
// The engine keeps a bounded state per system, which Checkpoint writes and Resume takes back; readings
// newer than the saved state are then offered again from the store.
//
// It deliberately does no I/O, starts no goroutine, and decides nothing about people: alerts are
// made from its findings elsewhere.
package analytics
