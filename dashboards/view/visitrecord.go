package view

import (
	"slices"
	"strings"

	"dewline"
	"dewline/thermo/si"
)

// VisitRecord is a visit as it was recorded.
type VisitRecord struct {
	ID, Href  string
	Machine   string
	Closed    bool
	When      string
	Who       string
	Found     string
	Readings  []GaugeRow
	Weighings []string
	Net       string
	Vacuum    string
	Parts     []string
	Photos    []PhotoLine
	Notes     string
	SignedBy  string
}

// GaugeRow is what the technician's instruments showed at one point, beside our sensor.
type GaugeRow struct{ Name, Found, Left, Ours, Difference string }

// PhotoLine is a picture of a visit.
type PhotoLine struct{ Href, Small, Note string }

// NewVisitRecord puts a visit into words.
func NewVisitRecord(v dewline.Visit, fleet *dewline.Fleet, r Reader) VisitRecord {
	out := VisitRecord{ID: v.ID, Href: VisitHref(v.Call, v.System), Machine: systemName(fleet, v.System), Closed: v.Closed != 0, Notes: v.Notes, SignedBy: v.SignedBy,
		Who: strings.Trim(v.Technician+titleIf(v.Certification != "", ", "+r.Say("certificate {1}", v.Certification)), ", "), Vacuum: VacuumSentence(v.Evacuation, r.Idiom)}
	out.When = r.Clock(dewline.Millis(v.Started))
	if v.Finished != 0 {
		out.When = r.Say("{1} to {2}", out.When, r.Clock(dewline.Millis(v.Finished)))
	}
	switch {
	case v.NoTroubleFound:
		out.Found = r.Say("No trouble found.")
	case v.Found != nil:
		out.Found = r.Say("Found: {1}.", r.causeWords(dewline.Cause{Fault: v.Found.Fault, Detail: v.Found.Detail}))
	}
	out.Readings = gaugeRows(v, r.Idiom)
	for _, w := range v.Refrigerant {
		text := w.Refrigerant
		if w.Charged > 0 {
			text = r.Say("{1} {2} in", massWords(w.Charged, r.Idiom), text) + titleIf(w.AsLiquid, ", "+r.Say("as liquid"))
		} else {
			text = r.Say("{1} {2} out", massWords(w.Recovered, r.Idiom), text)
		}
		if w.Charged > 0 && w.Recovered > 0 {
			text += ", " + r.Say("{1} out", massWords(w.Recovered, r.Idiom))
		}
		out.Weighings = append(out.Weighings, text+titleIf(w.Cylinder != "", ", "+r.Say("cylinder {1}", w.Cylinder))+titleIf(w.Note != "", ", "+w.Note))
	}
	if charged, recovered := v.Net(); charged+recovered > 0 {
		out.Net = r.Say("Net {1} in.", massWords(charged-recovered, r.Idiom))
	}
	for _, p := range v.Parts {
		text := p.Part
		if p.BoreWas > 0 || p.BoreNow > 0 {
			text += ", " + r.Say("bore {1} was in it, {2} is now", boreWords(p.BoreWas, r.Idiom), boreWords(p.BoreNow, r.Idiom))
		}
		if p.Was != "" || p.Now != "" {
			text += ": " + strings.Trim(titleIf(p.Was != "", r.Say("was {1}", p.Was))+titleIf(p.Now != "", ", "+r.Say("now {1}", p.Now)), ", ")
		}
		out.Parts = append(out.Parts, text+titleIf(p.Serial != "", ", "+r.Say("serial {1}", p.Serial))+titleIf(p.Note != "", ", "+p.Note))
	}
	for _, c := range v.Sensors {
		out.Parts = append(out.Parts, r.Say("{1} sensor changed", r.Name(c.Point))+titleIf(c.Note != "", ", "+c.Note))
	}
	for _, p := range v.Photos {
		href := PhotoHref(v.ID, p.Digest)
		out.Photos = append(out.Photos, PhotoLine{href, href + "?size=small", p.Note})
	}
	return out
}

func boreWords(b si.Metre, u Idiom) string {
	if b == 0 {
		return u.Say("an unknown one")
	}
	decimals := 2
	if u.System == si.US {
		decimals = 3
	}
	return spaced(u.Diameter(b, decimals))
}

// gaugeRows puts as found and as left of one point beside each other. Our sensor is that of the later one.
func gaugeRows(v dewline.Visit, u Idiom) (all []GaugeRow) {
	left := slices.Clone(v.AsLeft)
	for _, f := range v.AsFound {
		row := GaugeRow{Name: u.Name(f.Point), Found: gaugeWords(f, u), Left: NoValue, Ours: NoValue, Difference: NoValue}
		row.beside(f, u)
		if i := slices.IndexFunc(left, func(l dewline.GaugeReading) bool { return l.Point == f.Point && l.Reference == f.Reference }); i >= 0 {
			row.Left = gaugeWords(left[i], u)
			row.beside(left[i], u)
			left = slices.Delete(left, i, i+1)
		}
		all = append(all, row)
	}
	for _, l := range left {
		row := GaugeRow{Name: u.Name(l.Point), Found: NoValue, Left: gaugeWords(l, u), Ours: NoValue, Difference: NoValue}
		row.beside(l, u)
		all = append(all, row)
	}
	return all
}

func (row *GaugeRow) beside(r dewline.GaugeReading, u Idiom) {
	p, _ := dewline.PointNamed(r.Point)
	if r.Ours != nil {
		row.Ours = plainValue(*r.Ours, p, u)
	}
	if r.Difference != nil {
		s := shownAs(p.Unit(), u)
		unit := s.Word
		if p.Dimension() == dewline.Temperature {
			unit = KelvinWord(u)
		}
		row.Difference = Decimal(s.delta(*r.Difference), 1) + "\u00a0" + unit
		if *r.Difference > 0 {
			row.Difference = "+" + row.Difference
		}
	}
}

func gaugeWords(r dewline.GaugeReading, u Idiom) string {
	p, _ := dewline.PointNamed(r.Point)
	return plainValue(r.Value, p, u)
}

// LastVisit says what an earlier visit to a machine found and did, for who goes there next.
func LastVisit(visits []dewline.Visit, fleet *dewline.Fleet, r Reader) string {
	if len(visits) == 0 {
		return ""
	}
	last := NewVisitRecord(visits[len(visits)-1], fleet, r)
	parts := []string{r.Say("Last visit {1}.", last.When), last.Found}
	for _, list := range [][]string{last.Parts, last.Weighings} {
		if len(list) > 0 {
			parts = append(parts, sentenceCase(strings.Join(list, "; ")))
		}
	}
	return strings.TrimSpace(strings.Join(append(parts, last.Notes), " "))
}

// massWords writes a weight. What is small is not rounded up to what would be too much.
func massWords(m si.Kilogram, u Idiom) string {
	decimals := 2
	if m < 1 {
		decimals = 3
	}
	return spaced(u.Mass(m, decimals))
}
