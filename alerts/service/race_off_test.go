//go:build !race

package service

const sequences = 100_000
