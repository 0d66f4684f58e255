package api

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"dewline"
	"dewline/dashboards/view"
)

// System is a system as the API tells it.
type System struct {
	System       dewline.SystemID `json:"system" example:"quay-library/hall-ac" doc:"Full id, <site>/<system>."`
	Name         string           `json:"name"`
	Health       dewline.Health   `json:"health" enum:"learning,well,drifting,soon,urgent,doubtful,silent,under_repair"`
	HealthReason string           `json:"health_reason" doc:"Why this health is said, for people."`
	Site         Site             `json:"site"`
	Enrolment    Enrolment        `json:"enrolment"`
	State        *State           `json:"state" doc:"The latest state, null before the first reading."`
}

// Site is the site of a system.
type Site struct {
	ID        string  `json:"id"`
	Name      string  `json:"name"`
	Owner     string  `json:"owner" doc:"The owner's id."`
	Address   string  `json:"address,omitempty" doc:"How to get there."`
	Timezone  string  `json:"timezone" example:"Europe/Lisbon"`
	AltitudeM float64 `json:"altitude_m"`
}

// Enrolment is what the fleet file says of a system. What it does not state is absent.
type Enrolment struct {
	Kind               dewline.Kind         `json:"kind"`
	Model              string               `json:"model,omitempty" doc:"The maker's designation, as on the data plate."`
	Refrigerant        string               `json:"refrigerant" doc:"ASHRAE 34 designation."`
	Metering           dewline.Metering     `json:"metering"`
	CapacityW          float64              `json:"capacity_w,omitempty"`
	ChargeKg           float64              `json:"charge_kg,omitempty"`
	OrificeM           float64              `json:"orifice_m,omitempty" doc:"Bore called for."`
	OrificeInstalledM  float64              `json:"orifice_installed_m,omitempty" doc:"Bore read off the part."`
	TargetSubcoolingK  float64              `json:"target_subcooling_k,omitempty"`
	TargetSuperheatK   float64              `json:"target_superheat_k,omitempty"`
	TargetSuperheatAt  dewline.Place        `json:"target_superheat_at,omitempty"`
	Gateway            string               `json:"gateway,omitempty"`
	Machine            string               `json:"machine,omitempty" doc:"Circuits of one machine share it."`
	Receiver           bool                 `json:"receiver,omitempty"`
	SuctionAccumulator bool                 `json:"suction_accumulator,omitempty"`
	HeadControl        bool                 `json:"head_control,omitempty"`
	PumpDown           bool                 `json:"pump_down,omitempty"`
	CompressorSpeed    dewline.SpeedControl `json:"compressor_speed,omitempty"`
	CoilDropPa         float64              `json:"coil_drop_pa,omitempty"`
	LineLengthM        float64              `json:"line_length_m,omitempty"`
	SpaceLimitCel      *float64             `json:"space_limit_cel,omitempty"`
	Installed          string               `json:"installed,omitempty" format:"date"`
	Installer          string               `json:"installer,omitempty"`
	WarrantyUntil      string               `json:"warranty_until,omitempty" format:"date"`
	Contract           string               `json:"contract,omitempty"`
	Importance         dewline.Importance   `json:"importance"`
	Tags               []string             `json:"tags,omitempty"`
	Points             []Point              `json:"points"`
}

// Point is a fitted point.
type Point struct {
	Point          string                    `json:"point"`
	Unit           string                    `json:"unit" doc:"Unit of its values in series."`
	Reference      dewline.PressureReference `json:"reference,omitempty" doc:"Of a pressure."`
	Accuracy       float64                   `json:"accuracy,omitempty" doc:"Limit of error in the unit, K for a temperature."`
	AccuracyStated bool                      `json:"accuracy_stated" doc:"False where the accuracy is the contract's default."`
}

// State is the latest state of a system.
type State struct {
	_             struct{}           `nullable:"true"`
	At            *time.Time         `json:"at" doc:"The newest analysed reading, null before the first."`
	Received      *time.Time         `json:"received" doc:"The newest reading of all, analysed or waiting for late ones."`
	Running       bool               `json:"running"`
	Steady        bool               `json:"steady"`
	SteadyMinutes float64            `json:"steady_minutes" doc:"For how long it has been running steadily."`
	Values        map[string]Value   `json:"values" doc:"By name of the derived value."`
	Rolling10Min  map[string]Summary `json:"rolling_10min" doc:"Over the steady running of the last 10 minutes of event time."`
	Rolling24H    map[string]Summary `json:"rolling_24h" doc:"Over the steady running of the last 24 hours of event time."`
}

// Value is a derived value with its standard uncertainty, or why there is none.
type Value struct {
	Value       *float64 `json:"value" nullable:"true"`
	Uncertainty *float64 `json:"uncertainty" nullable:"true" doc:"Standard, k = 1."`
	Unit        string   `json:"unit"`
	Missing     string   `json:"missing,omitempty" doc:"Why there is no value."`
}

// Summary sums up one quantity.
type Summary struct {
	Mean  float64 `json:"mean"`
	Min   float64 `json:"min"`
	Max   float64 `json:"max"`
	Count int     `json:"count" doc:"Readings."`
	Unit  string  `json:"unit"`
}

type systemsInput struct {
	Limit  string `query:"limit" doc:"Most entries of a page, 1 to 1000; 100 if absent." example:"100"`
	Cursor string `query:"cursor" doc:"next of the page before."`
}

type systemsOutput struct {
	Link string `header:"Link" doc:"The next page, as RFC 8288 has it."`
	Body struct {
		Systems []System `json:"systems" doc:"In the order of their ids."`
		Next    string   `json:"next,omitempty" doc:"The cursor of the next page, absent on the last."`
	}
}

type systemInput struct {
	Site   string `path:"site" example:"quay-library"`
	System string `path:"system" example:"hall-ac"`
}

type systemOutput struct {
	Body System
}

func (h *handler) registerSystems(api huma.API) {
	api.OpenAPI().Components.Schemas.Schema(typeOf[Problem](), true, "Problem")
	huma.Register(api, operation("list-systems", dewline.ReadMachines, "/systems", "List systems",
		"What is enrolled, the latest state of each, and its health.", 400, 503), h.systems)
	huma.Register(api, operation("get-system", dewline.ReadMachines, "/systems/{site}/{system}", "One system",
		"What is enrolled, its latest state, and its health.", 404, 503), h.system)
}

func (h *handler) systems(ctx context.Context, in *systemsInput) (*systemsOutput, error) {
	limit, err := parseLimit(in.Limit)
	if err != nil {
		return nil, err
	}
	after, err := parseCursor(in.Cursor)
	if err != nil {
		return nil, err
	}
	o := h.Overview.Read(ctx, h.Now)
	if o.AlertsErr != nil {
		return nil, h.fail(ctx, "alerts", o.AlertsErr)
	}
	begin, found := slices.BinarySearch(o.IDs, after)
	if found {
		begin++
	}
	page := o.IDs[begin:min(begin+limit, len(o.IDs))]
	var out systemsOutput
	out.Body.Systems = make([]System, 0, len(page))
	for _, id := range page {
		sys, ok := o.Fleet.System(id)
		if !ok {
			continue
		}
		state, known := h.Overview.State(id)
		out.Body.Systems = append(out.Body.Systems, systemOf(o.Fleet, sys, state, known, o.Assessment(id)))
	}
	if begin+limit < len(o.IDs) {
		out.Body.Next = cursorAfter(page[len(page)-1])
		query := url.Values{"cursor": {out.Body.Next}, "limit": {strconv.Itoa(limit)}}
		out.Link = "<" + Prefix + "/systems?" + query.Encode() + `>; rel="next"`
	}
	return &out, nil
}

func (h *handler) system(ctx context.Context, in *systemInput) (*systemOutput, error) {
	fleet := h.Overview.Fleet(ctx)
	sys, err := enrolled(fleet, in.Site, in.System)
	if err != nil {
		return nil, err
	}
	alerts, err := h.Overview.UnendedOf(ctx, sys.ID)
	if err != nil {
		return nil, h.fail(ctx, "alerts", err)
	}
	state, known := h.Overview.State(sys.ID)
	return &systemOutput{systemOf(fleet, sys, state, known, view.Assess(state, known, alerts))}, nil
}

func enrolled(fleet *dewline.Fleet, site, system string) (*dewline.System, error) {
	id := dewline.NewSystemID(site, system)
	if sys, ok := fleet.System(id); ok {
		return sys, nil
	}
	return nil, problem(http.StatusNotFound, "no system "+string(id)+" is enrolled: "+Prefix+"/systems lists those that are")
}

func systemOf(fleet *dewline.Fleet, s *dewline.System, state dewline.SystemState, known bool, a view.Assessment) System {
	out := System{System: s.ID, Name: s.Name, Health: a.Health, HealthReason: a.Reason(view.Idiom{}), Enrolment: enrolmentOf(fleet, s)}
	if site, ok := fleet.Site(s.ID.Site()); ok {
		out.Site = Site{ID: site.ID, Name: site.Name, Owner: site.Owner, Address: site.Address, Timezone: "UTC", AltitudeM: float64(site.Altitude)}
		if site.Timezone != nil {
			out.Site.Timezone = site.Timezone.String()
		}
	}
	if known {
		out.State = stateOf(state)
	}
	return out
}

func enrolmentOf(fleet *dewline.Fleet, s *dewline.System) Enrolment {
	gateway, _ := fleet.Gateway(s)
	e := Enrolment{
		Kind: s.Kind, Model: s.Model, Refrigerant: s.Refrigerant, Metering: s.Metering,
		CapacityW: float64(s.Capacity), ChargeKg: float64(s.Charge),
		OrificeM: float64(s.Orifice), OrificeInstalledM: float64(s.OrificeInstalled),
		TargetSubcoolingK: float64(s.TargetSubcooling), TargetSuperheatK: float64(s.TargetSuperheat), TargetSuperheatAt: s.TargetSuperheatAt,
		Gateway: gateway, Machine: s.Machine,
		Receiver: s.Receiver, SuctionAccumulator: s.SuctionAccumulator, HeadControl: s.HeadControl, PumpDown: s.PumpDown,
		CompressorSpeed: s.CompressorSpeed, CoilDropPa: float64(s.CoilDrop), LineLengthM: float64(s.LineLength),
		Installed: day(s.Installed), Installer: s.Installer, WarrantyUntil: day(s.WarrantyUntil), Contract: s.Contract,
		Importance: s.Importance, Tags: s.Tags,
		Points: make([]Point, len(s.Points)),
	}
	if s.SpaceLimit > 0 {
		limit := s.SpaceLimit.Celsius()
		e.SpaceLimitCel = &limit
	}
	for i, f := range s.Points {
		accuracy, stated := f.Accuracy()
		e.Points[i] = Point{Point: f.Point.String(), Unit: f.Point.Unit(), Reference: f.Reference, Accuracy: accuracy, AccuracyStated: stated}
	}
	return e
}

func day(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format(time.DateOnly)
}

func stateOf(s dewline.SystemState) *State {
	out := &State{
		At: instant(s.At), Received: instant(s.Received), Running: s.Running, Steady: s.Steady, SteadyMinutes: s.SteadyMinutes,
		Values:       make(map[string]Value, len(s.Values)),
		Rolling10Min: summariesOf(s.Rolling10Min), Rolling24H: summariesOf(s.Rolling24H),
	}
	for d, e := range s.Values {
		v := Value{Unit: d.Unit(), Missing: e.Missing}
		if e.OK() {
			v.Value, v.Uncertainty = &e.Value, &e.Uncertainty
		}
		out.Values[string(d)] = v
	}
	return out
}

func summariesOf(all map[dewline.Derived]dewline.Summary) map[string]Summary {
	out := make(map[string]Summary, len(all))
	for d, s := range all {
		out[string(d)] = Summary{s.Mean, s.Min, s.Max, s.Count, d.Unit()}
	}
	return out
}

func instant(m dewline.Millis) *time.Time {
	if m == 0 {
		return nil
	}
	t := m.Time()
	return &t
}
