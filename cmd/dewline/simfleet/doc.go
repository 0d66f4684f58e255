// Package simfleet is an invented fleet: the machines of a small harbour town, made by package plant,
// with the sensors and gateways through which Dewline sees them, and with the truth about their faults.
//
// New builds the fleet from a seed. The fleet gives its fleet file (File), the readings as packs in the
// order of time (Packs), as many as wanted and then more, minute by minute, and the Truth that no
// monitoring could know. Equal options give equal bytes, however many processors work on them.
//
// The package reads no clock and writes no files: the commands simulate and demo do.
package simfleet
