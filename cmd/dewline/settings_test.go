package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestSampleSettings: the sample that operators begin with is what the program reads.
func TestSampleSettings(t *testing.T) {
	s, err := readSettings("../../deploy/dewline.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if s.Topic != "dewline" || s.Store.Kind != "embedded" || s.MaxAge.Hours() != 744 || s.LogRetention != logKept {
		t.Errorf("read %+v", s)
	}
}

func TestSettingsRefuse(t *testing.T) {
	for text, want := range map[string]string{
		"stroe: {}":                     "stroe",
		"tls: {cert: a.pem}":            "needs both",
		"store: {kind: paper}":          "paper",
		"tariff: {per_kwh: 0.24}":       "currency",
		"tariff: {per_kwh: -1}":         "price",
		"max_age: -1h":                  "negative",
		"log_retention: 24h":            "2160h",
		"log_retention: -1h":            "negative",
		"broker: {max_disk_mb: -1}":     "negative",
		"database: here/dewline.db":     "postgres://",
		"max_age: soon":                 "soon",
		"store: {retention: 5, kind: {": "yaml",
	} {
		path := filepath.Join(t.TempDir(), "dewline.yaml")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := readSettings(path); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want an error with %q", text, err, want)
		}
	}
	if _, err := readSettings(""); err != nil {
		t.Errorf("no settings: %v", err)
	}
}
