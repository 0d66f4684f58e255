package embedded

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/prometheus/prometheus/tsdb"
	"github.com/prometheus/prometheus/tsdb/wlog"

	"dewline"
	"dewline/ingest/store"
	"dewline/ingest/store/storetest"
)

func options() Options {
	o := DefaultOptions()
	o.Now = func() time.Time { return storetest.Now }
	o.MinFree = 0
	o.DiskCheck = 0
	return o
}

func open(t testing.TB, folder string, o Options) *Store {
	t.Helper()
	s, err := Open(folder, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Errorf("closing: %v", err)
		}
	})
	return s
}

func TestConformance(t *testing.T) {
	storetest.Run(t, func(t *testing.T) storetest.Store {
		folder := t.TempDir()
		return storetest.Store{
			Open: func(t *testing.T) dewline.Readings { return open(t, folder, options()) },
			// What a killed process leaves behind is what is in its files at that moment.
			Abandon: func(t *testing.T, opened dewline.Readings) dewline.Readings {
				return open(t, copyOf(t, opened.(*Store)), options())
			},
		}
	})
}

// copyOf copies the files of an opened store, at a moment when no compaction changes them.
func copyOf(t *testing.T, s *Store) string {
	t.Helper()
	s.db.DisableCompactions()
	defer s.db.EnableCompactions()
	return copyFolder(t, s.folder)
}

func copyFolder(t *testing.T, folder string) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "copy")
	if err := os.CopyFS(to, os.DirFS(folder)); err != nil {
		t.Fatal(err)
	}
	return to
}

const system = dewline.SystemID("quay-library/hall-ac")

func at(ago time.Duration) dewline.Millis { return dewline.MillisOf(storetest.Now.Add(-ago)) }

// minutes are n readings, one a minute, the last ago before now.
func minutes(n int, ago time.Duration) []dewline.Sample {
	all := make([]dewline.Sample, n)
	for i := range all {
		all[i] = dewline.Sample{System: system, Point: dewline.SuctionTemp, At: at(ago + time.Duration(n-1-i)*time.Minute), Value: float64(i)}
	}
	return all
}

func offer(t testing.TB, s *Store, batch []dewline.Sample, want dewline.Outcome) {
	t.Helper()
	got, err := s.Append(t.Context(), batch, nil)
	if err != nil {
		t.Fatal(err)
	}
	for i, o := range got {
		if o != want {
			t.Fatalf("sample %d: outcome %d, want %d", i, o, want)
		}
	}
}

// count is how many readings of the test's series stand.
func count(t testing.TB, s *Store) int {
	t.Helper()
	got, err := s.Read(t.Context(), system, dewline.SuctionTemp, at(10*365*24*time.Hour), at(-24*time.Hour), nil)
	if err != nil {
		t.Fatal(err)
	}
	return len(got)
}

// TestBlocksWait: no block is made before a file of chunks is being written, because the database
// would count the files anew under whoever writes the first.
func TestBlocksWait(t *testing.T) {
	s := open(t, t.TempDir(), options())
	blocks := func() int {
		st, err := s.Stats()
		if err != nil {
			t.Fatal(err)
		}
		return st.Blocks
	}
	offer(t, s, minutes(8*60, 0), dewline.Stored) // enough for blocks
	if n := lastChunkFile(s.dataFolder()); n != 0 {
		t.Fatalf("there is a file of chunks already, %d: this test shows nothing", n)
	}
	time.Sleep(1500 * time.Millisecond)
	if n := blocks(); n != 0 {
		t.Fatalf("%d blocks before the first file of chunks", n)
	}
	s.db.ForceHeadMMap()
	again := dewline.Sample{System: system, Point: dewline.LiquidTemp, At: at(0), Value: 1}
	for deadline := time.Now().Add(30 * time.Second); blocks() == 0; again.At-- {
		if time.Now().After(deadline) {
			t.Fatal("no block is ever made")
		}
		offer(t, s, []dewline.Sample{again}, dewline.Stored) // each has the database look whether a block is due
		time.Sleep(100 * time.Millisecond)
	}
}

func TestSecondOpen(t *testing.T) {
	folder := t.TempDir()
	open(t, folder, options())
	_, err := Open(folder, options())
	if err == nil || !strings.Contains(err.Error(), folder) || !strings.Contains(err.Error(), "in use") {
		t.Fatalf("%v does not say that %s is in use", err, folder)
	}
}

func TestClosed(t *testing.T) {
	s := open(t, t.TempDir(), options())
	offer(t, s, minutes(3, 0), dewline.Stored)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	_, err := s.Append(t.Context(), minutes(3, 0), nil)
	if !errors.Is(err, store.ErrUnavailable) {
		t.Errorf("append: %v", err)
	}
	if _, err := s.Read(t.Context(), system, dewline.SuctionTemp, 0, at(0), nil); !errors.Is(err, store.ErrUnavailable) {
		t.Errorf("read: %v", err)
	}
	if err := s.Ready(t.Context()); err == nil {
		t.Error("ready")
	}
}

func TestOptions(t *testing.T) {
	for name, change := range map[string]func(*Options){
		"retention":  func(o *Options) { o.Retention = o.MaxAge - 1 },
		"budget":     func(o *Options) { o.Budget = -1 },
		"free":       func(o *Options) { o.MinFree = -1 },
		"no clock":   func(o *Options) { o.Now = nil },
		"block":      func(o *Options) { o.Block = time.Second },
		"no maximum": func(o *Options) { o.MaxAge = 0 },
	} {
		o := options()
		change(&o)
		if _, err := Open(t.TempDir(), o); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	folder := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(folder, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(folder, options()); err == nil {
		t.Error("a file was opened as a folder")
	}
}

// TestReplayed: opening tells how far it is.
func TestReplayed(t *testing.T) {
	s := open(t, t.TempDir(), options())
	offer(t, s, minutes(100, 0), dewline.Stored)
	var done, total int
	o := options()
	o.Replayed = func(d, of int) { done, total = d, of }
	open(t, copyOf(t, s), o)
	if total < 1 || done != total {
		t.Errorf("replayed %d of %d", done, total)
	}
}

// TestDamagedLog: what a power cut can leave of a log (cut short, zeroed, garbled) costs its end,
// never its beginning, and what is offered again is stored exactly once.
func TestDamagedLog(t *testing.T) {
	s := open(t, t.TempDir(), options())
	late, live := minutes(100, 20*24*time.Hour), minutes(100, 0) // too short for a compaction
	var all []dewline.Sample
	for i := range live {
		batch := []dewline.Sample{live[i], late[i]}
		offer(t, s, batch, dewline.Stored)
		all = append(all, batch...)
	}
	folder := copyOf(t, s)
	for _, log := range []string{"wal", wlog.WblDirName} {
		for name, damage := range map[string]func([]byte) []byte{
			"cut":    func(b []byte) []byte { return b[:len(b)*2/3] },
			"zeroed": func(b []byte) []byte { clear(b[len(b)*2/3:]); return b },
			"garbled": func(b []byte) []byte {
				for i := range 50 {
					b[len(b)*2/3+i] ^= 0xa5
				}
				return b
			},
		} {
			t.Run(log+" "+name, func(t *testing.T) {
				damaged := copyFolder(t, folder)
				path := wlog.SegmentName(filepath.Join(damaged, "series", log), 0)
				content, err := os.ReadFile(path)
				if err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(path, damage(content), 0o600); err != nil {
					t.Fatal(err)
				}
				s := open(t, damaged, options())
				if n := count(t, s); n < 100+50 || n >= 200 {
					t.Errorf("%d of 200 readings stand", n)
				}
				if _, err := s.Append(t.Context(), all, nil); err != nil {
					t.Fatal(err)
				}
				offer(t, s, all, dewline.Repeated)
				if n := count(t, s); n != 200 {
					t.Errorf("%d readings after offering 200 again", n)
				}
			})
		}
	}
}

// TestBudget: a full budget refuses, says so beforehand, and recovers when there is room.
func TestBudget(t *testing.T) {
	folder := t.TempDir()
	o := options()
	o.Budget = 1 << 20
	s := open(t, folder, o)
	offer(t, s, minutes(10, time.Hour), dewline.Stored)
	if use, err := s.DiskUse(); err != nil || use.Nearly || use.Full || use.Used == 0 || use.Budget != 1<<20 {
		t.Fatalf("%+v, %v", use, err)
	}
	ballast := filepath.Join(folder, "ballast")
	fill := func(bytes int) {
		if err := os.WriteFile(ballast, make([]byte, bytes), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	fill(950_000)
	if use, err := s.DiskUse(); err != nil || !use.Nearly || use.Full {
		t.Fatalf("%+v, %v", use, err)
	}
	offer(t, s, minutes(10, 30*time.Minute), dewline.Stored)
	fill(1 << 20)
	more := minutes(10, 0)
	if _, err := s.Append(t.Context(), more, nil); !errors.Is(err, store.ErrFull) || !strings.Contains(err.Error(), folder) {
		t.Fatalf("%v", err)
	}
	if err := s.Ready(t.Context()); !errors.Is(err, store.ErrFull) {
		t.Fatalf("ready: %v", err)
	}
	// What stands can still be told, so repeats are not kept waiting; and reading goes on.
	offer(t, s, minutes(10, time.Hour), dewline.Repeated)
	if n := count(t, s); n != 20 {
		t.Fatalf("%d readings", n)
	}
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	offer(t, s, more, dewline.Stored)
	if err := s.Ready(t.Context()); err != nil {
		t.Fatal(err)
	}
	// A disk that has less than must stay free is full without any budget.
	o.Budget, o.MinFree = 0, 1<<60
	if _, err := open(t, t.TempDir(), o).Append(t.Context(), more, nil); !errors.Is(err, store.ErrFull) {
		t.Fatalf("%v", err)
	}
}

// TestFailedLog lets the writes to one log fail as on a full disk, in the middle of a record: the
// next segments are the device that is always full. Nothing acknowledged may be lost, neither what
// came before the failure nor what came after the recovery.
func TestFailedLog(t *testing.T) {
	if _, err := os.Stat("/dev/full"); err != nil {
		t.Skip("needs /dev/full, which this system does not have")
	}
	for _, log := range []string{"wal", wlog.WblDirName} {
		t.Run(log, func(t *testing.T) {
			folder := t.TempDir()
			o := options()
			o.NoFsync = true // the device cannot be synced
			o.adjust = func(o *tsdb.Options) { o.WALSegmentSize = 32 << 10 }
			s := open(t, folder, o)
			offer(t, s, []dewline.Sample{{System: system, Point: dewline.LiquidTemp, At: at(0), Value: 1}}, dewline.Stored)
			logFolder := filepath.Join(folder, "series", log)
			full := wlog.SegmentName(logFolder, 1)
			if err := os.Symlink("/dev/full", full); err != nil {
				t.Fatal(err)
			}
			rng := rand.New(rand.NewPCG(1, 1))
			all := minutes(6000, 0) // late, so that both logs are written
			for i := range all {
				all[i].Value, all[i].At = rng.Float64(), at(12*time.Hour)+dewline.Millis(i*1000)
			}
			acknowledged := 0
			var failure error
			for part := range slices.Chunk(all, 100) {
				if _, failure = s.Append(t.Context(), part, nil); failure != nil {
					break
				}
				acknowledged += len(part)
			}
			if !errors.Is(failure, store.ErrUnavailable) || acknowledged == 0 {
				t.Fatalf("%d acknowledged, then %v", acknowledged, failure)
			}
			if err := s.Ready(t.Context()); err == nil {
				t.Error("ready with a failed log")
			}
			if err := os.Remove(full); err != nil && !errors.Is(err, os.ErrNotExist) {
				t.Fatal(err)
			}
			time.Sleep(1100 * time.Millisecond) // until it tries again
			if err := s.Ready(t.Context()); err != nil {
				t.Fatalf("does not recover: %v", err)
			}
			offer(t, s, all[:acknowledged], dewline.Repeated)
			if _, err := s.Append(t.Context(), all, nil); err != nil {
				t.Fatal(err)
			}
			offer(t, s, all, dewline.Repeated)
			// And it is durable.
			s = open(t, copyOf(t, s), options())
			offer(t, s, all, dewline.Repeated)
			if n := count(t, s); n != len(all) {
				t.Errorf("%d readings, want %d", n, len(all))
			}
		})
	}
}

// TestLateMoved: late readings in blocks answer as those in memory do.
func TestLateMoved(t *testing.T) {
	s := open(t, t.TempDir(), options())
	late := minutes(600, 20*24*time.Hour)
	offer(t, s, minutes(5, 0), dewline.Stored)
	offer(t, s, late[:400], dewline.Stored)
	if err := s.moveLate(t.Context(), 1<<30); err != nil {
		t.Fatal(err)
	}
	if st, err := s.Stats(); err != nil || st.Blocks != 0 {
		t.Fatalf("moved although the log is small: %+v, %v", st, err)
	}
	if err := s.moveLate(t.Context(), 0); err != nil {
		t.Fatal(err)
	}
	if st, err := s.Stats(); err != nil || st.Blocks == 0 || st.Readings != 400 || st.Oldest > late[0].At || st.Newest < at(0) {
		t.Fatalf("%+v, %v", st, err)
	}
	if n := count(t, s); n != 405 {
		t.Fatalf("%d readings", n)
	}
	offer(t, s, late[:400], dewline.Repeated)
	offer(t, s, late[400:], dewline.Stored)
	if err := s.moveLate(t.Context(), 0); err != nil {
		t.Fatal(err)
	}
	s = open(t, copyOf(t, s), options())
	offer(t, s, late, dewline.Repeated)
	if n := count(t, s); n != 605 {
		t.Fatalf("%d readings", n)
	}
}

// TestRetention: time passes, compaction makes blocks, and those beyond the retention go.
func TestRetention(t *testing.T) {
	o := options()
	var now atomic.Int64
	start := dewline.MillisOf(storetest.Now)
	o.Now = func() time.Time { return dewline.Millis(now.Load()).Time() }
	o.MaxAge, o.Retention, o.Block, o.NoFsync = 24*time.Hour, 3*24*time.Hour, 7*time.Hour, true
	s := open(t, t.TempDir(), o)
	last := start
	for i := range 5 * 24 * 4 { // 5 days, every 15 minutes
		last = start + dewline.Millis(i*900_000)
		now.Store(int64(last))
		if _, err := s.Append(t.Context(), []dewline.Sample{{System: system, Point: dewline.SuctionTemp, At: last, Value: float64(i)}}, nil); err != nil {
			t.Fatal(err)
		}
	}
	deadline := time.Now().Add(20 * time.Second)
	for {
		if err := s.db.Compact(t.Context()); err != nil {
			t.Fatal(err)
		}
		st, err := s.Stats()
		if err != nil {
			t.Fatal(err)
		}
		kept := last.Sub(st.Oldest)
		if kept < 3*24*time.Hour {
			t.Fatalf("only %v are kept", kept)
		}
		if kept < 4*24*time.Hour && st.Blocks > 0 {
			break
		}
		if time.Now().After(deadline) {
			t.Fatalf("%v are kept", kept)
		}
	}
	got, err := s.Read(t.Context(), system, dewline.SuctionTemp, last-3*86_400_000, last+1, nil)
	if err != nil || len(got) != 3*24*4+1 {
		t.Errorf("%d readings of the last 3 days, %v", len(got), err)
	}
	// The series outlived its place in memory, and its repeats are still known.
	offer(t, s, []dewline.Sample{{System: system, Point: dewline.SuctionTemp, At: last - 20*3_600_000, Value: got[len(got)-1-80].Value}}, dewline.Repeated)
}

// TestSilentSeries: the database forgets a series that is silent for hours; its next reading finds
// a stale reference.
func TestSilentSeries(t *testing.T) {
	s := open(t, t.TempDir(), options())
	silent := dewline.Sample{System: system, Point: dewline.LiquidTemp, At: at(8 * time.Hour), Value: 1}
	offer(t, s, []dewline.Sample{silent}, dewline.Stored)
	offer(t, s, minutes(8*60, 0), dewline.Stored)
	for s.db.Head().NumSeries() > 1 {
		if err := s.db.Compact(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	again := silent
	again.At = at(0)
	offer(t, s, []dewline.Sample{silent}, dewline.Repeated)
	offer(t, s, []dewline.Sample{again}, dewline.Stored)
	got, err := s.Read(t.Context(), system, dewline.LiquidTemp, 0, at(-time.Hour), nil)
	if err != nil || len(got) != 2 {
		t.Errorf("%v, %v", got, err)
	}
}

func TestSnapshot(t *testing.T) {
	folder := t.TempDir()
	s := open(t, folder, options())
	empty := filepath.Join(t.TempDir(), "empty")
	if err := s.Snapshot(t.Context(), empty); err != nil {
		t.Fatalf("of an empty store: %v", err)
	}
	before := append(minutes(200, 15*24*time.Hour), minutes(200, time.Hour)...)
	offer(t, s, before[200:], dewline.Stored)
	offer(t, s, before[:200], dewline.Stored)

	snapshot := filepath.Join(t.TempDir(), "snapshot")
	stop := make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() { // while it runs
		for i := 0; ; i++ {
			select {
			case <-stop:
				return
			default:
			}
			if _, err := s.Append(context.Background(), []dewline.Sample{{System: "quay-library/other", Point: dewline.SuctionTemp, At: at(time.Hour) + dewline.Millis(i), Value: 1}}, nil); err != nil {
				t.Error(err)
			}
		}
	})
	err := s.Snapshot(t.Context(), snapshot)
	close(stop)
	wg.Wait()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Snapshot(t.Context(), snapshot); err == nil {
		t.Error("a snapshot was overwritten")
	}
	after := minutes(30, 0)
	offer(t, s, after, dewline.Stored)

	restored := func(s *Store) {
		t.Helper()
		if n := count(t, s); n != len(before) {
			t.Fatalf("%d readings, want %d", n, len(before))
		}
		offer(t, s, before, dewline.Repeated)
		offer(t, s, after, dewline.Stored)
		if newest, err := s.Newest(t.Context(), system); err != nil || len(newest) != 1 || newest[0].At != at(0) {
			t.Fatalf("newest: %v, %v", newest, err)
		}
	}
	// In another place, and in the same store while it runs.
	other := open(t, t.TempDir(), options())
	offer(t, other, minutes(7, 3*24*time.Hour), dewline.Stored)
	for range 2 {
		if err := other.Restore(t.Context(), snapshot); err != nil {
			t.Fatal(err)
		}
		restored(other)
	}
	if err := s.Restore(t.Context(), snapshot); err != nil {
		t.Fatal(err)
	}
	restored(s)

	// What is no snapshot changes nothing.
	bad := t.TempDir()
	if err := os.MkdirAll(filepath.Join(bad, "01ARZ3NDEKTSV4RRFFQ69G5FAV"), 0o750); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(bad, "wal"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, from := range []string{bad, filepath.Join(bad, "missing")} {
		if err := s.Restore(t.Context(), from); err == nil {
			t.Fatalf("%s was restored", from)
		}
		offer(t, s, after, dewline.Repeated)
	}
	if err := s.Restore(t.Context(), empty); err != nil {
		t.Fatal(err)
	}
	if n := count(t, s); n != 0 {
		t.Errorf("%d readings after restoring nothing", n)
	}
}

// TestInterruptedRestore: a process that dies between the two renames finds its readings again.
func TestInterruptedRestore(t *testing.T) {
	folder := t.TempDir()
	s := open(t, folder, options())
	offer(t, s, minutes(10, 0), dewline.Stored)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	series := filepath.Join(folder, "series")
	if err := errors.Join(os.Rename(series, series+".replaced"), os.Mkdir(series+".restored", 0o750)); err != nil {
		t.Fatal(err)
	}
	offer(t, open(t, folder, options()), minutes(10, 0), dewline.Repeated)
	if entries, err := os.ReadDir(folder); err != nil || len(entries) != 2 { // lock and series
		t.Errorf("%v, %v", entries, err)
	}
}

func TestGather(t *testing.T) {
	families, err := open(t, t.TempDir(), options()).Gather()
	if err != nil || len(families) < 20 {
		t.Errorf("%d metrics, %v", len(families), err)
	}
}

// TestKilled kills a process that appends at random moments. Whatever it had acknowledged (a line
// on its output) stands exactly once.
func TestKilled(t *testing.T) {
	folder := t.TempDir()
	acknowledged := 0
	for round := range 3 {
		child := exec.Command(os.Args[0], "-test.run=^TestKilledChild$")
		child.Env = append(os.Environ(), childFolder+"="+folder, childStart+"="+strconv.Itoa(acknowledged))
		out, err := child.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		kill := time.Duration(100+rand.IntN(300)) * time.Millisecond
		lines := bufio.NewScanner(out)
		var timer *time.Timer
		for lines.Scan() {
			n, err := strconv.Atoi(lines.Text())
			if err != nil {
				continue // what the test binary says itself
			}
			acknowledged = n
			if timer == nil {
				timer = time.AfterFunc(kill, func() { _ = child.Process.Kill() })
			}
		}
		_ = child.Wait()
		if timer == nil {
			t.Fatal("the child acknowledged nothing")
		}
		s := open(t, folder, options())
		for i := range acknowledged {
			offer(t, s, childBatch(i), dewline.Repeated)
		}
		if n := count(t, s); n != acknowledged && n != acknowledged+1 {
			t.Errorf("round %d: %d readings stand of %d acknowledged and perhaps one more", round, n, acknowledged)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("%d batches acknowledged", acknowledged)
}

const (
	childFolder = "DEWLINE_TEST_STORE"
	childStart  = "DEWLINE_TEST_START"
)

// childBatch is batch n: one reading in order, one late by weeks.
func childBatch(n int) []dewline.Sample {
	return []dewline.Sample{
		{System: system, Point: dewline.SuctionTemp, At: at(20*time.Hour) + dewline.Millis(n*1000), Value: float64(n)},
		{System: system, Point: dewline.LiquidTemp, At: at(20*24*time.Hour) + dewline.Millis(n*1000), Value: float64(n)},
	}
}

// TestKilledChild is the process that TestKilled kills.
func TestKilledChild(t *testing.T) {
	folder := os.Getenv(childFolder)
	if folder == "" {
		return // run by TestKilled only
	}
	n, err := strconv.Atoi(os.Getenv(childStart))
	if err != nil {
		t.Fatal(err)
	}
	s := open(t, folder, options())
	for ; ; n++ {
		if _, err := s.Append(t.Context(), childBatch(n), nil); err != nil {
			t.Fatal(err)
		}
		fmt.Println(n + 1)
	}
}
