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
// within keys are joined by dots: "system.points.suction_temp.accuracy" is "0.5 K". A list has each item
// on a line of its own. A point is fitted where "system.points.suction_temp" has any value; an empty value
// states nothing. "owner.name" is an owner that is new.
type FleetForm map[string]string

// FormPoint is the key of a form that says whether a point is fitted.
func FormPoint(p Point) string { return "system.points." + p.String() }

// lists are the keys of a form that stand for a list, with what parts its items: a tag may have spaces in
// it, and coefficients come in lines, in rows or in columns.
var lists = map[string]func(text string) []string{
	"system.tags":                     textLines,
	"system.compressor.map.mass_flow": strings.Fields,
	"system.compressor.map.power":     strings.Fields,
}

// textLines returns the lines of a text that have something on them.
func textLines(text string) (lines []string) {
	for line := range strings.Lines(text) {
		if line = strings.TrimSpace(line); line != "" {
			lines = append(lines, line)
		}
	}
	return lines
}

// SiteForm returns the form that states what is known of a site, but for its systems.
func SiteForm(site *Site) FleetForm {
	form := FleetForm{}
	form.state("site", mappingOf(site, siteKeys, 0))
	return form
}

// FormOf returns the form that states what is known of a system.
func FormOf(site *Site, s *System) FleetForm {
	form := SiteForm(site)
	form.state("system", mappingOf(s, systemKeys, 0))
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
		case yaml.SequenceNode:
			if lists[key] != nil {
				items := make([]string, len(v.Content))
				for j, item := range v.Content {
					items[j] = item.Value
				}
				form[key] = strings.Join(items, "\n")
			}
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
// is "". A site that is enrolled stays as it is, see [Fleet.ChangeSite]. Everything is checked by the reader
// of fleet files.
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
	site, known := f.Site(form["site.id"])
	var place *yaml.Node
	if known {
		alone := *site
		alone.Systems = nil
		place = mappingOf(&alone, siteKeys, 0)
		place.Content = place.Content[:len(place.Content)-2] // its systems
		b.number(place, "site")
		delete(form, "owner.name")
	}
	owners := b.owners(f, form, problems)
	if !known {
		place = b.mapping("site", form)
	}
	system := b.mapping("system", form)
	systems := &yaml.Node{Kind: yaml.SequenceNode, Line: b.line(""), Content: []*yaml.Node{system}}
	read, problems := b.read(owners, place, systems, problems, facts)
	if len(problems) > 0 {
		return nil, problems
	}
	text, problems = f.with(read, old).checked(facts)
	if _, taken := f.System(NewSystemID(form["site.id"], form["system.id"])); taken && old == nil {
		return nil, FormProblems{"system.id": "the site has a system of this id already: choose another"}
	}
	return text, problems
}

// ChangeSite returns the fleet file with a site as a form has it; its systems stay as they are. Everything is
// checked by the reader of fleet files.
func (f *Fleet) ChangeSite(form FleetForm, id string, facts RefrigerantFacts) (text []byte, problems FormProblems) {
	old, ok := f.Site(id)
	if !ok {
		return nil, FormProblems{"": "the site is not enrolled any more"}
	}
	form, problems = maps.Clone(form), FormProblems{}
	form["site.id"] = id
	b := formNodes{}
	owners := b.owners(f, form, problems)
	place, systems := b.mapping("site", form), listOf(old.Systems, systemKeys, 0)
	b.number(systems, "")
	read, problems := b.read(owners, place, systems, problems, facts)
	if len(problems) > 0 {
		return nil, problems
	}
	sites := slices.Clone(f.Sites)
	i := slices.IndexFunc(sites, func(s Site) bool { return s.ID == id })
	sites[i] = read.sites[0]
	return NewFleet(read.owners, sites).checked(facts)
}

// Without returns the fleet without a system. Its site stays.
func (f *Fleet) Without(id SystemID) *Fleet {
	sites := slices.Clone(f.Sites)
	for i := range sites {
		if sites[i].ID == id.Site() {
			sites[i].Systems = slices.DeleteFunc(slices.Clone(sites[i].Systems), func(s System) bool { return s.ID == id })
		}
	}
	return NewFleet(f.Owners, sites)
}

// WithoutSite returns the fleet without a site and its systems.
func (f *Fleet) WithoutSite(id string) *Fleet {
	return NewFleet(f.Owners, slices.DeleteFunc(slices.Clone(f.Sites), func(s Site) bool { return s.ID == id }))
}

// with returns f with the one system that was read, in the place of old or added.
func (f *Fleet) with(read fleetText, old *System) *Fleet {
	site := read.sites[0]
	s := site.Systems[0]
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

// owners returns the owners of f, and the one that the form names as new, whose the site is then.
func (b *formNodes) owners(f *Fleet, form FleetForm, problems FormProblems) *yaml.Node {
	owners := slices.Clone(f.Owners)
	if name := strings.TrimSpace(form["owner.name"]); name != "" {
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
	who := listOf(owners, ownerKeys, 0)
	b.number(who, "owner")
	return who
}

// read lets the reader of fleet files read owners and one site with its systems, and adds what is wrong to
// the problems.
func (b *formNodes) read(owners, place, systems *yaml.Node, problems FormProblems, facts RefrigerantFacts) (fleetText, FormProblems) {
	key := func(name string) *yaml.Node {
		k := textNode(name)
		k.Line = b.line("")
		return k
	}
	place.Content = append(place.Content, key("systems"), systems)
	sites := &yaml.Node{Kind: yaml.SequenceNode, Line: b.line(""), Content: []*yaml.Node{place}}
	root := &yaml.Node{Kind: yaml.MappingNode, Line: b.line(""), Content: []*yaml.Node{key("owners"), owners, key("sites"), sites}}
	r := &fleetReader{file: "form", facts: facts, lastLine: len(b.keys), nodesLeft: maxRepeatedNodes + len(b.keys)}
	var read fleetText
	r.readFleet(root, &read)
	for _, e := range r.problems {
		problems.add(b.keyOf(e), e.Problem)
	}
	return read, problems
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
		switch items := lists[path]; {
		case items != nil && len(below(path, form)) == 0:
			v = &yaml.Node{Kind: yaml.SequenceNode, Line: k.Line}
			for _, text := range items(form[path]) {
				item := textNode(text)
				item.Line = k.Line
				v.Content = append(v.Content, item)
			}
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
