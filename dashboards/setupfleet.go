package dashboards

import (
	"cmp"
	"errors"
	"io"
	"maps"
	"net/http"
	"slices"
	"strings"

	"dewline"
	"dewline/dashboards/view"
)

// fleetFilePage is the page of the fleet file.
type fleetFilePage struct {
	base
	Fixed    string
	Version  string
	Summary  string
	Message  string
	Done     string
	Problems []dewline.FleetError
	More     int      // problems that are not listed
	Text     string   // of a file that is well, to be taken
	Changes  []string // what it would change, in words
	Removes  bool
}

// listed is how many lines of what is wrong, or would change, a page has.
const listed = 200

// mostFleetBytes is how large a fleet file may be that comes by a form; the reader has its own limit.
const mostFleetBytes = 33 << 20

func (s *server) fleetFile(w http.ResponseWriter, r *http.Request) {
	p := fleetFilePage{}
	if r.URL.Query().Has("taken") {
		p.Done = s.idiom(r).Say("The file is taken, and holds from now on. The one before is kept beside it.")
	}
	s.showFleetFile(w, r, http.StatusOK, p)
}

func (s *server) showFleetFile(w http.ResponseWriter, r *http.Request, status int, p fleetFilePage) {
	p.base = s.base(r, s.idiom(r).Say("Fleet file"))
	file, fleet, err := s.fleetOfFile(r.Context())
	p.Fixed, p.Version = file.Fixed, file.Version
	problems, wrong := errors.AsType[dewline.FleetErrors](err)
	switch {
	case wrong && p.Problems == nil:
		p.Message, p.Problems = s.idiom(r).Say("The fleet file that is in place has mistakes."), problems
	case err != nil && !wrong:
		status, p.Message = s.notDone(r, err)
	case err == nil:
		u := s.idiom(r)
		systems, sites, owners := len(fleet.Systems()), len(fleet.Sites), len(fleet.Owners)
		p.Summary = u.Say("{1} at {2} of {3}", u.SayN(systems, "1 system", "{1} systems", view.Count(int64(systems))),
			u.SayN(sites, "1 site", "{1} sites", view.Count(int64(sites))), u.SayN(owners, "1 owner", "{1} owners", view.Count(int64(owners))))
	}
	if len(p.Problems) > listed {
		p.More, p.Problems = len(p.Problems)-listed, p.Problems[:listed]
	}
	s.pages.write(w, r, status, "setupfleet", p)
}

func said(n int) string {
	return dewline.English.SayN(n, "1 system", "{1} systems", view.Count(int64(n)))
}

func (s *server) exportFleet(w http.ResponseWriter, r *http.Request) {
	file, err := s.Enrolment.FleetFile(r.Context())
	if err != nil {
		s.fileFails(w, r, err)
		return
	}
	download(w, file.Text)
}

// importFleet checks a file that was sent and says what it would change, or takes it.
func (s *server) importFleet(w http.ResponseWriter, r *http.Request) {
	if !s.readForm(w, r, mostFleetBytes) {
		return
	}
	text, ok := sentText(r)
	if !ok {
		s.showFleetFile(w, r, http.StatusUnprocessableEntity, fleetFilePage{Message: "Choose a file first."})
		return
	}
	next, err := dewline.ReadFleet("fleet.yaml", []byte(text), s.Enrolment.Facts())
	if problems, wrong := errors.AsType[dewline.FleetErrors](err); wrong {
		s.showFleetFile(w, r, http.StatusUnprocessableEntity, fleetFilePage{Message: "Nothing was changed: the file that was sent has mistakes.", Problems: problems})
		return
	}
	file, present, err := s.fleetOfFile(r.Context())
	if dewline.CodeOf(err) == dewline.Invalid {
		present, err = s.overview.Fleet(r.Context()), nil // what is there is worse than what comes
	}
	if err != nil {
		s.fileFails(w, r, err)
		return
	}
	changes := fleetChanges(present, next)
	p := fleetFilePage{Text: text, Changes: changes.words(), Removes: len(changes.removed) > 0}
	sent := r.PostForm.Get("version")
	switch {
	case r.PostForm.Get("do") != "take":
		s.showFleetFile(w, r, http.StatusOK, p)
		return
	case sent != file.Version:
		p.Message = "Somebody else changed the fleet file meanwhile. Nothing was done yet: what is said below is against the file as it is now."
		s.showFleetFile(w, r, http.StatusConflict, p)
		return
	}
	if err := s.Enrolment.PutFleetFile(r.Context(), []byte(text), sent); err != nil {
		status, message := s.notDone(r, err)
		p.Message = message
		s.showFleetFile(w, r, status, p)
		return
	}
	s.recordSetUp(r, "fleet file", changes.short())
	http.Redirect(w, r, "/setup/fleet?taken", http.StatusSeeOther)
}

// sentText returns the text of a form: a file, or what the page sent back.
func sentText(r *http.Request) (string, bool) {
	text := r.PostForm.Get("text")
	if f, _, err := r.FormFile("file"); err == nil {
		defer f.Close()
		data, err := io.ReadAll(f)
		if err != nil {
			return "", false
		}
		text = string(data)
	}
	text = strings.ReplaceAll(text, "\r\n", "\n") // forms write lines so
	return text, strings.TrimSpace(text) != ""
}

// changed are the differences between two fleets.
type changed struct {
	added, removed []*dewline.System
	others         []string // in words
	systems        int      // that are there before and after, and differ
}

func fleetChanges(before, after *dewline.Fleet) (c changed) {
	for _, s := range after.Systems() {
		old, ok := before.System(s.ID)
		if !ok {
			c.added = append(c.added, s)
			continue
		}
		if keys := changedKeys(old, s); len(keys) > 0 {
			c.systems++
			c.others = append(c.others, "Changes "+string(s.ID)+": "+strings.Join(keys, "; ")+".")
		}
	}
	for _, s := range before.Systems() {
		if _, ok := after.System(s.ID); !ok {
			c.removed = append(c.removed, s)
		}
	}
	for i := range after.Sites {
		site := &after.Sites[i]
		old, ok := before.Site(site.ID)
		switch {
		case !ok:
			c.others = append(c.others, "Adds the site "+site.Name+".")
		case old.Name != site.Name || old.Owner != site.Owner || old.Address != site.Address || old.Altitude != site.Altitude || old.Timezone.String() != site.Timezone.String():
			c.others = append(c.others, "Changes the site "+site.ID+": its name, owner, address, height or time zone.")
		}
	}
	for _, o := range after.Owners {
		if old, ok := before.Owner(o.ID); !ok {
			c.others = append(c.others, "Adds the owner "+o.Name+".")
		} else if old.Name != o.Name {
			c.others = append(c.others, "Renames the owner "+o.ID+" to "+o.Name+".")
		}
	}
	for _, site := range before.Sites {
		if _, ok := after.Site(site.ID); !ok {
			c.others = append(c.others, "Removes the site "+site.Name+".")
		}
	}
	for _, o := range before.Owners {
		if _, ok := after.Owner(o.ID); !ok {
			c.others = append(c.others, "Removes the owner "+o.Name+": their people see nothing any more.")
		}
	}
	return c
}

// changedKeys says what differs between two of one system.
func changedKeys(before, after *dewline.System) (words []string) {
	site := &dewline.Site{}
	a, b := dewline.FormOf(site, before), dewline.FormOf(site, after)
	all := maps.Clone(a)
	maps.Copy(all, b)
	or := func(text string) string {
		return cmp.Or(strings.ReplaceAll(text, "\n", ", "), "nothing")
	}
	for _, key := range slices.Sorted(maps.Keys(all)) {
		if name, ok := strings.CutPrefix(key, "system."); ok && a[key] != b[key] {
			words = append(words, strings.NewReplacer(".", " ", "_", " ").Replace(name)+" from "+or(a[key])+" to "+or(b[key]))
		}
	}
	return words
}

func (c changed) short() string {
	return said(len(c.added)) + " added, " + view.Count(int64(len(c.removed))) + " removed, " + view.Count(int64(c.systems)) + " changed"
}

func (c changed) words() []string {
	var all []string
	for _, s := range c.removed {
		all = append(all, "Removes "+s.Name+" ("+string(s.ID)+"): it is not watched any more, and its open alerts end. What was recorded of it stays.")
	}
	for _, s := range c.added {
		all = append(all, "Adds "+s.Name+" ("+string(s.ID)+"): "+view.Idiom{}.KindWord(s.Kind)+", "+s.Refrigerant+", "+view.Idiom{}.MeteringWord(s.Metering)+".")
	}
	all = append(all, c.others...)
	if len(all) > listed {
		all = append(all[:listed:listed], "And "+view.Count(int64(len(all)-listed))+" more.")
	}
	if len(all) == 0 {
		return []string{"Nothing that is enrolled: it is the same fleet, perhaps in another order or with other comments."}
	}
	return all
}
