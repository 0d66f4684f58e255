package thermo

import (
	"bufio"
	"encoding/csv"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"testing"

	"dewline/thermo/fluid"
)

// referenceDir holds the values that the tests compare with; its README names the sources.
const referenceDir = "../testdata/refrigerants"

// readTable returns the rows of a reference file by the names of its columns.
func readTable(t testing.TB, file string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join(referenceDir, file))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	records, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatalf("%s: %v", file, err)
	}
	rows := make([]map[string]string, 0, len(records)-1)
	for _, record := range records[1:] {
		row := map[string]string{}
		for k, name := range records[0] {
			row[name] = record[k]
		}
		rows = append(rows, row)
	}
	return rows
}

// readLines returns the lines of a reference file that are neither empty nor comments.
func readLines(t testing.TB, file string) []string {
	t.Helper()
	f, err := os.Open(filepath.Join(referenceDir, file))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var lines []string
	for s := bufio.NewScanner(f); s.Scan(); {
		if line := strings.TrimSpace(s.Text()); line != "" && !strings.HasPrefix(line, "#") {
			lines = append(lines, line)
		}
	}
	return lines
}

func number(t testing.TB, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func mustLookup(t testing.TB, name string) *Refrigerant {
	t.Helper()
	r, err := Lookup(name)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// everyName returns the names of all refrigerants offered: the designations, then those of the
// one-fluid equations.
func everyName() []string {
	names := Names()
	for _, d := range fluid.Names() {
		if _, ok := fluid.GetOneFluid(d); ok {
			names = append(names, d+oneFluidSuffix)
		}
	}
	return names
}

// sample is every refrigerant, or under the race detector every seventh.
func sample(names []string) []string {
	if !raced {
		return names
	}
	var some []string
	for k := 3; k < len(names); k += 7 {
		some = append(some, names[k])
	}
	return some
}

// forEach runs check for every refrigerant, on all processors. check may call Errorf and Logf of
// the test but not Fatal. It is no t.Run per refrigerant, so that -v prints tables and not names.
func forEach(t testing.TB, names []string, check func(r *Refrigerant)) {
	t.Helper()
	work := make(chan string)
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for name := range work {
				r, err := Lookup(name)
				if err != nil {
					t.Errorf("%s: %v", name, err)
					continue
				}
				check(r)
			}
		})
	}
	for _, name := range names {
		work <- name
	}
	close(work)
	wg.Wait()
}

// worst keeps the largest of many values and where it was. It is safe for concurrent use.
type worst struct {
	mu    sync.Mutex
	value float64
	where string
	count int
}

// add counts the value; where is only called for a new maximum.
func (w *worst) add(value float64, where func() string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.count++
	if value > w.value || w.where == "" {
		w.value, w.where = value, where()
	}
}
