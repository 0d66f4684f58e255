// Package simfleet is an invented fleet: machines made by package plant, with the sensors and gateways
// through which Dewline sees them, and with the truth about their faults.
//
// New builds the fleet from a seed: the harbour town, whose story is always the same, or with
// Options.Systems a fleet that is drawn, of machines, climates, sensors, samplings and troubles of every kind, half of
// it healthy but awkward. The fleet gives its fleet file (File), the readings as packs in the
// order of time (Packs), as many as wanted and then more, minute by minute, and the Truth that no
// monitoring could know. Equal options give equal bytes, however many processors work on them.
//
// What is drawn is held to sense: a machine works as it should, when healthy, under the conditions that a
// survey of three of its days meets; a fixed orifice is charged there to the superheat that a technician
// would charge it to; and faults are as bad as they must be to do harm, or stay just short of it. When a
// fault can be seen and when it does harm is solved for on the machine itself.
//
// The package reads no clock and writes no files: the commands simulate and demo do.
package simfleet
