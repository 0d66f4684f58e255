//go:build race

package dashboards_test

// slower is how many times as long the race detector may make things take.
const slower = 15
