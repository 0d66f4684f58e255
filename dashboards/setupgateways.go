package dashboards

import (
	"net/http"
	"strings"

	"dewline"
)

// gatewaysPage lists the gateways that may connect.
type gatewaysPage struct {
	base
	Gateways []gatewayLine
	Lacking  []string // that the fleet names and that have no credential
	At       string   // where they connect to, "" where that is not known
	Message  string
	New      string
	ID       string // whose password is shown
	Password string
	Asked    string // the gateway of which somebody is about to end a credential
	Replace  bool   // for a new one
}

// gatewayLine is one of them.
type gatewayLine struct {
	ID      string
	Made    string
	Rotated string
	Status  string // what it said of its connection
	Seen    string // the newest reading of its systems
	Systems []string
}

func (s *server) gatewayList(w http.ResponseWriter, r *http.Request) {
	s.showGateways(w, r, http.StatusOK, gatewaysPage{New: r.URL.Query().Get("new")})
}

func (s *server) showGateways(w http.ResponseWriter, r *http.Request, status int, p gatewaysPage) {
	w.Header().Set("Cache-Control", "no-store") // it may show a password once
	p.base = s.base(r, s.idiom(r).Say("Gateways"))
	if s.GatewaysAt != nil {
		p.At = s.GatewaysAt()
	}
	if !dewline.GatewayID(p.New).Valid() && status == http.StatusOK {
		p.New = ""
	}
	fleet := s.overview.Fleet(r.Context())
	list, err := s.Gateways.ListGateways(r.Context())
	if err != nil {
		status, p.Message = s.notDone(r, err)
	}
	lines := map[dewline.GatewayID]*gatewayLine{}
	for _, g := range list {
		reader := s.reader(r, nil)
		if site, ok := fleet.Site(g.ID.Site()); ok {
			reader = s.reader(r, site)
		}
		line := gatewayLine{ID: string(g.ID), Made: reader.Clock(g.Created), Status: "has not connected yet"}
		if g.Rotated != 0 {
			line.Rotated = reader.Clock(g.Rotated)
		}
		if g.Status != nil {
			word := "offline"
			if g.Status.Online {
				word = "online"
			}
			line.Status = word + " since " + reader.Clock(g.Status.Received)
		}
		p.Gateways = append(p.Gateways, line)
	}
	for i := range p.Gateways {
		lines[dewline.GatewayID(p.Gateways[i].ID)] = &p.Gateways[i]
	}
	ofSite := map[string][]string{}
	for _, g := range list {
		ofSite[g.ID.Site()] = append(ofSite[g.ID.Site()], g.ID.Gateway())
	}
	newest := map[dewline.GatewayID]dewline.Millis{}
	lacks := map[dewline.GatewayID]bool{}
	for _, sys := range fleet.Systems() {
		name, ok := fleet.Gateway(sys)
		if only := ofSite[sys.ID.Site()]; !ok && len(only) == 1 { // none is named, and one may send there
			name, ok = only[0], true
		}
		if !ok {
			continue
		}
		id := dewline.NewGatewayID(sys.ID.Site(), name)
		line := lines[id]
		if line == nil {
			if !lacks[id] {
				lacks[id] = true
				p.Lacking = append(p.Lacking, string(id))
			}
			continue
		}
		line.Systems = append(line.Systems, sys.Name)
		if state, ok := s.overview.State(sys.ID); ok {
			newest[id] = max(newest[id], state.At, state.Received)
		}
	}
	for id, line := range lines {
		line.Seen = "no reading yet"
		if at := newest[id]; at != 0 {
			reader := s.reader(r, nil)
			line.Seen = "a reading " + reader.Age(at).Text
		}
	}
	if len(p.Lacking) > listed {
		p.Lacking = p.Lacking[:listed]
	}
	s.pages.write(w, r, status, "setupgateways", p)
}

// changeGateway makes, replaces or removes a credential.
func (s *server) changeGateway(w http.ResponseWriter, r *http.Request) {
	if !s.readForm(w, r, 1<<14) {
		return
	}
	ctx, now := r.Context(), dewline.MillisOf(s.Now())
	id := dewline.GatewayID(strings.TrimSpace(r.PostForm.Get("gateway")))
	p := gatewaysPage{}
	refuse := func(status int, text string) {
		p.Message = text
		s.showGateways(w, r, status, p)
	}
	do := r.PostForm.Get("do")
	if do == "add" {
		p.New = string(id)
	}
	if !id.Valid() {
		refuse(http.StatusUnprocessableEntity, "This was not done: write the site's id, a slash and the gateway's, such as quay-library/hall-gw.")
		return
	}
	var err error
	switch do {
	case "add":
		p.Password, err = s.Gateways.AddGateway(ctx, id, now)
	case "rotate":
		p.Password, err = s.Gateways.RotateGateway(ctx, id, now)
	case "remove?", "rotate?": // its connection ends
		p.Asked, p.Replace = string(id), do == "rotate?"
		s.showGateways(w, r, http.StatusOK, p)
		return
	case "remove":
		if err = s.Gateways.RemoveGateway(ctx, id); err == nil {
			http.Redirect(w, r, "/setup/gateways", http.StatusSeeOther)
			return
		}
	default:
		refuse(http.StatusUnprocessableEntity, "Choose what to do.")
		return
	}
	if err != nil {
		refuse(s.notDone(r, err))
		return
	}
	p.New, p.ID = "", string(id)
	s.showGateways(w, r, http.StatusOK, p)
}
