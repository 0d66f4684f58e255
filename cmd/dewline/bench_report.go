package main

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strings"
	"time"
)

// benchReport is what a bench prints. It can be kept in a file of several, each under the heading of
// its command line, so that the file always says what was run last and how.
type benchReport struct {
	out  io.Writer
	text bytes.Buffer
}

func (r *benchReport) line(format string, args ...any) {
	line := fmt.Sprintf(format, args...)
	fmt.Fprintln(r.out, line)
	r.text.WriteString(line + "\n")
}

// entry writes a label and what there is to say.
func (r *benchReport) entry(label, format string, args ...any) {
	r.line("%-34s %s", label, fmt.Sprintf(format, args...))
}

// keep puts the report into the file at path under a heading, in the place of an earlier one.
func (r *benchReport) keep(path, command, machine string) error {
	if path == "" {
		return nil
	}
	old, err := os.ReadFile(path)
	if err != nil && !os.IsNotExist(err) {
		return err
	}
	section := fmt.Sprintf("## %s\n\n%s, %s\n\n```text\n%s```\n", command, time.Now().UTC().Format("2006-01-02 15:04 UTC"), machine, r.text.String())
	return os.WriteFile(path, []byte(replaceSection(string(old), "## "+command+"\n", section)), 0o644)
}

// replaceSection replaces the section that begins with a heading of the second level, or adds it.
func replaceSection(text, heading, section string) string {
	begin := strings.Index("\n"+text, "\n"+heading)
	if begin < 0 {
		if text != "" {
			text = strings.TrimRight(text, "\n") + "\n\n"
		}
		return text + section
	}
	next := strings.Index(text[begin+1:], "\n## ")
	if next < 0 {
		return text[:begin] + section
	}
	return text[:begin] + section + text[begin+1+next:]
}

// latencies are durations of which some order is asked.
type latencies []time.Duration

// at returns the duration that the part q of all stays within.
func (l latencies) at(q float64) time.Duration {
	if len(l) == 0 {
		return 0
	}
	return l[max(0, int(math.Ceil(q*float64(len(l))))-1)]
}

// summary sorts and says the usual ones.
func (l latencies) summary() string {
	if len(l) == 0 {
		return "none"
	}
	slices.Sort(l)
	return fmt.Sprintf("p50 %s, p99 %s, worst %s of %d", ms(l.at(0.50)), ms(l.at(0.99)), ms(l[len(l)-1]), len(l))
}

func ms(d time.Duration) string {
	if d >= 10*time.Second {
		return fmt.Sprintf("%.1f s", d.Seconds())
	}
	return fmt.Sprintf("%.1f ms", float64(d)/1e6)
}

func mib(bytes float64) string { return fmt.Sprintf("%.0f MiB", bytes/(1<<20)) }

// splitShares writes the parts of a whole with their shares.
func (r *benchReport) splitShares(parts []share, show func(float64) string) {
	whole := total(parts)
	for _, p := range parts {
		r.entry("  "+p.name, "%s (%.0f %%)", show(p.value), 100*p.value/whole)
	}
}
