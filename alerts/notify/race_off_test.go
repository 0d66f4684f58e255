//go:build !race

package notify

import "time"

// stormLimit is within how long the alerts of a storm must be stored.
const stormLimit = 10 * time.Second
