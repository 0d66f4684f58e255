// Package influxtest starts an InfluxDB 1.8 server for tests, on the loopback address only.
package influxtest

import (
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"
	"time"
)

// Server is a running server of one test.
type Server struct {
	URL string

	program   string
	config    string
	databases atomic.Int32
	process   *exec.Cmd
}

// Start starts a server that ends with the test. Without the program the test is skipped, or
// fails where DEWLINE_REQUIRE=1 says that nothing may be skipped.
func Start(t *testing.T) *Server {
	t.Helper()
	s := &Server{program: find(t)}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := listener.Addr().String()
	if err := listener.Close(); err != nil {
		t.Fatal(err)
	}
	folder := t.TempDir()
	s.URL = "http://" + address
	s.config = filepath.Join(folder, "influxdb.conf")
	config := fmt.Sprintf(`reporting-disabled = true
bind-address = "127.0.0.1:0"
[meta]
  dir = %q
[data]
  dir = %q
  wal-dir = %q
  query-log-enabled = false
[http]
  bind-address = %q
  flux-enabled = true
  log-enabled = false
[monitor]
  store-enabled = false
[logging]
  level = "error"
`, filepath.Join(folder, "meta"), filepath.Join(folder, "data"), filepath.Join(folder, "wal"), address)
	if err := os.WriteFile(s.config, []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	s.Run(t)
	t.Cleanup(s.Kill)
	return s
}

// find looks in the path and in the checkout's folder of tools.
func find(t *testing.T) string {
	t.Helper()
	if path, err := exec.LookPath("influxd"); err == nil {
		return path
	}
	_, here, _, _ := runtime.Caller(0)
	path := filepath.Join(filepath.Dir(here), "../../../../.cache/bin/influxd")
	if _, err := os.Stat(path); err == nil {
		return path
	}
	const missing = "influxd 1.8 is neither in the path nor in .cache/bin: build it with GOBIN=<checkout>/.cache/bin go install github.com/influxdata/influxdb/cmd/influxd@v1.8.10"
	if os.Getenv("DEWLINE_REQUIRE") == "1" {
		t.Fatal(missing)
	}
	t.Skip(missing)
	return ""
}

// Run starts the server again after Kill, on what it had stored.
func (s *Server) Run(t *testing.T) {
	t.Helper()
	s.process = exec.Command(s.program, "-config", s.config)
	s.process.Env = []string{"HOME=" + filepath.Dir(s.config)} // no INFLUXDB_ settings of the machine
	if err := s.process.Start(); err != nil {
		t.Fatal(err)
	}
	for deadline := time.Now().Add(60 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		answer, err := http.Get(s.URL + "/ping")
		if err == nil {
			_ = answer.Body.Close()
			if answer.StatusCode == http.StatusNoContent {
				return
			}
		}
		if time.Now().After(deadline) {
			t.Fatalf("influxd does not answer at %s: %v", s.URL, err)
		}
	}
}

// Kill ends the server as a crash does.
func (s *Server) Kill() {
	if s.process == nil {
		return
	}
	_ = s.process.Process.Kill()
	_ = s.process.Wait()
	s.process = nil
}

// Database makes an empty database and returns the bucket that it is.
func (s *Server) Database(t *testing.T) string {
	t.Helper()
	name := fmt.Sprintf("test%d", s.databases.Add(1))
	var said string
	for deadline := time.Now().Add(60 * time.Second); time.Now().Before(deadline); time.Sleep(50 * time.Millisecond) {
		answer, err := http.PostForm(s.URL+"/query", url.Values{"q": {"CREATE DATABASE " + name}})
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(answer.Body)
		_ = answer.Body.Close()
		said = string(body)
		// Failures are told in the body; a server that has just started is not ready for this.
		if err == nil && answer.StatusCode == http.StatusOK && !strings.Contains(said, "error") {
			return name + "/autogen"
		}
		t.Logf("making database %s: %s", name, said)
	}
	t.Fatalf("making database %s: %s", name, said)
	return ""
}
