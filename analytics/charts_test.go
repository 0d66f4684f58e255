package analytics

import (
	"math"
	"testing"
)

// TestChartsAreDesignedToTheirRunLengths: the limits are constants because a design takes tens of
// milliseconds; this holds them to what they were designed for.
func TestChartsAreDesignedToTheirRunLengths(t *testing.T) {
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"slow EWMA", slowEWMA.ARL(0), 3000},
		{"slow CUSUM", slowCUSUM.ARL(0), 3000},
		{"fast CUSUM", fastCUSUM.ARL(0), 20000},
	} {
		if math.Abs(c.got/c.want-1) > 0.005 {
			t.Errorf("%s: average run length %.0f, want %.0f", c.name, c.got, c.want)
		}
	}
}
