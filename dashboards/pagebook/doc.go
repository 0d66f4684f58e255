// Package pagebook is an invented harbour town to look at pages with: one machine in each health,
// some that are odd, and on request twenty thousand of them or none. Tests and screenshots use it
// in place of the store, the engine and the alerts.
//
// Its readings are computed from the time asked for, so that it needs no storage and gives the same
// answer each time. It is no model of a machine: for one that obeys physics see thermo/plant.
package pagebook
