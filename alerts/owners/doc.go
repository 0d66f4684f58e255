// Package owners tells an owner what a month was for their machines: how each stands, what changed,
// what was done and whether readings prove it, how long the machines ran, what energy they took and
// what faults cost of it, and what moved of refrigerant. The page and the monthly report both show what
// a [Desk] puts together, so they say the same.
//
// Running is counted minute by minute from the readings, by the limits that analytics uses. Energy is
// what a power meter read, or else what the maker's compressor map gives for the running pressures; a
// machine with neither has none. What a fault costs is an interval between published figures for
// that fault, see [Published]; without energy or without published figures it is not known.
//
// It changes nothing, has no clock and no properties, and judges no machine: that is settled in alerts
// and verdicts. Words are for people without gauges; an owner is only ever told what to agree with the
// service company. Quantities stay in SI for whoever draws them.
package owners
