package view

import (
	"math"
	"slices"
	"strconv"
	"time"

	"dewline"
)

// fewest is of how many a share or a median says something.
const fewest = 5

// TooFew stands where there are not enough to say.
const TooFew = "too few to say"

// ReportSpan is the time that a report is of.
type ReportSpan struct {
	Name, Word string
	Days       int // 0 stands for all
}

// ReportSpans are those to choose from; the first is taken where none is asked for.
func ReportSpans() []ReportSpan {
	return []ReportSpan{{"90d", "the last 90 days", 90}, {"year", "the last year", 365}, {"all", "all time", 0}}
}

// ReportSpanNamed returns the span of a name, the first where there is none of it.
func ReportSpanNamed(name string) ReportSpan {
	all := ReportSpans()
	return all[max(0, slices.IndexFunc(all, func(s ReportSpan) bool { return s.Name == name }))]
}

// From is when the span begins.
func (s ReportSpan) From(now time.Time) dewline.Millis {
	if s.Days == 0 {
		return 0
	}
	return dewline.MillisOf(now.AddDate(0, 0, -s.Days))
}

// Text writes from when to when the span is.
func (s ReportSpan) Text(now time.Time) string {
	const day = "2 Jan 2006"
	if s.Days == 0 {
		return "until " + now.UTC().Format(day)
	}
	return s.From(now).Time().UTC().Format(day) + " to " + now.UTC().Format(day)
}

// ShareLine is a share in words.
type ShareLine struct {
	Name, Count, Share, Note string
}

// NewShareLine writes a share with its count. Of few, only the count is said.
func NewShareLine(name string, r dewline.Rate, note string) ShareLine {
	return ShareLine{name, Count(int64(r.Count)) + " of " + Count(int64(r.Of)), ShareWords(r), note}
}

// ShareWords writes a share and its interval.
func ShareWords(r dewline.Rate) string {
	if r.Of < fewest {
		return TooFew
	}
	percent := func(v float64) string { return strconv.Itoa(int(math.Round(100 * v))) }
	return percent(r.Share) + "\u00a0% (" + percent(r.Low) + " to " + percent(r.High) + "\u00a0%)"
}

// FaultLine is what became of the predictions of one cause.
type FaultLine struct {
	Predicted                  string
	Right, Other, None, Visits int
	Share                      string
}

// FaultLines writes what was found where each cause was predicted.
func FaultLines(faults []dewline.FaultReport) (lines []FaultLine) {
	for _, f := range faults {
		lines = append(lines, FaultLine{FaultWord(f.Fault), f.Precision.Count, f.Other, f.NoTrouble, f.Precision.Of, ShareWords(f.Precision)})
	}
	return lines
}

// TimeLine is how long something takes, as its median says.
type TimeLine struct {
	Name, Median string
	Of           int
}

// NewTimeLine takes the median.
func NewTimeLine(name string, took []time.Duration) TimeLine {
	line := TimeLine{name, TooFew, len(took)}
	if len(took) >= fewest {
		slices.Sort(took)
		line.Median = Span((took[(len(took)-1)/2] + took[len(took)/2]) / 2)
	}
	return line
}

// ReportHeadline says what the report is of.
func ReportHeadline(visits int, span ReportSpan) string {
	of := "In " + span.Word
	if span.Days == 0 {
		of = "So far"
	}
	if visits == 0 {
		return of + ", no visit followed an alert"
	}
	return of + ", " + plural(visits, "visit", "visits") + " followed alerts"
}
