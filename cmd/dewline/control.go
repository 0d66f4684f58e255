package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
)

// control lets the commands of the same machine reach a running service, over a socket in its data
// folder that only its user can open.
type control struct {
	listener net.Listener
	restores chan restoreRequest
}

// restoreRequest asks the service to start again with the data of an archive.
type restoreRequest struct {
	path string
	done chan error
}

func socketPath(data string) string { return filepath.Join(data, "control.sock") }

func startControl(s *service) (*control, error) {
	path := socketPath(s.o.Data)
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, err
	}
	listener, err := net.Listen("unix", path)
	if err != nil {
		return nil, fmt.Errorf("control socket: %w", err)
	}
	if err := os.Chmod(path, 0o600); err != nil {
		return nil, err
	}
	c := &control{listener: listener, restores: make(chan restoreRequest)}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /backup", func(w http.ResponseWriter, r *http.Request) {
		p := s.running.Load()
		if p == nil {
			http.Error(w, "the service is still starting: try again when /readyz says so", http.StatusServiceUnavailable)
			return
		}
		if err := writeBackup(r.Context(), w, s.o.Data, p.readings, s.relational); err != nil {
			s.log.Error("backup failed", "err", err)
			panic(http.ErrAbortHandler) // the reader must not take the part for the whole
		}
	})
	mux.HandleFunc("POST /restore", func(w http.ResponseWriter, r *http.Request) {
		path, err := receive(s.o.Data, r.Body)
		if err == nil {
			defer os.Remove(path)
			err = checkArchive(s.o.Data, path)
		}
		if err != nil {
			http.Error(w, err.Error(), http.StatusBadRequest)
			return
		}
		req := restoreRequest{path, make(chan error, 1)}
		select {
		case c.restores <- req:
			err = <-req.done
		case <-r.Context().Done():
			return
		}
		if err != nil {
			http.Error(w, err.Error(), http.StatusInternalServerError)
		}
	})
	go (&http.Server{Handler: mux}).Serve(listener)
	return c, nil
}

func receive(data string, body io.Reader) (string, error) {
	f, err := os.CreateTemp(data, "restore-*.tar.zst")
	if err != nil {
		return "", err
	}
	_, err = io.Copy(f, body)
	if err = errors.Join(err, f.Close()); err != nil {
		os.Remove(f.Name())
		return "", err
	}
	return f.Name(), nil
}

// close takes no more connections. One that is there stays: a restore answers over it when the data
// have been replaced.
func (c *control) close() { c.listener.Close() }

// controlClient returns a client of the service that runs on a data folder.
func controlClient(data string) *http.Client {
	return &http.Client{Transport: &http.Transport{
		DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
			return (&net.Dialer{}).DialContext(ctx, "unix", socketPath(data))
		},
	}}
}
