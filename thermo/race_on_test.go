//go:build race

package thermo

// raced says that the race detector is at work. It makes numbers ten times slower and finds nothing
// in them, so the long tests then take a part of their points.
const raced = true
