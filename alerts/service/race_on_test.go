//go:build race

package service

// sequences are fewer where each step costs ten times as much.
const sequences = 5_000
