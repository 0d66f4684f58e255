//go:build unix

package dashboards_test

import (
	"syscall"
	"time"
)

// processorTime returns how long this process has kept processors busy.
func processorTime() time.Duration {
	var used syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &used); err != nil {
		panic(err) // of a constant argument
	}
	return time.Duration(used.Utime.Nano() + used.Stime.Nano())
}
