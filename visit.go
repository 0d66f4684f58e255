package dewline

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"

	"dewline/thermo/si"
)

// Visit is what a technician did and found at one system of a service call.
type Visit struct {
	ID       string   `json:"id" pattern:"^[A-Za-z0-9_-]{8,64}$" doc:"Made by who fills it in, so that sending it again does not make two."`
	Call     string   `json:"call"`
	System   SystemID `json:"system"`
	Revision int      `json:"revision" minimum:"1" doc:"Counts what was sent of this visit: a lower one changes nothing."`
	Started  Stamp    `json:"started"`
	Finished Stamp    `json:"finished,omitzero" doc:"When the work was finished, which may be long before it could be sent."`
	Closed   Stamp    `json:"closed,omitzero" readOnly:"true" doc:"When it was closed here; nothing changes afterwards."`

	// People's names are kept apart from the record, so that one can be taken out of it.
	Technician    string `json:"technician,omitempty"`
	Certification string `json:"certification,omitempty" doc:"Number of the certificate for work with refrigerant."`
	SignedBy      string `json:"signed_by,omitempty" doc:"Who signed for the owner."`

	AsFound     []GaugeReading `json:"as_found,omitempty"`
	AsLeft      []GaugeReading `json:"as_left,omitempty"`
	Refrigerant []Weighing     `json:"refrigerant,omitempty"`
	Evacuation  *Evacuation    `json:"evacuation,omitempty"`
	Parts       []PartChanged  `json:"parts,omitempty"`
	Sensors     []SensorChange `json:"sensors,omitempty"`
	Photos      []Photo        `json:"photos,omitempty"`

	Found          *FoundCause `json:"found,omitempty" doc:"The cause, as seen on the machine."`
	NoTroubleFound bool        `json:"no_trouble_found,omitempty"`
	Notes          string      `json:"notes,omitempty"`
}

// FoundCause is a cause that somebody has seen.
type FoundCause struct {
	Fault  Fault  `json:"fault"`
	Detail string `json:"detail,omitempty"`
}

// GaugeReading is what the technician's own instrument shows. Value is in the point's unit; a pressure
// is a gauge pressure unless it says otherwise.
type GaugeReading struct {
	Point     string            `json:"point"`
	At        Stamp             `json:"at"`
	Value     float64           `json:"value"`
	Unit      string            `json:"unit,omitempty" readOnly:"true" doc:"The point's."`
	Reference PressureReference `json:"reference,omitempty" doc:"Of a pressure; gauge where it is absent."`
	// Ours is what our sensor read at that time, filled in when the visit is closed: the difference is
	// evidence about the sensor.
	Ours       *float64 `json:"ours,omitempty" readOnly:"true"`
	Difference *float64 `json:"difference,omitempty" readOnly:"true" doc:"The technician's less ours."`
}

// Weighing is refrigerant that a scale saw going in or out. An estimate is none.
type Weighing struct {
	At          Stamp       `json:"at"`
	Refrigerant string      `json:"refrigerant"`
	Charged     si.Kilogram `json:"charged_kg,omitempty"`
	Recovered   si.Kilogram `json:"recovered_kg,omitempty"`
	Cylinder    string      `json:"cylinder,omitempty"`
	AsLiquid    bool        `json:"as_liquid,omitempty" doc:"Blends are charged as liquid."`
	Note        string      `json:"note,omitempty"`
}

// Evacuation is a vacuum that was drawn, and the test that it holds. The limits are those that the
// maker gives for this work on this machine, entered for this visit: there is no usual value to
// fall back on.
type Evacuation struct {
	Limits   *VacuumLimits `json:"limits,omitempty"`
	Points   []VacuumPoint `json:"points"`
	Isolated Stamp         `json:"isolated,omitzero" doc:"When the pump was valved off: the test begins."`
}

// VacuumLimits are what the maker asks for.
type VacuumLimits struct {
	Reach   si.Pascal `json:"reach_pa" doc:"Absolute; 500 micron are 66.7 Pa."`
	Hold    float64   `json:"hold_s" doc:"For how long it has to hold after the pump is valved off."`
	NotOver si.Pascal `json:"not_over_pa" doc:"What it must stay below meanwhile."`
	Source  string    `json:"source,omitempty" doc:"Where they stand."`
}

// VacuumPoint is one reading of the vacuum gauge, absolute.
type VacuumPoint struct {
	At       Stamp     `json:"at"`
	Pressure si.Pascal `json:"pressure_pa"`
}

// VacuumVerdict is what can be said of an evacuation.
type VacuumVerdict string

// The verdicts.
const (
	VacuumHeld    VacuumVerdict = "held"
	VacuumFailed  VacuumVerdict = "failed"
	VacuumUnknown VacuumVerdict = "unknown"
)

// Judge says whether the vacuum was reached and held, by the limits that were entered, and why.
func (e *Evacuation) Judge() (VacuumVerdict, string) {
	return e.JudgeIn(func(p si.Pascal) string { return fmt.Sprintf("%.0f Pa", float64(p)) }, English)
}

// JudgeIn is Judge for somebody who reads vacuums in other units, or in another language.
func (e *Evacuation) JudgeIn(write func(si.Pascal) string, t Tongue) (VacuumVerdict, string) {
	l := e.Limits
	if l == nil || !(l.Reach > 0) || !(l.Hold > 0) || !(l.NotOver > 0) {
		return VacuumUnknown, t.Say("no limits are entered: take them from the maker's instructions for this machine")
	}
	if e.Isolated == 0 {
		return VacuumUnknown, t.Say("the pump was not valved off: the test has not begun")
	}
	points := slices.SortedFunc(slices.Values(e.Points), func(a, b VacuumPoint) int { return cmp.Compare(a.At, b.At) })
	before, after := si.Pascal(math.Inf(1)), si.Pascal(0)
	held := 0.0
	for _, p := range points {
		if p.At <= e.Isolated {
			before = min(before, p.Pressure)
		} else if held < l.Hold { // the first reading at the end of the test is the last that counts
			held, after = float64(p.At-e.Isolated)/1000, max(after, p.Pressure)
		}
	}
	switch {
	case math.IsInf(float64(before), 1):
		return VacuumUnknown, t.Say("there is no reading before the pump was valved off")
	case before > l.Reach:
		return VacuumFailed, t.Say("it reached {1}, not {2}", write(before), write(l.Reach))
	case after > l.NotOver:
		return VacuumFailed, t.Say("it rose to {1}, above {2}, within {3}", write(after), write(l.NotOver), spanOf(l.Hold))
	case held < l.Hold:
		return VacuumUnknown, t.Say("it was watched for {1} of {2}", spanOf(held), spanOf(l.Hold))
	}
	return VacuumHeld, t.Say("{1} reached, {2} after {3}", write(before), write(after), spanOf(held))
}

// spanOf writes a length of time as people say it.
func spanOf(seconds float64) string {
	if seconds < 120 {
		return fmt.Sprintf("%.0f s", seconds)
	}
	return fmt.Sprintf("%.4g min", math.Round(seconds/6)/10)
}

// PartChanged is a part that was changed or adjusted. Bores are zero where they do not apply.
type PartChanged struct {
	Part    string   `json:"part" example:"orifice"`
	Was     string   `json:"was,omitempty"`
	Now     string   `json:"now,omitempty"`
	BoreWas si.Metre `json:"bore_was_m,omitempty"`
	BoreNow si.Metre `json:"bore_now_m,omitempty"`
	Serial  string   `json:"serial,omitempty"`
	Note    string   `json:"note,omitempty"`
}

// SensorChange is one of our sensors that was changed. It does not reset what is known of the machine.
type SensorChange struct {
	Point string `json:"point"`
	At    Stamp  `json:"at"`
	Note  string `json:"note,omitempty"`
}

// Photo is a picture of a visit; the picture itself is kept elsewhere, by its digest.
type Photo struct {
	Digest string `json:"digest" doc:"SHA-256 of the stored picture, in hexadecimal."`
	Type   string `json:"type" enum:"image/jpeg,image/png,image/webp"`
	Bytes  int64  `json:"bytes"`
	Note   string `json:"note,omitempty"`
}

// Net returns what the visit put into the circuit, less what it took out.
func (v *Visit) Net() (charged, recovered si.Kilogram) {
	for _, w := range v.Refrigerant {
		charged += w.Charged
		recovered += w.Recovered
	}
	return charged, recovered
}

// Closing is how a visit ends.
type Closing struct {
	By       string `json:"by" required:"false" doc:"Who does it: the name of who is signed in, which is also taken where this is absent."`
	Finished Stamp  `json:"finished,omitzero" doc:"When the work was finished, where the visit does not say."`
}

// Incomplete says what a visit lacks to be closed.
type Incomplete struct {
	Missing []string // sentences for people
}

// Error lists what is missing.
func (e *Incomplete) Error() string {
	return "the visit cannot be closed yet: " + strings.Join(e.Missing, "; ")
}

// Limits of a visit, so that a form cannot fill the disk.
const (
	maxVisitRows  = 500
	maxVisitBytes = 256 << 10
)

// Validate returns an error that says what of the visit makes no sense, complete or not.
func (v *Visit) Validate() error {
	bad := func(format string, args ...any) error {
		return &Error{Code: Invalid, Op: "visit " + v.ID, Err: fmt.Errorf(format, args...)}
	}
	switch {
	case !validVisitID(v.ID):
		return bad("its id must be 8 to 64 letters, digits, - or _")
	case !v.System.Valid():
		return bad("%q is no system", v.System)
	case v.Revision < 1:
		return bad("revision must count from 1")
	case v.Started <= 0:
		return bad("started is missing")
	case v.Finished != 0 && v.Finished < v.Started:
		return bad("it was finished before it started")
	case v.Found != nil && v.NoTroubleFound:
		return bad("it has both a cause and no trouble found: keep one")
	case v.Found != nil && !slices.Contains(Faults(), v.Found.Fault):
		return bad("%q is no fault: it is one of %v", v.Found.Fault, Faults())
	case max(len(v.AsFound), len(v.AsLeft), len(v.Refrigerant), len(v.Parts), len(v.Sensors), len(v.Photos)) > maxVisitRows:
		return bad("it has more than %d rows of a kind", maxVisitRows)
	}
	for _, name := range []string{v.Technician, v.SignedBy, v.Certification} {
		if name != "" {
			if err := CheckPerson(name); err != nil {
				return bad("%q: %w", name, err)
			}
		}
	}
	for _, r := range slices.Concat(v.AsFound, v.AsLeft) {
		if p, ok := PointNamed(r.Point); !ok || p.Dimension() == EventText || p.Dimension() == ModeValue {
			return bad("%q is no point that a gauge reads", r.Point)
		}
		if math.IsNaN(r.Value) || math.IsInf(r.Value, 0) || r.At <= 0 {
			return bad("a reading of %s has no time or no value", r.Point)
		}
	}
	for _, w := range v.Refrigerant {
		if !(w.Charged >= 0 && w.Recovered >= 0) || w.Charged+w.Recovered == 0 || w.Charged+w.Recovered > 10_000 || w.Refrigerant == "" {
			return bad("a weighing needs the refrigerant and how much went in or out, in kg off the scale")
		}
	}
	for _, p := range v.Parts {
		if p.Part == "" || !(p.BoreWas >= 0 && p.BoreNow >= 0) || max(p.BoreWas, p.BoreNow) > 0.1 {
			return bad("a part needs its name, and a bore is in metres")
		}
	}
	for _, s := range v.Sensors {
		if p, ok := PointNamed(s.Point); !ok || p.Dimension() == EventText || s.At <= 0 {
			return bad("a changed sensor needs its point and the time: %q is no point", s.Point)
		}
	}
	if text, err := json.Marshal(v); err != nil || len(text) > maxVisitBytes {
		return bad("it is larger than %d KiB", maxVisitBytes>>10)
	}
	return v.validateEvacuation(bad)
}

func (v *Visit) validateEvacuation(bad func(string, ...any) error) error {
	if v.Evacuation == nil {
		return nil
	}
	if len(v.Evacuation.Points) > 10*maxVisitRows {
		return bad("the evacuation has more than %d readings", 10*maxVisitRows)
	}
	for _, p := range v.Evacuation.Points {
		if !(p.Pressure >= 0) || p.Pressure > 200_000 || p.At <= 0 {
			return bad("a vacuum reading is an absolute pressure in Pa with its time")
		}
	}
	return nil
}

func validVisitID(id string) bool {
	return len(id) >= 8 && len(id) <= 64 && !strings.ContainsFunc(id, func(r rune) bool {
		return (r < 'a' || r > 'z') && (r < 'A' || r > 'Z') && (r < '0' || r > '9') && r != '-' && r != '_'
	})
}

// Faults returns every fault of the contract.
func Faults() []Fault {
	return []Fault{Undercharge, Overcharge, Restriction, Overfeed, EvaporatorAirflow, CondenserAirflow, NonCondensables,
		CompressorLeakage, ReversingValve, DefrostFault, SensorFault, Communication, NoFault}
}
