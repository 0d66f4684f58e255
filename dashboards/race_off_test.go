//go:build !race

package dashboards_test

const slower = 1
