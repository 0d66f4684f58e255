package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"time"

	"dewline"
	"dewline/cmd/dewline/simfleet"
)

// readTruthFile reads truths as simulate writes them: JSON objects, one a line or in an array. The
// truth of others is taken too: a time is Unix milliseconds in onset_ms, or in onset a text in RFC 3339
// or Unix seconds, and likewise for the others; what else stands in a line is passed over.
func readTruthFile(path string) ([]simfleet.Truth, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read the truth: %w", err)
	}
	text = bytes.TrimSpace(text)
	var lines []truthLine
	if bytes.HasPrefix(text, []byte("[")) {
		if err := json.Unmarshal(text, &lines); err != nil {
			return nil, fmt.Errorf("%s: %w", path, err)
		}
	} else {
		for d := json.NewDecoder(bytes.NewReader(text)); ; {
			var l truthLine
			if err := d.Decode(&l); errors.Is(err, io.EOF) {
				break
			} else if err != nil {
				return nil, fmt.Errorf("%s: truth %d: %w", path, len(lines)+1, err)
			}
			lines = append(lines, l)
		}
	}
	truths := make([]simfleet.Truth, len(lines))
	for i, l := range lines {
		if truths[i], err = l.truth(); err != nil {
			return nil, fmt.Errorf("%s: truth %d: %w", path, i+1, err)
		}
	}
	return truths, nil
}

// truthLine is a truth with its times in either form.
type truthLine struct {
	simfleet.Truth
	Onset      moment `json:"onset"`
	Detectable moment `json:"detectable"`
	Harmful    moment `json:"harmful"`
	Repaired   moment `json:"repaired"`
}

func (l *truthLine) truth() (simfleet.Truth, error) {
	t := l.Truth
	for _, x := range []struct {
		to   *dewline.Millis
		from moment
	}{{&t.Onset, l.Onset}, {&t.Detectable, l.Detectable}, {&t.Harmful, l.Harmful}, {&t.Repaired, l.Repaired}} {
		if *x.to == 0 {
			*x.to = dewline.Millis(x.from)
		}
	}
	if !t.System.Valid() {
		return t, fmt.Errorf("%q is no system: give site/system", t.System)
	}
	if t.Fault == "" {
		return t, fmt.Errorf("%s: no fault is named: give a fault of the contract, or none", t.System)
	}
	return t, nil
}

// moment is a time as text in RFC 3339 or as Unix seconds; null is none.
type moment dewline.Millis

func (m *moment) UnmarshalJSON(text []byte) error {
	if string(text) == "null" {
		return nil
	}
	if s, err := strconv.ParseFloat(string(text), 64); err == nil {
		*m = moment(s * 1000)
		return nil
	}
	var t time.Time
	if err := t.UnmarshalJSON(text); err != nil {
		return fmt.Errorf("%s is no time: give RFC 3339 or Unix seconds", text)
	}
	*m = moment(dewline.MillisOf(t))
	return nil
}

// readAlertFile reads alerts as replay and the API list them.
func readAlertFile(path string) ([]dewline.Alert, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read the alerts: %w", err)
	}
	var list struct {
		Alerts []dewline.Alert `json:"alerts"`
	}
	if err := json.Unmarshal(text, &list); err != nil {
		return nil, fmt.Errorf("%s: %w (give the list that dewline replay writes)", path, err)
	}
	return list.Alerts, nil
}
