package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/pprof"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/google/pprof/profile"
)

// benchServe is serve with the profiles of the Go runtime on a loopback port. It is for benches: a
// service shows its inside to nobody.
type benchServe struct {
	serveCommand
	Profiles string `required:"" placeholder:"ADDR" help:"Where profiles are answered."`
}

// Run runs the service.
func (c *benchServe) Run(ctx context.Context, std *streams) error {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /debug/pprof/profile", pprof.Profile)
	mux.Handle("GET /debug/pprof/heap", pprof.Handler("heap"))
	server := &http.Server{Addr: c.Profiles, Handler: mux}
	defer server.Close()
	go server.ListenAndServe() //nolint:errcheck // the bench says what it misses
	return c.serveCommand.Run(ctx, std)
}

// The parts of the service that a profile is split into.
const (
	partBroker   = "broker"
	partIngest   = "ingest"
	partStore    = "store"
	partAnalysis = "analytics"
	partDatabase = "alerts, roll-ups, states"
	partPages    = "pages, API, metrics"
	partGC       = "garbage collection"
	partRuntime  = "scheduler, rest"
)

// partOf tells by a function's name which part it belongs to. Functions of the Go library and of
// libraries that several parts use belong to whoever called them.
var partOf = []struct{ prefix, part string }{
	{"dewline/ingest/broker.", partBroker},
	{"github.com/nats-io/", partBroker},
	{"dewline/ingest/store", partStore},
	{"github.com/prometheus/prometheus/", partStore},
	{"github.com/influxdata/", partStore},
	{"dewline/ingest", partIngest},
	{"github.com/eclipse/paho", partIngest},
	{"dewline/analytics", partAnalysis},
	{"dewline/thermo", partAnalysis},
	{"dewline/alerts", partDatabase},
	{"modernc.org/", partDatabase},
	{"main.(*analyst)", partDatabase},
	{"dewline/dashboards", partPages},
	{"github.com/go-chi/", partPages},
	{"github.com/danielgtaylor/huma", partPages},
	{"github.com/prometheus/client_golang/prometheus/promhttp", partPages},
	{"net/http/pprof.", partPages},
}

// collecting are the functions of the garbage collector, found anywhere in a stack.
var collecting = []string{"runtime.gcBgMarkWorker", "runtime.gcAssistAlloc", "runtime.bgsweep", "runtime.bgscavenge", "runtime.gcStart", "runtime.gcMarkTermination"}

// partOfStack returns the part of the innermost function that belongs to one.
func partOfStack(s *profile.Sample) string {
	found := ""
	for _, location := range s.Location {
		for _, line := range location.Line {
			name := line.Function.Name
			for _, c := range collecting {
				if strings.HasPrefix(name, c) {
					return partGC
				}
			}
			for _, p := range partOf {
				if found == "" && strings.HasPrefix(name, p.prefix) {
					found = p.part
				}
			}
		}
	}
	return cmp.Or(found, partRuntime)
}

// share is how much of a whole a part has.
type share struct {
	name  string
	value float64
}

// fetchProfile fetches a profile and splits one of its values (cpu, or inuse_space) into parts and
// into functions, greatest first. It is kept in a file unless keep is "".
func (c *benchChild) fetchProfile(ctx context.Context, path, value, keep string) (parts, functions []share, err error) {
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+c.profiles+path, nil)
	if err != nil {
		return nil, nil, err
	}
	answer, err := http.DefaultClient.Do(request)
	if err != nil {
		return nil, nil, err
	}
	defer answer.Body.Close()
	raw, err := io.ReadAll(answer.Body)
	if err != nil {
		return nil, nil, err
	}
	if keep != "" {
		if err := os.WriteFile(keep, raw, 0o644); err != nil {
			return nil, nil, err
		}
	}
	p, err := profile.ParseData(raw)
	if err != nil {
		return nil, nil, err
	}
	column := slices.IndexFunc(p.SampleType, func(t *profile.ValueType) bool { return t.Type == value })
	if column < 0 {
		return nil, nil, fmt.Errorf("the profile has no %s", value)
	}
	byPart, byFunction := map[string]float64{}, map[string]float64{}
	for _, s := range p.Sample {
		v := float64(s.Value[column])
		byPart[partOfStack(s)] += v
		if len(s.Location) > 0 && len(s.Location[0].Line) > 0 {
			byFunction[s.Location[0].Line[0].Function.Name] += v
		}
	}
	return greatest(byPart, len(byPart)), greatest(byFunction, 12), nil
}

func greatest(of map[string]float64, n int) []share {
	var all []share
	for name, v := range of {
		all = append(all, share{name, v})
	}
	slices.SortFunc(all, func(a, b share) int { return cmp.Or(cmp.Compare(b.value, a.value), cmp.Compare(a.name, b.name)) })
	return all[:min(n, len(all))]
}

func total(all []share) float64 {
	sum := 0.0
	for _, s := range all {
		sum += s.value
	}
	return sum
}

// processor fetches a CPU profile over d; its values are nanoseconds.
func (c *benchChild) processor(ctx context.Context, d time.Duration, keep string) (parts, functions []share, err error) {
	return c.fetchProfile(ctx, fmt.Sprintf("/debug/pprof/profile?seconds=%d", max(1, int(d.Seconds()))), "cpu", keep)
}

// heap fetches what is live on the heap now; its values are bytes.
func (c *benchChild) heap(ctx context.Context) (parts, functions []share, err error) {
	return c.fetchProfile(ctx, "/debug/pprof/heap?gc=1", "inuse_space", "")
}
