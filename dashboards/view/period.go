package view

import (
	"time"

	"dewline"
)

// Period is the time that the charts of a page show, in rows of Step.
type Period struct {
	Name     string // "7d", "" where the address states from and to
	From, To dewline.Millis
	Step     time.Duration
	Live     bool // it ends now and moves on
}

// windows are the spans that a page offers, each with a step that makes some hundreds of rows of it.
var windows = []struct {
	name       string
	word       dewline.Phrase
	span, step time.Duration
}{
	{"6h", dewline.Phrase("6 hours"), 6 * time.Hour, time.Minute},
	{"24h", dewline.Phrase("24 hours"), 24 * time.Hour, 5 * time.Minute},
	{"7d", dewline.Phrase("7 days"), 7 * 24 * time.Hour, 15 * time.Minute},
	{"30d", dewline.Phrase("30 days"), 30 * 24 * time.Hour, time.Hour},
	{"1y", dewline.Phrase("a year"), 366 * 24 * time.Hour, 12 * time.Hour},
}

const defaultWindow = 1

// steps are those that a chosen span may have.
var steps = []time.Duration{10 * time.Second, 30 * time.Second, time.Minute, 2 * time.Minute, 5 * time.Minute, 15 * time.Minute,
	30 * time.Minute, time.Hour, 2 * time.Hour, 6 * time.Hour, 12 * time.Hour, 24 * time.Hour}

// maxRows is how many rows of a chart are more than a screen can show.
const maxRows = 800

// PeriodNamed returns the window with the name, or the usual one, that ends at to.
func PeriodNamed(name string, to dewline.Millis) Period {
	w := windows[defaultWindow]
	for _, known := range windows {
		if known.name == name {
			w = known
		}
	}
	// Whole steps: the same window asked again within one is the same rows.
	end := ceil(to, w.step)
	return Period{Name: w.name, From: end.Add(-w.span), To: end, Step: w.step, Live: true}
}

// PeriodBetween returns the span that an address states. It is false where that makes no sense.
func PeriodBetween(from, to dewline.Millis) (Period, bool) {
	const least = 5 * time.Minute
	if to.Sub(from) < least || to.Sub(from) > maxRows*24*time.Hour {
		return Period{}, false
	}
	step := steps[len(steps)-1]
	for _, s := range steps {
		if to.Sub(from) <= maxRows*s {
			step = s
			break
		}
	}
	return Period{From: floor(from, step), To: ceil(to, step), Step: step}, true
}

func floor(m dewline.Millis, step time.Duration) dewline.Millis {
	s := dewline.Millis(step.Milliseconds())
	return m / s * s
}

func ceil(m dewline.Millis, step time.Duration) dewline.Millis {
	s := dewline.Millis(step.Milliseconds())
	return (m + s - 1) / s * s
}

// PeriodLink is a link to another span of the same page.
type PeriodLink struct {
	Word, Href string
	Current    bool
}

// WindowLinks are the spans that a page offers.
func WindowLinks(id dewline.SystemID, current Period, u Idiom) []PeriodLink {
	links := make([]PeriodLink, len(windows))
	for i, w := range windows {
		links[i] = PeriodLink{w.word.Said(u), SystemHref(id) + "?window=" + w.name, w.name == current.Name}
	}
	return links
}

// Moved is the address of the span as long that lies before (-1) or after (1) this one, with half
// of it in common.
func (s Period) Moved(id dewline.SystemID, direction int) string {
	by := time.Duration(direction) * s.To.Sub(s.From) / 2
	return SystemHref(id) + "?from=" + stamp(s.From.Add(by)) + "&to=" + stamp(s.To.Add(by))
}

func stamp(m dewline.Millis) string { return m.Time().Format(time.RFC3339) }
