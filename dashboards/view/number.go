package view

import (
	"cmp"
	"math"
	"strconv"
	"strings"
	"time"

	"dewline"
)

// Coverage expands a standard uncertainty to the one that people see: k = 2, about 95 %.
const Coverage = 2

// NoValue stands where a number would.
const NoValue = "–"

// Decimal writes v with a fixed number of decimals and a true minus sign; a value that rounds to
// zero has no sign.
func Decimal(v float64, decimals int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return NoValue
	}
	text := strconv.FormatFloat(v, 'f', decimals, 64)
	if rest, negative := strings.CutPrefix(text, "-"); negative {
		if strings.Trim(rest, "0.") == "" {
			return rest
		}
		return "\u2212" + rest
	}
	return text
}

// decimalsFor rounds to what a sensor can know: an expanded uncertainty of ten or more leaves no
// decimal that means anything.
func decimalsFor(expanded float64) int {
	if expanded >= 9.5 {
		return 0
	}
	return 1
}

// Measured is a value as people read it, with its expanded uncertainty where one is known.
type Measured struct {
	Value string // "6.3", or NoValue
	Plus  string // "1.1", "" where no uncertainty is known
	Unit  string
	Why   string // why there is no value, "" where there is one
	Past  bool   // not of now: a mean of the last day's steady running
}

// MeasuredOf writes an estimate.
func MeasuredOf(e dewline.Estimate, unit string) Measured {
	if !e.OK() {
		return Measured{Value: NoValue, Unit: unit, Why: e.Missing}
	}
	expanded := Coverage * e.Uncertainty
	m := Measured{Value: Decimal(e.Value, decimalsFor(expanded)), Unit: unit}
	if e.Uncertainty > 0 {
		m.Plus = Decimal(expanded, decimalsFor(expanded))
	}
	return m
}

// OK says whether there is a value.
func (m Measured) OK() bool { return m.Why == "" && m.Value != NoValue && m.Value != "" }

// String returns "6.3 ± 1.1 K".
func (m Measured) String() string {
	if !m.OK() {
		return NoValue
	}
	text := m.Value
	if m.Plus != "" {
		text += " ± " + m.Plus
	}
	if m.Unit != "" {
		text += "\u00a0" + m.Unit
	}
	return text
}

// Words says where the quantity is expected: "above 2.8", "3.9 to 7.3", "" where nowhere. The band is in the
// reader's unit.
func (b Band) Words(u Idiom) string {
	low, high := !math.IsInf(b.Low, -1), !math.IsInf(b.High, 1)
	switch {
	case low && high:
		return u.Say("{1} to {2}", Decimal(b.Low, 1), Decimal(b.High, 1))
	case low:
		return u.Say("above {1}", Decimal(b.Low, 1))
	case high:
		return u.Say("below {1}", Decimal(b.High, 1))
	}
	return ""
}

// Span says how long d is, in one unit that suits it: "52 min", "3 h", "9 days".
func (u Idiom) Span(d time.Duration) string {
	switch {
	case d < 0:
		return "0 s"
	case d < 90*time.Second:
		return strconv.Itoa(int(d.Round(time.Second)/time.Second)) + " s"
	case d < 90*time.Minute:
		return strconv.Itoa(int(d.Round(time.Minute)/time.Minute)) + " min"
	case d < 36*time.Hour:
		return strconv.Itoa(int(d.Round(time.Hour)/time.Hour)) + " h"
	}
	return u.Say("{1} days", int(d.Round(24*time.Hour)/(24*time.Hour)))
}

// Age is how long ago something was.
type Age struct {
	Text string // "2 min ago", "" for never
	At   string // RFC 3339, for machines
	Site string // the site's own time, for people
}

// Age returns how long ago an instant was.
func (r Reader) Age(at dewline.Millis) Age {
	if at == 0 {
		return Age{}
	}
	t := at.Time()
	text := r.Say("{1} ago", r.Span(r.Now.Sub(t)))
	if r.Now.Before(t.Add(time.Second)) {
		text = r.Say("now")
	}
	return Age{text, t.Format(time.RFC3339), r.Clock(at)}
}

// Clock writes an instant in the place's time, with the day only where it is not today's.
func (r Reader) Clock(at dewline.Millis) string {
	t, today := r.In(at), r.Now.In(cmp.Or(r.Zone, time.UTC))
	switch {
	case t.Year() == today.Year() && t.YearDay() == today.YearDay():
		return t.Format("15:04")
	case t.Year() == today.Year():
		return r.Time(t, "2 Jan 15:04")
	}
	return r.Time(t, "2 Jan 2006")
}

// In returns an instant in the place's time.
func (r Reader) In(at dewline.Millis) time.Time { return at.Time().In(cmp.Or(r.Zone, time.UTC)) }

// Count writes a whole number with thin spaces between thousands, as ISO 31-0 asks.
func Count(n int64) string {
	text := strconv.FormatInt(n, 10)
	sign := ""
	if rest, negative := strings.CutPrefix(text, "-"); negative {
		sign, text = "\u2212", rest
	}
	for i := len(text) - 3; i > 0; i -= 3 {
		text = text[:i] + "\u202f" + text[i:]
	}
	return sign + text
}
