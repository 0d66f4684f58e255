package dewline

import "time"

// Stamp is an instant that JSON writes in RFC 3339, in UTC, with milliseconds only where there are
// any. What people enter and read has Stamps; what is computed with has [Millis].
type Stamp Millis

// StampOf returns t to the millisecond, rounded down.
func StampOf(t time.Time) Stamp { return Stamp(MillisOf(t)) }

// Time returns s as a time in UTC.
func (s Stamp) Time() time.Time { return Millis(s).Time() }

// MarshalJSON writes the instant.
func (s Stamp) MarshalJSON() ([]byte, error) {
	return []byte(s.Time().Format(`"2006-01-02T15:04:05.999Z07:00"`)), nil
}

// UnmarshalJSON reads an instant of any zone.
func (s *Stamp) UnmarshalJSON(text []byte) error {
	var t time.Time
	if err := t.UnmarshalJSON(text); err != nil {
		return err
	}
	*s = StampOf(t)
	return nil
}
