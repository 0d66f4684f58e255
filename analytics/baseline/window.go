package baseline

import (
	"dewline"
	"dewline/analytics/diagnose"
)

// Window is the mean of a stretch of steady running.
type Window struct {
	From, To dewline.Millis
	Minutes  float32 // of steady running in it
	Y        [diagnose.NumSymptoms]float32
	Has      [diagnose.NumSymptoms]bool

	Outdoor, Inside, WetBulb, Speed             float32 // Cel, and the speed over rated
	HasOutdoor, HasInside, HasWetBulb, HasSpeed bool
	Target, TargetSD                            float32 // K, of superheat where it follows the published table; see Prior.Prepare
	Suction, High                               float32 // Pa, absolute
	Short                                       bool    // the machine had not run long
}

// Day returns the UTC day of the window, counted from 1970.
func (w *Window) Day() int32 { return int32(int64(w.From) / 86_400_000) }
