package api

import (
	"encoding/base64"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"dewline"
)

// refused is an error about one parameter.
func refused(name, format string, args ...any) error {
	return problem(http.StatusBadRequest, name+": "+fmt.Sprintf(format, args...))
}

// limits of a page of a list.
const (
	defaultPage = 100
	maxPage     = dewline.MaxAlertsPage
)

func parseLimit(text string) (int, error) {
	if text == "" {
		return defaultPage, nil
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 || n > maxPage {
		return 0, refused("limit", "%q is no whole number from 1 to %d", text, maxPage)
	}
	return n, nil
}

func parseTime(name, text string) (dewline.Millis, error) {
	t, err := time.Parse(time.RFC3339Nano, text)
	if err == nil && t.Year() >= 1970 && t.Year() <= 9999 {
		return dewline.MillisOf(t), nil
	}
	hint := ""
	if strings.Contains(text, " ") {
		hint = "; in an address a + is written %2B"
	}
	return 0, refused(name, "%q is no time as RFC 3339 writes it, such as 2031-07-02T14:10:00Z%s", text, hint)
}

// parseSpan reads from and to, both of which may be missing. A missing to is toElse, a missing from
// lies before to by back, or at the beginning of time where back is 0.
func parseSpan(from, to string, toElse dewline.Millis, back time.Duration) (f, t dewline.Millis, err error) {
	t = toElse
	if to != "" {
		if t, err = parseTime("to", to); err != nil {
			return 0, 0, err
		}
	}
	if back > 0 {
		f = max(0, t.Add(-back))
	}
	if from != "" {
		if f, err = parseTime("from", from); err != nil {
			return 0, 0, err
		}
	}
	if t != 0 && f >= t {
		return 0, 0, refused("from", "%s is not before to, %s", f.Time().Format(time.RFC3339), t.Time().Format(time.RFC3339))
	}
	return f, t, nil
}

// parseStep reads a step: seconds, or a number with s, m, h or d. None is 0: as stored.
func parseStep(text string) (time.Duration, error) {
	if text == "" {
		return 0, nil
	}
	number, factor := text, time.Second
	for suffix, f := range map[string]time.Duration{"s": time.Second, "m": time.Minute, "h": time.Hour, "d": 24 * time.Hour} {
		if rest, ok := strings.CutSuffix(text, suffix); ok {
			number, factor = rest, f
		}
	}
	n, err := strconv.ParseInt(number, 10, 64)
	if err != nil || n < 1 || n > int64(maxStep/factor) {
		return 0, refused("step", "%q is no step: give whole seconds, such as 900, or 15m, 6h, 1d; at most 366 days", text)
	}
	return time.Duration(n) * factor, nil
}

const maxStep = 366 * 24 * time.Hour

// A cursor is opaque to whoever uses it. Ours is the last id of the page before.
func cursorAfter(id dewline.SystemID) string { return base64.RawURLEncoding.EncodeToString([]byte(id)) }

func parseCursor(text string) (dewline.SystemID, error) {
	if text == "" {
		return "", nil
	}
	id, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil || !dewline.SystemID(id).Valid() {
		return "", errCursor()
	}
	return dewline.SystemID(id), nil
}

func errCursor() error {
	return refused("cursor", "take it as it stands in next of the page before, or leave it out to begin again")
}

func parseSystem(text string) (dewline.SystemID, error) {
	id := dewline.SystemID(text)
	if text != "" && !id.Valid() {
		return "", refused("system", "%q is no system: write it as <site>/<system>, such as quay-library/hall-ac", text)
	}
	return id, nil
}
