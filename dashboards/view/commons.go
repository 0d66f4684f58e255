package view

import (
	"cmp"
	"maps"
	"slices"
	"strings"

	"dewline"
)

// Shared is a link to machines that have something in common.
type Shared struct {
	Word, Href string
	Count      int
	Current    bool
}

// Commons counts what machines have in common.
type Commons struct {
	machines int
	tags     map[string]int
	faults   map[dewline.Fault]int
	groups   map[Grouping]*groupCounts // by installer and by model
}

// groupCounts counts the machines of each installer, or of each model.
type groupCounts struct {
	all  map[string]int
	with map[string]map[dewline.Fault]int // by their likely fault
}

func (g *groupCounts) add(key string, fault dewline.Fault) {
	if key == "" {
		return
	}
	if g.all[key]++; fault == "" {
		return
	}
	if g.with[key] == nil {
		g.with[key] = map[dewline.Fault]int{}
	}
	g.with[key][fault]++
}

// suspected returns how many machines of a group likely have a fault.
func (g *groupCounts) suspected(key string) (n int) {
	for _, count := range g.with[key] {
		n += count
	}
	return n
}

// NewCommons returns an empty count.
func NewCommons() *Commons {
	c := &Commons{tags: map[string]int{}, faults: map[dewline.Fault]int{}, groups: map[Grouping]*groupCounts{}}
	for _, by := range []Grouping{ByInstaller, ByModel} {
		c.groups[by] = &groupCounts{map[string]int{}, map[string]map[dewline.Fault]int{}}
	}
	return c
}

// Add counts a machine with the likeliest fault of its alerts, "" without any.
func (c *Commons) Add(sys *dewline.System, fault dewline.Fault) {
	c.machines++
	for _, t := range sys.Tags {
		c.tags[t]++
	}
	if fault != "" {
		c.faults[fault]++
	}
	c.groups[ByInstaller].add(sys.Installer, fault)
	c.groups[ByModel].add(sys.Model, fault)
}

// mostShared is how many links a row of them has.
const mostShared = 12

func shared[K comparable](counts map[K]int, least int, link func(K, int) Shared) []Shared {
	var all []Shared
	for _, key := range slices.Collect(maps.Keys(counts)) {
		if counts[key] >= least {
			all = append(all, link(key, counts[key]))
		}
	}
	slices.SortFunc(all, func(a, b Shared) int { return cmp.Or(cmp.Compare(b.Count, a.Count), cmp.Compare(a.Word, b.Word)) })
	return all[:min(len(all), mostShared)]
}

// Tags are the tags that machines carry.
func (c *Commons) Tags(q Query) []Shared {
	return shared(c.tags, 1, func(tag string, n int) Shared {
		return Shared{tag, Query{Tag: tag, By: q.By}.Href(), n, q.Tag == tag}
	})
}

// Installers are those who installed more than one machine.
func (c *Commons) Installers(q Query) []Shared {
	return shared(c.groups[ByInstaller].all, 2, func(name string, n int) Shared {
		return Shared{name, Query{Installer: name, By: q.By}.Href(), n, q.Installer == name}
	})
}

// Faults are those that more than one machine likely has.
func (c *Commons) Faults(q Query, u Idiom) []Shared {
	return shared(c.faults, 2, func(f dewline.Fault, n int) Shared {
		return Shared{u.FaultWord(f), Query{Fault: f, By: q.By}.Href(), n, q.Fault == f}
	})
}

// Repeated are the faults that more than one machine of the same installer likely has.
func (c *Commons) Repeated(u Idiom) []Shared {
	counts := map[[2]string]int{}
	for installer, with := range c.groups[ByInstaller].with {
		for fault, n := range with {
			counts[[2]string{installer, string(fault)}] = n
		}
	}
	return shared(counts, 2, func(k [2]string, n int) Shared {
		to := Query{By: ByInstaller}.OfGroup(k[0])
		to.Fault = dewline.Fault(k[1])
		return Shared{k[0] + ": " + u.FaultWord(to.Fault), to.Href(), n, false}
	})
}

// Pattern is what the machines of one group have in common: what was done once the same way, or was built
// the same way, may be wrong the same way elsewhere.
type Pattern struct {
	Name, Href string
	Machines   int
	Suspected  int      // of them with a likely fault
	Shares     []Shared // how many of how many have the same fault, or are of the same installer or model
}

// mostPatterns is how many groups are told of.
const mostPatterns = 40

// Patterns returns what the groups of a query have in common, where most is suspected first, and how many
// more groups there are. Groups of sites have none: what is near each other need not be alike.
func (c *Commons) Patterns(q Query, u Idiom) (list []Pattern, more int) {
	if q.By == ByFault {
		for f, n := range c.faults {
			list = append(list, Pattern{Name: u.FaultWord(f), Href: q.OfGroup(string(f)).Href(), Machines: n, Suspected: n, Shares: c.alike(f, u)})
		}
	} else if g := c.groups[q.By]; g != nil {
		for key, n := range g.all {
			to := q.OfGroup(key)
			list = append(list, Pattern{Name: key, Href: to.Href(), Machines: n, Suspected: g.suspected(key), Shares: shared(g.with[key], 1, func(f dewline.Fault, some int) Shared {
				to := to
				to.Fault = f
				return Shared{u.Say("{1} of {2}: {3} (of all machines {4} of {5})", Count(int64(some)), Count(int64(n)), u.FaultWord(f), Count(int64(c.faults[f])), Count(int64(c.machines))), to.Href(), some, false}
			})})
		}
	}
	slices.SortFunc(list, func(a, b Pattern) int {
		return cmp.Or(cmp.Compare(b.Suspected, a.Suspected), cmp.Compare(b.Machines, a.Machines), cmp.Compare(a.Name, b.Name))
	})
	if len(list) > mostPatterns {
		list, more = list[:mostPatterns], len(list)-mostPatterns
	}
	return list, more
}

// alike returns of which installers and models more than one machine likely has a fault.
func (c *Commons) alike(f dewline.Fault, u Idiom) []Shared {
	link := func(by Grouping, say func(n, of, name string) string) []Shared {
		counts := map[string]int{}
		for key, with := range c.groups[by].with {
			counts[key] = with[f]
		}
		return shared(counts, 2, func(key string, n int) Shared {
			to := Query{By: by}.OfGroup(key)
			to.Fault = f
			return Shared{say(Count(int64(n)), Count(int64(c.groups[by].all[key])), key), to.Href(), n, false}
		})
	}
	return append(
		link(ByInstaller, func(n, of, name string) string { return u.Say("{1} of the {2} installed by {3}", n, of, name) }),
		link(ByModel, func(n, of, name string) string { return u.Say("{1} of the {2} of the model {3}", n, of, name) })...)
}

// Before orders the groups of a query by their keys as Patterns does; what is not stated comes last.
func (c *Commons) Before(by Grouping) func(a, b string) int {
	machines, suspected := func(key string) int { return c.faults[dewline.Fault(key)] }, func(string) int { return 0 }
	if g := c.groups[by]; g != nil {
		machines, suspected = func(key string) int { return g.all[key] }, g.suspected
	}
	return func(a, b string) int {
		if a == b {
			return 0
		}
		last := func(key string) int {
			if key == "" {
				return 1
			}
			return 0
		}
		return cmp.Or(cmp.Compare(last(a), last(b)), cmp.Compare(suspected(b), suspected(a)), cmp.Compare(machines(b), machines(a)), cmp.Compare(a, b))
	}
}

// Standing says how many machines stand how, the gravest first.
func (u Idiom) Standing(counts map[dewline.Health]int) string {
	var parts []string
	for _, h := range healths {
		if n := counts[h.health]; n > 0 {
			parts = append(parts, u.Say("{1} {2}", Count(int64(n)), h.word.Said(u)))
		}
	}
	return strings.Join(parts, ", ")
}

// HealthRank orders healths, the gravest first.
func HealthRank(health dewline.Health) int {
	for i := range healths {
		if healths[i].health == health {
			return i
		}
	}
	return len(healths)
}
