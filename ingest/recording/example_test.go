package recording_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"

	"dewline"
	"dewline/ingest/recording"
)

func Example() {
	dir, err := os.MkdirTemp("", "recording")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)

	for name, at := range map[string]dewline.Millis{"june.ndjson.zst": 1940000000_000, "may.ndjson.gz": 1938000000_000} {
		w, err := recording.Create(filepath.Join(dir, name))
		if err != nil {
			fmt.Println(err)
			return
		}
		_ = w.Write([]dewline.Sample{{System: "mole/cooler", Point: dewline.SpaceTemp, At: at, Value: 3.5}}, nil)
		_ = w.Close()
	}

	r, err := recording.Open(context.Background(), recording.Options{}, dir)
	if err != nil {
		fmt.Println(err)
		return
	}
	defer r.Close()
	var batch recording.Batch
	for r.Next(&batch) == nil {
		for _, s := range batch.Samples {
			fmt.Println(s.At.Time(), s.System, s.Point, s.Value, s.Point.Unit())
		}
	}
	// Output:
	// 2031-05-31 13:20:00 +0000 UTC mole/cooler space_temp 3.5 Cel
	// 2031-06-23 16:53:20 +0000 UTC mole/cooler space_temp 3.5 Cel
}
