//go:build !unix

package dashboards_test

import "time"

var begun = time.Now()

// processorTime is the wall clock where the system's own count is not to be had.
func processorTime() time.Duration { return time.Since(begun) }
