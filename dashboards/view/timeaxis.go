package view

import (
	"time"

	"dewline"
)

// timeTick is one label of a time axis.
type timeTick struct {
	at    time.Time
	label string
}

// timeSteps are the distances that labels of a time axis may have. From a day on they follow the
// calendar of the place, with its summer time.
var timeSteps = []struct {
	hours, days, months int
}{
	{hours: 1}, {hours: 3}, {hours: 6}, {hours: 12}, {days: 1}, {days: 2}, {days: 7}, {days: 14}, {months: 1}, {months: 3}, {months: 12},
}

// timeTicks returns labels for [from, to] in the time of a place, at most fit of them.
func timeTicks(from, to dewline.Millis, zone *time.Location, fit int, u Idiom) []timeTick {
	if zone == nil {
		zone = time.UTC
	}
	begin, end := from.Time().In(zone), to.Time().In(zone)
	for _, step := range timeSteps {
		var all []timeTick
		for t := firstTick(begin, step.hours, step.days, step.months); !t.After(end) && len(all) <= fit; {
			if !t.Before(begin) {
				all = append(all, timeTick{t, tickLabel(t, step.hours, step.months, u)})
			}
			if step.hours > 0 {
				t = t.Add(time.Duration(step.hours) * time.Hour)
			} else {
				t = time.Date(t.Year(), t.Month()+time.Month(step.months), t.Day()+step.days, 0, 0, 0, 0, zone)
			}
		}
		if len(all) <= fit {
			return all
		}
	}
	return nil
}

// firstTick is a tick at or before begin.
func firstTick(begin time.Time, hours, days, months int) time.Time {
	y, m, d := begin.Date()
	switch {
	case hours > 0:
		return time.Date(y, m, d, begin.Hour()/hours*hours, 0, 0, 0, begin.Location())
	case days > 0:
		return time.Date(y, m, d, 0, 0, 0, 0, begin.Location())
	}
	return time.Date(y, m-time.Month((int(m)-1)%months), 1, 0, 0, 0, 0, begin.Location())
}

func tickLabel(t time.Time, hours, months int, u Idiom) string {
	switch {
	case hours > 0 && (t.Hour() != 0 || t.Minute() != 0):
		return t.Format("15:04")
	case months >= 12 || months > 0 && t.Month() == time.January:
		return t.Format("2006")
	case months > 0:
		return u.Time(t, "Jan")
	}
	return u.Time(t, "2 Jan")
}
