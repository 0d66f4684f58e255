// Package recording reads and writes recorded readings: newline-delimited JSON, one SenML pack a line
// with absolute times and the base name <site>/<system>/, plain or compressed.
//
// A [Reader] takes any number of files and folders and gives everything that is in them in one order:
// by time, then system, then point. How the readings are spread over files and lines, and in which
// order the files are named, changes nothing. A recording may be much larger than memory: Open sorts
// it in runs of a bounded size, keeps those that do not fit in a temporary file, and Next merges them.
//
// The same reading again is given once. Of different values for one point and time the smallest
// stands: when a message arrives the first one does, but which of two files comes first must not
// matter here.
//
// A line or record that cannot be used is refused with its place, as a message from a gateway is, and
// the rest goes on; a file that cannot be read to its end is an error. The package deliberately knows
// no clock and no store, and it does not hold replayed readings to the age that a store takes.
package recording
