// Package dewline holds the words that the rest of the project speaks: sites and systems, points
// and samples, events and findings, alerts and visits, with the rules that make each of them valid
// and the interfaces through which the parts reach one another.
//
// A system is one refrigerant circuit with its sensors. A gateway sends readings of its points;
// each reading becomes a [Sample] that carries the event time its device gave it. What analytics
// makes of the samples is a finding; what a person has to deal with is an alert. The names, units
// and limits are those of the outer contract: what a gateway may send, what the fleet file may
// say, what the API answers.
//
// The package does no I/O and reads no clock: a time is always something that happened to a
// machine and comes in as a value. It knows no broker, no database, no page and no equation of
// state; facts about refrigerants come in through [RefrigerantFacts]. The folders ingest,
// analytics, alerts and dashboards import this package and not one another; the command in
// cmd/dewline joins them.
package dewline
