package recording

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"dewline"
	"dewline/ingest/senml"
)

const start dewline.Millis = 1_940_000_000_000

// fleet returns readings and events of some systems in the order of time.
func fleet(r *rand.Rand, systems, times int) (samples []dewline.Sample, events []dewline.Event) {
	points := []dewline.Point{dewline.SuctionPressure, dewline.SuctionTemp, dewline.LiquidTemp, dewline.CompressorOn, dewline.OperatingMode}
	for i := range times {
		at := start + dewline.Millis(i)*30_000
		for j := range systems {
			id := dewline.NewSystemID("mole", fmt.Sprintf("cooler-%d", systems-1-j))
			for _, p := range points {
				s := dewline.Sample{System: id, Point: p, At: at + dewline.Millis(j%3), Value: math.Round(r.NormFloat64()*1000) / 10}
				if p.Unit() == "" {
					s.Value = float64(r.IntN(2))
				}
				samples = append(samples, s)
			}
			if r.IntN(10) == 0 {
				events = append(events, dewline.Event{System: id, Kind: dewline.Serviced, At: at, Note: fmt.Sprint("visit ", i)})
			}
		}
	}
	return samples, events
}

func sorted(samples []dewline.Sample) []dewline.Sample {
	s := slices.Clone(samples)
	slices.SortFunc(s, func(a, b dewline.Sample) int {
		if c := int(a.At - b.At); c != 0 {
			return c
		}
		if c := strings.Compare(string(a.System), string(b.System)); c != 0 {
			return c
		}
		return int(a.Point) - int(b.Point)
	})
	return s
}

// lines returns the recording of samples and events, line by line.
func lines(t testing.TB, samples []dewline.Sample, events []dewline.Event) []string {
	t.Helper()
	var b bytes.Buffer
	w := NewWriter(&b)
	if err := w.Write(samples, events); err != nil {
		t.Fatal(err)
	}
	return strings.SplitAfter(strings.TrimSuffix(b.String(), "\n"), "\n")
}

func inMemory(contents ...string) (sources []source) {
	for i, c := range contents {
		sources = append(sources, source{fmt.Sprintf("part-%d.ndjson", i), int64(len(c)),
			func() (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(c)), nil }})
	}
	return sources
}

// readAll reads everything and checks what a batch promises.
func readAll(t testing.TB, r *Reader) (samples []dewline.Sample, events []dewline.Event) {
	t.Helper()
	var b Batch
	newest := dewline.Millis(-1)
	for {
		err := r.Next(&b)
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		latest := newest
		for _, s := range b.Samples {
			if s.At <= newest {
				t.Fatalf("a batch up to %d is followed by a reading at %d", newest, s.At)
			}
			latest = max(latest, s.At)
		}
		for _, e := range b.Events {
			if e.At <= newest {
				t.Fatalf("a batch up to %d is followed by an event at %d", newest, e.At)
			}
		}
		newest = latest
		samples, events = append(samples, b.Samples...), append(events, b.Events...)
	}
	if err := r.Next(&b); err != io.EOF {
		t.Fatalf("after the end: %v", err)
	}
	return samples, events
}

func mustOpen(t testing.TB, o Options, sources []source) *Reader {
	t.Helper()
	r, err := open(context.Background(), o, sources)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := r.Close(); err != nil {
			t.Error(err)
		}
	})
	return r
}

// TestWrittenAndRead goes through real files of each kind, in folders too.
func TestWrittenAndRead(t *testing.T) {
	samples, events := fleet(rand.New(rand.NewPCG(1, 0)), 7, 400)
	dir := t.TempDir()
	if err := os.Mkdir(filepath.Join(dir, "older"), 0o777); err != nil {
		t.Fatal(err)
	}
	var paths []string
	for i, suffix := range suffixes { // a third of the time each
		paths = append(paths, filepath.Join(dir, "older", "part"+suffix))
		w, err := Create(paths[i])
		if err != nil {
			t.Fatal(err)
		}
		from, to := start+dewline.Millis(i)*4_000_000, start+dewline.Millis(i+1)*4_000_000
		var s []dewline.Sample
		var e []dewline.Event
		for _, x := range samples {
			if x.At >= from && x.At < to {
				s = append(s, x)
			}
		}
		for _, x := range events {
			if x.At >= from && x.At < to {
				e = append(e, x)
			}
		}
		if err := w.Write(s, e); err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(dir, "notes.txt"), []byte("not a recording"), 0o666); err != nil {
		t.Fatal(err)
	}

	for name, named := range map[string][]string{"folder": {dir}, "files": paths, "other order": {paths[2], paths[0], paths[1]}, "twice": append(paths, dir)} {
		var read, total int64
		r, err := Open(t.Context(), Options{Progress: func(r, all int64) { read, total = r, all }}, named...)
		if err != nil {
			t.Fatal(err)
		}
		gotSamples, gotEvents := readAll(t, r)
		if !slices.Equal(gotSamples, sorted(samples)) {
			t.Errorf("%s: got %d readings, want %d", name, len(gotSamples), len(samples))
		}
		wantEvents := slices.Clone(events)
		slices.SortFunc(wantEvents, compareEvents)
		if !slices.Equal(gotEvents, wantEvents) {
			t.Errorf("%s: got events %v, want %v", name, gotEvents, wantEvents)
		}
		sum := r.Summary()
		if sum.First != start || sum.Last != start+399*30_000+2 || len(sum.Systems) != 7 || sum.Events != len(events) || len(sum.Refusals) != 0 || read != total || total == 0 {
			t.Errorf("%s: %+v, progress %d of %d", name, sum, read, total)
		}
		if want := sum.Readings - int64(len(samples)); sum.Repeated != want || sum.Conflicts != 0 {
			t.Errorf("%s: repeated %d, conflicts %d, want %d and none", name, sum.Repeated, sum.Conflicts, want)
		}
		if err := r.Close(); err != nil {
			t.Error(err)
		}
	}
}

// TestOrderAndSplitChangeNothing spreads the lines of a recording over files at random, the whole of
// one system before the next, with repeats, and sorts in memory or in many small runs.
func TestOrderAndSplitChangeNothing(t *testing.T) {
	for seed := range uint64(12) {
		r := rand.New(rand.NewPCG(seed, 0))
		samples, events := fleet(r, 1+r.IntN(5), 1+r.IntN(60))
		// Conflicting values of one reading in ten.
		var conflicting []dewline.Sample
		for _, s := range samples {
			if r.IntN(10) == 0 && s.Point.Unit() != "" {
				s.Value += float64(r.IntN(3) - 1)
				conflicting = append(conflicting, s)
			}
		}
		all := slices.Concat(lines(t, samples, events), lines(t, conflicting, nil), lines(t, samples, nil))
		var want []dewline.Sample
		var wantEvents []dewline.Event
		var wantSummary Summary
		for round := range 4 {
			contents := make([]string, 1+r.IntN(4))
			r.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
			for _, l := range all {
				i := r.IntN(len(contents))
				contents[i] += strings.TrimSuffix(l, "\n") + "\n"
			}
			reader := mustOpen(t, Options{RunReadings: 1 + r.IntN(400), TempDir: t.TempDir()}, inMemory(contents...))
			got, gotEvents := readAll(t, reader)
			sum := reader.Summary()
			sum.Files = 0
			if round == 0 {
				want, wantEvents, wantSummary = got, gotEvents, sum
				if len(got) != len(samples) || sum.Readings != int64(2*len(samples)+len(conflicting)) {
					t.Errorf("seed %d: %d readings, want %d", seed, len(got), len(samples))
				}
			}
			if !slices.Equal(got, want) || !slices.Equal(gotEvents, wantEvents) || fmt.Sprint(sum) != fmt.Sprint(wantSummary) {
				t.Errorf("seed %d: %v of the same lines, want %v", seed, sum, wantSummary)
			}
		}
	}
}

func TestSmallestOfConflictingValuesStands(t *testing.T) {
	line := func(v string) string {
		return `[{"bn":"a/b/","bt":1940000000,"n":"space_temp","u":"Cel","v":` + v + `}]`
	}
	for _, contents := range [][]string{{line("3") + "\n" + line("2") + "\n\n" + line("3")}, {line("2"), line("3"), line("3")}, {line("3"), line("3") + "\r\n  " + line("2")}} {
		r := mustOpen(t, Options{}, inMemory(contents...))
		got, _ := readAll(t, r)
		want := []dewline.Sample{{System: "a/b", Point: dewline.SpaceTemp, At: start, Value: 2}}
		if sum := r.Summary(); !slices.Equal(got, want) || sum.Conflicts != 2 || sum.Repeated != 0 {
			t.Errorf("%q: got %v, %+v", contents, got, sum)
		}
	}
}

// What is wrong with a line is told with its place and does not stop the rest.
func TestRefusalsHaveTheirPlace(t *testing.T) {
	r := mustOpen(t, Options{}, inMemory(
		`[{"bn":"a/b/","bt":1940000000,"n":"space_temp","u":"Cel","v":1}]`+"\n"+
			`{"bn":"a/b/"}`+"\n\n"+
			`[{"bn":"a/b/","bt":1940000001,"bu":"Cel","n":"space_temp","v":2},{"n":"oil","v":1},{"n":"space_temp","t":-1940000000,"v":2},{"n":"space_temp"`))
	got, _ := readAll(t, r)
	sum := r.Summary()
	if len(got) != 2 || len(sum.Refusals) != 4 || sum.Refused[dewline.ReasonMalformed] != 2 || sum.Refused[dewline.ReasonRelativeTime] != 1 {
		t.Fatalf("%v, %+v", got, sum)
	}
	for i, want := range []string{
		"part-0.ndjson:2: malformed: " + foreignLineHint,
		"part-0.ndjson:4: unknown_point: record 2 (a/b/oil): not a point of the contract",
		"part-0.ndjson:4: relative_time: record 3 (a/b/space_temp): a recording has no receipt: give Unix times",
		"part-0.ndjson:4: malformed: record 4: the pack ends in the middle; this record and what follows it are lost",
	} {
		if got := sum.Refusals[i].String(); got != want {
			t.Errorf("got  %s\nwant %s", got, want)
		}
	}
}

func TestUnreadableRecordings(t *testing.T) {
	dir := t.TempDir()
	file := func(name, content string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(content), 0o666); err != nil {
			t.Fatal(err)
		}
		return path
	}
	var zipped bytes.Buffer
	z := gzip.NewWriter(&zipped)
	fmt.Fprint(z, strings.Repeat("[]\n", 1000))
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(dir, "empty"), 0o777); err != nil {
		t.Fatal(err)
	}
	const good = `[{"bn":"a/b/","bt":1940000000,"n":"space_temp","u":"Cel","v":1}]` + "\n"
	for _, c := range []struct{ path, want string }{
		{filepath.Join(dir, "missing.ndjson"), "missing.ndjson: no such file"},
		{filepath.Join(dir, "empty"), "no recordings in this folder"},
		{file("readings.csv", good), "not a recording"},
		{file("cut.ndjson.gz", zipped.String()[:zipped.Len()-9]), "cut.ndjson.gz:1"},
		{file("cut.ndjson.zst", "(\xb5/\xfd"), "cut.ndjson.zst"},
		{file("plain.ndjson.gz", good), "plain.ndjson.gz: gzip: invalid header"},
		{file("long.ndjson", good+good+"["+strings.Repeat(" ", senml.MaxPackBytes+10)), "long.ndjson:3: a line of more than 262144 bytes"},
		{file("bomb.ndjson.gz", zipped.String()), "more than 2000 bytes when decompressed"},
	} {
		r, err := Open(t.Context(), Options{MaxFileBytes: 2000}, c.path)
		if c.path == filepath.Join(dir, "long.ndjson") {
			r, err = Open(t.Context(), Options{}, c.path)
		}
		if err == nil {
			r.Close()
			t.Errorf("%s: no error, want one with %q", c.path, c.want)
		} else if !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.path, err, c.want)
		}
	}
	if _, err := Open(t.Context(), Options{}); err == nil {
		t.Error("no paths: no error")
	}
	if _, err := Open(t.Context(), Options{}, filepath.Join(dir, "missing.ndjson")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a missing file: %v", err)
	}
	stopped, stop := context.WithCancel(t.Context())
	stop()
	if _, err := Open(stopped, Options{}, file("good.ndjson", good)); !errors.Is(err, context.Canceled) {
		t.Errorf("stopped: %v", err)
	}
}

func TestWriterRefuses(t *testing.T) {
	at := func(id dewline.SystemID, ms dewline.Millis) dewline.Sample {
		return dewline.Sample{System: id, Point: dewline.SpaceTemp, At: start + ms, Value: 1}
	}
	for name, batches := range map[string][][]dewline.Sample{
		"back in one call":  {{at("a/b", 1), at("a/b", 0)}},
		"back in the next":  {{at("a/b", 1)}, {at("a/b", 0)}},
		"not a system's id": {{at("a", 1)}},
	} {
		w := NewWriter(io.Discard)
		var err error
		for _, b := range batches {
			err = errors.Join(err, w.Write(b, nil))
		}
		if err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	w := NewWriter(io.Discard)
	if err := w.Write([]dewline.Sample{at("a/b", 1), at("a/c", 0)}, nil); err != nil {
		t.Errorf("systems apart: %v", err)
	}
	if err := w.Write(nil, []dewline.Event{{System: "a/b", Kind: dewline.Serviced, At: start + 1, Note: strings.Repeat("x", senml.MaxPackBytes)}}); err == nil {
		t.Error("a note longer than a line: no error")
	}
	if _, err := Create(filepath.Join(t.TempDir(), "x.json")); err == nil {
		t.Error("another suffix: no error")
	}
}

// Long notes make shorter packs.
func TestLongNotesFit(t *testing.T) {
	var events []dewline.Event
	for i := range 40 {
		events = append(events, dewline.Event{System: "a/b", Kind: dewline.Serviced, At: start + dewline.Millis(i), Note: strings.Repeat("x", 20_000) + fmt.Sprint(i)})
	}
	r := mustOpen(t, Options{}, inMemory(lines(t, nil, events)...))
	if _, got := readAll(t, r); !slices.Equal(got, events) {
		t.Errorf("%d events, want %d: %v", len(got), len(events), r.Summary())
	}
}

// A recording larger than what may be held is read in the memory of a run and a batch.
func TestMemoryIsBounded(t *testing.T) {
	samples, _ := fleet(rand.New(rand.NewPCG(3, 0)), 20, 1500)
	path := filepath.Join(t.TempDir(), "big.ndjson.zst")
	w, err := Create(path)
	if err != nil {
		t.Fatal(err)
	}
	for part := range slices.Chunk(samples, 10_000) {
		slices.SortStableFunc(part, func(a, b dewline.Sample) int { return int(a.At - b.At) })
		if err := w.Write(part, nil); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	count := len(samples)
	samples = nil

	heap := func() int64 {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return int64(m.HeapAlloc)
	}
	before := heap()
	temp := t.TempDir()
	r, err := Open(t.Context(), Options{RunReadings: 10_000, TempDir: temp}, path)
	if err != nil {
		t.Fatal(err)
	}
	held := heap() - before
	var b Batch
	n := 0
	for err = r.Next(&b); err == nil; err = r.Next(&b) {
		n += len(b.Samples)
	}
	if err != io.EOF || n != count {
		t.Errorf("%d readings, %v; want %d", n, err, count)
	}
	held = max(held, heap()-before)
	if held > 6<<20 {
		t.Errorf("%d readings are read with %.1f MiB", n, float64(held)/(1<<20))
	}
	runtime.KeepAlive(r)
	if err := r.Close(); err != nil {
		t.Error(err)
	}
	if left, err := os.ReadDir(temp); err != nil || len(left) != 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

func FuzzRecording(f *testing.F) {
	samples, events := fleet(rand.New(rand.NewPCG(1, 0)), 1, 2)
	f.Add([]byte(strings.Join(lines(f, samples, events), "")), 1)
	f.Add([]byte(`[{"bn":"a/b/","bt":1940000000,"n":"space_temp","u":"Cel","v":1},{"v":2},{"n":"space_temp","v":2}]`+"\r\n\n[]\n{}\n\x80\n[{"), 2)
	f.Add([]byte(`[{"bn":"a/b/","bt":1940000000,"n":"serviced","vs":"x"},{"n":"serviced","vs":"w"}]`), 3)
	f.Fuzz(func(t *testing.T, content []byte, run int) {
		if run < 1 || run > 1000 || len(content) > 10_000 {
			return
		}
		whole := mustOpen(t, Options{}, inMemory(string(content)))
		samples, events := readAll(t, whole)

		// The same lines in two files, in the other order, sorted in runs.
		parts := make([]string, 2)
		for i, l := range slices.Backward(strings.Split(string(content), "\n")) {
			parts[i%2] += l + "\n"
		}
		split := mustOpen(t, Options{RunReadings: run}, inMemory(parts...))
		gotSamples, gotEvents := readAll(t, split)
		if !slices.Equal(gotSamples, samples) || !slices.Equal(gotEvents, events) {
			t.Errorf("split and turned round: %v %v, whole: %v %v", gotSamples, gotEvents, samples, events)
		}
		a, b := whole.Summary(), split.Summary()
		if a.Repeated != b.Repeated || a.Conflicts != b.Conflicts || fmt.Sprint(a.Refused) != fmt.Sprint(b.Refused) {
			t.Errorf("split and turned round: %+v, whole: %+v", b, a)
		}

		// What was read can be written and read again.
		var again bytes.Buffer
		if err := NewWriter(&again).Write(samples, events); err != nil {
			t.Fatal(err)
		}
		third := mustOpen(t, Options{}, inMemory(again.String()))
		gotSamples, gotEvents = readAll(t, third)
		if !slices.Equal(gotSamples, samples) || !slices.Equal(gotEvents, events) || len(third.Summary().Refusals) != 0 {
			t.Errorf("written again: %v %v, first: %v %v", gotSamples, gotEvents, samples, events)
		}
	})
}

func BenchmarkRead(b *testing.B) {
	samples, events := fleet(rand.New(rand.NewPCG(1, 0)), 24, 1000)
	content := strings.Join(lines(b, samples, events), "")
	b.SetBytes(int64(len(content)))
	b.ReportAllocs()
	for b.Loop() {
		r, err := open(b.Context(), Options{}, inMemory(content))
		if err != nil {
			b.Fatal(err)
		}
		var batch Batch
		for err = r.Next(&batch); err == nil; err = r.Next(&batch) {
		}
		if err != io.EOF {
			b.Fatal(err)
		}
		r.Close()
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(samples)), "ns/reading")
}
