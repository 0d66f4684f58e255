package dashboards

import (
	"cmp"
	"context"
	"maps"
	"net/http"
	"slices"
	"strings"

	"github.com/go-chi/chi/v5"

	"dewline"
	"dewline/dashboards/view"
	"dewline/thermo/si"
)

// field is one value of a form, by its key in the fleet file.
type field struct {
	Key, Label, Hint string
	Value            string
	Problem          string
	Theirs           string // what the file says now, where somebody else changed it meanwhile
	Choices          []choice
	Check            bool // it is true or not stated
	Lines            int  // of a list, an item on each line: how many are shown at once
	List             string
	Required         bool
	Number           bool // with a unit
}

// ID is a name by which the page refers to the field.
func (f field) ID() string { return "f-" + strings.ReplaceAll(f.Key, ".", "-") }

type choice struct {
	Value, Word string
	Current     bool
}

// fieldSet is a group of fields.
type fieldSet struct {
	Title, Say string
	Key        string // of what is wrong with the fields together, "" where nothing can be
	Problem    string
	Fields     []field
	Folded     bool // behind a line, as nothing in it is stated
}

// ID is a name by which the page refers to the group.
func (s fieldSet) ID() string { return field{Key: s.Key}.ID() }

// pointFields is a sensor that may be fitted.
type pointFields struct {
	Name                                    string
	Fitted, Reference, Accuracy, Every, How field
	Pressure, Exact, Needed                 bool
}

// systemForm is the page by which a system is enrolled or changed.
type systemForm struct {
	base
	ID       dewline.SystemID // "" for a new one
	Name     string
	Version  string
	Fixed    string
	Message  string
	Problems []field // what has to be mended, to lead there
	Done     string
	Doubts   []string
	Site     fieldSet
	Sets     []fieldSet
	Points   []pointFields
	PointErr string
	Caution  string
	Check    string
	SiteName string // of a system that is enrolled
	SiteHref string
	Remove   string
}

const plate = "As the data plate or the maker's chart states it."

// fields are those of the system, in groups; text is what they say in each case.
func systemSets(u view.Idiom) []fieldSet {
	words := func(pairs ...string) (all []choice) {
		for i := 0; i+1 < len(pairs); i += 2 {
			all = append(all, choice{Value: pairs[i], Word: pairs[i+1]})
		}
		return all
	}
	kinds := []choice{{Word: u.Say("choose")}}
	for _, k := range []dewline.Kind{dewline.SplitAC, dewline.HeatPump, dewline.Packaged, dewline.WalkInCooler, dewline.WalkInFreezer, dewline.DisplayCase} {
		kinds = append(kinds, choice{Value: string(k), Word: u.KindWord(k)})
	}
	metering := []choice{{Word: u.Say("choose")}}
	for _, m := range []dewline.Metering{dewline.FixedOrifice, dewline.Capillary, dewline.TXV, dewline.EEV} {
		metering = append(metering, choice{Value: string(m), Word: u.MeteringWord(m)})
	}
	return []fieldSet{
		{Title: "The system", Say: "One refrigerant circuit with its sensors.", Fields: []field{
			{Key: "system.id", Label: "Short id, for good", Hint: "Such as hall-ac: a to z, 0 to 9 and -. It is part of the topic that its gateway sends to.", Required: true},
			{Key: "system.name", Label: "Name", Hint: "As people on site call it."},
			{Key: "system.kind", Label: "Kind", Choices: kinds, Required: true},
			{Key: "system.model", Label: "Model", Hint: "As on the data plate."},
			{Key: "system.refrigerant", Label: "Refrigerant", Hint: "As on the data plate, such as R-410A. Another refrigerant in the system makes every figure wrong.", List: "refrigerants", Required: true},
			{Key: "system.metering", Label: "Metering device", Choices: metering, Required: true},
			{Key: "system.importance", Label: "How much hangs on it", Choices: words("", u.Say("ordinary"), "high", u.Say("high"), "critical", u.Say("critical"))},
			{Key: "system.tags", Label: "Tags", Hint: "One on each line, such as roof. The tag " + dewline.HomeTag + " is for a machine that serves a home: when it runs is then told to its owner only.", Lines: 3},
		}},
		{Title: "Data plate and targets", Say: "A number with its unit. Leave empty what nobody has read off: nothing is guessed in its place.", Fields: []field{
			{Key: "system.charge", Label: "Charge", Hint: "Such as 3.1 kg or 6.8 lb. " + plate, Number: true},
			{Key: "system.capacity", Label: "Cooling capacity", Hint: "Such as 10.5 kW, 3 ton or 36000 Btu/h.", Number: true},
			{Key: "system.orifice", Label: "Orifice called for", Hint: "Such as 1.65 mm or 0.065 in. " + plate, Number: true},
			{Key: "system.orifice_installed", Label: "Orifice installed", Hint: "As read off the part, where someone has.", Number: true},
			{Key: "system.target_subcooling", Label: "Target subcooling", Hint: "Such as 5.6 K or 10 degF, where the equipment states one.", Number: true},
			{Key: "system.target_superheat", Label: "Target superheat", Hint: "Of an expansion valve only: with a fixed orifice or a capillary it moves with weather and load.", Number: true},
			{Key: "system.target_superheat_at", Label: "Target superheat holds", Choices: words("", u.Say("not stated"), "coil", u.Say("at the coil"), "compressor", u.Say("at the compressor"))},
			{Key: "system.space_limit", Label: "The cooled space must stay below", Hint: "Such as 5 degC or 41 degF.", Number: true},
		}},
		{Title: "Circuit", Folded: true, Fields: []field{
			{Key: "system.compressor_speed", Label: "Compressor speed", Choices: words("", u.Say("not stated"), "fixed", u.Say("fixed"), "staged", u.Say("staged"), "variable", u.Say("variable"))},
			{Key: "system.line_length", Label: "Line length, one way", Hint: "Such as 15 m or 50 ft.", Number: true},
			{Key: "system.coil_drop", Label: "Pressure drop from discharge to liquid line", Hint: "Such as 35 kPa or 5 psi; needed where only discharge pressure is measured.", Number: true},
			{Key: "system.receiver", Label: "It has a receiver", Check: true},
			{Key: "system.suction_accumulator", Label: "It has a suction accumulator", Check: true},
			{Key: "system.head_control", Label: "Head pressure is held up in cold weather", Check: true},
			{Key: "system.pump_down", Label: "It pumps down before it stops", Check: true},
			{Key: "system.machine", Label: "Machine that it is a circuit of", Hint: "The same word for each circuit of one machine."},
		}},
		{Title: "Compressor map", Key: "system.compressor.map", Folded: true,
			Say: "The maker's ten coefficients by AHRI 540, C1 to C10, in SI: dew temperatures in °C, mass flow in kg/s, power in W. Give one list or both, and the one state of the gas drawn in that they were rated at.", Fields: []field{
				{Key: "system.compressor.map.mass_flow", Label: "Mass flow, C1 to C10", Hint: "One on each line, or with spaces between; a point before the decimals.", Lines: 10},
				{Key: "system.compressor.map.power", Label: "Power, C1 to C10", Hint: "One on each line, or with spaces between; a point before the decimals.", Lines: 10},
				{Key: "system.compressor.map.rated_superheat", Label: "Rated at a superheat of", Hint: "Such as 11.1 K or 20 degF.", Number: true},
				{Key: "system.compressor.map.rated_return_gas", Label: "Or at a return gas of", Hint: "Such as 18.3 degC or 65 degF.", Number: true},
			}},
		{Title: "Gateway and papers", Folded: true, Fields: []field{
			{Key: "system.gateway", Label: "Gateway", Hint: "Its short id, such as hall-gw. Needed where a site has several."},
			{Key: "system.installed", Label: "Installed on", Hint: "Such as 2019-05-02."},
			{Key: "system.installer", Label: "Installed by"},
			{Key: "system.warranty_until", Label: "Warranty until", Hint: "Such as 2029-05-02."},
			{Key: "system.contract", Label: "Contract"},
		}},
	}
}

// howKey is a choice of ours that stands for two keys of the file.
const howKey = ".sampling.how"

func hows(u view.Idiom) []choice {
	return []choice{{"", u.Say("not stated"), false}, {"instant", u.Say("a value at an instant"), false}, {"mean start", u.Say("a mean, dated at its start"), false},
		{"mean end", u.Say("a mean, dated at its end"), false}, {"mean", u.Say("a mean"), false}}
}

// formFrom returns what a form of a request says, by the keys that the page has.
func formFrom(r *http.Request) dewline.FleetForm {
	form := dewline.FleetForm{}
	take := func(key string) {
		if v := strings.TrimSpace(strings.ReplaceAll(r.PostForm.Get(key), "\r\n", "\n")); v != "" {
			form[key] = v
		}
	}
	take("site.id")
	for _, f := range siteFields(nil, view.Idiom{}) {
		take(f.Key)
	}
	if known := strings.TrimSpace(r.PostForm.Get("known-site")); known != "" {
		form["site.id"] = known
	}
	for _, set := range systemSets(view.Idiom{}) {
		for _, f := range set.Fields {
			take(f.Key)
		}
	}
	for _, p := range fittable() {
		key := dewline.FormPoint(p)
		take(key)
		for _, below := range []string{".reference", ".accuracy", ".sampling.interval"} {
			take(key + below)
		}
		kind, stamp, _ := strings.Cut(r.PostForm.Get(key+howKey), " ")
		if kind != "" {
			form[key+".sampling.kind"] = kind
		}
		if stamp != "" {
			form[key+".sampling.stamp"] = stamp
		}
	}
	return form
}

// formOf returns what the page says of a system. A gauge sensor is what a pressure has where nothing else is
// stated.
func formOf(site *dewline.Site, sys *dewline.System) dewline.FleetForm {
	form := dewline.FormOf(site, sys)
	for _, f := range sys.Points {
		if f.Reference == dewline.Gauge {
			delete(form, dewline.FormPoint(f.Point)+".reference")
		}
	}
	return form
}

// fittable are the points that can be fitted.
func fittable() []dewline.Point {
	return slices.DeleteFunc(dewline.Points(), func(p dewline.Point) bool { return p.Dimension() == dewline.EventText })
}

// commonRefrigerants are suggested; whatever is known may be typed.
var commonRefrigerants = []string{"R-410A", "R-32", "R-454B", "R-22", "R-134a", "R-407C", "R-404A", "R-448A", "R-449A", "R-290", "R-600a", "R-744"}

// Refrigerants are suggested on the page.
func (systemForm) Refrigerants() []string { return commonRefrigerants }

// fill puts a form, and what is wrong with it, into the fields of the page.
func (p *systemForm) fill(u view.Idiom, fleet *dewline.Fleet, form dewline.FleetForm, problems dewline.FormProblems, theirs dewline.FleetForm) {
	filled := filling{form: form, theirs: theirs, problems: maps.Clone(problems)}
	if p.ID == "" {
		p.Site = siteSet(fleet, form, u, filled.fill)
	}
	for _, set := range systemSets(u) {
		for i, f := range set.Fields {
			if set.Fields[i] = filled.fill(f); set.Fields[i].Value != "" || set.Fields[i].Problem != "" {
				set.Folded = false
			}
		}
		if set.Key != "" {
			all := filled.fill(field{Key: set.Key, Label: set.Title})
			if set.Problem = all.Problem; set.Problem != "" {
				set.Folded = false
			}
		}
		if p.ID != "" {
			set.Fields = slices.DeleteFunc(set.Fields, func(f field) bool { return f.Key == "system.id" })
		}
		p.Sets = append(p.Sets, set)
	}
	for _, point := range fittable() {
		p.Points = append(p.Points, newPointFields(point, form, u, filled.fill))
	}
	p.PointErr = filled.problems["system.points"]
	p.Problems = filled.wrongFields()
}

// filling puts what was typed, and what is wrong with it, into the fields of a page.
type filling struct {
	form, theirs dewline.FleetForm
	problems     dewline.FormProblems // that stand at no field yet
	wrong        []field
}

func (p *filling) fill(f field) field {
	f.Value = p.form[f.Key]
	if f.Problem = p.problems[f.Key]; f.Problem != "" {
		delete(p.problems, f.Key)
		p.wrong = append(p.wrong, f)
	}
	if p.theirs != nil && p.theirs[f.Key] != f.Value {
		f.Theirs = cmp.Or(strings.ReplaceAll(p.theirs[f.Key], "\n", ", "), "nothing")
	}
	f.Choices = slices.Clone(f.Choices)
	for i := range f.Choices {
		f.Choices[i].Current = f.Choices[i].Value == f.Value
	}
	return f
}

// wrongFields returns the fields that are wrong, and last what is wrong at none.
func (p *filling) wrongFields() []field {
	for _, key := range slices.Sorted(maps.Keys(p.problems)) {
		text := p.problems[key]
		if key != "" && key != "system.points" {
			text = key + ": " + text
		}
		p.wrong = append(p.wrong, field{Key: "rest", Label: text})
	}
	return p.wrong
}

// siteSet returns the fields of a site that is new.
func siteSet(fleet *dewline.Fleet, form dewline.FleetForm, u view.Idiom, fill func(field) field) fieldSet {
	sites := []choice{{Word: u.Say("a new site, described below")}}
	for _, site := range fleet.Sites {
		sites = append(sites, choice{Value: site.ID, Word: site.Name + " (" + site.ID + ")"})
	}
	known := field{Key: "known-site", Label: "Site", Choices: sites}
	id := field{Key: "site.id", Label: "Short id of the new site, for good", Hint: "Such as quay-library. It is part of the topic."}
	if _, ok := fleet.Site(form["site.id"]); ok {
		form = maps.Clone(form)
		for i := range known.Choices {
			known.Choices[i].Current = known.Choices[i].Value == form["site.id"]
		}
		id = fill(id)
		id.Value = ""
	} else {
		id = fill(id)
	}
	set := fieldSet{Title: "Where it is", Fields: []field{known, id}}
	for _, f := range siteFields(fleet.Owners, u) {
		set.Fields = append(set.Fields, fill(f))
	}
	return set
}

// siteFields are those of a site, but for its id.
func siteFields(owners []dewline.Owner, u view.Idiom) []field {
	whose := []choice{{Word: u.Say("choose, or name a new one below")}}
	for _, o := range owners {
		whose = append(whose, choice{Value: o.ID, Word: o.Name})
	}
	return []field{
		{Key: "site.name", Label: "Name of the site"},
		{Key: "site.address", Label: "Address", Hint: "As a van finds it."},
		{Key: "site.owner", Label: "Owner", Choices: whose},
		{Key: "owner.name", Label: "Name of a new owner"},
		{Key: "site.timezone", Label: "Time zone", Hint: "Such as Europe/Lisbon; UTC where none is stated."},
		{Key: "site.altitude", Label: "Height above sea level", Hint: "Such as 12 m or 40 ft: a gauge sensor counts from the air around it.", Number: true},
	}
}

func newPointFields(point dewline.Point, form dewline.FleetForm, u view.Idiom, fill func(field) field) pointFields {
	key, name := dewline.FormPoint(point), u.Name(point.String())
	p := pointFields{Name: name, Pressure: point.Dimension() == dewline.Pressure}
	switch point.Dimension() {
	case dewline.Count, dewline.Boolean, dewline.ModeValue:
	default:
		p.Exact = true
	}
	switch point {
	case dewline.SuctionPressure, dewline.SuctionTemp, dewline.LiquidTemp:
		p.Needed = true
	}
	hint := map[dewline.Dimension]string{dewline.Pressure: "8 kPa", dewline.Temperature: "0.5 K", dewline.Humidity: "3 %",
		dewline.Current: "0.2 A", dewline.Power: "50 W", dewline.Percent: "1 %"}[point.Dimension()]
	p.Fitted = fill(field{Key: key, Label: name, Check: true})
	p.Reference = fill(field{Key: key + ".reference", Label: "counts from", Choices: []choice{{"", u.Say("the air around it (gauge)"), false},
		{"sealed_gauge", u.Say("101.325 kPa (sealed gauge)"), false}, {"absolute", u.Say("vacuum (absolute)"), false}}})
	p.Accuracy = fill(field{Key: key + ".accuracy", Label: "accuracy", Hint: hint})
	p.Every = fill(field{Key: key + ".sampling.interval", Label: "a reading every", Hint: "60 s"})
	how := field{Key: key + howKey, Label: "each reading is", Choices: hows(u)}
	value := strings.TrimSpace(form[key+".sampling.kind"] + " " + form[key+".sampling.stamp"])
	for i := range how.Choices {
		how.Choices[i].Current = how.Choices[i].Value == value
	}
	how.Problem = fill(field{Key: key + ".sampling.kind"}).Problem + fill(field{Key: key + ".sampling.stamp"}).Problem
	p.How = how
	return p
}

// orificeWarning says what another bore than the one called for does, "" where it is the one.
func orificeWarning(calledFor, installed string) string {
	want, err := si.ParseLength(calledFor)
	has, err2 := si.ParseLength(installed)
	if err != nil || err2 != nil || want <= 0 || has <= 0 || want == has {
		return ""
	}
	text := "The orifice installed (" + installed + ") is not the one called for (" + calledFor + "). "
	if has > want {
		text += "A larger bore passes more refrigerant: superheat runs low, and liquid may reach the compressor. "
	} else {
		text += "A smaller bore passes less refrigerant: superheat runs high, and the coil is starved. "
	}
	return text + "Both are kept as typed, and what is found is weighed with them. Read the part's marking again and compare it with the data plate and the maker's chart before anybody changes it."
}

// fleetOfFile reads the fleet file as it is.
func (s *server) fleetOfFile(ctx context.Context) (dewline.FleetFile, *dewline.Fleet, error) {
	file, err := s.Enrolment.FleetFile(ctx)
	if err != nil {
		return file, nil, err
	}
	fleet, err := dewline.ReadFleet("fleet.yaml", file.Text, s.Enrolment.Facts())
	return file, fleet, err
}

// fileFails answers that the fleet file cannot be read.
func (s *server) fileFails(w http.ResponseWriter, r *http.Request, err error) {
	if dewline.CodeOf(err) == dewline.Invalid {
		s.fail(w, r, http.StatusConflict, "The fleet file has mistakes, so nothing can be added to it. The page of the fleet file lists them.")
		return
	}
	status, text := s.notDone(r, err)
	s.fail(w, r, status, text)
}

func (s *server) newSystem(w http.ResponseWriter, r *http.Request) {
	file, fleet, err := s.fleetOfFile(r.Context())
	if err != nil {
		s.fileFails(w, r, err)
		return
	}
	form := dewline.FleetForm{}
	if site, ok := fleet.Site(r.URL.Query().Get("site")); ok {
		form["site.id"] = site.ID
	}
	for _, p := range []dewline.Point{dewline.SuctionPressure, dewline.LiquidPressure, dewline.SuctionTemp, dewline.LiquidTemp} {
		form[dewline.FormPoint(p)] = "fitted"
	}
	p := systemForm{Version: file.Version, Fixed: file.Fixed}
	p.fill(s.idiom(r), fleet, form, nil, nil)
	s.showSystemForm(w, r, http.StatusOK, p)
}

func (s *server) editSystem(w http.ResponseWriter, r *http.Request) {
	file, fleet, err := s.fleetOfFile(r.Context())
	if err != nil {
		s.fileFails(w, r, err)
		return
	}
	id := dewline.NewSystemID(chi.URLParam(r, "site"), chi.URLParam(r, "system"))
	sys, ok := fleet.System(id)
	site, siteOK := fleet.Site(id.Site())
	if !ok || !siteOK {
		s.notFound(w, r)
		return
	}
	form := formOf(site, sys)
	p := systemForm{ID: id, Name: sys.Name, Version: file.Version, Fixed: file.Fixed}
	p.fill(s.idiom(r), fleet, form, nil, nil)
	if r.URL.Query().Has("enrolled") {
		p.Done = s.idiom(r).Say("It is enrolled, and analysed from its first reading on.")
	} else if r.URL.Query().Has("changed") {
		p.Done = s.idiom(r).Say("The change is kept and holds from now on.")
	}
	if warning := orificeWarning(form["system.orifice"], form["system.orifice_installed"]); warning != "" {
		p.Doubts = append(p.Doubts, warning)
	}
	s.showSystemForm(w, r, http.StatusOK, p)
}

func (s *server) showSystemForm(w http.ResponseWriter, r *http.Request, status int, p systemForm) {
	u := s.idiom(r)
	title := u.Say("Enrol a system")
	if p.ID != "" {
		title, p.Check, p.Remove = u.Say("Set up {1}", p.Name), checkHref(p.ID), removeHref(setUpHref(p.ID))
		p.SiteName, p.SiteHref = p.ID.Site(), setUpSiteHref(p.ID.Site())
		if site, ok := s.overview.Fleet(r.Context()).Site(p.ID.Site()); ok {
			p.SiteName = site.Name
		}
	}
	p.base, p.Caution = s.base(r, title), u.Say(dewline.Caution)
	s.pages.write(w, r, status, "setupsystem", p)
}

// enrolSystem takes the form of a system that is new, or of the one that the address names.
func (s *server) enrolSystem(w http.ResponseWriter, r *http.Request) {
	if !s.readForm(w, r, 1<<18) {
		return
	}
	ctx := r.Context()
	file, fleet, err := s.fleetOfFile(ctx)
	if err != nil {
		s.fileFails(w, r, err)
		return
	}
	form, id := formFrom(r), dewline.SystemID("")
	p := systemForm{Version: file.Version, Fixed: file.Fixed}
	var theirs dewline.FleetForm
	if chi.URLParam(r, "system") != "" {
		id = dewline.NewSystemID(chi.URLParam(r, "site"), chi.URLParam(r, "system"))
		sys, ok := fleet.System(id)
		site, siteOK := fleet.Site(id.Site())
		if !ok || !siteOK {
			s.notFound(w, r)
			return
		}
		p.ID, p.Name, theirs = id, sys.Name, formOf(site, sys)
	}
	text, problems := fleet.Enrol(form, id, s.Enrolment.Facts())
	if _, known := fleet.Site(form["site.id"]); known && id == "" && r.PostForm.Get("known-site") == "" {
		problems = dewline.FormProblems{"site.id": "there is a site of this id: choose it above, or give another id"}
	}
	answer := func(status int, message string) {
		p.Message = message
		if status != http.StatusConflict {
			theirs = nil
		}
		p.fill(s.idiom(r), fleet, form, problems, theirs)
		if warning := orificeWarning(form["system.orifice"], form["system.orifice_installed"]); warning != "" {
			p.Doubts = append(p.Doubts, warning)
		}
		s.showSystemForm(w, r, status, p)
	}
	detail, done := "system changed", "?changed"
	if id == "" {
		id, detail, done = dewline.NewSystemID(form["site.id"], form["system.id"]), "system enrolled", "?enrolled"
	}
	s.keepFleet(w, r, fleetChange{file: file, text: text, problems: problems, of: string(id), detail: detail, then: setUpHref(id) + done}, answer)
}

// fleetChange is a changed fleet file, with what is wrong with it.
type fleetChange struct {
	file       dewline.FleetFile // that it was made of
	text       []byte
	problems   dewline.FormProblems
	of, detail string // for the audit log
	then       string // the address where it goes on
}

// keepFleet keeps a changed fleet file, or gives it to whoever puts it in place. Where it does neither,
// answer says why.
func (s *server) keepFleet(w http.ResponseWriter, r *http.Request, c fleetChange, answer func(status int, message string)) {
	switch {
	case r.PostForm.Get("version") != c.file.Version:
		answer(http.StatusConflict, "Somebody else changed the fleet file while you typed. Nothing was done yet; what you typed stands below, with what the file says now beside it where that differs. Send it again if it still holds.")
		return
	case len(c.problems) > 0:
		answer(http.StatusUnprocessableEntity, "Nothing was changed yet: something has to be mended first.")
		return
	case c.file.Fixed != "":
		download(w, c.text)
		return
	}
	if err := s.Enrolment.PutFleetFile(r.Context(), c.text, c.file.Version); err != nil {
		answer(s.notDone(r, err))
		return
	}
	s.recordSetUp(r, c.of, c.detail)
	http.Redirect(w, r, c.then, http.StatusSeeOther)
}

// download answers with a fleet file.
func download(w http.ResponseWriter, text []byte) {
	h := w.Header()
	h.Set("Content-Type", "application/yaml")
	h.Set("Content-Disposition", `attachment; filename="fleet.yaml"`)
	h.Set("Cache-Control", "no-store")
	w.Write(text)
}
