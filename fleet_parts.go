package dewline

import (
	"cmp"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"
)

func (r *fleetReader) readFleet(root *yaml.Node, f *fleetText) {
	found := readKeys(r, entry{yamlKey, root.Line, root}, fleetKeys, f)
	if found["owners"] == 0 {
		r.makeOwners(f)
		return
	}
	ids := make([]string, len(f.owners))
	for i, o := range f.owners {
		ids[i] = o.ID
	}
	for i, s := range f.sites {
		if s.Owner != "" && !slices.Contains(ids, s.Owner) {
			r.fail(r.ownerLines[i], "owner", "unknown owner %s%s", quoted(s.Owner), suggestion(s.Owner, ids))
		}
	}
}

// makeOwners turns the names that sites give into owners, in a file that lists none.
func (r *fleetReader) makeOwners(f *fleetText) {
	names := make(map[string]string) // by id
	for i := range f.sites {
		s := &f.sites[i]
		if s.Owner == "" {
			continue // it is missing or refused, and said to be
		}
		name := s.Owner
		s.Owner = MadeID(name)
		made, known := names[s.Owner]
		switch {
		case s.Owner == "":
			r.fail(r.ownerLines[i], "owner", "no id can be made of %s: list it under owners with an id", quoted(name))
		case !known:
			names[s.Owner] = name
			f.owners = append(f.owners, Owner{s.Owner, name})
		case made != name:
			r.fail(r.ownerLines[i], "owner", "%s and %s would both get the id %s: list them under owners", quoted(made), quoted(name), s.Owner)
		}
	}
}

// MadeID makes an id of a name, which may be none: what an id may have is kept, in lower case, and the rest
// becomes single dashes.
func MadeID(name string) string {
	words := strings.FieldsFunc(strings.ToLower(name), func(c rune) bool { return (c < 'a' || c > 'z') && (c < '0' || c > '9') })
	made := strings.Join(words, "-")
	return strings.TrimSuffix(made[:min(len(made), 63)], "-")
}

func readOwners(r *fleetReader, e entry, f *fleetText) {
	seen := make(lines)
	for _, item := range r.items(e) {
		var o Owner
		found := readKeys(r, item, ownerKeys, &o)
		o.Name = cmp.Or(o.Name, o.ID)
		r.unique(seen, o.ID, found["id"])
		f.owners = append(f.owners, o)
	}
}

// unique reports an id that another of the same list has already.
func (r *fleetReader) unique(seen lines, id string, line int) {
	if id == "" {
		return
	}
	if first, taken := seen[id]; taken {
		r.fail(line, "id", "%s is taken: it stands on line %d already", id, first)
		return
	}
	seen[id] = line
}

func readSites(r *fleetReader, e entry, f *fleetText) {
	seen := make(lines)
	for _, item := range r.items(e) {
		s := Site{Timezone: time.UTC}
		found := readKeys(r, item, siteKeys, &s)
		s.Name = cmp.Or(s.Name, s.ID)
		r.unique(seen, s.ID, found["id"])
		for i := range s.Systems {
			s.Systems[i].ID = NewSystemID(s.ID, string(s.Systems[i].ID))
		}
		if found != nil && found["altitude"] == 0 && slices.ContainsFunc(s.Systems, (System).ventedGauge) {
			r.fail(item.line, "altitude", "missing: a gauge sensor counts from the air around it, so state the height above sea level, such as altitude: 12 m")
		}
		f.sites = append(f.sites, s)
		r.ownerLines = append(r.ownerLines, found["owner"])
	}
}

// ventedGauge says whether a pressure of s counts from the air around its sensor.
func (s System) ventedGauge() bool {
	return slices.ContainsFunc(s.Points, func(f PointFitting) bool { return f.Reference == Gauge })
}

func readSystems(r *fleetReader, e entry, site *Site) {
	seen := make(lines)
	items := r.items(e)
	for _, item := range items {
		s := System{Importance: Ordinary}
		found := readKeys(r, item, systemKeys, &s)
		s.Name = cmp.Or(s.Name, string(s.ID))
		r.unique(seen, string(s.ID), found["id"])
		r.checkSuperheat(&s, found)
		site.Systems = append(site.Systems, s)
	}
	if len(site.Gateways()) < 2 {
		return
	}
	for i, s := range site.Systems {
		if s.Gateway == "" {
			r.fail(items[i].line, "gateway", "missing: the site has several (%s), so say which one sends this system's readings",
				strings.Join(site.Gateways(), ", "))
		}
	}
}

// checkSuperheat holds the rule that only a valve has a superheat to aim for.
func (r *fleetReader) checkSuperheat(s *System, found lines) {
	if s.Metering != "" && !s.Metering.HoldsSuperheat() {
		for _, key := range []string{"target_superheat", "target_superheat_at"} {
			if line := found[key]; line != 0 {
				r.fail(line, key, "a %s has no constant superheat target, it moves with weather and load: remove the key", s.Metering)
			}
		}
		return
	}
	switch target, at := found["target_superheat"], found["target_superheat_at"]; {
	case at != 0 && target == 0:
		r.fail(at, "target_superheat_at", "it says where, but target_superheat does not say how much: state both or neither")
	case target != 0 && at == 0:
		s.TargetSuperheatAt = AtCoil // where a valve has its bulb or sensor
	}
}

func readTags(r *fleetReader, e entry, s *System) {
	for _, item := range r.items(e) {
		text, ok := r.text(item)
		if !ok {
			continue
		}
		tag, err := oneLine(text)
		switch {
		case err != nil:
			r.failAt(item, "%s", err)
		case slices.Contains(s.Tags, tag):
			r.failAt(item, "%s is listed twice", quoted(tag))
		default:
			s.Tags = append(s.Tags, tag)
		}
	}
}

func writeTags(s *System) *yaml.Node {
	if len(s.Tags) == 0 {
		return nil
	}
	list := &yaml.Node{Kind: yaml.SequenceNode, Style: yaml.FlowStyle}
	for _, t := range s.Tags {
		list.Content = append(list.Content, textNode(t))
	}
	return list
}

func readCompressor(r *fleetReader, e entry, s *System) {
	var c compressor
	if found := readKeys(r, e, compressorKeys, &c); found["map"] != 0 {
		s.CompressorMap = &c.m
	}
}

func writeCompressor(s *System) *yaml.Node {
	if s.CompressorMap == nil {
		return nil
	}
	return mappingOf(&compressor{*s.CompressorMap}, compressorKeys, 0)
}

func readMap(r *fleetReader, e entry, c *compressor) {
	found := readKeys(r, e, mapKeys, &c.m)
	if found == nil {
		return
	}
	if found["mass_flow"] == 0 && found["power"] == 0 {
		r.failAt(e, "it has neither mass_flow nor power: give the ten coefficients of one or both")
	}
	if superheat, gas := found["rated_superheat"], found["rated_return_gas"]; (superheat == 0) == (gas == 0) {
		r.failAt(e, "state either rated_superheat or rated_return_gas, as the maker's table does")
	}
}

// pointNames are the points that can be fitted: events are reported, not measured.
var pointNames = func() []string {
	var names []string
	for _, p := range Points() {
		if p.Dimension() != EventText {
			names = append(names, p.String())
		}
	}
	return names
}()

func readPoints(r *fleetReader, e entry, s *System) {
	pairs, ok := r.pairs(e)
	if !ok {
		return
	}
	for _, p := range pairs {
		point, known := PointNamed(p.key)
		switch {
		case !known:
			r.failAt(p, "unknown point%s", suggestion(p.key, pointNames))
		case point.Dimension() == EventText:
			r.failAt(p, "an event is reported, not fitted: remove it")
		default:
			s.Points = append(s.Points, readFitting(r, p, point))
		}
	}
	slices.SortFunc(s.Points, func(a, b PointFitting) int { return cmp.Compare(a.Point, b.Point) })
	for _, p := range requiredPoints {
		if !s.Fitted(p) {
			r.fail(e.line, p.String(), "missing: superheat and subcooling cannot be computed without it")
		}
	}
	if !slices.ContainsFunc(highSidePoints, s.Fitted) {
		r.fail(e.line, LiquidPressure.String(), "missing: one high-side pressure is needed, %s or %s", LiquidPressure, DischargePressure)
	}
}

// fittingText is a fitting as the file writes it.
type fittingText struct {
	PointFitting
	gauge bool
}

// fittingKeys are the keys of a fitted point, by the dimension of the point.
var fittingKeys = func() map[Dimension][]fleetKey[fittingText] {
	sampling := fleetKey[fittingText]{name: "sampling", read: readSampling, write: func(f *fittingText) *yaml.Node {
		if f.Sampling == (Sampling{}) {
			return nil
		}
		return mappingOf(&f.Sampling, samplingKeys, yaml.FlowStyle)
	}}
	gauge := flagKey("gauge", func(f *fittingText) *bool { return &f.gauge })
	gauge.write = func(*fittingText) *yaml.Node { return nil } // reference says it
	reference := choiceKey("reference", func(f *fittingText) *PressureReference { return &f.Reference }, Gauge, SealedGauge, Absolute)
	return map[Dimension][]fleetKey[fittingText]{
		Pressure:    {reference, gauge, accuracyKey(pascals, 1, 1e6), sampling},
		Temperature: {accuracyKey(differences, 0.001, 10), sampling},
		Humidity:    {accuracyKey(percents, 0.01, 30), sampling},
		Current:     {accuracyKey(amperes, 0.001, 100), sampling},
		Power:       {accuracyKey(watts, 0.1, 100e3), sampling},
		Percent:     {accuracyKey(percents, 0.01, 30), sampling},
		Count:       {sampling},
		Boolean:     {sampling},
		ModeValue:   {sampling},
	}
}()

// accuracyKey keeps an accuracy in the canonical unit of its point, which is q's unit too.
func accuracyKey[V quantityValue](q quantity[V], least, most V) fleetKey[fittingText] {
	parse := q.within(least, most)
	return scalarKey("accuracy", func(f *fittingText) *float64 { return &f.StatedAccuracy },
		plainly(func(text string) (float64, error) {
			v, err := parse(text)
			return float64(v), err
		}),
		func(v float64) string { return q.format(V(v)) })
}

func readFitting(r *fleetReader, e entry, p Point) PointFitting {
	f := fittingText{PointFitting: PointFitting{Point: p}}
	if isNull(e.node) {
		return defaultFitting(p) // "door_open:" alone says that it is fitted
	}
	found := readKeys(r, e, fittingKeys[p.Dimension()], &f)
	if p.Dimension() != Pressure {
		return f.PointFitting
	}
	short := Absolute
	if f.gauge {
		short = Gauge
	}
	switch {
	case found["reference"] == 0 && found["gauge"] == 0:
		f.Reference = Gauge
	case found["reference"] == 0:
		f.Reference = short
	case found["gauge"] != 0 && f.Reference != "" && f.Reference != short:
		r.fail(found["gauge"], "gauge", "gauge: %s means reference: %s, but reference: %s stands beside it: keep one",
			strconv.FormatBool(f.gauge), short, f.Reference)
	}
	return f.PointFitting
}

func writePoints(s *System) *yaml.Node {
	m := &yaml.Node{Kind: yaml.MappingNode}
	for _, p := range s.Points {
		f := fittingText{PointFitting: p}
		m.Content = append(m.Content, textNode(p.Point.String()), mappingOf(&f, fittingKeys[p.Point.Dimension()], yaml.FlowStyle))
	}
	return m
}

func readSampling(r *fleetReader, e entry, f *fittingText) {
	readKeys(r, e, samplingKeys, &f.Sampling)
}
