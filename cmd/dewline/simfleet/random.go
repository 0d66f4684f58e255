package simfleet

import (
	"fmt"
	"math/rand/v2"
	"strings"

	"dewline"
	"dewline/thermo/plant"
)

// draw makes choices from a seed.
type draw struct{ *rand.Rand }

func (d draw) in(low, high float64) float64 { return low + (high-low)*d.Float64() }
func (d draw) chance(p float64) bool        { return d.Float64() < p }

func pick[T any](d draw, of ...T) T { return of[d.IntN(len(of))] }

// weighed picks by weights.
func weighed[T any](d draw, of []T, weight func(T) float64) T {
	sum := 0.0
	for _, x := range of {
		sum += weight(x)
	}
	at := d.Float64() * sum
	for _, x := range of {
		if at -= weight(x); at < 0 {
			return x
		}
	}
	return of[len(of)-1]
}

// climate is a kind of weather; the numbers are those of plant.Weather over the year.
type climate struct {
	meanC, seasonC, dayC float64
	swingC, dewGapK      float64
	lowM, highM          float64 // altitudes of its sites
	weight               float64
}

// climates: temperate by the sea, hot and dry, hot and humid, mild, upland.
var climates = []climate{
	{meanC: 17, seasonC: 7, dayC: 4.5, swingC: 1.8, dewGapK: 6, highM: 60, weight: 3},
	{meanC: 22, seasonC: 9, dayC: 7, swingC: 1.8, dewGapK: 16, lowM: 100, highM: 1100, weight: 2},
	{meanC: 25.5, seasonC: 3.5, dayC: 4, swingC: 1.2, dewGapK: 4, highM: 40, weight: 2},
	{meanC: 18, seasonC: 6.5, dayC: 5.5, swingC: 2, dewGapK: 8, highM: 400, weight: 2},
	{meanC: 13, seasonC: 8, dayC: 6.5, swingC: 2.4, dewGapK: 6, lowM: 900, highM: 1800, weight: 1.5},
}

// Words that the region's names are made of.
var (
	siteWords = []string{"Alder", "Amber", "Anchor", "Barley", "Beacon", "Bramble", "Brook", "Cedar", "Chalk", "Cinder", "Clover", "Copper",
		"Dune", "Ember", "Fallow", "Fern", "Flint", "Gannet", "Granary", "Harrow", "Heather", "Heron", "Juniper", "Kelp", "Lantern", "Larch",
		"Linden", "Marram", "Meadow", "Mill", "Orchard", "Osprey", "Pebble", "Plover", "Reed", "Rowan", "Saddle", "Sallow", "Shingle", "Sorrel",
		"Spindle", "Tarn", "Thistle", "Tiller", "Weir", "Willow"}
	siteKinds = []string{"Bakery", "Brewery", "Cannery", "Chapel", "Clinic", "College", "Dairy", "Depot", "Exchange", "Foundry", "Garage", "Grocer",
		"Hall", "Hotel", "House", "Kitchen", "Laundry", "Library", "Lodge", "Market", "Press", "School", "Station", "Studio", "Theatre", "Works"}
	ownerNames  = []string{"Upper Valley Council", "Shoreline Grocers", "Twin Rivers Lodgings", "Highroad Foods", "Ridge and Vale Schools", "Three Bridges Trust"}
	roomWords   = []string{"Hall", "Office", "Ward", "Studio", "Shop", "Attic", "Annex", "Gallery", "Lounge", "Lab"}
	coolerWords = []string{"Dairy", "Produce", "Cellar", "Prep", "Flower", "Cheese"}
	freezeWords = []string{"Ice", "Meat", "Stock", "Bread"}
	caseWords   = []string{"Counter", "Aisle", "Front", "Corner"}
)

// newRegion draws a fleet: sites of an invented region with up to five systems each, half of them faulty.
func newRegion(o Options) *layout {
	d := draw{rand.New(rand.NewPCG(o.Seed, 0xd3a1))}
	t := &layout{o: o}
	for _, name := range ownerNames {
		t.owners = append(t.owners, dewline.Owner{ID: slug(name), Name: name})
	}
	// The span lies in the cooling season, early or late in it.
	middle := float64(o.Start.Unix()+o.Present.Unix()) / 2 / 86400
	warmest := middle + d.in(-40, 40)
	faulty := d.Perm(o.Systems)
	taken := map[string]int{}
	for len(t.entries) < o.Systems {
		c := weighed(d, climates, func(c climate) float64 { return c.weight })
		name := pick(d, siteWords...) + " " + pick(d, siteKinds...)
		if taken[name]++; taken[name] > 1 {
			name = fmt.Sprintf("%s %d", name, taken[name])
		}
		site := place{slug(name), name, pick(d, t.owners...).ID, "", float64(int(d.in(c.lowM, c.highM)))}
		t.places = append(t.places, site)
		w := &plant.Weather{Seed: d.Uint64(), MeanC: c.meanC + d.in(-1.2, 1.2), SeasonC: c.seasonC, DayC: c.dayC * d.in(0.85, 1.15),
			SwingC: c.swingC * d.in(0.8, 1.2), WarmestDay: warmest, DewGapK: c.dewGapK * d.in(0.85, 1.15), Noon: 12.6}
		used := map[string]int{}
		for range min(1+d.IntN(5), o.Systems-len(t.entries)) {
			i := len(t.entries)
			e := newDrawn(draw{rand.New(rand.NewPCG(d.Uint64(), uint64(i)))}, site, w, used)
			e.drawn.faulty = 2*faulty[i] < o.Systems
			t.entries = append(t.entries, e)
		}
	}
	return t
}

func slug(name string) string { return strings.ReplaceAll(strings.ToLower(name), " ", "-") }
