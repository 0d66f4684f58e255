package influx

import (
	"encoding/json"
	"os"
	"regexp"
	"strings"
	"testing"

	"dewline"
	"dewline/ingest/store"
)

var (
	boardField       = regexp.MustCompile(`[a-z]+\("([a-z_]+)"\)`)
	boardMeasurement = regexp.MustCompile(`FROM "([a-z]+)"`)
	boardTag         = regexp.MustCompile(`"([a-z]+)" =~|KEY = "([a-z]+)"`)
)

// TestBoardOfReadings holds what the board in deploy asks for to what the store writes.
func TestBoardOfReadings(t *testing.T) {
	written := map[string]bool{} // measurement and field
	tags := map[string]bool{}
	for _, p := range dewline.Points() {
		if p.Dimension() == dewline.EventText {
			continue
		}
		line := lines([]store.Write{{Sample: dewline.Sample{System: "site/system", Point: p, At: 1, Value: 1}}})
		key, rest, _ := strings.Cut(line, " ")
		measurement, tagged, _ := strings.Cut(key, ",")
		field, _, _ := strings.Cut(rest, "=")
		written[measurement+" "+field] = false
		for tag := range strings.SplitSeq(tagged, ",") {
			name, _, _ := strings.Cut(tag, "=")
			tags[name] = true
		}
	}
	text, err := os.ReadFile("../../../deploy/boards/readings.json")
	if err != nil {
		t.Fatal(err)
	}
	var board struct {
		Panels []struct {
			Title   string
			Targets []struct{ Query string }
		}
		Templating struct {
			List []struct{ Query string }
		}
	}
	if err := json.Unmarshal(text, &board); err != nil {
		t.Fatal(err)
	}
	check := func(title, query string, fields int) {
		t.Helper()
		from := boardMeasurement.FindStringSubmatch(query)
		found := boardField.FindAllStringSubmatch(strings.Split(query, "FROM")[0], -1)
		if from == nil || len(found) != fields {
			t.Fatalf("%s: what does %q ask for?", title, query)
		}
		for _, f := range found {
			if _, ok := written[from[1]+" "+f[1]]; !ok {
				t.Errorf("%s: the store writes no field %s of measurement %s", title, f[1], from[1])
			}
			written[from[1]+" "+f[1]] = true
		}
		for _, m := range boardTag.FindAllStringSubmatch(query, -1) {
			if tag := m[1] + m[2]; !tags[tag] {
				t.Errorf("%s: the store writes no tag %s", title, tag)
			}
		}
	}
	for _, p := range board.Panels {
		for _, target := range p.Targets {
			check(p.Title, target.Query, 1)
		}
	}
	for _, v := range board.Templating.List {
		check("a choice", v.Query, 0)
	}
	for field, asked := range written {
		if !asked {
			t.Errorf("the board does not show %s", field)
		}
	}
}
