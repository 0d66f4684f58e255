package dewline

import "context"

// Proof is what readings say of a system over a stretch of steady running: the numbers that decide
// whether a repair holds.
type Proof struct {
	System      SystemID      `json:"system"`
	From        Stamp         `json:"from"`
	To          Stamp         `json:"to"`
	SteadyHours float64       `json:"steady_h" doc:"Of steady running."`
	Windows     int           `json:"windows" doc:"Half hours of steady running."`
	Days        int           `json:"days" doc:"UTC days with such a window."`
	Measures    []Measure     `json:"measures"`
	Conditions  []Measure     `json:"conditions,omitempty" doc:"What it was like meanwhile: air temperatures."`
	Slope       *MeasureSlope `json:"subcooling_slope,omitempty" doc:"Over the days, for a leak that was mended."`
	Missing     string        `json:"missing,omitempty" doc:"Why there are no numbers."`
}

// Measure is one quantity over the steady running, and the band that it should be in.
type Measure struct {
	Quantity string   `json:"quantity"`
	Unit     string   `json:"unit"`
	Mean     float64  `json:"mean"`
	Min      float64  `json:"min"`
	Max      float64  `json:"max"`
	Low      *float64 `json:"low,omitempty" doc:"The band, as far as one is known."`
	High     *float64 `json:"high,omitempty"`
	Within   float64  `json:"within" doc:"The share of windows inside the band, 0 to 1."`
	Why      string   `json:"why,omitempty" doc:"Where the band comes from, or why there is none."`
}

// Known says whether there is a band.
func (m Measure) Known() bool { return m.Low != nil || m.High != nil }

// MeasureSlope is how a quantity moves over days.
type MeasureSlope struct {
	PerDay      float64 `json:"per_day_k"`
	Uncertainty float64 `json:"uncertainty_k" doc:"Standard, k = 1."`
	SpanDays    float64 `json:"span_d"`
}

// Prover makes proofs of readings. It is safe for concurrent use.
type Prover interface {
	// Prove sums up the steady running of a system in [from, to).
	Prove(ctx context.Context, id SystemID, from, to Millis) (Proof, error)
	// ReadingNear returns what our sensor of a point read within some minutes of a time.
	ReadingNear(ctx context.Context, id SystemID, p Point, at Millis) (value float64, ok bool, err error)
}

// Verdict is whether a repair holds.
type Verdict string

// The verdicts. That it cannot be told yet is an honest one.
const (
	Verified    Verdict = "verified"
	NotVerified Verdict = "not_verified"
	CannotTell  Verdict = "cannot_tell_yet"
)

// Verification is a repair held against the readings, with what they were before and after.
type Verification struct {
	Verdict Verdict  `json:"verdict" enum:"verified,not_verified,cannot_tell_yet"`
	At      Stamp    `json:"at" doc:"When it was looked at."`
	Why     []string `json:"why" doc:"Sentences for people."`
	Before  []Proof  `json:"before" doc:"The days before the visit, by system."`
	After   []Proof  `json:"after" doc:"Since the work was finished, by system."`
}

// ServiceReport sums up what became of predictions and repairs.
type ServiceReport struct {
	From   Stamp         `json:"from"`
	To     Stamp         `json:"to"`
	Visits int           `json:"visits" doc:"Systems visited because of an alert."`
	Faults []FaultReport `json:"faults" doc:"By predicted cause."`
	// The rates are of Visits, but for Callback, which is of the visits whose repair could have come back.
	NoTroubleFound Rate `json:"no_trouble_found"`
	Callbacks      Rate `json:"callbacks" doc:"Came back within 30 days, or were not verified."`
	Verified       Rate `json:"verified" doc:"Of the visits with a verdict."`
}

// FaultReport is how often a predicted cause was the one that was found.
type FaultReport struct {
	Fault     Fault `json:"fault"`
	Precision Rate  `json:"precision"`
	Other     int   `json:"other" doc:"Another cause was found."`
	NoTrouble int   `json:"no_trouble" doc:"Nothing was found."`
}

// Rate is a share with its Wilson interval (95 %).
type Rate struct {
	Count int     `json:"count"`
	Of    int     `json:"of"`
	Share float64 `json:"share"`
	Low   float64 `json:"low"`
	High  float64 `json:"high"`
}
