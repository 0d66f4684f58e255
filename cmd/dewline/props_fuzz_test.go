package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"io"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// FuzzProps gives the command any texts as its arguments: it answers with a value or an error, and
// never with a panic or with something that is no number.
func FuzzProps(f *testing.F) {
	add := func(name, p, t, from, to, step, altitude, accuracy, units string, flags uint8) {
		f.Add(name, p, t, from, to, step, altitude, accuracy, units, flags)
	}
	add("R-410A", "118 psi", "55 degF", "", "", "", "1600 m", "20 kPa", "", 0)
	add("R-410A", "118 psi", "55 degF", "", "", "", "1600 m", "20 kPa", "us", 1)
	add("r 744", "1200 psia", "90 °F", "", "", "", "0 m", "1e300 Pa", "si", 7)
	add("R-454B", "", "", "-40 degC", "60 degC", "5 K", "-3 ft", "20 kPa", "", 3)
	add("R-404A", "", "", "0 psi", "300 psi", "", "11 km", "0 Pa", "US", 0)
	add("R-22", "", "", "", "1e308 Pa", "1e-300 Pa", "0 m", "0 Pa", "", 1)
	add("R-14", "-14.7 psi", "-273.15 degC", "", "", "", "0 m", "-1 Pa", "", 2)
	add("R-1234ze(Z)", "", "", "1e300 K", "", "1e299 degF", "0 m", "1 kPa", "", 1)
	add("410", "1e999 psi", "nan", "inf", "0x1p4 K", "-0 K", "1e-320 m", "", "xx", 255)
	f.Fuzz(func(t *testing.T, name, p, temp, from, to, step, altitude, accuracy, units string, flags uint8) {
		args := []string{"props", "--altitude=" + altitude, "--low-side-accuracy=" + accuracy, "--high-side-accuracy=" + accuracy,
			"--units=" + units, "--from=" + from, "--to=" + to, "--step=" + step}
		for i, flag := range []string{"--json", "--absolute", "--sources"} {
			if flags>>i&1 != 0 {
				args = append(args, flag)
			}
		}
		for i, place := range []string{"--suction", "--liquid", "--discharge"} {
			if flags>>(3+i)&1 == 0 {
				args = append(args, place+"="+p, place+"-temp="+temp)
			}
		}
		var out, errs bytes.Buffer
		code := run(t.Context(), append(args, "--", name), &streams{strings.NewReader(""), &out, &errs})
		switch {
		case code == exitDone && out.Len() == 0:
			t.Errorf("%q: neither answer nor error", args)
		case code != exitDone && errs.Len() == 0:
			t.Errorf("%q: exit %d without a word", args, code)
		case out.Len() > 1<<20:
			t.Errorf("%q: %d bytes of answer", args, out.Len())
		case flags&1 != 0 && out.Len() > 0 && !json.Valid(out.Bytes()):
			t.Errorf("%q: no JSON: %s", args, out.Bytes())
		case notANumber(strings.ReplaceAll(out.String(), altitude, "")):
			t.Errorf("%q: no number: %s", args, out.Bytes())
		}
	})
}

// FuzzBatch gives the batch any input: every record of it has one row of the answer, with a phase or
// an error.
func FuzzBatch(f *testing.F) {
	const head = "refrigerant,pressure_pa,temp_k\n"
	f.Add([]byte(head + "R-410A,1e6,300\nR-407C,1400000,\n"))
	f.Add([]byte("temp_k,refrigerant,pressure_pa\r\n,\"R-32\",5e5\r\n"))
	f.Add([]byte(head + "R-744,9e6,320\nR-744,1e-300,1e300\n"))
	f.Add([]byte(head + "\"R-22,1e6\nR-\"32,NaN,Inf,\n\n,,\n"))
	f.Add([]byte("\ufeffrefrigerant,pressure_pa\nR-22,-0"))
	phases := []string{"liquid", "vapour", "two_phase", "supercritical", "saturated"}
	f.Fuzz(func(t *testing.T, input []byte) {
		var out bytes.Buffer
		if err := propsBatch(t.Context(), bytes.NewReader(input), &out, io.Discard); err != nil {
			return
		}
		r := csv.NewReader(&out)
		r.FieldsPerRecord = numCols
		rows, err := r.ReadAll()
		if err != nil || strings.Join(rows[0], ",") != contractHeader {
			t.Fatalf("the answer is no CSV: %v\n%q", err, rows)
		}
		if want := records(input); len(rows) != want {
			t.Errorf("%d records of input, %d of answer", want, len(rows))
		}
		for _, row := range rows[1:] {
			if slices.Contains(phases, row[colPhase]) == (row[colError] != "") {
				t.Errorf("a phase or an error, not both or neither: %q", row)
			}
			for i, cell := range row[colBubble:colError] {
				if _, err := strconv.ParseFloat(cell, 64); cell != "" && colBubble+i != colPhase && (err != nil || notANumber(cell)) {
					t.Errorf("%s is no number: %q", batchHeader[colBubble+i], row)
				}
			}
		}
	})
}

// records counts the records of a CSV text, broken ones included.
func records(input []byte) int {
	r := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(input, []byte("\ufeff"))))
	r.FieldsPerRecord = -1
	n := 0
	for {
		if _, err := r.Read(); err == io.EOF {
			return n
		}
		n++
	}
}
