package main

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
)

// TestSignaturesAreThePlants: the table beside package diagnose is what the plant says today. Where a
// change of the plant moves it, write it anew with "dewline simulate signatures" and look at what moved.
func TestSignaturesAreThePlants(t *testing.T) {
	f, err := os.Open("../../analytics/diagnose/signatures.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	want, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	rows, err := signatureRows(t.Context(), signatureGroups())
	if err != nil {
		t.Fatal(err)
	}
	got := append([][]string{signatureHead()}, rows...)
	if len(got) != len(want) {
		t.Fatalf("%d rows, the file has %d", len(got), len(want))
	}
	for i := range got {
		for k := range got[i] {
			a, errA := strconv.ParseFloat(got[i][k], 64)
			b, errB := strconv.ParseFloat(want[i][k], 64)
			// Processors that fuse multiply and add round the last digit otherwise.
			if same := got[i][k] == want[i][k] || errA == nil && errB == nil && math.Abs(a-b) <= 0.011; !same {
				t.Fatalf("row %d, %s: %q, the file has %q", i+1, want[0][k], got[i][k], want[i][k])
			}
		}
	}
}

// TestEveryGroupIsVaried: at least eight machines, and a trip of one does not silence the rest.
func TestEveryGroupIsVaried(t *testing.T) {
	for _, g := range signatureGroups() {
		if len(g.specs) < 8 {
			t.Errorf("%s has %d machines", g.name, len(g.specs))
		}
		kinds := map[string]bool{}
		for _, s := range g.specs {
			kinds[s.Refrigerant] = true
		}
		if len(kinds) < 4 {
			t.Errorf("%s has %d refrigerants", g.name, len(kinds))
		}
	}
	one, tripped := shifts{{1, 1, 1, 1, math.NaN(), 1, 1}, {3, 1, 1, 1, 2, 1, 1}, {2, 1, 1, 1, 4, 1, 1}}, shifts(nil)
	row := signatureRow(signatureGroup{name: "valve"}, signatureFault{fault: "overcharge"}, 0.5, []shifts{one, tripped})
	if row == nil || row[4] != "1" || row[5] != "2.00" || row[9] != "3.00" || row[12] != "1.00" {
		t.Errorf("row %v: want one machine, superheat 2.00 ± 1.00, discharge excess 3.00", row)
	}
	if row := signatureRow(signatureGroup{}, signatureFault{}, 0.5, []shifts{one, tripped, tripped}); row != nil {
		t.Errorf("a level that most machines do not run with has a row: %v", row)
	}
}
