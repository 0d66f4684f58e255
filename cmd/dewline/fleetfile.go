package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"

	"dewline"
)

// fleetFile keeps the fleet file of a running service: in its data folder, where pages change it, or
// where --fleet says, where they do not.
type fleetFile struct {
	s  *service
	mu sync.Mutex // one change at a time
}

func fleetPath(data string) string { return filepath.Join(data, "fleet.yaml") }

// Facts implements dewline.Enrolment.
func (*fleetFile) Facts() dewline.RefrigerantFacts { return refrigerants{} }

// FleetFile implements dewline.Enrolment. Where there is no file yet, it is what is enrolled.
func (f *fleetFile) FleetFile(context.Context) (dewline.FleetFile, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.read()
}

func (f *fleetFile) read() (file dewline.FleetFile, err error) {
	path := fleetPath(f.s.o.Data)
	if given := f.s.o.FleetFile; given != "" {
		path, file.Fixed = given, "The service was started with --fleet "+given+", so that file is the truth and pages do not change it."
	}
	file.Text, err = os.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		file.Text, err = f.s.fleet.Load().Marshal()
	}
	if err != nil {
		return file, &dewline.Error{Code: dewline.Unavailable, Op: "read the fleet file", Err: err}
	}
	digest := sha256.Sum256(file.Text)
	file.Version = hex.EncodeToString(digest[:])
	return file, nil
}

// PutFleetFile implements dewline.Enrolment. The file before is kept beside it.
func (f *fleetFile) PutFleetFile(_ context.Context, text []byte, version string) error {
	const op = "change the fleet file"
	fleet, err := dewline.ReadFleet("fleet.yaml", text, refrigerants{})
	if err != nil {
		return err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	now, err := f.read()
	switch {
	case err != nil:
		return err
	case now.Fixed != "":
		return &dewline.Error{Code: dewline.Forbidden, Op: op, Err: errors.New(now.Fixed)}
	case now.Version != version:
		return &dewline.Error{Code: dewline.Clash, Op: op, Err: errors.New("somebody else changed it meanwhile")}
	}
	path := fleetPath(f.s.o.Data)
	if err := errors.Join(replaceFile(path+".before", now.Text), replaceFile(path, text)); err != nil {
		return &dewline.Error{Code: dewline.Unavailable, Op: op, Err: err}
	}
	f.s.SetFleet(fleet)
	f.s.log.Info("the fleet was changed by a page", "systems", len(fleet.Systems()))
	return nil
}

// credentials are those of gateways, nil where an external broker keeps them.
func (s *service) credentials() dewline.Gateways {
	if s.o.Settings.Broker.URL != "" {
		return nil
	}
	return s.relational
}

// replaceFile writes a file that is, whatever happens, the old one or the new one.
func replaceFile(path string, text []byte) (err error) {
	temp, err := os.CreateTemp(filepath.Dir(path), ".fleet-*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			os.Remove(temp.Name())
		}
	}()
	_, err = temp.Write(text)
	if err = errors.Join(err, temp.Chmod(0o640), temp.Sync(), temp.Close()); err != nil {
		return err
	}
	if err = os.Rename(temp.Name(), path); err != nil {
		return fmt.Errorf("replace %s: %w", path, err)
	}
	folder, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	return errors.Join(folder.Sync(), folder.Close())
}
