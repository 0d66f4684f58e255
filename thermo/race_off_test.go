//go:build !race

package thermo

const raced = false
