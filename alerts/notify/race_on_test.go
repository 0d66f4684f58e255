//go:build race

package notify

import "time"

// stormLimit: the race detector makes storing tens of times slower.
const stormLimit = 5 * time.Minute
