package dewline_test

import (
	"bytes"
	"errors"
	"os"
	"reflect"
	"strings"
	"testing"
	"time"

	"dewline"
)

// FuzzReadFleet holds that any file is either refused, with problems that each fit a line and point
// into the file, or is a fleet that is written and read back without change, all in bounded time.
func FuzzReadFleet(f *testing.F) {
	sample, err := os.ReadFile("testdata/fleet/harbour.yaml")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(sample)
	f.Add([]byte(example))
	f.Add([]byte(small("tags: ['yes', \"2019-05-02\", '12', \"\\u00e9: b\", '#x', '- ']", "<<: {machine: '0x1F', charge: 1e-2 kg}")))
	f.Add([]byte(strings.Replace(small("", ""), "owners: [{id: o}]\n", "", 1)))
	f.Add([]byte("sites: &s\n- &t {<<: *s, id: a}\n- *t"))
	f.Add([]byte("a: |\n  b\n--- !x\nsites: []"))

	f.Fuzz(func(t *testing.T, data []byte) {
		start := time.Now()
		fleet, err := dewline.ReadFleet("f", data, facts{})
		if took := time.Since(start); took > 10*time.Second {
			t.Fatalf("%d bytes took %v", len(data), took)
		}
		if err != nil {
			checkProblems(t, data, err)
			return
		}
		text, err := fleet.Marshal()
		if err != nil {
			t.Fatal(err)
		}
		again, err := dewline.ReadFleet("f", text, facts{})
		if err != nil {
			t.Fatalf("what was written is refused: %v\n%s", err, text)
		}
		if !reflect.DeepEqual(fleet, again) {
			t.Fatalf("what was read back differs:\n%s", text)
		}
		if second, _ := again.Marshal(); !bytes.Equal(text, second) {
			t.Fatalf("written twice, first\n%s\nthen\n%s", text, second)
		}
	})
}

func checkProblems(t *testing.T, data []byte, err error) {
	all, ok := errors.AsType[dewline.FleetErrors](err)
	if !ok || len(all) == 0 {
		t.Fatalf("error %v is no FleetErrors", err)
	}
	last := 1 + strings.Count(string(data), "\n")
	for _, e := range all {
		if e.Line < 1 || e.Line > last || e.Key == "" || e.Problem == "" || strings.ContainsAny(e.Error(), "\r\n") {
			t.Fatalf("problem %q in a file of %d lines", e, last)
		}
	}
}
