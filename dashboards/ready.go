package dashboards

import (
	"encoding/json"
	"net/http"

	"dewline"
	"dewline/dashboards/access"
)

// healthz says that the process answers. Whether it can do its work is for readyz.
func (s *server) healthz(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.Write([]byte("ok\n"))
}

// readiness is the JSON of readyz.
type readiness struct {
	Ready  bool         `json:"ready"`
	Checks []checkState `json:"checks,omitempty"` // not for strangers: they tell how the service is built
}

type checkState struct {
	Name   string `json:"name"`
	OK     bool   `json:"ok"`
	Warns  bool   `json:"warns,omitempty"`
	Detail string `json:"detail,omitempty"`
}

// readyz says whether broker, store and disk are well: 200, or 503 with the reasons for whom they are.
func (s *server) readyz(w http.ResponseWriter, r *http.Request) {
	answer := readiness{Ready: true, Checks: []checkState{}}
	known := dewline.VisitorOf(r.Context()).SeesAll() || access.Local(r)
	for _, c := range s.checks() {
		answer.Ready = answer.Ready && c.OK
		if known {
			answer.Checks = append(answer.Checks, checkState(c))
		}
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	if !answer.Ready {
		w.WriteHeader(http.StatusServiceUnavailable)
	}
	json.NewEncoder(w).Encode(answer)
}
