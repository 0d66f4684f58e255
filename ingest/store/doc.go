// Package store keeps readings: the rules that every time-series store follows, whatever database
// lies below it.
//
// A database answers three questions (an Engine: what is the newest, what stands here, write this)
// and a Ledger turns it into dewline.Readings: the first value of a (system, point, time) stands,
// and each sample that is offered gets its exact outcome. Databases do not give that by
// themselves: one overwrites, another drops silently. The engines are in the packages embedded and
// influx; storetest holds the suite that both pass.
//
// How an outcome is found:
//   - A time newer than the newest known one of its series is surely new. This is nearly every
//     reading of a fleet, and costs one lookup in memory and no allocation.
//   - A time equal to the newest is judged by the value in memory.
//   - A time in the gap that the newest readings have jumped over (a backlog that follows the
//     first live reading after an outage) is new too.
//   - Only another older time (a message that came twice, a late one) asks the database what
//     stands there, once per series and stretch of time in a batch.
//
// The Ledger is the only writer of its database. A second process that writes the same systems
// would not be seen by it; the package influx says what happens then.
//
// The package deliberately keeps no events and no roll-ups: they can be replaced by late data, and
// belong to the relational store.
package store
