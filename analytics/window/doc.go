// Package window orders the readings of one system by event time.
//
// Readings may come late and out of order within a stated allowance. A Buffer holds them until the
// newest reading is older than theirs by the allowance, then hands them on in order: by time, then
// by point. Whatever order they came in, what leaves the buffer is the same. It knows no clock.
package window
