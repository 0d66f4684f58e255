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
const TooFew dewline.Phrase = "too few to say"

// ReportSpan is the time that a report is of.
type ReportSpan struct {
	Name string
	Word dewline.Phrase
	Days int // 0 stands for all
}

// ReportSpans are those to choose from; the first is taken where none is asked for.
func ReportSpans() []ReportSpan {
	return []ReportSpan{{"90d", dewline.Phrase("the last 90 days"), 90}, {"year", dewline.Phrase("the last year"), 365}, {"all", dewline.Phrase("all time"), 0}}
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
func (s ReportSpan) Text(now time.Time, u Idiom) string {
	const day = "2 Jan 2006"
	if s.Days == 0 {
		return u.Say("until {1}", u.Time(now.UTC(), day))
	}
	return u.Say("{1} to {2}", u.Time(s.From(now).Time().UTC(), day), u.Time(now.UTC(), day))
}

// ShareLine is a share in words.
type ShareLine struct {
	Name, Count, Share, Note string
}

// NewShareLine writes a share with its count. Of few, only the count is said.
func NewShareLine(name string, r dewline.Rate, note string, u Idiom) ShareLine {
	return ShareLine{name, u.Say("{1} of {2}", Count(int64(r.Count)), Count(int64(r.Of))), ShareWords(r, u), note}
}

// ShareWords writes a share and its interval.
func ShareWords(r dewline.Rate, u Idiom) string {
	if r.Of < fewest {
		return TooFew.Said(u)
	}
	percent := func(v float64) string { return strconv.Itoa(int(math.Round(100 * v))) }
	return percent(r.Share) + "\u00a0% (" + u.Say("{1} to {2}", percent(r.Low), percent(r.High)) + "\u00a0%)"
}

// FaultLine is what became of the predictions of one cause.
type FaultLine struct {
	Predicted                  string
	Right, Other, None, Visits int
	Share                      string
}

// FaultLines writes what was found where each cause was predicted.
func FaultLines(faults []dewline.FaultReport, u Idiom) (lines []FaultLine) {
	for _, f := range faults {
		lines = append(lines, FaultLine{u.FaultWord(f.Fault), f.Precision.Count, f.Other, f.NoTrouble, f.Precision.Of, ShareWords(f.Precision, u)})
	}
	return lines
}

// TimeLine is how long something takes, as its median says.
type TimeLine struct {
	Name, Median string
	Of           int
}

// NewTimeLine takes the median.
func NewTimeLine(name string, took []time.Duration, u Idiom) TimeLine {
	line := TimeLine{name, TooFew.Said(u), len(took)}
	if len(took) >= fewest {
		slices.Sort(took)
		line.Median = u.Span((took[(len(took)-1)/2] + took[len(took)/2]) / 2)
	}
	return line
}

// ReportHeadline says what the report is of.
func (u Idiom) ReportHeadline(visits int, span ReportSpan) string {
	of := u.Say("In {1}", span.Word.Said(u))
	if span.Days == 0 {
		of = u.Say("So far")
	}
	if visits == 0 {
		return u.Say("{1}, no visit followed an alert", of)
	}
	return u.SayN(visits, "{2}, 1 visit followed alerts", "{2}, {1} visits followed alerts", Count(int64(visits)), of)
}
