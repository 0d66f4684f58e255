package influx

import (
	"fmt"
	"testing"

	"dewline"
	"dewline/ingest/store"
	"dewline/ingest/store/storetest"
)

// BenchmarkLines is the work of this side for a batch of 1,000 readings, packs of ten.
func BenchmarkLines(b *testing.B) {
	writes := make([]store.Write, 1000)
	for i := range writes {
		writes[i].Sample = dewline.Sample{
			System: dewline.NewSystemID("quay-library", fmt.Sprintf("system-%d", i/10)),
			Point:  dewline.Point(1 + i%10),
			At:     dewline.MillisOf(storetest.Now),
			Value:  20 + float64(i)/10,
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		lines(writes)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(writes)), "ns/reading")
}
