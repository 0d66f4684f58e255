package analytics

import "time"

// Options are the settings of an Engine. All times are event time.
type Options struct {
	// Lateness is how much older than a system's newest reading another one may come and still be
	// analysed.
	Lateness time.Duration
	// SilentAfter and SilentIntervals: a system is silent when nothing came for the longer of
	// SilentAfter and SilentIntervals sampling intervals.
	SilentAfter     time.Duration
	SilentIntervals int
}

// DefaultOptions returns the contract's defaults.
func DefaultOptions() Options {
	return Options{Lateness: 15 * time.Minute, SilentAfter: 30 * time.Minute, SilentIntervals: 5}
}
