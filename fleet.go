package dewline

import (
	"slices"
	"time"

	"dewline/thermo/si"
)

// Fleet is everything that is enrolled, as the fleet file says it, in the order of the file.
// It is made by [ReadFleet] or [NewFleet] and not changed afterwards; any number of goroutines may
// read it. What may stand in a fleet is checked in one place, ReadFleet: a program that puts one
// together lets the text of [Fleet.Marshal] be read back.
type Fleet struct {
	Owners []Owner
	Sites  []Site

	owners  map[string]*Owner
	sites   map[string]*Site
	systems map[SystemID]*System
	inOrder []*System
}

// Owner is a customer. Who may see a system hangs on the owner of its site.
type Owner struct {
	ID   string
	Name string
}

// Site is a place with its systems.
type Site struct {
	ID       string
	Name     string
	Owner    string         // an owner's id
	Address  string         // how to get there, as people write it
	Timezone *time.Location // for pages and reports only: everything is computed in event time. UTC where none is stated
	Altitude si.Metre       // above sea level, for the pressure of the air around a vented gauge; a site without any may leave it out as 0
	Systems  []System
}

// NewFleet returns the fleet of these owners and sites.
func NewFleet(owners []Owner, sites []Site) *Fleet {
	f := &Fleet{
		Owners: owners, Sites: sites,
		owners:  make(map[string]*Owner, len(owners)),
		sites:   make(map[string]*Site, len(sites)),
		systems: make(map[SystemID]*System),
	}
	for i := range owners {
		f.owners[owners[i].ID] = &owners[i]
	}
	for i := range sites {
		f.sites[sites[i].ID] = &sites[i]
		for j := range sites[i].Systems {
			s := &sites[i].Systems[j]
			f.systems[s.ID] = s
			f.inOrder = append(f.inOrder, s)
		}
	}
	return f
}

// System returns the system with the full id.
func (f *Fleet) System(id SystemID) (*System, bool) {
	s, ok := f.systems[id]
	return s, ok
}

// Systems returns every system in the order of the file. The slice is the fleet's own.
func (f *Fleet) Systems() []*System { return f.inOrder }

// Site returns the site with the id.
func (f *Fleet) Site(id string) (*Site, bool) {
	s, ok := f.sites[id]
	return s, ok
}

// Owner returns the owner with the id.
func (f *Fleet) Owner(id string) (*Owner, bool) {
	o, ok := f.owners[id]
	return o, ok
}

// Circuits returns the systems that make up one machine with s, itself among them: those of its
// site with the same Machine. A system that names no machine is one by itself.
func (f *Fleet) Circuits(s *System) []*System {
	site, ok := f.sites[s.ID.Site()]
	if !ok || s.Machine == "" {
		return []*System{s}
	}
	var circuits []*System
	for i := range site.Systems {
		if c := &site.Systems[i]; c.Machine == s.Machine {
			circuits = append(circuits, c)
		}
	}
	return circuits
}

// Gateway returns the gateway that sends the readings of s: the one it names, or else the only one
// that its site has, or else none.
func (f *Fleet) Gateway(s *System) (string, bool) {
	if s.Gateway != "" {
		return s.Gateway, true
	}
	if site, ok := f.sites[s.ID.Site()]; ok {
		if all := site.Gateways(); len(all) == 1 {
			return all[0], true
		}
	}
	return "", false
}

// Gateways returns the gateways that the systems of the site name, each once, in order.
func (s *Site) Gateways() []string {
	var all []string
	for i := range s.Systems {
		if g := s.Systems[i].Gateway; g != "" && !slices.Contains(all, g) {
			all = append(all, g)
		}
	}
	return all
}
