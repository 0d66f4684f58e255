// Package service carries a service call from the alerts that it is made of, over the visit, to the
// proof that the repair holds.
//
// The Desk keeps nothing itself: each act is one transaction of the store, in which calls, visits,
// alerts and events of machines change together or not at all. What is decided is in pure functions:
// what to bring and which skills it takes (Prepare), what a cause asks a visit to record (Lacks),
// whether readings prove a repair (Judge), and what became of predictions (Summarise).
//
// It reads no clock and computes nothing of refrigerants: time comes from who makes the Desk, the
// numbers of a proof from a dewline.Prover. It sends nothing to anyone, and keeps no ledger of
// refrigerant: that follows from the weighings of closed visits.
package service
