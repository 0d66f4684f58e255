package export_test

import (
	"encoding/csv"
	"fmt"
	"reflect"
	"strings"
	"testing"

	"dewline/alerts/export"
)

// TestRFC4180 checks the rules of RFC 4180, section 2, with the standard library's reader.
func TestRFC4180(t *testing.T) {
	table := export.New("a", "b", "c")
	table.Row(export.Text("plain"), export.Text(`say "so", then`), export.Text("two\r\nlines"))
	table.Row(export.Number(-1.5, -1), export.Cell{}, export.Number(2, 3))
	table.Row(export.Text("short"))
	text := string(table.Bytes())
	if want := "\"a\",\"b\",\"c\"\r\n"; !strings.HasPrefix(text, want) {
		t.Errorf("header of %q", text)
	}
	if !strings.HasSuffix(text, "\"short\",,\r\n") { // 2.4: as many fields in each line
		t.Errorf("end of %q", text)
	}
	got, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	want := [][]string{{"a", "b", "c"}, {"plain", `say "so", then`, "two\nlines"}, {"-1.5", "", "2.000"}, {"short", "", ""}}
	if !reflect.DeepEqual(got, want) { // the reader makes \n of \r\n in a cell
		t.Errorf("got %q, want %q", got, want)
	}
}

func TestCellsStayText(t *testing.T) {
	for _, text := range []string{"=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "  =1", "\u00a0=1", "\ufeff=1", "＝1", "－1",
		`=HYPERLINK("http://x.invalid","y")`, "=cmd|'/c calc'!A0"} {
		table := export.New("h")
		table.Row(export.Text(text))
		rows, err := csv.NewReader(strings.NewReader(string(table.Bytes()))).ReadAll()
		if err != nil || len(rows) != 2 {
			t.Fatalf("%q: %v %q", text, err, rows)
		}
		if cell := rows[1][0]; !strings.HasPrefix(cell, "'") {
			t.Errorf("%q became %q, which a spreadsheet may run", text, cell)
		}
	}
	for _, text := range []string{"a=1", "3 kg", "J. Morel", "1-2", "x;=1"} {
		table := export.New("h")
		table.Row(export.Text(text))
		if want := fmt.Sprintf("\"h\"\r\n\"%s\"\r\n", text); string(table.Bytes()) != want {
			t.Errorf("got %q, want %q", table.Bytes(), want)
		}
	}
}

// FuzzCells holds each row together whatever is typed: it reads back as one cell, and none begins a
// formula.
func FuzzCells(f *testing.F) {
	for _, seed := range []string{"=1", "a\"b", "x;=y", "\x00=1", "'", "\xff"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		table := export.New("h", "end")
		table.Row(export.Text(text), export.Text("end"))
		rows, err := csv.NewReader(strings.NewReader(string(table.Bytes()))).ReadAll()
		if err != nil || len(rows) != 2 || len(rows[1]) != 2 || rows[1][1] != "end" {
			t.Fatalf("%q: %v %q", text, err, rows)
		}
		if cell := strings.TrimLeft(rows[1][0], " \u00a0\ufeff"); cell != "" && strings.ContainsAny(cell[:1], "=+-@\t\r\n") {
			t.Fatalf("%q became %q", text, cell)
		}
	})
}
