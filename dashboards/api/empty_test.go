package api_test

import (
	"context"
	"encoding/json"
	"maps"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline"
	"dewline/dashboards/api"
	"dewline/dashboards/overview"
	"dewline/dashboards/pagebook"
)

// emptyDesk is where nobody has worked on anything yet.
type emptyDesk struct {
	dewline.AlertDesk
	dewline.ServiceDesk
}

func (emptyDesk) HoldsIn(context.Context, string) ([]dewline.Hold, error) { return nil, nil }
func (emptyDesk) CallsIn(context.Context, dewline.CallFilter) ([]dewline.ServiceCall, error) {
	return nil, nil
}
func (emptyDesk) Visits(context.Context, dewline.SystemID, dewline.Millis, dewline.Millis) ([]dewline.Visit, error) {
	return nil, nil
}
func (emptyDesk) Report(context.Context, dewline.Millis, dewline.Millis) (dewline.ServiceReport, error) {
	return dewline.ServiceReport{}, nil
}
func (emptyDesk) Stock(context.Context, string) ([]dewline.StockItem, error) { return nil, nil }

func (emptyDesk) ReadRejects(context.Context, dewline.RejectFilter, int) ([]dewline.Reject, error) {
	return nil, nil
}
func (emptyDesk) CountRejects(context.Context) (map[dewline.Reason]int64, error) { return nil, nil }

// TestEmptyListsAreLists asks every list of an installation that has nothing: each is [] and never null,
// over which a program would stumble on its first day only. The lists are those of the document, so that
// a new one is asked too.
func TestEmptyListsAreLists(t *testing.T) {
	nobody := &telling{}
	o := api.Options{
		Overview: overview.New(overview.Source{Fleet: func() *dewline.Fleet { return dewline.NewFleet(nil, nil) }, States: &pagebook.Book{}, Alerts: &pagebook.Book{}}),
		Alerts:   &alertStore{}, Rejects: emptyDesk{}, Desk: emptyDesk{}, Service: emptyDesk{},
		Contacts: nobody, Notices: nobody, Ledger: &office{}, Calendar: &office{}, Now: func() time.Time { return noon },
	}
	h := mount(t, o)
	var document struct {
		Paths map[string]map[string]struct {
			OperationID string
			Responses   map[string]struct {
				Content map[string]struct{ Schema schema }
			}
		}
		Components struct{ Schemas map[string]schema }
	}
	if err := json.Unmarshal(get(t, h, "/api/v1/openapi.json").Body.Bytes(), &document); err != nil {
		t.Fatal(err)
	}
	var asked []string
	for _, path := range slices.Sorted(maps.Keys(document.Paths)) {
		op := document.Paths[path]["get"]
		s := op.Responses["200"].Content["application/json"].Schema
		s = document.Components.Schemas[strings.TrimPrefix(s.Ref, "#/components/schemas/")]
		var lists []string
		for name, property := range s.Properties {
			if property.list() {
				lists = append(lists, name)
			}
		}
		if len(lists) == 0 || strings.HasPrefix(op.OperationID, "get-") && op.OperationID != "get-stock" {
			continue // one thing, which an empty installation does not have
		}
		_, w := send(h, http.MethodGet, regexp.MustCompile(`{[a-z_]+}`).ReplaceAllString(path, "quay-library"), "")
		var body map[string]json.RawMessage
		if err := json.Unmarshal(w.Body.Bytes(), &body); err != nil || w.Code != http.StatusOK {
			t.Errorf("%s: %d %s", path, w.Code, w.Body)
			continue
		}
		asked = append(asked, op.OperationID)
		for _, name := range lists {
			if text := string(body[name]); text != "[]" {
				t.Errorf("%s: %s is %s", path, name, text)
			}
		}
	}
	if len(asked) < 15 {
		t.Errorf("only %d lists were asked: %v", len(asked), asked)
	}
}

type schema struct {
	Ref        string `json:"$ref"`
	Type       any
	Properties map[string]schema
}

func (s schema) list() bool {
	several, _ := s.Type.([]any)
	return s.Type == "array" || slices.Contains(several, any("array"))
}
