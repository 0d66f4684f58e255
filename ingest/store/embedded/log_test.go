package embedded

import (
	"errors"
	"os"
	"sync"
	"testing"

	"github.com/prometheus/prometheus/tsdb/wlog"
)

// TestSyncer follows a log from segment to segment, also when those between are gone already.
func TestSyncer(t *testing.T) {
	folder := t.TempDir()
	write := func(segment int, text string) {
		t.Helper()
		f, err := os.OpenFile(wlog.SegmentName(folder, segment), os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o600)
		if err != nil {
			t.Fatal(err)
		}
		_, err = f.WriteString(text)
		if err := errors.Join(err, f.Close()); err != nil {
			t.Fatal(err)
		}
	}
	remove := func(segment int) {
		t.Helper()
		if err := os.Remove(wlog.SegmentName(folder, segment)); err != nil {
			t.Fatal(err)
		}
	}
	s := &syncer{folder: folder}
	synced := func(segment int, size int64) {
		t.Helper()
		if err := s.sync(); err != nil {
			t.Fatal(err)
		}
		if s.segment != segment || s.size != size {
			t.Fatalf("synced segment %d up to %d, want %d up to %d", s.segment, s.size, segment, size)
		}
	}
	if err := s.sync(); err != nil { // no log yet
		t.Fatal(err)
	}
	write(3, "a")
	write(4, "ab")
	synced(4, 2)
	write(4, "c")
	synced(4, 3)
	synced(4, 3)
	write(5, "d")
	write(6, "ef")
	synced(6, 2)
	write(8, "g")
	for segment := range 4 {
		remove(segment + 3)
	}
	synced(8, 1)
	if err := s.close(); err != nil {
		t.Fatal(err)
	}
}

// TestSyncerTogether: many that wait at once are served, all of them, after what they wrote.
func TestSyncerTogether(t *testing.T) {
	folder := t.TempDir()
	f, err := os.Create(wlog.SegmentName(folder, 0))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	s := &syncer{folder: folder}
	var mu sync.Mutex
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			for range 10 {
				mu.Lock()
				_, err := f.WriteString("x")
				end, _ := f.Seek(0, 1)
				mu.Unlock()
				if err := errors.Join(err, s.sync()); err != nil {
					t.Error(err)
				}
				s.mu.Lock()
				if s.size < end {
					t.Errorf("synced up to %d, wrote up to %d", s.size, end)
				}
				s.mu.Unlock()
			}
		})
	}
	wg.Wait()
	if err := s.close(); err != nil {
		t.Fatal(err)
	}
}
