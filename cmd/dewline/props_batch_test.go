package main

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// batch answers input and returns the rows below the header.
func batch(t testing.TB, input string) [][]string {
	t.Helper()
	var out bytes.Buffer
	if err := propsBatch(t.Context(), strings.NewReader(input), &out, io.Discard); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&out).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(rows[0], ","); got != contractHeader {
		t.Fatalf("header %s", got)
	}
	return rows[1:]
}

// contractHeader is written out once more: other programs rely on it to the letter.
const contractHeader = "refrigerant,pressure_pa,temp_k,bubble_k,dew_k,phase,rho_kg_m3,h_j_kg,s_j_kgk,bubble_rho_kg_m3,dew_rho_kg_m3,bubble_h_j_kg,dew_h_j_kg,bubble_s_j_kgk,dew_s_j_kgk,error"

func number(t testing.TB, cell string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(cell, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// TestBatchReferenceValues compares with values of CoolProp 8.0.1dev (git ea27c6394887, HEOS), an
// independent implementation of the same published equations.
func TestBatchReferenceValues(t *testing.T) {
	tests := []struct {
		refrigerant string
		pressure    float64 // Pa
		temp        float64 // K, the saturation temperature where the state is saturated
		state       string
		rho, h, s   float64
	}{
		{"R-32", 950470, 278.116649, "bubble", 1037.86601, 208741.564, 1031.23842},
		{"R-32", 950470, 278.116649, "dew", 25.8638184, 516101.196, 2136.38489},
		{"R-32", 950470, 288.116649, "superheat", 24.1932929, 528409.212, 2179.87641},
		{"R-32", 1400100, 286.290491, "subcool", 1008.8738, 223416.785, 1081.6844},
		{"R-410A", 933790, 278.064963, "bubble", 1149.94739, 207532.376, 1026.91386},
		{"R-410A", 933790, 278.172302, "dew", 35.8881063, 422734.849, 1800.70197},
		{"R-410A", 933790, 288.172302, "superheat", 33.4638045, 433929.246, 1840.24952},
		{"R-410A", 1373350, 286.250073, "subcool", 1116.10996, 220342.563, 1070.94007},
		{"R-407C", 657653, 277.746134, "bubble", 1219.27008, 206558.854, 1023.54627},
		{"R-407C", 657653, 283.758237, "dew", 27.990262, 414404.675, 1763.99592},
		{"R-407C", 657653, 293.758237, "superheat", 26.4071156, 424386.684, 1798.57235},
		{"R-407C", 973370, 285.882647, "subcool", 1188.84036, 218370.666, 1064.53017},
		{"R-448A", 719847, 277.735375, "bubble", 1179.96921, 206565.053, 1023.53989},
		{"R-448A", 719847, 283.654617, "dew", 30.9774458, 406426.856, 1736.16747},
		{"R-448A", 719847, 293.654617, "superheat", 29.1857707, 416565.289, 1771.29804},
		{"R-448A", 1058280, 285.870825, "subcool", 1149.49678, 218427.522, 1064.60441},
		{"R-744", 2206030, 256.882976, "bubble", 1014.10231, 162556.402, 863.715217},
		{"R-744", 2206030, 256.882976, "dew", 58.314771, 436476.959, 1930.03951},
		{"R-744", 2206030, 266.882976, "superheat", 53.7395909, 449287.55, 1978.9801},
		{"R-744", 2980210, 262.357776, "subcool", 989.37039, 174543.488, 906.910322},
	}
	for _, tt := range tests {
		temp := strconv.FormatFloat(tt.temp, 'g', -1, 64)
		rho, h, s := colRho, colH, colS
		rhoTolerance := 2e-6 // relative
		if tt.state == "bubble" || tt.state == "dew" {
			temp, rhoTolerance = "", 1e-4
		}
		row := batch(t, fmt.Sprintf("refrigerant,pressure_pa,temp_k\n%s,%v,%s\n", tt.refrigerant, tt.pressure, temp))[0]
		switch tt.state {
		case "bubble":
			rho, h, s = colBubbleRho, colBubbleH, colBubbleS
		case "dew":
			rho, h, s = colDewRho, colDewH, colDewS
		}
		if temp == "" {
			saturated := number(t, row[map[string]int{"bubble": colBubble, "dew": colDew}[tt.state]])
			if math.Abs(saturated-tt.temp) > 2e-3 {
				t.Errorf("%s %s at %v Pa: %v K, want %v", tt.refrigerant, tt.state, tt.pressure, saturated, tt.temp)
			}
		}
		if got := number(t, row[rho]); math.Abs(got/tt.rho-1) > rhoTolerance {
			t.Errorf("%s %s at %v Pa: density %v, want %v", tt.refrigerant, tt.state, tt.pressure, got, tt.rho)
		}
		if got := number(t, row[h]); math.Abs(got-tt.h) > 15 {
			t.Errorf("%s %s at %v Pa: enthalpy %v, want %v", tt.refrigerant, tt.state, tt.pressure, got, tt.h)
		}
		if got := number(t, row[s]); math.Abs(got-tt.s) > 0.05 {
			t.Errorf("%s %s at %v Pa: entropy %v, want %v", tt.refrigerant, tt.state, tt.pressure, got, tt.s)
		}
	}
}

func TestBatchPhases(t *testing.T) {
	tests := []struct{ row, phase string }{
		{"R-22,1e6,280", "liquid"},
		{"R-22,1e6,310", "vapour"},
		{"R-407C,1e6,295", "two_phase"},
		{"R-744,9e6,320", "supercritical"},
		{"R-22,1e6,", "saturated"},
		{"R-22,1e6", "saturated"},
	}
	for _, tt := range tests {
		got := batch(t, "refrigerant,pressure_pa,temp_k\n"+tt.row+"\n")[0]
		if got[colPhase] != tt.phase || got[colError] != "" {
			t.Errorf("%s: %q", tt.row, got)
		}
		if saturated := tt.phase == "saturated"; saturated != (got[colRho] == "") || saturated != (got[colH] == "") || saturated != (got[colS] == "") {
			t.Errorf("%s: rho, h and s belong to a state with a temperature: %q", tt.row, got)
		}
		if above := tt.phase == "supercritical"; above != (got[colBubble] == "") || above != (got[colDewS] == "") {
			t.Errorf("%s: saturated cells where saturation exists and nowhere else: %q", tt.row, got)
		}
	}
}

func TestBatchReadsWhatIsCSV(t *testing.T) {
	want := batch(t, "refrigerant,pressure_pa,temp_k\nR-32,1000000,300\n")[0]
	for name, input := range map[string]string{
		"other order":       "temp_k,refrigerant,pressure_pa\n300,R-32,1000000\n",
		"CRLF":              "refrigerant,pressure_pa,temp_k\r\nR-32,1000000,300\r\n",
		"quoted":            "\"refrigerant\",\"pressure_pa\",\"temp_k\"\n\"R-32\",\"1000000\",\"300\"\n",
		"byte order mark":   "\ufeffrefrigerant,pressure_pa,temp_k\nR-32,1000000,300\n",
		"no newline at end": "refrigerant,pressure_pa,temp_k\nR-32,1000000,300",
		"further columns":   "id,refrigerant,pressure_pa,temp_k\n\"a, \"\"b\"\"\",R-32,1000000,300\n",
		"spaces":            "refrigerant, pressure_pa, TEMP_K\nR-32,1000000,300\n",
	} {
		got := batch(t, input)
		if len(got) != 1 || strings.Join(got[0], "|") != strings.Join(want, "|") {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
}

// TestBatchErrorsStandInTheirRow has a bad row between good ones for every way to be bad.
func TestBatchErrorsStandInTheirRow(t *testing.T) {
	bad := map[string]string{
		"R-410,1e6,300":        "R-410A",
		"R-32,,300":            "pressure_pa",
		"R-32,1 MPa,300":       "pressure_pa",
		"R-32,NaN,300":         "pressure_pa",
		"R-32,1e6,warm":        "temp_k",
		"R-32,1e6,1e400":       "temp_k",
		"R-32,9e6,":            "transcritical",
		"R-32,-5,300":          "pressure",
		"R-32,1e6,-300":        "temperature",
		"R-32,1e6,300,5":       "4 cells",
		"R-\"32,1e6,300":       "line",
		"\"R-9\n9\",1e6,300":   "unknown refrigerant",
		"R-32,1e6,279.7739820": "", // within a microkelvin of the line is still one side of it
	}
	for row, want := range bad {
		got := batch(t, "refrigerant,pressure_pa,temp_k\nR-22,1e6,300\n"+row+"\nR-22,1e6,\n")
		if len(got) != 3 || got[0][colPhase] != "vapour" && got[0][colPhase] != "liquid" || got[2][colPhase] != "saturated" {
			t.Errorf("%q: the rows beside it: %q", row, got)
			continue
		}
		if !strings.Contains(got[1][colError], want) || (want == "") != (got[1][colError] == "") {
			t.Errorf("%q: error %q, want one about %q", row, got[1][colError], want)
		}
		if want != "" && (got[1][colPhase] != "" || got[1][colRho] != "") {
			t.Errorf("%q: an error and a state: %q", row, got[1])
		}
	}
	// What does exist is given even so.
	if got := batch(t, "refrigerant,pressure_pa,temp_k\nR-32,1e6,-300\n")[0]; got[colBubble] == "" || got[colDewH] == "" {
		t.Errorf("no saturated state beside the error: %q", got)
	}
}

func TestBatchRefusesAHeader(t *testing.T) {
	for input, want := range map[string]string{
		"":                                      "no input",
		"R-32,1e6,300\n":                        "header",
		"refrigerant,temp_k\nR-32,300\n":        "header",
		"refrigerant,pressure_pa,temp_c\n":      "temp_c",
		"refrigerant,pressure_psi,temp_k\n":     "pressure_psi",
		"refrigerant,pressure_pa,refrigerant\n": "twice",
		"\"refrigerant\n":                       "header",
	} {
		err := propsBatch(t.Context(), strings.NewReader(input), io.Discard, io.Discard)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want an error about %q", input, err, want)
		}
	}
}

// TestBatchKeepsOrder sends rows that take very different times.
func TestBatchKeepsOrder(t *testing.T) {
	var input strings.Builder
	input.WriteString("refrigerant,pressure_pa,temp_k\n")
	names := []string{"R-32", "R-448A", "nothing", "R-407C"}
	const n = 3000
	for i := range n {
		fmt.Fprintf(&input, "%s,%d,\n", names[i%len(names)], 500_000+i)
	}
	rows := batch(t, input.String())
	if len(rows) != n {
		t.Fatalf("%d rows of %d", len(rows), n)
	}
	for i, row := range rows {
		if row[colRefrigerant] != names[i%len(names)] || row[colPressure] != strconv.Itoa(500_000+i) {
			t.Fatalf("row %d: %q", i, row)
		}
	}
}

// TestBatchAnswersRowByRow is a program that waits for each answer before it asks again.
func TestBatchAnswersRowByRow(t *testing.T) {
	in, ask := io.Pipe()
	answers, out := io.Pipe()
	done := make(chan error, 1)
	go func() { done <- propsBatch(t.Context(), in, out, io.Discard); out.Close() }()
	r := csv.NewReader(answers)
	fmt.Fprintln(ask, "refrigerant,pressure_pa")
	if _, err := r.Read(); err != nil {
		t.Fatal(err)
	}
	for i := range 3 {
		fmt.Fprintf(ask, "R-32,%d\n", 1_000_000+i)
		row, err := r.Read()
		if err != nil || row[colPressure] != strconv.Itoa(1_000_000+i) {
			t.Fatal(row, err)
		}
	}
	ask.Close()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}

// endless is an input without end that counts what was taken from it.
type endless struct {
	head, row string
	taken     atomic.Int64
}

func (e *endless) Read(p []byte) (int, error) {
	text := e.row
	if e.taken.Load() == 0 {
		text = e.head
	}
	n := copy(p, text)
	e.taken.Add(int64(n))
	return n, nil
}

// stuck is an output that takes the header and nothing more until it is broken.
type stuck struct {
	writes int
	broken chan struct{}
}

func (s *stuck) Write(p []byte) (int, error) {
	if s.writes++; s.writes == 1 {
		return len(p), nil
	}
	<-s.broken
	return 0, errors.New("broken")
}

// TestBatchIsBounded lets the reader of the answers stall: the input must not pile up in memory.
func TestBatchIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		in := &endless{head: "refrigerant,pressure_pa\n", row: strings.Repeat("R-32,1e6\n", 100)}
		out := &stuck{broken: make(chan struct{})}
		done := make(chan error)
		go func() { done <- propsBatch(t.Context(), in, out, io.Discard) }()
		time.Sleep(time.Hour) // until everything is blocked
		if got := in.taken.Load(); got > 1<<20 {
			t.Errorf("took %d bytes of the input while no answer was read", got)
		}
		close(out.broken)
		if err := <-done; err == nil {
			t.Error("no error of a broken output")
		}
	})
}

func TestBatchBoundsARow(t *testing.T) {
	in := &endless{head: "refrigerant,pressure_pa\n\"", row: strings.Repeat("a", 1000)}
	err := propsBatch(t.Context(), in, io.Discard, io.Discard)
	if !errors.Is(err, errLongRecord) {
		t.Errorf("a quote that is never closed: %v", err)
	}
	if got := in.taken.Load(); got > 2*maxRecord {
		t.Errorf("took %d bytes for one row", got)
	}
}

func BenchmarkBatch(b *testing.B) {
	names := []string{"R-32", "R-410A", "R-454B", "R-448A", "R-134a", "R-290", "R-404A", "R-407C"}
	var input strings.Builder
	input.WriteString("refrigerant,pressure_pa,temp_k\n")
	const rows = 2000
	for i := range rows {
		x := math.Mod(float64(i)*math.Phi, 1)
		fmt.Fprintf(&input, "%s,%.0f,%.2f\n", names[i%len(names)], 6e5+2.5e6*x, 250+100*math.Mod(7*x, 1))
	}
	for b.Loop() {
		if err := propsBatch(b.Context(), strings.NewReader(input.String()), io.Discard, io.Discard); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(rows)*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
}
