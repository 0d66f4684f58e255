package view

import (
	"cmp"
	"fmt"
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewline"
	"dewline/thermo/si"
)

// A visit is typed into a form, kept as its fields on the phone while there is no signal, and sent as they
// are. VisitValues writes a visit as such fields, VisitOf reads them. Fields of one row of a list share
// the name of the list and are sent in order, empty ones too.

// formTime is how a browser's field of date and time writes them, in the time of the site.
const formTime = "2006-01-02T15:04:05"

// Paper is in whose units and time a form is written.
type Paper struct {
	Idiom
	Zone *time.Location
}

// The lists of a form with the fields of their rows.
var visitLists = map[string][]string{
	"reading": {"point", "reference", "found", "found_at", "left", "left_at"},
	"weigh":   {"at", "refrigerant", "in", "out", "cylinder", "phase", "note"},
	"vacuum":  {"at", "pressure"},
	"part":    {"part", "was", "now", "bore_was", "bore_now", "serial", "note"},
	"sensor":  {"point", "at", "note"},
	"photo":   {"digest", "type", "bytes", "note", "drop"},
}

// VisitRow is the fields of one row of a list.
type VisitRow map[string]string

// rows returns the rows of a list. A form from elsewhere may have fewer fields of one name than of another.
func rows(values url.Values, list string) []VisitRow {
	n := 0
	for _, field := range visitLists[list] {
		n = max(n, len(values[list+"."+field]))
	}
	all := make([]VisitRow, min(n, 1000))
	for i := range all {
		all[i] = VisitRow{}
		for _, field := range visitLists[list] {
			if texts := values[list+"."+field]; i < len(texts) {
				all[i][field] = strings.TrimSpace(texts[i])
			} else {
				all[i][field] = ""
			}
		}
	}
	return all
}

func addRow(values url.Values, list string, row VisitRow) {
	for _, field := range visitLists[list] {
		values.Add(list+"."+field, row[field])
	}
}

// blank says whether nobody has typed anything into the row beside what is there from the beginning.
func (r VisitRow) blank(given ...string) bool {
	for field, text := range r {
		if text != "" && !slices.Contains(given, field) {
			return false
		}
	}
	return true
}

// The units of a form by what is measured, as the API has them and as people read them.
type formUnit struct {
	word     string
	factor   float64 // to SI: si = (typed - offset) / factor
	offset   float64
	decimals int
	parse    func(string) (float64, error) // of a number with a unit of its own
}

func (p Paper) unit(api string) formUnit {
	s := shownAs(api, p.Idiom)
	u := formUnit{s.Word, s.Factor, s.Offset, 4, nil}
	switch api {
	case "Pa":
		u.parse = parsed(si.ParsePressure)
	case "Cel":
		u.parse = func(text string) (float64, error) {
			k, err := si.ParseTemperature(text)
			return k.Celsius(), err
		}
	case "kg":
		u.parse = parsed(si.ParseMass)
	}
	return u
}

func (p Paper) vacuum() formUnit {
	if p.Idiom.System == si.US {
		return formUnit{"micron", 1 / float64(si.FromMicron(1)), 0, 3, parsed(si.ParsePressure)}
	}
	return formUnit{"Pa", 1, 0, 3, parsed(si.ParsePressure)}
}

func (p Paper) bore() formUnit {
	if p.Idiom.System == si.US {
		return formUnit{"in", 1 / float64(si.FromInches(1)), 0, 5, parsed(si.ParseLength)}
	}
	return formUnit{"mm", 1000, 0, 4, parsed(si.ParseLength)}
}

func parsed[T ~float64](parse func(string) (T, error)) func(string) (float64, error) {
	return func(text string) (float64, error) {
		v, err := parse(text)
		return float64(v), err
	}
}

// write returns v as it is typed: no more digits than it takes to be read back.
func (u formUnit) write(v float64) string {
	text := strconv.FormatFloat(u.factor*v+u.offset, 'f', u.decimals, 64)
	return strings.TrimSuffix(strings.TrimRight(text, "0"), ".")
}

// read reads what was typed: a number in the form's unit, with a point or a comma, or with its own unit.
func (u formUnit) read(text string) (float64, error) {
	plain := strings.ReplaceAll(strings.ReplaceAll(text, "\u2212", "-"), "\u00a0", " ")
	if strings.Count(plain, ",") == 1 && !strings.Contains(plain, ".") {
		plain = strings.Replace(plain, ",", ".", 1)
	}
	if v, err := strconv.ParseFloat(plain, 64); err == nil {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return 0, fmt.Errorf("is no number")
		}
		return (v - u.offset) / u.factor, nil
	}
	if u.parse != nil {
		if v, err := u.parse(plain); err == nil && !math.IsNaN(v) && !math.IsInf(v, 0) {
			return v, nil
		}
	}
	return 0, fmt.Errorf("is no number")
}

// foundNothing is the choice of a cause that says that no trouble was found.
const foundNothing = string(dewline.NoFault)

// VisitValues writes a visit as the fields of its form.
func VisitValues(v dewline.Visit, p Paper) url.Values {
	values := url.Values{}
	values.Set("id", v.ID)
	values.Set("revision", strconv.Itoa(v.Revision))
	values.Set("units", string(unitsName(p.Idiom)))
	values.Set("started", p.clock(v.Started))
	values.Set("finished", p.clock(v.Finished))
	values.Set("technician", v.Technician)
	values.Set("certification", v.Certification)
	values.Set("signed_by", v.SignedBy)
	values.Set("notes", v.Notes)
	switch {
	case v.NoTroubleFound:
		values.Set("found", foundNothing)
	case v.Found != nil:
		values.Set("found", strings.TrimSpace(string(v.Found.Fault)+" "+v.Found.Detail))
	}
	p.readings(values, v)
	for _, w := range v.Refrigerant {
		phase := "gas"
		if w.AsLiquid {
			phase = "liquid"
		}
		kg := p.unit("kg")
		addRow(values, "weigh", VisitRow{"at": instant(w.At), "refrigerant": w.Refrigerant, "in": amount(kg, float64(w.Charged)), "out": amount(kg, float64(w.Recovered)),
			"cylinder": w.Cylinder, "phase": phase, "note": w.Note})
	}
	if e := v.Evacuation; e != nil {
		values.Set("vacuum_isolated", p.clock(e.Isolated))
		if l := e.Limits; l != nil {
			values.Set("vacuum_reach", amount(p.vacuum(), float64(l.Reach)))
			values.Set("vacuum_over", amount(p.vacuum(), float64(l.NotOver)))
			values.Set("vacuum_hold", amount(minutes, l.Hold))
			values.Set("vacuum_source", l.Source)
		}
		for _, point := range e.Points {
			addRow(values, "vacuum", VisitRow{"at": p.clock(point.At), "pressure": p.vacuum().write(float64(point.Pressure))})
		}
	}
	for _, c := range v.Parts {
		addRow(values, "part", VisitRow{"part": c.Part, "was": c.Was, "now": c.Now, "serial": c.Serial, "note": c.Note,
			"bore_was": amount(p.bore(), float64(c.BoreWas)), "bore_now": amount(p.bore(), float64(c.BoreNow))})
	}
	for _, c := range v.Sensors {
		addRow(values, "sensor", VisitRow{"point": c.Point, "at": instant(c.At), "note": c.Note})
	}
	for _, c := range v.Photos {
		AddPhoto(values, c)
	}
	return values
}

// AddPhoto adds a photo to the fields of a visit.
func AddPhoto(values url.Values, p dewline.Photo) {
	addRow(values, "photo", VisitRow{"digest": p.Digest, "type": p.Type, "bytes": strconv.FormatInt(p.Bytes, 10), "note": p.Note})
}

var minutes = formUnit{"min", 1.0 / 60, 0, 2, nil}

func unitsName(u Idiom) dewline.Units {
	if u.System == si.US {
		return dewline.USUnits
	}
	return dewline.MetricUnits
}

// readings puts as found and as left of one point beside each other.
func (p Paper) readings(values url.Values, v dewline.Visit) {
	left := slices.Clone(v.AsLeft)
	for _, f := range v.AsFound {
		row := p.reading(f, "found")
		if i := slices.IndexFunc(left, func(l dewline.GaugeReading) bool { return l.Point == f.Point && l.Reference == f.Reference }); i >= 0 {
			beside := p.reading(left[i], "left")
			row["left"], row["left_at"] = beside["left"], beside["left_at"]
			left = slices.Delete(left, i, i+1)
		}
		addRow(values, "reading", row)
	}
	for _, l := range left {
		addRow(values, "reading", p.reading(l, "left"))
	}
}

func (p Paper) reading(r dewline.GaugeReading, which string) VisitRow {
	point, _ := dewline.PointNamed(r.Point)
	return VisitRow{"point": r.Point, "reference": string(r.Reference), which: p.unit(point.Unit()).write(r.Value), which + "_at": instant(r.At)}
}

func amount(u formUnit, v float64) string {
	if v == 0 {
		return ""
	}
	return u.write(v)
}

func instant(at dewline.Stamp) string {
	if at == 0 {
		return ""
	}
	return at.Time().Format(time.RFC3339Nano)
}

func (p Paper) clock(at dewline.Stamp) string {
	if at == 0 {
		return ""
	}
	return at.Time().In(p.zone()).Format(formTime)
}

func (p Paper) zone() *time.Location { return cmp.Or(p.Zone, time.UTC) }

// VisitOf reads the fields of a form. What makes no sense is left out of the visit and said, so that the
// rest is kept; now stands where a time is missing that nobody was asked for.
func VisitOf(values url.Values, p Paper, now dewline.Stamp) (v dewline.Visit, problems []string) {
	r := visitReader{p, now, &problems}
	get := func(name string) string { return strings.TrimSpace(values.Get(name)) }
	v = dewline.Visit{
		ID: get("id"), Started: r.time("started", get("started")), Finished: r.time("finished", get("finished")),
		Technician: get("technician"), Certification: get("certification"), SignedBy: get("signed_by"), Notes: strings.ReplaceAll(get("notes"), "\r\n", "\n"),
	}
	v.Started = cmp.Or(v.Started, now)
	v.Revision, _ = strconv.Atoi(get("revision"))
	switch fault, detail, _ := strings.Cut(get("found"), " "); fault {
	case "":
	case foundNothing:
		v.NoTroubleFound = true
	default:
		v.Found = &dewline.FoundCause{Fault: dewline.Fault(fault), Detail: detail}
	}
	for _, row := range rows(values, "reading") {
		r.reading(&v.AsFound, row, "found", "as found")
		r.reading(&v.AsLeft, row, "left", "as left")
	}
	for _, row := range rows(values, "weigh") {
		r.weighing(&v, row)
	}
	r.evacuation(&v, values)
	for _, row := range rows(values, "part") {
		if row.blank() {
			continue
		}
		if row["part"] == "" {
			r.say("a part that was changed has no name yet")
			continue
		}
		v.Parts = append(v.Parts, dewline.PartChanged{Part: row["part"], Was: row["was"], Now: row["now"], Serial: row["serial"], Note: row["note"],
			BoreWas: si.Metre(r.number("bore that was in it", row["bore_was"], p.bore())), BoreNow: si.Metre(r.number("bore that is in it now", row["bore_now"], p.bore()))})
	}
	for _, row := range rows(values, "sensor") {
		if row["point"] != "" {
			v.Sensors = append(v.Sensors, dewline.SensorChange{Point: row["point"], At: r.instant(row["at"]), Note: row["note"]})
		}
	}
	for _, row := range rows(values, "photo") {
		if row["digest"] != "" && row["drop"] == "" {
			size, _ := strconv.ParseInt(row["bytes"], 10, 64)
			v.Photos = append(v.Photos, dewline.Photo{Digest: row["digest"], Type: row["type"], Bytes: size, Note: row["note"]})
		}
	}
	return v, problems
}

type visitReader struct {
	Paper
	now      dewline.Stamp
	problems *[]string
}

func (r visitReader) say(format string, args ...any) {
	*r.problems = append(*r.problems, sentenceCase(fmt.Sprintf(format, args...)))
}

// number reads what was typed; nothing typed is 0.
func (r visitReader) number(what, text string, u formUnit) float64 {
	if text == "" {
		return 0
	}
	v, err := u.read(text)
	if err != nil {
		r.say("%s: %q %v; give it in %s", what, text, err, u.word)
	}
	return v
}

func (r visitReader) time(what, text string) dewline.Stamp {
	if text == "" {
		return 0
	}
	for _, layout := range []string{formTime, "2006-01-02T15:04"} {
		if t, err := time.ParseInLocation(layout, text, r.zone()); err == nil {
			return dewline.StampOf(t)
		}
	}
	r.say("%s: %q is no date with a time", what, text)
	return 0
}

func (r visitReader) instant(text string) dewline.Stamp {
	if t, err := time.Parse(time.RFC3339Nano, text); err == nil {
		return dewline.StampOf(t)
	}
	return r.now
}

func (r visitReader) reading(list *[]dewline.GaugeReading, row VisitRow, field, when string) {
	point, known := dewline.PointNamed(row["point"])
	if row[field] == "" || !known {
		return
	}
	what := underscores(row["point"]) + " " + when
	v, err := r.unit(point.Unit()).read(row[field])
	if err != nil {
		r.say("%s: %q %v; give it in %s", what, row[field], err, r.unit(point.Unit()).word)
		return
	}
	*list = append(*list, dewline.GaugeReading{Point: row["point"], At: r.instant(row[field+"_at"]), Value: v, Reference: dewline.PressureReference(row["reference"])})
}

func (r visitReader) weighing(v *dewline.Visit, row VisitRow) {
	if row.blank("at", "refrigerant", "phase") {
		return
	}
	in, out := r.number("refrigerant in", row["in"], r.unit("kg")), r.number("refrigerant out", row["out"], r.unit("kg"))
	if in+out == 0 {
		r.say("a weighing has no weight yet: give what went in or out, off the scale")
		return
	}
	if in < 0 || out < 0 {
		r.say("a weight cannot be below zero: what went out has a field of its own")
		return
	}
	v.Refrigerant = append(v.Refrigerant, dewline.Weighing{At: r.instant(row["at"]), Refrigerant: row["refrigerant"], Charged: si.Kilogram(in), Recovered: si.Kilogram(out),
		Cylinder: row["cylinder"], AsLiquid: row["phase"] == "liquid", Note: row["note"]})
}

func (r visitReader) evacuation(v *dewline.Visit, values url.Values) {
	e := dewline.Evacuation{Isolated: r.time("pump valved off", strings.TrimSpace(values.Get("vacuum_isolated"))), Points: []dewline.VacuumPoint{}}
	for _, row := range rows(values, "vacuum") {
		if row["pressure"] == "" {
			continue
		}
		at := cmp.Or(r.time("vacuum reading", row["at"]), r.now)
		pressure := r.number("vacuum reading", row["pressure"], r.vacuum())
		if pressure < 0 {
			r.say("vacuum reading: it is an absolute pressure and cannot be below zero")
			continue
		}
		e.Points = append(e.Points, dewline.VacuumPoint{At: at, Pressure: si.Pascal(pressure)})
	}
	get := func(name string) string { return strings.TrimSpace(values.Get(name)) }
	l := dewline.VacuumLimits{
		Reach:   si.Pascal(r.number("vacuum to reach", get("vacuum_reach"), r.vacuum())),
		NotOver: si.Pascal(r.number("vacuum not above", get("vacuum_over"), r.vacuum())),
		Hold:    r.number("hold the vacuum", get("vacuum_hold"), minutes), Source: get("vacuum_source"),
	}
	if l != (dewline.VacuumLimits{}) {
		e.Limits = &l
	}
	if len(e.Points) > 0 || e.Isolated != 0 || e.Limits != nil {
		v.Evacuation = &e
	}
}
