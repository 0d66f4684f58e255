//go:build !unix

package main

import "time"

var processStart = time.Now()

// processorSeconds is the time since the start, where the system does not say how much was used.
func processorSeconds() float64 { return time.Since(processStart).Seconds() }
