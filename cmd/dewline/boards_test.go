package main

import (
	"encoding/json"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"dewline"

	"github.com/prometheus/client_golang/prometheus"
	"go.yaml.in/yaml/v3"
)

// board is what the test reads of a board for the general charting program.
type board struct {
	UID, Title string
	Panels     []struct {
		ID                       int
		Title, Type, Description string
		Datasource               struct{ Type, UID string }
		GridPos                  struct{ X, Y, W, H int }
		Targets                  []struct {
			RefID, Expr, LegendFormat string
			Datasource                struct{ Type, UID string }
		}
	}
}

var (
	descName   = regexp.MustCompile(`fqName: "([^"]+)"`)
	descLabels = regexp.MustCompile(`variableLabels: \{([^}]*)\}`)
	metricName = regexp.MustCompile(`\b(?:dewline|go|process|promhttp)_[a-z0-9_]+`)
	labelNames = regexp.MustCompile(`\bby \(([a-z, ]+)\)|\{([a-z]+)="`)
	shownLabel = regexp.MustCompile(`\{\{([a-z]+)\}\}`)
)

// TestBoardOfService holds what the board asks for to what a service exposes.
func TestBoardOfService(t *testing.T) {
	s := startTestService(t, serviceOptions{Fleet: dewline.NewFleet(nil, nil)})
	exposed := map[string][]string{} // labels by name
	descs := make(chan *prometheus.Desc)
	go func() {
		s.registry.Describe(descs)
		close(descs)
	}()
	for d := range descs {
		name := descName.FindStringSubmatch(d.String())
		labels := descLabels.FindStringSubmatch(d.String())
		if name == nil || labels == nil {
			t.Fatalf("what is described as %s?", d)
		}
		exposed[name[1]] = strings.Split(labels[1], ",")
	}
	histograms := map[string]bool{}
	families, err := s.registry.Gather()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range families {
		histograms[f.GetName()] = f.GetType().String() == "HISTOGRAM"
		if exposed[f.GetName()] == nil {
			exposed[f.GetName()] = []string{}
		}
	}

	b := readBoard(t, "service.json")
	asked := 0
	for _, p := range b.Panels {
		if p.Datasource.UID != "dewline-service" || p.Datasource.Type != "prometheus" || len(p.Targets) == 0 {
			t.Errorf("%s: it asks nobody, or somebody else: %+v", p.Title, p.Datasource)
		}
		for _, target := range p.Targets {
			names := metricName.FindAllString(target.Expr, -1)
			if len(names) == 0 {
				t.Errorf("%s: %q asks for nothing", p.Title, target.Expr)
			}
			for _, name := range names {
				asked++
				allowed := []string{}
				if base, ok := strings.CutSuffix(name, "_bucket"); ok && histograms[base] {
					name, allowed = base, []string{"le"}
				}
				labels, ok := exposed[name]
				if !ok {
					t.Errorf("%s: the service exposes no %s", p.Title, name)
				}
				allowed = append(allowed, labels...)
				used := slices.Concat(labelNames.FindAllStringSubmatch(target.Expr, -1), shownLabel.FindAllStringSubmatch(target.LegendFormat, -1))
				for _, m := range used {
					if label := strings.Join(m[1:], ""); !slices.Contains(allowed, label) {
						t.Errorf("%s: %s has no label %q", p.Title, name, label)
					}
				}
			}
		}
	}
	if asked < 25 {
		t.Errorf("only %d metrics were found on the board", asked)
	}
}

func readBoard(t *testing.T, name string) (b board) {
	t.Helper()
	text, err := os.ReadFile("../../deploy/boards/" + name)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, &b); err != nil {
		t.Fatal(err)
	}
	return b
}

// TestBoardsFindTheirSources: what the boards ask by is what is provisioned beside them.
func TestBoardsFindTheirSources(t *testing.T) {
	text, err := os.ReadFile("../../deploy/boards/datasources.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var provisioned struct {
		Datasources []struct{ UID, Type string }
	}
	if err := yaml.Unmarshal(text, &provisioned); err != nil {
		t.Fatal(err)
	}
	types := map[string]string{}
	for _, d := range provisioned.Datasources {
		types[d.UID] = d.Type
	}
	uids := map[string]bool{}
	for _, name := range []string{"service.json", "readings.json"} {
		b := readBoard(t, name)
		if b.UID == "" || uids[b.UID] || !strings.HasPrefix(b.Title, "Dewline: ") {
			t.Errorf("%s: uid %q, title %q", name, b.UID, b.Title)
		}
		uids[b.UID] = true
		for _, p := range b.Panels {
			if p.Type != "text" && types[p.Datasource.UID] != p.Datasource.Type {
				t.Errorf("%s: %s asks %+v, which is not provisioned", name, p.Title, p.Datasource)
			}
		}
	}
}

// TestBoardsAreWhole: every panel has a number of its own and a place of its own on the 24 columns, and says
// what it is; what it asks has a letter of its own.
func TestBoardsAreWhole(t *testing.T) {
	const columns = 24
	for _, name := range []string{"service.json", "readings.json"} {
		ids, titles, taken := map[int]bool{}, map[string]bool{}, map[[2]int]string{}
		for _, p := range readBoard(t, name).Panels {
			if p.ID <= 0 || ids[p.ID] || p.Type != "text" && (p.Title == "" || titles[p.Title]) {
				t.Errorf("%s: panel %d %q has no number or name of its own", name, p.ID, p.Title)
			}
			ids[p.ID], titles[p.Title] = true, true
			at := p.GridPos
			if at.W <= 0 || at.H <= 0 || at.X < 0 || at.Y < 0 || at.X+at.W > columns {
				t.Errorf("%s: %q lies beside the board: %+v", name, p.Title, at)
			}
			for x := at.X; x < at.X+at.W; x++ {
				for y := at.Y; y < at.Y+at.H; y++ {
					if other, is := taken[[2]int{x, y}]; is {
						t.Fatalf("%s: %q lies on %q", name, p.Title, other)
					}
					taken[[2]int{x, y}] = p.Title
				}
			}
			letters := map[string]bool{}
			for _, target := range p.Targets {
				if target.RefID == "" || letters[target.RefID] || target.Datasource != p.Datasource {
					t.Errorf("%s: %q asks %+v", name, p.Title, target)
				}
				letters[target.RefID] = true
			}
		}
	}
}
