package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"dewline/alerts/owners"

	"go.yaml.in/yaml/v3"
)

// settings are what --config FILE holds: the rest of what serve can be told. The zero value of
// each means its default.
type settings struct {
	// TLS is the certificate for MQTT and HTTP.
	TLS struct {
		Cert string `yaml:"cert"` // PEM file
		Key  string `yaml:"key"`  // PEM file
	} `yaml:"tls"`
	// Broker names an external MQTT 3.1.1 broker instead of the embedded one, or tunes that.
	Broker struct {
		URL          string        `yaml:"url"`           // mqtt://host:1883 or mqtts://host:8883; empty: embedded
		User         string        `yaml:"user"`          // of the external broker
		PasswordFile string        `yaml:"password_file"` // holds the password on one line
		ClientID     string        `yaml:"client_id"`     // of the persistent session, "dewline" if empty
		Group        string        `yaml:"group"`         // $share group, for brokers that have shared subscriptions
		SyncAlways   bool          `yaml:"sync_always"`   // embedded: fsync before each acknowledgement
		SyncEvery    time.Duration `yaml:"sync_every"`    // embedded: fsync interval, 2 min
		MaxDiskMB    int64         `yaml:"max_disk_mb"`   // embedded: for messages that wait
	} `yaml:"broker"`
	// Store says where readings are kept.
	Store struct {
		Kind      string        `yaml:"kind"`       // embedded (default) or influx
		Retention time.Duration `yaml:"retention"`  // embedded: how long readings are kept, 9600h
		Block     time.Duration `yaml:"block"`      // embedded: how much time is kept in memory before it becomes a file, 2h
		BudgetMB  int64         `yaml:"budget_mb"`  // embedded: disk for readings, 0: what the disk has
		NoFsync   bool          `yaml:"no_fsync"`   // embedded: acknowledge when the operating system has the readings
		URL       string        `yaml:"url"`        // influx
		TokenFile string        `yaml:"token_file"` // influx: holds the token on one line
		Org       string        `yaml:"org"`        // influx
		Bucket    string        `yaml:"bucket"`     // influx
	} `yaml:"store"`
	// Database is the address of a PostgreSQL database; empty: SQLite in the data folder.
	Database string `yaml:"database"`
	// MaxAge is how old a reading may be when it arrives, 744h.
	MaxAge time.Duration `yaml:"max_age"`
	// RollUpRetention is how long quarter hours are kept, 5 years.
	RollUpRetention time.Duration `yaml:"rollup_retention"`
	// LogRetention is how long notices with their texts, the audit log and refused readings are kept, 9600h.
	LogRetention time.Duration `yaml:"log_retention"`
	// FullSync makes each commit of alerts and credentials wait for the disk (SQLite).
	FullSync bool `yaml:"full_sync"`
	// Topic is the first level of all topics, "dewline".
	Topic string `yaml:"topic"`
	// Notify says how people are told of alerts.
	Notify notifySettings `yaml:"notify"`
	// SignIn says how people sign in.
	SignIn accessSettings `yaml:"sign_in"`
	// Company is the service company, as papers name it.
	Company string `yaml:"company"`
	// Tariff is what electricity costs, for what owners are told; without a price that is in kWh alone.
	Tariff owners.Tariff `yaml:"tariff"`
	// Refrigerant says how leak rates are judged.
	Refrigerant refrigerantSettings `yaml:"refrigerant"`
}

// readSettings reads a settings file strictly; an empty path is all defaults.
func readSettings(path string) (settings, error) {
	var s settings
	if path == "" {
		return s, nil
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return s, fmt.Errorf("read the settings: %w", err)
	}
	d := yaml.NewDecoder(bytes.NewReader(data))
	d.KnownFields(true)
	if err := d.Decode(&s); err != nil && !errors.Is(err, io.EOF) {
		return s, fmt.Errorf("settings %s: %w", path, err)
	}
	return s, s.validate(path)
}

// leastLog is how long a log is kept at least: a month's report is sent once because it is in there.
const leastLog = 90 * 24 * time.Hour

func (s settings) validate(path string) error {
	switch {
	case (s.TLS.Cert == "") != (s.TLS.Key == ""):
		return fmt.Errorf("settings %s: tls needs both cert and key", path)
	case s.Store.Kind != "" && s.Store.Kind != "embedded" && s.Store.Kind != "influx":
		return fmt.Errorf("settings %s: store kind %q: expected embedded or influx", path, s.Store.Kind)
	case s.Database != "" && !strings.HasPrefix(s.Database, "postgres://") && !strings.HasPrefix(s.Database, "postgresql://"):
		return fmt.Errorf("settings %s: database: expected postgres://user@host/name, or nothing for SQLite in the data folder", path)
	case s.Notify.GiveUp < 0 || s.MaxAge < 0 || s.RollUpRetention < 0 || s.LogRetention < 0 || s.Store.Retention < 0 || s.Store.Block < 0 || s.Broker.SyncEvery < 0:
		return fmt.Errorf("settings %s: no duration may be negative", path)
	case s.LogRetention > 0 && s.LogRetention < leastLog:
		return fmt.Errorf("settings %s: log_retention: at least %.0fh, for who was told of what, and which month's report went, must be known for so long", path, leastLog.Hours())
	case !(s.Tariff.PerKWh >= 0 && s.Tariff.PerKWh < 1e6) || s.Tariff.PerKWh > 0 && s.Tariff.Currency == "":
		return fmt.Errorf("settings %s: tariff: per_kwh is a price, with the currency that it is in", path)
	case s.Store.BudgetMB < 0 || s.Broker.MaxDiskMB < 0:
		return fmt.Errorf("settings %s: no size may be negative", path)
	}
	if err := s.SignIn.validate(); err != nil {
		return fmt.Errorf("settings %s: %w", path, err)
	}
	if s.SignIn.OIDC.Issuer != "" && s.Notify.Link == "" {
		return fmt.Errorf("settings %s: sign_in: oidc needs notify: link, the address of the pages to which the provider leads back", path)
	}
	return nil
}

// secret reads a one-line file, so that no password stands in settings or on a command line.
func secret(path string) (string, error) {
	if path == "" {
		return "", nil
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return "", err
	}
	return string(bytes.TrimSpace(data)), nil
}
