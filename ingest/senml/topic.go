package senml

import (
	"strings"

	"dewline"
)

// TopicKind says what is published under a topic.
type TopicKind uint8

// The kinds of topics of the contract.
const (
	ReadingsTopic TopicKind = iota + 1 // SenML packs of one system
	StatusTopic                        // whether a gateway is connected
)

// Topic is a topic of the contract taken apart. Its texts are parts of the topic; nothing is copied.
type Topic struct {
	Kind TopicKind
	Site string
	Name string // the system's, or the gateway's, without the site

	path string // "<site>/<name>"
}

// System returns the id of the system that a ReadingsTopic is for.
func (t Topic) System() dewline.SystemID { return dewline.SystemID(t.path) }

// Gateway returns "<site>/<gateway>" of a StatusTopic, which is also the gateway's user name.
func (t Topic) Gateway() string { return t.path }

// ParseTopic takes a topic below prefix apart ("dewline" by default). It reports false for one that
// the contract does not know.
func ParseTopic(prefix, topic string) (Topic, bool) {
	rest, ok := strings.CutPrefix(topic, prefix)
	if !ok || len(rest) == 0 || rest[0] != '/' {
		return Topic{}, false
	}
	rest = rest[1:]
	end := strings.LastIndexByte(rest, '/')
	if end < 0 {
		return Topic{}, false
	}
	t := Topic{path: rest[:end]}
	switch rest[end+1:] {
	case "readings":
		t.Kind = ReadingsTopic
	case "status":
		t.Kind = StatusTopic
	default:
		return Topic{}, false
	}
	t.Site, t.Name, _ = strings.Cut(t.path, "/")
	if !dewline.ValidID(t.Site) || !dewline.ValidID(t.Name) {
		return Topic{}, false
	}
	return t, true
}
