package main

import (
	"fmt"
	"io"
	"os"
	"time"
)

// meter shows the progress of long work: on a terminal a line that renews itself, elsewhere a line
// every few seconds.
type meter struct {
	w        io.Writer
	what     string
	begin    time.Time
	last     time.Time
	terminal bool
	shown    bool
}

func newMeter(w io.Writer, what string) *meter {
	m := &meter{w: w, what: what, begin: time.Now()}
	if f, ok := w.(*os.File); ok {
		if info, err := f.Stat(); err == nil {
			m.terminal = info.Mode()&os.ModeCharDevice != 0
		}
	}
	return m
}

func (m *meter) bytes(done, total int64) {
	m.show(done, total, fmt.Sprintf("%.1f of %.1f MB", float64(done)/1e6, float64(total)/1e6))
}

func (m *meter) readings(done, total int64) {
	rate := float64(done) / max(time.Since(m.begin).Seconds(), 1e-3)
	m.show(done, total, fmt.Sprintf("%d of %d readings, %.0f/s", done, total, rate))
}

func (m *meter) show(done, total int64, text string) {
	every := 5 * time.Second
	if m.terminal {
		every = 200 * time.Millisecond
	}
	now := time.Now()
	if now.Sub(m.begin) < time.Second || now.Sub(m.last) < every {
		return
	}
	m.last, m.shown = now, true
	percent := 0.0
	if total > 0 {
		percent = 100 * float64(done) / float64(total)
	}
	if m.terminal {
		fmt.Fprintf(m.w, "\r%s: %3.0f %%, %s\x1b[K", m.what, percent, text)
		return
	}
	fmt.Fprintf(m.w, "%s: %3.0f %%, %s\n", m.what, percent, text)
}

// end leaves the line.
func (m *meter) end() {
	if m.terminal && m.shown {
		fmt.Fprint(m.w, "\r\x1b[K")
	}
}
