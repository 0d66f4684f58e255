package senml

import (
	"strings"
	"testing"

	"dewline"
)

func TestParseTopic(t *testing.T) {
	f := func(topic string, kind TopicKind, site, name string) {
		t.Helper()
		got, ok := ParseTopic("dewline", topic)
		if !ok || got.Kind != kind || got.Site != site || got.Name != name || got.Gateway() != site+"/"+name || got.System() != dewline.NewSystemID(site, name) {
			t.Errorf("%s: got %+v, %v", topic, got, ok)
		}
	}
	f("dewline/quay-library/hall-ac/readings", ReadingsTopic, "quay-library", "hall-ac")
	f("dewline/quay-library/hall-gw/status", StatusTopic, "quay-library", "hall-gw")
	f("dewline/0/"+strings.Repeat("a", 63)+"/readings", ReadingsTopic, "0", strings.Repeat("a", 63))

	for _, topic := range []string{"", "dewline", "dewline/", "dewline//", "dewline/readings", "dewline/a/readings", "dewline//b/readings", "dewline/a//readings",
		"dewline/a/b/c/readings", "dewline/a/b/", "dewline/a/b/reading", "dewline/a/b/readings/", "dewline/A/b/readings", "dewline/-a/b/readings", "dewline/a_b/c/readings",
		"/dewline/a/b/readings", "dewlines/a/b/readings", "other/a/b/readings", "dewline/a/+/readings", "dewline/a/" + strings.Repeat("b", 64) + "/readings", "dewline/ä/b/status"} {
		if got, ok := ParseTopic("dewline", topic); ok {
			t.Errorf("%s: taken as %+v", topic, got)
		}
	}
	if got, ok := ParseTopic("plant/cooling", "plant/cooling/a/b/readings"); !ok || got.System() != "a/b" {
		t.Errorf("with a prefix of two levels: %+v, %v", got, ok)
	}
	topic := "dewline/quay-library/hall-ac/readings"
	if n := testing.AllocsPerRun(10, func() { ParseTopic("dewline", topic) }); n != 0 {
		t.Errorf("%v allocations a topic", n)
	}
}

func TestParseStatus(t *testing.T) {
	f := func(payload string, online bool, at dewline.Millis) {
		t.Helper()
		got, err := ParseStatus([]byte(payload))
		if want := (Status{online, at}); err != nil || got != want {
			t.Errorf("%s: %v, %v, want %v", payload, got, err, want)
		}
	}
	f(`{"online":true,"time":1940000000}`, true, 1940000000000)
	f(` {"time":1.9400000000005e9,"online":false,"firmware":"2.1"} `, false, 1940000000001)

	for _, bad := range []string{``, `null`, `[]`, `{}`, `{"online":true}`, `{"time":1940000000}`, `{"online":1,"time":1940000000}`, `{"online":"true","time":1940000000}`,
		`{"online":true,"time":"1940000000"}`, `{"online":true,"time":null}`, `{"online":true,"time":12}`, `{"online":true,"time":1e99}`, `{"online":true,"time":1940000000}x`,
		`{"online":true,"time":1940000000,"x":"` + strings.Repeat("x", maxStatusBytes) + `"}`} {
		if got, err := ParseStatus([]byte(bad)); err == nil {
			t.Errorf("%.60s: taken as %v", bad, got)
		}
	}
}

func FuzzTopic(f *testing.F) {
	for _, topic := range []string{"dewline/quay-library/hall-ac/readings", "dewline/quay-library/hall-gw/status", "dewline//readings", "dewline/a/b/c"} {
		f.Add("dewline", topic)
	}
	f.Fuzz(func(t *testing.T, prefix, topic string) {
		got, ok := ParseTopic(prefix, topic)
		last := map[TopicKind]string{ReadingsTopic: "readings", StatusTopic: "status"}[got.Kind]
		rebuilt := prefix + "/" + got.Site + "/" + got.Name + "/" + last
		if valid := got.System().Valid(); ok != (valid && rebuilt == topic) {
			t.Errorf("%q below %q: %+v, %v", topic, prefix, got, ok)
		}
		// A second opinion that takes it apart level by level.
		rest, below := strings.CutPrefix(topic, prefix+"/")
		levels := strings.Split(rest, "/")
		want := below && len(levels) == 3 && dewline.ValidID(levels[0]) && dewline.ValidID(levels[1]) && (levels[2] == "readings" || levels[2] == "status")
		if ok != want {
			t.Errorf("%q below %q: %v, want %v", topic, prefix, ok, want)
		}
	})
}
