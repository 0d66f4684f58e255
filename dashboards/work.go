package dashboards

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"dewline"
	"dewline/dashboards/view"
)

// What the form of the dispatcher's list can ask for.
const (
	doAcknowledge = "acknowledge"
	doShelve      = "shelve"
	doCall        = "call"
)

// mostAtOnce is how many alerts one form may be about.
const mostAtOnce = 500

// longestShelf is for how long an alert can be put aside: what is to be forgotten for longer should
// be dismissed, with a reason.
const longestShelf = 30 * 24

// workOnAlerts does with one or several alerts what the form asks for. What worked leads back to the
// list; what did not is said on top of it, with what was typed still there.
func (s *server) workOnAlerts(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, 1<<17)
	if err := r.ParseForm(); err != nil {
		s.fail(w, r, http.StatusBadRequest, "This form could not be read: send it again.")
		return
	}
	if s.Desk == nil {
		s.fail(w, r, http.StatusServiceUnavailable, "Nobody can work on alerts here.")
		return
	}
	back := ownPath(r.PostForm.Get("back"))
	by := r.PostForm.Get("by") // of who has not signed in, where nobody has to
	if name := dewline.VisitorOf(r.Context()).Name; name != "" {
		by = name
		r.PostForm.Set("by", name)
	} else if dewline.CheckPerson(by) == nil {
		keepChoice(w, r, nameCookie, url.QueryEscape(by))
	}
	problems := s.work(r.Context(), r.PostForm, s.idiom(r))
	s.overview.Forget()
	if len(problems) == 0 {
		http.Redirect(w, r, back, http.StatusSeeOther)
		return
	}
	again := r.Clone(r.Context())
	if u, err := url.Parse(back); err == nil {
		again.URL = u
	}
	p := s.todayPage(again)
	p.Messages, p.Name, p.Reason = problems, by, r.PostForm.Get("why")
	s.pages.write(w, r, http.StatusConflict, "today", p)
}

// work does what a form asks for and returns what could not be done, in sentences.
func (s *server) work(ctx context.Context, form url.Values, u view.Idiom) (problems []string) {
	ids, by := form["id"], form.Get("by")
	switch {
	case len(ids) == 0:
		return []string{u.Say("Choose at least one alert first.")}
	case len(ids) > mostAtOnce:
		return []string{u.Say("That are too many at once: choose at most {1}.", mostAtOnce)}
	case dewline.CheckPerson(by) != nil:
		return []string{u.Say("Say who you are: every change is kept with the name of who made it.")}
	}
	if form.Get("do") == doCall {
		return s.makeCalls(ctx, ids, by, form.Get("why"), u)
	}
	act, problem := s.actOf(form)
	if problem != "" {
		return []string{problem.Said(u)}
	}
	for _, id := range ids {
		if _, err := s.Desk.Act(ctx, id, act); err != nil {
			problems = append(problems, s.problemOf(ctx, u.Say("This was not done:")+" ", err))
		}
	}
	return problems
}

// actOf reads what is to be done with each alert.
func (s *server) actOf(form url.Values) (act dewline.AlertAct, problem dewline.Phrase) {
	act = dewline.AlertAct{By: form.Get("by"), Why: form.Get("why")}
	switch form.Get("do") {
	case doAcknowledge:
		act.Do = dewline.Acknowledge
	case doShelve:
		hours, err := strconv.Atoi(form.Get("hours"))
		if err != nil || hours < 1 || hours > longestShelf {
			return act, "Say for how long to shelve it."
		}
		if act.Why == "" {
			return act, "Say why it can wait: a shelved alert is kept with its reason."
		}
		act.Do, act.Until = dewline.Shelve, dewline.Stamp(dewline.MillisOf(s.Now().Add(time.Duration(hours)*time.Hour)))
	default:
		return act, "Choose what to do with the alerts."
	}
	return act, ""
}

// makeCalls makes one service call for each site.
func (s *server) makeCalls(ctx context.Context, ids []string, by, note string, u view.Idiom) (problems []string) {
	if s.Service == nil {
		return []string{u.Say("Service calls cannot be made here.")}
	}
	sites := map[string][]string{}
	var order []string
	for _, id := range ids {
		c, err := s.Desk.Case(ctx, id)
		if err != nil {
			problems = append(problems, s.problemOf(ctx, u.Say("No call was made:")+" ", err))
			continue
		}
		if _, known := sites[c.Alert.Site]; !known {
			order = append(order, c.Alert.Site)
		}
		sites[c.Alert.Site] = append(sites[c.Alert.Site], id)
	}
	for _, site := range order {
		if _, err := s.Service.MakeCall(ctx, dewline.CallRequest{Alerts: sites[site], By: by, Note: note}); err != nil {
			problems = append(problems, s.problemOf(ctx, u.Say("No call was made:")+" ", err))
		}
	}
	return problems
}

// problemOf says why something was not done. What is inside stays in the log.
func (s *server) problemOf(ctx context.Context, what string, err error) string {
	switch dewline.CodeOf(err) {
	case dewline.Invalid, dewline.Clash, dewline.NotFound:
		if e, ok := errors.AsType[*dewline.Error](err); ok && e.Err != nil {
			return what + e.Err.Error() + "."
		}
	}
	s.Log.ErrorContext(ctx, "cannot work on alerts", "error", err)
	return what + "the alerts cannot be changed at the moment. Try again."
}
