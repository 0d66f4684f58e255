package dewline

import (
	"context"
	"errors"
	"maps"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"
)

// FleetForm is what somebody typed to enrol a system or to change one: values as the fleet file writes
// them, by its keys. Those of the site begin with "site.", those of the system with "system.", and keys
// within keys are joined by dots: "system.points.suction_temp.accuracy" is "0.5 K". A point is fitted
// where "system.points.suction_temp" has any value; an empty value states nothing. "owner.name" is an
// owner that is new.
type FleetForm map[string]string

// FormPoint is the key of a form that says whether a point is fitted.
func FormPoint(p Point) string { return "system.points." + p.String() }

// FormOf returns the form that states what is known of a system. Tags and the compressor's map are not in
// it: Enrol keeps them.
func FormOf(site *Site, s *System) FleetForm {
	form, plain := FleetForm{}, *s
	plain.CompressorMap = nil
	form.state("site", mappingOf(site, siteKeys, 0))
	form.state("system", mappingOf(&plain, systemKeys, 0))
	for _, p := range s.Points {
		form[FormPoint(p.Point)] = "fitted"
	}
	return form
}

// state puts the values of a mapping into the form.
func (form FleetForm) state(prefix string, m *yaml.Node) {
	for i := 0; i+1 < len(m.Content); i += 2 {
		key, v := prefix+"."+m.Content[i].Value, m.Content[i+1]
		switch v.Kind {
		case yaml.ScalarNode:
			form[key] = v.Value
		case yaml.MappingNode:
			form.state(key, v)
		}
	}
}

// FormProblems says what is wrong with a form, by its keys; "" is the key of what belongs to no field.
type FormProblems map[string]string

func (p FormProblems) add(key, problem string) {
	if p[key] == "" {
		p[key] = problem
	}
}

// Enrol returns the fleet file with the system of a form in it: in the place of was, or added where was
// is "". A site that is enrolled stays as it is. Everything is checked by the reader of fleet files.
func (f *Fleet) Enrol(form FleetForm, was SystemID, facts RefrigerantFacts) (text []byte, problems FormProblems) {
	form, problems = maps.Clone(form), FormProblems{}
	var old *System
	if was != "" {
		var ok bool
		if old, ok = f.System(was); !ok {
			return nil, FormProblems{"": "the system is not enrolled any more"}
		}
		form["site.id"], form["system.id"] = was.Site(), was.System()
	}
	b := formNodes{}
	root := b.fleet(f, form, problems)
	r := &fleetReader{file: "form", facts: facts, lastLine: len(b.keys), nodesLeft: maxRepeatedNodes}
	var read fleetText
	r.readFleet(root, &read)
	for _, e := range r.problems {
		problems.add(b.keyOf(e), e.Problem)
	}
	if len(problems) > 0 {
		return nil, problems
	}
	text, problems = f.with(read, old).checked(facts)
	if _, taken := f.System(NewSystemID(form["site.id"], form["system.id"])); taken && old == nil {
		return nil, FormProblems{"system.id": "the site has a system of this id already: choose another"}
	}
	return text, problems
}

// with returns f with the one system that was read, in the place of old or added.
func (f *Fleet) with(read fleetText, old *System) *Fleet {
	site := read.sites[0]
	s := site.Systems[0]
	if old != nil {
		s.CompressorMap, s.Tags = old.CompressorMap, old.Tags
	}
	sites := slices.Clone(f.Sites)
	i := slices.IndexFunc(sites, func(known Site) bool { return known.ID == site.ID })
	if i < 0 {
		site.Systems = []System{s}
		return NewFleet(read.owners, append(sites, site))
	}
	systems := slices.Clone(sites[i].Systems)
	if at := slices.IndexFunc(systems, func(known System) bool { return known.ID == s.ID }); at >= 0 {
		systems[at] = s
	} else {
		systems = append(systems, s)
	}
	sites[i].Systems = systems
	return NewFleet(read.owners, sites)
}

// checked writes the fleet and lets the reader of fleet files look at all of it: a system may be right
// by itself and wrong beside others.
func (f *Fleet) checked(facts RefrigerantFacts) ([]byte, FormProblems) {
	text, err := f.Marshal()
	if err == nil {
		_, err = ReadFleet("fleet.yaml", text, facts)
	}
	all, ok := errors.AsType[FleetErrors](err)
	if err != nil && !ok {
		return nil, FormProblems{"": err.Error()}
	}
	problems := FormProblems{}
	for _, e := range all {
		if e.Key == "gateway" {
			problems.add("system.gateway", e.Problem)
			continue
		}
		problems.add("", e.Key+": "+e.Problem)
	}
	return text, problems
}

// formNodes makes of a form what the reader of fleet files reads. Each key has a line of its own, so
// that what is wrong on a line is wrong in a field.
type formNodes struct{ keys []string }

func (b *formNodes) line(key string) int {
	b.keys = append(b.keys, key)
	return len(b.keys)
}

// keyOf returns the key of the field that a problem is of: that of its line, or the one below it that
// is missing.
func (b *formNodes) keyOf(e FleetError) string {
	key := b.keys[e.Line-1]
	if last := key[strings.LastIndexByte(key, '.')+1:]; last != e.Key {
		key += "." + e.Key
	}
	return key
}

func (b *formNodes) fleet(f *Fleet, form FleetForm, problems FormProblems) *yaml.Node {
	owners := slices.Clone(f.Owners)
	site, known := f.Site(form["site.id"])
	if name := strings.TrimSpace(form["owner.name"]); name != "" && !known {
		made := MadeID(name)
		switch _, taken := f.Owner(made); {
		case made == "":
			problems.add("owner.name", "no id can be made of it: use letters a to z or digits")
		case taken:
			problems.add("owner.name", "there is an owner of this name: choose them above")
		}
		owners = append(owners, Owner{made, name})
		form["site.owner"] = made
	}
	var place *yaml.Node
	if known {
		alone := *site
		alone.Systems = nil
		place = mappingOf(&alone, siteKeys, 0)
		place.Content = place.Content[:len(place.Content)-2] // its systems
		b.number(place, "site")
	} else {
		place = b.mapping("site", form)
	}
	system := b.mapping("system", form)
	list := func(items ...*yaml.Node) *yaml.Node {
		return &yaml.Node{Kind: yaml.SequenceNode, Line: b.line(""), Content: items}
	}
	key := func(name string) *yaml.Node {
		k := textNode(name)
		k.Line = b.line("")
		return k
	}
	place.Content = append(place.Content, key("systems"), list(system))
	who := listOf(owners, ownerKeys, 0)
	b.number(who, "owner")
	return &yaml.Node{Kind: yaml.MappingNode, Line: b.line(""), Content: []*yaml.Node{key("owners"), who, key("sites"), list(place)}}
}

// number puts everything that stands at a node on a line of a key.
func (b *formNodes) number(n *yaml.Node, key string) {
	n.Line = b.line(key)
	for _, c := range n.Content {
		b.number(c, key)
	}
}

// mapping returns the keys of a form below a prefix.
func (b *formNodes) mapping(prefix string, form FleetForm) *yaml.Node {
	m := &yaml.Node{Kind: yaml.MappingNode, Line: b.line(prefix)}
	for _, name := range below(prefix, form) {
		path := prefix + "." + name
		if prefix == "system.points" && strings.TrimSpace(form[path]) == "" {
			continue
		}
		k := textNode(name)
		k.Line = b.line(path)
		v := textNode(strings.TrimSpace(form[path]))
		switch {
		case prefix == "system.points" || len(below(path, form)) > 0:
			v = b.mapping(path, form)
			v.Line = k.Line
		default:
			v.Line = k.Line
		}
		m.Content = append(m.Content, k, v)
	}
	return m
}

// below returns the names of the keys that a form has below a prefix and that state something, in order.
func below(prefix string, form FleetForm) []string {
	var names []string
	for _, key := range slices.Sorted(maps.Keys(form)) {
		rest, ok := strings.CutPrefix(key, prefix+".")
		if !ok || strings.TrimSpace(form[key]) == "" {
			continue
		}
		if name, _, _ := strings.Cut(rest, "."); !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	return names
}

// FleetFile is the fleet file as a service keeps it.
type FleetFile struct {
	Text    []byte
	Version string // another one after each change
	Fixed   string // why the service cannot change it, "" where it can
}

// Enrolment keeps what is enrolled. It is safe for concurrent use.
type Enrolment interface {
	// FleetFile returns the file as it is.
	FleetFile(ctx context.Context) (FleetFile, error)
	// PutFleetFile makes text the fleet file and what is enrolled, at once. A text that is wrong is
	// FleetErrors; one that was made of a version that is not the present one is an error with code
	// Clash, and one that cannot be changed with code Forbidden.
	PutFleetFile(ctx context.Context, text []byte, version string) error
	// Facts are those by which it is read.
	Facts() RefrigerantFacts
}
